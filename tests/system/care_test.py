#!/usr/bin/python3
"""What a person does with their hands: lines primed, pumps and probes calibrated on the bench. The
rig judges: what its pumps moved, and whether water ran while a tube was out."""

import time

import harness

TANK = "basil-bench"


class Care(harness.Case):
    SITE = {
        "dose_ml": 5,
        "hour_ml": 40,
        "day_ml": 80,
        "ph_probe": "unit: mV, calibration: { zero_mv: 4, slope_percent: 97, date: {yesterday} }".replace(
            "{ zero", "{{ zero").replace("{yesterday} }", "{yesterday} }}"),
    }
    RIG = ("--every", "0.5", "--seed", "5")

    def setUp(self):
        self.daemon.start()
        harness.wait_until("the daemon's door", self.daemon.status, 20)

    def ask(self, *words, ok=True):
        code, said = self.daemon.tool("ask", *words)
        self.assertEqual(code == 0, ok, said)
        return said

    def said(self, words, timeout_s=45):
        try:
            harness.wait_until(words, lambda: words in self.daemon.tank(TANK)["said"], timeout_s, 0.2)
        except AssertionError as error:
            raise AssertionError("%s; last: %s" % (error, self.daemon.tank(TANK)["said"])) from None

    def chain_is_ours(self):
        status = self.daemon.status()
        return status and status["chains"][0]["why"] == ""

    def sprays(self):
        return [r for r in self.world.ledger() if r.get("kind") == "spray"]

    def on_the_bench(self):
        self.ask("bench", TANK, "on")
        harness.wait_until("the circulation stands still",
            lambda: self.daemon.tank(TANK)["why"].startswith("on the bench: tubes"), 20)
        time.sleep(3)

    def run_into_cup(self, verb, ml):
        before = len(self.world.runs("end", tank=TANK, stock="leaf-a"))
        self.ask(verb, TANK, "leaf-a", str(ml), "cup")
        run = harness.wait_until("a run into the cup",
            lambda: self.world.runs("end", tank=TANK, stock="leaf-a")[before:], 30)[0]
        self.said("leaf-a given")
        return run

    def calibrate_pump(self):
        runs = []
        for n in range(3):
            runs.append(self.run_into_cup("run", 5))
            if n == 1:  # a volume that was told before a crash is kept, one that waits is asked for
                self.daemon.kill()
                self.daemon.start()
                harness.wait_until("the chain again", self.chain_is_ours, 30)
                self.assertIn("ten times", self.ask("measured", TANK, "leaf-a", "50", ok=False))
            said = self.ask("measured", TANK, "leaf-a", "%.3f" % (runs[-1]["ul"] / 1000))
        self.assertIn("It holds from now on", said)
        true = sum(r["ul"] for r in runs) / sum(r["ran_ms"] for r in runs)
        pump = next(p for p in self.daemon.tank(TANK)["pumps"] if p["stock"] == "leaf-a")
        self.assertAlmostEqual(pump["ml_per_s"], true, delta=0.001)
        self.assertAlmostEqual(true, 1.08, delta=0.001)
        self.assertTrue(pump["calibrated_here"])
        return true

    def calibrate_ph(self):
        for ph, words in ((7, "taken"), (4, "It holds from now on")):
            self.world.fault("bath:%s.ph=%d" % (TANK, ph))
            time.sleep(6)
            self.ask("bath", TANK, "ph", "%d.00" % ph, "21")
            self.said(words)
        water = self.daemon.tank(TANK)["ph"]
        self.assertTrue(water["calibrated_here"])
        found = self.daemon.records("calibration", probe="ph")[0]
        self.assertAlmostEqual(found["zero_mv"], 4, delta=2)  # as the rig's electrode is
        self.assertAlmostEqual(found["slope_percent"], 97, delta=2)
        self.ask("bath", TANK, "ph", "7.00", "21")  # it hangs in the other one still
        self.said("Is that the bath you named?")
        self.world.fault("-bath:%s.ph=0" % TANK)

    def test_a_tube_and_a_probe_come_out_and_go_back(self):
        self.assertIn("ask for 'bench' first", self.ask("prime", TANK, "leaf-a", "5", "cup", ok=False))
        self.wait_state(TANK, ("circulating", "injecting", "flushing", "mixing"))
        self.on_the_bench()
        self.world.fault("cup:west/1.1")
        self.world.fault("slow:west/1.1=1.08")  # which calibration is to find
        self.still(5, tank=TANK)
        self.assertIn("at most", self.ask("prime", TANK, "leaf-a", "6", "cup", ok=False))
        self.run_into_cup("prime", 5)
        rate = self.calibrate_pump()
        self.calibrate_ph()
        self.still(5, tank=TANK)
        self.world.fault("-cup:west/1.1")
        time.sleep(1)
        self.assertEqual(self.sprays(), [])
        self.ask("bench", TANK, "off")
        self.wait_dose(120, tank=TANK)
        self.daemon.kill()
        self.daemon.start()  # what was found is kept
        harness.wait_until("the daemon again", lambda: self.daemon.tank(TANK), 20)
        pump = next(p for p in self.daemon.tank(TANK)["pumps"] if p["stock"] == "leaf-a")
        self.assertAlmostEqual(pump["ml_per_s"], rate, delta=0.001)
        self.assertEqual(pump["filed_ml_per_s"], 1.0)
        self.assertTrue(self.daemon.tank(TANK)["ph"]["calibrated_here"])
        self.judge_once()
        self.judge_recorded()
        self.judge_apart()
        self.judge_limits({"leaf-a": 40 * 1.08, "leaf-b": 40, "acid": 45})
        self.judge_journal()


if __name__ == "__main__":
    harness.main()
