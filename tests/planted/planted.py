"""Plants each defect of bugs.list into a copy of the sources, builds the seeded worlds with it, and lets
them run: every one must be caught.

    planted.py [--seeds N] [--seconds S] [--jobs N] [--work FOLDER] [NAME ...]
    planted.py --check      only: does each defect still fit the sources?
    planted.py --list       their names

Prints a table: the defect, what it breaks, what caught it, in which seed, after how long. Ends with 0 when
all were caught, 1 when one wasn't, 64 for a wrong call.
"""

import argparse
import concurrent.futures
import dataclasses
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
LIST = pathlib.Path(__file__).with_name("bugs.list")
SOURCES = ("CMakeLists.txt", "daemon", "lib", "tests", "config", "systemd")
JUDGE = "simulation.storm"
BUILD_TIMEOUT_S = 600


class Misfit(Exception):
    pass


@dataclasses.dataclass
class Change:
    path: str
    old: str
    new: str = ""


@dataclasses.dataclass
class Bug:
    name: str
    breaks: str = ""
    says: str = ""
    otherwise: str = ""  # the test that sees it when the worlds don't in their time
    changes: list = dataclasses.field(default_factory=list)


@dataclasses.dataclass
class Verdict:
    bug: Bug
    caught: bool
    by: str
    seconds: float


def read_list(path=LIST):
    bugs, file, last = [], None, None
    for number, line in enumerate(path.read_text().splitlines(), 1):
        if line.startswith("-"):
            if last == "-":
                bugs[-1].changes[-1].old += line[1:] + "\n"
            else:
                bugs[-1].changes.append(Change(file, line[1:] + "\n"))
        elif line.startswith("+"):
            bugs[-1].changes[-1].new += line[1:] + "\n"
        elif line and not line.startswith("#"):
            word, _, rest = line.partition(" ")
            rest = rest.strip()
            if word == "bug":
                bugs.append(Bug(rest))
            elif word == "file":
                file = rest
            elif word in ("breaks", "says", "otherwise"):
                setattr(bugs[-1], word, rest)
            else:
                raise SystemExit("%s:%d: found '%s', wanted bug, breaks, says, otherwise or file" % (path, number, word))
        last = line[:1]
    return bugs


def planted(bug, root):
    """The changed files' texts, by path below root."""
    texts = {}
    for change in bug.changes:
        text = texts.get(change.path)
        if text is None:
            text = (root / change.path).read_text()
        found = text.count(change.old)
        if found != 1:
            first = change.old.splitlines()[0].strip()
            raise Misfit("%s: %s has %d places that read '%s', not one" % (bug.name, change.path, found, first))
        texts[change.path] = text.replace(change.old, change.new)
    return texts


class Workshop:
    """A copy of the sources with a build folder, in which one defect after the other is planted."""

    def __init__(self, folder, options):
        self.source, self.build, self.options = folder / "source", folder / "build", options
        self.source.mkdir(parents=True)
        for name in SOURCES:
            copy = shutil.copytree if (ROOT / name).is_dir() else shutil.copy2
            copy(ROOT / name, self.source / name)
        self.must("cmake", "-S", self.source, "-B", self.build, "-G", "Ninja",
                  "-DDOSEWRIGHT_VARIANT=release", "-DCMAKE_C_FLAGS=-w")

    def must(self, *command):
        done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL,
                              text=True, timeout=BUILD_TIMEOUT_S)
        if done.returncode != 0:
            raise Misfit("it doesn't build: " + done.stdout[-2000:])

    def run(self, bug, judge, *arguments):
        self.must("ninja", "-C", self.build, "-j1", "tests/" + judge)
        began = time.monotonic()
        try:
            done = subprocess.run([self.build / "tests" / judge, *arguments], stdout=subprocess.PIPE,
                                  stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, text=True, errors="replace",
                                  timeout=self.options.seconds * 2 + 60)
        except subprocess.TimeoutExpired:
            return Verdict(bug, True, "it never ends", time.monotonic() - began)
        caught = done.returncode not in (0, 64)
        by = judge + ": " + what_caught(done)
        return Verdict(bug, caught, by if caught else "", time.monotonic() - began)

    def try_out(self, bug):
        before = {path: (self.source / path).read_text() for path in {c.path for c in bug.changes}}
        try:
            for path, text in planted(bug, self.source).items():
                (self.source / path).write_text(text)
            verdict = self.run(bug, JUDGE, "--seeds", str(self.options.seeds), "--seconds", str(self.options.seconds),
                               "--jobs", "1", "--no-shrink")
            return verdict if verdict.caught or not bug.otherwise else self.run(bug, bug.otherwise)
        except Misfit as problem:
            return Verdict(bug, False, str(problem), 0.0)
        finally:
            for path, text in before.items():
                (self.source / path).write_text(text)


def what_caught(done):
    """The first line that names an invariant and a seed, or a test that failed, as far as there is one."""
    for line in done.stdout.splitlines():
        if re.search(r"\bseed \d+", line) and re.search(r"\b(I\d+|L\d|R|INVARIANT)\b", line):
            return line.strip()[:100]
        if re.search(r":[FE]:", line):
            return ":".join(line.split(":")[4:6])[:100]
    lines = [line.strip() for line in done.stdout.splitlines() if line.strip()]
    return ("ended by signal %d: " % -done.returncode if done.returncode < 0 else "") + (lines[0] if lines else "")[:90]


def try_all(bugs, options, folder):
    """Each worker takes the next defect that nobody has."""
    waiting, verdicts = list(bugs), []

    def work(number):
        shop = Workshop(folder / str(number), options)
        while waiting:
            verdict = shop.try_out(waiting.pop(0))
            verdicts.append(verdict)
            print("%-28s %-10s %-6s %6.1f s  %s" % (verdict.bug.name, verdict.bug.breaks,
                  "caught" if verdict.caught else "MISSED", verdict.seconds, verdict.by), flush=True)

    with concurrent.futures.ThreadPoolExecutor(options.jobs) as pool:
        for done in [pool.submit(work, number) for number in range(options.jobs)]:
            done.result()
    return verdicts


def check(bugs):
    misfits = 0
    for bug in bugs:
        try:
            planted(bug, ROOT)
        except Misfit as problem:
            print(problem)
            misfits += 1
    print("%d defects, %d don't fit the sources" % (len(bugs), misfits))
    return 1 if misfits or len({bug.name for bug in bugs}) != len(bugs) else 0


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=10000)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--work", type=pathlib.Path)
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("name", nargs="*")
    options = parser.parse_args()
    bugs = read_list()
    unknown = set(options.name) - {bug.name for bug in bugs}
    if unknown:
        print("there is no defect named %s; --list shows them" % ", ".join(sorted(unknown)), file=sys.stderr)
        return 64
    if options.name:
        bugs = [bug for bug in bugs if bug.name in options.name]
    if options.list:
        print("\n".join(bug.name for bug in bugs))
        return 0
    if options.check:
        return check(bugs)
    with tempfile.TemporaryDirectory(dir=options.work, prefix="planted-") as folder:
        verdicts = try_all(bugs, options, pathlib.Path(folder))
    missed = [verdict.bug.name for verdict in verdicts if not verdict.caught]
    print("%d of %d planted defects caught%s" % (len(verdicts) - len(missed), len(verdicts),
          "; missed: " + ", ".join(missed) if missed else ""))
    return 1 if missed or len(verdicts) != len(bugs) else 0


if __name__ == "__main__":
    sys.exit(main())
