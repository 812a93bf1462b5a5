"""(f) What the daemon costs while it holds two tanks: how often it wakes, and its processor time, beside a
client of the same library that hears the same messages and does nothing with them. (d) And its memory."""

import os
import time

import harness

from measures import machine, tls

SECONDS = float(os.environ.get("BENCH_SECONDS", "20"))


def holding(world):
    status = world.daemon.status()
    return status and all(tank["state"] == "holding" for tank in status["tanks"])


def rates(pids):
    """By name: wakes and milliseconds of processor time a second."""
    before = {n: (machine.wakes(p), machine.cpu_s(p)) for n, p in pids.items()}
    time.sleep(SECONDS)
    return {
        n: ((machine.wakes(p) - before[n][0]) / SECONDS, (machine.cpu_s(p) - before[n][1]) * 1000 / SECONDS)
        for n, p in pids.items()
    }


def add(table, pids, what, bar=None):
    found = rates(pids)
    (own, own_ms), (bare, bare_ms) = found["daemon"], found["bare"]
    table.add("%s: wakes a second" % what, own, "/s", bare)
    table.add("%s: wakes a second beyond the bare client's" % what, own - bare, "/s", bar=bar)
    table.add("%s: processor time of a second" % what, own_ms, "ms", bare_ms)


def add_memory(table, pids, what, resident, private=None):
    own, bare = machine.memory_kib(pids["daemon"]), machine.memory_kib(pids["bare"])
    table.add("%s: resident" % what, own["VmRSS"] / 1024, "MiB", bare["VmRSS"] / 1024, resident)
    table.add("%s: private" % what, own["RssAnon"] / 1024, "MiB", bare["RssAnon"] / 1024, private)


def on_link(build, table, secured):
    world = harness.World()
    what = "two tanks, TLS" if secured else "two tanks"
    try:
        words = tls.add(world) if secured else ["tcp://127.0.0.1:%d" % world.port]
        time.sleep(1)
        world.daemon.start()
        bare = world.start("bare", [os.path.join(build, "tests", "bench.bare_client")] + words + ["glass/#", "homie/5/west/#"])
        harness.wait_until("both tanks hold", lambda: holding(world), 300, 0.5)
        time.sleep(2)
        pids = {"daemon": world.daemon.process.pid, "bare": bare.pid}
        add(table, pids, what + ", 7 messages a second come in")
        world.rig.end()
        world.forget(world.rig)
        time.sleep(8)
        add(table, pids, what + ", nothing comes in", 4)
        add_memory(table, pids, what, 10 if secured else 8, None if secured else 3)
    finally:
        world.close()


def measure(build, table):
    on_link(build, table, False)
    on_link(build, table, True)


MEASURES = {"idle": ("(f) wakes and processor time while two tanks hold, and memory, plain and TLS", measure)}
