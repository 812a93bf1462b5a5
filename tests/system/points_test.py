#!/usr/bin/python3
"""Killed at every system call: the daemon is ended by SIGKILL at the n-th system call of a scripted run,
its journal is left as a power cut may leave it, and the next start is judged by what the rig's pumps
really moved.

CRASH_POINTS: how many points, drawn by chance ("all": each one, which takes about an hour; 60)
CRASH_POINTS_S: no new point is begun after so many seconds (75; with "all" there is no end)
CRASH_POINTS_SEED: of the chances (1). CRASH_POINTS_JOBS: how many at once (6)."""

import collections
import concurrent.futures
import os
import platform
import random
import sys
import time
import unittest

import crash_points

POINTS = os.environ.get("CRASH_POINTS", "60")
ALL = POINTS == "all"
SECONDS = float(os.environ.get("CRASH_POINTS_S", "1e9" if ALL else "75"))
SEED = int(os.environ.get("CRASH_POINTS_SEED", "1"))
JOBS = int(os.environ.get("CRASH_POINTS_JOBS", "6"))

WRITES = "write,pwrite64,sendto"
# What is swept: its name, how it is killed, which calls count, and over what the script runs.
SWEEPS = (
    ("killed before", ["--do", "kill"], None),
    ("killed within a write", ["--do", "half", "--only", WRITES], None),
    ("killed in the start after a crash", ["--do", "kill"], "mid-dose"),
)


class Tally:
    def __init__(self):
        self.calls = collections.Counter()
        self.phases = collections.Counter()
        self.left = collections.Counter()
        self.points = set()
        self.planted = self.missed = 0
        self.failures = []

    def take(self, sweep, number, point, name):
        if name is None:
            self.missed += 1
            return
        self.points.add((sweep, number))
        self.calls[name] += 1
        self.phases[point.phase] += 1
        self.left[point.left] += 1
        self.planted += point.planted

    def __str__(self):
        def words(counter):
            return ", ".join("%s %d" % pair for pair in counter.most_common())

        return "distinct points %d, beyond the end %d, tails cut or planted %d\n  by phase: %s\n  left: %s\n  by call: %s" % (
            len(self.points), self.missed, self.planted, words(self.phases), words(self.left), words(self.calls),
        )  # fmt: skip


def count_calls(options, first):
    """How many calls the script makes when nothing happens to it."""
    point = crash_points.Point([o for o in options if o not in ("--do", "kill", "half")], random.Random(0), first)
    try:
        point.run()
        return point.report["calls"]
    finally:
        point.close()


class Points(unittest.TestCase):
    def one(self, sweep, number, tally):
        name, options, first = SWEEPS[sweep]
        dice = random.Random("%d/%d/%d" % (SEED, sweep, number))
        point = crash_points.Point(["--at", str(number)] + options, dice, first)
        try:
            tally.take(name, number, point, point.run())
        except Exception as error:  # whatever it is, the point is named
            where = point.report.get("name"), point.report.get("path"), point.phase, point.left
            tally.failures.append("%s, call %d %s: %s" % (name, number, where, error))
            sys.stderr.write(tally.failures[-1] + "\n" + point.daemon.process.log()[-800:] + "\n")
        finally:
            point.close()

    def todo(self):
        wanted = []
        for sweep, (name, options, first) in enumerate(SWEEPS):
            most = count_calls(options, first)
            print("%s: %d calls in a run" % (name, most), flush=True)
            wanted += [(sweep, number) for number in range(1, most + 1)]
        if ALL:
            return wanted
        return random.Random(SEED).sample(wanted, min(int(POINTS), len(wanted)))

    @unittest.skipUnless(platform.machine() == "x86_64", "the tracer knows x86-64 alone")
    def test_killed_at_system_calls(self):
        tally = Tally()
        began = time.monotonic()
        todo = self.todo()
        with concurrent.futures.ThreadPoolExecutor(JOBS) as pool:
            waiting = []
            for sweep, number in todo:
                waiting.append(pool.submit(self.within, began, sweep, number, tally))
            for n, future in enumerate(waiting):
                future.result()
                if ALL and n % 200 == 199:
                    print("%d of %d, %.0f s" % (n + 1, len(todo), time.monotonic() - began), flush=True)
        took = time.monotonic() - began
        print("seed %d, %.0f s, %.2f points a second" % (SEED, took, len(tally.points) / took))
        print(tally)
        self.assertEqual(tally.failures, [])
        self.assertGreater(len(tally.points), min(10, len(todo) // 2), "too few points to prove anything")

    def within(self, began, sweep, number, tally):
        if time.monotonic() - began < SECONDS:
            self.one(sweep, number, tally)


if __name__ == "__main__":
    unittest.main(verbosity=2)
