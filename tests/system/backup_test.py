#!/usr/bin/python3
"""A copy of a site while it doses, and back: what was dosed since the copy was made isn't in it, so nothing
is dosed until somebody says so. Then the restore is killed at its system calls, and whatever is left is
either the site as it was, the copy, or nothing that the daemon would start with.

RESTORE_POINTS: at how many of its calls it is killed, spread over them ("all": each one; 60)
RESTORE_POINTS_S: no new one is begun after so many seconds (60)."""

import glob
import hashlib
import json
import os
import platform
import shutil
import subprocess
import tarfile
import tempfile
import time
import unittest

import harness
import shim
import small_site

POINTS = os.environ.get("RESTORE_POINTS", "60")
SECONDS = float(os.environ.get("RESTORE_POINTS_S", "1e9" if POINTS == "all" else "60"))
TANK = "basil-bench"
LIMITS = {"leaf-a": 6, "leaf-b": 6, "acid": 4}


def tool(*arguments, wrapper=()):
    run = subprocess.run(
        list(wrapper) + [harness.PROGRAM] + list(arguments),
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=60, check=False,
    )  # fmt: skip
    return run.returncode, run.stdout.decode("utf-8", errors="replace")


class Dosed(harness.Case):
    SITE = {
        "tanks": (TANK,), "dose_ml": 2, "hour_ml": 6, "day_ml": 12, "acid_dose_ml": 1, "acid_hour_ml": 4,
        "acid_day_ml": 8, "ec": 2.2, "ec_rise": 5,
    }  # fmt: skip

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.copy = os.path.join(cls.world.folder, "copy.tar")

    def leaf_ml(self):
        return min(self.world.moved_ul(stock=stock) / 1000 for stock in ("leaf-a", "leaf-b"))

    def wait_used_up(self):
        """Each limit that stands in the way, so that nothing is dosed any more."""
        harness.wait_until("the hour's limit is used up", lambda: self.leaf_ml() > 5.5, 120)
        quiet = {}

        def is_quiet():
            runs = len(self.world.runs())
            if quiet.get("runs") != runs:
                quiet.update(runs=runs, since=time.monotonic())
            return time.monotonic() - quiet["since"] > 10

        harness.wait_until("nothing is dosed any more", is_quiet, 120)

    def test_1_a_copy_is_made_while_it_doses(self):
        self.daemon.start()
        self.wait_dose(60, event="end", stock="leaf-a")
        code, words = tool("backup", self.world.site_path, self.copy)
        self.assertEqual(code, 0, words)
        with tarfile.open(self.copy) as tar:
            names = tar.getnames()
            manifest = tar.extractfile("dosewright-backup/manifest.jsonl").read().decode().splitlines()
        self.assertIn("dosewright-backup/config/site.yaml", names)
        self.assertIn("dosewright-backup/config/schedules/%s.yaml" % TANK, names)
        head = json.loads(manifest[0])
        on_disk = {r["seq"]: r["hash"] for r in self.daemon.records()}
        self.assertEqual(on_disk[head["tip_seq"]], head["tip_hash"])
        self.assertTrue(head["whole"])

    def test_2_a_running_daemon_is_left_alone(self):
        code, words = tool("restore", "--force", self.copy)
        self.assertEqual(code, 75, words)
        self.assertNotIn("a copy of site", words)
        self.assertTrue(self.daemon.process.alive())
        self.assertEqual(self.daemon.verify()[0], 0)

    def test_2_a_dry_run_beside_a_running_daemon_says_that_it_runs(self):
        files, count = sorted(os.listdir(self.world.folder)), len(self.daemon.records())
        harness.wait_until("its journal goes on", lambda: len(self.daemon.records()) > count, 60)
        for arguments in (["--dry-run"], ["--dry-run", "--force"]):
            code, words = tool("restore", *arguments, self.copy)
            self.assertEqual(code, 0 if "--force" in arguments else 1, words)
            self.assertIn("the journal there is newer: it goes on to record", words)
            self.assertIn("writes this journal (process %d)" % self.daemon.process.pid, words)
            self.assertIn("refused until that daemon is stopped", words)
        self.assertTrue(self.daemon.process.alive())
        self.assertEqual(sorted(os.listdir(self.world.folder)), files)

    def test_3_without_force_nothing_newer_is_replaced(self):
        self.wait_used_up()
        self.daemon.end()
        before = self.daemon.records()
        for arguments in (["--dry-run"], [], ["--dry-run", "--force"]):
            code, words = tool("restore", *arguments, self.copy)
            self.assertEqual(code, 0 if "--force" in arguments else 1, words)
            self.assertIn("it goes on to record %d" % before[-1]["seq"], words)
            self.assertEqual(self.daemon.records(), before)

    def test_4_what_was_dosed_since_counts_though_nobody_knows_it(self):
        code, words = tool("restore", "--force", self.copy)
        self.assertEqual(code, 0, words)
        self.assertEqual(self.daemon.records()[-1]["kind"], "restored")
        self.daemon.start()
        self.wait_alert("limits-unknown-west")
        self.wait_alert("journal-restored")
        harness.wait_until("it has the chain", self.daemon.has_chain, 60)
        self.still(10)
        self.assertIn("limit", self.daemon.tank(TANK)["why"])
        self.assertLess(self.leaf_ml(), LIMITS["leaf-a"] + 0.001)
        self.judge_limits(LIMITS)
        self.judge_once()

    def test_5_it_doses_when_somebody_says_so(self):
        for alert in ("journal-restored", "limits-unknown-west"):
            self.assertTrue(self.daemon.ask("acknowledge", alert=alert)["ok"])
            self.wait_alert(alert, stands=False)
        self.wait_dose(60, stock="leaf-a")
        self.daemon.end()
        self.daemon.start()  # and it isn't asked for again
        self.wait_state(TANK, ("waiting", "circulating", "injecting", "flushing", "mixing", "holding"))
        self.assertEqual([a for a in self.daemon.alerts() if "restored" in a or "unknown" in a], [])
        self.judge_once()
        self.judge_journal()


class Newer(unittest.TestCase):
    """A journal that a later version will write: its first record is in the form that stays."""

    def test_it_is_refused_in_words_and_not_touched(self):
        folder = tempfile.mkdtemp(prefix="dosewright-newer-")
        self.addCleanup(shutil.rmtree, folder, ignore_errors=True)
        site = small_site.write(folder, 1, tanks=(TANK,))
        journal = os.path.join(folder, "journal")
        os.mkdir(journal, 0o750)
        record = {
            "boot": "b", "clock": "free", "format": 3, "kind": "start", "mono_ms": 1, "prev": "0" * 64, "seq": 1,
            "time": "2031-04-02T00:00:00.000Z",
        }  # fmt: skip
        bare = json.dumps(record, sort_keys=True, separators=(",", ":"))
        record["hash"] = hashlib.sha256(bare.encode()).hexdigest()
        line = json.dumps(record, sort_keys=True, separators=(",", ":")) + "\n"
        path = os.path.join(journal, "journal-2031-04-02.jsonl")
        small_site.put(path, line)
        for command, code in (
            (["run", site], 65), (["journal", "verify", journal], 74), (["backup", site, os.path.join(folder, "x.tar")], 65),
        ):  # fmt: skip
            with self.subTest(command[0]):
                got, words = tool(*command)
                self.assertEqual(got, code, words)
                self.assertIn("a newer dosewright wrote this (format 3; this one reads up to 2)", words)
        with open(path, encoding="utf-8") as file:
            self.assertEqual(file.read(), line)
        self.assertEqual([p for p in os.listdir(journal) if p.startswith("journal")], [os.path.basename(path)])


class Elsewhere(unittest.TestCase):
    """A copy that is put where nothing was yet, as on a new board."""

    def setUp(self):
        self.top = tempfile.mkdtemp(prefix="dosewright-elsewhere-")
        self.addCleanup(shutil.rmtree, self.top, ignore_errors=True)
        site = small_site.write(self.top, 1, tanks=(TANK,))
        self.copy = os.path.join(self.top, "copy.tar")
        self.folder = os.path.join(self.top, "new")
        os.mkdir(self.folder)
        with subprocess.Popen([harness.PROGRAM, "run", "--quiet", site], stderr=subprocess.DEVNULL) as run:
            door = os.path.join(self.top, "dosewright.sock")
            harness.wait_until("it runs", lambda: harness.call(door, {"call": "status"}), 20)
            run.terminate()
        code, words = tool("backup", site, self.copy)
        self.assertEqual(code, 0, words)

    def restore(self, journal, *options):
        place = ["--journal", os.path.join(self.folder, journal), self.copy, os.path.join(self.folder, "site.yaml")]
        return tool("restore", *options, *place)

    def test_a_dry_run_leaves_an_empty_folder_empty(self):
        empty = os.path.join(self.folder, "journal")
        os.mkdir(empty, 0o750)
        code, words = self.restore("journal", "--dry-run")
        self.assertEqual(code, 0, words)
        self.assertIn("nothing was changed", words)
        self.assertEqual(os.listdir(empty), [])
        self.assertEqual(os.listdir(self.folder), ["journal"])

    @unittest.skipUnless(os.geteuid() == 0, "only root can give files away")
    def test_what_root_puts_back_is_the_folders_owners(self):
        os.chown(self.folder, 12345, 23456)
        code, words = self.restore("journal")
        self.assertEqual(code, 0, words)
        paths = glob.glob(os.path.join(self.folder, "**"), recursive=True)
        self.assertIn(os.path.join(self.folder, "journal", "lock"), paths)
        for path in paths:
            found = os.stat(path)
            self.assertEqual((found.st_uid, found.st_gid), (12345, 23456), path)


def contents(folder):
    found = {}
    for path in glob.glob(os.path.join(folder, "**", "*.yaml"), recursive=True):
        with open(path, "rb") as file:
            found[os.path.relpath(path, folder)] = file.read()
    return found


@unittest.skipUnless(platform.machine() == "x86_64", "the tracer knows x86-64 alone")
class Killed(unittest.TestCase):
    """One folder has the copy's state, one a later state; each kill is in a fresh copy of the later one."""

    def setUp(self):
        self.top = tempfile.mkdtemp(prefix="dosewright-restore-")
        self.addCleanup(shutil.rmtree, self.top, ignore_errors=True)
        self.site = os.path.join(self.top, "site")
        os.mkdir(self.site)
        self.site_path = small_site.write(self.site, 1, tanks=(TANK,))
        self.journal = os.path.join(self.site, "journal")
        self.copy = os.path.join(self.top, "copy.tar")
        self.live()
        self.copied = contents(self.site)
        self.copied_tip = self.tip(self.journal)
        code, words = tool("backup", self.site_path, self.copy)
        self.assertEqual(code, 0, words)
        for name in ("site.yaml", "schedules/%s.yaml" % TANK):
            path = os.path.join(self.site, name)
            with open(path, "a", encoding="utf-8") as file:
                file.write("# later\n")
        self.live()
        self.later = contents(self.site)
        self.later_tip = self.tip(self.journal)
        shutil.copytree(self.site, os.path.join(self.top, "kept"))

    def live(self):
        """A daemon begins and ends: some records, for which no broker is needed."""
        with subprocess.Popen([harness.PROGRAM, "run", "--quiet", self.site_path], stderr=subprocess.DEVNULL) as run:
            harness.wait_until("it runs", lambda: harness.call(os.path.join(self.site, "dosewright.sock"), {"call": "status"}), 20)
            run.terminate()

    def tip(self, journal):
        code, words = tool("journal", "verify", journal)
        self.assertEqual(code, 0, words)
        return words.split()[-1]

    def reset(self):
        shutil.rmtree(self.site)
        shutil.copytree(os.path.join(self.top, "kept"), self.site)

    def restore(self, options):
        report = os.path.join(self.top, "report")
        wrapper = [shim.HURT, "--report", report] + options
        tool("restore", "--force", self.copy, wrapper=wrapper)
        with open(report, encoding="utf-8") as file:
            return [json.loads(line) for line in file][-1]

    def starts(self):
        """Does a daemon start with what is there?"""
        code, words = tool("run", self.site_path, wrapper=["timeout", "-s", "TERM", "0.3"])
        self.assertIn(code, (124, 0, 75), words)
        if code == 75:
            self.assertIn("dosewright restore --force", words)
        return code != 75

    def judge(self):
        """All as it was, all as the copy, or nothing that starts."""
        found, tips = contents(self.site), {}
        for folder in glob.glob(self.journal + "*"):
            if os.path.isdir(folder) and harness.segments(folder):
                code, words = tool("journal", "verify", folder)
                tips[folder] = words.split()[-1] if code == 0 else None
        self.assertIn(self.later_tip, tips.values(), "the newer journal is lost")
        if os.path.exists(os.path.join(self.journal, "restoring")):
            self.assertFalse(self.starts())
            return "refused"
        if tips[self.journal] == self.later_tip:
            self.assertEqual(found, self.later)
            return "as it was"
        self.assertEqual(found, self.copied)
        return "the copy"

    def finish(self):
        """The same again succeeds, from wherever it was."""
        code, words = tool("restore", "--force", self.copy)
        self.assertEqual(code, 0, words)
        self.assertEqual(contents(self.site), self.copied)
        self.assertEqual(glob.glob(os.path.join(self.site, "**", "*.restoring"), recursive=True), [])
        self.assertEqual(self.judge(), "the copy")

    def test_killed_at_its_system_calls(self):
        calls = self.restore([])["calls"]
        self.reset()
        wanted = range(1, calls + 1)
        if POINTS != "all":
            wanted = sorted({1 + n * calls // int(POINTS) for n in range(int(POINTS))} | set(range(calls - 70, calls)))
        began, seen = time.monotonic(), {}
        done = 0
        for number in wanted:
            if time.monotonic() - began > SECONDS:
                break
            with self.subTest(call=number):
                self.restore(["--at", str(number), "--do", "kill"])
                state = self.judge()
                seen[state] = seen.get(state, 0) + 1
                self.finish()
            self.reset()
            done += 1
        print("killed at %d of %d calls, %.0f s: %s" % (done, calls, time.monotonic() - began, seen), flush=True)
        self.assertEqual(set(seen), {"as it was", "the copy", "refused"})


if __name__ == "__main__":
    harness.main()
