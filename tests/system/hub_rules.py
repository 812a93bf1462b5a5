"""A home hub as its documentation has it (home-assistant.io: integrations/mqtt, "Device discovery payload", and the
pages of its MQTT sensor, binary sensor, number, switch, button and event; device and state classes from its
sensor's published list). It reads the documents, refuses what the schema doesn't allow, follows the topics,
renders the templates with the same engine, and can be operated as a person would.

It knows nothing of the daemon: all that it does it has from the documents."""

import json
import re
import threading
import time

import jinja2.sandbox
import paho.mqtt.client as mqtt

TOPIC_PART = re.compile(r"[a-zA-Z0-9_-]+\Z")

TEXT, FLAG, NUMBER, LIST, MAP = str, bool, (int, float), list, dict
COMMON = {
    "platform": TEXT, "unique_id": TEXT, "name": TEXT, "device_class": TEXT, "entity_category": TEXT,
    "enabled_by_default": FLAG, "icon": TEXT, "qos": int, "encoding": TEXT, "json_attributes_topic": TEXT,
    "json_attributes_template": TEXT, "availability": LIST, "availability_mode": TEXT,
}  # fmt: skip
PLATFORMS = {  # members beside the common ones; those that must be there
    "sensor": (
        {"state_topic": TEXT, "value_template": TEXT, "unit_of_measurement": TEXT, "state_class": TEXT,
         "options": LIST, "expire_after": int, "force_update": FLAG, "suggested_display_precision": int},
        {"state_topic"},
    ),
    "binary_sensor": (
        {"state_topic": TEXT, "value_template": TEXT, "payload_on": TEXT, "payload_off": TEXT, "off_delay": int,
         "expire_after": int, "force_update": FLAG},
        {"state_topic"},
    ),
    "number": (
        {"state_topic": TEXT, "command_topic": TEXT, "value_template": TEXT, "command_template": TEXT,
         "min": NUMBER, "max": NUMBER, "step": NUMBER, "mode": TEXT, "unit_of_measurement": TEXT,
         "optimistic": FLAG, "payload_reset": TEXT, "retain": FLAG},
        {"command_topic"},
    ),
    "switch": (
        {"state_topic": TEXT, "command_topic": TEXT, "value_template": TEXT, "payload_on": TEXT,
         "payload_off": TEXT, "state_on": TEXT, "state_off": TEXT, "optimistic": FLAG, "retain": FLAG},
        {"command_topic"},
    ),
    "button": (
        {"command_topic": TEXT, "command_template": TEXT, "payload_press": TEXT, "retain": FLAG},
        {"command_topic"},
    ),
    "event": (
        {"state_topic": TEXT, "value_template": TEXT, "event_types": LIST},
        {"state_topic", "event_types"},
    ),
}  # fmt: skip
DEVICE = {
    "identifiers": LIST, "connections": LIST, "name": TEXT, "manufacturer": TEXT, "model": TEXT, "model_id": TEXT,
    "hw_version": TEXT, "sw_version": TEXT, "serial_number": TEXT, "suggested_area": TEXT, "via_device": TEXT,
    "configuration_url": TEXT,
}  # fmt: skip
ORIGIN = {"name": TEXT, "sw_version": TEXT, "support_url": TEXT}
TOP = {
    "device": MAP, "origin": MAP, "components": MAP, "availability": LIST, "availability_mode": TEXT,
    "state_topic": TEXT, "command_topic": TEXT, "qos": int, "encoding": TEXT,
}  # fmt: skip
# device class: its units (None: no unit), its state classes. Of the published list what concerns water and air.
MEASURES = {
    "conductivity": ({"S/cm", "mS/cm", "µS/cm", "μS/cm"}, {"measurement"}),
    "ph": ({None}, {"measurement"}),
    "temperature": ({"°C", "°F", "K"}, {"measurement"}),
    "humidity": ({"%"}, {"measurement"}),
    "pressure": ({"Pa", "hPa", "kPa", "bar", "cbar", "mbar", "mmHg", "inHg", "psi"}, {"measurement"}),
    "volume_storage": ({"L", "mL", "m³", "gal", "fl. oz.", "ft³", "CCF"}, {"measurement"}),
    "duration": ({"d", "h", "min", "s", "ms"}, {"measurement", "total", "total_increasing"}),
}  # fmt: skip
BINARY_CLASSES = {"problem", "light", "moisture", "running", "safety", "connectivity", "power"}
CATEGORIES = {"config", "diagnostic"}
STATE_MAX = 255  # characters that a state may have


def environment():
    e = jinja2.sandbox.ImmutableSandboxedEnvironment(undefined=jinja2.Undefined)
    e.filters["regex_findall"] = lambda value, find="": re.findall(find, str(value))
    e.filters["tojson"] = json.dumps
    e.globals["now"] = lambda: type("Now", (), {"timestamp": staticmethod(time.time)})
    return e


ENGINE = environment()


def render(template, payload):
    if template is None:
        return payload
    values = {"value": payload}
    try:
        values["value_json"] = json.loads(payload)
    except ValueError:
        pass
    return ENGINE.from_string(template).render(values).strip()


class Wrong(Exception):
    pass


def need(condition, where, text):
    if not condition:
        raise Wrong("%s: %s" % (where, text))


def check_members(what, members, where):
    for name, value in what.items():
        need(name in members, where, "no member %r is known" % name)
        kind = members[name]
        is_flag = isinstance(value, bool) and kind is not FLAG
        need(isinstance(value, kind) and not is_flag, where, "%s is %r" % (name, value))


def check_topic(topic, where, wildcards=False):
    need(0 < len(topic.encode()) <= 65535 and "\0" not in topic, where, "topic %r" % topic)
    parts = topic.split("/")
    for i, part in enumerate(parts):
        if wildcards and (part == "+" or (part == "#" and i == len(parts) - 1)):
            continue
        need("+" not in part and "#" not in part, where, "topic %r" % topic)


def check_availability(entries, where):
    for entry in entries:
        check_members(
            entry,
            {"topic": TEXT, "value_template": TEXT, "payload_available": TEXT, "payload_not_available": TEXT},
            where,
        )
        need("topic" in entry, where, "availability without a topic")
        check_topic(entry["topic"], where, wildcards=True)
        ENGINE.from_string(entry.get("value_template", ""))


def check_component(c, where):
    platform = c.get("platform")
    need(platform in PLATFORMS, where, "platform %r" % platform)
    if len(c) == 1:
        return  # it is to be removed
    members, required = PLATFORMS[platform]
    check_members(c, dict(COMMON, **members), where)
    for name in required | {"unique_id"}:
        need(c.get(name), where, "%s is required" % name)
    for name, value in c.items():
        if name.endswith("_topic"):
            check_topic(value, where, wildcards=name != "command_topic")
        if name.endswith("_template"):
            ENGINE.from_string(value)
    need(c.get("entity_category", "config") in CATEGORIES, where, "entity_category")
    need(c.get("qos", 0) in (0, 1, 2), where, "qos")
    {"sensor": check_sensor, "number": check_number, "binary_sensor": check_binary}.get(
        platform, lambda *_: None
    )(c, where)
    if platform == "event":
        need(c["event_types"] and all(isinstance(e, str) for e in c["event_types"]), where, "event_types")


def check_sensor(c, where):
    kind, unit, state = c.get("device_class"), c.get("unit_of_measurement"), c.get("state_class")
    if "options" in c or kind == "enum":
        need(kind == "enum" and c.get("options"), where, "options go with the device class enum")
        need(unit is None and state is None, where, "an enum has neither unit nor state class")
        need(len(set(c["options"])) == len(c["options"]), where, "an option twice")
        return
    if kind is not None:
        need(kind in MEASURES, where, "device class %r" % kind)
        need(unit in MEASURES[kind][0], where, "%s in %r" % (kind, unit))
        need(state is None or state in MEASURES[kind][1], where, "%s as %s" % (kind, state))
    need(state in (None, "measurement", "total", "total_increasing"), where, "state class %r" % state)


def check_number(c, where):
    kind, least, most = c.get("device_class"), c.get("min", 1), c.get("max", 100)
    need(least < most, where, "min %r, max %r" % (least, most))
    need(c.get("step", 1) >= 0.001, where, "step %r" % c.get("step"))
    need(c.get("mode", "auto") in ("auto", "box", "slider"), where, "mode")
    if kind is not None:
        need(kind in MEASURES, where, "device class %r" % kind)
        need(c.get("unit_of_measurement") in MEASURES[kind][0], where, "unit")


def check_binary(c, where):
    need(c.get("device_class", "problem") in BINARY_CLASSES, where, "device class")


def check_document(document, where):
    check_members(document, TOP, where)
    for name in ("device", "origin", "components"):
        need(name in document, where, "%s is required" % name)
    check_members(document["device"], DEVICE, where)
    need(document["device"].get("identifiers") or document["device"].get("connections"), where, "no identifier")
    check_members(document["origin"], ORIGIN, where)
    need(document["origin"].get("name"), where, "an origin's name is required")
    need(document.get("qos", 0) in (0, 1, 2), where, "qos")
    need(document.get("availability_mode", "latest") in ("all", "any", "latest"), where, "availability_mode")
    check_availability(document.get("availability", []), where)
    need(document["components"], where, "no component")
    for key, component in document["components"].items():
        need(isinstance(component, dict), where, key)
        check_component(component, where + " " + key)


class Entity:
    def __init__(self, key, config, document):
        self.key = key
        self.config = config
        self.document = document
        self.state = None  # unknown
        self.attributes = {}
        self.events = []


class Hub:
    """Discovers, shows states, operates. What it couldn't accept is in 'complaints'."""

    def __init__(self, port, prefix="homeassistant"):
        self.prefix = prefix
        self.lock = threading.RLock()
        self.entities = {}  # (object id, key)
        self.devices = {}  # object id: device
        self.complaints = []
        self.documents = 0
        self.sizes = {}
        self.said = {}  # newest payload of each topic
        self.subscribed = threading.Event()
        self.client = mqtt.Client()
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = lambda *_: self.subscribed.set()
        self.client.on_message = self._on_message
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()
        if not self.subscribed.wait(5):
            raise AssertionError("the broker didn't take the hub's subscription")

    def _on_connect(self, client, *_):
        with self.lock:
            self.said = {}
            topics = {t for e in self.entities.values() for t in topics_of(e)}
        client.subscribe([(self.prefix + "/+/+/config", 1), (self.prefix + "/+/+/+/config", 1)])
        for topic in topics:
            client.subscribe(topic, 1)

    def birth(self):
        self.client.publish(self.prefix + "/status", "online", qos=0).wait_for_publish(5)

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()

    # --- discovery

    def _on_message(self, client, _data, message):
        with self.lock:
            topic, payload = message.topic, message.payload.decode("utf-8")
            if topic.startswith(self.prefix + "/") and topic.endswith("/config"):
                try:
                    self._on_document(client, topic, payload, len(message.payload))
                except (Wrong, ValueError, jinja2.TemplateError) as error:
                    self.complaints.append("%s: %s" % (topic, error))
                return
            self.said[topic] = payload
            for entity in self.entities.values():
                try:
                    self._show(entity, topic, payload, bool(message.retain))
                except (jinja2.TemplateError, ValueError, ArithmeticError) as error:
                    self.complaints.append("%s: %r" % (entity.key, error))

    def _on_document(self, client, topic, payload, size):
        parts = topic[len(self.prefix) + 1 :].split("/")
        need(len(parts) == 3 and parts[0] == "device", topic, "not a device's topic")
        name = parts[1]
        need(TOPIC_PART.match(name), topic, "object id")
        self.documents += 1
        if not payload:
            self.devices.pop(name, None)
            for place in [p for p in self.entities if p[0] == name]:
                del self.entities[place]
            return
        document = json.loads(payload)
        check_document(document, topic)
        self.sizes[name] = size
        self.devices[name] = document["device"]
        fresh = set()
        for key, config in document["components"].items():
            place = (name, key)
            if len(config) == 1:
                self.entities.pop(place, None)
                continue
            taken = [p for p, e in self.entities.items() if e.config["unique_id"] == config["unique_id"]]
            need(taken in ([], [place]), topic, "unique_id %s twice" % config["unique_id"])
            former = self.entities.get(place)
            if former is None or former.config != config:
                entity = Entity(key, config, document)
                fresh |= topics_of(entity)
                self.entities[place] = entity
            else:
                former.document = document
        for wanted in fresh:
            client.subscribe(wanted, 1)  # again, so that what is kept comes once more

    def _show(self, entity, topic, payload, retained):
        c = entity.config
        if payload and mqtt.topic_matches_sub(c.get("json_attributes_topic", ""), topic):
            attributes = json.loads(render(c.get("json_attributes_template"), payload))
            if not isinstance(attributes, dict):
                raise ValueError("attributes %r" % (attributes,))
            entity.attributes = attributes
        if not mqtt.topic_matches_sub(c.get("state_topic", ""), topic):
            return
        if c["platform"] == "event" and retained:
            return
        shown = render(c.get("value_template"), payload)
        if c["platform"] == "event":
            event = json.loads(shown)
            if event["event_type"] not in c["event_types"]:
                raise ValueError("event %r" % shown)
            entity.events.append(event)
        elif not shown:
            return  # "An empty payload is ignored"
        elif c["platform"] in ("switch", "binary_sensor"):
            on, off = c.get("payload_on", "ON"), c.get("payload_off", "OFF")
            if shown not in (on, off):
                raise ValueError("neither %r nor %r: %r" % (on, off, shown))
            entity.state = shown == on
        elif shown == "None":
            entity.state = None
        elif c["platform"] == "number" or "state_class" in c:
            entity.state = float(shown)
            least, most = c.get("min"), c.get("max")
            if c["platform"] == "number" and not least <= entity.state <= most:
                raise ValueError("%r outside %r to %r" % (entity.state, least, most))
        else:
            if len(shown) > STATE_MAX or (c.get("options") and shown not in c["options"]):
                raise ValueError("state %r" % shown)
            entity.state = shown

    # --- what a person sees and does

    def find(self, device, key):
        with self.lock:
            return self.entities.get((device, key))

    def state(self, device, key):
        entity = self.find(device, key)
        return None if entity is None else entity.state

    def available(self, device, key):
        entity = self.find(device, key)
        if entity is None:
            return False
        with self.lock:
            answers = [
                render(a.get("value_template"), self.said.get(a["topic"], "")) == a.get("payload_available", "online")
                for a in entity.document["availability"]
            ]
        need(entity.document["availability_mode"] == "all", key, "availability_mode")
        return all(answers)

    def _command(self, entity, value):
        c = entity.config
        text = c.get("command_template")
        payload = str(value) if text is None else ENGINE.from_string(text).render(value=value)
        qos = c.get("qos", entity.document.get("qos", 0))
        self.client.publish(c["command_topic"], payload, qos=qos, retain=c.get("retain", False)).wait_for_publish(5)
        return payload

    def set_number(self, device, key, value):
        entity = self.find(device, key)
        need(entity.config["min"] <= value <= entity.config["max"], key, "the hub refuses %r" % value)
        return self._command(entity, int(value) if float(value).is_integer() else value)

    def turn(self, device, key, on):
        entity = self.find(device, key)
        c = entity.config
        return self._command(entity, c.get("payload_on", "ON") if on else c.get("payload_off", "OFF"))

    def press(self, device, key):
        entity = self.find(device, key)
        return self._command(entity, entity.config.get("payload_press", "PRESS"))


def topics_of(entity):
    c = entity.config
    found = {c[n] for n in ("state_topic", "json_attributes_topic") if n in c}
    return found | {a["topic"] for a in entity.document.get("availability", [])}
