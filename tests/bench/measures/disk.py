"""(b) From a message to the command that it leads to, by way of a record on disk; (g) what dosing writes."""

import os
import statistics
import time

import harness
import small_site

from measures import machine, subjects

COUNT, EVERY_US = 24, 1500000
DOSING_S = float(os.environ.get("BENCH_DOSING_S", "120"))
WATER_S = 60
# Of a tank and day. The sample's limits, used up in doses of full size, are 55 doses.
BUSY_TANKS, BUSY_DOSES, VERY_BUSY_DOSES, WATER_RECORDS = 10, 55, 100, 144


def meter(world, build, *words):
    bench = subjects.Bench.__new__(subjects.Bench)
    bench.world, bench.build = world, build
    return bench.meter(*words)


def chain_ready(world):
    status = world.daemon.status()
    return status and all(chain["ready"] and chain["ours"] for chain in status["chains"])


def pause_all(world):
    harness.wait_until("the daemon answers", world.daemon.status, 20)
    for tank in small_site.TANKS:
        answer = world.daemon.ask("pause", tank=tank, on=True)
        if not answer or not answer.get("ok"):
            raise AssertionError("%s isn't paused: %s" % (tank, answer))


def by_disk(build, table):
    """Beside a client that appends a line, syncs it and publishes."""
    world = harness.World()
    try:
        world.daemon.start()
        pause_all(world)  # so that commands are the answers to what is asked here
        harness.wait_until("the chain answers", lambda: chain_ready(world), 60, 0.2)
        path = os.path.join(world.folder, "peer-journal")
        command = [os.path.join(build, "tests", "bench.peer"), "peer-c", "1", str(world.port), "in-peer-c/#"]
        peer = world.start("peer-c", command, {"PEER_JOURNAL": path})
        harness.wait_until("it listens", lambda: "subscribed" in peer.log(), 20)
        ask = ("homie/5/tern-hall/request/call/set", "homie/5/west/dose/command/set", "ph")
        own, bare = [], []
        for _ in range(3):
            own += meter(world, build, "request", (COUNT // 3, EVERY_US), [ask])["us"]
            bare += meter(world, build, "latency", (0, COUNT // 3, EVERY_US), [("in-peer-c/x", "peer-c/in-peer-c/x", "ph")])["us"]
        table.add(
            "message to record on disk to command, median, beside peer-c with a synced line",
            statistics.median(own), "us", statistics.median(bare),
        )  # fmt: skip
    finally:
        world.close()


def written_over(world, seconds, kind):
    """Bytes sent to the disk, and records of that kind."""
    pid = world.daemon.process.pid
    before, had = machine.written_bytes(pid)[1], len(world.daemon.records(kind))
    time.sleep(seconds)
    return machine.written_bytes(pid)[1] - before, len(world.daemon.records(kind)) - had


def of_doses():
    """Bytes for a dose, of a site that doses all the time."""
    world = harness.World()
    try:
        world.daemon.start()
        harness.wait_until("the first dose", lambda: world.daemon.records("dose"), 120, 0.2)
        written, doses = written_over(world, DOSING_S, "dose")
        print("  %d doses in %.0f s" % (doses, DOSING_S))
        return written / doses
    finally:
        world.close()


def of_water():
    """Bytes for a tank's readings in the journal, of a site that does nothing else."""
    world = harness.World()
    try:
        with open(world.site_path, encoding="utf-8") as file:
            text = file.read()
        small_site.put(world.site_path, text.replace("keep_days: 30", "keep_days: 30, water_every_min: 0.1"))
        world.daemon.start()
        pause_all(world)
        harness.wait_until("the tanks' readings are recorded", lambda: world.daemon.records("water"), 60, 0.2)
        time.sleep(10)
        written, records = written_over(world, WATER_S, "water")
        print("  %d records of water in %.0f s, %d doses" % (records, WATER_S, len(world.daemon.records("dose"))))
        return written / records
    finally:
        world.close()


def written(_build, table):
    dose, water = of_doses(), of_water()
    table.add("sent to the disk for a dose, with all that is recorded beside it", dose / 1024, "KiB")
    table.add("sent to the disk for a record of a tank's water", water / 1024, "KiB")
    for doses, bar in ((BUSY_DOSES, 20), (VERY_BUSY_DOSES, None)):
        day = BUSY_TANKS * (doses * dose + WATER_RECORDS * water)
        table.add("a day of %d tanks with %d doses each, from these" % (BUSY_TANKS, doses), day / 1e6, "MB", bar=bar)


MEASURES = {
    "command": ("(b) message to record on disk to command", by_disk),
    "written": ("(g) bytes sent to the disk by doses, and in a day", written),
}
