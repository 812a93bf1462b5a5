#!/usr/bin/python3
"""The rig as a relay board: the plain site that is shipped, and one whose tanks share a board, tried
without hardware. The daemon is compared with what the rig says really moved."""

import datetime
import json
import os
import shutil
import time
import unittest


import harness
import small_site

TANK = "seedlings"


def day(offset):
    now = datetime.datetime.now(datetime.timezone.utc) + datetime.timedelta(days=offset)
    return now.strftime("%Y-%m-%d")


class Shipped(harness.Case):
    """config/plain.yaml as it is, but for broker, folders and dates."""

    @classmethod
    def setUpClass(cls):
        cls.world = harness.World(rig=False)
        cls.addClassCleanup(cls.world.close)
        cls.world.site_path = cls.write_site(cls.world)
        cls.world.rig_options = ["--every", "0.5", "--fault", "deaf:seedlings"]
        cls.world.start_rig()
        cls.daemon = cls.world.daemon = harness.Daemon(cls.world, cls.world.site_path)
        cls.daemon.start()

    @staticmethod
    def write_site(world):
        folder = os.path.join(world.folder, "shed")
        os.makedirs(folder)
        for sub in ("solutions", "schedules"):
            shutil.copytree(os.path.join(harness.ROOT, "config", sub), os.path.join(folder, sub))
        with open(os.path.join(harness.ROOT, "config", "plain.yaml"), encoding="utf-8") as file:
            text = file.read()
        text = text.replace("mqtt://localhost:1883", "mqtt://127.0.0.1:%d" % world.port)
        text = text.replace(
            "journal: { dir: /var/lib/dosewright }",
            'journal: { dir: "%s/journal" }\nsocket: "%s/dosewright.sock"' % (folder, folder))
        text = text.replace("2025-03-01", day(-2)).replace("2025-03-05", day(-1))
        path = os.path.join(folder, "site.yaml")
        small_site.put(path, text)
        return path

    def told(self, what):
        return [line for line in self.world.rig.log().splitlines() if what in line]

    def test_1_the_board_is_there(self):
        harness.wait_until("the board", lambda: self.told("seedlings/1.circulation"), 10)
        self.assertIn("ready as a plain output on shed/board1/flow/set", self.told("seedlings/1.circulation")[0])
        self.wait_alert("limits-unknown-seedlings", 30)
        self.assertEqual(self.daemon.ask("acknowledge", alert="limits-unknown-seedlings")["ok"], True)

    def test_1b_a_board_that_does_not_hear_is_noticed(self):
        self.wait_alert("ignores-seedlings-circulation", 60)  # by the first flush of its line
        self.world.fault("-deaf:seedlings")
        self.wait_alert("ignores-seedlings-circulation", 150, stands=False)

    def test_2_doses_arrive_as_they_are_told(self):
        before = self.world.water(TANK)
        self.wait_dose(180, event="end", tank=TANK)
        for stock in ("calcium", "grow"):
            harness.wait_until(stock, lambda s=stock: self.world.runs("end", tank=TANK, stock=s), 120)
        moved = self.world.runs("end", tank=TANK)
        harness.wait_until("the outcomes", lambda: len(self.daemon.records("outcome")) >= len(moved), 20)
        for run, dose in zip(moved, self.daemon.records("dose")):
            self.assertEqual(run["stock"], dose["stock"])
            self.assertAlmostEqual(run["ran_ms"], dose["run_ms"], delta=100)  # step_s of the acid's board
            self.assertEqual(run["arrived_ul"], run["ul"])
        harness.wait_until(
            "EC rises", lambda: self.world.water(TANK)["ec_us_cm"] > before["ec_us_cm"] + 10, 60)
        self.assertEqual([a for a in self.daemon.alerts() if a.startswith(("ignores", "stays", "hand"))], [])
        self.judge_apart()

    def test_3_a_button_on_the_board_is_noticed(self):
        self.daemon.tool("pause", TANK)
        self.wait_state(TANK, ("paused",), 300)
        self.world.fault("hand:seedlings/4.1")
        self.wait_alert("hand-seedlings", 30)
        self.world.fault("-hand:seedlings/4.1")
        self.wait_alert("hand-seedlings", 60, stands=False)

    def test_4_what_a_board_has_not_got(self):
        self.world.fault("swap:seedlings.2=x7")
        harness.wait_until(
            "it is said", lambda: self.told("is a board of plain outputs, without modules to swap"), 5)
        self.judge_journal()


class Board(unittest.TestCase):
    """What the board does, by a client that knows only the configuration."""

    def setUp(self):
        self.world = harness.World(rig=False)
        self.addCleanup(self.world.close)
        self.world.site_path = Shipped.write_site(self.world)
        self.world.rig_options = []
        self.world.start_rig()
        self.stranger = self.world.stranger()
        self.stranger.wait_value("shed/board1/flow", "off", 10)

    def ran(self, channel_stock):
        return self.world.runs("end", stock=channel_stock)

    def test_orders_limits_and_reports(self):
        say = self.stranger.say
        self.assertEqual(json.loads(self.stranger.value("shed/board2/state")), {"relay1": False})
        say("shed/board1/pump1/set", "1500")
        harness.wait_until("it ran", lambda: self.ran("grow"), 10)
        self.assertEqual(self.ran("grow")[0]["ran_ms"], 1500)
        say("shed/board2/set", '{"relay":1,"seconds":30}')
        harness.wait_until(
            "on is reported", lambda: json.loads(self.stranger.value("shed/board2/state")) == {"relay1": True}, 5)
        say("shed/board2/set", '{"relay":1,"seconds":0}')
        harness.wait_until(
            "off is reported", lambda: json.loads(self.stranger.value("shed/board2/state")) == {"relay1": False}, 5)
        self.assertLess(self.ran("acid")[0]["ran_ms"], 6000)
        say("shed/board1/flow/set", "on")
        self.stranger.wait_value("shed/board1/flow", "on", 5)
        say("shed/board1/flow/set", "off")
        self.stranger.wait_value("shed/board1/flow", "off", 5)
        say("shed/board2/set", '{"relay":2,"seconds":5}')  # no relay that is configured
        harness.wait_until("it is said", lambda: "takes what came on shed/board2/set" in self.world.rig.log(), 5)

    def test_a_retained_order_is_old(self):
        self.stranger.say("shed/board1/pump2/set", "1000", retain=True)
        harness.wait_until("it is said", lambda: "refused : retained" in self.world.rig.log(), 10)
        self.world.rig.end()
        self.world.start_rig()
        harness.wait_until("it is there again", lambda: self.world.rig.log().count("on shed/board2/set") == 2, 10)
        self.stranger.say("shed/board1/pump1/set", "1000")
        harness.wait_until("it hears", lambda: self.ran("grow"), 10)
        self.assertEqual(self.ran("calcium"), [])


if __name__ == "__main__":
    harness.main()
