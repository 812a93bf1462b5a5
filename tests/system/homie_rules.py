"""The Homie convention, version 5, as a judge: a stranger on the broker who knows nothing but the convention's
text (github.com/homieiot/convention, convention.md). It listens to everything, and each rule that it finds
broken is named by the section that has it.

An MQTT 5 client that asks for retain-as-published sees how a message was published: with which flag and QoS,
not only how the broker hands it on."""

import json
import re
import threading
import time
import unicodedata

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

ID = re.compile(r"[a-z0-9-]+\Z")
INTEGER = re.compile(r"-?[0-9]+\Z")
FLOAT = re.compile(r"-?[0-9]+(\.[0-9]+)?([eE]-?[0-9]+)?\Z")
DURATION = re.compile(r"PT(?=[0-9])([0-9]+H)?([0-9]+M)?([0-9]+S)?\Z")
DATETIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?(Z|[+-][0-9]{2}:[0-9]{2})?\Z")
DATATYPES = ("integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json")
STATES = ("init", "ready", "disconnected", "sleeping", "lost")
LEVELS = ("debug", "info", "warn", "error", "fatal")
UNITS = (
    "°C", "°F", "°", "L", "gal", "V", "W", "kW", "kWh", "A", "Hz", "rpm", "%", "m", "m³", "ft", "m/s", "kn",
    "Pa", "psi", "ppm", "s", "min", "h", "lx", "K", "MK⁻¹", "#",
)  # fmt: skip

# members of the documents: type, and whether it must be there
DEVICE = {
    "homie": (str, True), "version": (int, True), "nodes": (dict, False), "name": (str, False),
    "type": (str, False), "children": (list, False), "root": (str, False), "parent": (str, False),
    "extensions": (list, False),
}  # fmt: skip
NODE = {"name": (str, False), "type": (str, False), "properties": (dict, False)}
PROPERTY = {
    "name": (str, False), "datatype": (str, True), "format": (str, False), "settable": (bool, False),
    "retained": (bool, False), "unit": (str, False),
}  # fmt: skip


class Heard:
    def __init__(self, message):
        self.topic = message.topic
        self.payload = message.payload
        self.retain = bool(message.retain)
        self.qos = message.qos


class Judge:
    """Listens from its start; 'breaches' are the rules that were broken so far."""

    def __init__(self, port, domain="homie"):
        self.domain = domain
        self.lock = threading.Lock()
        self.breaches = []
        self.kept = {}  # what the broker keeps, by what was published
        self.state = {}
        self.states = {}  # each device's states in their order
        self.document = {}
        self.versions = {}
        self.gone = set()  # removed: their state is empty
        self.log = []  # what was said on $log
        self.live = False
        ready = threading.Event()
        self.client = mqtt.Client(protocol=mqtt.MQTTv5)
        options = SubscribeOptions(qos=2, retainAsPublished=True)
        self.client.on_connect = lambda c, *_: c.subscribe("#", options=options)
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.on_message = self._on_message
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()
        if not ready.wait(5):
            raise AssertionError("the broker didn't take the judge's subscription")
        time.sleep(0.5)
        self.live = True

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()

    def say(self, topic, payload, qos=1, retain=False, expiry_s=None):
        properties = None
        if expiry_s:
            properties = Properties(PacketTypes.PUBLISH)
            properties.MessageExpiryInterval = expiry_s
        self.client.publish(topic, payload, qos=qos, retain=retain, properties=properties).wait_for_publish(5)

    def value(self, topic):
        with self.lock:
            payload = self.kept.get(self.domain + "/5/" + topic)
        return None if payload is None else payload.decode("utf-8")

    def devices(self):
        with self.lock:
            return dict(self.state)

    def _on_message(self, _client, _data, message):
        with self.lock:
            try:
                self._hear(Heard(message))
            except Exception as error:  # a judge that falls over must not look content
                self.breaches.append(("the judge", message.topic, repr(error)))

    def _breach(self, rule, where, text):
        self.breaches.append((rule, where, text))

    # --- message by message

    def _hear(self, m):
        start = self.domain + "/5/"
        if not m.topic.startswith(start):
            return
        levels = m.topic[len(start) :].split("/")
        if levels[0] == "$broadcast":
            if m.retain:
                self._breach("Broadcast Topic", m.topic, "retained")
            return
        former = self.kept.get(m.topic)
        if m.retain:
            if m.payload:
                self.kept[m.topic] = m.payload
            else:
                self.kept.pop(m.topic, None)
        self._topic_ids(m, levels)
        if not self._is_text(m):
            return
        device, rest = levels[0], levels[1:]
        if rest == ["$state"]:
            self._on_state(device, m)
        elif rest == ["$description"]:
            self._on_description(device, m, former)
        elif rest[:1] == ["$log"]:
            self._on_log(m, rest)
        elif rest[:1] == ["$alert"]:
            self._on_alert(m, rest)
        elif len(rest) == 3 and rest[2] == "set":
            self._on_set(m, device, rest)
        elif len(rest) == 2 or (len(rest) == 3 and rest[2] == "$target"):
            self._on_value(m, device, rest)
        else:
            self._breach("Topology and structure", m.topic, "no such topic in the convention")

    def _topic_ids(self, m, levels):
        for level in levels:
            name = level[1:] if level.startswith("$") else level
            if not ID.match(name):
                self._breach("Topic IDs", m.topic, "%r: only a-z, 0-9 and '-'" % level)

    def _is_text(self, m):
        try:
            m.payload.decode("utf-8")
        except UnicodeDecodeError:
            self._breach("Payloads", m.topic, "not UTF-8")
            return False
        if m.payload.startswith(b"\xef\xbb\xbf"):
            self._breach("Payloads", m.topic, "a byte order mark")
        return True

    def _must_be_kept(self, m):
        if not m.retain:
            self._breach("QoS and retained messages", m.topic, "must be retained")
        if m.qos == 0:
            self._breach("QoS choices explained", m.topic, "QoS 0 for what is retained: 1 or 2 in the whole network")

    def _on_state(self, device, m):
        self._must_be_kept(m)
        word = m.payload.decode()
        if not word:
            self.state.pop(device, None)
            self.gone.add(device)
            return
        if word not in STATES:
            self._breach("Device Lifecycle", m.topic, "%r is no state" % word)
            return
        self.gone.discard(device)
        self.state[device] = word
        self.states.setdefault(device, []).append(word)
        if word == "ready" and self.live:
            self._complete(device, m.topic)

    def _complete(self, device, where):
        """Device Lifecycle, 'ready': all messages about attributes and values have been sent."""
        document = self.document.get(device)
        if document is None:
            self._breach("Device Lifecycle", where, "ready without a $description")
            return
        for name, p in properties_of(document):
            topic = "%s/5/%s/%s" % (self.domain, device, name)
            if p.get("retained", True) and topic not in self.kept:
                self._breach("Device Lifecycle", topic, "ready, but this value was not sent")

    def _on_description(self, device, m, former):
        self._must_be_kept(m)
        if not m.payload:
            self.document.pop(device, None)
            if device not in self.gone:
                self._breach("Device Lifecycle", m.topic, "removed before $state was")
            return
        try:
            document = json.loads(m.payload, object_pairs_hook=no_twins)
        except ValueError as error:
            self._breach("Device Attributes", m.topic, "no JSON: %s" % error)
            return
        if self.live and former is not None and former != m.payload:
            if self.state.get(device) not in ("init", "disconnected", "lost"):
                self._breach("Device Attributes", m.topic, "changed while %s" % self.state.get(device))
            if document.get("version", 0) <= self.versions.get(device, -1):
                self._breach("Device Attributes", m.topic, "changed without a higher version")
        self.document[device] = document
        self.versions[device] = document.get("version", 0)
        self._document(device, document, m.topic)

    def _on_log(self, m, rest):
        if m.retain:
            self._breach("Logging", m.topic, "retained")
        if len(rest) != 2 or rest[1] not in LEVELS:
            self._breach("Logging", m.topic, "levels are %s, without sub-topics" % ", ".join(LEVELS))
        self.log.append((m.topic, m.payload.decode()))

    def _on_alert(self, m, rest):
        self._must_be_kept(m)
        if len(rest) != 2 or not ID.match(rest[1]):
            self._breach("Alert topic", m.topic, "$alert/[alert ID]")

    def _property(self, device, rest):
        document = self.document.get(device, {})
        return document.get("nodes", {}).get(rest[0], {}).get("properties", {}).get(rest[1])

    def _on_set(self, m, device, rest):
        if m.retain and m.payload:
            self._breach("Property command topic", m.topic, "a set message was retained")
        p = self._property(device, rest)
        if p is None or not p.get("settable", False):
            return  # a stranger may publish what he likes
        if not p.get("retained", True) and m.qos != 0:
            pass  # "should", and our own requests want an answer

    def _on_value(self, m, device, rest):
        p = self._property(device, rest)
        if not m.payload:
            if not m.retain:
                self._breach("Empty string values", m.topic, "an empty message that isn't a removal")
            return
        if p is None:
            if self.state.get(device) not in (None, "init"):
                self._breach("Properties", m.topic, "a value that isn't in the description")
            return
        if p.get("retained", True):
            self._must_be_kept(m)
        else:
            if m.retain:
                self._breach("QoS and retained messages", m.topic, "this property isn't retained")
            if m.qos != 0:
                self._breach("QoS and retained messages", m.topic, "QoS %d for what isn't retained" % m.qos)
        wrong = wrong_payload(p, m.payload.decode())
        if wrong:
            self._breach("Payloads", m.topic, "%s: %r" % (wrong, m.payload[:80]))

    # --- documents

    def _members(self, what, members, where):
        """Types, required ones, no null. Unknown members must be ignored (Forward compatibility)."""
        for key, (kind, required) in members.items():
            if key not in what:
                if required:
                    self._breach("Device Attributes", where, "'%s' is required" % key)
                continue
            value = what[key]
            if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
                self._breach("Device Attributes", where, "'%s': %r is no %s" % (key, value, kind.__name__))

    def _document(self, device, d, where):
        self._members(d, DEVICE, where)
        if not re.match(r"5\.[0-9]+\Z", str(d.get("homie"))):
            self._breach("Device Attributes", where, "homie: %r, not 5.x" % d.get("homie"))
        if "parent" in d and "root" not in d:
            self._breach("Device hierarchy", where, "a parent, but no root")
        if d.get("root") == device:
            self._breach("Device hierarchy", where, "its own root: it must be omitted there")
        for child in d.get("children", []):
            if not isinstance(child, str) or not ID.match(child):
                self._breach("Topic IDs", where, "child %r" % child)
        if len(set(d.get("children", []))) != len(d.get("children", [])):
            self._breach("Device hierarchy", where, "a child twice")
        for extension in d.get("extensions", []):
            if not isinstance(extension, str) or not re.match(r"[a-z0-9-]+(\.[a-z0-9-]+)+(:.*)?\Z", extension):
                self._breach("Extensions", where, "%r" % extension)
        for node, n in d.get("nodes", {}).items():
            if not ID.match(node):
                self._breach("Topic IDs", where, "node %r" % node)
            self._members(n, NODE, where + " " + node)
            for name, p in n.get("properties", {}).items():
                if not ID.match(name):
                    self._breach("Topic IDs", where, "property %r" % name)
                self._members(p, PROPERTY, "%s %s/%s" % (where, node, name))
                self._format(p, "%s %s/%s" % (where, node, name))

    def _format(self, p, where):
        kind, text = p.get("datatype"), p.get("format")
        if kind not in DATATYPES:
            self._breach("Property Attributes", where, "datatype %r" % kind)
        if text is None:
            if kind in ("enum", "color"):
                self._breach("Formats", where, "%s needs a format" % kind)
        elif kind in ("float", "integer"):
            if bounds(text, kind) is None:
                self._breach("Formats", where, "%r isn't [min]:[max][:step]" % text)
        elif kind == "enum":
            words = text.split(",")
            if "" in words or len(set(words)) != len(words):
                self._breach("Formats", where, "%r: an empty or doubled value" % text)
        elif kind == "boolean":
            words = text.split(",")
            if len(words) != 2 or "" in words or words[0] == words[1]:
                self._breach("Formats", where, "%r: two names" % text)
        elif kind == "json":
            try:
                if not isinstance(json.loads(text), dict):
                    self._breach("Formats", where, "%r is no schema" % text)
            except ValueError:
                self._breach("Formats", where, "%r is no JSON" % text)
        unit = p.get("unit")
        if unit is not None:
            alike = [u for u in UNITS if plain(u) == plain(unit)]
            if alike and unit not in alike:
                self._breach("Units", where, "%r looks like %r, but has other bytes" % (unit, alike[0]))

    # --- the broker at rest

    def at_rest(self):
        """What must hold once nothing is under way: adds to the breaches what doesn't."""
        with self.lock:
            for device in self.state:
                self._tree(device)
            for topic in self.kept:
                self._is_described(topic)

    def _tree(self, device):
        where = "%s/5/%s" % (self.domain, device)
        document = self.document.get(device)
        if document is None:
            if self.state[device] != "init":
                self._breach("Device Attributes", where, "%s without a $description" % self.state[device])
            return
        for child in document.get("children", []):
            other = self.document.get(child)
            if child not in self.state or other is None:
                self._breach("Device hierarchy", where, "its child %s doesn't exist" % child)
            elif other.get("parent", other.get("root")) != device:
                self._breach("Device hierarchy", where, "its child %s names another parent" % child)
        if "root" in document:
            parent = self.document.get(document.get("parent", document["root"]))
            if document["root"] not in self.state or parent is None:
                self._breach("Device hierarchy", where, "an orphan: its root or parent doesn't exist")
            elif device not in parent.get("children", []):
                self._breach("Adding children", where, "a ghost: its parent doesn't name it")
        if self.state[device] == "ready":
            self._complete(device, where)

    def _is_described(self, topic):
        start = self.domain + "/5/"
        if not topic.startswith(start):
            return
        device, *rest = topic[len(start) :].split("/")
        if device not in self.state:
            self._breach("Device Lifecycle", topic, "left behind by a device that was removed")
        elif rest[-1] == "set":
            self._breach("Property command topic", topic, "kept by the broker")
        elif rest[0].startswith("$"):
            return
        elif self._property(device, rest) is None:
            self._breach("Device reconfiguration", topic, "left behind: it isn't described any more")


def properties_of(document):
    for node, n in document.get("nodes", {}).items():
        for name, p in n.get("properties", {}).items():
            yield node + "/" + name, p


def no_twins(pairs):
    names = [name for name, _ in pairs]
    if len(set(names)) != len(names):
        raise ValueError("a member twice: %s" % names)
    return dict(pairs)


def plain(text):
    return unicodedata.normalize("NFKC", text).replace("º", "°").lower()


def bounds(text, kind):
    """(min, max) of a format, None for what isn't stated; None for the whole when it is none."""
    parts = text.split(":")
    shape = FLOAT if kind == "float" else INTEGER
    if len(parts) not in (2, 3) or any(p and not shape.match(p) for p in parts):
        return None
    if len(parts) == 3 and not (parts[2] and float(parts[2]) > 0):
        return None
    least, most = (float(p) if p else None for p in parts[:2])
    if least is not None and most is not None and least > most:
        return None
    return least, most


def wrong_payload(p, text):
    """Payloads: why this isn't a value of the property, or None."""
    kind, form = p["datatype"], p.get("format")
    if text == "\0":
        return None if kind == "string" else "the empty string, where only a string may be empty"
    if kind in ("integer", "float"):
        if not (INTEGER if kind == "integer" else FLOAT).match(text):
            return "no %s" % kind
        if kind == "integer" and not -(2**63) <= int(text) < 2**63:
            return "beyond 64 bits"
        least, most = bounds(form, kind) or (None, None) if form else (None, None)
        if (least is not None and float(text) < least) or (most is not None and float(text) > most):
            return "outside %s" % form
    elif kind == "boolean":
        return None if text in ("true", "false") else "no boolean"
    elif kind == "enum":
        return None if text in form.split(",") else "none of %s" % form
    elif kind == "duration":
        return None if DURATION.match(text) else "no duration"
    elif kind == "datetime":
        return None if DATETIME.match(text) else "no date and time"
    elif kind == "json":
        try:
            if not isinstance(json.loads(text), (dict, list)):
                return "neither object nor array"
        except ValueError:
            return "no JSON"
    return None
