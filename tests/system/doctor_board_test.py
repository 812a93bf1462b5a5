#!/usr/bin/python3
"""dosewright doctor at a site with plain outputs: an order that the broker keeps is dangerous there."""

import subprocess

import harness
from doctor_test import Case
from plain_test import plain_site


class AtABoard(Case):
    """A site with plain outputs; no daemon, no board: what the broker keeps for it."""

    @classmethod
    def setUpClass(cls):
        cls.world = harness.World(rig=False, tanks=("basil-bench",))
        cls.addClassCleanup(cls.world.close)
        cls.daemon = cls.world.daemon
        plain_site(cls.world.site_path)

    def keep(self, topic, payload):
        """Retained; or cleared, in the very words of the remedy."""
        words = ["-m", payload] if payload else ["-n"]
        subprocess.run(
            ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(self.world.port), "-q", "1", "-r", "-t", topic] + words,
            check=True, timeout=20, stdin=subprocess.DEVNULL,
        )  # fmt: skip

    def test_orders_that_the_broker_keeps(self):
        topics = ("shed/a/set", "shed/b/set")
        self.one(self.look("--wait", "1"), "kept orders", "ok")
        self.keep(topics[0], "0")
        self.one(self.look("--wait", "1"), "kept orders", "warn", topics[0] + " (off)", "-t '%s'" % topics[0])
        self.keep(topics[1], "on")
        text = self.one(
            self.look("--wait", "1"), "kept orders", "fail", "keeps 2", topics[1] + " (runs something)",
            "after a power cut", "mosquitto_pub -r -n -t '%s'" % topics[1])  # fmt: skip
        self.assertNotIn("-t '%s'" % topics[0], text)
        self.keep(topics[0], "")
        self.keep(topics[1], "")
        self.one(self.look("--wait", "1"), "kept orders", "ok")

    def test_without_plain_outputs_there_is_no_such_line(self):
        other = harness.World(rig=False)
        self.addCleanup(other.close)
        self.assertEqual(self.look("--wait", "1", site=other.site_path).of("kept orders"), [])


if __name__ == "__main__":
    harness.main()
