#!/usr/bin/python3
"""INV-4: a module is exchanged, and somebody takes the new order over."""

import harness


class Adopt(harness.Case):
    SITE = {"dose_ml": 4, "acid_dose_ml": 3}

    def setUp(self):
        self.daemon.start()
        self.wait_dose(60, tank="lettuce-wall")

    def wait_dose_of(self, serial):
        """The lettuce is dosed, by that module."""
        self.world.fault("water-change:lettuce-wall=0.4")
        run = self.wait_dose(120, tank="lettuce-wall")
        self.assertEqual(self.daemon.records("dose", id=run["id"])[0]["serial"], serial)

    def adopted(self, *words):
        code, said = self.daemon.tool("ask", "adopt", "west", *words)
        self.assertEqual(code, 0, said)
        return said

    def test_a_module_is_exchanged_and_adopted(self):
        self.world.fault("swap:west.2=c0de")
        self.wait_alert("roll-call-west", 20)
        self.assertFalse(self.daemon.status()["chains"][0]["adopted"])
        self.assertIn("MODULES DON'T MATCH", self.daemon.tool("status")[1])
        self.still(5)
        said = self.adopted()
        self.assertIn("position 2: c0de in place of b77c (calibrate its pumps), draws", said)
        self.assertIn("say it again with yes", said)
        self.assertIn('request adopt "west" (only shown) from socket', self.daemon.process.log())
        self.still(3)
        self.assertIn("Adopted:", self.adopted("yes"))
        harness.wait_until("the alert is over", lambda: "roll-call-west" not in self.daemon.alerts(), 10)
        self.assertTrue(self.daemon.status()["chains"][0]["adopted"])
        self.assertIn("modules as adopted", self.daemon.tool("status")[1])
        self.wait_dose_of("c0de")
        self.daemon.kill()
        self.daemon.start()  # it is kept, and the file isn't touched
        self.wait_dose_of("c0de")
        self.assertTrue(self.daemon.status()["chains"][0]["adopted"])
        self.assertIn("position 2 is c0de by adoption", self.daemon.process.log())
        code, said = self.daemon.tool("reload")
        self.assertEqual(code, 0, said)
        self.assertNotIn("roll-call-west", self.daemon.alerts())
        self.world.fault("-swap:west.2=c0de")
        self.wait_alert("roll-call-west", 20)  # the former one is a stranger now
        self.assertIn("b77c in place of c0de", self.adopted("yes"))
        code, said = self.daemon.tool("ask", "adopt", "west", "yes")
        self.assertNotEqual(code, 0)
        self.assertIn("nothing to adopt", said)
        self.judge_once()
        self.judge_recorded()
        self.judge_journal()


if __name__ == "__main__":
    harness.main()
