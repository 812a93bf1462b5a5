#!/usr/bin/python3
"""What the service manager would make of the unit, as far as that can be told without running it as
process 1: it is well formed, it shuts in as much as we say, and each part of that counts."""

import configparser
import os
import re
import shutil
import subprocess
import sys
import tempfile
import unittest

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
FOLDER = os.path.join(ROOT, "systemd")


class Unit(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.mkdtemp(prefix="dosewright-service-")
        self.addCleanup(shutil.rmtree, self.folder)
        with open(os.path.join(FOLDER, "dosewright.service"), encoding="utf-8") as file:
            self.text = file.read()

    def place(self, text, sample=None):
        """Writes the unit (and a drop-in) where the tool looks, with a program that exists."""
        path = os.path.join(self.folder, "dosewright.service")
        with open(path, "w", encoding="utf-8") as file:
            file.write(text.replace("/usr/bin/dosewright", "/bin/true"))
        drop_ins = path + ".d"
        shutil.rmtree(drop_ins, ignore_errors=True)
        if sample:
            os.mkdir(drop_ins)
            source = os.path.join(FOLDER, "dosewright.service.d", sample)
            shutil.copy(source, os.path.join(drop_ins, "broker.conf"))
        return path

    def analyze(self, *arguments):
        return subprocess.run(
            ["systemd-analyze", "--no-pager"] + list(arguments),
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False,
        )  # fmt: skip

    def passes(self, threshold, text=None, sample=None):
        path = self.place(text or self.text, sample)
        run = self.analyze("security", "--offline=true", "--threshold=%d" % threshold, path)
        self.assertIn(b"Overall exposure level", run.stdout)
        return run.returncode == 0

    def test_it_is_well_formed(self):
        run = self.analyze("verify", self.place(self.text))
        complaints = [
            line for line in run.stdout.decode().splitlines()
            if "dosewright.service" in line and "Failed to prepare" not in line
        ]  # fmt: skip
        self.assertEqual(complaints, [])
        bad = self.analyze("verify", self.place(self.text.replace("WatchdogSec=10", "WatchdogSec=ten")))
        self.assertIn(b"dosewright.service", bad.stdout)

    def test_exposure_as_shipped_and_with_each_drop_in(self):
        self.assertTrue(self.passes(11))
        self.assertTrue(self.passes(10, sample="remote-broker.conf.sample"))
        self.assertTrue(self.passes(9, sample="local-broker.conf.sample"))

    def test_each_part_of_the_sandbox_counts(self):
        for part in ("CapabilityBoundingSet", "SystemCallFilter", "RestrictNamespaces",
                     "RestrictAddressFamilies", "PrivateUsers", "PrivateDevices", "ProtectProc",
                     "SystemCallArchitectures", "PrivateMounts", "User"):  # fmt: skip
            with self.subTest(part):
                without = re.sub(r"(?m)^%s=.*\n" % part, "", self.text)
                self.assertNotEqual(without, self.text)
                self.assertFalse(self.passes(11, without))

    def test_what_the_daemon_and_the_papers_count_on(self):
        parser = configparser.RawConfigParser(strict=False)
        parser.optionxform = str
        parser.read_string(self.text)
        service = dict(parser["Service"])
        for key, value in {
            "Type": "notify",
            "ExecStart": "/usr/bin/dosewright run /etc/dosewright/site.yaml",
            "ExecReload": "/bin/kill -HUP $MAINPID",
            "WatchdogSec": "10",
            "User": "dosewright",
            "RuntimeDirectory": "dosewright",
            "RuntimeDirectoryPreserve": "yes",
            "StateDirectory": "dosewright",
        }.items():
            self.assertEqual(service.get(key), value, key)
        self.assertEqual(parser["Unit"]["ConditionPathExists"], "/etc/dosewright/site.yaml")
        self.assertNotIn("ProcSubset", service, "the boot id couldn't be read")
        self.assertNotIn("DynamicUser", service)

    def test_the_template_is_the_unit_with_a_sites_places(self):
        """For several sites on one board; all else, the sandbox too, is the same line by line."""
        with open(os.path.join(FOLDER, "dosewright@.service"), encoding="utf-8") as file:
            template = file.read()
        wanted = self.text
        for alone, one_of_several in (
            ("# dosewright: keeps", "# dosewright, one of several sites on one board (docs/packaging.md): keeps"),
            ("Description=Dosing of hydroponic tanks over MQTT", "Description=Dosing of hydroponic tanks over MQTT, site %i"),
            ("/etc/dosewright/site.yaml", "/etc/dosewright/%i/site.yaml"),
            ("StateDirectory=dosewright\n", "StateDirectory=dosewright-%i\n"),
        ):  # fmt: skip
            self.assertIn(alone, wanted)
            wanted = wanted.replace(alone, one_of_several)
        self.assertEqual(template, wanted)
        path = os.path.join(self.folder, "dosewright@.service")
        for text, complaints in ((template, 0), (template.replace("WatchdogSec=10", "WatchdogSec=ten"), 1)):
            with open(path, "w", encoding="utf-8") as file:
                file.write(text.replace("/usr/bin/dosewright", "/bin/true"))
            run = self.analyze("verify", os.path.join(self.folder, "dosewright@north.service"))
            found = [l for l in run.stdout.decode().splitlines() if "dosewright@" in l and "Failed to prepare" not in l]
            self.assertEqual(len(found) > 0, complaints > 0, found)

    def test_the_account_can_be_made(self):
        root = os.path.join(self.folder, "root")
        os.makedirs(os.path.join(root, "etc"))
        rules = os.path.join(FOLDER, "dosewright.sysusers")
        run = subprocess.run(
            ["systemd-sysusers", "--root=" + root, rules],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False,
        )  # fmt: skip
        self.assertEqual(run.returncode, 0, run.stdout.decode())
        with open(os.path.join(root, "etc/passwd"), encoding="utf-8") as file:
            self.assertRegex(file.read(), r"(?m)^dosewright:x:\d+:\d+:.*:/usr/sbin/nologin$")
        with open(os.path.join(root, "etc/group"), encoding="utf-8") as file:
            self.assertRegex(file.read(), r"(?m)^dosewright:x:\d+:")

    def test_the_folders_can_be_made(self):
        root = os.path.join(self.folder, "root")
        os.makedirs(root)
        rules = os.path.join(FOLDER, "dosewright.tmpfiles")
        run = subprocess.run(
            ["systemd-tmpfiles", "--create", "--root=" + root, rules],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False,
        )  # fmt: skip
        self.assertEqual(run.returncode, 0, run.stdout.decode())
        secrets = os.stat(os.path.join(root, "etc/dosewright/secrets"))
        self.assertEqual(secrets.st_mode & 0o777, 0o700)


if __name__ == "__main__":
    sys.exit(unittest.main())
