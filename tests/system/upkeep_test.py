#!/usr/bin/python3
"""What wears, runs out and is due: told in words, counted as the rig counts, and kept over a crash."""

import datetime
import os
import re

import harness
import small_site

TANK = "basil-bench"
PROBES = """
      volume:      {{ topic: glass/{0}/volume, unit: L, max_age_s: 15 }}
      light:       {{ topic: glass/{0}/light, unit: lx, max_age_s: 15 }}
      enclosure:   {{ topic: glass/{0}/enclosure, unit: degC, max_age_s: 15 }}
      air_temperature: {{ topic: glass/{0}/air, unit: degC, max_age_s: 15 }}
      humidity:    {{ topic: glass/{0}/humidity, unit: "%", max_age_s: 15 }}"""
UPKEEP = "    upkeep: { light_differs_min: 0.1, enclosure_most_degc: 50 }\n"


def clock(hours):
    now = datetime.datetime.now(datetime.timezone.utc) + datetime.timedelta(hours=hours)
    return now.strftime("%H:%M")


class Upkeep(harness.Case):
    SITE = {
        "dose_ml": 6,
        "acid_dose_ml": 4,
        "tanks": (TANK,),
        "more_probes": PROBES.format(TANK),
        "more": UPKEEP,
    }

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        path = cls.daemon.site_path
        with open(path, encoding="utf-8") as file:
            text = file.read()
        text = text.replace("leaf-a.yaml, bottle_ml: 1000", "leaf-a.yaml, bottle_ml: 1000, low_ml: 998")
        text = re.sub(r"(leaf-a: \{ address: .*smallest_dose_ml: 0.2)", r"\1, tube_hours: 0.001", text)
        small_site.put(path, text)
        schedule = os.path.join(cls.daemon.folder, "schedules", TANK + ".yaml")
        with open(schedule, encoding="utf-8") as file:
            text = file.read()
        day = 'day: { from: "%s", to: "%s", zone: UTC }\n...\n' % (clock(-2), clock(3))
        small_site.put(schedule, text.replace("...\n", day))

    def setUp(self):
        if not (self.daemon.process and self.daemon.process.alive()):
            self.daemon.start()
        self.wait_state(TANK, ("holding", "mixing", "flushing", "injecting", "circulating"), 60)

    def upkeep(self):
        return self.daemon.tank(TANK)["upkeep"]

    def tube(self):
        return next(p for p in self.upkeep()["pumps"] if p["stock"] == "leaf-a")

    def bottle(self):
        return next(s for s in self.daemon.status()["stocks"] if s["key"] == "leaf-a")

    def asked(self, *words):
        code, said = self.daemon.tool("ask", *words)
        self.assertEqual(code, 0, said)

    def settled(self):
        """In band, or as far as the law goes for now: nothing runs for a while."""
        self.wait_state(TANK, ("holding", "waiting"), 240)

    def test_1_a_bottle_and_a_tube_are_counted_as_the_rig_counts(self):
        self.wait_alert("low-leaf-a", 90)
        self.assertIn("dosewright ask refilled leaf-a", self.daemon.alerts()["low-leaf-a"])
        self.wait_alert("tube-basil-bench-leaf-a", 120)
        self.settled()
        moved_ml = self.world.moved_ul(stock="leaf-a") / 1000
        doses = len(self.world.runs("end", stock="leaf-a"))
        self.assertGreater(moved_ml, 3.5)
        tube = self.tube()
        self.assertLessEqual(abs(tube["tube_ml"] - moved_ml), 0.001 * doses)
        self.assertLessEqual(abs(tube["tube_h"] * 3600 - moved_ml), 0.001 * doses + 1.8)
        bottle = self.bottle()
        self.assertLessEqual(abs(1000 - bottle["remaining_ml"] - moved_ml), 0.001 * doses)
        self.assertTrue(bottle["low"])
        self.assertGreater(bottle["days_left"], 1)
        self.asked("refilled", "leaf-a")
        self.wait_alert("low-leaf-a", 5, stands=False)
        self.asked("tube-changed", TANK, "leaf-a")
        self.wait_alert("tube-basil-bench-leaf-a", 5, stands=False)
        self.assertEqual(self.tube()["tube_h"], 0)

    def test_2_light_and_heat_are_told_of(self):
        self.assertAlmostEqual(self.upkeep()["vpd_kpa"], 1.06, delta=0.05)  # 22 degC, 60 %
        self.assertEqual((self.upkeep()["light"], self.upkeep()["light_due"]), ("on", "on"))
        self.world.fault("jump:%s.light=-11900" % TANK)
        self.world.fault("jump:%s.enclosure=25" % TANK)
        self.wait_alert("lights-basil-bench", 40)
        self.assertIn("it is dark, and day by the schedule", self.daemon.alerts()["lights-basil-bench"])
        self.wait_alert("enclosure-hot-basil-bench", 20)
        self.assertEqual(self.upkeep()["light"], "off")
        self.world.fault("-jump:%s.light" % TANK)
        self.world.fault("-jump:%s.enclosure" % TANK)
        self.wait_alert("lights-basil-bench", 40, stands=False)
        self.wait_alert("enclosure-hot-basil-bench", 20, stands=False)

    def test_3_a_probe_out_of_the_water_stops_dosing(self):
        self.settled()
        self.world.fault("jump:%s.ec=-1.15" % TANK)
        view = self.wait_state(TANK, ("interlocked",), 30)
        self.assertIn("are the probes in the water?", view["why"])
        self.wait_alert("dry-probe-basil-bench", 60)
        self.still(5, tank=TANK)
        self.world.fault("-jump:%s.ec" % TANK)
        self.wait_alert("dry-probe-basil-bench", 40, stands=False)
        self.world.fault("water-change:%s=0.3" % TANK)
        self.wait_dose(120, tank=TANK)

    def test_4_what_was_topped_up_is_seen(self):
        before = self.upkeep()["topped_l"]
        self.world.fault("refill:%s=1" % TANK)
        harness.wait_until(
            "a litre is seen", lambda: abs(self.upkeep()["topped_l"] - before - 1) < 0.11, 40
        )
        self.asked("water-changed", TANK, "2")
        left = (before + 1) * 0.5  # half of the four litres went
        self.assertAlmostEqual(self.upkeep()["topped_l"], left, delta=0.11)
        self.assertTrue(self.upkeep()["water_changed"])

    def test_5_a_crash_forgets_nothing(self):
        self.settled()
        self.asked("refilled", "leaf-a", "998")
        self.wait_alert("low-leaf-a", 20)
        self.asked("acknowledge", "low-leaf-a")
        self.asked("tube-changed", TANK, "leaf-b")
        bottle, upkeep = self.bottle(), self.upkeep()
        self.daemon.kill()
        self.daemon.start()
        self.wait_state(TANK, ("holding", "waiting"), 120)
        self.wait_alert("pump-basil-bench-leaf-b", 60)  # it has looked, and this one isn't quiet
        after = self.upkeep()
        self.assertEqual(self.bottle()["remaining_ml"], bottle["remaining_ml"])
        self.assertEqual([p["tube_ml"] for p in after["pumps"]], [p["tube_ml"] for p in upkeep["pumps"]])
        self.assertEqual([p["tube_h"] for p in after["pumps"]], [p["tube_h"] for p in upkeep["pumps"]])
        self.assertEqual(after["water_since"], upkeep["water_since"])
        self.assertAlmostEqual(after["topped_l"], upkeep["topped_l"], delta=0.3)
        self.assertNotIn("low-leaf-a", self.daemon.alerts())
        self.assertGreater(sum(p["tube_ml"] for p in after["pumps"]), 0)
        self.judge_once()
        self.judge_journal()


if __name__ == "__main__":
    harness.main()
