#!/usr/bin/python3
"""The man page and the completion name what the program has, no more and no less. The judge is the
program's own --help.

    man_test.py PROGRAM [test ...]
"""

import os
import re
import shlex
import subprocess
import sys
import unittest

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
PROGRAM = ""
# Where a list of --help is words of the command, and not told of elsewhere.
LISTS = ("commission", "ask", "reckon", "rig")


def help_of(*words):
    run = subprocess.run(
        [PROGRAM, *words, "--help"],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, check=True,
    )  # fmt: skip
    return run.stdout.decode()


def commands():
    return re.findall(r"(?m)^  ([a-z][a-z-]*) ", help_of())


def words_of(*command):
    return set(re.findall(r"(?m)^  ([a-z][a-z-]*)", help_of(*command)))


def options_of(*command):
    return set(re.findall(r"--([a-z][a-z-]*)", help_of(*command))) - {"help"}


class Page(unittest.TestCase):
    def setUp(self):
        with open(os.path.join(ROOT, "docs/man/dosewright.1"), encoding="utf-8") as file:
            text = file.read()
        parts = re.split(r"(?m)^\.S([sh]) (.*)\n", text)
        self.sections = {
            name: body for kind, name, body in zip(parts[1::3], parts[2::3], parts[3::3]) if kind == "s"
        }

    def test_each_command_has_a_section(self):
        self.assertGreater(len(commands()), 10)
        self.assertEqual(list(self.sections), commands())

    def test_its_options_are_the_programs(self):
        for command in commands():
            with self.subTest(command):
                wanted = options_of(command)
                if command == "journal":
                    wanted |= options_of("journal", "report")
                listed = set(re.findall(r"(?m)^\.It Fl -([a-z][a-z-]*)", self.sections[command]))
                self.assertEqual(listed, wanted)

    def test_its_words_are_the_programs(self):
        for command in LISTS:
            with self.subTest(command):
                listed = set(re.findall(r"(?m)^\.It Cm ([a-z][a-z-]*)", self.sections[command]))
                self.assertEqual(listed, words_of(command))
        self.assertEqual(words_of("call") - words_of("ask") - set(commands()), set())

    def test_the_daemons_own_page(self):
        with open(os.path.join(ROOT, "docs/man/dosewright.8"), encoding="utf-8") as file:
            listed = set(re.findall(r"(?m)^\.It Fl -([a-z][a-z-]*)", file.read()))
        self.assertEqual(listed, options_of("run"))


class Version(unittest.TestCase):
    def test_it_is_the_builds(self):
        with open(os.path.join(ROOT, "CMakeLists.txt"), encoding="utf-8") as file:
            built = re.search(r"project\(dosewright VERSION ([0-9.]+)", file.read()).group(1)
        run = subprocess.run([PROGRAM, "--version"], stdout=subprocess.PIPE, check=True)
        self.assertEqual(run.stdout.decode(), "dosewright %s\n" % built)


class Completion(unittest.TestCase):
    def completed(self, *words):
        """What is offered for the last word."""
        script = "source %s; COMP_WORDS=(%s); COMP_CWORD=%d; _dosewright; printf '%%s\\n' \"${COMPREPLY[@]}\"" % (
            shlex.quote(os.path.join(ROOT, "systemd/dosewright.completion")),
            " ".join(shlex.quote(w) for w in (PROGRAM,) + words),
            len(words),
        )
        run = subprocess.run(
            ["bash", "--norc", "-c", script],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, check=True,
        )  # fmt: skip
        self.assertEqual(run.stderr, b"")
        return set(run.stdout.decode().split())

    def test_commands(self):
        self.assertEqual(self.completed(""), set(commands()) | {"--help", "--version"})
        self.assertEqual(self.completed("rel"), {c for c in commands() if c.startswith("rel")})

    def test_options_of_each_command(self):
        for command in commands():
            with self.subTest(command):
                wanted = {"--" + o for o in options_of(command) | {"help"}}
                self.assertEqual(self.completed(command, "--"), wanted)

    def test_options_of_what_is_deeper(self):
        wanted = {"--" + o for o in options_of("reckon", "mix") | {"help"}}
        self.assertEqual(self.completed("reckon", "mix", "--"), wanted)
        wanted = {"--" + o for o in options_of("journal", "report") | {"help"}}
        self.assertEqual(self.completed("journal", "report", "DIR", "--"), wanted)

    def test_words(self):
        self.assertEqual(self.completed("ask", ""), words_of("ask"))
        self.assertEqual(self.completed("reckon", "ph"), {"ph-probe"})
        self.assertEqual(self.completed("journal", "ver"), {"verify"})
        self.assertEqual(self.completed("rig", "--fault", "emp"), {"empty:"})


if __name__ == "__main__":
    PROGRAM = os.path.abspath(sys.argv.pop(1))
    sys.exit(unittest.main())
