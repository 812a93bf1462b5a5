"""The other side of a core that is driven through a pipe: a chain head and two tanks of a few lines
each, written by docs/contract.md and docs/drive.md alone."""

import datetime
import json
import os
import subprocess

import small_site

PROGRAM = os.environ.get("DOSEWRIGHT", "")
HEAD = "homie/5/west"
SITE = "homie/5/tern-hall"
START_MS = 5_000_000
STEP_MS = 500


def instant(ms):
    when = datetime.datetime.fromtimestamp(ms // 1000, datetime.timezone.utc)
    return when.strftime("%Y-%m-%dT%H:%M:%S.") + "%03dZ" % (ms % 1000)


class Session:
    """One process. Keeps every line that went in and came out."""

    def __init__(self, site, *options):
        self.lines, self.answers = [], []
        self.process = subprocess.Popen(
            [PROGRAM, "drive", *options, site],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )

    def raw(self, line):
        """One line, one answer; with --ticks, what was done before it is kept in 'before'."""
        self.lines.append(line)
        self.process.stdin.write(line + b"\n")
        self.process.stdin.flush()
        self.before = []
        while True:
            answer = self.process.stdout.readline()
            self.answers.append(answer)
            told = json.loads(answer)
            if "tick" not in told:
                return told
            self.before.append(told)

    def say(self, **members):
        return self.raw(json.dumps(members).encode())

    def end(self):
        """The exit code and what it said on standard error."""
        out, err = self.process.communicate(timeout=30)
        self.answers += out.splitlines(True)
        return self.process.returncode, err.decode()


class Head:
    """A chain head with two modules of three pumps, as far as a well-behaved controller needs it."""

    def __init__(self, boot="boot-1"):
        self.boot, self.up_ms = boot, 1000
        self.claim = {"by": "", "reign": 0, "site": ""}
        self.runs = {}  # (position, channel) -> [command, ends_ms, started_ms]
        self.ledger, self.seen, self.halted = [], set(), False
        self.ran = {}  # (position, channel) -> ms
        self.refusals = []

    def roll(self):
        modules = [
            {"position": p, "serial": s, "channels": 3, "circulation": True}
            for p, s in ((1, "a1f3"), (2, "b77c"))
        ]
        return {
            "profile": 1,
            "boot": self.boot,
            "epoch": 1,
            "beat_s": 2,
            "max_run_ms": 60000,
            "max_circulate_ms": 600000,
            "modules": modules,
        }

    def beat(self):
        return {"boot": self.boot, "up_ms": self.up_ms, "halted": self.halted, "dropped": 0}

    def entry(self, command, state, ran_ms):
        return {"id": command["id"], "boot": self.boot, "state": state, "ran_ms": ran_ms}

    def note(self, command, state, ran_ms, out):
        entry = self.entry(command, state, ran_ms)
        self.ledger = [e for e in self.ledger if e["id"] != command["id"]]
        self.ledger.insert(0, entry)
        out.append((HEAD + "/dose/report", dict(entry, up_ms=self.up_ms)))
        out.append((HEAD + "/dose/ledger", {"boot": self.boot, "entries": self.ledger[:24]}))

    def end_run(self, place, state, out):
        command, _, started = self.runs.pop(place)
        ran_ms = self.up_ms - started
        self.ran[place] = self.ran.get(place, 0) + ran_ms
        self.note(command, state, ran_ms, out)

    def pass_to(self, up_ms):
        out = []
        for place in sorted(self.runs, key=lambda p: (self.runs[p][1], -p[1])):
            if self.runs[place][1] <= up_ms:
                self.up_ms = self.runs[place][1]
                self.end_run(place, "done", out)
        self.up_ms = up_ms
        return out

    def take(self, topic, message):
        out = []
        if topic == HEAD + "/chain/claim/set":
            if message["reign"] > self.claim["reign"]:
                self.claim = message
            return [(HEAD + "/chain/claim", self.claim)]
        action = message["action"]
        if action in ("stop", "halt"):
            for place in list(self.runs):
                if action == "halt" or message.get("serial") in (None, {1: "a1f3", 2: "b77c"}[place[0]]):
                    self.end_run(place, "stopped", out)
            self.halted = self.halted or action == "halt"
            return out
        assert message["id"] not in self.seen, "an id came twice: " + message["id"]
        self.seen.add(message["id"])
        why = self.reason(message)
        if why:
            self.refusals.append(why)
            report = dict(self.entry(message, "refused", 0), reason=why, up_ms=self.up_ms)
            return [(HEAD + "/dose/report", report)]
        if action == "resume":
            self.halted = False
            return out
        place = (message["position"], message["channel"] if action == "dose" else 0)
        if place in self.runs:  # circulation that is asked for again goes on
            self.runs.pop(place)
        self.runs[place] = [message, self.up_ms + message["run_ms"], self.up_ms]
        self.note(message, "running", 0, out)
        return out

    def reason(self, m):
        if (m["by"], m["reign"]) != (self.claim["by"], self.claim["reign"]):
            return "other-reign"
        if m["boot"] != self.boot:
            return "other-boot"
        if not self.up_ms <= m["until_ms"] <= self.up_ms + 60000:
            return "expired"
        if m["action"] != "resume":
            if m["serial"] != {1: "a1f3", 2: "b77c"}[m["position"]]:
                return "other-serial"
            if self.halted:
                return "halted"
        if m["action"] == "dose":
            if (m["position"], m["channel"]) in self.runs:
                return "busy"
            if m["needs"]["position"] and (m["needs"]["position"], 0) not in self.runs:
                return "no-circulation"
        return ""


class Tank:
    """Four litres that mix at once; EC by what went in, pH by a straight line."""

    def __init__(self, position):
        self.position = position
        self.ec_ms_cm, self.ph = 0.35, 7.2
        self.taken = {}

    def drink(self, ran):
        for channel, ec, ph in ((1, 0.05, 0.0), (2, 0.04, 0.0), (3, 0.0, -0.2)):
            ms = ran.get((self.position, channel), 0)
            ml = (ms - self.taken.get(channel, 0)) / 1000.0
            self.taken[channel] = ms
            self.ec_ms_cm += ec * ml
            self.ph += ph * ml


class Bench:
    """The whole other side, stepped twice a second."""

    def __init__(self, session, head=None, tanks=None, at_ms=START_MS, civil_ms=None):
        self.session = session
        self.head = head or Head()
        self.tanks = tanks or [Tank(1), Tank(2)]
        self.names = small_site.TANKS
        self.at_ms = at_ms
        noon = datetime.datetime.now(datetime.timezone.utc).replace(hour=12, minute=0, second=0)
        self.civil_ms = civil_ms or int(noon.timestamp()) * 1000
        self.records, self.commands, self.wakes_ms = [], [], 0
        self.relink, self.ticks = False, True
        self.done = []  # what was asked for, in order

    def tell(self, **members):
        answer = self.session.say(mono_ms=self.at_ms, **members)
        assert "error" not in answer, answer
        self.wakes_ms = answer["wakes_at_ms"]
        for told in self.session.before + [answer]:
            self.perform(told["actions"])
        return answer

    def perform(self, actions):
        for action in actions:
            self.done.append(action["do"])
            if action["do"] == "record":
                self.records.append(action["record"])
            elif action["do"] in ("send", "stop", "claim"):
                message = json.loads(action["payload"])
                self.commands.append(message)
                for topic, payload in self.head.take(action["topic"], message):
                    self.publish(topic, payload)
            elif action["do"] in ("activate", "stand-by"):
                self.relink = True

    def publish(self, topic, payload):
        self.tell(topic=topic, payload=json.dumps(payload))

    def connect(self):
        self.relink = False
        self.tell(link=False)
        self.tell(link=True)
        self.tell(topic=HEAD + "/$state", payload="ready", retained=True)
        for name, payload in (
            ("chain/roll", self.head.roll()),
            ("chain/claim", self.head.claim),
            ("dose/ledger", {"boot": self.head.boot, "entries": self.head.ledger[:24]}),
        ):
            self.tell(topic=HEAD + "/" + name, payload=json.dumps(payload), retained=True)

    def start(self, **more):
        self.tell(start=True, civil_ms=self.civil_ms, **more)
        self.relink = True

    def step(self):
        self.at_ms += STEP_MS
        self.civil_ms += STEP_MS
        for topic, payload in self.head.pass_to(self.head.up_ms + STEP_MS):
            self.publish(topic, payload)
        for tank in self.tanks:
            tank.drink(self.head.ran)
        if self.relink:
            self.connect()
        noise = 0.002 * (self.at_ms // 1000 % 5 - 2)  # a probe that never moves is stuck
        for name, tank in zip(self.names, self.tanks):
            if self.at_ms % 2000 == 0:
                self.tell(topic="glass/%s/temperature" % name, payload="21.0")
                self.tell(topic="glass/%s/ec" % name, payload="%.4f" % (tank.ec_ms_cm + noise))
            if self.at_ms % 2000 == 1000:
                self.tell(topic="glass/%s/ph" % name, payload="%.3f" % (tank.ph + noise))
        if self.at_ms % 2000 == 0:
            self.publish(HEAD + "/chain/beat", self.head.beat())
        for _ in range(20 if self.ticks else 0):
            if self.wakes_ms is None or self.wakes_ms > self.at_ms:
                break
            self.tell(tick=True)

    def run(self, seconds):
        for _ in range(int(seconds * 1000 / STEP_MS)):
            self.step()

    def kinds(self, kind):
        return [r for r in self.records if r["kind"] == kind]


def record_line(record):
    """RFC 8785 for what a record can hold."""
    return json.dumps(record, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def json_value(text):
    """The bytes of the object at the start."""
    _, end = json.JSONDecoder().raw_decode(text.decode())
    return text.decode()[:end].encode()
