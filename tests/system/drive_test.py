#!/usr/bin/python3
"""The core driven through a pipe: no broker, no clock, no daemon. Its other side is drive_bench.py."""

import json
import os
import subprocess
import tempfile
import unittest

import small_site
from drive_bench import Bench, HEAD, PROGRAM, SITE, START_MS, Session, instant, json_value, record_line


class Drive(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        if not PROGRAM:
            raise unittest.SkipTest("DOSEWRIGHT names no program")
        cls.folder = tempfile.TemporaryDirectory()
        cls.site = small_site.write(cls.folder.name, 1883)

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()

    def open(self, *options, site=None):
        session = Session(site or self.site, *options)
        self.addCleanup(session.process.stdin.close)
        self.addCleanup(session.process.stdout.close)
        self.addCleanup(session.process.stderr.close)
        self.addCleanup(session.process.wait)
        self.addCleanup(session.process.kill)
        return session

    def test_a_first_dose_and_more_until_the_water_is_as_wanted(self):
        bench = Bench(self.open())
        bench.start()
        bench.run(5400)
        doses = bench.kinds("dose")
        self.assertTrue(doses)
        self.assertEqual(bench.head.refusals, [])
        for tank in bench.tanks:
            self.assertAlmostEqual(tank.ec_ms_cm, 1.2, delta=0.1)
            self.assertAlmostEqual(tank.ph, 5.8, delta=0.2)
        outcomes = {r["id"]: r for r in bench.kinds("outcome")}
        for dose in doses:
            self.assertEqual(outcomes[dose["id"]]["ul"], dose["ul"])
            sent = [c for c in bench.commands if c.get("id") == dose["id"]]
            self.assertEqual([c["run_ms"] for c in sent], [dose["run_ms"]])
        by_pump = {}
        for dose in doses:
            place = (dose["position"], dose["channel"])
            by_pump[place] = by_pump.get(place, 0) + dose["run_ms"]
        moved = {place: ms for place, ms in bench.head.ran.items() if place[1] > 0}
        self.assertEqual(by_pump, moved)
        view = bench.tell(view="basil-bench")["view"]
        self.assertEqual([t["key"] for t in view["tanks"]], ["basil-bench"])
        self.assertEqual(view["tanks"][0]["state"], "holding", view["tanks"][0]["why"])
        self.assertEqual(len(bench.tell(view=True)["view"]["tanks"]), 2)
        self.assertEqual(bench.session.end(), (0, ""))

    def test_the_same_lines_give_the_same_answers(self):
        bench = Bench(self.open())
        bench.start()
        bench.run(300)
        bench.session.end()
        again = subprocess.run(
            [PROGRAM, "drive", self.site],
            input=b"\n".join(bench.session.lines) + b"\n",
            stdout=subprocess.PIPE,
            check=True,
            timeout=60,
        )
        self.assertTrue(bench.kinds("dose"))
        self.assertEqual(again.stdout, b"".join(bench.session.answers))

    def test_its_records_are_a_journal(self):
        bench = Bench(self.open())
        bench.start()
        bench.run(120)
        bench.session.end()
        folder = os.path.join(self.folder.name, "verify")
        os.makedirs(folder, exist_ok=True)
        with open(os.path.join(folder, "journal-2031-01-01.jsonl"), "wb") as file:
            for answer in bench.session.answers:
                for piece in answer.split(b'"record":')[1:]:
                    file.write(json_value(piece) + b"\n")
        verdict = subprocess.run(
            [PROGRAM, "journal", "verify", folder], stdout=subprocess.PIPE, timeout=30, check=False
        )
        self.assertEqual(verdict.returncode, 0, verdict.stdout)
        self.assertIn(b"whole: %d records" % len(bench.records), verdict.stdout)

    def test_a_second_life_knows_what_the_first_one_dosed(self):
        bench = Bench(self.open())
        bench.start()
        while not [t for t in bench.head.runs if t[1] > 0]:
            bench.run(1)
        running = next(c for t, (c, _, _) in bench.head.runs.items() if t[1] > 0)
        used = self.day_ml(bench)
        bench.session.end()

        second = self.open()
        later = Bench(second, bench.head, bench.tanks, bench.at_ms + 1000, bench.civil_ms + 1000)
        later.head.pass_to(later.head.up_ms + 1000)
        later.tell(begin={"by": "second-life"})
        for record in bench.records:
            answer = second.say(journal=json.dumps(record, sort_keys=True, separators=(",", ":")))
            self.assertEqual(answer["actions"], [])
        later.start()
        self.assertEqual(self.day_ml(later), used)
        later.run(60)
        known = [r for r in later.kinds("outcome") if r["id"] == running["id"]]
        self.assertEqual(len(known), 1)
        first = later.records[0]
        self.assertEqual(first["kind"], "start")
        self.assertEqual(first["seq"], len(bench.records) + 1)
        self.assertEqual(first["prev"], bench.records[-1]["hash"])
        later.run(600)
        self.assertTrue(later.kinds("dose"))
        self.assertEqual(later.head.refusals, [])

    def test_a_second_life_without_the_records_knows_nothing(self):
        """What the test above would miss if the records did nothing."""
        bench = Bench(self.open())
        bench.start()
        while not [t for t in bench.head.runs if t[1] > 0]:
            bench.run(1)
        self.assertGreater(max(self.day_ml(bench).values()), 0)
        bench.tell(begin=True)
        bench.start()
        self.assertEqual(max(self.day_ml(bench).values()), 0)

    def day_ml(self, bench):
        view = bench.tell(view=True)["view"]
        return {
            (tank["key"], stock["stock"]): stock["day_ml"]
            for tank in view["tanks"]
            for stock in tank["pumps"]
        }

    def test_a_new_boot_starts_its_own_clock_and_forgets_no_limit(self):
        bench = Bench(self.open())
        bench.start()
        bench.run(60)
        used = self.day_ml(bench)
        bench.tell(begin={"by": "second-life", "boot": "board-2"})
        for record in bench.records:
            bench.session.say(journal=record_line(record))
        later = Bench(bench.session, bench.head, bench.tanks, 7000, bench.civil_ms + 20000)
        later.start()
        self.assertEqual(self.day_ml(later), used)
        self.assertGreater(max(used.values()), 0)
        later.run(10)
        self.assertGreater(later.wakes_ms, later.at_ms)
        self.assertLess(later.wakes_ms, later.at_ms + 60000)
        self.assertEqual(later.records[0]["mono_ms"], 7000)

        # A day of downtime, known because the clock was in step on both sides.
        records = sorted(bench.records + later.records, key=lambda record: record["seq"])
        later.tell(begin={"by": "third-life", "boot": "board-3"})
        for record in records:
            later.session.say(journal=record_line(record))
        last = Bench(later.session, later.head, later.tanks, 9000, later.civil_ms + 25 * 3600000)
        last.start()
        self.assertEqual(max(self.day_ml(last).values()), 0)

    def test_what_was_retained_is_old(self):
        bench = Bench(self.open())
        bench.start()
        bench.connect()
        fresh = bench.tell(view=True)["view"]["tanks"][0]["ec"]
        for _ in range(4):
            bench.tell(topic="glass/basil-bench/ec", payload="1.0", retained=True)
        bench.tell(topic=HEAD + "/chain/beat", payload=bench.head.beat(), retained=True)
        view = bench.tell(view=True)["view"]
        self.assertFalse(view["chains"][0]["ready"])
        kept = view["tanks"][0]["ec"]
        self.assertEqual(kept, fresh)
        for n in range(4):  # the very same, at once, would be one message delivered four times
            bench.tell(topic="glass/basil-bench/ec", payload="1.%03d" % n)
        bench.tell(topic=HEAD + "/chain/beat", payload=bench.head.beat())
        view = bench.tell(view=True)["view"]
        self.assertNotEqual(view["tanks"][0]["ec"], kept)
        self.assertNotEqual(view["chains"][0]["why"], "")

    def test_a_record_that_was_changed_is_refused_and_the_journal_is_damaged(self):
        bench = Bench(self.open())
        bench.start()
        bench.run(60)
        bench.session.end()
        session = self.open()
        changed = dict(bench.records[3], seq=99)
        for record in bench.records[:3]:
            session.say(journal=record_line(record))
        self.assertIn("hash", session.say(journal=record_line(changed))["error"])
        later = Bench(session, at_ms=bench.at_ms, civil_ms=bench.civil_ms)
        later.start()
        alerts = [a["id"] for a in later.tell(view=True)["view"]["alerts"]]
        self.assertIn("journal-damaged", alerts)
        self.assertEqual(session.end()[0], 65)

    def test_a_daemon_that_was_deposed_listens_to_no_set_topic(self):
        bench = Bench(self.open())
        bench.start()
        bench.run(10)
        topic = SITE + "-basil-bench/dosing/paused/set"
        self.assertNotIn("ignored", bench.tell(topic=topic, payload="false"))
        bench.publish(HEAD + "/chain/claim", {"by": "another", "reign": 9, "site": "tern-hall"})
        for _ in range(10):
            bench.at_ms += 1000
            bench.publish(SITE + "/site/beat", {"by": "another", "up_ms": bench.at_ms})
            bench.tell(tick=True)
        self.assertIn("stand-by", bench.done)
        self.assertIn("isn't active", bench.tell(topic=topic, payload="false")["ignored"])

    def test_requests_and_set_topics_are_answered(self):
        bench = Bench(self.open())
        bench.start()
        bench.run(10)
        answer = bench.tell(request={"request": "pause", "tank": "basil-bench", "on": True})
        self.assertEqual([a["do"] for a in answer["actions"] if a["do"] == "answer"], ["answer"])
        told = next(a for a in answer["actions"] if a["do"] == "answer")
        self.assertEqual((told["ok"], told["line"]), (True, answer["line"]))
        state = bench.tell(view="basil-bench")["view"]["tanks"][0]
        self.assertTrue(state["paused"])
        answer = bench.tell(topic=SITE + "-basil-bench/dosing/paused/set", payload="false")
        told = next(a for a in answer["actions"] if a["do"] == "answer")
        self.assertEqual((told["ok"], told["line"]), (True, answer["line"]))
        self.assertFalse(bench.tell(view="basil-bench")["view"]["tanks"][0]["paused"])
        ignored = bench.tell(topic=SITE + "-basil-bench/dosing/paused/set", payload="perhaps")
        self.assertIn("true or false", ignored["ignored"])
        answer = bench.tell(topic=SITE + "/site/halt/set", payload="true", retained=True)
        self.assertIn("stop", [a["do"] for a in answer["actions"]])
        self.assertTrue(bench.head.halted)

    def test_what_isnt_heard_is_told(self):
        bench = Bench(self.open())
        bench.start()
        bench.connect()
        self.assertIn("ignored", bench.tell(topic="glass/elsewhere", payload="1"))
        early = bench.tell(topic=SITE + "-basil-bench/dosing/paused/set", payload="true")
        self.assertIn("isn't active", early["ignored"])
        self.assertIn("ignored", bench.tell(topic=HEAD + "/chain/roll", payload_hex="7b7b"))
        self.assertIn("ignored", bench.tell(topic=HEAD + "/chain/roll", payload="{nonsense"))
        self.assertNotIn("ignored", bench.tell(topic=HEAD + "/chain/roll", payload=bench.head.roll()))
        hexed = json.dumps(bench.head.beat()).encode().hex()
        self.assertNotIn("ignored", bench.tell(topic=HEAD + "/chain/beat", payload_hex=hexed))

    def test_nonsense_gets_its_answer_and_ends_nothing(self):
        session = self.open()
        bad = [
            (b"nonsense", "JSON"),
            (b"{", "JSON"),
            (b"[]", "one object"),
            (b"{}", "exactly one of"),
            (b'{"tick":true,"link":true}', "exactly one of"),
            (b'{"tick":true}', "before the core has started"),
            (b'{"start":true}', "mono_ms"),
            (b'{"start":false,"mono_ms":1,"civil_ms":1}', "true"),
            (b'{"journal":{"a":1}}', "every record has"),
            (b'{"journal":7}', "a record"),
            (b'{"begin":{"by":"a b"}}', "1 to 32"),
            (b'\xff\xfe', "JSON"),
            (b'{"tick":true,"tick":true}', "twice"),
            (b'{"tick":"' + b"x" * 70000 + b'"}', "65535"),
            (b'{"tick":' + b"[" * 20000, "JSON"),
        ]
        for line, words in bad:
            answer = session.raw(line)
            self.assertIn(words, answer["error"], line[:60])
            self.assertEqual(answer["line"], len(session.lines))
        bench = Bench(session)
        bench.tell(begin=True)  # forgets the damaged journal of above
        bench.start()
        now = b'"mono_ms":%d,' % START_MS
        bad = [
            (b'{"mono_ms":1,"tick":true}', "no instant before"),
            (b'{"mono_ms":1e9,"tick":true}', "whole milliseconds"),
            (b'{"mono_ms":-1,"tick":true}', "whole milliseconds"),
            (b'{"time":"yesterday","tick":true}', "2031"),
            (b'{"time":"2031-04-02T05:06:07.089Z","civil_ms":5,"tick":true}', "only one"),
            (b'{"clock":"fine","tick":true}', "synced"),
            (b'{"link":1}', "true or false"),
            (b'{"topic":"a/#","payload":""}', "without + and #"),
            (b'{"topic":"a"}', "a payload"),
            (b'{"topic":"a","payload":"' + b"x" * 5000 + b'"}', "4096"),
            (b'{"topic":"a","payload_hex":"0"}', "hex"),
            (b'{"topic":"a","payload":"","retained":"yes"}', "true or false"),
            (b'{"request":{}}', "malformed"),
            (b'{"request":{"request":"dance"}}', "no request"),
            (b'{"request":{"request":"pause","tank":"ferns","on":true}}', "basil-bench"),
            (b'{"unsent":{"id":"x","chain":"east"}}', "west"),
            (b'{"unsent":"x"}', "a string"),
            (b'{"disk":true}', "an object with ok"),
            (b'{"zone":{"tank":"basil-bench","offset_ms":1.5}}', "whole milliseconds"),
            (b'{"zone":{"tank":"ferns","offset_ms":0}}', "basil-bench"),
            (b'{"view":"ferns"}', "basil-bench"),
            (b'{"journal":{}}', "before the core has started"),
        ]
        for line, words in bad:
            answer = session.raw(line)
            self.assertIn(words, answer["error"] + answer["where"], line[:60])
        for line in (b'{' + now + b'"disk":{"ok":false,"why":"full"}}', b'{"sent":{"id":"x","chain":"west"}}'):
            self.assertNotIn("error", session.raw(line))
        self.assertEqual(bench.tell(view=True)["view"]["journal"]["ok"], False)
        bench.tell(disk={"ok": True})
        bench.run(120)
        view = bench.tell(view="basil-bench")["view"]
        self.assertTrue(bench.kinds("dose"), view)
        self.assertEqual(session.end()[0], 65)

    def test_a_disk_that_fails_keeps_everything_still(self):
        bench = Bench(self.open())
        bench.start()
        bench.tell(disk={"ok": False, "why": "no space left"})
        bench.run(60)
        self.assertEqual(bench.kinds("dose"), [])
        self.assertIn("no space left", bench.tell(view="basil-bench")["view"]["tanks"][0]["why"])

    def test_with_ticks_the_core_wakes_itself(self):
        bench = Bench(self.open("--ticks"))
        bench.ticks = False
        bench.start()
        bench.run(600)
        self.assertNotIn(b'"tick"', b"".join(bench.session.lines))
        self.assertTrue(bench.kinds("dose"))
        self.assertEqual(bench.head.refusals, [])
        self.assertAlmostEqual(bench.tanks[0].ec_ms_cm, 1.2, delta=0.15)
        answer = bench.session.say(mono_ms=bench.at_ms + 40 * 86400 * 1000, sent={"id": "x", "chain": "west"})
        self.assertIn("31 days", answer["error"])

    def test_a_replay_with_its_ticks_is_exact_and_without_them_reads_the_same_messages(self):
        bench = Bench(self.open())
        bench.start()
        bench.run(60)
        bench.session.end()
        messages = [line for line in bench.session.lines if b'"tick"' not in line]
        again = subprocess.run(
            [PROGRAM, "drive", "--ticks", self.site],
            input=b"\n".join(messages) + b"\n",
            stdout=subprocess.PIPE,
            check=True,
            timeout=60,
        )
        answers = [json.loads(line) for line in again.stdout.splitlines()]
        self.assertEqual(len([a for a in answers if "tick" not in a]), len(messages))
        commands = [
            json.loads(action["payload"])["action"]
            for answer in answers
            for action in answer["actions"]
            if action["do"] == "send"
        ]
        self.assertEqual(commands[:2], ["circulate", "dose"])

    def test_summer_time_comes_by_line_where_it_must(self):
        bench = Bench(self.open())
        bench.start()
        day = bench.tell(view="basil-bench")["view"]["tanks"][0]["day"]
        bench.tell(zone={"tank": "basil-bench", "offset_ms": 13 * 3600000})  # past midnight
        self.assertEqual(bench.tell(view="basil-bench")["view"]["tanks"][0]["day"], day + 1)
        bench.at_ms += 130000
        bench.tell(tick=True)
        self.assertEqual(bench.tell(view="basil-bench")["view"]["tanks"][0]["day"], day + 1)
        self.assertEqual(bench.tell(view="lettuce-wall")["view"]["tanks"][0]["day"], day)
        bench.tell(clock="free", tick=True)
        self.assertEqual(bench.tell(view=True)["view"]["clock"], "free")

    def test_wrong_words_are_refused(self):
        for words, code, said in (
            ([], 64, "which site"),
            (["--fast", self.site], 64, "--fast"),
            ([self.site, self.site], 64, "one site only"),
            (["/nowhere.yaml"], 78, "/nowhere.yaml"),
        ):
            ran = subprocess.run(
                [PROGRAM, "drive", *words], input=b"", capture_output=True, timeout=30, check=False
            )
            self.assertEqual(ran.returncode, code)
            self.assertIn(said, ran.stderr.decode())


if __name__ == "__main__":
    unittest.main()
