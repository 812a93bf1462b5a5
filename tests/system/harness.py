"""A broker, a rig and daemons, each a real process on a free loopback port, with files in a temporary
folder. A test looks at them as a stranger: messages by a client of its own, the journal's files, and as
the judge the rig's ledger of what its pumps really moved.

Everything that is started is ended by its id, whatever happens to the test.
"""

import glob
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import unittest

import paho.mqtt.client as mqtt

import small_site

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
PROGRAM = os.environ.get("DOSEWRIGHT", "")
END_S = 10.0

BROKER = """\
listener %d 127.0.0.1
allow_anonymous true
persistence false
set_tcp_nodelay true
max_queued_messages 0
"""


def segments(folder):
    """A journal's files in their order: a day's further ones are numbered, "...-2.jsonl"."""

    def place(path):
        parts = os.path.basename(path)[: -len(".jsonl")].split("-")
        return parts[1:4], int(parts[4]) if len(parts) > 4 else 1

    return sorted(glob.glob(os.path.join(folder, "*.jsonl")), key=place)


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_until(what, question, timeout_s, every_s=0.05):
    """The first true answer; fails by saying what didn't come."""
    end = time.monotonic() + timeout_s
    while True:
        answer = question()
        if answer:
            return answer
        if time.monotonic() > end:
            raise AssertionError("not within %g s: %s" % (timeout_s, what))
        time.sleep(every_s)


class Process:
    """One child process, its output in a file."""

    def __init__(self, name, command, folder, environment=None, stdin=False):
        self.name = name
        self.log_path = os.path.join(folder, name + ".log")
        with open(self.log_path, "ab") as log:
            self.popen = subprocess.Popen(
                command,
                stdin=subprocess.PIPE if stdin else subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd=folder,
                env=dict(os.environ, **(environment or {})),
            )

    @property
    def pid(self):
        return self.popen.pid

    def alive(self):
        return self.popen.poll() is None

    def log(self):
        with open(self.log_path, encoding="utf-8", errors="replace") as file:
            return file.read()

    def signal(self, number):
        if self.alive():
            os.kill(self.pid, number)

    def kill(self):
        """At once, as a crash would."""
        self.signal(signal.SIGKILL)
        self.popen.wait()

    def end(self):
        """Asks it to end; its exit code."""
        if self.popen.stdin:
            try:
                self.popen.stdin.close()
            except OSError:
                pass
        self.signal(signal.SIGCONT)
        self.signal(signal.SIGTERM)
        try:
            return self.popen.wait(END_S)
        except subprocess.TimeoutExpired:
            self.kill()
            return None


class Message:
    def __init__(self, message):
        self.at = time.monotonic()
        self.topic = message.topic
        self.payload = message.payload.decode("utf-8", errors="replace")
        self.retained = bool(message.retain)

    def __repr__(self):
        return "%s %s%s" % (self.topic, self.payload[:200], " (retained)" if self.retained else "")


class Stranger:
    """A client that knows nothing but the broker's address, and hears everything."""

    def __init__(self, port, filters=("#",)):
        self.lock = threading.Lock()
        self.messages = []
        self.last = {}
        self.filters = filters
        self.subscribed = threading.Event()
        self.client = mqtt.Client()
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = lambda *_: self.subscribed.set()
        self.client.on_message = self._on_message
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()
        if not self.subscribed.wait(5):
            raise AssertionError("the broker didn't take the test's subscription")

    def _on_connect(self, client, *_):
        client.subscribe([(f, 1) for f in self.filters])

    def _on_message(self, _client, _data, message):
        heard = Message(message)
        with self.lock:
            self.messages.append(heard)
            self.last[heard.topic] = heard.payload

    def say(self, topic, payload, retain=False, qos=1):
        self.client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(5)

    def count(self):
        with self.lock:
            return len(self.messages)

    def heard(self, since=0, topic=None):
        """The messages after the first 'since', of one topic or all."""
        with self.lock:
            return [m for m in self.messages[since:] if topic in (None, m.topic)]

    def value(self, topic):
        with self.lock:
            return self.last.get(topic)

    def wait_value(self, topic, payload, timeout_s=10):
        wait_until(
            "%s %s (it is %s)" % (topic, payload, self.value(topic)),
            lambda: self.value(topic) == payload,
            timeout_s,
        )

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


def call(path, line):
    """One call through a daemon's local door; the answer, or None when nobody answers."""
    try:
        with socket.socket(socket.AF_UNIX) as door:
            door.settimeout(5)
            door.connect(path)
            door.sendall(json.dumps(line).encode() + b"\n")
            answer = b""
            while not answer.endswith(b"\n"):
                piece = door.recv(65536)
                if not piece:
                    return None
                answer += piece
            return json.loads(answer)
    except OSError:
        return None


class Daemon:
    """A daemon with a configuration of its own; it can be killed and started again."""

    def __init__(self, world, site_path, name="daemon", journal="journal", door="dosewright.sock"):
        self.world = world
        self.site_path = site_path
        self.name = name
        self.folder = os.path.dirname(site_path)
        self.journal_dir = os.path.join(self.folder, journal)
        self.door = os.path.join(self.folder, door)
        self.process = None

    def start(self, wrapper=(), **environment):
        command = list(wrapper) + [PROGRAM, "run", self.site_path]
        self.process = self.world.start(self.name, command, environment)
        return self

    def end(self):
        code = self.process.end()
        self.world.forget(self.process)
        return code

    def kill(self):
        self.process.kill()
        self.world.forget(self.process)

    def reload(self):
        self.process.signal(signal.SIGHUP)

    def reload_done(self, timeout_s=120):
        """Reloads, and waits until the new files are in force: that is after a dose that is under way."""
        done = "the new configuration is in force"
        before = self.process.log().count(done)
        self.reload()
        wait_until(done, lambda: self.process.log().count(done) > before, timeout_s)

    def status(self, patience_s=10):
        """None when it doesn't answer: a machine with much to do may keep one that lives from it for a while."""
        end = time.monotonic() + patience_s
        while True:
            status = call(self.door, {"call": "status"})
            if status or not (self.process and self.process.alive()) or time.monotonic() > end:
                return status
            time.sleep(0.1)

    def has_chain(self):
        """Does it command its first chain?"""
        status = self.status()
        return bool(status) and status["chains"][0]["ours"]

    def tank(self, key):
        status = self.status()
        return next((t for t in status["tanks"] if t["key"] == key), None) if status else None

    def ask(self, request, **members):
        return call(self.door, dict(call="request", request=request, **members))

    def alerts(self):
        status = self.status()
        return {a["id"]: a["text"] for a in status["alerts"]} if status else {}

    def tool(self, *arguments):
        """A command-line tool: exit code and output."""
        run = subprocess.run(
            [PROGRAM] + list(arguments) + ["--socket", self.door],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            timeout=90, check=False,
        )  # fmt: skip
        return run.returncode, run.stdout.decode("utf-8", errors="replace")

    def records(self, kind=None, **members):
        """The journal's records; a last line that is cut short is left out."""
        found = []
        for path in segments(self.journal_dir):
            with open(path, encoding="utf-8") as file:
                lines = file.read().split("\n")
            for line in lines[:-1]:
                record = json.loads(line)
                if kind in (None, record["kind"]):
                    if all(record.get(k) == v for k, v in members.items()):
                        found.append(record)
        return found

    def own(self, kind):
        """Without the copies that it took over from another daemon while it stood by."""
        return [r for r in self.records(kind) if "of" not in r]

    def verify(self):
        """The journal's own verdict: exit code and words."""
        run = subprocess.run(
            [PROGRAM, "journal", "verify", self.journal_dir],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            timeout=60, check=False,
        )  # fmt: skip
        return run.returncode, run.stdout.decode("utf-8", errors="replace")


class World:
    """Broker, rig and whatever daemons are wanted, in one folder."""

    def __init__(self, rig_options=(), rig=True, **site):
        if not os.access(PROGRAM, os.X_OK):
            raise AssertionError("the environment's DOSEWRIGHT must name the program to test")
        self.folder = tempfile.mkdtemp(prefix="dosewright-system-")
        self.processes = []
        self.strangers = []
        self.port = free_port()
        self.rig_options = list(rig_options)
        self.ledger_path = os.path.join(self.folder, "ledger.jsonl")
        self.broker = self.rig = None
        self.broker_lines = None
        try:
            self.site_path = small_site.write(self.folder, self.port, **site)
            self.start_broker()
            if rig:
                self.start_rig()  # it has read the file once it says something; a test may change that then
                wait_until("the rig is up", self.rig.log, 20)
            self.daemon = Daemon(self, self.site_path)
        except BaseException:
            self.close()
            raise

    def start(self, name, command, environment=None, stdin=False):
        process = Process(name, command, self.folder, environment, stdin)
        self.processes.append(process)
        return process

    def forget(self, process):
        if process in self.processes:
            self.processes.remove(process)

    def start_broker(self, more=None):
        """With lines of its own instead of the open door, and the same again without."""
        path = os.path.join(self.folder, "broker.conf")
        if more is not None:
            self.broker_lines = "user root\n" + (BROKER % self.port).replace("allow_anonymous true\n", more)
        small_site.put(path, self.broker_lines or BROKER % self.port)
        program = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
        self.broker = self.start("broker", [program, "-c", path])

        def answers():
            if not self.broker.alive():
                raise AssertionError("the broker ended: " + self.broker.log())
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                return True
            except OSError:
                return False

        wait_until("the broker answers", answers, 10)

    def kill_broker(self):
        self.broker.kill()
        self.forget(self.broker)

    def start_rig(self):
        command = [PROGRAM, "rig", "--exact", "--ledger", self.ledger_path] + self.rig_options
        self.rig = self.start("rig", command + [self.site_path], stdin=True)

    def fault(self, word):
        """Breaks something in the rig; with a '-' in front it is mended."""
        self.rig.popen.stdin.write(word.encode() + b"\n")
        self.rig.popen.stdin.flush()

    def stranger(self, *filters):
        stranger = Stranger(self.port, filters or ("#",))
        self.strangers.append(stranger)
        return stranger

    def ledger(self):
        try:
            with open(self.ledger_path, encoding="utf-8") as file:
                lines = file.read().split("\n")
        except FileNotFoundError:
            return []
        return [json.loads(line) for line in lines[:-1]]

    def runs(self, event="end", **members):
        """Runs of pumps (not of circulation) by the rig's ledger."""
        return [
            r for r in self.ledger()
            if r.get("event") == event and r["channel"] != 0
            and all(r.get(k) == v for k, v in members.items())
        ]  # fmt: skip

    def moved_ul(self, **members):
        return sum(r["ul"] for r in self.runs("end", **members))

    def water(self, tank):
        """The newest truth about a tank."""
        rows = [r for r in self.ledger() if r.get("kind") == "tank" and r["tank"] == tank]
        return rows[-1] if rows else None

    def close(self):
        for stranger in self.strangers:
            stranger.close()
        for process in self.processes[::-1]:
            process.end()
        shutil.rmtree(self.folder, ignore_errors=True)


class Case(unittest.TestCase):
    """Tests of one class share a world; what its processes said is shown when one fails."""

    SITE = {}
    RIG = ()
    world = None

    @classmethod
    def setUpClass(cls):
        cls.world = World(cls.RIG, **cls.SITE)
        cls.addClassCleanup(cls.world.close)
        cls.daemon = cls.world.daemon

    def run(self, result=None):
        before = len(result.failures) + len(result.errors) if result else 0
        super().run(result)
        if result and len(result.failures) + len(result.errors) > before:
            for path in sorted(glob.glob(os.path.join(self.world.folder, "*.log"))):
                with open(path, encoding="utf-8", errors="replace") as file:
                    lines = file.read().splitlines()[-40:]
                sys.stderr.write("--- %s\n%s\n" % (os.path.basename(path), "\n".join(lines)))

    # --- waiting

    def wait_state(self, tank, states, timeout_s=60, daemon=None):
        daemon = daemon or self.daemon
        seen = {}

        def reached():
            view = daemon.tank(tank)
            seen["last"] = view and (view["state"], view["why"])
            return view if view and view["state"] in states else None

        try:
            return wait_until("%s in %s" % (tank, "/".join(states)), reached, timeout_s, 0.1)
        except AssertionError as error:
            raise AssertionError("%s; last: %s" % (error, seen.get("last"))) from None

    def wait_alert(self, name, timeout_s=30, stands=True):
        return wait_until(
            "alert %s %s" % (name, "stands" if stands else "is over"),
            lambda: self.daemon.status() and (name in self.daemon.alerts()) == stands,
            timeout_s,
            0.1,
        )

    def wait_dose(self, timeout_s=30, event="start", **members):
        """The next run of a pump."""
        before = len(self.world.runs(event, **members))
        try:
            return wait_until(
                "a pump %ss" % event, lambda: self.world.runs(event, **members)[before:], timeout_s
            )[0]
        except AssertionError as error:
            daemons = [self.daemon, getattr(self, "other", self.daemon)]
            status = next(filter(None, (d.status() for d in daemons)), {"tanks": []})
            why = [(t["key"], t["state"], t["why"], t.get("readings")) for t in status["tanks"]]
            raise AssertionError("%s; last: %s" % (error, why)) from None

    def still(self, seconds, **members):
        """No pump starts for so long."""
        before = len(self.world.runs("start", **members))
        time.sleep(seconds)
        self.assertEqual(self.world.runs("start", **members)[before:], [])

    # --- judging, by what the pumps really did

    def judge_once(self):
        """INV-2: no command runs twice, at any head, in any boot."""
        started = [r["id"] for r in self.world.runs("start", by="command")]
        twice = {i for i in started if started.count(i) > 1}
        self.assertEqual(twice, set(), "ran twice")

    def judge_recorded(self, *daemons):
        """INV-7: every movement of a pump has its record."""
        known = {r["id"] for d in daemons or (self.daemon,) for r in d.own("dose")}
        moved = {r["id"] for r in self.world.runs("start", by="command")}
        self.assertEqual(moved - known, set(), "moved without a record")

    def judge_limits(self, limits, span_ms=3600000):
        """INV-1: in any such span, what each pump really moved is within its limit. A run is spread
        evenly, so the fullest spans begin or end where a run does."""
        by_pump = {}
        for r in self.world.runs("end", by="command"):
            by_pump.setdefault((r["tank"], r["stock"]), []).append(r)
        for (tank, stock), runs in by_pump.items():
            limit_ul = round(limits[stock] * 1000)
            edges = {r["t_ms"] - r["ran_ms"] for r in runs} | {r["t_ms"] - span_ms for r in runs}
            for edge in edges:
                moved = sum(share_in(r, edge, edge + span_ms) for r in runs)
                self.assertLessEqual(moved, limit_ul + 1, "%s of %s" % (stock, tank))

    def judge_apart(self):
        """INV-5: no two stocks met undiluted in a line."""
        self.assertEqual([r for r in self.world.ledger() if r.get("kind") == "met"], [])

    def judge_volumes(self):
        """Dose by dose the journal says what the rig moved, within 1 ms of the pump's run time."""
        moved = {r["id"]: r["ul"] for r in self.world.runs("end", by="command")}
        doses = {r["id"]: r for r in self.daemon.records("dose")}
        outcomes = {r["id"]: r for r in self.daemon.records("outcome")}
        self.assertGreater(len(moved), 0)
        self.assertEqual(set(doses), set(outcomes))
        self.assertEqual(set(moved), {i for i, o in outcomes.items() if o["ul"] > 0})
        for name, ul in moved.items():
            ul_per_ms = doses[name]["ul"] / doses[name]["run_ms"]
            self.assertLessEqual(abs(outcomes[name]["ul"] - ul), ul_per_ms, name)

    def judge_journal(self, daemon=None):
        code, words = (daemon or self.daemon).verify()
        self.assertEqual(code, 0, words)


def share_in(run, begin_ms, end_ms):
    """How much of a run, in microlitres, lies within a span."""
    began = run["t_ms"] - run["ran_ms"]
    if run["ran_ms"] <= 0:
        return 0
    inside = max(0, min(run["t_ms"], end_ms) - max(began, begin_ms))
    return run["ul"] * inside / run["ran_ms"]


def main():
    unittest.main(verbosity=2)
