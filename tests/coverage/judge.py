#!/usr/bin/python3
"""Holds what gcovr measured against the bars of bars.json.

    judge.py [--raise] REPORT.json

REPORT.json is gcovr's own (--json). Prints the branches of each file of the safety core and the
lines of all, and exits 1 when a bar isn't reached. Bars only go up: --raise writes what was reached
into bars.json, and never lowers one.

What a branch is, gcc decides: each way out of each condition, with short circuits. Two kinds can't
be taken by any test and aren't counted:
- those of an INVARIANT: its false side ends the program (gcovr leaves those lines' branches out,
  see the pattern in tests/coverage/run);
- of a switch over an enum without a default label, the way past all cases: -Wswitch-enum holds
  that none is missing. One such branch is let off for each switch; a second one isn't.
Anything else that is let off stands in exceptions.txt, with the text of its line and a reason.
"""

import argparse
import json
import os
import re
import sys

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
SWITCH = re.compile(r"^\s*switch \(")


def read_exceptions(path):
    """Lines 'file | text of the line | branches | reason'."""
    found = {}
    with open(path, encoding="utf-8") as lines:
        for number, line in enumerate(lines, 1):
            if not line.strip() or line.startswith("#"):
                continue
            parts = [part.strip() for part in line.split(" | ")]
            if len(parts) != 4 or not parts[2].isdigit() or len(parts[3]) < 20:
                sys.exit("%s:%d: four parts were due, the last one a reason" % (path, number))
            found[(parts[0], parts[1])] = int(parts[2])
    return found


class File:
    def __init__(self, report, exceptions, unused):
        self.path = report["file"]
        with open(os.path.join(ROOT, self.path), encoding="utf-8") as f:
            self.text = f.read().split("\n")
        self.exceptions = exceptions
        self.unused = unused
        self.branches = self.taken = self.let_off = 0
        self.lines = self.run = 0
        self.missing = []
        for line in report["lines"]:
            if line.get("gcovr/noncode"):
                continue
            self.lines += 1
            self.run += line["count"] > 0
            self._branches(line)

    def _branches(self, line):
        branches = line["branches"]
        text = self.text[line["line_number"] - 1]
        untaken = sum(branch["count"] == 0 for branch in branches)
        self.branches += len(branches)
        self.taken += len(branches) - untaken
        spare = 1 if SWITCH.match(text) and len(branches) > 2 and untaken else 0
        key = (self.path, text.strip())
        if key in self.exceptions and untaken > spare:
            spare += self.exceptions[key]
            self.unused.discard(key)
        spare = min(spare, untaken)
        self.branches -= spare
        self.let_off += spare
        if untaken > spare:
            self.missing.append((line["line_number"], untaken - spare, len(branches)))

    def percent(self):
        return 100.0 * self.taken / self.branches if self.branches else 100.0


def is_core(path, patterns):
    return any(path == p or (p.endswith("/") and path.startswith(p)) for p in patterns)


def show(files, wanted_missing):
    print("%-32s %9s %7s %8s" % ("branches of the safety core", "taken", "of", "percent"))
    for f in files:
        print("%-32s %9d %7d %7.1f%%" % (f.path, f.taken, f.branches, f.percent()))
        for number, untaken, of in f.missing if wanted_missing else []:
            print("    line %d: %d of %d not taken: %s"
                  % (number, untaken, of, f.text[number - 1].strip()))  # fmt: skip


def main():
    parser = argparse.ArgumentParser(description="holds coverage against its bars")
    parser.add_argument("report")
    parser.add_argument("--raise", dest="raise_bars", action="store_true")
    parser.add_argument("--missing", action="store_true", help="show each branch not taken")
    options = parser.parse_args()
    with open(os.path.join(HERE, "bars.json"), encoding="utf-8") as f:
        bars = json.load(f)
    exceptions = read_exceptions(os.path.join(HERE, "exceptions.txt"))
    unused = set(exceptions)
    with open(options.report, encoding="utf-8") as f:
        files = [File(report, exceptions, unused) for report in json.load(f)["files"]]
    core = [f for f in files if is_core(f.path, bars["safety_core"])]
    show(core, options.missing)

    wrong = []
    taken, branches = sum(f.taken for f in core), sum(f.branches for f in core)
    run, lines = sum(f.run for f in files), sum(f.lines for f in files)
    line_percent = 100.0 * run / lines
    print("%-32s %9d %7d %7.1f%%" % ("all of them", taken, branches, 100.0 * taken / branches))
    print("%-32s %9d %7d %7.1f%%" % ("lines of lib and daemon", run, lines, line_percent))
    print("let off: %d branches of switches and exceptions" % sum(f.let_off for f in core))
    for f in core:
        bar = bars["branches_percent"].get(f.path, 100.0)
        if f.percent() < bar:
            wrong.append("%s: %.1f %% of the branches, the bar is %.1f" % (f.path, f.percent(), bar))
        elif bar < 100.0 and f.percent() > bar:
            bars["branches_percent"][f.path] = int(f.percent() * 10) / 10
    for pattern in bars["safety_core"]:
        if not any(is_core(f.path, [pattern]) for f in core):
            wrong.append("%s: nothing was measured" % pattern)
    for path, text in sorted(unused):
        wrong.append("exceptions.txt: nothing is let off by '%s | %s'" % (path, text))
    if line_percent < bars["lines_percent"]:
        wrong.append("%.1f %% of the lines, the bar is %.1f" % (line_percent, bars["lines_percent"]))
    if options.raise_bars:
        bars["branches_percent"] = {
            path: bar for path, bar in sorted(bars["branches_percent"].items()) if bar < 100.0
        }
        bars["lines_percent"] = max(bars["lines_percent"], int(line_percent * 10) / 10)
        with open(os.path.join(HERE, "bars.json"), "w", encoding="utf-8") as f:
            json.dump(bars, f, indent=4)
            f.write("\n")
    for line in wrong:
        print("below its bar: " + line)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
