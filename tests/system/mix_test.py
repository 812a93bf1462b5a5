#!/usr/bin/python3
"""Mixing comes to its end: a tank whose probes speak once a minute and whose circulation runs for doses
only. The core on a pipe, woken when it wants to be; days pass in seconds."""

import json
import math
import tempfile
import unittest

import drive_bench
import small_site

DAY_MS = 86_400_000


class Lagging(drive_bench.Tank):
    """What is dosed shows with a lag while water circulates; the crop takes EC away."""

    def __init__(self, position, litres):
        super().__init__(position)
        self.litres, self.seen = litres, [0.35, 7.2]

    def pass_time(self, seconds, ran, flows):
        before = (self.ec_ms_cm, self.ph)
        self.drink(ran)
        share = 4.0 / self.litres
        self.ec_ms_cm = before[0] + share * (self.ec_ms_cm - before[0])
        self.ph = before[1] + 3.0 * share * (self.ph - before[1])
        drift = (-0.15 * seconds / 86400, 0.4 * seconds / 86400)
        self.ec_ms_cm, self.ph = self.ec_ms_cm + drift[0], self.ph + drift[1]
        self.seen = [s + d for s, d in zip(self.seen, drift)]
        if flows:
            kept = math.exp(-seconds / 870.0)
            now = (self.ec_ms_cm, self.ph)
            self.seen = [n + (s - n) * kept for n, s in zip(now, self.seen)]


class Minutes(drive_bench.Bench):
    """Time goes from event to event; each probe speaks once a minute, a beat comes every 2 s while a
    pump runs and every 10 s else."""

    def advance(self, ms):
        end = self.at_ms + ms
        while self.at_ms < end:
            runs = [r[1] - self.head.up_ms for r in self.head.runs.values()]
            wakes = [self.wakes_ms - self.at_ms] if self.wakes_ms and self.wakes_ms > self.at_ms else []
            step = max(1, min([end - self.at_ms, 10_000 - self.at_ms % 10_000] + runs + wakes))
            flows = (1, 0) in self.head.runs
            self.at_ms += step
            self.civil_ms += step
            for topic, payload in self.head.pass_to(self.head.up_ms + step):
                self.publish(topic, payload)
            self.tanks[0].pass_time(step / 1000.0, self.head.ran, flows)
            if self.relink:
                self.connect()
            if self.at_ms % 10_000 == 0:
                self.publish(drive_bench.HEAD + "/chain/beat", self.head.beat())
            if self.at_ms % 60_000 == 0:
                self.read()
            self.turn()

    def read(self):
        noise = 0.004 * math.sin(self.at_ms / 7000.0)
        ec, ph = self.tanks[0].seen
        self.tell(topic="glass/basil-bench/temperature", payload="21.0")
        self.tell(topic="glass/basil-bench/ec", payload="%.4f" % (ec + noise))
        self.turn()
        self.tell(topic="glass/basil-bench/ph", payload="%.3f" % (ph + 2 * noise))

    def turn(self):
        for _ in range(20):
            if self.wakes_ms is None or self.wakes_ms > self.at_ms:
                return
            self.tell(tick=True)


class Mix(unittest.TestCase):
    def test_mixing_ends_and_doses_go_on_for_days(self):
        if not drive_bench.PROGRAM:
            raise unittest.SkipTest("DOSEWRIGHT names no program")
        with tempfile.TemporaryDirectory() as folder:
            site = small_site.write(
                folder, 1883, tanks=("basil-bench",), volume_l=120, flow_l_min=5, line_ml=85, flush_lines=3,
                max_age_s=150, dose_ml=400, hour_ml=2000, day_ml=4000, acid_dose_ml=200, acid_hour_ml=800,
                acid_day_ml=1600, ec=1.6,
            )
            session = drive_bench.Session(site)
            head = drive_bench.Head()
            tall = head.roll()
            tall.update(beat_s=10, max_run_ms=600000)
            head.roll = lambda: tall
            bench = Minutes(session, head, [Lagging(1, 120.0)])
            bench.start()
            bench.turn()
            for day in range(3):
                records = len(bench.records)
                bench.advance(DAY_MS)
                kinds = [r["kind"] for r in bench.records[records:]]
                view = bench.tell(view="basil-bench")["view"]["tanks"][0]
                said = "day %d: %s: %s" % (day + 1, view["state"], view["why"])
                self.assertLess(kinds.count("circulate"), 400, said)
                if day > 0:
                    self.assertAlmostEqual(bench.tanks[0].ec_ms_cm, 1.6, delta=0.1, msg=said)
                    self.assertGreater(kinds.count("dose"), 0, said)
            session.end()


if __name__ == "__main__":
    unittest.main()
