#!/usr/bin/python3
"""Two daemons for one site: only one doses, and the other says that it stands by."""

import time

import harness


def second_of(world):
    """Another daemon for the same site, with a journal and a socket of its own."""
    with open(world.site_path, encoding="utf-8") as file:
        text = file.read()
    path = harness.os.path.join(world.folder, "other.yaml")
    text = text.replace("/journal\"", "/journal2\"").replace("/dosewright.sock", "/other.sock")
    harness.small_site.put(path, text)
    return harness.Daemon(world, path, "other", "journal2", "other.sock")


class Standby(harness.Case):
    SITE = {"tanks": ("basil-bench",), "dose_ml": 3, "acid_dose_ml": 3}

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.other = second_of(cls.world)
        cls.stranger = cls.world.stranger()

    def test_1_the_second_stands_by(self):
        self.daemon.start()
        self.wait_dose(30)
        self.other.start()
        self.wait_state("basil-bench", ("standby",), 20, self.other)
        status = self.other.status()
        self.assertTrue(status["site"]["standby"])
        self.assertFalse(status["chains"][0]["ours"])

        def shown():
            return [
                self.stranger.value(t) for t in list(self.stranger.last)
                if t.startswith("homie/5/tern-hall-standby-")
                and t.endswith("/$state")
                and self.stranger.value(t)
            ]  # fmt: skip

        harness.wait_until("it shows itself beside the site", lambda: shown() == ["init"], 10)
        self.wait_dose(60)
        time.sleep(2)
        self.assertEqual(self.other.own("dose"), [], "what it recorded are copies of the first one's")
        self.judge_once()
        self.judge_recorded(self.daemon)

    def test_2_the_same_journal_is_refused(self):
        """A third one on the first one's journal ends at once and says why."""
        third = harness.Daemon(self.world, self.world.site_path, "third")
        third.start()
        code = third.process.popen.wait(10)
        self.world.forget(third.process)
        self.assertEqual(code, 75)  # EX_TEMPFAIL
        self.assertTrue(self.daemon.process.alive())

    def test_3_it_takes_over_when_the_first_is_gone(self):
        self.daemon.kill()
        killed = time.monotonic()
        harness.wait_until("it takes over", self.other.has_chain, 45)
        self.assertGreater(time.monotonic() - killed, 14, "too soon: the first may be alive")
        self.assertIn("limits-unknown-west", self.other.alerts())
        moved = len(self.world.runs("start"))
        time.sleep(8)
        self.assertEqual(len(self.world.runs("start")), moved, "the limits aren't known")
        self.stranger.wait_value("homie/5/tern-hall/$state", "ready", 10)

    def test_4_it_doses_once_somebody_says_so(self):
        answer = self.other.ask("acknowledge", alert="limits-unknown-west")
        self.assertTrue(answer["ok"], answer)
        self.world.fault("water-change:basil-bench=0.5")
        self.wait_dose(60)
        self.judge_once()
        self.judge_recorded(self.daemon, self.other)

    def test_5_the_first_comes_back_and_stands_by(self):
        self.daemon.start()
        self.wait_state("basil-bench", ("standby",), 20)
        answer = self.daemon.ask("claim", chain="west")
        self.assertTrue(answer["ok"], answer)
        harness.wait_until("it has the chain", lambda: self.daemon.status()["chains"][0]["ours"], 20)
        self.wait_state("basil-bench", ("standby",), 20, self.other)
        time.sleep(5)
        self.judge_once()
        self.judge_recorded(self.daemon, self.other)
        self.judge_apart()
        self.judge_journal(self.daemon)
        self.judge_journal(self.other)


class Together(harness.Case):
    """Two that start at the same moment, while nobody commands the chain: both ask, and the head obeys one."""

    SITE = {"tanks": ("basil-bench",), "dose_ml": 3, "acid_dose_ml": 3}

    def test_the_one_that_lost_stands_by_and_takes_over_later(self):
        self.other = second_of(self.world)
        self.daemon.start()
        self.other.start()

        def roles():
            seen = [d.status() for d in (self.daemon, self.other)]
            if not all(seen):
                return None
            ours = [s["chains"][0]["ours"] and s["site"]["active"] for s in seen]
            by = [s["site"]["standby"] for s in seen]
            return (ours, by) if ours in ([True, False], [False, True]) and by == [not o for o in ours] else None

        ours, _ = harness.wait_until("one commands and the other stands by", roles, 30)
        winner, loser = (self.daemon, self.other) if ours[0] else (self.other, self.daemon)
        self.wait_dose(60)
        self.wait_state("basil-bench", ("standby",), 20, loser)
        self.assertEqual([a for a in loser.alerts() if a.startswith("taken-over")], [])
        winner.kill()
        harness.wait_until("it takes over", loser.has_chain, 60)
        self.judge_once()
        self.judge_recorded(self.daemon, self.other)


class Forged(harness.Case):
    """Somebody writes another owner on the head's own topic, while the head knows of none."""

    SITE = {"tanks": ("basil-bench",), "dose_ml": 3, "acid_dose_ml": 3}

    def test_a_forged_claim_makes_it_stand_by_whole_and_come_back_whole(self):
        stranger = self.world.stranger()
        self.daemon.start()
        self.wait_dose(30)
        forged = '{"by":"intruder","reign":99,"site":"elsewhere"}'
        stranger.say("homie/5/west/chain/claim", forged)
        harness.wait_until(
            "it is recorded",
            lambda: self.daemon.records("alert", alert="taken-over-west", on=True),
            10,
        )
        time.sleep(3)
        self.daemon.ask("claim", chain="west")

        def whole():
            status = self.daemon.status()
            return status and status["site"]["active"] and status["chains"][0]["ours"]

        harness.wait_until("it serves the site and commands the chain", whole, 40)
        stranger.wait_value("homie/5/tern-hall/$state", "ready", 10)
        stranger.say("homie/5/tern-hall-basil-bench/dosing/paused/set", "true")
        stranger.wait_value("homie/5/tern-hall-basil-bench/dosing/paused", "true")
        stranger.say("homie/5/tern-hall-basil-bench/dosing/paused/set", "false")
        self.wait_dose(60)
        self.judge_once()
        self.judge_recorded()


if __name__ == "__main__":
    harness.main()
