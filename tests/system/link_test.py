#!/usr/bin/python3
"""Broker, head and probes go and come back: dosing stops by itself, and starts again by itself."""

import json
import signal
import time

import harness

LIMITS = {"leaf-a": 60, "leaf-b": 60, "acid": 45}


class Link(harness.Case):
    SITE = {"max_age_s": 5, "dose_ml": 4, "acid_dose_ml": 3}

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.daemon.start()

    def judge(self):
        self.judge_once()
        self.judge_recorded()
        self.judge_limits(LIMITS)
        self.judge_apart()
        self.judge_journal()

    def change_water(self):
        """Something to do for both tanks."""
        for tank in ("basil-bench", "lettuce-wall"):
            self.world.fault("water-change:%s=0.4" % tank)

    def test_1_the_broker_dies_within_a_dose_and_comes_back(self):
        self.wait_dose(30)
        time.sleep(0.3)
        self.world.kill_broker()
        running = len(self.world.runs("start"))
        harness.wait_until(
            "the daemon notices", lambda: not self.daemon.status()["broker"]["up"], 20
        )
        time.sleep(8)
        self.assertEqual(len(self.world.runs("start")), running, "started without a broker")
        self.assertEqual(len(self.world.runs("end")), running, "ran on without an end")
        view = self.daemon.tank("basil-bench")
        self.assertEqual(view["state"], "waiting")
        self.assertIn("broker", view["why"])
        self.world.start_broker()
        self.wait_dose(40)
        self.judge()

    def test_1b_the_broker_has_another_address_when_it_comes_back(self):
        """That a dose was under way when it went is no reason to wait for it at the old one for ever."""
        self.change_water()
        self.wait_dose(60)
        self.world.kill_broker()
        harness.wait_until("the daemon notices", lambda: not self.daemon.status()["broker"]["up"], 20)
        old, self.world.port = self.world.port, harness.free_port()
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        harness.small_site.put(self.world.site_path, text.replace(":%d" % old, ":%d" % self.world.port))
        self.daemon.reload_done(100)
        unknown = self.daemon.records("outcome", state="unknown")
        self.assertGreater(len(unknown), 0)
        self.assertTrue(all(r["unsure"] and r["ul"] > 0 for r in unknown))
        self.world.rig.end()
        self.world.forget(self.world.rig)
        self.world.start_broker()
        self.world.start_rig()
        self.wait_dose(60)
        self.judge()

    def test_2_broker_and_daemon_die_together(self):
        """The claim that still stands at the head is the daemon's own former one: no waiting."""
        time.sleep(11)  # a link that breaks within 10 s hasn't held: the rig would wait 8 s and more
        self.change_water()
        self.wait_dose(60)
        self.daemon.kill()
        self.world.kill_broker()
        time.sleep(1)
        self.world.start_broker()
        began = time.monotonic()
        self.daemon.start()
        harness.wait_until("the chain is commanded again", self.daemon.has_chain, 12)
        self.assertLess(time.monotonic() - began, 12)
        self.wait_dose(60)
        self.judge()

    def test_3_a_head_restarts_within_a_dose(self):
        self.change_water()
        started = self.wait_dose(60)
        self.world.fault("reboot:west")
        outcome = harness.wait_until(
            "the dose is settled", lambda: self.daemon.records("outcome", id=started["id"]), 30
        )[0]
        ended = harness.wait_until(
            "the pump is off", lambda: self.world.runs("end", id=started["id"]), 10
        )[0]
        self.assertGreaterEqual(outcome["ul"], ended["ul"] - 1)
        self.wait_dose(60)
        self.judge()

    def test_4_a_head_is_cut_off_and_comes_back(self):
        self.world.fault("gone:west")
        self.addCleanup(self.world.fault, "-gone:west")
        time.sleep(7)  # a run that was under way ends, the beat grows old
        running = len(self.world.runs("start"))
        self.change_water()
        time.sleep(6)
        self.assertEqual(len(self.world.runs("start")), running)
        self.assertEqual(self.daemon.tank("basil-bench")["state"], "waiting")
        self.world.fault("-gone:west")
        self.wait_dose(60)
        self.judge()

    def test_4b_a_head_that_obeys_and_says_nothing(self):
        """What isn't reported counts as delivered in full; nothing is sent twice."""
        self.change_water()
        self.wait_dose(60)
        self.world.fault("mute:west")
        self.addCleanup(self.world.fault, "-mute:west")
        time.sleep(20)
        self.world.fault("-mute:west")
        self.wait_dose(90)
        self.judge()
        outcomes = {r["id"]: r["ul"] for r in self.daemon.records("outcome")}
        for run in self.world.runs("end", by="command"):
            self.assertGreaterEqual(outcomes.get(run["id"], run["ul"]), run["ul"] - 1)

    def test_4c_a_head_that_does_not_hear(self):
        self.world.fault("deaf:west")
        self.addCleanup(self.world.fault, "-deaf:west")
        time.sleep(6)
        running = len(self.world.runs("start"))
        self.change_water()
        time.sleep(8)
        self.assertEqual(len(self.world.runs("start")), running)
        self.world.fault("-deaf:west")
        self.wait_dose(90)
        self.judge()

    def test_5_a_probe_falls_silent(self):
        self.world.fault("silent:basil-bench.ph")
        self.addCleanup(self.world.fault, "-silent:basil-bench.ph")
        harness.wait_until(  # it may be backing off from the deaf head before
            "it says which probe", lambda: "ph probe" in self.daemon.tank("basil-bench")["why"].lower(), 120
        )
        self.assertEqual(self.daemon.tank("basil-bench")["state"], "waiting")
        time.sleep(3)
        before = len(self.world.runs("start", tank="basil-bench"))
        self.change_water()
        self.wait_dose(60, tank="lettuce-wall")
        time.sleep(3)
        self.assertEqual(len(self.world.runs("start", tank="basil-bench")), before)
        self.world.fault("-silent:basil-bench.ph")
        self.wait_dose(60, tank="basil-bench")
        self.judge()

    def test_6_a_broker_that_hangs(self):
        """It takes bytes and answers nothing, as behind a dead router."""
        self.world.broker.signal(signal.SIGSTOP)
        time.sleep(20)
        running = len(self.world.runs("start"))
        self.assertEqual(len(self.world.runs("end")), running)
        time.sleep(4)
        self.assertEqual(len(self.world.runs("start")), running)
        self.assertEqual(self.daemon.tank("basil-bench")["state"], "waiting")
        self.world.broker.signal(signal.SIGCONT)
        self.change_water()
        self.wait_dose(60)
        self.judge()

    def test_7_a_stranger_hears_of_a_crash_by_the_will(self):
        stranger = self.world.stranger()
        stranger.wait_value("homie/5/tern-hall/$state", "ready", 20)
        self.daemon.kill()
        stranger.wait_value("homie/5/tern-hall/$state", "lost", 20)
        self.daemon.start()
        stranger.wait_value("homie/5/tern-hall/$state", "ready", 20)
        beat = harness.wait_until(
            "the site's beat", lambda: stranger.value("homie/5/tern-hall/site/beat"), 10
        )
        self.assertIn("by", json.loads(beat))


if __name__ == "__main__":
    harness.main()
