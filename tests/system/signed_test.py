#!/usr/bin/python3
"""Signed requests, by signers that share nothing with the program: one in Python, written from docs/contract.md
alone (hmac, and a canonical form of its own), and one of the npm package "canonicalize" under Node, where
NODE_SIGNER names it (tests/reference/sign/run.sh). What isn't signed as it must be moves nothing."""

import decimal
import hashlib
import hmac
import json
import os
import random
import re
import subprocess
import time
import unittest

import harness
import small_site
from call_test import ANSWER, CALL, SITE, Asker

KEYS = {"phone": "0123456789abcdef" * 4, "office": "sixteen benches of basil in a row"}
TANK = {"tank": "basil-bench"}
REFUSED, BAD_SITE = 1, 78


# --- a signer --------------------------------------------------------------------------------------

ESCAPES = {8: "\\b", 9: "\\t", 10: "\\n", 12: "\\f", 13: "\\r", 34: '\\"', 92: "\\\\"}


def canonical_text(text):
    """RFC 8785, 3.2.2.2."""
    return '"%s"' % "".join(
        ESCAPES.get(ord(c)) or ("\\u%04x" % ord(c) if ord(c) < 32 else c) for c in text
    )


def canonical_value(value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return canonical_text(value)
    if isinstance(value, float) and value == int(value):
        value = int(value)
    if isinstance(value, int):
        return str(value)
    return format(decimal.Decimal(repr(value)), "f")


def canonical(request):
    members = sorted(request.items())  # names are ASCII: UTF-16 units sort as they do
    return "{%s}" % ",".join(canonical_text(k) + ":" + canonical_value(v) for k, v in members)


def sign(request, key, topic=CALL):
    text = topic + "\n" + canonical(request)
    return dict(request, mac=hmac.new(key.encode(), text.encode(), hashlib.sha256).hexdigest())


class Signer:
    """One sender with its key, and a counter."""

    def __init__(self, name, n=1):
        self.name, self.key, self.n = name, KEYS[name], n

    def make(self, request, name, n=None, **members):
        if n is None:
            n, self.n = self.n, self.n + 1
        return dict({"id": name, "request": request, "by": self.name, "n": n}, **members)

    def __call__(self, request, name, n=None, **members):
        return sign(self.make(request, name, n, **members), self.key)


# --- the tests -------------------------------------------------------------------------------------


class Keyed(harness.Case):
    SITE = {"top": "requests: { keys: { phone: phone-key, office: office-key } }\n"}

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        for name, key in KEYS.items():
            cls.write_key(name + "-key", key)
        cls.stranger = cls.world.stranger()
        cls.daemon.start()
        cls.stranger.wait_value(SITE + "/$state", "ready", 20)
        for tank in small_site.TANKS:
            cls.daemon.ask("pause", tank=tank, on=True)
        cls.asker = Asker(cls.world.port)
        cls.addClassCleanup(cls.asker.close)
        cls.phone, cls.office = Signer("phone"), Signer("office")
        cls.number = 0

    @classmethod
    def write_key(cls, name, key, mode=0o600):
        path = os.path.join(cls.world.folder, name)
        small_site.put(path, key + "\n")
        os.chmod(path, mode)
        return path

    def fresh(self):
        type(self).number += 1
        return "s-%d" % self.number

    def say(self, request, **options):
        """Publishes a request as it is; its answer."""
        before = len(self.asker.answers(request["id"]))
        self.asker.say(request, **options)
        return harness.wait_until(
            "the answer to %s" % request["id"], lambda: self.asker.answers(request["id"])[before:], 5
        )[0]

    def reason(self, request, **options):
        answer = self.say(request, **options)
        self.assertEqual(answer["ok"], answer["reason"] == "done")
        return answer["reason"]

    def paused(self, tank="basil-bench"):
        return self.daemon.tank(tank)["paused"]

    def restart(self):
        self.daemon.kill()
        self.start_again()

    def start_again(self):
        count = self.stranger.count()
        self.daemon.start()
        harness.wait_until(
            "the site is ready again",
            lambda: any(m.payload == "ready" for m in self.stranger.heard(count, SITE + "/$state")), 40,
        )  # fmt: skip


class Signed(Keyed):
    def test_01_what_is_signed_is_done_and_recorded(self):
        for signer in (self.phone, self.office):
            name = self.fresh()
            self.assertEqual(self.reason(signer("pause", name, on=False, **TANK)), "done")
            self.assertFalse(self.paused())
            record = self.daemon.records("request", id=name)[0]
            self.assertEqual((record["by"], record["key"], record["n"], record["ok"]),
                             ("mqtt", signer.name, 1, True))  # fmt: skip
            self.assertEqual(self.reason(signer("pause", self.fresh(), on=True, **TANK)), "done")
            self.assertTrue(self.paused())
        site = self.daemon.status()["site"]
        self.assertEqual((site["signers"], site["muted"]), (2, 0))
        self.assertIn("must be signed", self.daemon.tool("status")[1])

    def test_02_what_is_not_signed_does_nothing(self):
        name = self.fresh()
        plain = {"id": name, "request": "pause", "on": False, **TANK}
        self.assertEqual(self.reason(plain), "unsigned")
        self.assertTrue(self.paused())
        record = self.daemon.records("request", id=name)[0]
        self.assertEqual((record["signed"], record["ok"]), (False, False))
        # its id is in nobody's way
        self.assertEqual(self.reason(self.phone("pause", name, on=False, **TANK)), "done")
        self.assertFalse(self.paused())
        self.assertEqual(self.reason(self.phone("pause", self.fresh(), on=True, **TANK)), "done")

    def test_03_a_plain_set_is_refused_and_its_value_snaps_back(self):
        base = SITE + "-basil-bench/"
        for node, value in (("setpoint/ec", "1.3"), ("setpoint/ph", "6.1"), ("dosing/paused", "false"),
                            ("setpoint/override-for", "PT1H")):  # fmt: skip
            stands, count = self.stranger.value(base + node), self.stranger.count()
            refused = len(self.daemon.records("request", reason="unsigned"))
            self.stranger.say(base + node + "/set", value)
            heard = harness.wait_until(
                node + " again", lambda: self.stranger.heard(count, base + node), 5)  # fmt: skip
            self.assertEqual({m.payload for m in heard}, {stands})
            harness.wait_until(
                "its record", lambda: len(self.daemon.records("request", reason="unsigned")) > refused, 5
            )
            (warning,) = self.stranger.heard(count, SITE + "/$log/warn")
            self.assertIn("only signed requests", warning.payload)
        tank = self.daemon.tank("basil-bench")
        self.assertTrue(tank["paused"] and not tank["override"])
        for name, value in (("setpoint/ph", 6.0), ("setpoint/ec", 1.3), ("setpoint/override-for", "PT0S")):
            request = self.phone("set", self.fresh(), property=name, value=value, **TANK)
            self.assertEqual(self.reason(request), "done")

    def test_04_stopping_is_open_to_all_and_ending_it_is_not(self):
        ways = (
            lambda: self.stranger.say(SITE + "/site/halt/set", "true"),
            lambda: self.asker.say({"request": "halt", "on": True}),
            lambda: self.asker.say(dict(self.phone.make("halt", "x", on=True), mac="0" * 64)),
        )
        for halt in ways:
            halt()
            self.stranger.wait_value(SITE + "/site/halt", "true", 5)
            self.assertEqual(self.reason({"id": self.fresh(), "request": "halt", "on": False}), "unsigned")
            forged = dict(self.phone.make("halt", self.fresh(), on=False), mac="0" * 64)
            self.assertEqual(self.reason(forged), "bad-signature")
            count = self.stranger.count()
            self.stranger.say(SITE + "/site/halt/set", "false")
            harness.wait_until("it snaps back", lambda: self.stranger.heard(count, SITE + "/site/halt"), 5)
            self.assertTrue(self.daemon.status()["site"]["halted"])
            self.assertEqual(self.reason(self.phone("halt", self.fresh(), on=False)), "done")
            self.stranger.wait_value(SITE + "/site/halt", "false", 5)

    def test_05_a_signature_counts_once(self):
        first = self.phone("pause", self.fresh(), on=False, **TANK)
        self.assertEqual(self.reason(first), "done")
        self.assertEqual(self.reason(self.phone("pause", self.fresh(), on=True, **TANK)), "done")
        self.assertEqual(self.say(first)["reason"], "duplicate")
        for n in (1, first["n"], self.phone.n - 1):
            request = self.phone("pause", self.fresh(), n=n, on=False, **TANK)
            self.assertEqual(self.reason(request), "old-n")
        self.assertTrue(self.paused())
        # a refusal uses it up, too; and each key has its own
        n = self.phone.n
        self.assertEqual(self.reason(self.phone("pause", self.fresh(), tank="nowhere", on=True)),
                         "no-such-tank")  # fmt: skip
        self.assertEqual(self.reason(self.phone("pause", self.fresh(), n=n, on=False, **TANK)), "old-n")
        self.assertEqual(self.reason(self.office("pause", self.fresh(), on=True, **TANK)), "done")

    def test_06_whatever_is_tampered_with_is_refused(self):
        def good():
            return self.phone("pause", self.fresh(), on=False, **TANK)

        changes = (
            ("tank", "lettuce-wall", "bad-signature"), ("on", True, "bad-signature"),
            ("n", 10**9, "bad-signature"), ("request", "service", "bad-signature"),
            ("id", "another", "bad-signature"), ("more", 1, "bad-signature"),
            ("by", "office", "bad-signature"), ("by", "ghost", "unknown-key"), ("by", "", "unknown-key"),
            ("by", 7, "malformed"), ("n", "5", "malformed"), ("n", 0, "malformed"), ("n", -4, "malformed"),
            ("n", 10**15, "malformed"), ("n", 1.5, "malformed"), ("more", [1], "malformed"),
            ("more", None, "malformed"), ("mac", "", "malformed"), ("mac", 7, "malformed"),
            ("mac", "0" * 64, "bad-signature"), ("mac", "f" * 64, "bad-signature"),
        )  # fmt: skip
        for member, value, reason in changes:
            self.assertEqual(self.reason(dict(good(), **{member: value})), reason, (member, value))
        for member in ("by", "n", "mac"):
            request = good()
            del request[member]
            self.assertEqual(self.reason(request), "malformed", member)
        request = good()
        for end in (request["mac"][:-1] + "x", request["mac"][:63], request["mac"] + "0"):
            self.assertEqual(self.reason(dict(request, mac=end)), "malformed")
        flipped = "%x" % (int(request["mac"][-1], 16) ^ 1)
        self.assertEqual(self.reason(dict(request, mac=request["mac"][:-1] + flipped)), "bad-signature")
        for topic in (SITE + "/request/call", "homie/5/other-hall/request/call/set", ""):
            forged = sign(self.phone.make("pause", self.fresh(), on=False, **TANK), self.phone.key, topic)
            self.assertEqual(self.reason(forged), "bad-signature", topic)
        self.assertTrue(self.paused())
        # what was refused for its signature used nothing up
        self.assertEqual(self.reason(request), "done")
        self.assertFalse(self.paused())
        self.assertEqual(self.reason(self.phone("pause", self.fresh(), on=True, **TANK)), "done")

    def test_07_what_is_signed_is_the_form_not_the_bytes(self):
        note = 'für dich \u2013 \U0001f331 "\\/\b\f\n\r\t\x1f\x7f\u2028 ende'
        request = self.phone("pause", self.fresh(), on=False, note=note, level=0.0001, depth=-4.5,
                             **TANK)  # fmt: skip
        shuffled = list(request.items())
        random.Random(7).shuffle(shuffled)
        for text in (json.dumps(dict(shuffled), indent=2), json.dumps(request, ensure_ascii=False)):
            name = request["id"]
            before = len(self.asker.answers(name))
            self.asker.say(text)
            harness.wait_until("the answer", lambda: len(self.asker.answers(name)) > before, 5)
        self.assertEqual([a["reason"] for a in self.asker.answers(request["id"])], ["done", "duplicate"])
        self.assertFalse(self.paused())
        capitals = self.phone("pause", self.fresh(), on=True, **TANK)
        self.assertEqual(self.reason(dict(capitals, mac=capitals["mac"].upper())), "done")
        self.assertTrue(self.paused())

    def test_08_only_a_signed_request_moves_a_pump(self):
        prime = {"stock": "leaf-a", "ml": 2, "into": "cup", "tank": "lettuce-wall"}
        self.wait_state("lettuce-wall", ("paused",), 60)
        self.assertTrue(self.daemon.ask("bench", tank="lettuce-wall", on=True)["ok"])
        before = len(self.world.runs("start"))
        for request in (
            {"id": self.fresh(), "request": "prime", **prime},
            dict(self.phone.make("prime", self.fresh(), **prime), mac="0" * 64),
            self.phone("prime", self.fresh(), n=1, **prime),
        ):
            self.assertFalse(self.say(request)["ok"])
        time.sleep(3)
        self.assertEqual(self.world.runs("start")[before:], [])
        harness.wait_until(
            "the tank isn't busy with what it began before",
            lambda: self.reason(self.phone("prime", self.fresh(), **prime)) == "done", 60, 2,
        )  # fmt: skip
        harness.wait_until("its run", lambda: self.world.runs("end", tank="lettuce-wall"), 30)
        self.assertTrue(self.daemon.ask("bench", tank="lettuce-wall", on=False)["ok"])
        self.judge_recorded()

    def test_09_a_retained_one_is_not_acted_on_now_or_later(self):
        request = self.phone("pause", self.fresh(), on=False, **TANK)
        self.assertEqual(self.reason(request, retain=True), "retained")
        self.assertFalse(self.say(dict(request))["ok"])
        again = self.phone("pause", self.fresh(), n=request["n"], on=False, **TANK)
        self.assertEqual(self.reason(again), "old-n")
        self.assertTrue(self.paused())

    def test_10_it_survives_being_killed(self):
        last = self.phone("pause", self.fresh(), on=True, **TANK)
        self.assertEqual(self.reason(last), "done")
        self.restart()
        self.assertEqual(self.say(last)["reason"], "duplicate")
        for n in (1, last["n"]):
            request = self.phone("pause", self.fresh(), n=n, on=False, **TANK)
            self.assertEqual(self.reason(request), "old-n")
        self.assertTrue(self.paused())
        self.assertEqual(self.reason(self.phone("pause", self.fresh(), on=True, **TANK)), "done")

    def test_11_it_is_said_again_in_a_new_file(self):
        """The day's files get yesterday's date, so that today's begins anew."""
        self.daemon.kill()
        yesterday = small_site.day(-1)
        for path in harness.segments(self.daemon.journal_dir):
            os.rename(path, path.replace(small_site.day(0), yesterday))
        self.start_again()
        newest = harness.wait_until(
            "a new file", lambda: [p for p in harness.segments(self.daemon.journal_dir)
                                   if yesterday not in p], 10
        )[-1]  # fmt: skip

        def carried():
            with open(newest, encoding="utf-8") as file:
                records = [json.loads(line) for line in file.read().split("\n")[:-1]]
            found = {r["key"]: r["n"] for r in records if r["kind"] == "signer"}
            return found if set(found) == set(KEYS) else None

        found = harness.wait_until("what was seen of the keys", carried, 10)
        self.assertEqual(found, {"phone": self.phone.n - 1, "office": self.office.n - 1})
        for _ in range(2):
            for signer in (self.phone, self.office):
                request = signer("pause", self.fresh(), n=signer.n - 1, on=False, **TANK)
                self.assertEqual(self.reason(request), "old-n")
            self.restart()
        self.assertTrue(self.paused())
        self.judge_journal()

    def call(self, *words):
        run = subprocess.run(
            [harness.PROGRAM, "call", "--site", self.world.site_path, "--wait", "10", *words],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            timeout=60, check=False, cwd=self.world.folder,
        )  # fmt: skip
        return run.returncode, run.stdout.decode()

    def test_12_our_own_tool_signs_as_well(self):
        who = ("--by", "office", "--key", "office-key")
        self.assertEqual(self.call(*who, "unpause", "basil-bench")[0], 0)
        self.assertFalse(self.paused())
        self.assertEqual(self.call(*who, "--id", "tool-1", "pause", "basil-bench")[0], 0)
        code, out = self.call(*who, "--id", "tool-1", "--json", "pause", "basil-bench")
        self.assertEqual((code, json.loads(out)["reason"]), (0, "duplicate"))
        code, out = self.call("unpause", "basil-bench")
        self.assertEqual(code, REFUSED)
        self.assertIn("unsigned", out)
        code, out = self.call("--by", "office", "--key", "phone-key", "unpause", "basil-bench")
        self.assertEqual(code, REFUSED)
        self.assertIn("bad-signature", out)
        self.assertTrue(self.paused())
        self.assertEqual(self.call("halt")[0], 0)
        self.stranger.wait_value(SITE + "/site/halt", "true", 5)
        self.assertEqual(self.call("release")[0], REFUSED)
        self.assertEqual(self.call(*who, "release")[0], 0)
        self.stranger.wait_value(SITE + "/site/halt", "false", 5)

    def test_12_the_example_of_the_page_is_taken(self):
        with open(os.path.join(harness.ROOT, "docs", "security.md"), encoding="utf-8") as file:
            (block,) = re.findall(r"^```python\n(.*?)^```$", file.read(), re.S | re.M)
        run = subprocess.run(
            ["/usr/bin/python3", "-c", block + "print(json.dumps(request))"], cwd=self.world.folder,
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, timeout=30, check=True,
        )  # fmt: skip
        request = json.loads(run.stdout)
        self.assertEqual(self.reason(request), "done")
        self.phone.n = request["n"] + 1

    def test_13_a_key_is_changed_without_a_gap(self):
        KEYS["office-2"] = "thirty-two bytes are the least there"
        self.write_key("office-2-key", KEYS["office-2"])
        self.assertEqual(self.reason(Signer("office-2")("pause", self.fresh(), on=False, **TANK)),
                         "unknown-key")  # fmt: skip
        self.change_keys("office: office-key", "office: office-key, office-2: office-2-key")
        office_2 = Signer("office-2")
        old_n = int(time.time() * 1000)  # the tool's last one was the clock's
        for signer, n in ((self.office, old_n), (office_2, None)):
            request = signer("pause", self.fresh(), n=n, on=True, **TANK)
            self.assertEqual(self.reason(request), "done", signer.name)
        self.change_keys("office: office-key, ", "")
        request = self.office("pause", self.fresh(), n=old_n + 1, on=False, **TANK)
        self.assertEqual(self.reason(request), "unknown-key")
        self.assertEqual(self.reason(office_2("pause", self.fresh(), on=True, **TANK)), "done")
        # a bad file changes nothing
        self.write_key("office-2-key", "short")
        self.daemon.reload()
        harness.wait_until("it says so", lambda: "32 bytes" in self.daemon.process.log(), 10)
        self.assertEqual(self.reason(office_2("pause", self.fresh(), on=True, **TANK)), "done")
        self.write_key("office-2-key", KEYS["office-2"])
        # one that comes back under its old name has forgotten nothing
        self.change_keys("office-2: office-2-key", "office: office-key")
        request = self.office("pause", self.fresh(), n=old_n, on=False, **TANK)
        self.assertEqual(self.reason(request), "old-n")

    def change_keys(self, old, new):
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        self.assertIn(old, text)
        small_site.put(self.world.site_path, text.replace(old, new))
        self.daemon.reload_done()

    def test_14_a_flood_without_a_key_takes_nothing_from_who_has_one(self):
        for number in range(3000):
            self.asker.say({"id": "f-%d" % number, "request": "pause", "on": False, **TANK}, qos=0)
        began = time.monotonic()
        self.assertEqual(self.reason(self.phone("pause", self.fresh(), on=True, **TANK)), "done")
        self.assertLess(time.monotonic() - began, 5)
        self.assertTrue(self.paused())

    def test_15_who_fails_again_and_again_is_muted_and_may_halt(self):
        reply = 'reply/"red\\'  # a broker lets no control character through; the unit tests have them
        for number in range(40):
            self.asker.say({"id": "b-%d" % number, "request": "pause", "on": False, **TANK}, reply, b"k")
        self.wait_alert("muted-sender-1", 10)
        self.assertIn(r'"reply/\x22red\x5c"', self.daemon.alerts()["muted-sender-1"])
        self.assertEqual(self.daemon.status()["site"]["muted"], 1)
        self.asker.say({"id": "b-x", "request": "pause", "on": False, **TANK}, reply, b"k")
        self.asker.say({"id": "b-y", "request": "halt", "on": True}, reply, b"k")
        self.stranger.wait_value(SITE + "/site/halt", "true", 5)
        self.assertEqual(self.asker.answers("b-x"), [])
        # the key isn't muted with the topic
        request = self.phone("halt", self.fresh(), on=False)
        self.assertEqual(self.reason(request, reply=reply, correlation=b"k"), "done")
        request = self.phone("acknowledge", self.fresh(), alert="muted-sender-1")
        self.assertEqual(self.reason(request), "done")
        self.wait_alert("muted-sender-1", 5, stands=False)
        self.judge_journal()

    def test_16_keys_that_cannot_be_used_are_refused_at_once(self):
        def check():
            run = subprocess.run(
                [harness.PROGRAM, "check", self.world.site_path], stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=30, check=False,
            )  # fmt: skip
            return run.returncode, run.stdout.decode()

        code, out = check()
        self.assertEqual(code, 0, out)
        self.assertIn("acted on only if signed; keys: phone", out)
        for key, mode, words in (("short", 0o600, "at least 32 bytes"),
                                 (KEYS["phone"], 0o644, "everyone on this machine")):  # fmt: skip
            self.write_key("phone-key", key, mode)
            code, out = check()
            self.assertEqual(code, BAD_SITE)
            self.assertIn(words, out)
            self.assertIn("'phone'", out)
        run = subprocess.run(
            [harness.PROGRAM, "doctor", "--no-publish", "--wait", "1", self.world.site_path],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, timeout=60, check=False,
        )  # fmt: skip
        self.assertEqual(run.returncode, 2)
        self.assertIn("everyone on this machine", " ".join(run.stdout.decode().split()))
        self.daemon.end()
        other = harness.Daemon(self.world, self.world.site_path, "refused")
        other.start()
        self.assertEqual(other.process.popen.wait(20), BAD_SITE)
        self.assertIn("everyone on this machine", other.process.log())
        self.assertNotIn(KEYS["phone"], other.process.log())


@unittest.skipUnless(os.environ.get("NODE_SIGNER"), "NODE_SIGNER names none: tests/reference/sign/run.sh does")
class NodeSigner(Keyed):
    """Node's JSON, npm's canonicalize, Node's HMAC."""

    def node(self, requests, key, topic=CALL):
        lines = "".join(json.dumps({"topic": topic, "key": key, "request": r}) + "\n" for r in requests)
        run = subprocess.run(
            ["node", os.environ["NODE_SIGNER"]], input=lines.encode(), stdout=subprocess.PIPE,
            timeout=60, check=True,
        )  # fmt: skip
        return [json.loads(line) for line in run.stdout.decode().split("\n") if line]

    def test_01_both_signers_agree(self):
        rng = random.Random(8785)
        letters = "abcäöü€\u2028\U0001f331\"\\/\b\f\n\r\t\x01\x1f\x7f "

        def value():
            kind = rng.randrange(5)
            if kind == 0:
                return rng.random() < 0.5
            if kind == 1:
                return rng.randrange(-(10**14), 10**15)
            if kind == 2:
                return round(rng.uniform(-1000, 1000), rng.randrange(7))
            if kind == 3:
                return rng.choice([0, -0.0, 1.0, 0.000001, 0.1, 999999.999999])
            return "".join(rng.choice(letters) for _ in range(rng.randrange(40)))

        requests = [
            {"m%d" % i if rng.random() < 0.5 else "M.%d~" % i: value() for i in range(rng.randrange(20))}
            for _ in range(2000)
        ]
        for request, signed in zip(requests, self.node(requests, KEYS["phone"])):
            self.assertEqual(sign(request, KEYS["phone"])["mac"], signed["mac"], request)

    def test_02_the_daemon_takes_what_node_signs(self):
        note = "für dich \u2013 \U0001f331 \"\\/\n\x1f\u2028"
        requests = [self.phone.make("pause", self.fresh(), on=on, note=note, depth=-4.5, **TANK)
                    for on in (False, True)]  # fmt: skip
        for request, signed in zip(requests, self.node(requests, KEYS["phone"])):
            self.assertEqual(self.reason(signed), "done")
            self.assertEqual(self.paused(), request["on"])
        (signed,) = self.node([self.phone.make("pause", self.fresh(), on=False, **TANK)], KEYS["office"])
        self.assertEqual(self.reason(signed), "bad-signature")
        (signed,) = self.node([self.phone.make("pause", self.fresh(), on=False, **TANK)], KEYS["phone"], ANSWER)
        self.assertEqual(self.reason(signed), "bad-signature")
        self.assertTrue(self.paused())


if __name__ == "__main__":
    unittest.main(verbosity=2)
