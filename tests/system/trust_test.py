#!/usr/bin/python3
"""The shipped broker configuration, certificates made by the words of docs/security.md, and clients that aren't ours
(paho, mosquitto_pub): who has no rights moves nothing, and nonsense from who has some moves nothing and is counted."""

import json
import os
import re
import ssl
import subprocess
import threading
import time
import unittest

import paho.mqtt.client as mqtt

import harness
import small_site

SITE = "homie/5/tern-hall"
TANK = SITE + "-basil-bench"
HEAD = "homie/5/west"
PASSWORDS = {"rig": "the rig plays heads and probes", "phone": "a phone's own", "lamp": "any light will do"}
SETTABLE = ("setpoint/ec", "setpoint/ph", "setpoint/override-for", "dosing/paused")

# The test's own eyes, and the rig, which is heads and probes at once.
EYES = "\nuser rig\ntopic readwrite #\n"


def shipped(name):
    with open(os.path.join(harness.ROOT, "config", name), encoding="utf-8") as file:
        return file.read()


def certificate_words():
    """The commands that docs/security.md gives."""
    with open(os.path.join(harness.ROOT, "docs", "security.md"), encoding="utf-8") as file:
        (block,) = re.findall(r"^```sh\n(.*?)^```$", file.read(), re.S | re.M)
    return block.replace("DNS:broker.example,IP:192.0.2.7", "IP:127.0.0.1")


STRANGER = (
    "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2"
    " -subj /CN=dosewright -keyout stranger.key -out stranger.pem; "
)
LAMP = (
    "$new -subj /CN=lamp -keyout lamp.key -out lamp.csr; openssl x509 -req -in lamp.csr -CA ca.pem"
    " -CAkey ca.key -CAcreateserial -days 2 -extfile client.ext -out lamp.pem"
)


class World(harness.World):
    """As in harness.py, but with the shipped broker."""

    def run(self, words):
        subprocess.run(
            ["/bin/sh", "-euc", words], check=True, cwd=self.folder, timeout=60, stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def make_files(self):
        self.run(certificate_words() + STRANGER + LAMP)
        for user, password in PASSWORDS.items():
            new = [] if os.path.exists(self.path("passwords")) else ["-c"]
            subprocess.run(
                ["mosquitto_passwd", *new, "-b", self.path("passwords"), user, password], check=True, timeout=30,
                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
        small_site.put(self.path("mosquitto.acl"), shipped("mosquitto.acl") + EYES)
        small_site.put(self.path("rig-password"), PASSWORDS["rig"])
        os.chmod(self.path("rig-password"), 0o600)

    def path(self, name):
        return os.path.join(self.folder, name)

    def start_broker(self, more=None):
        self.password_port, self.tls_port = self.port, harness.free_port()
        self.make_files()
        text = shipped("mosquitto.conf")
        for old, new in (
            ("listener 8883", "listener %d 127.0.0.1" % self.tls_port),
            ("listener 8884", "listener %d 127.0.0.1" % self.password_port),
            ("/etc/mosquitto/tern-hall/", self.folder + "/"), ("/var/lib/mosquitto/", self.folder + "/"),
        ):  # fmt: skip
            if old not in text:
                raise AssertionError("the shipped broker configuration has no '%s' any more" % old)
            text = text.replace(old, new)
        plain, harness.BROKER = harness.BROKER, "user root\n" + text.replace("%", "%%") + "# %d\n"
        try:
            super().start_broker()
        finally:
            harness.BROKER = plain
        self.write_sites()

    def write_sites(self):
        """The rig comes with a password, the daemon with its certificate."""
        with open(self.site_path, encoding="utf-8") as file:
            text = file.read()
        old = 'broker: { uris: ["mqtt://127.0.0.1:%d"], mqtt: 5 }' % self.port
        if old not in text:
            raise AssertionError("the small site's broker is another one")
        line = 'broker: { uris: ["mqtts://127.0.0.1:%d"], mqtt: 5, ca_file: ca.pem, %s }'
        rig = line % (self.password_port, "username: rig, password_file: rig-password")
        daemon = line % (self.tls_port, "cert_file: dosewright.pem, key_file: dosewright.key")
        small_site.put(self.site_path, text.replace(old, daemon))
        small_site.put(self.path("rig.yaml"), text.replace(old, rig))

    def start_rig(self):
        command = [harness.PROGRAM, "rig", "--exact", "--ledger", self.ledger_path] + self.rig_options
        self.rig = self.start("rig", command + [self.path("rig.yaml")], stdin=True)


class Client:
    """A client with a certificate (its name) or a password, that says things and hears what it may."""

    count = 0

    def __init__(self, world, user, certificate=None, password=None, filters=(), version=mqtt.MQTTv5):
        self.heard, self.code = [], None
        self.ready, self.answered = threading.Event(), threading.Event()
        self.filters = filters
        Client.count += 1  # two of one id would throw each other out
        self.client = mqtt.Client(client_id="test-%d" % Client.count, protocol=version)
        files = (world.path(certificate + ".pem"), world.path(certificate + ".key")) if certificate else (None, None)
        self.client.tls_set(world.path("ca.pem"), *files, tls_version=ssl.PROTOCOL_TLS_CLIENT)
        if password is not None:
            self.client.username_pw_set(user, password)
        self.client.on_connect = self.on_connect
        self.client.on_subscribe = lambda *_: self.ready.set()
        self.client.on_message = lambda _c, _d, m: self.heard.append(harness.Message(m))
        self.client.connect("127.0.0.1", world.password_port if password is not None else world.tls_port, 30)
        self.client.loop_start()

    def on_connect(self, client, _data, _flags, code, *_):
        self.code = getattr(code, "value", code)
        if self.code == 0 and self.filters:
            client.subscribe([(f, mqtt.SubscribeOptions(qos=1)) for f in self.filters])
        elif self.code == 0:
            self.ready.set()
        self.answered.set()

    def wait(self):
        if not self.ready.wait(5):
            raise AssertionError("the broker didn't let it in (%s)" % self.code)
        return self

    def say(self, topic, payload, retain=False, qos=1):
        self.client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(5)

    def on(self, topic, since=0):
        return [m for m in self.heard[since:] if m.topic == topic]

    def value(self, topic):
        found = self.on(topic)
        return found[-1].payload if found else None

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


class Trusted(harness.Case):
    @classmethod
    def setUpClass(cls):
        cls.world = World(tanks=("basil-bench",), dose_ml=4)
        cls.addClassCleanup(cls.world.close)
        cls.daemon = cls.world.daemon
        cls.eyes = cls.client("rig", password=PASSWORDS["rig"], filters=("#",)).wait()
        cls.daemon.start()
        harness.wait_until("the site is ready", lambda: cls.eyes.value(SITE + "/$state") == "ready", 40)

    @classmethod
    def client(cls, user, **options):
        client = Client(cls.world, user, **options)
        cls.addClassCleanup(client.close)
        return client

    def refused(self):
        """All that is counted: requests, what couldn't be read, what wasn't what its topic asks for."""
        status = self.daemon.status()
        return status["site"]["refused_messages"] + status["broker"]["unread"] + status["broker"]["ignored"]

    def state_of_all(self):
        tank = self.daemon.tank("basil-bench")
        site = self.daemon.status()["site"]
        return {k: tank[k] for k in ("paused", "service", "bench", "override")}, site["halted"]

    def said_by_head(self, node):
        """A head's beat isn't retained: the first may still be on its way when the site is ready."""
        topic = HEAD + "/chain/" + node
        return harness.wait_until(topic, lambda: self.eyes.value(topic), 20)

    def orders(self):
        """Everything that would move or stop something, or lie about it."""
        roll, claim, beat = (json.loads(self.said_by_head(node)) for node in ("roll", "claim", "beat"))
        command = {
            "id": "forged-1", "by": claim["by"], "reign": claim["reign"], "boot": roll["boot"], "epoch": roll["epoch"],
            "until_ms": beat["up_ms"] + 50000, "action": "dose", "position": 1, "serial": "a1f3", "channel": 1,
            "run_ms": 3000, "ml": 3.0,
        }  # fmt: skip
        request = {"id": "forged-2", "request": "prime", "tank": "basil-bench", "stock": "acid", "ml": 3, "into": "tank"}
        yield from (
            (HEAD + "/dose/command/set", json.dumps(command)),
            (HEAD + "/dose/command/set", json.dumps(dict(command, id="forged-3", action="halt"))),
            (HEAD + "/chain/claim/set", json.dumps(dict(claim, by="forged", reign=claim["reign"] + 1))),
            (HEAD + "/chain/roll", json.dumps(dict(roll, boot="forged"))), (HEAD + "/$state", "lost"),
            (HEAD + "/dose/report", '{"id":"forged-4","boot":"x","state":"done","ran_ms":1,"up_ms":1}'),
            (SITE + "/request/call/set", json.dumps(request)), (SITE + "/site/halt/set", "true"),
            (SITE + "/$state", "lost"), (SITE + "/site/beat", '{"by":"forged","up_ms":1}'),
            (TANK + "/water/ph", "3.1"),
        )  # fmt: skip
        for node, value in zip(SETTABLE, ("2.3", "5.3", "PT72H", "false")):
            yield TANK + "/" + node + "/set", value
        for probe, value in (("ec", "0.1"), ("ph", "8.9"), ("temperature", "21.5")):
            yield "glass/basil-bench/" + probe, value


class Shipped(Trusted):
    def test_01_what_has_rights_works(self):
        """The daemon doses with what the list gives it, and says all that it has to say."""
        self.wait_dose(90, "end")
        harness.wait_until("its outcome", lambda: self.daemon.records("outcome", state="done"), 10)
        for topic in (SITE + "/journal/entry", SITE + "/site/beat", TANK + "/water/ec", TANK + "/$description"):
            harness.wait_until(topic, lambda t=topic: self.eyes.on(t), 10)
        self.assertTrue(self.daemon.status()["broker"]["up"])
        self.assertFalse(self.daemon.status()["broker"]["plain_remote"])
        self.assertTrue(self.daemon.ask("pause", tank="basil-bench", on=True)["ok"])
        self.wait_state("basil-bench", ("paused",), 60)

    def test_02_who_is_not_known_does_not_get_in(self):
        world = self.world
        for options in (
            {"user": "phone", "password": "a guess"}, {"user": "nobody", "password": ""},
            {"user": "dosewright", "password": ""},  # has a certificate, and no password
        ):  # fmt: skip
            try:
                client = Client(world, **options)
            except (ssl.SSLError, OSError):
                continue
            client.answered.wait(3)
            self.assertNotEqual(client.code, 0, options)
            client.close()
        for words in (("--cert", "stranger.pem", "--key", "stranger.key"), ()):
            self.assertNotEqual(self.publish("x", "x", *words, port=world.tls_port), 0)
        # nor does a client of ours believe a broker of another authority
        run = subprocess.run(
            [harness.PROGRAM, "call", "--broker", "mqtts://127.0.0.1:%d" % world.tls_port, "--at", "tern-hall", "--ca",
             "stranger.pem", "--cert", "glass.pem", "--cert-key", "glass.key", "--wait", "4", "halt"],
            cwd=world.folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=30,
            check=False,
        )  # fmt: skip
        self.assertEqual(run.returncode, 69, run.stdout)
        self.assertFalse(self.daemon.status()["site"]["halted"])

    def publish(self, topic, payload, *words, port=None):
        run = subprocess.run(
            ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(port), "--cafile", "ca.pem", "-t", topic, "-m", payload, "-q",
             "1", *words], cwd=self.world.folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL, timeout=30, check=False,
        )  # fmt: skip
        return run.returncode

    def test_03_who_has_no_rights_moves_nothing(self):
        """By both clients, with certificate and with password; and nobody else hears a word of it."""
        tls, plain = self.world.tls_port, self.world.password_port
        by_certificate = self.client("lamp", certificate="lamp", filters=("#",)).wait()
        by_password = self.client("lamp", password=PASSWORDS["lamp"], filters=("#",)).wait()
        before, since, runs = self.state_of_all(), len(self.eyes.heard), len(self.world.runs("start"))
        requests, refused = len(self.daemon.records("request")), self.refused()
        said = set()
        for topic, payload in self.orders():
            said.add((topic, payload))
            for retain in (False, True):
                by_certificate.say(topic, payload, retain)
                by_password.say(topic, payload, retain)
            self.publish(topic, payload, "--cert", "lamp.pem", "--key", "lamp.key", port=tls)
            self.publish(topic, payload, "-u", "lamp", "-P", PASSWORDS["lamp"], "-r", port=plain)
        time.sleep(2)
        heard = [m for m in self.eyes.heard[since:] if (m.topic, m.payload) in said]
        self.assertEqual(heard, [])
        self.assertEqual((by_certificate.heard, by_password.heard), ([], []))
        self.assertEqual(self.state_of_all(), before)
        self.assertEqual(self.world.runs("start")[runs:], [])
        self.assertEqual((len(self.daemon.records("request")), self.refused()), (requests, refused))
        self.assertEqual(self.daemon.records("request", id="forged-2"), [])

    def test_04_nobody_does_what_is_anothers(self):
        """Head, probes and phone: each what its own lines say, and not the others'."""
        parties = {
            "west": self.client("west", certificate="west").wait(),
            "glass": self.client("glass", certificate="glass").wait(),
            "phone": self.client("phone", password=PASSWORDS["phone"]).wait(),
        }
        own = {
            "west": lambda t: t.startswith(HEAD + "/"), "glass": lambda t: t.startswith("glass/"),
            "phone": lambda t: t in [SITE + "/request/call/set", SITE + "/site/halt/set",
                                     TANK + "/dosing/paused/set"] or t.startswith(TANK + "/setpoint/"),
        }  # fmt: skip
        runs = len(self.world.runs("start"))
        for name, client in parties.items():
            before, since = self.state_of_all(), len(self.eyes.heard)
            said = [(t, p) for t, p in self.orders() if not own[name](t)]
            self.assertGreater(len(said), 8)
            for topic, payload in said:
                client.say(topic, payload)
            time.sleep(0.5)
            self.assertEqual([m for m in self.eyes.heard[since:] if (m.topic, m.payload) in said], [], name)
            self.assertEqual(self.state_of_all(), before)
        self.assertEqual(self.world.runs("start")[runs:], [])
        parties["phone"].say(SITE + "/site/halt/set", "true")
        harness.wait_until("the halt", lambda: self.daemon.status()["site"]["halted"], 5)
        parties["phone"].say(SITE + "/site/halt/set", "false")
        harness.wait_until("its end", lambda: not self.daemon.status()["site"]["halted"], 5)

    def test_05_nonsense_from_who_has_rights_moves_nothing_and_is_counted(self):
        phone = self.client("phone", password=PASSWORDS["phone"], filters=(SITE + "/request/answer",)).wait()
        call = SITE + "/request/call/set"
        good = {"id": "once", "request": "pause", "tank": "basil-bench", "on": True}
        phone.say(call, json.dumps(good))
        harness.wait_until("the answer", lambda: phone.heard, 5)
        self.assertTrue(json.loads(phone.heard[-1].payload)["ok"])
        before, runs = self.state_of_all(), len(self.world.runs("start"))
        wanted = '"request":"pause","tank":"basil-bench","on":false'
        prime = '"request":"prime","tank":"basil-bench","stock":"acid","ml":%s,"into":"tank"'
        cases = {
            "duplicated": [(call, json.dumps(dict(good, on=False)), False)] * 3,
            "retained": [(call, '{"id":"kept",%s}' % wanted, True), (TANK + "/dosing/paused/set", "false", True),
                         (TANK + "/setpoint/ph/set", "5.3", True)],
            "oversized": [(call, '{"id":"big",%s,"x":"%s"}' % (wanted, "y" * 4096), False),
                          (TANK + "/dosing/paused/set", "false" + " " * 5000, False)],
            "nested": [(call, '{"id":"deep",%s,"x":%s1%s}' % (wanted, "[" * 8, "]" * 8), False),
                       (call, '{"id":"deeper",%s,"x":%s1%s}' % (wanted, "[" * 900, "]" * 900), False)],
            "not UTF-8": [(call, b'{"id":"odd",%s,"x":"\xff\xfe"}' % wanted.encode(), False),
                          (call, b'{"id":"cut",%s,"x":"\xe2\x82"}' % wanted.encode(), False),
                          (TANK + "/dosing/paused/set", b"\xfffalse", False)],
            "NaN": [(call, '{"id":"nan-%d",%s}' % (n, prime % ml), False) for n, ml in
                    enumerate(("NaN", "Infinity", "-Infinity", "1e999", "nan", '"NaN"', "-1", "0x10", "1e308"))]
                   + [(TANK + "/setpoint/ph/set", word, False) for word in ("NaN", "nan", "inf", "1e999", "", "5,5")][:4],
            "twice in one": [(call, '{"id":"two",%s,"on":true,"on":false}' % wanted[:-11], False)],
        }  # fmt: skip
        for name, messages in cases.items():
            refused = self.refused()
            for topic, payload, retain in messages:
                phone.say(topic, payload, retain)
            harness.wait_until(
                "%s: %d counted" % (name, len(messages)), lambda r=refused, m=messages: self.refused() >= r + len(m), 8
            )
            self.assertEqual(self.state_of_all(), before, name)
        self.assertEqual(self.world.runs("start")[runs:], [])
        for topic in (call, TANK + "/dosing/paused/set", TANK + "/setpoint/ph/set"):
            late = self.client("rig", password=PASSWORDS["rig"], filters=(topic,)).wait()
            time.sleep(0.5)
            self.assertEqual([m.payload for m in late.heard if m.payload], [], "the broker still keeps " + topic)
        self.judge_journal()
        for line in self.daemon.process.log().splitlines():
            self.assertTrue(line.isprintable(), line)

    def test_06_what_is_late_is_not_acted_on_after_a_restart(self):
        """A message that was kept while nobody listened."""
        phone = self.client("phone", password=PASSWORDS["phone"]).wait()
        before = self.state_of_all()
        self.daemon.end()
        phone.say(TANK + "/dosing/paused/set", "false", retain=True)
        phone.say(SITE + "/request/call/set",
                  '{"id":"late","request":"pause","tank":"basil-bench","on":false}', retain=True)  # fmt: skip
        count = len(self.eyes.heard)
        self.daemon.start()
        harness.wait_until(
            "the site is ready", lambda: any(m.payload == "ready" for m in self.eyes.on(SITE + "/$state", count)), 40
        )
        time.sleep(3)
        self.assertEqual(self.state_of_all(), before)
        self.assertEqual(self.daemon.records("request", id="late", ok=True), [])

    def test_07_no_probe_says_what_is_no_number(self):
        glass = self.client("glass", certificate="glass").wait()
        topic = "glass/basil-bench/ph"
        harness.wait_until("a reading", lambda: self.daemon.tank("basil-bench")["ph"]["value"], 20)
        for payload in ("NaN", "-Infinity", "1e999", "9" * 5000, b"\xff\xfe", "[" * 500, "{}", "", "6,1", "0x6", "99"):
            glass.say(topic, payload)
        glass.say(topic, "6.66", retain=True)
        time.sleep(0.5)
        reading = self.daemon.tank("basil-bench")["ph"]["value"]
        self.assertTrue(4 < reading < 9 and abs(reading - 6.66) > 0.001, reading)
        self.eyes.say(topic, "", retain=True)
        self.judge_recorded()
        self.judge_once()


@unittest.skipUnless(os.environ.get("NODE_CLIENT"), "NODE_CLIENT names none: tests/reference/trust/run.sh does")
class NodeClient(Trusted):
    """npm's mqtt, which shares nothing with paho or mosquitto's own clients."""

    def shout(self, port, files, messages, **more):
        order = {
            "url": "mqtts://127.0.0.1:%d" % port, "more": more,
            "files": {k: self.world.path(v) for k, v in dict(files, ca="ca.pem").items()},
            "messages": [dict(topic=t, payload=p, retain=r) for t, p in messages for r in (False, True)],
        }  # fmt: skip
        run = subprocess.run(
            ["node", os.environ["NODE_CLIENT"]], input=json.dumps(order).encode(), stdout=subprocess.PIPE,
            timeout=60, check=True,
        )  # fmt: skip
        return json.loads(run.stdout)

    def test_01_who_has_no_rights_moves_nothing(self):
        tls, plain = self.world.tls_port, self.world.password_port
        before, since, runs = self.state_of_all(), len(self.eyes.heard), len(self.world.runs("start"))
        orders = list(self.orders())
        lamp = {"cert": "lamp.pem", "key": "lamp.key"}
        for said in (self.shout(tls, lamp, orders),
                     self.shout(plain, {}, orders, username="lamp", password=PASSWORDS["lamp"])):  # fmt: skip
            self.assertTrue(said["connected"], said)
            self.assertEqual((said["heard"], said["refused"]), ([], 2 * len(orders)))
        heard = [m for m in self.eyes.heard[since:] if (m.topic, m.payload) in orders]
        self.assertEqual(heard, [])
        self.assertEqual(self.state_of_all(), before)
        own = [r for r in self.world.runs("start")[runs:] if not self.daemon.records("dose", id=r["id"])]
        self.assertEqual(own, [])

    def test_02_who_is_not_known_does_not_get_in(self):
        for port, files, more in (
            (self.world.tls_port, {}, {}),
            (self.world.tls_port, {"cert": "stranger.pem", "key": "stranger.key"}, {}),
            (self.world.password_port, {}, {"username": "phone", "password": "a guess"}),
            (self.world.password_port, {}, {}),
        ):  # fmt: skip
            said = self.shout(port, files, [(SITE + "/site/halt/set", "true")], **more)
            self.assertFalse(said["connected"], said)
        self.assertFalse(self.daemon.status()["site"]["halted"])

    def test_03_who_has_rights_is_heard(self):
        said = self.shout(self.world.password_port, {}, [(SITE + "/site/halt/set", "true")],
                          username="phone", password=PASSWORDS["phone"])  # fmt: skip
        self.assertEqual((said["connected"], said["refused"]), (True, 0))
        harness.wait_until("the halt", lambda: self.daemon.status()["site"]["halted"], 5)
        self.assertIn(SITE + "/site/halt", said["heard"])


class Plain(harness.Case):
    """A plain connection that isn't surely to this machine; 0.0.0.0 is where nobody else answers."""

    def check(self, address, word):
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        own = 'uris: ["mqtt://127.0.0.1:%d"]' % self.world.port
        self.assertIn(own, text)
        path = os.path.join(self.world.folder, "plain.yaml")
        small_site.put(path, text.replace(own, 'uris: ["mqtt://%s:%d"]%s' % (address, self.world.port, word)))
        run = subprocess.run(
            [harness.PROGRAM, "check", path], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, timeout=30, check=False,
        )  # fmt: skip
        return run.returncode, run.stdout.decode()

    def test_it_wants_a_word_and_shows(self):
        code, out = self.check("0.0.0.0", "")
        self.assertEqual(code, 78)
        self.assertIn("insecure_plain", out)
        code, out = self.check("127.0.0.1", ", insecure_plain: true")
        self.assertEqual(code, 0)
        for address, shows in (("127.0.0.1", False), ("0.0.0.0", True)):
            code, out = self.check(address, ", insecure_plain: true")
            self.assertEqual(code, 0)
            self.assertIn("can read along and move pumps", out)
            daemon = harness.Daemon(self.world, os.path.join(self.world.folder, "plain.yaml"), "plain").start()
            harness.wait_until("the broker", lambda d=daemon: (d.status() or {"broker": {"up": 0}})["broker"]["up"], 20)
            self.assertEqual(daemon.status()["broker"]["plain_remote"], shows)
            self.assertEqual("NOT ENCRYPTED" in " ".join(daemon.tool("status")[1].split()), shows)
            daemon.end()


if __name__ == "__main__":
    unittest.main(verbosity=2)
