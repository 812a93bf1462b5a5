#!/usr/bin/python3
"""Two bottles changed over, as a newcomer may do it: the daemon can't see that, and the walk's first dose
says what it looks like. The rig's tubes hang otherwise than the daemon's configuration has it."""

import os

import harness
import small_site
from commission_test import Walk

TANK = "basil-bench"


class Bottles(harness.Case):
    SITE = {"dose_ml": 6, "hour_ml": 60, "day_ml": 120, "acid_dose_ml": 6, "flow_l_min": 20, "line_ml": 100}

    @classmethod
    def setUpClass(cls):
        cls.world = harness.World(rig=False, tanks=(TANK,), **cls.SITE)
        cls.addClassCleanup(cls.world.close)
        cls.daemon = cls.world.daemon
        with open(cls.world.site_path, encoding="utf-8") as file:
            text = file.read()
        for old, new in (("west/1.1,", "west/1.x,"), ("west/1.3,", "west/1.1,"), ("west/1.x,", "west/1.3,")):
            assert old in text, text
            text = text.replace(old, new)
        other = os.path.join(cls.world.folder, "as-it-hangs.yaml")
        small_site.put(other, text)
        command = [harness.PROGRAM, "rig", "--exact", "--every", "0.5", "--ledger", cls.world.ledger_path, other]
        cls.world.rig = cls.world.start("rig", command, stdin=True)

    def probes_are_good(self):
        tank = self.daemon.tank(TANK)
        return tank and all(tank[q]["quality"] == "good" for q in ("ec", "ph", "temperature"))

    def first_dose(self, stock, ml):
        walk = Walk(self.daemon.door, TANK, "dose")
        self.addCleanup(lambda: walk.process.poll() is None and walk.hang_up())
        walk.answer("Which stock?", stock)
        walk.answer("How many mL?", ml)
        walk.expect("given", 90)
        walk.expect("EC went from", 300)
        self.assertEqual(walk.end(), 0)
        return " ".join(walk.said.split())

    def test_a_feed_and_the_acid_changed_over(self):
        self.daemon.start()
        harness.wait_until("the tank", lambda: self.daemon.tank(TANK) is not None, 30)
        self.daemon.tool("pause", TANK)
        harness.wait_until("probes that are trusted", self.probes_are_good, 60)
        self.wait_state(TANK, ("paused",), 120)
        said = self.first_dose("leaf-a", "5")
        self.assertIn("!! EC went from", said)
        self.assertIn("It acts like an acid: does this pump draw from another bottle?", said)
        said = self.first_dose("leaf-b", "5")
        self.assertNotIn("!!", said)
        self.assertIn("That fits.", said)


if __name__ == "__main__":
    harness.main()
