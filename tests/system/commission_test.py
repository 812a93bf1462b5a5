#!/usr/bin/python3
"""The walk through a site, on a pseudo-terminal: a person who answers, makes mistakes, leaves in the
middle and comes back. The rig judges."""

import fcntl
import os
import pty
import re
import select
import subprocess
import termios
import time

import harness

TANK = "basil-bench"


class Walk:
    """The tool on a terminal of its own; what it says is waited for, what is answered is typed."""

    def __init__(self, door, *words):
        self.master, slave = pty.openpty()
        self.process = subprocess.Popen(
            [harness.PROGRAM, "commission", *words, "--socket", door],
            stdin=slave, stdout=slave, stderr=slave, close_fds=True, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0))
        os.close(slave)
        self.said = ""
        self.at = 0

    def read(self, timeout_s):
        if not select.select([self.master], [], [], timeout_s)[0]:
            return
        try:
            self.said += os.read(self.master, 65536).decode("utf-8", "replace").replace("\r", "")
        except OSError:  # the other side has gone
            time.sleep(timeout_s)

    def expect(self, words, timeout_s=60):
        """Waits for these words after what was waited for last."""
        pattern = re.compile(r"\s+".join(re.escape(w) for w in words.split()))
        end = time.monotonic() + timeout_s
        while True:
            found = pattern.search(self.said, self.at)
            if found:
                self.at = found.end()
                return
            if time.monotonic() > end:
                raise AssertionError("%r not within %d s; it said: %s" % (words, timeout_s, self.said[-1500:]))
            self.read(0.2)

    def type(self, words=""):
        os.write(self.master, (words + "\n").encode())

    def answer(self, question, words="", timeout_s=60):
        self.expect(question, timeout_s)
        self.expect("leave]", timeout_s)
        self.type(words)

    def end(self, timeout_s=20):
        code = self.process.wait(timeout_s)
        self.read(0.1)
        os.close(self.master)
        return code

    def press_ctrl_c(self):
        os.write(self.master, b"\x03")

    def lose_terminal(self):
        """As when the window is closed; the walk's exit code."""
        os.close(self.master)
        return self.process.wait(40)

    def hang_up(self):
        self.process.kill()
        self.process.wait()
        os.close(self.master)


class Commission(harness.Case):
    SITE = {"dose_ml": 6, "hour_ml": 60, "day_ml": 120, "flow_l_min": 20, "line_ml": 100}
    RIG = ("--every", "0.5")

    def setUp(self):
        if not self.daemon.process:
            self.daemon.start()
        harness.wait_until("the chain", self.chain_is_ours, 30)

    def chain_is_ours(self):
        status = self.daemon.status()
        return status and status["chains"] and status["chains"][0]["why"] == ""

    def probes_are_good(self):
        tank = self.daemon.tank(TANK)
        return all(tank[q]["quality"] == "good" for q in ("ec", "ph", "temperature"))

    def walk(self, *words):
        walk = Walk(self.daemon.door, *words)
        self.addCleanup(lambda: walk.process.poll() is None and walk.hang_up())
        return walk

    def last_ml(self):
        return self.world.runs("end", tank=TANK, stock="leaf-a")[-1]["ul"] / 1000

    def prime_and_calibrate(self, walk):
        walk.answer("Prime with how many mL?", "a lot")
        walk.expect("A plain number")
        walk.answer("what the tube holds", "3")
        walk.answer("without bubbles?", "s", 40)  # once more
        walk.answer("Prime with how many mL?", "")
        walk.answer("without bubbles?", "", 40)
        walk.answer("Calibrate it now?")
        walk.answer("Run about how many mL?", "500")  # more than a dose
        walk.expect("at most 6.00 mL")
        walk.answer("Run about how many mL?", "6")
        walk.expect("How many mL arrived?", 40)
        walk.type("%.3f" % (10 * self.wait_end()))
        walk.expect("ten times")
        walk.answer("How many mL arrived?", "%.3f" % self.last_ml())
        walk.expect("run 1 of 3")

    def wait_end(self):
        time.sleep(1)
        return self.last_ml()

    def test_1_a_pump_with_mistakes_and_a_line_that_breaks(self):
        walk = self.walk(TANK, "pumps")
        walk.expect("Goggles and gloves")
        self.world.fault("slow:west/1.1=0.93")
        walk.expect("leaf-a with west/1.1", 30)
        self.world.fault("cup:west/1.1")
        harness.wait_until("it stands still", lambda: "on the bench: tubes" in self.daemon.tank(TANK)["why"], 30)
        self.prime_and_calibrate(walk)
        walk.answer("Run about how many mL?", "6")
        walk.expect("How many mL arrived?", 40)
        walk.hang_up()  # the laptop's lid falls shut
        self.still(3, tank=TANK)
        self.assertTrue(self.daemon.tank(TANK)["bench"])
        walk = self.walk(TANK, "pumps")
        walk.answer("Prime with how many mL?", "s")
        walk.answer("Calibrate it now?")
        walk.answer("How many mL arrived?", "s")  # the run that waited: better once more
        walk.answer("Run about how many mL?", "6")
        walk.expect("How many mL arrived?", 40)
        self.wait_end()
        walk.type("2.5")  # a line that wasn't full, or misread
        walk.expect("If it is right, air was in the line: prime it")
        walk.answer("How many mL arrived?", "%.3f" % self.last_ml())
        walk.expect("run 2 of 3")
        walk.answer("Run about how many mL?", "6")
        walk.expect("How many mL arrived?", 40)
        self.wait_end()
        walk.type("%.3f" % self.last_ml())
        walk.expect("It holds from now on")
        walk.answer("back in its fitting")
        self.world.fault("-cup:west/1.1")
        walk.answer("Prime with how many mL?", "q")
        walk.expect("stays on the bench")
        self.assertEqual(walk.end(), 0)
        pump = next(p for p in self.daemon.tank(TANK)["pumps"] if p["stock"] == "leaf-a")
        self.assertAlmostEqual(pump["ml_per_s"], 0.93, delta=0.002)
        self.assertEqual([r for r in self.world.ledger() if r.get("kind") == "spray"], [])

    def test_2_probes_off_the_bench_and_a_dose(self):
        walk = self.walk(TANK, "probes")
        walk.answer("Calibrate ph now?")
        self.world.fault("bath:%s.ph=4" % TANK)  # the wrong one
        time.sleep(5)
        walk.answer("Which bath?")
        walk.answer("How many degrees C", "21")
        walk.expect("Is that the bath you named?", 60)
        walk.answer("Another bath?")
        self.world.fault("bath:%s.ph=7" % TANK)
        time.sleep(5)
        walk.answer("Which bath?", "7.00")
        walk.answer("How many degrees C", "21")
        walk.expect("taken", 60)
        walk.answer("Another bath?")
        self.world.fault("bath:%s.ph=4" % TANK)
        time.sleep(5)
        walk.answer("Which bath?", "4.00")
        walk.answer("How many degrees C", "21")
        walk.expect("it agrees with the bath", 60)
        walk.answer("Another bath?", "s")
        self.world.fault("-bath:%s.ph=0" % TANK)
        walk.answer("Calibrate ec now?", "s")
        walk.answer("every probe in the water?")
        walk.expect("Done.")
        self.assertEqual(walk.end(), 0)
        self.assertFalse(self.daemon.tank(TANK)["bench"])
        self.daemon.tool("pause", TANK)
        self.wait_state(TANK, ("paused",), 120)
        harness.wait_until("probes that are trusted again", self.probes_are_good, 60)
        walk = self.walk(TANK, "dose")
        walk.answer("Which stock?", "acid")
        walk.answer("How many mL?", "0.5")
        walk.expect("given", 90)
        walk.expect("EC went from", 240)
        self.assertEqual(walk.end(), 0)

    def test_3_a_site_from_its_first_step(self):
        harness.wait_until("probes that are trusted", self.probes_are_good, 60)
        walk = self.walk()
        walk.expect("It answers at mqtt://127.0.0.1")
        walk.expect("west: every module answers where it is bound")
        walk.answer("which pump is which?", "s")
        walk.answer("Measure the supply of west under load?", "s")
        walk.answer("%s: Look at its probes?" % TANK)
        walk.expect("temperature")
        walk.answer("Measure its circulation?", "q")
        self.assertEqual(walk.end(), 0)
        self.judge_once()
        self.judge_recorded()
        self.judge_apart()
        self.judge_journal()

    def test_3b_the_circulation_into_a_bucket(self):
        walk = self.walk(TANK, "circulation")
        walk.expect("Goggles and gloves")
        walk.answer("How many litres does the bucket hold?", "4")  # 9 s of 20 L/min are 3 L
        walk.expect("[Enter: 9,")
        walk.type("6")
        walk.expect("about 2.0 L should come")
        walk.answer("How many litres came into the bucket?", "18", 60)
        walk.expect("ten times")
        walk.answer("How many litres came into the bucket?", "1.8")
        walk.expect("18.00 L/min; it was 20.00 L/min")
        walk.answer("Measure again?", "s")
        walk.answer("every tube and hose in its place")
        walk.expect("Done.")
        self.assertEqual(walk.end(), 0)
        flow = self.daemon.tank(TANK)["flow"]
        self.assertAlmostEqual(flow["l_min"], 18, delta=0.1)
        self.assertEqual(flow["filed_l_min"], 20)
        self.assertTrue(flow["calibrated_here"])
        shown = self.daemon.tool("status", TANK)[1]
        self.assertRegex(shown, r"circulation +1\d\.\d\d L/min, measured \d{4}-\d\d-\d\d \(today\) here")
        runs = [r["ran_ms"] for r in self.daemon.records("flow-run")]
        self.assertEqual(runs, [6000])

    def test_4_the_daemon_goes_away(self):
        walk = self.walk(TANK)
        walk.expect("Look at its probes?")
        self.daemon.kill()
        walk.type()
        walk.expect("nobody answers here")
        self.assertEqual(walk.end(), 69)


if __name__ == "__main__":
    harness.main()
