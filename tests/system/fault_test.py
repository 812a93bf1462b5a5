#!/usr/bin/python3
"""What goes wrong at the bench: bottles, modules, hands, switches, leaks."""

import time

import harness

LEAK = """\
    interlocks: { leak: { topic: house/leak/basil-bench, unit: bool, safe: false, max_age_s: 20 } }
"""


class Bottle(harness.Case):
    """INV-12: doses without effect are noticed after a bounded volume."""

    SITE = {"tanks": ("basil-bench",), "acid_dose_ml": 3}

    def test_an_empty_bottle_is_noticed(self):
        self.world.fault("empty:acid")
        self.daemon.start()
        self.wait_alert("no-effect-basil-bench-acid", 150)
        pumped = self.world.moved_ul(stock="acid")
        self.assertLessEqual(pumped, 3 * 3000 + 1)
        self.assertGreater(pumped, 0)
        self.wait_state("basil-bench", ("locked", "holding"), 60)
        self.still(8, stock="acid")
        self.daemon.kill()
        self.daemon.start()  # a restart is no acknowledgement
        self.wait_alert("no-effect-basil-bench-acid", 20)
        self.still(8, stock="acid")
        self.world.fault("-empty:acid")
        answer = self.daemon.ask("acknowledge", alert="no-effect-basil-bench-acid")
        self.assertTrue(answer["ok"], answer)
        self.wait_dose(40, stock="acid")
        self.wait_state("basil-bench", ("holding",), 180)
        self.judge_once()
        self.judge_recorded()
        self.judge_limits({"leaf-a": 60, "leaf-b": 60, "acid": 45})
        self.judge_journal()


class Bench(harness.Case):
    SITE = {"more": {"basil-bench": LEAK, "lettuce-wall": ""}, "dose_ml": 4, "acid_dose_ml": 3}

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.daemon.start()

    def change_water(self, *tanks):
        for tank in tanks or ("basil-bench", "lettuce-wall"):
            self.world.fault("water-change:%s=0.4" % tank)

    def judge(self):
        self.judge_once()
        self.judge_recorded()
        self.judge_limits({"leaf-a": 60, "leaf-b": 60, "acid": 45})
        self.judge_apart()
        self.judge_journal()

    def mismatch(self, word, heal, names):
        """While the roll-call doesn't match, nothing runs on the chain; then it goes on."""
        self.change_water()
        self.wait_dose(60)
        self.world.fault(word)
        self.wait_alert("roll-call-west", 10)
        for name in names:
            self.assertIn(name, self.daemon.alerts()["roll-call-west"])
        time.sleep(0.5)
        self.change_water()
        self.still(8)
        self.world.fault(heal)
        self.wait_alert("roll-call-west", 10, stands=False)
        self.wait_dose(60)
        self.judge()

    def test_1_a_module_is_swapped(self):
        self.mismatch("swap:west.2=c0de", "-swap:west.2=c0de", ("c0de", "b77c", "2"))

    def test_2_two_modules_change_places(self):
        self.mismatch("order:west.1.2", "-order:west.1.2", ("a1f3", "b77c"))

    def test_3_a_module_is_taken_away(self):
        self.mismatch("remove:west.2", "-remove:west.2", ("b77c",))

    def test_4_a_hand_on_the_switch_counts(self):
        self.wait_state("basil-bench", ("holding",), 120)
        before = self.daemon.tank("basil-bench")["pumps"][0]
        self.assertEqual(before["stock"], "leaf-a")
        self.world.fault("hand:west/1.1")
        self.wait_alert("hand-west", 10)
        time.sleep(2)
        self.world.fault("-hand:west/1.1")
        self.wait_alert("hand-west", 15, stands=False)
        run = self.world.runs("end", by="hand")[-1]
        self.assertEqual(run["stock"], "leaf-a")
        records = self.daemon.records("hand")
        self.assertAlmostEqual(sum(r["ul"] for r in records), run["ul"], delta=2)
        after = self.daemon.tank("basil-bench")["pumps"][0]
        self.assertAlmostEqual(after["hour_ml"] - before["hour_ml"], run["ul"] / 1000, delta=0.01)

    def test_5_the_stop_switch_at_the_head(self):
        self.change_water()
        started = self.wait_dose(60)
        self.world.fault("stopswitch:west")
        harness.wait_until(
            "the pump stops", lambda: self.world.runs("end", id=started["id"]), 5
        )
        self.still(6)
        self.assertTrue(self.daemon.status()["chains"][0]["halted"])
        self.world.fault("-stopswitch:west")
        self.wait_dose(60)
        self.judge()

    def test_6_a_leak_stops_its_tank_and_no_other(self):
        self.change_water()
        self.wait_dose(60, tank="basil-bench")
        self.world.fault("leak:basil-bench")
        view = self.wait_state("basil-bench", ("interlocked",), 30)
        self.assertIn("leak", view["why"])
        time.sleep(0.5)
        before = len(self.world.runs("start", tank="basil-bench"))
        self.change_water()
        self.wait_dose(60, tank="lettuce-wall")
        self.still(4, tank="basil-bench")
        self.assertEqual(len(self.world.runs("start", tank="basil-bench")), before)
        self.world.fault("-leak:basil-bench")
        self.wait_dose(60, tank="basil-bench")
        self.judge()

    def test_7_a_service_lock_holds_all_still(self):
        self.wait_state("lettuce-wall", ("holding", "mixing", "waiting", "flushing"), 120)
        answer = self.daemon.ask("service", tank="lettuce-wall", on=True)
        self.assertTrue(answer["ok"], answer)
        self.wait_state("lettuce-wall", ("locked",), 10)
        time.sleep(1)
        self.change_water("lettuce-wall")
        self.daemon.kill()
        self.daemon.start()
        self.wait_state("lettuce-wall", ("locked",), 20)
        before = len(self.circulations("lettuce-wall"))
        self.still(6, tank="lettuce-wall")
        self.assertEqual(len(self.circulations("lettuce-wall")), before)
        answer = self.daemon.ask("service", tank="lettuce-wall", on=False)
        self.assertTrue(answer["ok"], answer)
        self.wait_dose(60, tank="lettuce-wall")
        self.judge()

    def circulations(self, tank):
        return [
            r for r in self.world.ledger()
            if r.get("event") == "start" and r["channel"] == 0 and r["tank"] == tank
        ]  # fmt: skip


if __name__ == "__main__":
    harness.main()
