#!/usr/bin/python3
"""What the service manager hears, and whether the sandbox leaves the daemon what it needs. There is no
service manager here: a socket of ours stands for it, and the list of system calls for its filter."""

import os
import signal
import socket
import subprocess
import threading
import time

import harness

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


class Sandbox(harness.Case):
    SITE = {"tanks": ("basil-bench",)}

    def allowed(self):
        """The unit's SystemCallFilter lines, spelled out."""
        sets = {}
        out = subprocess.run(
            ["systemd-analyze", "syscall-filter", "--no-pager"], stdout=subprocess.PIPE, check=True
        ).stdout.decode()
        name = None
        for line in out.splitlines():
            if line.startswith("@"):
                name = line.strip()
                sets[name] = []
            elif name and line.startswith("    ") and not line.strip().startswith("#"):
                sets[name].append(line.strip())

        def spell(word):
            if not word.startswith("@"):
                return {word}
            return set().union(*(spell(w) for w in sets[word])) if sets[word] else set()

        calls = set()
        with open(os.path.join(harness.ROOT, "systemd/dosewright.service"), encoding="utf-8") as file:
            for line in file:
                if line.startswith("SystemCallFilter="):
                    words = line.strip().split("=", 1)[1].split()
                    deny = words[0].startswith("~")
                    words[0] = words[0].lstrip("~")
                    named = set().union(*map(spell, words))
                    calls = calls - named if deny else calls | named
        self.assertGreater(len(calls), 200)
        return calls

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
        self.assertEqual(used - self.allowed() - DONE_WITHOUT, set())


def tempfile_in(folder, name):
    path = os.path.join(folder, name.rsplit(".", 1)[-1][:12])
    os.makedirs(path, exist_ok=True)
    return path


if __name__ == "__main__":
    harness.main()
