#!/usr/bin/python3
"""Measures the daemon beside its peers and prints a table; what is measured: bench.py --help. Judges nothing:
its exit code says only whether all could be measured. tests/bench/run builds what this needs."""

import argparse
import os
import sys
import time
import traceback

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
sys.path[:0] = [HERE, os.path.join(ROOT, "tests", "system")]

from measures import disk, idle, instructions, machine, readings, scale, size, start, table  # noqa: E402

MEASURES = {}
for part in (readings, disk, scale, start, idle, instructions, size):
    MEASURES.update(part.MEASURES)


def arguments():
    told = "\n".join("  %-14s %s" % (name, what) for name, (what, _) in MEASURES.items())
    parser = argparse.ArgumentParser(
        description="measures the daemon beside its peers", formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog="measures:\n" + told,
    )  # fmt: skip
    parser.add_argument("measure", nargs="*", help="which; all of them when none is named")
    parser.add_argument("--build", required=True, help="folder of a release build with its benches")
    options = parser.parse_args()
    for name in options.measure:
        if name not in MEASURES:
            parser.error("there is no measure '%s'; the measures are:\n%s" % (name, told))
    return options


def main():
    options = arguments()
    found, whole = table.Table(), True
    where = machine.describe(ROOT)
    for name in options.measure or MEASURES:
        print("%s: %s" % (name, MEASURES[name][0]), flush=True)
        began = time.monotonic()
        try:
            MEASURES[name][1](options.build, found)
        except Exception:  # pylint: disable=broad-except
            traceback.print_exc()
            whole = False
        print("  (%.0f s)" % (time.monotonic() - began), flush=True)
    print()
    for key, value in where.items():
        print("%s: %s" % (key, value))
    print("\n" + found.markdown())
    return 0 if whole else 1


if __name__ == "__main__":
    sys.exit(main())
