#!/usr/bin/python3
"""`status --watch` on a terminal: a pseudo-terminal with a screen that understands the few sequences that
it may use, over a real daemon that goes away and comes back."""

import fcntl
import os
import re
import select
import signal
import struct
import subprocess
import termios
import time
import unittest

import harness


class Screen:
    """What a person sees. A sequence that isn't known fails, and so does a line that wraps."""

    SEQUENCE = re.compile(r"\x1b\[(\d*)([A-Za-z])")

    def __init__(self, rows, columns):
        self.rows, self.columns = rows, columns
        self.cells = [[" "] * columns for _ in range(rows)]
        self.y = self.x = 0
        self.wiped = self.homed = 0

    def take(self, text):
        at = 0
        while at < len(text):
            c = text[at]
            if c == "\x1b":
                found = self.SEQUENCE.match(text, at)
                if not found:
                    return text[at:]  # the rest of it comes with the next bytes
                self.obey(found[1], found[2])
                at = found.end()
                continue
            at += 1
            if c == "\r":
                self.x = 0
            elif c == "\n":
                self.y += 1
                if self.y == self.rows:
                    raise AssertionError("the screen scrolled")
            else:
                if self.x == self.columns:
                    raise AssertionError("a line wrapped: " + "".join(self.cells[self.y]))
                self.cells[self.y][self.x] = c
                self.x += 1
        return ""

    def obey(self, number, what):
        if (number, what) == ("", "H"):
            self.y = self.x = 0
            self.homed += 1
        elif (number, what) == ("2", "J"):
            self.cells = [[" "] * self.columns for _ in range(self.rows)]
            self.wiped += 1
        elif (number, what) == ("", "K"):
            self.clear(self.y, self.x)
        elif (number, what) == ("", "J"):
            self.clear(self.y, self.x)
            for y in range(self.y + 1, self.rows):
                self.clear(y, 0)
        else:
            raise AssertionError("what is ESC[%s%s?" % (number, what))

    def clear(self, y, x):
        self.cells[y][x:] = [" "] * (self.columns - x)

    def lines(self):
        return ["".join(row).rstrip() for row in self.cells]

    def text(self):
        return "\n".join(self.lines())


class Watching:
    """`status --watch` as a person starts it; ended by its id, whatever happens."""

    def __init__(self, socket, rows=60, columns=80, arguments=(), **environment):
        self.master, terminal = os.openpty()
        self.resize(rows, columns)
        fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

        def lead():
            os.setsid()
            fcntl.ioctl(0, termios.TIOCSCTTY, 0)

        self.process = subprocess.Popen(
            [harness.PROGRAM, "status", "--watch", "--socket", socket, *arguments],
            stdin=terminal, stdout=terminal, stderr=terminal, preexec_fn=lead,
            env={**os.environ, "TERM": "xterm", "LC_ALL": "C.UTF-8", **environment},
        )  # fmt: skip
        os.close(terminal)
        self.rest = b""
        self.ended = False

    def resize(self, rows, columns):
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.screen = Screen(rows, columns)

    def look(self, seconds):
        """Takes what comes in that time."""
        end = time.monotonic() + seconds
        while not self.ended and time.monotonic() < end:
            if not select.select([self.master], [], [], max(0, end - time.monotonic()))[0]:
                return
            try:
                more = os.read(self.master, 65536)
            except OSError:  # the other side is closed
                more = b""
            self.ended = not more
            data = self.rest + more
            whole = len(data)
            while whole > 0 and data[whole - 1] & 0xC0 == 0x80:
                whole -= 1
            if whole > 0 and data[whole - 1] >= 0xC0:
                whole -= 1  # a character that isn't all there
            else:
                whole = len(data)
            left = self.screen.take(data[:whole].decode("utf-8"))
            self.rest = left.encode() + data[whole:]

    def wait(self, words, timeout_s=15):
        end = time.monotonic() + timeout_s
        while words not in self.screen.text():
            if time.monotonic() > end or self.ended:
                raise AssertionError("not on the screen: %s\n%s" % (words, self.screen.text()))
            self.look(0.2)
        return self.screen.text()

    def interrupt(self):
        """Ctrl-C; gives the exit code."""
        os.write(self.master, b"\x03")
        return self.process.wait(5)

    def close(self):
        if self.process.poll() is None:
            os.kill(self.process.pid, signal.SIGKILL)
            self.process.wait()
        os.close(self.master)


class Watch(harness.Case):
    def setUp(self):
        if not (self.daemon.process and self.daemon.process.alive()):
            self.daemon.start()
        harness.wait_until("the daemon answers", self.daemon.status, 20)

    def watch(self, **options):
        watching = Watching(self.daemon.door, **options)
        self.addCleanup(watching.close)
        return watching

    def test_it_is_drawn_in_place_and_ends_with_ctrl_c(self):
        w = self.watch(rows=80)
        first = w.wait("Daemon\n")
        self.assertIn("Tern Hall", first)
        self.assertIn("basil-bench", first)
        self.assertIn("Bottles", first)
        shown, homed = first, w.screen.homed
        end = time.monotonic() + 20
        while w.screen.homed < homed + 3 and time.monotonic() < end:
            w.look(0.5)
            shown = w.screen.text()
            self.assertTrue(shown.startswith("Tern Hall"))  # no moment without a picture
        self.assertGreaterEqual(w.screen.homed, homed + 3)
        self.assertEqual(w.screen.wiped, 1)
        self.assertNotEqual(first.splitlines()[0], shown.splitlines()[0])  # the time goes on
        self.assertEqual(w.interrupt(), 0)

    def test_a_small_window_gets_a_line_for_each_tank(self):
        for tank in ("basil-bench", "lettuce-wall"):
            harness.wait_until("readings of " + tank, lambda: self.daemon.tank(tank)["ph"]["value"], 30)
        w = self.watch(rows=80)
        w.wait("Daemon\n")
        w.resize(20, 80)
        shown = w.wait("2 tanks: ")
        heads = next(line for line in shown.splitlines() if line.startswith("  tank "))
        self.assertEqual(heads.split(), ["tank", "state", "EC", "pH", "degC", "dosed", "ago"])
        self.assertRegex(shown, r"\n[ !] basil-bench  +[a-z]+ +[\d.]+ (low|ok|high)")
        self.assertNotIn("Bottles\n", shown)
        w.resize(20, 40)
        shown = w.wait("\n  tank          EC")
        self.assertRegex(shown, r"\n[ !] lettuce-wall +[\d.]+ [a-z]+ +[\d.]+ [a-z]+")
        self.assertEqual(w.interrupt(), 0)

    def test_what_finds_no_room_is_told(self):
        w = self.watch(rows=6, arguments=["basil-bench"])
        self.assertRegex(w.wait("lines more: make the window taller"), r"\.\.\. and \d+ lines more")
        self.assertEqual(w.interrupt(), 0)

    def test_a_daemon_that_goes_away_is_waited_for(self):
        w = self.watch(rows=80)
        w.wait("Daemon\n")
        self.daemon.end()
        shown = w.wait("NO ANSWER since ")
        self.assertRegex(shown, r"^NO ANSWER since \d\d:\d\d:\d\d UTC: nobody answers here")
        self.assertRegex(shown, r"what\s+stands\s+below\s+is\s+old")
        self.assertIn("basil-bench", shown)
        w.look(3)
        self.assertIn("NO ANSWER since ", w.screen.text())
        self.daemon.start()
        end = time.monotonic() + 20
        while "NO ANSWER" in w.screen.text() and time.monotonic() < end:
            w.look(0.5)
        shown = w.screen.text()
        self.assertTrue(shown.startswith("Tern Hall"), shown)
        self.assertNotIn("NO ANSWER", shown)
        self.assertEqual(shown.count("\n  config "), 1)  # nothing is left of the longer picture
        self.assertEqual(w.interrupt(), 0)

    def test_it_may_be_started_before_the_daemon(self):
        self.daemon.end()
        w = self.watch(rows=80)
        shown = w.wait("Waiting for it.")
        self.assertNotIn("basil-bench", shown)
        self.daemon.start()
        w.wait("basil-bench", 30)
        self.assertEqual(w.interrupt(), 0)

    def test_a_signal_ends_it_and_a_wrong_name_too(self):
        w = self.watch(rows=80)
        w.wait("Daemon\n")
        os.kill(w.process.pid, signal.SIGTERM)
        self.assertEqual(w.process.wait(5), 0)
        w = self.watch(arguments=["nobody"])
        w.wait("there is no tank 'nobody'")
        self.assertEqual(w.process.wait(5), 1)

    def test_without_a_terminal_nothing_moves_a_cursor(self):
        run = subprocess.Popen(
            [harness.PROGRAM, "status", "--watch", "--brief", "--socket", self.daemon.door],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        try:
            time.sleep(5)
            self.assertIsNone(run.poll())
            os.kill(run.pid, signal.SIGINT)
            out, _ = run.communicate(timeout=5)
        finally:
            if run.poll() is None:
                os.kill(run.pid, signal.SIGKILL)
                run.wait()
        self.assertEqual(run.returncode, 0)
        self.assertNotIn(b"\x1b", out)
        self.assertGreaterEqual(out.count(b"2 tanks: "), 2)

    def test_a_dumb_terminal_gets_plain_text_too(self):
        w = Watching(self.daemon.door, rows=60, arguments=["--brief"], TERM="dumb")
        self.addCleanup(w.close)
        w.wait("2 tanks: ")
        self.assertEqual((w.screen.homed, w.screen.wiped), (0, 0))
        self.assertEqual(w.interrupt(), 0)


if __name__ == "__main__":
    harness.main()
