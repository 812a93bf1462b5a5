#!/usr/bin/python3
"""The day's summary of each tank: in the journal, on the site's log and in the daemon's, at the hour that the file
says. The clock runs ten times as fast, and is stepped."""

import datetime
import re

import harness
import shim

INFO = "homie/5/tern-hall/$log/info"
TANKS = ("basil-bench", "lettuce-wall")
SPEED = 10


class Summary(harness.Case):
    @classmethod
    def setUpClass(cls):
        cls.world = shim.World(speed=SPEED, max_age_s=120)
        cls.addClassCleanup(cls.world.close)
        cls.daemon = cls.world.daemon
        cls.stranger = cls.world.stranger()
        at = datetime.datetime.now(datetime.timezone.utc) + datetime.timedelta(minutes=6)
        with open(cls.world.site_path, encoding="utf-8") as file:
            text = file.read()
        told = text.replace("keep_days: 30 }", 'keep_days: 30, summary_at: "%s" }' % at.strftime("%H:%M"))
        assert told != text
        harness.small_site.put(cls.world.site_path, told)
        cls.daemon.start()

    def summaries(self, since=0):
        return self.stranger.heard(since, INFO)

    def test_1_each_tanks_day_is_summed_up_once(self):
        self.wait_dose(60)
        self.assertTrue(self.daemon.ask("refilled", stock="acid", ml=20)["ok"])
        harness.wait_until("both are told", lambda: len(self.summaries()) == 2, 90)
        self.assertEqual(sorted(m.payload.split(":")[0] for m in self.summaries()), list(TANKS))
        for message in self.summaries():
            self.assertFalse(message.retained)
            self.assertRegex(
                message.payload,
                r"^[a-z-]+: EC 0\.\d\d to [01]\.\d\d mS/cm; pH \d\.\d to \d\.\d; given in 24 h: .* mL of leaf-a.*; "
                r"(no alert|alerts: \d+ came, \d+ stands?); bottles low: acid$",
            )
        records = harness.wait_until("on disk", lambda: (lambda r: len(r) == 2 and r)(self.daemon.records("summary")), 5)
        for record in records:
            line = next(m.payload for m in self.summaries() if m.payload.startswith(record["tank"]))
            self.assertEqual(line, record["tank"] + ": " + record["text"])
            self.assertLessEqual(record["ec_least_us_cm"], record["ec_most_us_cm"])
            self.assertLessEqual(record["ph_least"], record["ph_most"])
            water = self.daemon.records("water", tank=record["tank"])
            for seen in water:
                if seen["seq"] < record["seq"] and "ec_us_cm" in seen:
                    self.assertGreaterEqual(seen["ec_us_cm"], record["ec_least_us_cm"])
                    self.assertLessEqual(seen["ec_us_cm"], record["ec_most_us_cm"])
            given = re.search(r"([0-9.]+) mL of leaf-a", record["text"])
            moved = sum(r["ul"] for r in self.world.runs("end", tank=record["tank"], stock="leaf-a")) / 1000
            self.assertGreater(float(given.group(1)), 0)
            self.assertLessEqual(float(given.group(1)), moved + 0.2)
            self.assertIn(line, self.daemon.process.log())

    def test_2_a_restart_does_not_repeat_it(self):
        before = self.stranger.count()
        self.assertEqual(self.daemon.end(), 0)
        self.daemon.start()
        self.stranger.wait_value("homie/5/tern-hall/$state", "ready", 40)
        harness.wait_until("a minute and more goes by", lambda: self.daemon.tank(TANKS[0])["ec"]["age_s"] is not None, 30)
        self.wait_fake_minutes(2)
        self.assertEqual(self.summaries(before), [])
        self.assertEqual(len(self.daemon.records("summary")), 2)

    def wait_fake_minutes(self, minutes):
        until = self.world.page.boot_ms() + minutes * 60000
        harness.wait_until("time goes by", lambda: self.world.page.boot_ms() > until, 60)

    def test_3_the_next_day_has_one_of_its_own(self):
        before = self.stranger.count()
        self.world.page.step_ms(shim.DAY_MS)
        harness.wait_until("both are told", lambda: len(self.summaries(before)) == 2, 60)
        self.wait_fake_minutes(2)
        self.assertEqual(len(self.summaries(before)), 2)
        self.assertEqual(self.daemon.verify()[0], 0)

    def test_4_a_clock_set_back_repeats_none(self):
        before = self.stranger.count()
        self.world.page.step_ms(-2 * 3600 * 1000)
        self.wait_fake_minutes(3)
        self.assertEqual(self.summaries(before), [])


if __name__ == "__main__":
    harness.main()
