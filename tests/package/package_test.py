#!/usr/bin/python3
"""The Debian package in a root of its own, made from nothing but Debian's packages: installed, run with
a broker and the rig on loopback, reloaded, upgraded, purged. Wants to be root.

    package_test.py PACKAGE.deb [test ...]

There is no service manager in that root: what the unit would make (the account's folders) is made here.
"""

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import unittest

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, os.path.join(os.path.dirname(HERE), "system"))

import harness  # noqa: E402
import small_site  # noqa: E402

# What the package wants, and what a machine has that isn't in the smallest root.
WANTED = (
    "libc6", "libcjson1", "libpaho-mqtt1.3", "libssl3", "libyaml-0-2", "mosquitto",
    "systemd-standalone-sysusers", "systemd-standalone-tmpfiles", "tzdata",
)  # fmt: skip
HOUR_ML = 6
PACKAGE = ""


def output(*command, code=0):
    run = subprocess.run(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False
    )
    text = run.stdout.decode("utf-8", errors="replace")
    if code is not None and run.returncode != code:
        raise AssertionError("%s: exit code %d\n%s" % (" ".join(command), run.returncode, text))
    return text


class Root:
    """A Debian of its own below a folder, with /proc of ours while this process lives."""

    def __init__(self):
        self.folder = tempfile.mkdtemp(prefix="dosewright-root-")
        self.path = os.path.join(self.folder, "root")
        output("mmdebstrap", "--mode=root", "--variant=essential", "--include=" + ",".join(WANTED),
               "bookworm", self.path, "deb http://deb.debian.org/debian bookworm main")  # fmt: skip
        output("mount", "-t", "proc", "proc", self.inside("proc"))

    def inside(self, *parts):
        return os.path.join(self.path, *(p.lstrip("/") for p in parts))

    def command(self, *words, user=None):
        who = ["--userspec=%s:%s" % (user, user)] if user else []
        return ["chroot"] + who + [self.path] + list(words)

    def run(self, *words, code=0, user=None):
        return output(*self.command(*words, user=user), code=code)

    def install(self, package):
        shutil.copy(package, self.inside("tmp/dosewright.deb"))
        return self.run("dpkg", "-i", "/tmp/dosewright.deb")

    def remove(self):
        subprocess.run(["umount", self.inside("proc")], check=False)
        if not os.path.ismount(self.inside("proc")):
            shutil.rmtree(self.folder)


def later_version(package, folder):
    """The same package with a higher number."""
    tree = os.path.join(folder, "tree")
    output("dpkg-deb", "-R", package, tree)
    control = os.path.join(tree, "DEBIAN/control")
    with open(control, encoding="utf-8") as file:
        text = file.read()
    small_site.put(control, re.sub(r"(?m)^(Version: .*)$", r"\1+later", text))
    made = os.path.join(folder, "later.deb")
    output("dpkg-deb", "--root-owner-group", "-b", tree, made)
    return made


class Package(unittest.TestCase):
    """One life of a machine: the tests go on where the one before ended."""

    @classmethod
    def setUpClass(cls):
        cls.root = Root()
        cls.addClassCleanup(cls.root.remove)
        cls.processes = []
        cls.addClassCleanup(lambda: [p.end() for p in cls.processes[::-1]])
        cls.port = harness.free_port()
        cls.journal = cls.root.inside("var/lib/dosewright")
        cls.door = cls.root.inside("run/dosewright/tern-hall.sock")
        cls.ledger_path = cls.root.inside("tmp/ledger.jsonl")
        cls.ledger = harness.World.ledger
        cls.runs = harness.World.runs

    def start(self, name, *words, user=None, stdin=False):
        process = harness.Process(
            name, self.root.command(*words, user=user), self.root.folder, {"PATH": "/usr/sbin:/usr/bin"}, stdin
        )
        self.processes.append(process)
        return process

    def start_daemon(self):
        type(self).daemon = self.start(
            "daemon", "/usr/bin/dosewright", "run", "/etc/dosewright/site.yaml", user="dosewright"
        )
        harness.wait_until("the daemon answers", self.status, 20)

    def status(self):
        return harness.call(self.door, {"call": "status"})

    def tool(self, *words, code=0):
        return self.root.run("dosewright", *words, code=code, user="dosewright")

    def used(self):
        """What counts against each limit, once nothing is dosed because of them."""
        tank = {}

        def at_rest():
            tank.update(self.status()["tanks"][0])
            return "limit" in tank["why"]

        try:
            harness.wait_until("a limit holds the tank", at_rest, 60)
        except AssertionError as error:
            raise AssertionError("%s: %s" % (error, tank)) from None
        return {p["stock"]: p["day_ml"] for p in tank["pumps"]}

    def write_site(self, **changes):
        folder = self.root.inside("etc/dosewright")
        path = small_site.write(
            folder, self.port, tanks=("basil-bench",), journal="/var/lib/dosewright",
            socket="/run/dosewright/tern-hall.sock", dose_ml=2, hour_ml=HOUR_ML, day_ml=60, **changes,
        )  # fmt: skip
        return path

    def moved_ml(self, stock):
        return sum(r["ul"] for r in self.runs(stock=stock)) / 1000

    def test_1_installed_and_idle(self):
        said = self.root.install(PACKAGE)
        self.assertIn("Setting up dosewright", said)
        self.assertIn("dosewright", self.root.run("getent", "passwd", "dosewright"))
        self.assertEqual(os.stat(self.root.inside("etc/dosewright")).st_mode & 0o777, 0o755)
        self.assertEqual(os.stat(self.root.inside("etc/dosewright/secrets")).st_mode & 0o777, 0o700)
        wants = self.root.inside("etc/systemd/system/multi-user.target.wants/dosewright.service")
        self.assertTrue(os.path.islink(wants), "the unit isn't enabled")
        unit = self.root.inside("lib/systemd/system/dosewright.service")
        with open(unit, encoding="utf-8") as file:
            self.assertIn("ConditionPathExists=/etc/dosewright/site.yaml\n", file.read())
        self.assertFalse(os.path.exists(self.root.inside("etc/dosewright/site.yaml")))
        self.assertIn("usage: dosewright", self.root.run("dosewright", "--help"))

    def test_2_samples_are_a_configuration(self):
        samples = "/usr/share/doc/dosewright/examples"
        self.assertIn("tanks", self.root.run("dosewright", "check", samples + "/site.yaml"))

    def test_3_doses(self):
        for folder, mode in ((self.journal, 0o700), (os.path.dirname(self.door), 0o750)):
            os.makedirs(folder, exist_ok=True)
            os.chmod(folder, mode)
            output("chroot", self.root.path, "chown", "dosewright:dosewright", folder[len(self.root.path):])
        self.write_site()
        small_site.put(self.root.inside("tmp/broker.conf"), harness.BROKER % self.port)
        self.start("broker", "/usr/sbin/mosquitto", "-c", "/tmp/broker.conf")
        harness.wait_until("the broker answers", self.broker_answers, 10)
        self.start("rig", "/usr/bin/dosewright", "rig", "--exact", "--ledger", "/tmp/ledger.jsonl",
                   "/etc/dosewright/site.yaml", stdin=True)  # fmt: skip
        self.start_daemon()
        harness.wait_until("leaf-a's limit is used up", lambda: self.moved_ml("leaf-a") > HOUR_ML - 0.5, 90)
        self.assertIn("basil-bench", self.tool("status"))

    def broker_answers(self):
        with harness.socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def test_4_a_bad_configuration_is_refused(self):
        before = self.status()["config"]
        self.assertEqual(before["error"], "")
        path = self.root.inside("etc/dosewright/site.yaml")
        with open(path, encoding="utf-8") as file:
            good = file.read()
        small_site.put(path, good.replace("volume_l: 4", "volume_l: four", 1))
        self.assertIn("site.yaml:", self.tool("reload", code=1))
        after = self.status()["config"]
        self.assertEqual(after["loaded"], before["loaded"])
        self.assertIn("volume_l", after["error"])
        small_site.put(path, good.replace("volume_l: 4", "volume_l: 4.1", 1))
        self.tool("reload")
        after = self.status()["config"]
        self.assertNotEqual(after["loaded"], before["loaded"])
        self.assertEqual(after["error"], "")

    def test_5_an_upgrade_keeps_what_is_used_up(self):
        used = self.used()
        self.assertGreater(used["leaf-a"], HOUR_ML - 0.5)
        site = self.root.inside("etc/dosewright/site.yaml")
        with open(site, "rb") as file:
            written = file.read()
        self.assertEqual(self.daemon.end(), 0)
        said = self.root.install(later_version(PACKAGE, self.root.folder))
        self.assertRegex(said, r"Unpacking dosewright \(.*\+later\) over ")
        with open(site, "rb") as file:
            self.assertEqual(file.read(), written)
        self.start_daemon()
        now = self.used()
        self.assertEqual(now["leaf-a"], used["leaf-a"])
        for stock, ml in used.items():
            self.assertGreaterEqual(now[stock], ml, stock)
        before = self.moved_ml("leaf-a")
        harness.time.sleep(12)
        self.assertEqual(self.moved_ml("leaf-a"), before, "the limit was given back")
        self.assertLessEqual(before, HOUR_ML)

    def test_6_an_upgrade_over_a_backup_that_was_put_back(self):
        """The record that a backup was put back is the old version's, and the new one goes by it."""
        site = "/etc/dosewright/site.yaml"
        self.root.run("dosewright", "backup", site, "/tmp/copy.tar")
        self.assertEqual(self.daemon.end(), 0)
        shutil.rmtree(self.journal)  # the disk was lost, say
        os.mkdir(self.journal, 0o700)
        self.root.run("chown", "dosewright:dosewright", self.journal[len(self.root.path):])
        self.root.run("dosewright", "restore", "/tmp/copy.tar")
        self.root.run("dosewright", "journal", "verify", "/var/lib/dosewright")
        folder = os.path.join(self.root.folder, "again")
        os.mkdir(folder)
        said = self.root.install(later_version(self.root.inside("tmp/dosewright.deb"), folder))
        self.assertRegex(said, r"Unpacking dosewright \(.*\+later\+later\) over ")
        before = self.moved_ml("leaf-a")
        self.start_daemon()
        alerts = {a["id"]: a["text"] for a in self.status()["alerts"]}
        self.assertIn("journal-restored", alerts)
        harness.wait_until("limits aren't known", lambda: "limits-unknown-west" in
                           [a["id"] for a in self.status()["alerts"]], 40)  # fmt: skip
        harness.time.sleep(20)
        self.assertEqual(self.moved_ml("leaf-a"), before, "dosed, though nobody knows what was given")
        self.tool("ask", "acknowledge", "journal-restored")
        self.tool("ask", "acknowledge", "limits-unknown-west")
        self.assertEqual([a["id"] for a in self.status()["alerts"] if "limits" in a["id"]], [])

    def test_7_purged(self):
        self.assertEqual(self.daemon.end(), 0)
        self.root.run("dosewright", "journal", "verify", "/var/lib/dosewright")
        kept = sorted(os.listdir(self.journal))
        said = self.root.run("dpkg", "--purge", "dosewright")
        for words in ("/etc/dosewright isn't empty", "/var/lib/dosewright isn't empty", "the account"):
            self.assertIn(words, said)
        self.assertEqual(sorted(os.listdir(self.journal)), kept)
        self.assertTrue(os.path.exists(self.root.inside("etc/dosewright/site.yaml")))
        for gone in ("usr/bin/dosewright", "lib/systemd/system/dosewright.service", "usr/share/doc/dosewright",
                     "etc/systemd/system/multi-user.target.wants/dosewright.service",
                     "usr/lib/sysusers.d/dosewright.conf"):  # fmt: skip
            self.assertFalse(os.path.lexists(self.root.inside(gone)), gone)


def main():
    global PACKAGE
    if os.geteuid() != 0:
        sys.exit("package_test.py: a root of its own can only be made by root")
    if "DOSEWRIGHT_MOUNTS" not in os.environ:  # mounts that end with this process
        os.environ["DOSEWRIGHT_MOUNTS"] = "own"
        os.execvp("unshare", ["unshare", "--mount", "--propagation", "private", sys.executable, "-B"] + sys.argv)
    PACKAGE = os.path.abspath(sys.argv.pop(1))
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    unittest.main(verbosity=2, failfast=True)


if __name__ == "__main__":
    main()
