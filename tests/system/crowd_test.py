#!/usr/bin/python3
"""INV-14: many chains, and more asked for at once than can wait for the disk: what finds no place isn't
sent, and the daemon goes on."""

import collections
import json
import os
import signal
import socket
import time

import harness
import small_site

CHAINS = 60
CALLS = 16  # so many are served in one pass

MODULE = (
    "  {key}:\n    supply: {{ volts: 12.0, amps: 6.0 }}\n    modules:\n"
    "      - {{ serial: {serial}, position: 1, cable: {{ awg: 18, length_m: 1.0 }}, min_volts: 10.8,"
    " idle_amps: 0.06, pump_amps: 0.35, circulation_amps: 1.1 }}\n"
)


def many_chains(text):
    """The small site's first tank, once on each of many chains."""
    before, rest = text.split("chains:\n")
    stocks, tanks = rest[rest.index("stocks:\n") :].split("tanks:\n")
    tank = tanks[: tanks.index("  lettuce-wall:")]
    chains = made = ""
    for n in range(CHAINS):
        key = "c%d" % n
        chains += MODULE.format(key=key, serial="%04x" % (n + 0xA000))
        own = tank.replace("  basil-bench:", "  t%d:" % n, 1).replace("glass/basil-bench/", "glass/t%d/" % n)
        made += own.replace("west/", key + "/")
    return before + "chains:\n" + chains + stocks + "tanks:\n" + made + "...\n"


class Crowd(harness.Case):
    @classmethod
    def setUpClass(cls):
        cls.world = harness.World(rig=False)
        cls.addClassCleanup(cls.world.close)
        cls.daemon = cls.world.daemon
        with open(cls.world.site_path, encoding="utf-8") as file:
            text = many_chains(file.read())
        small_site.put(cls.world.site_path, text)
        cls.world.start_rig()

    def halts(self):
        """Halt and release in turns, all of them read in one pass."""
        pid = self.daemon.process.pid
        os.kill(pid, signal.SIGSTOP)
        try:
            for n in range(CALLS):
                door = socket.socket(socket.AF_UNIX)
                self.addCleanup(door.close)
                door.connect(self.daemon.door)
                call = {"call": "request", "request": "halt", "on": n % 2 == 0}
                door.sendall(json.dumps(call).encode() + b"\n")
                yield door
        finally:
            os.kill(pid, signal.SIGCONT)

    def test_each_probe_of_the_rig_is_heard(self):
        """They speak once a second, all at once: more than a connection takes in one go."""
        stranger = self.world.stranger("glass/#")
        topics = lambda messages: collections.Counter(m.topic for m in messages)
        harness.wait_until("probes", lambda: len(topics(stranger.heard())) == 3 * CHAINS, 20)
        since = stranger.count()
        time.sleep(6)
        self.assertGreaterEqual(min(topics(stranger.heard(since)).values()), 3)
        self.assertEqual(len(topics(stranger.heard(since))), 3 * CHAINS)

    def test_each_is_answered_and_the_daemon_lives(self):
        self.daemon.start()
        harness.wait_until(
            "every chain is commanded",
            lambda: self.daemon.process.log().count("commands chain") == CHAINS, 60,
        )  # fmt: skip
        harness.wait_until(
            "every chain is ready", lambda: all(c["ready"] for c in self.daemon.status()["chains"]), 30
        )
        time.sleep(2)  # a beat of each
        for door in list(self.halts()):
            door.settimeout(20)
            self.assertTrue(json.loads(door.recv(4096))["ok"])
        self.assertTrue(self.daemon.process.alive(), self.daemon.process.log()[-500:])
        self.assertTrue(self.daemon.ask("halt", on=False)["ok"])
        harness.wait_until(
            "no chain is halted",
            lambda: self.daemon.ask("halt", on=False)
            and not any(c["halted"] for c in self.daemon.status()["chains"]), 30, 1,
        )  # fmt: skip
        self.judge_journal()


if __name__ == "__main__":
    harness.main()
