#!/usr/bin/python3
"""The walk's step at the supply, on a pseudo-terminal: the rig's chain draws what the configuration
says, until a motor is unplugged, the supply is weak, a cable is thin."""

import re

import harness
from commission_test import Walk

TANK = "basil-bench"
TANKS = (TANK, "lettuce-wall")


class Supply(harness.Case):
    """What both walks share; each has a site of its own, as what ran counts against its limits."""

    SITE = {"dose_ml": 6, "hour_ml": 60, "day_ml": 120, "flow_l_min": 20, "line_ml": 100}
    RIG = ("--every", "0.5")

    def setUp(self):
        if not self.daemon.process:
            self.daemon.start()
        harness.wait_until("the chain", lambda: self.chain()["why"] == "", 60)
        for tank in TANKS:  # a circulation that runs already couldn't be measured from a standstill
            self.assertTrue(self.daemon.ask("pause", tank=tank, on=True)["ok"])
        harness.wait_until("the water stands", self.stands, 120)

    def stands(self):
        return not any(self.world.water(tank)["circulates"] for tank in TANKS)

    def chain(self):
        status = self.daemon.status()
        return status["chains"][0] if status else {"why": "no answer"}

    def walk_to_the_supply(self):
        walk = Walk(self.daemon.door)
        self.addCleanup(lambda: walk.process.poll() is None and walk.hang_up())
        walk.expect("It answers at mqtt://127.0.0.1")
        walk.answer("which pump is which?", "s")
        walk.expect("water in the bottles, not stock")
        walk.answer("Measure the supply of west under load?")
        return walk

    def leave(self, walk):
        walk.answer("%s: Look at its probes?" % TANK, "q")
        self.assertEqual(walk.end(), 0)
        for tank in TANKS:  # somebody's pause, not the walk's
            self.assertTrue(self.daemon.tank(tank)["paused"])

    def most_amps(self, walk):
        return float(re.search(r"at most (\d+\.\d\d) A were drawn", walk.said).group(1))


class Planned(Supply):
    def test_what_is_planned_is_what_is_drawn(self):
        walk = self.walk_to_the_supply()
        walk.expect("before anything", 60)
        walk.expect("circulation of %s 1.10 A of 1.10 A due" % TANK, 120)
        for stock, channel in (("leaf-a", 1), ("leaf-b", 2), ("acid", 3)):
            walk.expect("%s at west/1.%d 0.35 A of 0.35 A due" % (stock, channel), 180)
        walk.expect("acid at west/2.3 0.35 A of 0.35 A due", 400)
        walk.expect("4.80 A of the supply's 6.00 A may be planned", 240)
        walk.expect("Supply, cable and motors do what is planned")
        self.leave(walk)
        self.assertNotIn("!!", walk.said)
        # both circulations, and a pump of each tank at once: the plan allows that
        self.assertAlmostEqual(self.most_amps(walk), 2 * (0.06 + 1.1 + 0.35), delta=0.02)
        self.judge_once()
        self.judge_recorded()
        self.judge_apart()


class Faulty(Supply):
    def test_a_dead_pump_and_a_brick_that_is_too_small(self):
        self.world.fault("unplugged:west/1.2")
        self.world.fault("weak:west=0.4")  # 0.6 V at 1.6 A, more with both tanks
        walk = self.walk_to_the_supply()
        walk.expect("leaf-b at west/1.2 0.00 A of 0.35 A due", 240)
        walk.expect("!! leaf-b at west/1.2 draws nothing where 0.35 A are due")
        walk.expect("!! the supply falls from 1", 600)
        walk.expect("the power brick is too small")
        walk.expect("6.0 A are configured for it")
        walk.expect("Put in order what is marked !!")
        self.leave(walk)
        self.assertEqual(walk.said.count("!!"), 3)  # those two, and the last sentence


if __name__ == "__main__":
    harness.main()
