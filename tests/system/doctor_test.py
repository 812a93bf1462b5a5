#!/usr/bin/python3
"""dosewright doctor against a real broker: each of its lines is made to complain, and to say what to do."""

import json
import os
import re
import shutil
import socket
import subprocess
import threading
import time

import certificates
import harness
from small_site import day, put

TANK = "basil-bench"
SITE = "homie/5/tern-hall"
OK, WARN, FAIL = 0, 1, 2
NOBODY = 65534
# What this machine and the small site are by themselves: not for a test of the rest to judge.
OWN = ("clock", "configuration")


class Look:
    """One run of the doctor."""

    def __init__(self, site_path, *options, user=None, **environment):
        began = time.monotonic()
        run = subprocess.run(
            [harness.PROGRAM, "doctor", "--json", *options, site_path],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            timeout=120, check=False, user=user, group=user, extra_groups=[] if user else None,
            env=dict(os.environ, **environment),
        )  # fmt: skip
        self.took_s = time.monotonic() - began
        self.code = run.returncode
        self.errors = run.stderr.decode()
        self.text = run.stdout.decode()
        self.answer = json.loads(self.text)
        self.lines = self.answer["lines"]

    def verdicts(self):
        return {line["what"]: line["verdict"] for line in self.lines}

    def of(self, what, verdict=None):
        return [n for n in self.lines if n["what"] == what and verdict in (None, n["verdict"])]


class OldBroker:
    """In front of the real one: takes MQTT 3.1.1, and refuses 5 in the words of 3.1.1 (OASIS, 3.2.2.3)."""

    UNACCEPTABLE = b"\x20\x02\x00\x01"

    def __init__(self, behind):
        self.behind = behind
        self.door = socket.create_server(("127.0.0.1", 0))
        self.port = self.door.getsockname()[1]

    def __enter__(self):
        threading.Thread(target=self.serve, daemon=True).start()
        return self

    def __exit__(self, *_):
        self.door.close()

    def serve(self):
        try:
            while True:
                threading.Thread(target=self.let_in, args=(self.door.accept()[0],), daemon=True).start()
        except OSError:
            pass

    def let_in(self, client):
        """CONNECT: a byte, the length (one byte here), 00 04 "MQTT", the version."""
        with client:
            first = client.recv(4096)
            if len(first) < 9 or first[8] != 4:
                client.sendall(self.UNACCEPTABLE)
                return
            with socket.create_connection(("127.0.0.1", self.behind)) as broker:
                broker.sendall(first)
                back = threading.Thread(target=self.pass_on, args=(broker, client))
                back.start()
                self.pass_on(client, broker)
                back.join(5)

    @staticmethod
    def pass_on(a, b):
        try:
            while data := a.recv(65536):
                b.sendall(data)
            b.shutdown(socket.SHUT_WR)
        except OSError:
            pass


class Case(harness.Case):
    def look(self, *options, site=None, **named):
        look = Look(site or self.world.site_path, *options, **named)
        words = [n["verdict"] for n in look.lines]
        worst = "fail" if "fail" in words else "warn" if "warn" in words else "ok"
        self.assertEqual(look.answer["verdict"], worst)
        self.assertEqual(look.code, {"ok": OK, "warn": WARN, "fail": FAIL}[worst])
        self.assertEqual([look.answer[w] for w in ("ok", "warn", "fail")], [words.count(w) for w in ("ok", "warn", "fail")])
        for line in look.lines:
            self.assertEqual("remedy" in line, line["verdict"] != "ok", line)
        return look

    def one(self, look, what, verdict, *words):
        """There is just one line of that kind, with that verdict, and it says so."""
        lines = look.of(what)
        self.assertEqual([n["verdict"] for n in lines], [verdict], json.dumps(look.lines, indent=1))
        text = lines[0]["found"] + " " + lines[0].get("remedy", "")
        for word in words:
            self.assertIn(word, text)
        return text

    def site_with(self, *changes, name="other.yaml"):
        """The world's site file with some of its text replaced."""
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        for old, new in changes:
            self.assertIn(old, text)
            text = text.replace(old, new)
        path = os.path.join(self.world.folder, name)
        put(path, text)
        return path


class BesideADaemon(Case):
    SITE = {"max_age_s": 4}

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.stranger = cls.world.stranger()
        cls.daemon.start()
        cls.stranger.wait_value(SITE + "/$state", "ready", 20)
        cls.wait_inputs(cls)

    def wait_inputs(self):
        def good():
            tanks = self.daemon.status()["tanks"]
            return all(t[p]["quality"] == "good" for t in tanks for p in ("ec", "ph", "temperature"))

        harness.wait_until("all probes are good", good, 30)

    def test_01_all_is_well_and_nothing_is_disturbed(self):
        before = self.stranger.count()
        connected = self.daemon.process.log().count(": connected")
        look = self.look()
        for what, verdict in look.verdicts().items():
            if what not in OWN + ("strangers",):
                self.assertEqual(verdict, "ok", look.of(what))
        for what in ("disk", "journal", "exposure", "broker", "access list", "ghosts", "kept requests", "daemon",
                     "loaded file", "alerts", "chain", "inputs", "calibration"):  # fmt: skip
            self.assertTrue(look.of(what), what)
        self.assertEqual(len(look.of("inputs")), 2)
        self.one(look, "strangers", "warn", SITE + "/request/call/set", "allow_anonymous")
        time.sleep(1)
        said = [m for m in self.stranger.heard(before) if "doctor" in m.payload and "/journal/entry" not in m.topic]
        self.assertTrue(said)
        for message in said:
            self.assertFalse(message.retained)
            if message.topic.endswith("/set"):
                self.assertNotIn("id", json.loads(message.payload))
            else:
                self.assertTrue(message.topic.endswith("/$log/debug"), message)
        self.assertEqual(self.daemon.process.log().count(": connected"), connected)
        self.assertEqual(self.daemon.records("command-refused"), [])
        self.assertTrue(self.daemon.status()["broker"]["up"])

    def test_02_told_to_be_silent_it_publishes_nothing(self):
        before = self.stranger.count()
        look = self.look("--no-publish")
        time.sleep(0.5)
        self.assertEqual([m for m in self.stranger.heard(before) if "doctor" in m.payload], [])
        self.assertEqual(look.of("access list") + look.of("strangers"), [])

    def test_03_the_text_says_what_the_json_says(self):
        code, text = self.daemon.tool("doctor", "--no-publish", self.world.site_path)
        look = self.look("--no-publish")
        self.assertEqual(code, look.code)
        said = re.findall(r"(?m)^(ok|warn|fail) +(\S.*?)(?:  |$)", text)
        self.assertEqual([(n["verdict"], n["what"]) for n in look.lines], said)
        self.assertLessEqual(max(len(line) for line in text.split("\n") if "/" not in line), 80)

    def test_04_a_silent_probe(self):
        self.world.fault("silent:%s.ec" % TANK)
        harness.wait_until("stale", lambda: self.daemon.tank(TANK)["ec"]["quality"] == "stale", 20)
        self.one(self.look("--no-publish"), "input", "fail", TANK, "ec: stale", "max_age_s")
        self.world.fault("-silent:%s.ec" % TANK)
        self.wait_inputs()

    def test_05_another_module_on_the_wall(self):
        self.world.fault("swap:west.2=c91d")
        harness.wait_until("not bound", lambda: not self.daemon.status()["chains"][0]["bound"], 20)
        look = self.look("--no-publish")
        self.one(look, "chain", "fail", "west", "c91d", "adopt")
        self.assertEqual(look.of("alerts")[0]["verdict"], "warn")
        self.world.fault("-swap:west.2=c91d")
        harness.wait_until("ready", lambda: self.daemon.status()["chains"][0]["ready"], 30)

    def test_06_what_people_have_locked(self):
        for request, members, what, word in (
            ("halt", {}, "daemon", "halted"),
            ("pause", {"tank": TANK}, "tank", "pause"),
            ("service", {"tank": TANK}, "tank", "service lock"),
        ):
            with self.subTest(request):
                self.assertTrue(self.daemon.ask(request, on=True, **members)["ok"])
                self.one(self.look("--no-publish"), what, "warn", word)
                self.assertTrue(self.daemon.ask(request, on=False, **members)["ok"])
        harness.wait_until("ready", lambda: self.daemon.status()["chains"][0]["ready"], 30)

    def test_07_a_file_that_is_newer_or_worse(self):
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        time.sleep(1.1)
        put(self.world.site_path, text + "# changed\n")
        self.one(self.look("--no-publish"), "loaded file", "warn", "reload")
        put(self.world.site_path, text.replace("volume_l: 4", "volume_l: -4"))
        self.daemon.reload()
        harness.wait_until("refused", lambda: self.daemon.status()["config"]["error"], 20)
        good = os.path.join(self.world.folder, "good.yaml")
        put(good, text)
        self.one(self.look("--no-publish", site=good), "loaded file", "fail", "volume_l", "check")
        look = self.look("--no-publish")
        self.assertEqual([n["what"] for n in look.lines], ["configuration"])
        self.one(look, "configuration", "fail", "volume_l")
        put(self.world.site_path, text)
        self.daemon.reload_done()

    def test_08_calibrations_that_are_due(self):
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        ago = text.replace("unit: ph, calibrated: " + day(-1), "unit: ph, calibrated: %s, calibrate_every_days: 14" % day(-20), 1)
        self.assertNotEqual(ago, text)
        put(self.world.site_path, ago)
        self.daemon.reload_done()
        time.sleep(1)
        look = self.look("--no-publish")
        due = look.of("calibration", "warn")
        self.assertEqual(len(due), 1)
        self.assertIn("%s: due: ph (last %s)" % (TANK, day(-20)), due[0]["found"])
        put(self.world.site_path, text)
        self.daemon.reload_done()

    def test_09_as_somebody_else(self):
        """Who may neither read the journal nor use the socket sees the rest, and is told so."""
        os.chmod(self.world.folder, 0o755)
        if os.getuid() != 0:
            self.skipTest("only root can be somebody else")
        os.chmod(self.daemon.journal_dir, 0o700)
        program = os.path.join(self.world.folder, "dosewright")
        shutil.copy(harness.PROGRAM, program)
        kept, harness.PROGRAM = harness.PROGRAM, program
        try:
            look = self.look("--no-publish", user=NOBODY)
        finally:
            harness.PROGRAM = kept
        self.one(look, "journal", "warn", "Permission denied", "root")
        self.one(look, "broker", "ok")
        self.one(look, "daemon", "warn", "none answers")
        self.one(look, "second daemon", "warn", "tern-hall is ready")
        self.assertEqual([n["verdict"] for n in look.of("inputs")], ["ok", "ok"])

    def test_10_the_wrong_daemon(self):
        other = self.site_with(("site: tern-hall", "site: fern-hall"))
        self.one(self.look("--no-publish", site=other), "daemon", "fail", "tern-hall", "fern-hall")

    def test_11_ghosts_and_what_is_kept(self):
        description = '{"homie":"5.0","version":1,"name":"A \\"root\\":\\"x\\" shelf","root":"%s","nodes":{}}'
        for device, root in (("tern-hall-shelf", "tern-hall"), ("tern-hall-two", "another-site")):
            self.stranger.say("homie/5/%s/$description" % device, description % root, retain=True)
        kept = "homie/5/west/dose/command/set"
        self.stranger.say(kept, "{}", retain=True)
        self.stranger.say("homie/5/lamp/light/on/set", "true", retain=True)
        look = self.look("--no-publish")
        text = self.one(look, "ghosts", "warn", "tern-hall-shelf", "--remove-retained")
        self.assertNotIn("tern-hall-two", text)
        text = self.one(look, "kept requests", "warn", kept, "mosquitto_pub -r -n")
        self.assertNotIn("lamp", text)
        # the remedies, as they are said
        for command in (
            ["mosquitto_sub", "-t", "homie/5/tern-hall-shelf/#", "--remove-retained", "-W", "1"],
            ["mosquitto_pub", "-r", "-n", "-t", kept],
        ):
            subprocess.run(command + ["-h", "127.0.0.1", "-p", str(self.world.port)], check=False,
                           stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=20)  # fmt: skip
        look = self.look("--no-publish")
        self.one(look, "ghosts", "ok")
        self.one(look, "kept requests", "ok")

    def test_12_the_daemon_has_lost_the_broker(self):
        """From here the broker answers, at another address than the daemon's."""
        self.world.kill_broker()
        harness.wait_until("noticed", lambda: not self.daemon.status()["broker"]["up"], 30)
        look = self.look("--wait", "1")
        self.one(look, "broker", "fail", str(self.world.port), "firewall")
        self.one(look, "daemon", "fail", "isn't connected")
        self.assertEqual(look.of("strangers") + look.of("ghosts"), [])
        self.world.start_broker()
        harness.wait_until("back", lambda: self.daemon.status()["broker"]["up"], 60)

    def test_13_a_journal_that_was_touched(self):
        path = harness.segments(self.daemon.journal_dir)[0]
        copy = os.path.join(self.world.folder, "copy")
        os.makedirs(copy)
        with open(path, "rb") as file:
            lines = file.read().split(b"\n")
        name = os.path.join(copy, os.path.basename(path))
        other = self.site_with(('dir: "%s"' % self.daemon.journal_dir, 'dir: "%s"' % copy))
        for what, touched, verdict, word in (
            ("torn", b"\n".join(lines[:-1])[:-20], "warn", "cut short"),
            ("damaged", b"\n".join([lines[0].replace(b"kind", b"kimd")] + lines[1:]), "fail", "damaged"),
            ("whole", b"\n".join(lines[:20]) + b"\n", "ok", "20 records"),
        ):
            with self.subTest(what):
                with open(name, "wb") as file:
                    file.write(touched)
                self.one(self.look("--no-publish", site=other), "journal", verdict, word)

    def test_14_without_the_daemon_it_listens_itself(self):
        self.assertEqual(self.daemon.end(), 0)
        look = self.look()
        self.one(look, "daemon", "warn", "none answers")
        self.one(look, "chain", "ok", "west")
        self.assertEqual([n["verdict"] for n in look.of("inputs")], ["ok", "ok"])
        self.assertEqual(look.of("input") + look.of("second daemon"), [])
        self.world.fault("silent:%s.ph" % TANK)
        self.world.fault("swap:west.2=c91d")
        time.sleep(2)
        self.one(self.look("--no-publish", "--wait", "2"), "input", "warn", "glass/%s/ph within 2 s" % TANK, "--wait")
        look = self.look("--no-publish", "--wait", "6")
        self.one(look, "input", "fail", "glass/%s/ph within 6 s" % TANK)
        self.one(look, "chain", "warn", "c91d")
        old = self.site_with(("unit: ph, calibrated: " + day(-1), "unit: ph, calibrated: %s, calibrate_every_days: 14" % day(-20)))
        look = self.look("--no-publish", site=old)
        self.assertEqual([n["verdict"] for n in look.of("calibration")], ["warn", "warn"])
        self.assertIn("ph (%s)" % day(-20), look.of("calibration")[0]["found"])


class AtTheBroker(Case):
    """No daemon, no rig: who is let in, and how."""

    @classmethod
    def setUpClass(cls):
        cls.world = harness.World(rig=False)
        cls.addClassCleanup(cls.world.close)
        cls.daemon = cls.world.daemon
        cls.folder = cls.world.folder
        for name, password in (("hall", "correct"), ("phone", "other")):
            put(os.path.join(cls.folder, name + ".secret"), password + "\n")
            os.chmod(os.path.join(cls.folder, name + ".secret"), 0o600)
            subprocess.run(
                ["mosquitto_passwd", "-b"] + ([] if name != "hall" else ["-c"])
                + [os.path.join(cls.folder, "passwords"), name, password],
                check=True, timeout=20, stdin=subprocess.DEVNULL,
            )  # fmt: skip

    def broker(self, *lines, acl=None):
        more = "".join(line + "\n" for line in lines)
        if acl is not None:
            put(os.path.join(self.folder, "acl"), acl)
            more += "acl_file %s\n" % os.path.join(self.folder, "acl")
        self.world.kill_broker()
        self.world.start_broker(more)

    def account(self, name="hall", mqtt_version="5", password=None):
        secret = os.path.join(self.folder, (password or name) + ".secret")
        return self.site_with(("mqtt: 5 }", 'mqtt: %s, username: %s, password_file: "%s" }' % (mqtt_version, name, secret)))

    def passwords(self):
        return "password_file " + os.path.join(self.folder, "passwords")

    def test_accounts(self):
        self.broker("allow_anonymous false", self.passwords())
        look = self.look("--wait", "1", site=self.account())
        self.one(look, "broker", "ok", "takes the daemon's account")
        self.one(look, "access list", "ok")
        self.one(look, "strangers", "ok", "isn't let in")
        look = self.look("--wait", "1", site=self.account("hall", password="phone"))
        self.one(look, "broker", "fail", "refused the connection", "password_file")
        self.assertEqual(look.of("access list"), [])
        look = self.look("--wait", "1", site=self.account("hall", password="nowhere"))
        self.one(look, "broker", "fail", "nowhere.secret", "--credentials")

    def test_credentials(self):
        self.broker("allow_anonymous false", self.passwords())
        site = self.site_with(("mqtt: 5 }", 'mqtt: 5, username: hall, password_file: "${CREDENTIALS_DIRECTORY}/hall.secret" }'))
        self.one(self.look("--wait", "1", "--credentials", self.folder, site=site), "broker", "ok")
        self.one(self.look("--wait", "1", site=site, CREDENTIALS_DIRECTORY=self.folder), "broker", "ok")

    def test_access_lists(self):
        full = "user hall\ntopic readwrite homie/5/#\ntopic read glass/#\n"
        own = "user hall\ntopic readwrite homie/5/tern-hall/#\ntopic readwrite homie/5/tern-hall-basil-bench/#\n"
        wall = "topic readwrite homie/5/tern-hall-lettuce-wall/#\n"
        head = "topic read homie/5/west/#\ntopic write homie/5/west/chain/claim/set\n"
        for version in ("5", "3.1.1"):
            for what, acl, word in (
                ("all it needs", own + wall + head + "topic write homie/5/west/dose/command/set\n", None),
                ("a tank is missing", own + head + "topic write homie/5/west/dose/command/set\n", "lettuce-wall/$log"),
                ("commands are missing", own + wall + head, "homie/5/west/dose/command/set"),
            ):
                with self.subTest(what, version=version):
                    self.broker("allow_anonymous true", self.passwords(), acl=acl)
                    look = self.look("--wait", "1", site=self.account(mqtt_version=version))
                    if word:
                        self.one(look, "access list", "fail", word, "config/mosquitto.acl")
                    else:
                        self.one(look, "access list", "ok")
                    self.one(look, "strangers", "ok", "may not publish")
        self.broker("allow_anonymous true", self.passwords(), acl="topic write homie/5/west/dose/command/set\n" + full)
        text = self.one(self.look("--wait", "1", site=self.account()), "strangers", "warn", "west/dose/command/set")
        self.assertNotIn("request/call", text)

    def test_the_version_of_mqtt(self):
        self.broker("allow_anonymous true")
        old = self.site_with(("mqtt: 5 }", "mqtt: 3.1.1 }"))
        self.one(self.look("--wait", "1", site=old), "mqtt version", "warn", "set broker.mqtt to 5")
        self.assertEqual(self.look("--wait", "1").of("mqtt version"), [])
        with OldBroker(self.world.port) as aged:
            before, after = ":%d" % self.world.port, ":%d" % aged.port
            look = self.look("--wait", "1", "--no-publish", site=self.site_with((before, after)))
            self.one(look, "mqtt version", "fail", "set broker.mqtt to 3.1.1")
            self.assertEqual(look.of("broker")[0]["verdict"], "fail")
            site = self.site_with((before, after), ("mqtt: 5 }", "mqtt: 3.1.1 }"))
            look = self.look("--wait", "1", "--no-publish", site=site)
            self.one(look, "broker", "ok")
            self.one(look, "mqtt version", "ok", "nothing newer")

    def test_addresses(self):
        """One that answers is enough to look on, and the other one is named."""
        self.broker("allow_anonymous true")
        uri = '"mqtt://127.0.0.1:%d"' % self.world.port
        site = self.site_with((uri, '"mqtt://127.0.0.1:%d", %s' % (harness.free_port(), uri)))
        look = self.look("--wait", "1", site=site)
        self.assertEqual([n["verdict"] for n in look.of("broker")], ["fail", "ok"])
        self.one(look, "access list", "ok")

    def test_one_that_never_answers(self):
        """It takes connections and says nothing: the time is bounded all the same."""
        with socket.socket() as mute:
            mute.bind(("127.0.0.1", 0))
            mute.listen(16)
            uri = "mqtt://127.0.0.1:%d" % self.world.port
            site = self.site_with((uri, "mqtt://127.0.0.1:%d" % mute.getsockname()[1]))
            look = self.look("--wait", "1", site=site)
            self.one(look, "broker", "fail")
            self.assertLess(look.took_s, 30)
            tls = self.site_with((uri, "mqtts://127.0.0.1:%d" % mute.getsockname()[1]))
            look = self.look("--wait", "1", site=tls)
            self.assertEqual(look.of("broker")[0]["verdict"], "fail")
            self.assertLess(look.took_s, 30)

    def test_nobody_there(self):
        uri = "mqtt://127.0.0.1:%d" % self.world.port
        site = self.site_with((uri, "mqtt://127.0.0.1:%d" % harness.free_port()))
        look = self.look("--wait", "1", site=site)
        self.one(look, "broker", "fail", "does the broker run")
        self.one(look, "inputs", "warn", "without broker or daemon")

    def test_certificates(self):
        folder, port = self.folder, harness.free_port()
        for name, days in (("ca", 400), ("else", 400), ("soonca", 10)):
            certificates.authority(folder, name, days)
        certificates.member(folder, "good", "ca", 300)
        certificates.member(folder, "soon", "ca", 5)
        certificates.member(folder, "old", "ca", -1)
        certificates.member(folder, "foreign", "else", 300)
        certificates.member(folder, "named", "ca", 300, "DNS:broker.example")
        uri, plain = '"mqtts://127.0.0.1:%d"' % port, '"mqtt://127.0.0.1:%d"' % self.world.port

        def site(more):
            return self.site_with((plain, uri), ("mqtt: 5 }", "mqtt: 5, %s }" % more.format(folder)))

        def serve(name):
            self.broker(
                "allow_anonymous true", "listener %d 127.0.0.1" % port, "cafile %s/ca.pem" % folder,
                "certfile %s/%s.pem" % (folder, name), "keyfile %s/%s.key" % (folder, name),
            )  # fmt: skip

        for name, verdict, word in (
            ("good", "ok", "holds until"),
            ("soon", "warn", "in 4 days"),
            ("old", "fail", "expired on"),
            ("foreign", "fail", "broker.ca_file"),
            ("named", "fail", "must name the broker"),
        ):
            with self.subTest(name):
                serve(name)
                look = self.look("--wait", "1", "--no-publish", site=site("ca_file: {}/ca.pem"))
                self.one(look, "broker's cert.", verdict, word)
                self.one(look, "broker", "fail" if verdict == "fail" else "ok")
                self.one(look, "CA", "ok", "holds until")
        serve("good")
        for more, what, verdict, word in (
            ("ca_file: {0}/soonca.pem", "CA", "warn", "in 9 days"),
            ("ca_file: {0}/nowhere.pem", "CA", "fail", "No such file"),
            ("ca_file: {0}/passwords", "CA", "fail", "no certificate is in it"),
            ("ca_file: {0}/ca.pem, cert_file: {0}/good.pem, key_file: {0}/good.key", "certificate", "ok", "good.pem"),
            ("ca_file: {0}/ca.pem, cert_file: {0}/soon.pem, key_file: {0}/soon.key", "certificate", "warn", "soon.pem"),
            ("ca_file: {0}/ca.pem, cert_file: {0}/old.pem, key_file: {0}/old.key", "certificate", "fail", "expired"),
            ("ca_file: {0}/ca.pem, cert_file: {0}/good.pem, key_file: {0}/soon.key", "key", "fail", "isn't the key"),
        ):
            with self.subTest(more):
                look = self.look("--wait", "1", "--no-publish", site=site(more))
                self.one(look, what, verdict, word)

    def test_exposure(self):
        units = os.path.join(self.folder, "units")
        drop_ins = os.path.join(units, "dosewright.service.d")
        os.makedirs(drop_ins)
        put(os.path.join(units, "dosewright.service"), "[Service]\n")
        self.broker("allow_anonymous true")
        remote = self.site_with(
            ("mqtt://127.0.0.1:%d" % self.world.port, "mqtts://192.0.2.7"), ("mqtt: 5 }", "mqtt: 5 }"), name="remote.yaml"
        )
        for path, address in ((self.world.site_path, "localhost"), (remote, "192.0.2.7")):
            options = ("--wait", "1", "--no-publish", "--units", units)
            with self.subTest(address):
                self.one(self.look(*options, site=path), "exposure", "warn", "--drop-in")
                printed = subprocess.run(
                    [harness.PROGRAM, "doctor", "--drop-in", path], stdout=subprocess.PIPE, timeout=30, check=True,
                ).stdout.decode()  # fmt: skip
                self.assertEqual(
                    [line for line in printed.split("\n") if line and line[0] != "#"],
                    ["[Service]", "IPAddressDeny=any", "IPAddressAllow=" + address],
                )
                drop_in = os.path.join(drop_ins, "broker.conf")
                put(drop_in, printed)
                self.one(self.look(*options, site=path), "exposure", "ok")
                for allow, verdict in (("198.51.100.1", "fail"), ("any", "warn"), ("192.0.2.0/24 localhost", "ok"),
                                       ("192.0.2.8/29", "fail")):  # fmt: skip
                    put(drop_in, printed.replace("Allow=" + address, "Allow=" + allow))
                    self.one(self.look(*options, site=path), "exposure", verdict)
                os.remove(drop_in)

    def test_written_wrong(self):
        for words in ([], ["a", "b"], ["--wait", "0", "a"], ["--wait", "121", "a"], ["--what", "a"]):
            run = subprocess.run([harness.PROGRAM, "doctor"] + words, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                                 timeout=20, check=False)  # fmt: skip
            self.assertEqual(run.returncode, 64, words)
            self.assertIn(b"usage: dosewright doctor", run.stderr)


class OnASmallDisk(Case):
    """A disk with hardly any room, one that is full, one that is read-only: in a mount of our own."""

    @classmethod
    def setUpClass(cls):
        cls.world = harness.World(rig=False)
        cls.addClassCleanup(cls.world.close)
        cls.daemon = cls.world.daemon

    def in_mount(self, size_kb, script):
        """The doctor's answer, run within a tmpfs of that size after a script."""
        below = os.path.join(self.world.folder, "small")
        os.makedirs(below, exist_ok=True)
        site = self.site_with(('dir: "%s"' % self.daemon.journal_dir, 'dir: "%s/journal"' % below))
        shell = 'mount -t tmpfs -o size=%dk none "$1" || exit 77; mkdir "$1/journal"; %s; exec "$2" doctor --json --no-publish "$3"'
        run = subprocess.run(
            ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", shell % (size_kb, script), "sh", below,
             harness.PROGRAM, site],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, timeout=60, check=False,
        )  # fmt: skip
        if run.returncode == 77 or not run.stdout:
            self.skipTest("no user namespace with a tmpfs of its own")
        return next(n for n in json.loads(run.stdout)["lines"] if n["what"] == "disk")

    def test_room(self):
        for size_kb, script, verdict, word in (
            (100000, "true", "ok", "98 MB"),
            (8192, "true", "warn", "make room"),
            (8192, 'head -c 8000000 /dev/zero > "$1/full"', "fail", "nothing is dosed"),
            (100000, 'mount -o remount,ro "$1"', "fail", "read-only"),
            # a week's journal of 50 MB in what has room for three days more
            (80000, 'head -c 52000000 /dev/zero > "$1/journal/journal-%s.jsonl"; head -c 7000000 /dev/zero > "$1/x"'
                    % day(-7), "warn", "days at its pace"),
        ):  # fmt: skip
            with self.subTest(script, size=size_kb):
                line = self.in_mount(size_kb, script)
                self.assertEqual(line["verdict"], verdict, line)
                self.assertIn(word, line["found"] + line.get("remedy", ""))


if __name__ == "__main__":
    harness.main()
