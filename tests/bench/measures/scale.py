"""(d) Memory by the number of tanks, and over a million readings; and many tanks' readings on one core."""

import os
import time

import harness

from measures import machine, subjects
from measures.big_site import MOST, BigWorld, key_of

COUNTS = (2, 100, 1000)
MILLION = int(os.environ.get("BENCH_MILLION", "1000000"))
LOAD_S = 30


def probes_of(count):
    return subjects.daemon_probes([key_of(n) for n in range(count)])


class BigBench(subjects.Bench):
    """The daemon alone, with so many tanks."""

    def __init__(self, build, count):
        self.build, self.subjects, self.world = build, {}, BigWorld(count)
        try:
            daemon = self.world.daemon.start()
            harness.wait_until("the broker is heard", lambda: (daemon.status() or {}).get("broker", {}).get("up"), 60)
            self.subjects["daemon"] = subjects.Subject("daemon", daemon.process, probes_of(count), 1)
        except BaseException:
            print(daemon.process.log()[-2000:])
            self.world.close()
            raise

    def describe_all(self, count):
        """Every tank has its first values, and all of it is on the broker."""
        stranger = self.world.stranger("homie/5/tern-hall/$state")
        self.flood("daemon", 9 * count, 1000)
        stranger.wait_value("homie/5/tern-hall/$state", "ready", 300)
        self.flood("daemon", 3 * count, 1000)


def memory(build, table):
    for count in COUNTS:
        bench = BigBench(build, count)
        try:
            bench.describe_all(count)
            found = machine.memory_kib(bench.subjects["daemon"].pid)
            table.add("%d tanks: resident" % count, found["VmRSS"] / 1024, "MiB", bar=8 if count == 2 else 64)
            table.add("%d tanks: private" % count, found["RssAnon"] / 1024, "MiB", bar=3 if count == 2 else None)
            if count == 2:
                growth(bench, table)
        finally:
            bench.close()
    print("  10,000 tanks can't be configured: %d is the most" % MOST)


def growth(bench, table):
    """A million to begin with: the queues are touched as far as they are ever filled, up to their fixed size."""
    pid = bench.subjects["daemon"].pid
    sizes = []
    for _ in range(2):
        for _ in range(10):
            bench.flood("daemon", MILLION // 10)
        sizes.append(machine.memory_kib(pid)["RssAnon"])
    table.add("growth of private memory over %d readings, after as many" % MILLION, sizes[1] - sizes[0], "KiB", bar=0)


def load(build, table):
    """1,000 tanks, a reading of each kind every second: as many readings as 10,000 tanks have in 10 s."""
    count = 1000
    bench = BigBench(build, count)
    try:
        bench.describe_all(count)
        rate = 3 * count
        before, began = machine.cpu_s(bench.subjects["daemon"].pid), time.monotonic()
        found = bench.flood("daemon", rate * LOAD_S, rate)
        share = (machine.cpu_s(bench.subjects["daemon"].pid) - before) / (time.monotonic() - began) * 100
        table.add("%d tanks, %d readings a second: of one core" % (count, rate), share, "%", bar=50)
        print("  %d readings in %.1f s, %d values published" % (found["sent"], found["seconds"], found["published"]))
    finally:
        bench.close()


MEASURES = {
    "memory": ("(d) memory with 2, 100 and 1,000 tanks, and over a million readings", memory),
    "load": ("processor time of 1,000 tanks with 3,000 readings a second", load),
}
