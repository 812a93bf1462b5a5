#!/usr/bin/python3
"""The rules of the house as a test.

    tidy.py [--root DIR] [--archive LIBCORE.a]

Prints each broken rule with its place, and exits 1 if there is one. The archive is a release build
of lib: without it the rules on symbols and variables can't be looked at, which is an error unless
--no-archive says that this is meant.
"""

import argparse
import os
import sys

import rules


def main():
    here = os.path.dirname(os.path.abspath(__file__))
    parser = argparse.ArgumentParser(description="the rules of the house as a test")
    parser.add_argument("--root", default=os.path.dirname(os.path.dirname(here)))
    parser.add_argument("--archive")
    parser.add_argument("--no-archive", action="store_true")
    options = parser.parse_args()
    if not options.archive and not options.no_archive:
        parser.error("--archive is missing")
    tree = rules.Tree(options.root, os.path.abspath(options.archive) if options.archive else None)
    found = [finding for rule in rules.RULES for finding in rule(tree)]
    for finding in found:
        print(finding)
    print("tidy: %d files, %d findings" % (len(tree.paths), len(found)))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
