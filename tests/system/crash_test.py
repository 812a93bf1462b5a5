#!/usr/bin/python3
"""The daemon is killed again and again, half of the times within a dose, and started again. What the
rig's pumps really moved stays within the limits, no command runs twice, and the journal verifies.

CRASHES says how often (20), CRASH_SEED with which chances (1)."""

import os
import random
import time

import harness

CRASHES = int(os.environ.get("CRASHES", "20"))
SEED = int(os.environ.get("CRASH_SEED", "1"))
LIMITS = {"leaf-a": 14, "leaf-b": 14, "acid": 6}


class Crash(harness.Case):
    # More is wanted than the limits give, so that they are what stops it.
    SITE = {
        "tanks": ("basil-bench",),
        "volume_l": 3,
        "flow_l_min": 240,
        "flush_lines": 5,
        "ec": 2.2,
        "dose_ml": 1.5,
        "hour_ml": LIMITS["leaf-a"],
        "acid_dose_ml": 1.5,
        "acid_hour_ml": LIMITS["acid"],
        "ec_rise": 5.0,
    }

    def judge(self):
        self.judge_once()
        self.judge_recorded()
        self.judge_limits(LIMITS)
        self.judge_apart()
        self.judge_journal()

    def test_killed_again_and_again(self):
        dice = random.Random(SEED)
        within = 0
        for number in range(CRASHES):
            self.daemon.start()
            if number % 2:
                try:
                    self.wait_dose(8, tank="basil-bench")
                    time.sleep(dice.uniform(0, 1.4))
                    within += 1
                except AssertionError:
                    pass  # the limits are used up, or it is still finding out about the last one
            else:
                time.sleep(dice.uniform(0.05, 6))
            self.assertTrue(self.daemon.process.alive(), self.daemon.process.log()[-2000:])
            self.daemon.kill()
            with self.subTest(crash=number + 1, seed=SEED):
                self.judge()
        self.assertGreaterEqual(within, CRASHES // 5, "too few crashes hit a dose to prove anything")

        self.daemon.start()
        view = self.wait_state("basil-bench", ("waiting", "holding"), 30)
        harness.wait_until(
            "the limits are reached",
            lambda: self.daemon.tank("basil-bench")["pumps"][0]["hour_ml"] > LIMITS["leaf-a"] - 1.5,
            120,
        )
        self.wait_state("basil-bench", ("waiting", "holding"), 60)
        self.judge()
        self.assertGreater(self.world.moved_ul(stock="leaf-a"), 0.4 * LIMITS["leaf-a"] * 1000)
        self.assertIsNotNone(view)
        starts = self.daemon.records("start")
        # One that was killed within its first moments may not have come to its record.
        self.assertGreater(len(starts), CRASHES - 3)
        self.assertLessEqual(len(starts), CRASHES + 1)

        # A reload gives nothing back either, nor does a higher limit for another stock.
        before = self.world.moved_ul(stock="leaf-a")
        harness.small_site.write(self.world.folder, self.world.port, **dict(self.SITE, acid_hour_ml=7))
        self.daemon.reload()
        harness.wait_until("the reload is recorded", lambda: self.daemon.records("config"), 20)
        used = self.daemon.tank("basil-bench")["pumps"][0]["hour_ml"]
        self.assertGreater(used, LIMITS["leaf-a"] - 1.5)
        time.sleep(5)
        after = self.world.moved_ul(stock="leaf-a")
        self.assertLessEqual(after, LIMITS["leaf-a"] * 1000)
        self.assertLessEqual(after - before, 1500)
        self.assertEqual(self.daemon.end(), 0)
        self.judge_limits(dict(LIMITS, acid=7))


if __name__ == "__main__":
    harness.main()
