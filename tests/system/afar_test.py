#!/usr/bin/python3
"""`dosewright call`: requests from a shell over MQTT, with an account of the caller's own."""

import json
import os
import re
import subprocess
import time
import unittest

import harness
import small_site

SITE = "homie/5/tern-hall"
REFUSED, MISUSED, NO_FILE, UNREACHABLE, SILENT, BAD_SITE = 1, 64, 66, 69, 74, 78

ACCOUNTS = """\
allow_anonymous false
password_file %(folder)s/accounts
acl_file %(folder)s/acl
"""

# 'daemon' and 'all' (the rig and the test's eyes) may do everything; 'phone' asks; 'deaf' may write a
# request but not read its answer.
ACL = """\
user daemon
topic readwrite #
user all
topic readwrite #
user phone
topic write homie/5/tern-hall/request/call/set
topic read homie/5/tern-hall/request/answer
topic read reply/#
user deaf
topic write homie/5/tern-hall/request/call/set
"""


class Tool(harness.Case):
    def call(self, *words, site=True, wait="10"):
        where = ["--site", self.world.site_path] if site else []
        run = subprocess.run(
            [harness.PROGRAM, "call", *where, "--wait", wait, *words],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            timeout=60, check=False, cwd=self.world.folder,
        )  # fmt: skip
        return run.returncode, run.stdout.decode(), run.stderr.decode()

    def by_hand(self, port=None):
        return ("--broker", "mqtt://127.0.0.1:%d" % (port or self.world.port), "--at", "tern-hall")


class Calls(Tool):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.stranger = cls.world.stranger()
        cls.daemon.start()
        cls.stranger.wait_value(SITE + "/$state", "ready", 20)

    def test_01_a_request_is_done(self):
        code, out, err = self.call("pause", "basil-bench")
        self.assertEqual((code, err), (0, ""), out)
        self.wait_state("basil-bench", ("paused",), 5)
        code, _, _ = self.call(*self.by_hand(), "unpause", "basil-bench", site=False)
        self.assertEqual(code, 0)
        record = self.daemon.records("request", request="pause", ok=True)[-1]
        self.assertEqual((record["by"], record["on"]), ("mqtt", False))

    def test_02_a_refusal_is_said(self):
        code, out, err = self.call("set", "basil-bench", "ph", "9")
        self.assertEqual((code, out), (REFUSED, ""))
        self.assertIn("out-of-envelope", err)
        code, out, _ = self.call("--json", "pause", "nowhere")
        self.assertEqual(code, REFUSED)
        self.assertEqual(json.loads(out)["reason"], "no-such-tank")

    def test_03_an_id_is_acted_on_once(self):
        for expected in ("done", "duplicate"):
            code, out, _ = self.call("--json", "--id", "shell-1", "refilled", "acid")
            self.assertEqual(code, 0)
            answer = json.loads(out)
            self.assertEqual((answer["id"], answer["reason"]), ("shell-1", expected))
        self.assertEqual(len(self.daemon.records("request", id="shell-1", reason=None, ok=True)), 1)

    def test_04_a_setpoint_and_its_span_are_two_requests(self):
        code, _, err = self.call("--id", "two", "set", "basil-bench", "ph", "6.1", "--for", "2h")
        self.assertEqual((code, err), (0, ""))
        self.stranger.wait_value(SITE + "-basil-bench/setpoint/ph", "6.10", 10)
        self.assertEqual(self.stranger.value(SITE + "-basil-bench/setpoint/override-for"), "PT2H")
        self.assertEqual([r["id"] for r in self.daemon.records("request", ok=True)][-2:], ["two", "two-2"])

    def test_05_the_answer_comes_where_mqtt_5_says_and_in_3_1_1(self):
        before = self.stranger.count()
        code, out, _ = self.call("--json", "--reply", "reply/shell", "override-end", "basil-bench")
        self.assertEqual(code, 0)
        self.assertEqual([json.loads(m.payload) for m in self.stranger.heard(before, "reply/shell")],
                         [json.loads(out)])  # fmt: skip
        code, _, err = self.call(*self.by_hand(), "--mqtt", "3.1.1", "override-end", "basil-bench",
                                 site=False)  # fmt: skip
        self.assertEqual((code, err), (0, ""))

    def test_06_what_is_written_wrong_is_not_sent(self):
        before = self.stranger.count()
        for words in (
            ("pause",), ("dance",), ("halt", "now"), ("--id", "a b", "halt"), ("--id", "x" * 33, "halt"),
            ("--by", "phone", "halt"), ("--key", "k", "halt"), ("--cert", "c", "halt"),
            ("--password-file", "p", "halt"), ("--wait", "0", "halt"), ("--n", "1.5", "halt"),
            ("--mqtt", "4", "halt"), ("--at", "other", "halt"), ("--socket", "x", "halt"),
        ):  # fmt: skip
            code, out, err = self.call(*words)
            self.assertEqual((code, out), (MISUSED, ""), words)
            self.assertRegex(err, "(?m)^dosewright( call)?: ")
        for words in (("halt",), ("--broker", "mqtt://127.0.0.1", "halt"),
                      ("--broker", "127.0.0.1:1883", "--at", "tern-hall", "halt"),
                      ("--broker", "mqtt://broker.example:1883", "--at", "tern-hall", "halt")):  # fmt: skip
            code, _, err = self.call(*words, site=False)
            self.assertEqual(code, MISUSED, words)
        self.assertIn("--insecure-plain", err)
        self.assertEqual(self.call("--site", "/nowhere/site.yaml", "halt", site=False)[0], BAD_SITE)
        code, _, err = self.call("--user", "x", "--password-file", "/nowhere", "halt")
        self.assertEqual(code, NO_FILE)
        self.assertNotIn(SITE + "/request/call/set", [m.topic for m in self.stranger.heard(before)])

    def test_07_nobody_there(self):
        code, out, err = self.call(*self.by_hand(harness.free_port()), "halt", site=False, wait="2")
        self.assertEqual((code, out), (UNREACHABLE, ""))
        self.assertIn("THE HALT IS NOT CONFIRMED", err)
        code, _, err = self.call("--broker", "mqtt://127.0.0.1:%d" % self.world.port, "--at", "elsewhere",
                                 "halt", site=False, wait="2")  # fmt: skip
        self.assertEqual(code, SILENT)
        self.assertIn("elsewhere/request/answer", err)

    def test_08_a_lost_connection_makes_no_second_deed(self):
        self.daemon.process.signal(19)  # stopped: the answer can't come before the broker dies
        try:
            tool = subprocess.Popen(
                [harness.PROGRAM, "call", "--site", self.world.site_path, "--wait", "50", "--id",
                 "cut-1", "refilled", "leaf-a", "900"],
                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            )  # fmt: skip
            self.addCleanup(tool.communicate)
            harness.wait_until("the request was sent",
                               lambda: any('"cut-1"' in m.payload for m in self.stranger.heard()), 10)  # fmt: skip
            self.world.kill_broker()
            time.sleep(0.3)
        finally:
            self.daemon.process.signal(18)
        self.world.start_broker()
        out, err = tool.communicate(timeout=55)
        self.assertEqual((tool.returncode, err), (0, b""), out)
        done = [r for r in self.daemon.records("request", id="cut-1") if r.get("reason") is None]
        self.assertEqual(len(done), 1)

    def test_09_halt_and_release(self):
        self.assertEqual(self.call("halt")[0], 0)
        self.stranger.wait_value(SITE + "/site/halt", "true", 5)
        self.assertEqual(self.call("release")[0], 0)
        self.stranger.wait_value(SITE + "/site/halt", "false", 5)
        self.judge_journal()


class Accounts(Tool):
    """A broker that wants accounts, and gives each its own rights."""

    def test_the_callers_own_account_is_used(self):
        folder = self.world.folder
        self.world.kill_broker()
        with open(os.path.join(folder, "site.yaml"), encoding="utf-8") as file:
            site = file.read()
        accounts = os.path.join(folder, "accounts")
        for name in ("daemon", "all", "phone", "deaf"):
            small_site.put(os.path.join(folder, name + "-password"), "secret of " + name + "\n")
            os.chmod(os.path.join(folder, name + "-password"), 0o600)
            create = [] if os.path.exists(accounts) else ["-c"]
            subprocess.run(["mosquitto_passwd", "-b", *create, accounts, name, "secret of " + name],
                           check=True, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)  # fmt: skip
        os.chmod(accounts, 0o644)
        small_site.put(os.path.join(folder, "acl"), ACL)
        self.world.start_broker(ACCOUNTS % {"folder": folder})
        site = re.sub(r"mqtt: 5 }", 'mqtt: 5, username: daemon, password_file: "%s/daemon-password" }' % folder, site)
        small_site.put(os.path.join(folder, "site.yaml"), site)
        self.daemon.start()
        harness.wait_until("the daemon is active",
                           lambda: (self.daemon.status() or {"site": {"standby": True}})["site"]["standby"] is False, 40)  # fmt: skip

        def account(name, password=None):
            return ("--user", name, "--password-file", os.path.join(folder, (password or name) + "-password"))

        code, _, err = self.call(*account("phone"), "pause", "basil-bench", wait="15")
        self.assertEqual((code, err), (0, ""))
        self.assertEqual(self.call(*account("phone"), "--reply", "reply/me", "unpause", "basil-bench")[0], 0)
        # Without an account, or with another's password, nobody is let in; the site's own isn't taken.
        for words in ((), account("phone", "deaf")):
            code, _, err = self.call(*words, "pause", "basil-bench", wait="3")
            self.assertEqual(code, UNREACHABLE)
            self.assertIn("refused", err)
        self.assertEqual(self.call(*account("deaf"), "pause", "lettuce-wall", wait="2")[0], SILENT)
        # A password that anybody may read isn't used.
        os.chmod(os.path.join(folder, "phone-password"), 0o644)
        code, _, err = self.call(*account("phone"), "pause", "basil-bench")
        self.assertEqual(code, NO_FILE)
        self.assertIn("chmod 600", err)


if __name__ == "__main__":
    unittest.main(verbosity=2)
