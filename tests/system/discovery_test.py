"""Discovery for a home hub: an independent client plays the hub from its documentation (hub_rules.py) and
operates the site with nothing but what the documents say."""

import json
import time
import unittest

import homie_rules
import hub_rules
import small_site
from harness import Case, main, wait_until

TANK, OTHER, SITE = "tern-hall-basil-bench", "tern-hall-lettuce-wall", "tern-hall"


class Discovery(Case):
    SITE = {"top": "discovery: home-assistant\n"}

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.hub = hub_rules.Hub(cls.world.port)
        cls.addClassCleanup(cls.hub.close)
        cls.judge = homie_rules.Judge(cls.world.port)
        cls.addClassCleanup(cls.judge.close)
        cls.daemon.start()

    def setUp(self):
        self.wait_there()

    def tearDown(self):
        self.assertEqual(self.hub.complaints, [])

    def write_site(self, **changes):
        small_site.write(self.world.folder, self.world.port, **dict(self.SITE, **changes))

    def wait_there(self, *devices):
        for device in devices or (SITE, TANK):
            wait_until("%s is there" % device, lambda d=device: d in self.hub.devices, 20)
        wait_until("it is available", lambda: self.hub.available(TANK, "dosing_paused"), 20)

    def wait_state(self, device, key, state, timeout_s=15):
        wait_until(
            "%s of %s is %r (it is %r)" % (key, device, state, self.hub.state(device, key)),
            lambda: self.hub.state(device, key) == state,
            timeout_s,
        )

    def wait_entity(self, device, key, there=True, timeout_s=20):
        wait_until(
            "%s of %s is %s" % (key, device, "there" if there else "gone"),
            lambda: (self.hub.find(device, key) is not None) == there,
            timeout_s,
        )

    def kept(self, domain="homeassistant"):
        """Documents that the broker keeps, by a client that has just come."""
        stranger = self.world.stranger(domain + "/#")
        time.sleep(0.5)
        found = {m.topic.split("/")[2]: m.payload for m in stranger.heard() if m.payload}
        stranger.close()
        self.world.strangers.remove(stranger)
        return found

    # --- the documents

    def test_01_everything_is_shown(self):
        for key in ("water_ec", "water_ph", "water_temperature"):
            wait_until("%s has a value" % key, lambda k=key: isinstance(self.hub.state(TANK, k), float), 20)
        expected = {
            "water_ec": ("sensor", "conductivity", "mS/cm", "measurement"),
            "water_ph": ("sensor", "ph", None, "measurement"),
            "water_temperature": ("sensor", "temperature", "°C", "measurement"),
            "water_ec-quality": ("sensor", "enum", None, None),
            "setpoint_ec": ("number", "conductivity", "mS/cm", None),
            "setpoint_ph": ("number", "ph", None, None),
            "setpoint_override-for": ("number", "duration", "min", None),
            "dosing_paused": ("switch", None, None, None),
            "dosing_state": ("sensor", "enum", None, None),
            "dosing_held": ("binary_sensor", "problem", None, None),
            "dosing_day-ml": ("sensor", None, "mL", "measurement"),
            "stock-leaf-a_remaining": ("sensor", "volume_storage", "L", "measurement"),
        }
        for key, (platform, kind, unit, state) in expected.items():
            c = self.hub.find(TANK, key).config
            got = tuple(c.get(n) for n in ("platform", "device_class", "unit_of_measurement", "state_class"))
            self.assertEqual(got, (platform, kind, unit, state), key)
        ec = self.hub.find(TANK, "setpoint_ec").config
        self.assertEqual((ec["min"], ec["max"], ec["step"]), (0.4, 2.4, 0.01))
        self.assertEqual(self.hub.find(TANK, "setpoint_override-for").config["max"], 24 * 60)
        self.assertEqual(self.hub.state(TANK, "setpoint_override-for"), 8 * 60)
        self.assertEqual(self.hub.find(SITE, "site_halt").config["platform"], "switch")
        self.assertFalse(self.hub.state(SITE, "site_halt"))
        self.assertFalse(self.hub.state(SITE, "site_config"))
        self.assertEqual(self.hub.devices[TANK]["via_device"], SITE)
        self.assertLess(max(self.hub.sizes.values()), 32 * 1024)
        self.assertEqual({json.loads(d)["origin"]["name"] for d in self.kept().values()}, {"dosewright"})

    def test_02_the_topics_are_homies_and_no_others(self):
        self.wait_entity(OTHER, "water_temperature")
        time.sleep(2)
        with self.hub.lock:
            entities = dict(self.hub.entities)
        described = {}
        for device, document in self.judge.document.items():
            for name, p in homie_rules.properties_of(document):
                described["homie/5/%s/%s" % (device, name)] = p
        for (device, key), entity in entities.items():
            for name in ("state_topic", "json_attributes_topic"):
                topic = entity.config.get(name)
                if topic and "/$alert/" not in topic:
                    self.assertIn(topic, described, key)
                    self.assertTrue(topic.startswith("homie/5/%s/" % device), key)
            topic = entity.config.get("command_topic")
            if topic:
                self.assertTrue(topic.endswith("/set"), topic)
                self.assertTrue(described[topic[: -len("/set")]]["settable"], topic)
            self.assertFalse(entity.config.get("retain", False), "sets are never retained")
        shown = {e.config.get("state_topic") for e in entities.values()}
        for topic, p in described.items():
            if p["datatype"] != "json" and "/west/" not in topic:
                self.assertIn(topic, shown, "Homie has it, the hub hasn't")

    # --- operated by the hub

    def test_03_a_setpoint(self):
        self.assertEqual(self.hub.set_number(TANK, "setpoint_ec", 1.5), "1.5")
        self.wait_state(TANK, "setpoint_ec", 1.5)
        self.wait_state(TANK, "setpoint_source", "override")
        self.assertEqual(self.hub.set_number(TANK, "setpoint_ph", 6), "6")
        self.wait_state(TANK, "setpoint_ph", 6.0)
        self.assertEqual(self.hub.set_number(TANK, "setpoint_override-for", 150), "PT150M")
        self.wait_state(TANK, "setpoint_override-for", 150.0)
        self.hub.set_number(TANK, "setpoint_override-for", 0)
        self.wait_state(TANK, "setpoint_source", "schedule")
        self.wait_state(TANK, "setpoint_ec", 1.2)
        self.assertEqual(self.hub.state(TANK, "setpoint_override-for"), 150.0)

    def test_04_pause_and_halt(self):
        self.hub.turn(TANK, "dosing_paused", True)
        self.wait_state(TANK, "dosing_paused", True)
        self.wait_state(TANK, "dosing_state", "paused", 60)
        self.assertTrue(self.daemon.tank("basil-bench")["paused"])
        self.hub.turn(TANK, "dosing_paused", False)
        self.wait_state(TANK, "dosing_paused", False)
        self.hub.turn(SITE, "site_halt", True)
        self.wait_state(SITE, "site_halt", True)
        self.wait_state(TANK, "dosing_state", "halted")
        self.wait_state(TANK, "dosing_held", True)
        self.hub.turn(SITE, "site_halt", False)
        self.wait_state(SITE, "site_halt", False)
        self.wait_state(TANK, "dosing_held", False, 60)

    def test_05_an_alert_comes_is_acknowledged_and_goes(self):
        key = "alert_low-leaf-a"
        self.assertTrue(self.daemon.ask("refilled", stock="leaf-a", ml=20)["ok"])
        self.wait_entity(SITE, key)
        self.wait_state(SITE, key, True)
        wait_until("it says why", lambda: "leaf-a" in self.hub.find(SITE, key).attributes.get("text", ""), 5)
        events = self.hub.find(SITE, "alerts").events
        wait_until("the event", lambda: [e["event_type"] for e in events] == ["raised"], 5)
        self.assertIn("leaf-a", events[0]["text"])
        first = json.loads(self.hub.press(SITE, key + "_acknowledge"))
        self.assertEqual((first["request"], first["alert"]), ("acknowledge", "low-leaf-a"))
        wait_until("it was acknowledged", lambda: self.daemon.records("request", id=first["id"], ok=True), 10)
        self.wait_entity(SITE, key, there=False)
        self.wait_entity(SITE, key + "_acknowledge", there=False)
        self.assertIsNotNone(self.hub.find(SITE, "site_halt"))
        wait_until("over", lambda: [e["event_type"] for e in events] == ["raised", "over"], 5)
        wait_until("the kept document doesn't know it", lambda: key not in self.kept()[SITE], 10)
        self.assertTrue(self.daemon.ask("refilled", stock="leaf-a")["ok"])

    # --- hub, broker and configuration come and go

    def test_06_a_hub_that_starts_anew(self):
        late = hub_rules.Hub(self.world.port)
        self.addCleanup(late.close)
        wait_until("what is kept", lambda: set(late.devices) == {SITE, TANK, OTHER}, 10)
        time.sleep(6)  # one answer in five seconds
        before = late.documents
        late.birth()
        wait_until("it is told anew", lambda: late.documents >= before + 3, 10)
        for _ in range(20):
            late.birth()
        time.sleep(3)
        self.assertLessEqual(late.documents, before + 6, "births are answered once in a while")
        wait_until("values", lambda: late.state(TANK, "water_ec") is not None, 10)
        self.assertEqual(late.complaints, [])

    def test_07_the_broker_starts_anew(self):
        self.world.kill_broker()
        with self.hub.lock:
            self.hub.devices.clear()
            self.hub.entities.clear()
        self.world.start_broker()
        self.wait_there(SITE, TANK, OTHER)
        wait_until("values", lambda: self.hub.state(TANK, "water_ec") is not None, 40)
        self.hub.set_number(TANK, "setpoint_ec", 1.4)
        self.wait_state(TANK, "setpoint_ec", 1.4)
        self.hub.set_number(TANK, "setpoint_override-for", 0)
        self.wait_state(TANK, "setpoint_ec", 1.2)

    def test_08_a_tank_is_renamed_and_a_stock_goes(self):
        self.write_site(tanks=("basil-bench", "mint-wall"))
        self.daemon.reload_done()
        self.wait_there("tern-hall-mint-wall")
        wait_until("the old one is gone", lambda: OTHER not in self.hub.devices, 20)
        self.assertEqual(set(self.kept()), {SITE, TANK, "tern-hall-mint-wall"})
        self.assertFalse([p for p in self.hub.entities if p[0] == OTHER])
        self.write_site(without={"basil-bench": "leaf-b", "lettuce-wall": ""})
        self.daemon.reload_done()
        self.wait_there(OTHER)
        self.wait_entity(TANK, "stock-leaf-b_remaining", there=False)
        self.wait_entity(TANK, "stock-leaf-a_remaining")
        wait_until("the kept document is whole", lambda: '"stock-leaf-b_remaining"' not in self.kept()[TANK], 10)
        self.write_site()
        self.daemon.reload_done()
        self.wait_entity(TANK, "stock-leaf-b_remaining")

    def test_09_the_daemon_ends_and_dies(self):
        self.daemon.end()
        wait_until("not available", lambda: not self.hub.available(TANK, "water_ec"), 10)
        self.assertIn(TANK, self.hub.devices)
        self.daemon.start()
        self.wait_there()
        self.daemon.kill()
        wait_until("not available", lambda: not self.hub.available(TANK, "water_ec"), 30)
        self.daemon.start()
        self.wait_there()

    def test_10_another_prefix_then_off(self):
        far = hub_rules.Hub(self.world.port, "hall")
        self.addCleanup(far.close)
        self.write_site(top="discovery: home-assistant\ndiscovery_prefix: hall\n")
        self.daemon.reload_done()
        wait_until("it is told there", lambda: set(far.devices) == {SITE, TANK, OTHER}, 20)
        wait_until("and not here", lambda: not self.hub.devices and not self.hub.entities, 20)
        self.write_site(top="")
        self.daemon.reload_done()
        wait_until("nor there", lambda: not far.devices, 20)
        self.assertEqual((self.kept(), self.kept("hall")), ({}, {}))
        self.assertEqual(far.complaints, [])
        self.write_site()
        self.daemon.reload_done()
        self.wait_there(SITE, TANK, OTHER)

    def test_11_off_and_a_tank_less_while_the_daemon_was_off(self):
        self.daemon.end()
        self.write_site(tanks=("basil-bench",), top="")
        self.daemon.start()
        wait_until("nothing is left", lambda: not self.hub.devices, 30)
        self.assertEqual(self.kept(), {})
        wait_until("the journal knows", lambda: self.daemon.records("announced", prefix=""), 20)
        self.write_site()
        self.daemon.reload_done()
        self.wait_there(SITE, TANK, OTHER)
        self.judge_journal()


class TheHub(unittest.TestCase):
    """The hub can say no."""

    def test_it_refuses_what_the_schema_refuses(self):
        good = {
            "device": {"identifiers": ["a"]}, "origin": {"name": "x"},
            "availability": [{"topic": "a/b"}], "availability_mode": "all",
            "components": {"c": {"platform": "sensor", "unique_id": "u", "state_topic": "t", "device_class": "ph"}},
        }  # fmt: skip
        hub_rules.check_document(good, "")

        def bad(path, value):
            document = json.loads(json.dumps(good))
            place = document
            for name in path[:-1]:
                place = place[name]
            if value is None:
                del place[path[-1]]
            else:
                place[path[-1]] = value
            with self.assertRaises((hub_rules.Wrong, Exception), msg="%s %r" % (path, value)):
                hub_rules.check_document(document, "")

        number = {"platform": "number", "unique_id": "u", "command_topic": "t", "min": 0, "max": 1, "step": 1}
        bad(["device"], None)
        bad(["origin"], None)
        bad(["origin", "name"], None)
        bad(["device", "identifiers"], [])
        bad(["availability", 0, "topic"], None)
        bad(["availability_mode"], "some")
        bad(["components"], {})
        bad(["components", "c", "unique_id"], None)
        bad(["components", "c", "state_topic"], None)
        bad(["components", "c", "state_topik"], "x")
        bad(["components", "c", "platform"], "thermometer")
        bad(["components", "c", "unit_of_measurement"], "pH")
        bad(["components", "c", "state_class"], "total")
        bad(["components", "c", "options"], ["a"])
        bad(["components", "c", "value_template"], "{{ value")
        bad(["components", "c"], dict(number, min=2))
        bad(["components", "c"], dict(number, step=0))
        bad(["components", "c"], dict(number, command_topic="a/+"))
        bad(["components", "c"], dict(number, max="1"))


if __name__ == "__main__":
    main()
