#!/usr/bin/python3
"""Runs the demonstration and tells what happens: watch.py PROGRAM FOLDER

Starts a broker, the rig and the daemon in FOLDER, prints a line for each thing that happens, ends when
both tanks are in band and have stayed there, and closes with a summary. What the rig's pumps really
moved is the judge of what the journal says. FOLDER is removed at the end. Exit code 0 only if all is
well.
"""

import datetime
import glob
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time

HERE = os.path.dirname(os.path.abspath(__file__))
MOST_S = 180.0
STEADY_S = 12.0  # in band and at rest for so long
END_S = 10.0

BROKER = """\
listener %d 127.0.0.1
allow_anonymous true
persistence false
set_tcp_nodelay true
log_type error
log_type warning
"""


def segments(folder):
    """A journal's files in their order: a day's further ones are numbered, "...-2.jsonl"."""

    def place(path):
        parts = os.path.basename(path)[: -len(".jsonl")].split("-")
        return parts[1:4], int(parts[4]) if len(parts) > 4 else 1

    return sorted(glob.glob(os.path.join(folder, "*.jsonl")), key=place)


class Over(Exception):
    """The demonstration can't go on; says why."""


class Tail:
    """The lines that a growing file has gained."""

    def __init__(self, path):
        self.path = path
        self.at = 0

    def lines(self):
        try:
            with open(self.path, "rb") as file:
                file.seek(self.at)
                data = file.read()
        except FileNotFoundError:
            return []
        end = data.rfind(b"\n") + 1
        self.at += end
        return data[:end].decode(errors="replace").splitlines()


class Demo:
    def __init__(self, program, folder):
        self.program = program
        self.folder = folder
        self.running = {}  # name -> process, in the order of starting
        self.began = time.monotonic()
        self.before = {}  # tank -> its first good readings
        self.tanks = []
        self.log = Tail(os.path.join(folder, "daemon.log"))
        self.ledger = Tail(os.path.join(folder, "ledger.jsonl"))
        self.steady_since = None
        self.readings_at = 0.0

    # --- starting and ending

    def start(self, name, command):
        with open(os.path.join(self.folder, name + ".log"), "wb") as log:
            self.running[name] = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=self.folder
            )

    def end(self, name):
        """Asks a process that we started to end, by its id; its exit code."""
        process = self.running.pop(name)
        if process.poll() is None:
            process.terminate()
        try:
            return process.wait(END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            return "didn't end"

    def end_all(self):
        for name in list(self.running)[::-1]:
            self.end(name)

    def make_site(self, port):
        yesterday = datetime.datetime.now(datetime.timezone.utc) - datetime.timedelta(days=1)
        site = os.path.join(self.folder, "site")
        shutil.copytree(HERE, site, ignore=shutil.ignore_patterns("run", "*.py", "__pycache__"))
        path = os.path.join(site, "site.yaml")
        with open(path, encoding="utf-8") as file:
            text = file.read()
        for word, value in {
            "@PORT@": str(port),
            "@DIR@": self.folder,
            "@PLANTED@": yesterday.strftime("%Y-%m-%d"),
            "@CALIBRATED@": yesterday.strftime("%Y-%m-%d"),
        }.items():
            text = text.replace(word, value)
        with open(path, "w", encoding="utf-8") as file:
            file.write(text)
        os.chmod(path, 0o644)
        return path

    def start_all(self):
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        with open(os.path.join(self.folder, "broker.conf"), "w", encoding="utf-8") as file:
            file.write(BROKER % port)
        site = self.make_site(port)
        broker = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
        self.start("broker", [broker, "-c", os.path.join(self.folder, "broker.conf")])
        self.wait_for_broker(port)
        self.tell("a broker listens on 127.0.0.1:%d" % port)
        ledger = os.path.join(self.folder, "ledger.jsonl")
        self.start("rig", [self.program, "rig", "--exact", "--ledger", ledger, site])
        self.start("daemon", [self.program, "run", site])

    def wait_for_broker(self, port):
        for _ in range(100):
            try:
                socket.create_connection(("127.0.0.1", port), 1).close()
                return
            except OSError:
                self.check_alive()
                time.sleep(0.05)
        raise Over("the broker doesn't answer")

    def check_alive(self):
        for name, process in self.running.items():
            if process.poll() is not None:
                with open(os.path.join(self.folder, name + ".log"), errors="replace") as file:
                    sys.stdout.write(file.read())
                raise Over("the %s ended by itself with %s" % (name, process.returncode))

    # --- telling

    def tell(self, line):
        print("%6.1f s  %s" % (time.monotonic() - self.began, line), flush=True)

    def tell_new_lines(self):
        for line in self.log.lines():
            if line.startswith("<") and line[2:3] == ">":
                line = line[3:]
            self.tell("daemon  " + line)
        for line in self.ledger.lines():
            run = json.loads(line)
            if not is_end_of_dose(run):
                continue
            where = "%s/%d.%d" % (run["chain"], run["position"], run["channel"])
            text = "rig     pump %s ran %.3f s: %.2f mL of %s into %s"
            values = (where, run["ran_ms"] / 1000, run["ul"] / 1000, run["stock"], run["tank"])
            self.tell(text % values)

    def tell_readings(self, tanks):
        if time.monotonic() - self.readings_at < 5.0:
            return
        self.readings_at = time.monotonic()
        for tank in tanks:
            if tank["ec"]["value"] is None or tank["ph"]["value"] is None:
                continue
            text = "%-14s EC %.2f of %.2f mS/cm, pH %.2f of %.2f; %s: %s"
            values = (
                tank["key"], tank["ec"]["value"], tank["ec"]["setpoint"], tank["ph"]["value"],
                tank["ph"]["setpoint"], tank["state"], tank["why"],
            )  # fmt: skip
            self.tell(text % values)

    # --- watching

    def status(self):
        """What the daemon says of each tank, or None while it doesn't answer."""
        command = [self.program, "status", "--json", "--socket"]
        command.append(os.path.join(self.folder, "dosewright.sock"))
        run = subprocess.run(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            timeout=15, check=False,
        )  # fmt: skip
        return json.loads(run.stdout) if run.returncode == 0 else None

    def look(self):
        """True when every tank has stayed in band for long enough."""
        status = self.status()
        if status is None:
            return False
        self.tanks = status["tanks"]
        for tank in self.tanks:
            good = tank["ec"]["quality"] == "good" and tank["ph"]["quality"] == "good"
            if good and tank["key"] not in self.before:
                self.before[tank["key"]] = tank
        self.tell_readings(self.tanks)
        if not self.tanks or not all(in_band(t) and t["state"] == "holding" for t in self.tanks):
            self.steady_since = None
            return False
        if self.steady_since is None:
            self.steady_since = time.monotonic()
            self.tell("every tank is in band; does it stay there?")
        return time.monotonic() - self.steady_since >= STEADY_S

    def watch(self):
        while time.monotonic() - self.began < MOST_S:
            self.check_alive()
            done = self.look()
            self.tell_new_lines()
            if done:
                return True
            time.sleep(0.5)
        return False

    # --- the summary

    def journal(self):
        records = []
        for path in segments(os.path.join(self.folder, "journal")):
            with open(path, encoding="utf-8") as file:
                records += [json.loads(line) for line in file]
        return records

    def moved(self):
        """id -> what the rig's pumps moved for it, in microlitres."""
        with open(os.path.join(self.folder, "ledger.jsonl"), encoding="utf-8") as file:
            runs = [json.loads(line) for line in file]
        return {r["id"]: r["ul"] for r in runs if is_end_of_dose(r)}

    def compare(self):
        """Prints volumes by the rig against those by the journal; True if they are the same, dose by
        dose, within 1 ms of each pump's run time."""
        moved = self.moved()
        records = self.journal()
        doses = {r["id"]: r for r in records if r["kind"] == "dose"}
        outcomes = {r["id"]: r for r in records if r["kind"] == "outcome"}
        same = bool(doses) and set(moved) == set(doses) == set(outcomes)
        sums = {}
        for name, dose in doses.items():
            given = outcomes.get(name, {"ul": 0})["ul"]
            ul_per_ms = dose["ul"] / dose["run_ms"]
            same = same and abs(given - moved.get(name, 0)) <= ul_per_ms
            row = sums.setdefault((dose["tank"], dose["stock"]), [0, 0, 0])
            row[0] += 1
            row[1] += moved.get(name, 0)
            row[2] += given
        print("  %-14s %-8s %5s %14s %14s" % ("tank", "stock", "doses", "rig", "journal"))
        for (tank, stock), (count, rig, given) in sorted(sums.items()):
            values = (tank, stock, count, rig / 1000, given / 1000)
            print("  %-14s %-8s %5d %11.3f mL %11.3f mL" % values)
        print("  %d doses; rig and journal %s" % (len(doses), "agree" if same else "DIFFER"))
        return same

    def kept_apart(self):
        """The rig tells when two stocks that must not meet are in one line together."""
        with open(os.path.join(self.folder, "ledger.jsonl"), encoding="utf-8") as file:
            met = [r for r in map(json.loads, file) if r.get("kind") == "met"]
        for r in met[:5]:
            print("  %s: %s MET %s in the line" % (r["tank"], r["stock"], r["other"]))
        return not met

    def verify(self):
        run = subprocess.run(
            [self.program, "journal", "verify", os.path.join(self.folder, "journal")],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False,
        )  # fmt: skip
        print("  journal verify: " + run.stdout.decode(errors="replace").strip())
        return run.returncode == 0

    def draw(self):
        """One tank's story, as the journal tells it."""
        sys.stdout.flush()
        print("\nFrom the journal, drawn by `dosewright journal report DIR --tank basil-bench`\n"
              "(with `--html FILE` it is a page for the browser):\n", flush=True)  # fmt: skip
        subprocess.run(
            [self.program, "journal", "report", os.path.join(self.folder, "journal"),
             "--tank", "basil-bench", "--title", "Tern Hall school glasshouse"],
            stdin=subprocess.DEVNULL, check=False,
        )  # fmt: skip

    def summarize(self, held):
        took = time.monotonic() - self.began
        code = self.end("daemon")
        self.end("rig")
        self.tell_new_lines()
        print("\nSummary")
        for tank in self.tanks:
            first = self.before.get(tank["key"])
            if first:
                text = "  %-14s EC %.2f -> %.2f mS/cm (wanted %.2f), pH %.2f -> %.2f (wanted %.2f)"
                values = (
                    tank["key"], first["ec"]["value"], tank["ec"]["value"], tank["ec"]["setpoint"],
                    first["ph"]["value"], tank["ph"]["value"], tank["ph"]["setpoint"],
                )  # fmt: skip
                print(text % values)
        same = self.compare() and self.kept_apart()
        verified = self.verify()
        if not held:
            print("  NOT every tank came into its band and stayed there within %.0f s" % MOST_S)
        if code != 0:
            print("  the daemon's exit code was %s" % code)
        self.draw()
        good = held and same and verified and code == 0
        print("\n%s after %.0f s" % ("All is well" if good else "FAILED", took))
        return 0 if good else 1


def is_end_of_dose(line):
    """The rig's ledger holds other lines, too; channel 0 is circulation."""
    return line.get("event") == "end" and line["channel"] != 0 and line["by"] != "hand"


def in_band(tank):
    for what in (tank["ec"], tank["ph"]):
        if what["quality"] != "good" or what["value"] is None or what["setpoint"] is None:
            return False
        if abs(what["value"] - what["setpoint"]) > what["band"] + 1e-6:
            return False
    return True


def main():
    if len(sys.argv) != 3:
        sys.stderr.write(__doc__)
        return 64
    demo = Demo(os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2]))

    def on_signal(number, _):
        raise KeyboardInterrupt(number)

    signal.signal(signal.SIGTERM, on_signal)
    signal.signal(signal.SIGHUP, on_signal)
    try:
        demo.start_all()
        return demo.summarize(demo.watch())
    except Over as over:
        print("FAILED: %s" % over)
        return 1
    except KeyboardInterrupt:
        print("\nended early")
        return 130
    finally:
        demo.end_all()
        shutil.rmtree(demo.folder, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main())
