#!/usr/bin/python3
"""Ways out of the walk while it holds something: Ctrl-C, a terminal that is lost, a kill, a daemon
that goes. What it took it gives back, or the daemon says who has it; nothing begins that a person
had paused. The rig judges."""

import time

import harness
from commission_test import Walk

TANK, OTHER = "basil-bench", "lettuce-wall"
STEP = "the power step of 'dosewright commission'"


class Leave(harness.Case):
    SITE = {"dose_ml": 6, "hour_ml": 90, "day_ml": 180, "volume_l": 40, "flow_l_min": 20,
            "line_ml": 100}
    RIG = ("--every", "0.5")

    def setUp(self):
        if not self.daemon.process or not self.daemon.process.alive():
            self.daemon.start()
        harness.wait_until("the chain", self.chain_is_ready, 60)
        self.daemon.tool("unpause", TANK)
        self.daemon.tool("pause", OTHER)  # a person's own

    def chain_is_ready(self):
        status = self.daemon.status()
        return status and status["chains"][0]["why"] == ""

    def walk(self, *words):
        walk = Walk(self.daemon.door, *words)
        self.addCleanup(lambda: walk.process.poll() is None and walk.hang_up())
        return walk

    def walk_until_something_runs(self):
        walk = self.walk()
        walk.answer("which pump is which?", "s")
        walk.answer("Measure the supply of west under load?")
        walk.expect("%s is paused meanwhile." % TANK)
        walk.expect("%s is paused already, and stays so afterwards." % OTHER)
        self.assertEqual(self.daemon.tank(TANK)["paused_for"], STEP)
        walk.expect("before anything", 60)
        self.wait_dose(120, tank=TANK)
        return walk

    def assert_given_back(self):
        tank = self.daemon.tank(TANK)
        self.assertFalse(tank["paused"])
        self.assertEqual(tank["paused_for"], "")
        self.assertEqual(tank["asked"], "")
        self.assert_person_paused(OTHER)

    def assert_person_paused(self, tank):
        shown = self.daemon.tank(tank)
        self.assertTrue(shown["paused"])
        self.assertEqual(shown["paused_for"], "")

    def running(self):
        """What the rig's outputs do now, by their last start or end."""
        state = {}
        for r in self.world.ledger():
            if r.get("kind") == "move":
                state[(r["position"], r["channel"])] = r["event"] == "start"
        return [k for k, on in state.items() if on and k[1] > 0]

    def assert_pumps_stand_still(self):
        harness.wait_until("no pump runs", lambda: not self.running(), 5)

    def test_1_ctrl_c(self):
        walk = self.walk_until_something_runs()
        walk.press_ctrl_c()
        walk.expect("%s: what you asked for is cancelled" % TANK)
        walk.expect("%s isn't paused any more." % TANK)
        self.assertEqual(walk.end(), 130)
        self.assert_pumps_stand_still()
        harness.wait_until("it is settled", lambda: self.daemon.tank(TANK)["asked"] == "", 20)
        self.assert_given_back()
        self.still(20, tank=OTHER)
        run = self.world.runs("end", tank=TANK)[0]
        self.assertLess(run["ran_ms"], 5500)  # of six seconds

    def test_2_the_terminal_is_lost(self):
        walk = self.walk_until_something_runs()
        self.assertEqual(walk.lose_terminal(), 129)
        self.assert_pumps_stand_still()
        harness.wait_until("it is settled", lambda: self.daemon.tank(TANK)["asked"] == "", 20)
        self.assert_given_back()

    def test_3_killed(self):
        """Nobody can give anything back: it stays paused, and is said to be, over a restart, too."""
        walk = self.walk_until_something_runs()
        walk.hang_up()
        self.wait_state(TANK, ("paused",), 180)
        self.daemon.kill()
        self.daemon.start()
        harness.wait_until("the chain", self.chain_is_ready, 60)
        why = self.wait_state(TANK, ("paused",), 60)["why"]
        self.assertIn("paused for %s; if nobody is at that any more" % STEP, why)
        self.assertIn("'dosewright unpause %s'" % TANK, why)
        shown = " ".join(self.daemon.tool("status", TANK)[1].split())
        self.assertIn("paused for %s" % STEP, shown)
        self.assertIn("'dosewright unpause %s'" % TANK, shown)
        self.still(5, tank=TANK)
        walk = self.walk_until_something_runs()  # the next walk takes it up and gives it back
        walk.press_ctrl_c()
        walk.expect("%s isn't paused any more." % TANK)
        self.assertEqual(walk.end(), 130)

    def test_4_a_person_pauses_meanwhile(self):
        walk = self.walk_until_something_runs()
        self.daemon.tool("pause", TANK)
        walk.press_ctrl_c()
        walk.expect("%s stays paused: somebody paused it for something else." % TANK)
        self.assertEqual(walk.end(), 130)
        self.assert_person_paused(TANK)
        self.assert_person_paused(OTHER)

    def test_5_the_daemon_goes_and_comes(self):
        walk = self.walk_until_something_runs()
        self.daemon.kill()
        walk.expect("Waiting for the daemon, to end the pause.")
        self.daemon.start()
        walk.expect("%s isn't paused any more." % TANK, 40)
        self.assertEqual(walk.end(), 69)
        harness.wait_until("the chain", self.chain_is_ready, 60)
        self.assert_given_back()

    def test_6_the_daemon_stays_away(self):
        walk = self.walk_until_something_runs()
        self.daemon.kill()
        walk.expect("Waiting for the daemon, to end the pause.")
        walk.press_ctrl_c()
        walk.expect("!! %s stays paused: the daemon doesn't answer." % TANK)
        walk.expect("'dosewright unpause %s'" % TANK)
        self.assertEqual(walk.end(), 69)

    def test_7_ctrl_c_while_a_pump_runs_into_the_cup(self):
        harness.wait_until("it is settled", lambda: self.daemon.tank(TANK)["asked"] == "", 20)
        walk = self.walk(TANK, "pumps")
        walk.expect("leaf-a with west/1.1", 30)
        self.world.fault("cup:west/1.1")
        walk.answer("Prime with how many mL?", "6")
        self.wait_dose(180, tank=TANK)
        time.sleep(1)
        walk.press_ctrl_c()
        walk.expect("what you asked for is cancelled")
        walk.expect("%s stays on the bench" % TANK)
        self.assertEqual(walk.end(), 130)
        self.assert_pumps_stand_still()
        self.assertLess(self.world.runs("end", tank=TANK)[-1]["ran_ms"], 5500)
        self.assertTrue(self.daemon.tank(TANK)["bench"])
        self.judge_once()
        self.judge_recorded()
        self.judge_journal()


if __name__ == "__main__":
    harness.main()
