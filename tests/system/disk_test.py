#!/usr/bin/python3
"""A disk that refuses, under the real process: filled to the last byte, read-only, single calls that fail,
and a heap that fails. The rig's ledger judges: nothing moves without a record, nothing twice, and what is
refused is said.

The small disk is a tmpfs in a user namespace of its own; where that isn't allowed those tests are skipped.

REFUSED_POINTS: how many calls and allocations are refused, drawn by chance ("all": each one, once; 6 of
each). REFUSED_POINTS_S: none is begun after so many seconds (60). REFUSED_POINTS_SEED: of the chances."""

import collections
import json
import os
import platform
import random
import signal
import subprocess
import tempfile
import time
import unittest

import crash_points
import harness
import shim

POINTS = os.environ.get("REFUSED_POINTS", "6")
ALL = POINTS == "all"
SECONDS = float(os.environ.get("REFUSED_POINTS_S", "1e9" if ALL else "60"))
SEED = int(os.environ.get("REFUSED_POINTS_SEED", "1"))
ERRORS = ("EIO", "ENOSPC", "EROFS", "EMFILE", "EACCES")
CALLS = "write,pwrite64,fsync,fdatasync,openat,ftruncate,fallocate,unlinkat,flock,newfstatat,read"
DISK_KB = 256


class SmallDisk:
    """A tmpfs that nobody else sees; everyone reaches it by the path of the process that holds it."""

    def __init__(self, folder):
        self.below = os.path.join(folder, "small")
        os.mkdir(self.below)
        script = 'mount -t tmpfs -o size=%dk,mode=0750 none "$1" && echo mounted && exec cat' % DISK_KB
        self.holder = subprocess.Popen(
            ["unshare", "-Urm", "sh", "-c", script, "sh", self.below],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self.works = self.holder.stdout.readline() == b"mounted\n"
        self.path = "/proc/%d/root%s" % (self.holder.pid, self.below)

    def remount(self, how):
        subprocess.run(
            ["nsenter", "-t", str(self.holder.pid), "-U", "-m", "--preserve-credentials",
             "mount", "-o", "remount," + how, self.below],
            check=True, stdin=subprocess.DEVNULL,
        )  # fmt: skip

    def fill(self):
        """To the last byte of the last page."""
        with open(os.path.join(self.path, "filler"), "ab", buffering=0) as file:
            for size in (4096, 1):
                try:
                    while True:
                        file.write(bytes(size))
                except OSError:
                    pass

    def free(self):
        os.unlink(os.path.join(self.path, "filler"))

    def close(self):
        self.holder.stdin.close()
        self.holder.wait()
        self.holder.stdout.close()


class World(shim.World):
    """Its journal stands on the small disk."""

    def __init__(self, *arguments, **site):
        super().__init__(*arguments, **site)
        self.disk = SmallDisk(self.folder)
        if not self.disk.works:
            return
        journal = os.path.join(self.disk.path, "journal")
        with open(self.site_path, encoding="utf-8") as file:
            text = file.read()
        harness.small_site.put(self.site_path, text.replace(self.daemon.journal_dir, journal))
        self.daemon.journal_dir = journal

    def close(self):
        super().close()
        if hasattr(self, "disk"):
            self.disk.close()


class Small(unittest.TestCase):
    def setUp(self):
        site = {"tanks": ("basil-bench",), "dose_ml": 1.0, "acid_dose_ml": 1.0}
        self.world = World(["--every", "0.5"], speed=crash_points.SPEED, **site)
        self.addCleanup(self.world.close)
        if not self.world.disk.works:
            self.skipTest("no user namespace with a tmpfs of its own")
        self.daemon = self.world.daemon

    def doses(self):
        return len(self.world.runs("start"))

    def wait_doses(self, more, what):
        begun = self.doses()
        try:
            harness.wait_until(what, lambda: self.doses() >= begun + more, 60)
        except AssertionError as error:
            tank = self.daemon.tank("basil-bench")
            words = tank and (tank["state"], tank["why"]), self.daemon.alerts()
            raise AssertionError("%s: %s" % (error, words)) from None

    def wait_alert(self, stands):
        harness.wait_until(
            "alert journal %s: %s" % (stands, self.daemon.alerts()),
            lambda: self.daemon.status() and ("journal" in self.daemon.alerts()) == stands, 60,
        )  # fmt: skip

    def halted(self):
        tank = self.daemon.tank("basil-bench")
        return tank and tank["state"] == "halted"

    def judge(self):
        started = [r["id"] for r in self.world.runs("start")]
        self.assertEqual(len(started), len(set(started)))
        recorded = {r["id"] for kind in ("dose", "circulate") for r in self.daemon.records(kind)}
        self.assertEqual(set(started) - recorded, set())
        code, words = self.daemon.verify()
        self.assertEqual(code, 0, words)

    def test_filled_to_the_last_byte(self):
        self.daemon.start()
        self.wait_doses(1, "a dose")
        self.world.disk.fill()
        self.daemon.ask("pause", tank="basil-bench", on=False)  # something to record
        self.wait_alert(True)
        self.assertIn("full", self.daemon.alerts()["journal"])
        time.sleep(0.5)
        stopped_at = self.doses()
        for n in range(400):  # until the reserve is used up, too
            self.daemon.ask("pause", tank="basil-bench", on=False)
        time.sleep(3)
        self.assertEqual(self.doses(), stopped_at, "a dose was begun on a full disk")
        self.assertTrue(self.daemon.process.alive())
        self.assertTrue(self.daemon.ask("halt", on=True)["ok"])  # stopping waits for no disk
        harness.wait_until("the head is halted", self.halted, 10)
        self.daemon.ask("halt", on=False)  # what starts again does wait for one
        time.sleep(1)
        self.assertEqual(self.doses(), stopped_at)
        self.world.disk.free()
        self.wait_alert(False)
        self.assertTrue(self.daemon.ask("halt", on=False)["ok"])
        self.wait_doses(1, "dosing with room again")
        self.assertEqual(self.daemon.end(), 0)
        self.judge()

    def test_started_on_a_full_disk(self):
        self.daemon.start()
        self.wait_doses(1, "a dose")
        self.daemon.kill()
        self.world.disk.fill()
        begun = self.doses()
        self.daemon.start()
        self.wait_alert(True)
        time.sleep(3)
        self.assertEqual(self.doses(), begun, "a dose was begun on a full disk")
        self.world.disk.free()
        self.wait_alert(False)
        self.wait_doses(1, "dosing with room again")
        self.assertEqual(self.daemon.end(), 0)
        self.judge()

    def test_started_on_a_read_only_disk(self):
        self.daemon.start()
        self.wait_doses(1, "a dose")
        self.assertEqual(self.daemon.end(), 0)
        self.world.disk.remount("ro")
        begun = self.doses()
        self.daemon.start()
        code = self.daemon.process.popen.wait(30)
        self.world.forget(self.daemon.process)
        self.assertGreater(code, 0)
        self.assertIn("Read-only file system", self.daemon.process.log())
        self.assertEqual(self.doses(), begun)
        self.world.disk.remount("rw")
        self.daemon.start()
        self.wait_doses(1, "dosing again")
        self.assertEqual(self.daemon.end(), 0)
        self.judge()


class Trial(crash_points.Point):
    """Something is refused once, or from some call on; then the next start is judged as after a crash.
    Calls are refused by tools/hurt.c ('options'), allocations by the daemon's own page of tools/shim.c."""

    def begin(self, fail_at, fail_on):
        self.page = None
        if self.options:
            self.traced(self.options)
            return
        self.page = shim.Page(os.path.join(self.world.folder, "daemon.page"))
        self.page.follow(self.world.page)
        self.page.put(shim.FAIL_ON, int(fail_on))
        self.page.put(shim.FAIL_AT, fail_at)
        self.daemon.start(DOSEWRIGHT_SHIM=self.page.path)

    def signal(self, number):
        try:
            if self.page:
                self.daemon.process.signal(number)
            elif self.told():
                os.kill(self.told()[0]["pid"], number)
        except ProcessLookupError:
            pass

    def run(self, fail_at=0, fail_on=False):
        """True when it ended by itself, with words."""
        self.begin(fail_at, fail_on)
        self.live()
        code = self.daemon.process.popen.returncode
        words = self.daemon.process.log()
        if self.page:
            self.made = self.page.get(shim.ASKED)
            self.page.close()
        else:
            self.made = self.told()[-1]["calls"]
        if code < 0 or code > 100:
            raise AssertionError("it crashed: %s: %s" % (code, words[-1500:]))
        if code != 0 and not words.strip():
            raise AssertionError("it ended with %s and said nothing" % code)
        self.kept = crash_points.contents(self.daemon.journal_dir)
        self.kept = {path: data[: data.rfind(b"\n") + 1] for path, data in self.kept.items()}
        self.recover()
        self.judge()
        return code != 0

    def live(self):
        """Some seconds with doses, a reload and a request; then the end."""
        end = time.monotonic() + 3.0
        alive = self.daemon.process.alive
        while alive() and time.monotonic() < end and len(self.runs("end")) < 2:
            time.sleep(0.02)
        if alive():
            self.daemon.ask("pause", tank=crash_points.TANK, on=False)
            self.signal(signal.SIGHUP)
            time.sleep(0.3)
        if alive():
            self.signal(signal.SIGTERM)
        self.daemon.process.popen.wait(30)
        self.world.forget(self.daemon.process)
        self.wait_pumps()


class SlowConfiguration(unittest.TestCase):
    """Each of the configuration's files takes seconds to open. Nothing that the loop owes waits for them."""

    SLOW_MS = 2000

    def setUp(self):
        self.world = shim.World(["--every", "0.5"], tanks=("basil-bench",))
        self.addCleanup(self.world.close)
        self.daemon = self.world.daemon.start()
        harness.wait_until("the chain is commanded", self.daemon.has_chain, 20)
        self.stranger = self.world.stranger("homie/5/tern-hall/site/halt")
        self.stranger.wait_value("homie/5/tern-hall/site/halt", "false", 10)

    def slow(self, ms):
        self.world.page.put(shim.SLOW, ms)

    def configs(self):
        return len(self.daemon.records("config"))

    def test_1_a_halt_does_not_wait_for_a_reload(self):
        before = self.configs()
        self.slow(self.SLOW_MS)
        self.daemon.reload()
        time.sleep(0.3)
        began = time.monotonic()
        self.stranger.say("homie/5/tern-hall/site/halt/set", "true")
        self.stranger.wait_value("homie/5/tern-hall/site/halt", "true", 5)
        took_ms = (time.monotonic() - began) * 1000
        self.assertEqual(self.configs(), before, "the reload was over before: nothing is shown by this")
        self.assertLess(took_ms, self.SLOW_MS / 2)
        harness.wait_until("the reload is done", lambda: self.configs() > before, 30)

    def test_2_what_changes_while_it_is_read_is_read_as_well(self):
        """The second order to read comes when the first has the file half read."""
        self.slow(self.SLOW_MS)
        first = subprocess.Popen([harness.PROGRAM, "reload", "--socket", self.daemon.door],
                                 stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)  # fmt: skip
        time.sleep(self.SLOW_MS / 1000 * 1.5)  # the site's own file is read, its first tank's crop isn't
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        harness.small_site.put(self.world.site_path, text.replace("name: Tern Hall", "nonsense: 1\nname: Tern Hall"))
        self.slow(0)
        code, words = self.daemon.tool("reload")
        self.assertNotEqual(code, 0)
        self.assertIn("nonsense", words)
        words = first.communicate(timeout=10)[0]
        self.assertIn("another reload", words)
        self.assertEqual(self.daemon.records("config", ok=True), [])

    def test_3_it_ends_in_the_midst_of_reading(self):
        self.slow(self.SLOW_MS)
        self.daemon.reload()
        time.sleep(0.3)
        began = time.monotonic()
        self.daemon.process.signal(signal.SIGTERM)
        self.assertEqual(self.daemon.process.popen.wait(30), 0)
        self.assertLess(time.monotonic() - began, self.SLOW_MS / 1000)
        self.world.forget(self.daemon.process)


@unittest.skipUnless(platform.machine() == "x86_64", "the tracer knows x86-64 alone")
class Refused(unittest.TestCase):
    def trial(self, options, dice, **how):
        """Did it end with words, and how many calls it made."""
        point = Trial(options, dice)
        try:
            return point.run(**how), point.made
        finally:
            point.close()

    def sweep(self, what, most, one):
        dice = random.Random("%s/%d" % (what, SEED))
        todo = [(n, on) for n in range(1, most + 1) for on in (False, True)]
        if not ALL:
            todo = dice.sample(todo, min(int(POINTS), len(todo)))
        began = time.monotonic()
        tally = collections.Counter()
        failures = []
        for n, on in todo:
            if time.monotonic() - began > SECONDS:
                break
            error = dice.choice(ERRORS)
            try:
                refused, _ = one(n, on, error, dice)
                tally["ended with words" if refused else "went on"] += 1
            except Exception as problem:  # whatever it is, the point is named
                failures.append("%s %d%s, %s: %s" % (what, n, " and on" if on else "", error, problem))
                print(failures[-1], flush=True)
        print("%s: %d in a run, tried %s" % (what, most, json.dumps(tally)), flush=True)
        self.assertEqual(failures, [])
        self.assertGreater(sum(tally.values()), 0)

    def test_calls_to_the_disk(self):
        world = os.path.join(tempfile.gettempdir(), "dosewright-system-")
        which = ["--only", CALLS, "--under", world]

        def one(n, on, error, dice):
            times = ["--times", "0" if on else "1"]
            return self.trial(["--at", str(n), "--do", error] + times + which, dice)

        _, most = self.trial(which, random.Random(0))
        self.sweep("calls", most, one)

    def test_allocations(self):
        def one(n, on, _error, dice):
            return self.trial([], dice, fail_at=n, fail_on=on)

        _, most = self.trial([], random.Random(0))
        self.sweep("allocations", most, one)


if __name__ == "__main__":
    unittest.main(verbosity=2)
