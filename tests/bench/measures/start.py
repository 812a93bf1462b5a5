"""(e) From start to READY, with an empty journal and with 100 MB of it to verify."""

import os
import socket
import statistics
import subprocess
import time
from datetime import datetime, timedelta, timezone

import harness
import made_journal

from measures import machine

ROUNDS = int(os.environ.get("BENCH_ROUNDS", "5"))
BYTES = 100 * 1000 * 1000
READY_LATE_S = 60
DAYS = 25


class Manager:
    """Listens as a service manager does."""

    def __init__(self, folder):
        self.path = os.path.join(folder, "notify")
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(self.path)
        self.socket.settimeout(READY_LATE_S)

    def wait_ready(self):
        while b"READY=1" not in self.socket.recv(4096):
            pass

    def close(self):
        self.socket.close()
        os.unlink(self.path)


def start_s(world):
    """Seconds until READY, and of processor time in them."""
    manager = Manager(world.folder)
    try:
        began = time.monotonic()
        world.daemon.start(NOTIFY_SOCKET=manager.path)
        manager.wait_ready()
        took = time.monotonic() - began
        return took, machine.cpu_s(world.daemon.process.pid)
    finally:
        world.daemon.kill()
        manager.close()


def fill(folder):
    """Records of two tanks' water, every few seconds for some weeks that end now; returns their bytes."""
    begin = (datetime.now(timezone.utc) - timedelta(days=DAYS)).replace(microsecond=0)
    made_journal.START = begin
    journal = made_journal.MadeJournal(folder)
    tanks = [made_journal.MadeTank(journal, key, n) for n, key in enumerate(("basil-bench", "lettuce-wall"))]
    tanks[0].water(begin, 1200, 5.8)
    journal.file.flush()
    line = os.path.getsize(journal.file.name)
    count = BYTES // line
    for n in range(count):
        tanks[n % 2].water(begin + timedelta(days=DAYS) * (n / count), 1200, 5.8)
    journal.close()
    return sum(os.path.getsize(path) for path in harness.segments(folder))


def read_s(folder):
    """What any program needs that hashes the same bytes."""
    paths = harness.segments(folder)
    began = time.monotonic()
    subprocess.run(["sha256sum"] + paths, stdout=subprocess.DEVNULL, check=True)
    return time.monotonic() - began


def measure(_build, table):
    world = harness.World(rig=False)
    try:
        times = []
        for n in range(ROUNDS):
            world.daemon.journal_dir = os.path.join(world.folder, "journal")
            subprocess.run(["rm", "-rf", world.daemon.journal_dir], check=True)
            times.append(start_s(world)[0])
        table.add("start to READY, empty journal", statistics.median(times) * 1000, "ms", bar=200)
        subprocess.run(["rm", "-rf", world.daemon.journal_dir], check=True)
        size = fill(world.daemon.journal_dir)
        found = [start_s(world) + (read_s(world.daemon.journal_dir),) for _ in range(ROUNDS)]
        own, cpu, bare = (statistics.median(f[n] for f in found) * 1e8 / size for n in range(3))
        table.add("start to READY, 100 MB of journal, beside sha256sum of it", own * 1000, "ms", bare * 1000, 1000)
        table.add("start to READY, 100 MB of journal, processor time", cpu * 1000, "ms")
    finally:
        world.close()


MEASURES = {"start": ("(e) start to READY, with and without a journal", measure)}
