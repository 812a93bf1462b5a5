#!/usr/bin/python3
"""A first dose after the mistakes of a first day, on a pseudo-terminal and over a real broker: a line
that nobody primed, one that was primed half, two bottles changed over. The walk says what helps, and
the rig's ledger judges whether that was true."""

import harness
from commission_test import Walk

TANK = "basil-bench"
DOSE_ML = 4


class Mistakes(harness.Case):
    SITE = {"dose_ml": 6, "hour_ml": 60, "day_ml": 120, "flow_l_min": 20, "line_ml": 100, "ec_rise": 5,
            "ec": 0.4, "ph": 6.8}
    RIG = ("--every", "0.5")

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.daemon.start()

    def setUp(self):
        harness.wait_until("the chain", self.chain_is_ready, 60)
        for tank in (TANK, "lettuce-wall"):
            self.daemon.tool("pause", tank)

    def chain_is_ready(self):
        status = self.daemon.status()
        return status and status["chains"][0]["why"] == ""

    def probes_are_good(self):
        tank = self.daemon.tank(TANK)
        return all(tank[q]["quality"] == "good" for q in ("ec", "ph", "temperature"))

    def first_dose(self, stock):
        """What the walk says of it, and what the rig has seen of it."""
        self.wait_state(TANK, ("paused",), 200)
        harness.wait_until("probes that are trusted", self.probes_are_good, 60)
        walk = Walk(self.daemon.door, TANK, "dose")
        self.addCleanup(lambda: walk.process.poll() is None and walk.hang_up())
        walk.answer("Which stock?", stock)
        walk.answer("How many mL?", "%g" % DOSE_ML)
        walk.expect("given", 90)
        walk.expect("EC went from", 240)
        self.assertEqual(walk.end(), 0)
        said = " ".join(walk.said[walk.said.index("EC went from") - 5:].split())
        return said, self.world.runs("end", tank=TANK, stock=stock)[-1]

    def prime(self, ml):
        """The tube in a cup of its own, until it comes without bubbles."""
        walk = Walk(self.daemon.door, TANK, "pumps")
        self.addCleanup(lambda: walk.process.poll() is None and walk.hang_up())
        walk.expect("leaf-a with west/1.1", 30)
        self.world.fault("cup:west/1.1")
        for volume in ml:
            walk.answer("Prime with how many mL?", "%g" % volume, 60)
            walk.answer("without bubbles?", "s", 90)
        walk.answer("Prime with how many mL?", "q")
        walk.end()
        self.world.fault("-cup:west/1.1")
        self.daemon.tool("ask", "bench", TANK, "off")

    def test_1_forgot_to_prime(self):
        self.world.fault("air:west/1.1=11")
        said, run = self.first_dose("leaf-a")
        self.assertEqual(run["arrived_ul"], 0)
        self.assertIn("!! EC went from", said)
        self.assertIn("It hardly did: was the line primed?", said)
        self.assertNotIn("another bottle", said)

    def test_2_primed_not_far_enough(self):
        self.prime([4])  # 7 mL of air are gone of 11 + what is dosed now
        self.world.fault("air:west/1.1=2.4")
        said, run = self.first_dose("leaf-a")
        self.assertAlmostEqual(run["arrived_ul"], (DOSE_ML - 2.4) * 1000, delta=60)
        self.assertIn("Only part of it came: was the line primed to its end", said)

    def test_3_primed(self):
        self.world.fault("air:west/1.1=5")
        self.prime([5, 3])
        said, run = self.first_dose("leaf-a")
        self.assertEqual(run["arrived_ul"], run["ul"])
        self.assertIn("That fits.", said)
        self.assertNotIn("!!", said)

    def test_4_two_bottles_changed_over(self):
        self.world.fault("bottles:leaf-a.acid")
        said, _ = self.first_dose("acid")  # first: no acid is taken on once real acid has come
        self.assertIn("it acts like a feed.", said)
        said, _ = self.first_dose("leaf-a")
        self.assertIn("It acts like an acid: does this pump draw from another bottle?", said)
        self.assertIn("Follow its tube before anything more is dosed.", said)
        self.judge_once()
        self.judge_recorded()
        self.judge_journal()


if __name__ == "__main__":
    harness.main()
