"""What the kernel knows of a process, and of this machine."""

import os
import platform
import re
import subprocess


def tasks(pid):
    return ["/proc/%d/task/%s" % (pid, task) for task in os.listdir("/proc/%d/task" % pid)]


def text_of(path):
    with open(path, encoding="ascii", errors="replace") as file:
        return file.read()


def cpu_s(pid):
    """Seconds on a processor, of all threads that live."""
    return sum(int(text_of(task + "/schedstat").split()[0]) for task in tasks(pid)) / 1e9


def wakes(pid):
    """Waits of all threads that ended."""
    words = [re.search(r"^voluntary_ctxt_switches:\s+(\d+)", text_of(t + "/status"), re.M) for t in tasks(pid)]
    return sum(int(w.group(1)) for w in words)


def memory_kib(pid):
    text = text_of("/proc/%d/status" % pid)
    return {key: int(re.search(key + r":\s+(\d+)", text).group(1)) for key in ("VmRSS", "RssAnon", "VmHWM")}


def written_bytes(pid):
    """(given to write calls, sent to the disk)"""
    text = text_of("/proc/%d/io" % pid)
    return tuple(int(re.search(r"^%s: (\d+)" % key, text, re.M).group(1)) for key in ("wchar", "write_bytes"))


def first_line(*command):
    try:
        return subprocess.run(command, capture_output=True, text=True, check=False).stdout.split("\n")[0]
    except OSError:
        return "?"


def describe(root):
    """Lines on where and when this runs."""
    cpu = re.search(r"model name\s*:\s*(.*)", text_of("/proc/cpuinfo"))
    memory = int(re.search(r"MemTotal:\s+(\d+)", text_of("/proc/meminfo")).group(1)) // 1024
    commit = first_line("git", "-C", root, "rev-parse", "--short=12", "HEAD")
    dirty = first_line("git", "-C", root, "status", "--porcelain", "--", "daemon", "lib", "tests/bench")
    return {
        "processor": cpu.group(1) if cpu else platform.machine(),
        "cores": str(os.cpu_count()),
        "memory": "%d MiB" % memory,
        "kernel": platform.release(),
        "load": "%.1f in the last minute" % os.getloadavg()[0],
        "date": first_line("date", "-u", "+%Y-%m-%d %H:%M UTC"),
        "commit": commit + (", with changes that aren't committed" if dirty else ""),
    }
