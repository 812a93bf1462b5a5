#!/usr/bin/python3
"""The main job on a real broker, and what a stranger sees of it and can do about it. The tests share
one world and follow one another."""

import json
import os
import random
import re
import subprocess
import time

import harness

SITE = "homie/5/tern-hall"
BASIL = SITE + "-basil-bench"
LETTUCE = SITE + "-lettuce-wall"
LIMITS = {"leaf-a": 60, "leaf-b": 60, "acid": 45}

VALUES = {
    "boolean": re.compile(r"^(true|false)$"),
    "float": re.compile(r"^-?(0|[1-9]\d*)(\.\d+)?$"),
    "integer": re.compile(r"^-?(0|[1-9]\d*)$"),
    "duration": re.compile(r"^PT(\d+H)?(\d+M)?(\d+S)?$"),
}


def fits(value, description):
    """Is that a value of the described datatype?"""
    datatype = description["datatype"]
    if datatype in VALUES:
        if not VALUES[datatype].match(value):
            return False
        bounds = description.get("format")
        if datatype in ("float", "integer") and bounds:
            least, most = bounds.split(":")[:2]
            return (not least or float(value) >= float(least)) and (
                not most or float(value) <= float(most)
            )
        return True
    if datatype == "enum":
        return value in description["format"].split(",")
    if datatype == "json":
        return isinstance(json.loads(value), (dict, list))
    return datatype == "string"


class FirstDose(harness.Case):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.stranger = cls.world.stranger()
        cls.daemon.start()

    def judge(self):
        self.judge_once()
        self.judge_recorded()
        self.judge_limits(LIMITS)
        self.judge_apart()
        self.judge_journal()

    def at_rest(self):
        for tank in ("basil-bench", "lettuce-wall"):
            self.wait_state(tank, ("holding",), 200)

    def test_01_both_tanks_come_into_their_bands(self):
        self.wait_dose(30)
        self.at_rest()
        for tank in ("basil-bench", "lettuce-wall"):
            view = self.daemon.tank(tank)
            for what, slack in (("ec", 0.03), ("ph", 0.05)):
                off = abs(view[what]["value"] - view[what]["setpoint"])
                self.assertLessEqual(off, view[what]["band"] + 1e-6, tank)
            time.sleep(5)
            water = self.world.water(tank)
            self.assertAlmostEqual(water["ec_us_cm"] / 1000, 1.2, delta=0.1 + 0.03)
            self.assertAlmostEqual(water["ph"], 5.8, delta=0.2 + 0.05)
        self.judge()

    def test_02_the_journal_says_what_the_rig_moved(self):
        self.judge_volumes()
        self.assertGreater(self.world.moved_ul(stock="leaf-a"), 5000)

    def test_03_a_stranger_finds_all_by_the_description(self):
        heard = dict(self.stranger.last)
        self.assertEqual(heard[SITE + "/$state"], "ready")
        root = json.loads(heard[SITE + "/$description"])
        self.assertTrue(root["homie"].startswith("5."))
        children = ["tern-hall-basil-bench", "tern-hall-lettuce-wall"]
        self.assertEqual(sorted(root["children"]), children)
        for device in ["tern-hall"] + children:
            base = "homie/5/" + device
            self.assertEqual(heard[base + "/$state"], "ready")
            description = json.loads(heard[base + "/$description"])
            if device != "tern-hall":
                self.assertEqual(description["root"], "tern-hall")
            described = set()
            for node, about in description["nodes"].items():
                for name, row in about["properties"].items():
                    topic = "%s/%s/%s" % (base, node, name)
                    described.add(topic)
                    if row.get("retained", True):
                        self.assertIn(topic, heard, "described, but without a value")
                    if heard.get(topic):
                        self.assertTrue(fits(heard[topic], row), "%s %s" % (topic, heard[topic]))
            for topic in heard:
                if topic.startswith(base + "/") and "/$" not in topic and not topic.endswith("/set"):
                    self.assertIn(topic, described, "not described")

    def test_04_another_client_reads_the_same(self):
        run = subprocess.run(
            ["mosquitto_sub", "-p", str(self.world.port), "-t", BASIL + "/#", "-v", "-W", "2",
             "--retained-only"],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            timeout=20, check=False,
        )  # fmt: skip
        kept = dict(line.split(" ", 1) for line in run.stdout.decode().splitlines() if " " in line)
        self.assertEqual(kept[BASIL + "/dosing/state"], "holding")
        self.assertEqual(float(kept[BASIL + "/setpoint/ec"]), 1.2)
        self.assertLess(abs(float(kept[BASIL + "/water/ec"]) - 1.2), 0.12)
        self.assertEqual(kept[BASIL + "/water/ec-quality"], "good")

    def test_05_each_record_is_shown_as_it_is_on_disk(self):
        on_disk = {r["seq"]: r for r in self.daemon.records()}
        shown = [json.loads(m.payload) for m in self.stranger.heard(topic=SITE + "/journal/entry")]
        self.assertGreater(len(shown), 20)
        for record in shown:
            self.assertEqual(record, on_disk[record["seq"]])
        tip = json.loads(self.stranger.value(SITE + "/journal/tip"))
        self.assertEqual(on_disk[tip["seq"]]["hash"], tip["hash"])

    def test_06_a_stranger_pauses_a_tank(self):
        subprocess.run(
            ["mosquitto_pub", "-p", str(self.world.port), "-q", "1", "-t",
             BASIL + "/dosing/paused/set", "-m", "true"],
            timeout=20, check=True,
        )  # fmt: skip
        self.stranger.wait_value(BASIL + "/dosing/paused", "true")
        self.wait_state("basil-bench", ("paused",), 10)
        self.world.fault("water-change:basil-bench=0.12")
        self.world.fault("water-change:lettuce-wall=0.12")
        self.wait_dose(40, tank="lettuce-wall")
        self.assertEqual(self.world.runs("start")[-1]["tank"], "lettuce-wall")
        self.still(4, tank="basil-bench")
        self.stranger.say(BASIL + "/dosing/paused/set", "false")
        self.stranger.wait_value(BASIL + "/dosing/paused", "false")
        self.wait_dose(40, tank="basil-bench")
        self.at_rest()

    def test_07_a_stranger_moves_a_setpoint_within_the_envelope(self):
        self.stranger.say(BASIL + "/setpoint/ec/set", "9.9")
        time.sleep(1)
        self.assertEqual(float(self.stranger.value(BASIL + "/setpoint/ec")), 1.2)
        self.assertTrue(self.daemon.records("request", ok=False, reason="out-of-envelope"))
        self.stranger.say(BASIL + "/setpoint/ec/set", "1.25")
        self.stranger.wait_value(BASIL + "/setpoint/source", "override")
        self.assertEqual(float(self.stranger.value(BASIL + "/setpoint/ec")), 1.25)
        self.stranger.say(BASIL + "/setpoint/override-for/set", "PT0S")
        self.stranger.wait_value(BASIL + "/setpoint/source", "schedule")
        self.assertEqual(float(self.stranger.value(BASIL + "/setpoint/ec")), 1.2)

    def test_08_retained_sets_are_ignored(self):
        before = len(self.daemon.records("request"))
        for topic, value in (
            (BASIL + "/dosing/paused/set", "true"),
            (BASIL + "/setpoint/ec/set", "1.6"),
        ):
            self.stranger.say(topic, value, retain=True)
        time.sleep(1.5)
        self.assertEqual(self.stranger.value(BASIL + "/dosing/paused"), "false")
        self.assertEqual(float(self.stranger.value(BASIL + "/setpoint/ec")), 1.2)
        requests = self.daemon.records("request")[before:]
        self.assertEqual([r for r in requests if r["ok"]], [])
        for topic in (BASIL + "/dosing/paused/set", BASIL + "/setpoint/ec/set"):
            self.stranger.say(topic, "", retain=True)

    def test_09_retained_sets_are_ignored_at_a_start_too(self):
        self.assertEqual(self.daemon.end(), 0)
        harness.wait_until(
            "a clean goodbye", lambda: self.stranger.value(SITE + "/$state") == "disconnected", 5
        )
        self.stranger.say(BASIL + "/dosing/paused/set", "true", retain=True)
        self.stranger.say(SITE + "/site/halt/set", "false", retain=True)
        self.daemon.start()
        self.stranger.wait_value(SITE + "/$state", "ready", 20)
        self.at_rest()
        self.assertEqual(self.stranger.value(BASIL + "/dosing/paused"), "false")
        for topic in (BASIL + "/dosing/paused/set", SITE + "/site/halt/set"):
            self.stranger.say(topic, "", retain=True)

    def test_10_halt_stops_all_survives_a_restart_and_ends_by_word(self):
        self.world.fault("water-change:basil-bench=0.12")
        self.wait_dose(40, tank="basil-bench")
        asked_ms = time.clock_gettime(time.CLOCK_BOOTTIME) * 1000
        self.stranger.say(SITE + "/site/halt/set", "true")
        self.stranger.wait_value(SITE + "/site/halt", "true")
        self.wait_state("basil-bench", ("halted",), 5)
        self.wait_state("lettuce-wall", ("halted",), 5)
        stopped = harness.wait_until(
            "the pump stops",
            lambda: [r for r in self.world.runs("end") if r["t_ms"] >= asked_ms]
            or len(self.world.runs("start")) == len(self.world.runs("end")),
            5,
        )
        if stopped is not True:
            self.assertLess(stopped[-1]["t_ms"] - asked_ms, 1000)
        self.assertTrue(self.head_halted())
        self.still(3)
        self.daemon.kill()
        self.daemon.start()
        self.wait_state("basil-bench", ("halted",), 20)
        self.stranger.wait_value(SITE + "/site/halt", "true", 20)
        self.still(5)
        self.stranger.say(SITE + "/site/halt/set", "false")
        self.stranger.wait_value(SITE + "/site/halt", "false")
        self.wait_dose(40, tank="basil-bench")
        self.at_rest()
        self.judge()

    def head_halted(self):
        since = self.stranger.count()
        harness.wait_until(
            "a beat", lambda: self.stranger.heard(since, "homie/5/west/chain/beat"), 5
        )
        beat = self.stranger.heard(since, "homie/5/west/chain/beat")[-1]
        return json.loads(beat.payload)["halted"]

    def test_11_a_retained_halt_is_acted_on_and_cleared(self):
        self.assertEqual(self.daemon.end(), 0)
        self.stranger.say(SITE + "/site/halt/set", "true", retain=True)
        self.addCleanup(self.release_for_the_next)
        self.daemon.start()
        self.wait_state("basil-bench", ("halted",), 20)
        self.stranger.wait_value(SITE + "/site/halt/set", "", 10)
        code, words = self.daemon.tool("release")
        self.assertEqual(code, 0, words)
        self.stranger.wait_value(SITE + "/site/halt", "false")
        self.at_rest()

    def release_for_the_next(self):
        if self.daemon.tank("basil-bench")["state"] == "halted":
            self.daemon.tool("release")

    def test_12_garbage_neither_crashes_nor_moves(self):
        self.at_rest()
        before = len(self.world.runs("start"))
        dice = random.Random(12)
        client = self.world.stranger("nothing/at/all")
        known = sorted(t for t in self.stranger.last if not t.endswith("/beat"))
        payloads = [
            b"", b"null", b"{}", b"[]", b"[" * 4000, b"{" * 64, b'{"id":', b'{"id":"x","id":"y"}',
            b"1e400", b"-1e400", b"NaN", b"0x10", b"6,2", b"6.2 pH", b"\xff\xfe\x00", b"\x00",
            b"true", b"false", b"TRUE", b"x" * 5000, b'{"boot":"' + b"a" * 3000 + b'"}',
            b'{"by":"intruder","reign":-1,"site":"x"}', "12\u00b0".encode(), b"9" * 400,
        ]  # fmt: skip
        ours = [t for t in known if t.startswith("homie/5/west/") or t.startswith(SITE)]
        for number in range(3000):
            topic = dice.choice(ours)
            payload = dice.choice(payloads)
            if dice.random() < 0.3:
                payload = bytes(dice.randrange(256) for _ in range(dice.randrange(1, 200)))
            ends = ("/set", "/x", "/set/set", "")
            topic += dice.choice(ends)
            if topic.endswith(("/dosing/paused/set", "/site/halt/set")) and payload in (
                b"true", b"false",
            ):  # fmt: skip
                continue
            if "/$state" in topic or topic.startswith("homie/5/west/dose/command/set"):
                continue  # the head's own words can't be told from a forger's without access lists
            client.client.publish(topic, payload, qos=number % 2)
        client.say("nothing/at/all", "over")
        harness.wait_until("the flood was read", lambda: client.value("nothing/at/all"), 20)
        time.sleep(2)
        self.assertTrue(self.daemon.process.alive())
        self.assertIsNotNone(self.daemon.status())
        self.assertEqual(len(self.world.runs("start")), before)
        self.judge()
        # Whoever heard the flood takes its words for values: from here on with fresh ears.
        type(self).stranger = self.world.stranger()

    def test_13_readings_that_are_none_hold_the_tank(self):
        for probe in ("ec", "ph", "temperature"):
            self.world.fault("silent:basil-bench." + probe)
        before = len(self.world.runs("start", tank="basil-bench"))
        end = time.monotonic() + 20
        words = ("NaN", "1e400", "0x1", "6,2", "-77", "999999", "unavailable", "", "[]", "true")
        while time.monotonic() < end:
            for word in words:
                for probe in ("ec", "ph", "temperature"):
                    self.stranger.say("glass/basil-bench/" + probe, word, qos=0)
            time.sleep(0.5)
        view = self.wait_state("basil-bench", ("waiting", "interlocked"), 10)
        self.assertIn("probe", view["why"])
        self.assertEqual(len(self.world.runs("start", tank="basil-bench")), before)
        self.assertNotEqual(self.stranger.value(BASIL + "/water/ph-quality"), "good")
        for probe in ("ec", "ph", "temperature"):
            self.world.fault("-silent:basil-bench." + probe)
        self.at_rest()

    def test_14_a_wrong_file_is_refused_and_a_good_one_taken(self):
        with open(self.world.site_path, encoding="utf-8") as file:
            good = file.read()
        bad = good.replace("hour_ml: 60", "hour_ml: 60 mL", 1)
        harness.small_site.put(self.world.site_path, bad)
        self.addCleanup(harness.small_site.put, self.world.site_path, good)
        self.daemon.reload()
        harness.wait_until(
            "site/config says why",
            lambda: json.loads(self.stranger.value(SITE + "/site/config") or "{}").get("error"),
            10,
        )
        error = json.loads(self.stranger.value(SITE + "/site/config"))["error"]
        self.assertRegex(error, r"site\.yaml:\d+")
        code, words = self.daemon.tool("reload")
        self.assertEqual(code, 1)
        self.assertRegex(words, r"site\.yaml:\d+:\d+")
        self.assertTrue(self.daemon.process.alive())
        self.assertEqual(self.daemon.tank("basil-bench")["state"], "holding")

        harness.small_site.put(self.world.site_path, good.replace("ec_ms_cm: 0.1, ph", "ec_ms_cm: 0.12, ph"))
        used = self.daemon.tank("basil-bench")["pumps"][0]["hour_ml"]
        self.assertGreater(used, 1)
        code, words = self.daemon.tool("reload")
        self.assertEqual(code, 0, words)
        harness.wait_until(
            "the error is gone",
            lambda: not json.loads(self.stranger.value(SITE + "/site/config"))["error"],
            10,
        )
        view = self.daemon.tank("basil-bench")
        self.assertAlmostEqual(view["ec"]["band"], 0.12)
        self.assertEqual(view["pumps"][0]["hour_ml"], used)
        self.assertTrue(self.daemon.records("config"))
        self.at_rest()

    def test_15_the_tools_say_the_same_as_the_topics(self):
        code, words = self.daemon.tool("status")
        self.assertEqual(code, 0, words)
        self.assertIn("basil-bench", words)
        self.assertIn("holding", words)
        code, words = self.daemon.tool("pause", "lettuce-wall")
        self.assertEqual(code, 0, words)
        self.stranger.wait_value(LETTUCE + "/dosing/paused", "true")
        code, words = self.daemon.tool("unpause", "lettuce-wall")
        self.assertEqual(code, 0, words)
        self.stranger.wait_value(LETTUCE + "/dosing/paused", "false")
        code, words = self.daemon.tool("pause", "no-such-tank")
        self.assertEqual(code, 1, words)

    def test_16_the_journal_shows_what_was_changed(self):
        """On a copy, with one digit changed in the middle."""
        copy = os.path.join(self.world.folder, "copy")
        subprocess.run(["cp", "-r", self.daemon.journal_dir, copy], check=True)
        path = sorted(p for p in os.listdir(copy) if p.endswith(".jsonl"))[-1]
        with open(os.path.join(copy, path), "rb") as file:
            data = file.read()
        middle = data.index(b'"ul":', len(data) // 2) + len(b'"ul":')
        flipped = data[:middle] + (b"7" if data[middle:middle + 1] != b"7" else b"8") + data[middle + 1:]
        with open(os.path.join(copy, path), "wb") as file:
            file.write(flipped)
        run = subprocess.run(
            [harness.PROGRAM, "journal", "verify", copy],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False,
        )  # fmt: skip
        self.assertNotEqual(run.returncode, 0, run.stdout)

    def test_17_a_clean_end(self):
        self.assertEqual(self.daemon.end(), 0)
        harness.wait_until(
            "goodbye", lambda: self.stranger.value(SITE + "/$state") == "disconnected", 5
        )
        self.judge_volumes()
        self.judge()


if __name__ == "__main__":
    harness.main()
