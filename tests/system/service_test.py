#!/usr/bin/python3
"""What the service manager hears, and whether the sandbox leaves the daemon what it needs. There is no
service manager here: a socket of ours stands for it, and the list of system calls for its filter."""

import datetime
import os
import platform
import signal
import socket
import subprocess
import sys
import threading
import time
import unittest

import confine
import harness
import made_journal

UNIT = os.path.join(harness.ROOT, "systemd/dosewright.service")
# Refused by the filter, and the daemon is known to do without: reading whether the clock is synced
# (another way is taken), and the C library's look at its limits.
DONE_WITHOUT = {"adjtimex", "clock_adjtime", "prlimit64"}


class Manager:
    """Stands for the service manager's socket."""

    def __init__(self, folder):
        self.path = os.path.join(folder, "notify.sock")
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(self.path)
        self.socket.settimeout(0.2)
        self.heard = []
        self.closing = False
        self.thread = threading.Thread(target=self.listen)
        self.thread.start()

    def listen(self):
        while not self.closing:
            try:
                lines = self.socket.recv(4096).decode().splitlines()
            except socket.timeout:
                continue
            self.heard.append((time.monotonic(), lines))

    def has(self, line, since=0):
        return any(line in lines for at, lines in list(self.heard) if at >= since)

    def close(self):
        self.closing = True
        self.thread.join()
        self.socket.close()


class Notify(harness.Case):
    SITE = {"tanks": ("basil-bench",)}

    def setUp(self):
        self.manager = Manager(tempfile_in(self.world.folder, self.id()))
        self.addCleanup(self.manager.close)
        self.addCleanup(self.end_if_alive)

    def end_if_alive(self):
        if self.daemon.process and self.daemon.process.alive():
            self.daemon.end()

    def begin(self, watchdog_ms=2000):
        self.daemon.start(
            NOTIFY_SOCKET=self.manager.path, WATCHDOG_USEC=str(watchdog_ms * 1000), WATCHDOG_PID=""
        )
        harness.wait_until("READY=1", lambda: self.manager.has("READY=1"), 20)

    def test_1_ready_watchdog_reload_stop(self):
        self.begin()
        time.sleep(5)
        pats = [at for at, lines in list(self.manager.heard) if "WATCHDOG=1" in lines]
        self.assertGreaterEqual(len(pats), 4)
        self.assertLess(max(b - a for a, b in zip(pats, pats[1:])), 2.0)
        self.assertTrue(any(l.startswith("STATUS=") for _, lines in self.manager.heard for l in lines))

        asked = time.monotonic()
        low = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
        self.daemon.reload()
        harness.wait_until("RELOADING=1", lambda: self.manager.has("RELOADING=1", asked), 10)
        harness.wait_until("READY=1 again", lambda: self.manager.has("READY=1", asked), 30)
        high = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
        message = next(m for at, m in self.manager.heard if at >= asked and "RELOADING=1" in m)
        stamp = next(l for l in message if l.startswith("MONOTONIC_USEC="))
        self.assertTrue(low - 1000 <= int(stamp.split("=")[1]) <= high, stamp)

        self.assertEqual(self.daemon.end(), 0)
        self.assertTrue(self.manager.has("STOPPING=1"))

    def test_2_ready_without_a_broker(self):
        self.world.kill_broker()
        try:
            self.begin()
            harness.wait_until(
                "the status says that the broker is away",
                lambda: any(
                    l.startswith("STATUS=") and "broker" in l and "answer" in l
                    for _, lines in list(self.manager.heard) for l in lines
                ),
                20,
            )  # fmt: skip
            self.assertFalse(self.daemon.status()["broker"]["up"])
            self.assertEqual(self.daemon.ask("halt", on=True)["ok"], True)
            self.assertEqual(self.daemon.ask("halt", on=False)["ok"], True)
            self.assertEqual(self.daemon.end(), 0)
        finally:
            self.world.start_broker()

    def test_3_a_daemon_that_hangs_is_not_patted(self):
        self.begin()
        self.daemon.process.signal(signal.SIGSTOP)
        since = time.monotonic() + 0.2
        time.sleep(3)
        self.assertFalse(self.manager.has("WATCHDOG=1", since))
        self.daemon.process.signal(signal.SIGCONT)
        harness.wait_until("it goes on", lambda: self.manager.has("WATCHDOG=1", since), 5)
        self.assertEqual(self.daemon.end(), 0)

    def test_4_a_wrong_file_at_the_start_is_final(self):
        path = os.path.join(self.world.folder, "wrong.yaml")
        with open(self.world.site_path, encoding="utf-8") as file:
            harness.small_site.put(path, file.read().replace("volume_l: 4", "volume_l: 4 L", 1))
        run = subprocess.run(
            [harness.PROGRAM, "run", path],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            timeout=20, check=False,
        )  # fmt: skip
        self.assertEqual(run.returncode, 78, run.stdout)  # EX_CONFIG: not tried again
        self.assertIn(b"wrong.yaml:", run.stdout)

    def test_5_a_reload_before_it_is_ready(self):
        """While it reads its files: SIGHUP's own effect would be an end, and one that counts as clean, so
        that nobody would start it again."""
        slow = ["strace", "-f", "-qq", "-o", "/dev/null", "-P", self.world.site_path]
        slow += ["-e", "trace=openat", "-e", "inject=openat:delay_enter=2000000:when=1"]
        self.daemon.start(wrapper=slow, NOTIFY_SOCKET=self.manager.path)
        tracer = self.daemon.process.pid

        def reads():
            try:
                with open("/proc/%d/task/%d/children" % (tracer, tracer), encoding="ascii") as file:
                    child = int(file.read().split()[0])
                with open("/proc/%d/syscall" % child, encoding="ascii") as file:
                    number = file.read().split()[0]
                with open("/proc/%d/cmdline" % child, "rb") as file:
                    return child if file.read().startswith(harness.PROGRAM.encode()) and number == "257" else None
            except (OSError, IndexError, ValueError):
                return None

        child = harness.wait_until("it opens its file", reads, 10, 0.01)
        os.kill(child, signal.SIGHUP)
        harness.wait_until("READY=1", lambda: self.manager.has("READY=1"), 20)
        done = "the new configuration is in force"
        harness.wait_until(done, lambda: done in self.daemon.process.log(), 20)
        os.kill(child, signal.SIGTERM)
        self.assertEqual(self.daemon.process.popen.wait(20), 0)
        self.world.forget(self.daemon.process)


class Kept(harness.Case):
    SITE = {"tanks": ("basil-bench",)}

    def test_a_reload_with_other_keep_days(self):
        made = made_journal.MadeJournal(self.daemon.journal_dir)
        now = datetime.datetime.now(datetime.timezone.utc)
        for days in range(20, 0, -1):
            made.add(now - datetime.timedelta(days=days), "link", up=False)
        made.close()
        self.daemon.start()
        harness.wait_until("it runs", self.daemon.status, 20)
        self.assertEqual(len(harness.segments(self.daemon.journal_dir)), 21)
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        harness.small_site.put(self.world.site_path, text.replace("keep_days: 30", "keep_days: 7"))
        unwise = "more than 0.02: dilute it"  # the small tank's acid
        self.assertEqual(self.daemon.process.log().count(unwise), 1)
        self.daemon.reload_done()
        self.assertEqual(self.daemon.process.log().count(unwise), 2)
        harness.wait_until(
            "what is older goes", lambda: len(harness.segments(self.daemon.journal_dir)) == 8, 10
        )
        self.assertEqual([r["keep_days"] for r in self.daemon.records("pruned")], [7])
        self.assertEqual(self.daemon.end(), 0)
        self.judge_journal()


class Sandbox(harness.Case):
    SITE = {"tanks": ("basil-bench",)}

    def test_every_system_call_is_in_the_filter(self):
        trace = os.path.join(self.world.folder, "trace")
        self.daemon.start(wrapper=["strace", "-f", "-qq", "-c", "-o", trace])
        self.wait_dose(60)
        tracer = self.daemon.process.pid
        with open("/proc/%d/task/%d/children" % (tracer, tracer), encoding="utf-8") as file:
            child = int(file.read().split()[0])
        os.kill(child, signal.SIGHUP)
        harness.wait_until("the reload is recorded", lambda: self.daemon.records("config"), 30)
        self.daemon.tool("status")
        os.kill(child, signal.SIGTERM)
        self.daemon.process.popen.wait(20)
        self.world.forget(self.daemon.process)
        used = set()
        with open(trace, encoding="utf-8") as file:
            for line in file:
                fields = line.split()
                if len(fields) >= 5 and fields[0][0].isdigit() and fields[-1] != "total":
                    used.add(fields[-1])
        self.assertGreater(len(used), 20)
        allowed = confine.allowed_calls(UNIT)
        self.assertGreater(len(allowed), 200)
        self.assertEqual(used - allowed - DONE_WITHOUT, set())


CONFINED = [sys.executable, "-B", confine.__file__, UNIT]

# A call that the unit denies, a family, and memory that is writable and executable; each is done by root
# outside. What happened is told as an errno, 0 for done.
FORBIDDEN = """
import ctypes, mmap, os, socket
def told(deed):
    try:
        deed()
    except OSError as error:
        return error.errno
    return 0
libc = ctypes.CDLL(None, use_errno=True)
def look_at_clock():
    if libc.syscall(305, 0, ctypes.create_string_buffer(512)) < 0:
        raise OSError(ctypes.get_errno(), "")
print(told(look_at_clock), told(lambda: socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM)),
      told(lambda: mmap.mmap(-1, 4096, prot=mmap.PROT_WRITE | mmap.PROT_EXEC)), told(os.getppid),
      told(lambda: socket.socket(socket.AF_INET)), told(lambda: mmap.mmap(-1, 4096)))
"""


@unittest.skipUnless(platform.machine() == "x86_64", "the filter is made for x86-64 alone")
class Confined(harness.Case):
    """Under the unit's own filters, in force in the kernel."""

    SITE = {"tanks": ("basil-bench",)}

    def confined(self, *command):
        run = subprocess.run(
            CONFINED + list(command), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, timeout=60, check=False,
        )  # fmt: skip
        return run.returncode, run.stdout.decode("utf-8", errors="replace")

    def test_1_the_filters_are_in_force(self):
        free = subprocess.run([sys.executable, "-c", FORBIDDEN], stdout=subprocess.PIPE, check=True).stdout.split()
        self.assertEqual(free[0], b"0")
        self.assertEqual(free[2:], [b"0"] * 4)
        self.assertNotEqual(free[1], b"97")
        code, told = self.confined(sys.executable, "-c", FORBIDDEN)
        self.assertEqual((code, told.split()), (0, ["1", "97", "1", "0", "0", "0"]))

    def test_2_the_daemon_doses_reloads_and_ends(self):
        self.daemon.start(wrapper=CONFINED)
        self.wait_dose(60)
        with open("/proc/%d/status" % self.daemon.process.pid, encoding="utf-8") as file:
            self.assertIn("Seccomp_filters:\t3", file.read())
        self.daemon.reload_done()
        code, words = self.confined(harness.PROGRAM, "status", "--socket", self.daemon.door)
        self.assertEqual(code, 0, words)
        self.world.kill_broker()
        harness.wait_until("the broker is missed", lambda: not self.daemon.status()["broker"]["up"], 30)
        self.world.start_broker()
        harness.wait_until("the broker is back", lambda: self.daemon.status()["broker"]["up"], 60)
        self.wait_dose(90)
        self.assertEqual(self.daemon.end(), 0)
        self.judge_once()
        self.judge_journal()

    def test_3_the_tools_do_too(self):
        """What people run beside it, under the same filters: nothing of it needs more."""
        self.daemon.start(wrapper=CONFINED)
        harness.wait_until("it answers", self.daemon.status, 20)
        site, door = self.world.site_path, ["--socket", self.daemon.door]
        copy = os.path.join(self.world.folder, "copy.tar")
        for command in (
            ["check", site], ["status"] + door, ["pause", "basil-bench"] + door, ["unpause", "basil-bench"] + door,
            ["halt"] + door, ["release"] + door, ["reload"] + door, ["ask", "set", "basil-bench", "ec", "1.3"] + door,
            ["journal", "verify", self.daemon.journal_dir], ["journal", "show", self.daemon.journal_dir],
            ["journal", "report", self.daemon.journal_dir], ["worksheet", site],
            ["backup", site, copy], ["forecast", "--days", "1", site],
        ):  # fmt: skip
            with self.subTest(command[0]):
                code, words = self.confined(harness.PROGRAM, *command)
                self.assertEqual(code, 0, words)
        self.assertEqual(self.daemon.end(), 0)


def tempfile_in(folder, name):
    path = os.path.join(folder, name.rsplit(".", 1)[-1][:12])
    os.makedirs(path, exist_ok=True)
    return path


if __name__ == "__main__":
    harness.main()
