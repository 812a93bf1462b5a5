"""Who is measured: the daemon and clients that only parse and publish, all on one broker in one run. Each
hears topics of its own, so that all may live at once while one of them has work."""

import json
import os
import shutil
import subprocess
import tempfile

import harness

from measures import machine

HERE = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
KINDS = ("ec", "ph", "temperature")
TANKS = ("basil-bench", "lettuce-wall")


class Subject:
    def __init__(self, name, process, probes, lag):
        self.name, self.process, self.probes, self.lag = name, process, probes, lag

    @property
    def pid(self):
        return self.process.pid


def daemon_probes(tanks):
    return [("glass/%s/%s" % (t, k), "homie/5/tern-hall-%s/water/%s" % (t, k), k) for t in tanks for k in KINDS]


def peer_probes(name, tanks):
    return [("in-%s/%s/%s" % (name, t, k), "%s/in-%s/%s/%s" % (name, name, t, k), k) for t in tanks for k in KINDS]


def node_folder(build):
    """Where the Node peer's packages are, fetched once into the build folder; None when npm can't."""
    folder = os.path.join(build, "bench-node")
    os.makedirs(folder, exist_ok=True)
    for file in ("package.json", "package-lock.json", "peer.mjs"):
        shutil.copy(os.path.join(HERE, "peers", file), folder)
    if not os.path.isdir(os.path.join(folder, "node_modules")):
        command = ["npm", "ci", "--prefer-offline", "--no-audit", "--no-fund", "--ignore-scripts"]
        try:
            subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=300)
        except (OSError, subprocess.SubprocessError) as error:
            print("  no peer in Node: %s" % error)
            return None
    return folder


def peer_commands(build):
    commands = {
        "peer-c": [os.path.join(build, "tests", "bench.peer"), "peer-c", "1"],
        "peer-c-qos0": [os.path.join(build, "tests", "bench.peer"), "peer-c-qos0", "0"],
        "peer-python": ["/usr/bin/python3", "-B", os.path.join(HERE, "peers", "peer.py")],
    }
    folder = node_folder(build)
    if folder:
        commands["peer-node"] = ["node", os.path.join(folder, "peer.mjs")]
    return commands


class Bench:
    """A broker, the daemon without its modules, and the peers."""

    def __init__(self, build, peers=True, tanks=TANKS, **site):
        self.build = build
        self.world = harness.World(rig=False, tanks=tanks, **site)
        self.subjects = {}
        try:
            self.start_daemon(tanks)
            if peers:
                self.start_peers(tanks)
        except BaseException:
            self.world.close()
            raise

    def start_daemon(self, tanks):
        daemon = self.world.daemon.start()
        harness.wait_until("the broker is heard", lambda: (daemon.status() or {}).get("broker", {}).get("up"), 20)
        self.subjects["daemon"] = Subject("daemon", daemon.process, daemon_probes(tanks), 1)

    def start_peers(self, tanks):
        for name, command in peer_commands(self.build).items():
            process = self.world.start(name, command + [str(self.world.port), "in-%s/#" % name])
            harness.wait_until(name + " listens", lambda p=process: "subscribed" in p.log(), 20)
            self.subjects[name] = Subject(name, process, peer_probes(name, tanks), 0)

    def warm_up(self):
        """Every topic has its first value: the daemon describes a property only then, which takes a while."""
        for subject in self.subjects.values():
            self.meter("flood", (100 * len(subject.probes), 600), subject.probes)

    def meter(self, mode, words, probes):
        command = [os.path.join(self.build, "tests", "bench.meter"), str(self.world.port), mode]
        command += [str(w) for w in words] + [w for probe in probes for w in probe]
        run = subprocess.run(command, capture_output=True, text=True, timeout=300, check=True)
        return json.loads(run.stdout)

    def latency(self, name, count, every_us):
        subject = self.subjects[name]
        return self.meter("latency", (subject.lag, count, every_us), subject.probes[1:2])

    def echo(self, count, every_us):
        return self.meter("latency", (0, count, every_us), [("bench/echo", "bench/echo", "ph")])

    def flood(self, name, count, rate=0):
        """The meter's words, with the processor time that the subject took."""
        subject = self.subjects[name]
        before = machine.cpu_s(subject.pid)
        found = self.meter("flood", (count, rate), subject.probes)
        found["cpu_s"] = machine.cpu_s(subject.pid) - before
        return found

    def close(self):
        self.world.close()


def fresh_folder():
    return tempfile.mkdtemp(prefix="dosewright-bench-")
