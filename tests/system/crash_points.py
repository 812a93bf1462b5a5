"""One crash point: a small world, a daemon that is killed at the n-th system call of a scripted run, what
a power cut would have left of its journal, and the next start, judged by the rig's own ledger.

The script: start, two doses, a halt and its end, a reload, a segment's turn, stop. Rig and daemon run on a
clock that is ten times as fast, so that a point costs about two seconds."""

import glob
import json
import os
import signal
import time

import harness
import shim

SPEED = 10
TANK = "basil-bench"
LIMIT_ML = 1.6
SITE = {
    "tanks": (TANK,), "dose_ml": 1.0, "acid_dose_ml": 1.0, "hour_ml": LIMIT_ML, "acid_hour_ml": LIMIT_ML,
}  # fmt: skip
PATIENCE_S = 90.0

# What is done to the journal between the crash and the next start.
LEFT = ("as it was", "power cut", "power cut", "torn")


class Crashed(Exception):
    """The daemon is dead, as was wanted."""


class Tail:
    """The rows of a growing file of JSON lines, each read once."""

    def __init__(self, path):
        self.path = path
        self.at = 0
        self.rows = []

    def read(self):
        try:
            with open(self.path, "rb") as file:
                file.seek(self.at)
                data = file.read()
        except FileNotFoundError:
            return self.rows
        whole = data[: data.rfind(b"\n") + 1]
        self.at += len(whole)
        self.rows += [json.loads(line) for line in whole.splitlines()]
        return self.rows


def contents(folder):
    found = {}
    for path in glob.glob(os.path.join(folder, "*.jsonl")):
        with open(path, "rb") as file:
            found[path] = file.read()
    return found


class Point:
    """One world. 'first' is "mid-dose" when the script is to be run over what a crash within a dose left:
    then it is the recovery whose calls are counted."""

    def __init__(self, options, dice, first=None):
        self.options = list(options)  # of tools/hurt.c
        self.dice = dice
        self.first = first
        self.world = shim.World(["--every", "0.5"], speed=SPEED, **SITE)
        self.daemon = self.world.daemon
        self.ledger = Tail(self.world.ledger_path)
        self.report_path = os.path.join(self.world.folder, "hurt.report")
        self.phase = "start"
        self.report = {}
        self.halt_asked = self.halt_told = None
        self.left = "as it was"
        self.planted = 0

    # --- the script

    def runs(self, event):
        return [
            r for r in self.ledger.read()
            if r.get("event") == event and r["channel"] != 0
        ]  # fmt: skip

    def wait(self, what, question, may_die=True):
        end = time.monotonic() + PATIENCE_S
        while True:
            answer = question()
            if answer:
                return answer
            if not self.daemon.process.alive():
                if may_die:
                    raise Crashed()
                raise AssertionError("it ended by itself: " + self.daemon.process.log()[-1500:])
            if time.monotonic() > end:
                words = self.daemon.tank(TANK)
                raise AssertionError(
                    "not within %g s: %s; %s" % (PATIENCE_S, what, words and (words["state"], words["why"]))
                )
            time.sleep(0.01)

    def traced(self, options):
        """Starts it under tools/hurt.c; the process id is the daemon's own."""
        if os.path.exists(self.report_path):
            os.unlink(self.report_path)
        wrapper = [shim.HURT, "--report", self.report_path] + options
        self.daemon.start(wrapper=wrapper)

    def told(self):
        try:
            with open(self.report_path, encoding="utf-8") as file:
                return [json.loads(line) for line in file]
        except (FileNotFoundError, json.JSONDecodeError):
            return []

    def signal(self, number):
        """To the daemon, not to what traces it."""
        rows = self.wait("the tracer's report", self.told)
        if len(rows) > 1:
            raise Crashed()
        try:
            os.kill(rows[0]["pid"], number)
        except ProcessLookupError:
            raise Crashed() from None

    def has(self, text):
        return any(text in data for data in contents(self.daemon.journal_dir).values())

    def halt(self, on):
        def answered():
            answer = self.daemon.ask("halt", on=on)
            return answer and answer["ok"]

        self.halt_asked = on
        self.wait("halt " + str(on), answered)
        self.halt_told = on

    def script(self):
        begun = len(self.runs("start"))
        self.phase = "start"
        self.wait("a dose", lambda: len(self.runs("start")) > begun)
        self.phase = "dose"
        self.wait("two doses", lambda: len(self.runs("start")) > begun + 1)
        self.wait("both end", lambda: len(self.runs("end")) == len(self.runs("start")))
        self.phase = "halt"
        self.halt(True)
        self.halt(False)
        self.phase = "reload"
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        harness.small_site.put(self.world.site_path, text.replace("ec_ms_cm: 0.1,", "ec_ms_cm: 0.11,"))
        self.signal(signal.SIGHUP)
        self.wait("the reload", lambda: self.has(b'"kind":"config"'))
        self.phase = "turn"
        before = len(harness.segments(self.daemon.journal_dir))
        self.world.page.step_ms(shim.DAY_MS)
        self.wait("an answer", lambda: self.daemon.ask("pause", tank=TANK, on=False))
        self.wait("a new segment", lambda: len(harness.segments(self.daemon.journal_dir)) > before)
        self.phase = "stop"
        self.signal(signal.SIGTERM)
        self.wait("the end", lambda: not self.daemon.process.alive())

    def crash_within_a_dose(self):
        self.daemon.start()
        self.wait("a dose", lambda: self.runs("start"), may_die=False)
        self.daemon.kill()

    # --- what is left

    def cut_power(self, synced, linked):
        """Of what wasn't synced a part is lost, from its end."""
        for path, data in contents(self.daemon.journal_dir).items():
            least = synced.get(path, 0 if self.first is None else len(data))
            if path not in synced and os.path.basename(path) not in linked and self.first is None:
                if self.dice.random() < 0.5:
                    os.unlink(path)
                    self.planted += 1
                    continue
            keep = self.dice.choice((least, self.dice.randint(least, max(least, len(data)))))
            if keep < len(data):
                os.truncate(path, keep)
                self.planted += 1

    def tear(self):
        """The beginning of one more record, or of what a block was before."""
        paths = harness.segments(self.daemon.journal_dir)
        if not paths:
            return
        with open(paths[-1], "rb") as file:
            lines = file.read().splitlines() or [b'{"boot":"x"}']
        piece = lines[-1][: self.dice.randint(1, len(lines[-1]))]
        if self.dice.random() < 0.3:
            piece = bytes(self.dice.randint(1, 3000))
        with open(paths[-1], "ab") as file:
            file.write(piece)
        self.planted += 1

    def after_the_crash(self):
        self.left = self.dice.choice(LEFT)
        if self.left == "power cut":
            self.cut_power(self.report["synced"], self.report["linked"])
        elif self.left == "torn":
            self.tear()
        self.kept = {}
        for path, data in contents(self.daemon.journal_dir).items():
            self.kept[path] = data[: data.rfind(b"\n") + 1]

    # --- the next start

    def counted(self):
        """Of each stock at least what really moved counts against its limit."""
        moved = {}
        for run in self.runs("end"):
            moved[run["stock"]] = moved.get(run["stock"], 0) + run["ul"]
        for pump in self.daemon.tank(TANK)["pumps"]:
            counts = pump["hour_ml"] * 1000
            if counts < moved.get(pump["stock"], 0) - 1:
                raise AssertionError("%s moved %s uL, counts as %g" % (pump["stock"], moved, counts))

    def commands(self):
        status = self.daemon.status()
        return status and status["chains"][0]["ours"] and status["site"]["active"]

    def settled(self):
        doses = {r["id"] for r in self.daemon.records("dose")}
        return doses <= {r["id"] for r in self.daemon.records("outcome")}

    def again(self):
        """A dose begins, or the limit is what holds it back. Killed between the record of a halt or its end
        and the command, the head may be halted while the site isn't: a person who reads that releases it."""
        if len(self.runs("start")) > self.started:
            return True
        view = self.daemon.tank(TANK)
        if view and view["state"] == "halted" and self.halt_asked is not None:
            self.daemon.ask("halt", on=False)
        return view and "limit" in view["why"]

    def recover(self):
        self.daemon.start()
        self.wait("it commands the chain", self.commands, may_die=False)
        halted = self.daemon.status()["site"]["halted"]
        if self.halt_asked == self.halt_told and halted != bool(self.halt_told):
            raise AssertionError("halted is %s, told was %s" % (halted, self.halt_told))
        self.started = len(self.runs("start"))
        if halted:
            time.sleep(0.2)
            if len(self.runs("start")) != self.started:
                raise AssertionError("a pump started while halted")
            self.daemon.ask("halt", on=False)
        self.wait("the doses are settled", self.settled, may_die=False)
        self.counted()
        self.wait("dosing, or its limit", self.again, may_die=False)
        code = self.daemon.end()
        if code != 0:
            raise AssertionError("it ended with %s" % code)
        self.wait_pumps()

    def wait_pumps(self):
        end = time.monotonic() + PATIENCE_S
        while len(self.runs("end")) < len(self.runs("start")):
            if time.monotonic() > end:
                raise AssertionError("a pump runs on")
            time.sleep(0.02)

    def judge(self):
        started = [r["id"] for r in self.runs("start")]
        if len(started) != len(set(started)):
            raise AssertionError("ran twice: %s" % started)
        missing = set(started) - {r["id"] for r in self.daemon.records("dose")}
        if missing:
            raise AssertionError("moved without a record: %s" % missing)
        moved = {}
        for run in self.runs("end"):
            moved[run["stock"]] = moved.get(run["stock"], 0) + run["ul"]
        if any(ul > LIMIT_ML * 1000 + 1 for ul in moved.values()):
            raise AssertionError("over the limit: %s" % moved)
        if any(r.get("kind") == "met" for r in self.ledger.rows):
            raise AssertionError("two stocks met in the line")
        after = contents(self.daemon.journal_dir)
        for path, data in self.kept.items():
            if not after.get(path, b"").startswith(data):
                raise AssertionError("records are gone from " + path)
        code, words = self.daemon.verify()
        if code != 0:
            raise AssertionError(words)

    # --- all of it

    def run(self):
        """None when the script came to its end before the call was reached."""
        if self.first:
            self.crash_within_a_dose()
        self.traced(self.options)
        try:
            self.script()
        except Crashed:
            pass
        self.daemon.process.popen.wait()
        self.world.forget(self.daemon.process)
        self.report = self.told()[-1]
        if self.report["signal"] != signal.SIGKILL:
            if self.report["code"] != 0:
                raise AssertionError("it ended with %s: %s" % (self.report, self.daemon.process.log()[-1500:]))
            self.kept = {}
            self.wait_pumps()
            self.judge()
            return None
        self.after_the_crash()
        self.recover()
        self.judge()
        return self.report["name"]

    def close(self):
        self.world.close()
