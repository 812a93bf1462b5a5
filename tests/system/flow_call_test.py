#!/usr/bin/python3
"""The circulation's flow measured over MQTT (calibrate-flow) by a client that isn't ours, in both
versions of the protocol: whole, cancelled, and with the daemon killed in the middle. The rig judges
what really ran."""

import time

import paho.mqtt.client as mqtt

import harness
from call_test import Asker

TANK = "basil-bench"
ROOT = "homie/5/tern-hall"
STATE = "homie/5/tern-hall-%s/dosing/state" % TANK
WHY = "homie/5/tern-hall-%s/dosing/why" % TANK


class FlowCalls(harness.Case):
    SITE = {"dose_ml": 6, "hour_ml": 60, "day_ml": 120, "flow_l_min": 20, "line_ml": 100}
    RIG = ("--every", "0.5")

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.stranger = cls.world.stranger()
        cls.daemon.start()
        cls.stranger.wait_value(ROOT + "/$state", "ready", 20)
        cls.asker = Asker(cls.world.port)
        cls.addClassCleanup(cls.asker.close)
        cls.old = Asker(cls.world.port, mqtt.MQTTv311)
        cls.addClassCleanup(cls.old.close)

    def setUp(self):
        harness.wait_until("the chain", self.chain_is_ready, 60)
        answer = self.asker.ask("bench", tank=TANK, on=True)
        self.assertTrue(answer["ok"], answer)
        harness.wait_until("it stands still", lambda: not self.runs_now(), 60)

    def chain_is_ready(self):
        status = self.daemon.status()
        return status and status["chains"][0]["why"] == ""

    def moves(self):
        return [r for r in self.world.ledger()
                if r.get("kind") == "move" and r["channel"] == 0 and r["tank"] == TANK]

    def runs_now(self):
        moves = self.moves()
        return bool(moves) and moves[-1]["event"] == "start"

    def starts(self):
        return len([r for r in self.moves() if r["event"] == "start"])

    def run_flow(self, seconds, name=None):
        answer = self.asker.ask("calibrate-flow", name, tank=TANK, for_s=seconds)
        self.assertTrue(answer["ok"], answer)
        harness.wait_until("it runs", self.runs_now, 20)
        return answer

    def wait_end(self, seconds):
        harness.wait_until("it has ended", lambda: not self.runs_now(), seconds)
        return self.moves()[-1]["ran_ms"]

    def say_litres(self, asker=None, **members):
        return (asker or self.asker).ask("calibrate-flow", tank=TANK, **members)

    def test_1_a_whole_run_and_its_litres(self):
        before = self.starts()
        answer = self.run_flow(12, "flow-whole")
        self.assertIn("about 4.0 L should come", answer["text"])
        self.stranger.wait_value(STATE, "calibrating", 5)
        harness.wait_until(
            "it is shown", lambda: "the circulation runs into the bucket" in self.stranger.value(WHY), 8)
        again = self.asker.ask("calibrate-flow", "flow-whole", tank=TANK, for_s=12)
        self.assertEqual((again["ok"], again["reason"]), (True, "duplicate"))
        self.assertEqual(self.say_litres(for_s=12)["reason"], "busy")
        self.assertEqual(self.wait_end(20), 12000)
        self.assertEqual(self.starts(), before + 1)
        harness.wait_until("it is known", lambda: self.daemon.records("flow-run"), 10)
        tenfold = self.say_litres(measured_l=36)
        self.assertEqual((tenfold["ok"], tenfold["reason"]), (False, "implausible"))
        self.assertIn("ten times", tenfold["text"])
        told = self.say_litres(self.old, name="flow-old", measured_l=3.6)  # by MQTT 3.1.1
        self.assertTrue(told["ok"], told)
        self.assertIn("18.00 L/min; it was 20.00 L/min", told["text"])
        self.assertEqual(self.say_litres(measured_l=3.6)["reason"], "no-run")
        self.assertAlmostEqual(self.daemon.tank(TANK)["flow"]["l_min"], 18, delta=0.01)
        record = self.daemon.records("calibration", tank=TANK)[-1]
        self.assertAlmostEqual(record["flow_l_min"], 18, delta=0.01)

    def test_2_what_is_no_run(self):
        before = self.starts()
        for members in ({"for_s": 4}, {"for_s": 601}, {"measured_l": 0}, {"measured_l": 1001}):
            self.assertEqual(self.say_litres(**members)["reason"], "out-of-range", members)
        for members in ({}, {"for_s": "12"}, {"measured_l": True}):
            self.assertEqual(self.say_litres(**members)["reason"], "malformed", members)
        self.assertEqual(self.asker.ask("calibrate-flow", tank="hall", for_s=12)["reason"], "no-such-tank")
        other = self.asker.ask("calibrate-flow", tank="lettuce-wall", for_s=12)
        self.assertEqual(other["reason"], "busy")
        self.assertIn("ask for 'bench' first", other["text"])
        time.sleep(3)
        self.assertEqual(self.starts(), before)

    def test_3_cancelled(self):
        self.run_flow(60)
        time.sleep(2)
        answer = self.asker.ask("cancel", tank=TANK)
        self.assertTrue(answer["ok"], answer)
        self.assertIn("the flow wasn't measured: it was cancelled", answer["text"])
        self.assertLess(self.wait_end(5), 10000)
        self.assertEqual(self.say_litres(measured_l=3)["reason"], "no-run")
        before = self.starts()
        time.sleep(5)
        self.assertEqual(self.starts(), before)
        idle = self.asker.ask("cancel", tank=TANK)
        self.assertTrue(idle["ok"])
        self.assertIn("nothing that was asked for is under way", idle["text"])
        self.assertTrue(self.daemon.tank(TANK)["bench"])

    def test_4_off_the_bench_ends_it_too(self):
        self.run_flow(60)
        self.assertTrue(self.asker.ask("bench", tank=TANK, on=False)["ok"])
        self.assertEqual(self.say_litres(measured_l=3)["reason"], "no-run")
        self.assertTrue(self.asker.ask("bench", tank=TANK, on=True)["ok"])
        self.wait_end(20)

    def test_5_the_daemon_dies_in_the_run(self):
        """The head ends it by itself; nobody knows the time of a run that nobody saw end, so that it
        is run again. Nothing moves by itself, and the same message runs nothing again."""
        before = self.starts()
        self.run_flow(15, "flow-dies")
        time.sleep(2)
        self.daemon.kill()
        self.daemon.start()
        harness.wait_until("the chain", self.chain_is_ready, 60)
        self.assertTrue(self.daemon.tank(TANK)["bench"])
        self.assertLessEqual(self.wait_end(30), 15000)
        lost = self.say_litres(measured_l=5)
        self.assertEqual(lost["reason"], "no-run")
        self.assertIn("let it run first", lost["text"])
        again = self.asker.ask("calibrate-flow", "flow-dies", tank=TANK, for_s=15)
        self.assertEqual(again["reason"], "duplicate")
        time.sleep(5)
        self.assertEqual(self.starts(), before + 1)

    def test_6_the_daemon_dies_before_the_litres(self):
        runs = len(self.daemon.records("flow-run"))
        self.run_flow(6)
        self.assertEqual(self.wait_end(20), 6000)
        harness.wait_until("it is recorded", lambda: len(self.daemon.records("flow-run")) > runs, 10)
        self.daemon.kill()
        self.daemon.start()
        harness.wait_until("the chain", self.chain_is_ready, 60)
        told = self.say_litres(measured_l=1.9)
        self.assertTrue(told["ok"], told)
        self.assertIn("19.00 L/min; it was ", told["text"])
        self.assertTrue(self.asker.ask("bench", tank=TANK, on=False)["ok"])
        self.judge_once()
        self.judge_recorded()
        self.judge_journal()


if __name__ == "__main__":
    harness.main()
