#!/usr/bin/python3
"""The alerts of docs/operate.md are those of the core, no more and no less, and one that is quiet after an
acknowledgement is so for as long as the page says."""

import glob
import os
import re
import sys
import unittest

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
SPANS = {"DAY_MS": 24, "HOUR_MS": 1}


def read(path):
    with open(os.path.join(ROOT, path), encoding="utf-8") as file:
        return file.read()


def sources():
    return "".join(read(p) for p in sorted(glob.glob(os.path.join(ROOT, "lib/core/*.c"))))


def names_of(text):
    """Of "`ignores-<tank>-<stock>`, `-circulation`" the part that doesn't vary."""
    return {n.rstrip("-") for n in re.findall(r"`([a-z][a-z-]*?)(?:-<[^`]*)?`", text)}


def in_page():
    rows = re.findall(r"(?m)^\| (`[a-z].*?) \|", read("docs/operate.md"))
    return set().union(*(names_of(r) for r in rows))


def in_core():
    text = sources()
    by_name = re.findall(r'alert_name\(\s*\w+, "([a-z-]+)"', text)
    whole = re.findall(r'alert_(?:raise|clear)\(core, "([a-z-]+)"', text)
    numbered = re.findall(r'text_add\(&t, "(muted-sender)-"\)', text)
    return set(by_name) | set(whole) | set(numbered)


def quiet_in_core():
    """Hours, by name."""
    table = re.search(r"kinds\[\] = \{(.*?)\n\};", read("lib/core/upkeep.c"), re.S).group(1)
    rows = re.findall(r'\{ "([a-z-]+)-", (?:(\d+) \* )?(\w+) \}', table)
    return {name: int(n or 1) * SPANS[span] for name, n, span in rows}


def quiet_in_page():
    page = read("docs/operate.md")
    found = {}
    for name, n, unit in re.findall(r"(?m)^\| `([a-z-]+?)-<.*\| (\d+) (days?) \|$", page):
        found[name] = int(n) * 24
    said = re.search(r"Acknowledged, (.*?) (?:is|are) quiet for 12 hours, (.*?) for one\.", page)
    for names, hours in zip(said.groups(), (12, 1)):
        for name in re.findall(r"`([a-z-]+)-\.\.\.`", names):
            found[name] = hours
    return found


class Alerts(unittest.TestCase):
    def test_the_page_names_those_of_the_core(self):
        self.assertGreater(len(in_core()), 25)
        self.assertEqual(in_page(), in_core())

    def test_quiet_as_long_as_the_page_says(self):
        self.assertGreater(len(quiet_in_core()), 10)
        self.assertEqual(quiet_in_page(), quiet_in_core())


if __name__ == "__main__":
    sys.exit(unittest.main(verbosity=1))
