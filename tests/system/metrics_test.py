#!/usr/bin/python3
"""The file of figures, read by the parser of the Python client library for Prometheus, and judged by the rules
of the text format ("Exposition formats", prometheus.io, version 0.0.4) that a parser forgives."""

import os
import re
import stat
import time

from prometheus_client.parser import text_string_to_metric_families

import harness

TANK = "basil-bench"
NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
LABEL = r'[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\["\\n])*"'
SAMPLE = re.compile(r"(%s)(?:\{%s(?:,%s)*\})? (-?[0-9.]+(?:e[-+][0-9]+)?)$" % (NAME, LABEL, LABEL))
OF_SUMMARY = ("_sum", "_count")


def samples(text):
    """{name: {labels as a frozenset: value}}, by the library."""
    found = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            found.setdefault(sample.name, {})[frozenset(sample.labels.items())] = sample.value
    return found


class Metrics(harness.Case):
    SITE = {"top": 'metrics: { file: "figures/dosewright.prom", every_s: 1 }\n'}

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.dir = os.path.join(cls.world.folder, "figures")
        cls.path = os.path.join(cls.dir, "dosewright.prom")
        os.mkdir(cls.dir)
        cls.daemon.start()

    def read(self):
        with open(self.path, encoding="ascii") as file:
            return file.read()

    def fresh(self):
        """What was written from now on: the second file from here has been gathered after now."""
        for _ in range(2):
            before = os.stat(self.path).st_ino if os.path.exists(self.path) else None
            harness.wait_until(
                "the next file", lambda: os.path.exists(self.path) and os.stat(self.path).st_ino != before, 10, 0.01
            )
        return self.read()

    def value(self, found, name, **labels):
        return found["dosewright_" + name][frozenset(labels.items())]

    def test_1_each_line_keeps_the_rules(self):
        text = self.fresh()
        self.assertTrue(text.endswith("\n"))
        helped, typed, ended, seen, family = set(), {}, set(), set(), None
        for line in text.split("\n")[:-1]:
            with self.subTest(line):
                if line.startswith("# HELP "):
                    name = line.split(" ")[2]
                    self.assertNotIn(name, helped)
                    self.assertNotIn("\\", line)
                    helped.add(name)
                    ended.add(family)
                    family = name
                elif line.startswith("# TYPE "):
                    _, _, name, kind = line.split(" ")
                    self.assertEqual(name, family)
                    self.assertNotIn(name, typed)
                    self.assertIn(kind, ("counter", "gauge", "summary"))
                    typed[name] = kind
                else:
                    match = SAMPLE.match(line)
                    self.assertTrue(match)
                    name = match.group(1)
                    if typed[family] == "summary" and name.endswith(OF_SUMMARY):
                        name = name[: name.rindex("_")]
                    self.assertEqual(name, family, "the samples of a family stand together")
                    self.assertNotIn(family, ended)
                    self.assertEqual(family.endswith("_total"), typed[family] == "counter")
                    series = line[: line.rindex(" ")]
                    self.assertNotIn(series, seen)
                    seen.add(series)
        self.assertGreater(len(seen), 60)
        self.assertEqual(helped, set(typed))
        self.assertEqual(stat.S_IMODE(os.stat(self.path).st_mode), 0o644)

    def test_2_the_figures_are_those_of_status(self):
        self.wait_dose(60)
        self.assertTrue(self.daemon.ask("pause", tank=TANK, on=True)["ok"])
        harness.wait_until("at rest", lambda: self.daemon.tank(TANK)["state"] == "paused", 60)
        found = samples(self.fresh())
        status = self.daemon.status()
        tank = self.daemon.tank(TANK)
        self.assertEqual(self.value(found, "broker_connected"), 1)
        self.assertEqual(self.value(found, "halted"), 0)
        self.assertEqual(self.value(found, "journal_ok"), 1)
        self.assertLessEqual(self.value(found, "journal_seq"), status["journal"]["seq"])
        self.assertGreater(self.value(found, "journal_seq"), 5)
        self.assertEqual(self.value(found, "chain_ready", chain="west"), 1)
        self.assertEqual(self.value(found, "tank_state", tank=TANK, state="paused"), 1)
        for probe, name in (("ec", "ec_ms_cm"), ("ph", "ph"), ("temperature", "temperature_celsius")):
            self.assertAlmostEqual(self.value(found, name, tank=TANK), tank[probe]["value"], delta=0.2)
            self.assertEqual(self.value(found, "reading_good", tank=TANK, probe=probe), 1)
            self.assertLess(self.value(found, "reading_age_seconds", tank=TANK, probe=probe), 15)
        self.assertEqual(self.value(found, "setpoint_ec_ms_cm", tank=TANK), 1.2)
        self.assertEqual(self.value(found, "setpoint_ph", tank=TANK), 5.8)
        dosed = 0
        for pump in tank["pumps"]:
            stock = pump["stock"]
            for window in ("hour", "day"):
                used = self.value(found, "window_used_ml", tank=TANK, stock=stock, window=window)
                self.assertEqual(used, pump[window + "_ml"])
                limit = self.value(found, "window_limit_ml", tank=TANK, stock=stock, window=window)
                self.assertEqual(limit, pump[window + "_limit_ml"])
            moved = self.world.moved_ul(tank=TANK, stock=stock) / 1000
            self.assertAlmostEqual(self.value(found, "delivered_ml_total", tank=TANK, stock=stock), moved, delta=0.02)
            dosed += moved
        self.assertGreater(dosed, 1)
        for stock in status["stocks"]:
            remaining = self.value(found, "bottle_remaining_ml", stock=stock["key"])
            self.assertAlmostEqual(remaining, stock["remaining_ml"], delta=30)
        rss_kb = int(re.search(r"VmRSS:\s+(\d+)", self.proc("status")).group(1))
        self.assertAlmostEqual(self.value(found, "resident_memory_bytes") / 1024, rss_kb, delta=1024)
        self.assertGreater(self.value(found, "loop_pass_seconds_count"), 10)
        self.assertGreater(self.value(found, "loop_pass_seconds_sum"), 0)
        self.assertLess(self.value(found, "loop_pass_longest_seconds"), 1)
        self.assertTrue(self.daemon.ask("pause", tank=TANK, on=False)["ok"])

    def proc(self, name):
        with open("/proc/%d/%s" % (self.daemon.process.pid, name), encoding="ascii") as file:
            return file.read()

    def test_3_alerts_and_refusals_are_told(self):
        before = self.value(samples(self.fresh()), "refused_messages_total")
        stranger = self.world.stranger()
        stranger.say("homie/5/tern-hall-%s/setpoint/ec/set" % TANK, "99")
        self.assertTrue(self.daemon.ask("refilled", stock="acid", ml=20)["ok"])
        self.world.fault("silent:%s.ec" % TANK)
        harness.wait_until("it is stale", lambda: self.daemon.tank(TANK)["ec"]["quality"] == "stale", 40)
        found = samples(self.fresh())
        self.assertGreater(self.value(found, "refused_messages_total"), before)
        self.assertEqual(self.value(found, "alerts"), len(self.daemon.alerts()))
        self.assertEqual(self.value(found, "alert", id="low-acid", tank=""), 1)
        self.assertLessEqual(self.value(found, "bottle_remaining_ml", stock="acid"), 20)
        self.assertEqual(self.value(found, "reading_good", tank=TANK, probe="ec"), 0)
        self.assertGreater(self.value(found, "reading_age_seconds", tank=TANK, probe="ec"), 14)
        self.world.fault("-silent:%s.ec" % TANK)
        self.assertTrue(self.daemon.ask("refilled", stock="acid")["ok"])

    def test_4_whoever_looks_sees_a_whole_file(self):
        ends, files = set(), set()
        until = time.monotonic() + 4
        while time.monotonic() < until:
            with open(self.path, encoding="ascii") as file:
                files.add(os.fstat(file.fileno()).st_ino)
                text = file.read()
            samples(text)
            ends.add(text.rstrip("\n").split("\n")[-1].split("{")[0])
        self.assertEqual(ends, {"dosewright_stock_locked"})
        self.assertGreater(len(files), 1)
        self.assertEqual(os.listdir(self.dir), ["dosewright.prom"])

    def test_5_a_folder_that_is_gone_holds_up_nothing(self):
        away = self.dir + ".away"
        os.rename(self.dir, away)
        said = "dosewright.prom can't be written"
        harness.wait_until("it is said", lambda: said in self.daemon.process.log(), 10)
        time.sleep(3)
        self.assertEqual(self.daemon.process.log().count(said), 1, "once, not each second")
        self.assertTrue(self.daemon.status()["ok"])
        os.rename(away, self.dir)
        self.fresh()

    def test_6_a_reload_moves_it_and_an_end_takes_it_away(self):
        other = os.path.join(self.dir, "other.prom")
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        harness.small_site.put(self.world.site_path, text.replace("figures/dosewright.prom", "figures/other.prom"))
        self.daemon.reload_done()
        harness.wait_until("the new one", lambda: os.listdir(self.dir) == ["other.prom"], 10)
        harness.small_site.put(self.world.site_path, text.replace("metrics:", "# metrics:"))
        self.daemon.reload_done()
        harness.wait_until("none", lambda: os.listdir(self.dir) == [], 10)
        harness.small_site.put(self.world.site_path, text)
        self.daemon.reload_done()
        self.fresh()
        self.assertEqual(self.daemon.end(), 0)
        self.assertEqual(os.listdir(self.dir), [])
        self.assertFalse(os.path.exists(other))

    def test_7_what_is_in_the_way_is_left_alone(self):
        """A pipe under the new file's name: nobody waits for its other end."""
        os.mkfifo(self.path + ".new")
        self.daemon.start()
        harness.wait_until("it is said", lambda: "can't be written" in self.daemon.process.log().split("tanks 2")[-1], 20)
        harness.wait_until("it answers", self.daemon.status, 10)
        self.assertEqual(self.daemon.end(), 0)


if __name__ == "__main__":
    harness.main()
