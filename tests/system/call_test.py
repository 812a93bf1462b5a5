#!/usr/bin/python3
"""Requests over MQTT, asked and heard by a client that isn't ours, in both versions of the protocol."""

import json
import threading
import time
import unittest

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

import harness

SITE = "homie/5/tern-hall"
CALL = SITE + "/request/call/set"
ANSWER = SITE + "/request/answer"
ENTRY = SITE + "/journal/entry"
REPLY = "reply/bench"
ANSWER_BYTES = 512
REFUSALS_RECORDED = 20  # at once; then one every 3 s


class Asker:
    """A client that asks, by MQTT 5 or 3.1.1, and keeps the answers in the order in which they came."""

    def __init__(self, port, version=mqtt.MQTTv5):
        self.heard = []
        self.lock = threading.Lock()
        ready = threading.Event()
        self.client = mqtt.Client(protocol=version)
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.on_message = self._on_message
        self.client.connect("127.0.0.1", port, 30)
        self.client.subscribe([(t, o(1)) for t in (ANSWER, REPLY) for o in (self._options(version),)])
        self.client.loop_start()
        if not ready.wait(5):
            raise AssertionError("the broker didn't take the test's subscription")
        self.number = 0

    @staticmethod
    def _options(version):
        if version == mqtt.MQTTv5:
            return lambda qos: mqtt.SubscribeOptions(qos=qos)
        return lambda qos: qos

    def _on_message(self, _client, _data, message):
        with self.lock:
            self.heard.append(message)

    def say(self, payload, reply=None, correlation=None, retain=False, qos=1):
        if isinstance(payload, dict):
            payload = json.dumps(payload)
        properties = None
        if reply is not None:
            properties = Properties(PacketTypes.PUBLISH)
            properties.ResponseTopic = reply
            if correlation is not None:
                properties.CorrelationData = correlation
        return self.client.publish(CALL, payload, qos=qos, retain=retain, properties=properties)

    def answers(self, name=None, topic=ANSWER):
        with self.lock:
            heard = [m for m in self.heard if m.topic == topic]
        read = [json.loads(m.payload) for m in heard]
        return [a for a in read if name in (None, a["id"])]

    def count(self):
        with self.lock:
            return len(self.heard)

    def ask(self, request, name=None, **members):
        """The answer to a request; a new id unless one is given."""
        self.number += 1
        name = name or "%s-%d" % (self.client._client_id.decode() or "test", self.number)
        before = len(self.answers(name))
        self.say(dict(id=name, request=request, **members))
        return harness.wait_until(
            "the answer to %s" % request, lambda: self.answers(name)[before:], 5
        )[0]

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


class Calls(harness.Case):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.stranger = cls.world.stranger()
        cls.daemon.start()
        cls.stranger.wait_value(SITE + "/$state", "ready", 20)
        cls.asker = cls.new_asker()

    @classmethod
    def new_asker(cls, version=mqtt.MQTTv5):
        asker = Asker(cls.world.port, version)
        cls.addClassCleanup(asker.close)
        return asker

    def paused(self, tank="basil-bench"):
        return self.daemon.tank(tank)["state"] == "paused"

    def refused(self):
        return self.daemon.status()["site"]["refused_messages"]

    def wait_room(self):
        """Until the paces of what is done, recorded and answered are full again."""
        time.sleep(4)

    def test_01_a_request_is_done_answered_and_recorded(self):
        answer = self.asker.ask("pause", "hall-1", tank="basil-bench", on=True)
        self.assertEqual(answer, {"id": "hall-1", "ok": True, "reason": "done", "text": ""})
        self.wait_state("basil-bench", ("paused",), 30)
        record = self.daemon.records("request", id="hall-1")[0]
        self.assertEqual((record["by"], record["request"], record["ok"]), ("mqtt", "pause", True))
        self.assertTrue(self.asker.ask("pause", tank="basil-bench", on=False)["ok"])

    def test_02_the_answer_also_goes_where_mqtt_5_says(self):
        self.asker.say(
            {"id": "hall-2", "request": "pause", "tank": "nowhere", "on": True}, REPLY, b"\x00\xffk"
        )
        harness.wait_until("the answer", lambda: self.asker.answers("hall-2", REPLY), 5)
        self.assertEqual(self.asker.answers("hall-2"), self.asker.answers("hall-2", REPLY))
        reply = next(m for m in self.asker.heard if m.topic == REPLY)
        self.assertEqual(reply.properties.CorrelationData, b"\x00\xffk")
        self.assertFalse(reply.retain)
        answer = json.loads(reply.payload)
        self.assertEqual((answer["ok"], answer["reason"]), (False, "no-such-tank"))
        self.assertIn("basil-bench", answer["text"])

    def test_03_no_answer_goes_where_it_could_be_taken_for_another_word(self):
        before = self.stranger.count()
        for n, topic in enumerate((SITE + "/site/halt/set", "homie/5/west/dose/command/set",
                                   "glass/basil-bench/ec")):  # fmt: skip
            self.asker.say({"id": "away-%d" % n, "request": "claim", "chain": "x"}, topic, b"k")
            harness.wait_until("the answer", lambda: self.asker.answers("away-%d" % n), 5)
        time.sleep(0.5)
        for message in self.stranger.heard(before):
            if '"away-' in message.payload:
                self.assertIn(message.topic, (ANSWER, CALL, ENTRY))

    def test_04_an_id_is_acted_on_once_also_over_a_restart(self):
        asker = self.asker
        self.assertTrue(asker.ask("pause", "once", tank="basil-bench", on=True)["ok"])
        self.assertEqual(asker.ask("pause", "no-1", tank="nowhere", on=True)["reason"], "no-such-tank")
        self.assertTrue(asker.ask("pause", "twice", tank="basil-bench", on=False)["ok"])
        for restart in (False, True):
            if restart:
                self.daemon.kill()
                count = self.stranger.count()
                self.daemon.start()
                harness.wait_until(
                    "the site is ready again",
                    lambda: any(m.payload == "ready" for m in
                                self.stranger.heard(count, SITE + "/$state")), 40,
                )  # fmt: skip
            again = asker.ask("pause", "once", tank="basil-bench", on=True)
            self.assertEqual((again["ok"], again["reason"]), (True, "duplicate"))
            self.assertIn("done", again["text"])
            again = asker.ask("pause", "no-1", tank="basil-bench", on=True)
            self.assertEqual((again["ok"], again["reason"]), (False, "duplicate"))
            self.assertIn("no-such-tank", again["text"])
            time.sleep(0.5)
            self.assertFalse(self.paused())
        self.assertEqual(len(self.daemon.records("request", id="once", ok=True)), 1)
        self.assertEqual(len(self.daemon.records("request", id="once", reason="duplicate")), 2)

    def test_05_a_retained_call_is_never_acted_on_but_for_a_halt(self):
        self.asker.say({"id": "old-1", "request": "pause", "tank": "basil-bench", "on": True},
                       retain=True)  # fmt: skip
        harness.wait_until("the answer", lambda: self.asker.answers("old-1"), 5)
        self.assertEqual(self.asker.answers("old-1")[0]["reason"], "retained")
        self.assertFalse(self.paused())
        self.assertEqual(len(self.daemon.records("request", id="old-1", reason="retained")), 1)
        kept = self.world.stranger(CALL)
        time.sleep(1)
        self.assertIn(kept.value(CALL), (None, ""), "the broker still keeps it")
        self.asker.say({"id": "old-2", "request": "halt", "on": True}, retain=True)
        self.stranger.wait_value(SITE + "/site/halt", "true", 5)
        self.assertTrue(self.asker.answers("old-2")[0]["ok"])
        self.assertTrue(self.asker.ask("halt", on=False)["ok"])
        self.stranger.wait_value(SITE + "/site/halt", "false", 5)

    def test_06_what_is_malformed_moves_nothing(self):
        before, asker = self.refused(), self.asker
        count = asker.count()
        for payload in (
            b"", b"halt", b"{", b"[]", b"{}", b"\xff\xfe", b'{"id":"m-0","request":"pause"',
            b'{"request":"pause","tank":"basil-bench","on":true}',
            b'{"id":"m 1","request":"pause","tank":"basil-bench","on":true}',
            b'{"id":"m-1","request":"pause","tank":"basil-bench","on":true,"on":true}',
            b'{"id":"m-1","request":"pause","tank":"basil-bench","on":true,"x":NaN}',
            b'{"id":"m-1","request":"pause","tank":"basil-bench","on":true,"x":"\\u0000"}',
            b'{"id":"m-1","request":"pause","tank":"basil-bench","on":true,"x":[[[[[[[[]]]]]]]]}',
            b'{"id":"m-1","request":"pause","tank":"basil-bench","on":true,"x":"' + b"y" * 4096 + b'"}',
        ):  # fmt: skip
            asker.say(payload)
        for number, members in enumerate(({}, {"tank": "basil-bench"}, {"tank": 1, "on": True},
                                          {"tank": "basil-bench", "on": "true"})):  # fmt: skip
            asker.say(dict(id="n-%d" % number, request="pause", **members))
        harness.wait_until("the last answer", lambda: asker.answers("n-3"), 5)
        self.assertFalse(self.paused())
        self.assertEqual([a["reason"] for a in asker.answers() if a["id"].startswith("n-")],
                         ["malformed"] * 4)  # fmt: skip
        self.assertEqual(asker.count() - count, 4, "what has no id isn't answered")
        self.assertGreaterEqual(self.refused() - before, 16)

    def test_07_properties_are_set_by_request_too(self):
        self.wait_room()
        asker, base = self.asker, SITE + "-basil-bench/"
        tank = {"tank": "basil-bench"}
        for name, value, shown in (("setpoint/override-for", "PT2H", "PT2H"),
                                   ("setpoint/ph", 6.0, "6.00"), ("setpoint/ec", 1.3, "1.300"),
                                   ("dosing/paused", True, "true"),
                                   ("dosing/paused", False, "false")):  # fmt: skip
            answer = asker.ask("set", property=name, value=value, **tank)
            self.assertTrue(answer["ok"], answer)
            self.stranger.wait_value(base + name, shown, 10)
        answer = asker.ask("set", property="setpoint/ph", value=9, **tank)
        self.assertEqual((answer["ok"], answer["reason"]), (False, "out-of-envelope"))
        answer = asker.ask("set", property="water/ph", value=6, **tank)
        self.assertEqual(answer["reason"], "no-such-property")
        self.assertIn("setpoint/ph", answer["text"])
        self.assertTrue(asker.ask("override-for", minutes=0, **tank)["ok"])
        self.stranger.wait_value(base + "setpoint/ph", "5.80", 10)

    def test_08_old_records_are_shown_again(self):
        self.wait_room()
        on_disk = self.daemon.records()
        first, last = on_disk[4]["seq"], on_disk[20]["seq"]
        before = self.stranger.count()
        answer = self.asker.ask("journal", "again", **{"from": first, "to": last})
        self.assertTrue(answer["ok"], answer)

        def heard():
            entries = [json.loads(m.payload) for m in self.stranger.heard(before, ENTRY)]
            found = [e for e in entries if first <= e["seq"] <= last]
            return found if len(found) == last - first + 1 else None

        self.assertEqual(harness.wait_until("the records", heard, 10), on_disk[4:21])
        answer = self.asker.ask("journal", **{"from": 1, "to": 1001})
        self.assertEqual(answer["reason"], "out-of-range")

    def test_09_what_this_version_cannot_do_it_says(self):
        answer = self.asker.ask("start-schedule", schedule="basil", date="2031-04-02")
        self.assertEqual((answer["ok"], answer["reason"]), (False, "by-configuration"))

    def test_10_a_long_answer_is_cut(self):
        self.asker.ask("pause", tank="x" * 3000, on=True)
        for message in self.asker.heard:
            self.assertLessEqual(len(message.payload), ANSWER_BYTES)

    def test_11_a_client_of_3_1_1_is_served_as_well(self):
        self.wait_room()
        old = self.new_asker(mqtt.MQTTv311)
        self.assertTrue(old.ask("pause", "old-client", tank="lettuce-wall", on=True)["ok"])
        self.wait_state("lettuce-wall", ("paused",), 30)
        self.assertEqual(
            old.ask("pause", "old-client", tank="lettuce-wall", on=False)["reason"], "duplicate"
        )
        self.assertTrue(old.ask("pause", tank="lettuce-wall", on=False)["ok"])

    def test_12_a_flood_starves_nobody(self):
        self.wait_room()
        before = len(self.daemon.records("request"))
        flood = 4000
        start = time.monotonic()
        for number in range(flood):
            self.asker.say({"id": "f-%d" % number, "request": "pause", "tank": "nowhere", "on": True},
                           qos=0)  # fmt: skip
            if number == flood // 2:
                self.stranger.say(SITE + "/site/halt/set", "true")
                halted = time.monotonic()
        self.stranger.wait_value(SITE + "/site/halt", "true", 5)
        self.assertLess(time.monotonic() - halted, 5)
        harness.wait_until("the flood has passed",
                           lambda: self.refused() >= flood, 60)  # fmt: skip
        took = time.monotonic() - start
        recorded = len(self.daemon.records("request")) - before
        self.assertLessEqual(recorded, REFUSALS_RECORDED + took / 3 + 3)
        self.wait_room()
        self.assertTrue(self.asker.ask("halt", "f-end", on=False)["ok"])
        record = self.daemon.records("request", id="f-end")[0]
        told = sum(r.get("unrecorded", 0) for r in self.daemon.records("request"))
        self.assertGreater(told, flood - recorded - 20)
        self.assertTrue(record["ok"])

    def test_13_a_flood_of_good_requests_is_put_off(self):
        self.wait_room()
        for number in range(200):
            self.asker.say({"id": "g-%d" % number, "request": "pause", "tank": "basil-bench",
                            "on": number % 2 == 0}, qos=0)  # fmt: skip
        # Of a burst some answers are lost (QoS 0): the journal knows which it was put off.
        harness.wait_until(
            "one is put off", lambda: self.daemon.records("request", reason="too-many"), 5
        )
        self.assertLess(len(self.daemon.records("request", request="pause", ok=True)), 120)
        late = self.daemon.records("request", reason="too-many")[0]["id"]
        self.wait_room()
        answer = self.asker.ask("pause", late, tank="basil-bench", on=False)
        self.assertEqual((answer["ok"], answer["reason"]), (True, "done"))
        self.judge_journal()


class OldProtocol(harness.Case):
    """The daemon itself speaks 3.1.1."""

    SITE = {"mqtt": "3.1.1"}

    def test_the_answer_comes_on_its_topic(self):
        self.daemon.start()
        stranger = self.world.stranger()
        stranger.wait_value(SITE + "/$state", "ready", 20)
        asker = Asker(self.world.port)
        self.addCleanup(asker.close)
        asker.say({"id": "h-1", "request": "halt", "on": True}, REPLY, b"k")
        harness.wait_until("the answer", lambda: asker.answers("h-1"), 5)
        stranger.wait_value(SITE + "/site/halt", "true", 5)
        again = asker.ask("halt", "h-1", on=True)
        self.assertEqual((again["ok"], again["reason"]), (True, "duplicate"))
        self.assertEqual(asker.answers(topic=REPLY), [])


if __name__ == "__main__":
    unittest.main(verbosity=2)
