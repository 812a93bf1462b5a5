"""(h) Instructions of a reading, counted by callgrind in all threads and libraries, and whose they are."""

import os
import re
import shutil
import subprocess
import tempfile
import time

import harness

from measures.subjects import Bench, TANKS, peer_probes, Subject, peer_commands

FEW, MANY, RATE = 1000, 5000, 250


def callgrind(folder, name):
    out = os.path.join(folder, name + ".%p.callgrind")
    return ["valgrind", "--tool=callgrind", "--instr-atstart=no", "--callgrind-out-file=" + out, "--"]


def control(pid, *words):
    subprocess.run(["callgrind_control", *words, str(pid)], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def counted(bench, name):
    """Instructions of MANY readings beyond those of FEW: what the time itself costs falls out."""
    subject, totals = bench.subjects[name], []
    for count in (FEW, MANY):
        control(subject.pid, "-z")
        control(subject.pid, "--instr=on")
        bench.flood(name, count, RATE)
        control(subject.pid, "--instr=off")
        control(subject.pid, "--dump")
        totals.append(count)
    return totals


def annotated(path):
    """By function, instructions with those that it calls; and the total."""
    run = subprocess.run(
        ["callgrind_annotate", "--inclusive=yes", "--threshold=100", path], capture_output=True, text=True, check=True
    )
    found = {}
    for line in run.stdout.split("\n"):
        words = re.match(r"\s*([\d,]+)\s+\(.*?\)\s+(.*)", line)
        if not words:
            continue
        name = re.search(r"([A-Za-z_]\w*)(?:'\d+)?(?: \[.*)?$", words.group(2).split(" [")[0])
        key = "total" if "PROGRAM TOTALS" in line else name.group(1) if name else ""
        found[key] = max(found.get(key, 0), int(words.group(1).replace(",", "")))
    return found


def dumps(folder, name):
    files = [os.path.join(folder, f) for f in os.listdir(folder) if f.startswith(name + ".")]
    return sorted((f for f in files if os.path.getsize(f)), key=os.path.getmtime)


def slow_bench(build, folder):
    """The daemon and the C peer, each under callgrind."""
    bench = Bench.__new__(Bench)
    bench.build, bench.subjects = build, {}
    bench.world = harness.World(rig=False)
    daemon = bench.world.daemon.start(wrapper=callgrind(folder, "daemon"))
    harness.wait_until("the broker is heard", lambda: (daemon.status() or {}).get("broker", {}).get("up"), 60)
    bench.subjects["daemon"] = Subject("daemon", daemon.process, bench_probes(), 1)
    command = callgrind(folder, "peer-c") + peer_commands(build)["peer-c"] + [str(bench.world.port), "in-peer-c/#"]
    peer = bench.world.start("peer-c", command)
    harness.wait_until("peer-c listens", lambda: "subscribed" in peer.log(), 60)
    bench.subjects["peer-c"] = Subject("peer-c", peer, peer_probes("peer-c", TANKS), 0)
    return bench


def bench_probes():
    from measures.subjects import daemon_probes

    return daemon_probes(TANKS)


def each(folder, name):
    """By function, instructions of one reading."""
    few, many = [annotated(path) for path in dumps(folder, name)][-2:]
    return {key: (many[key] - few.get(key, 0)) / (MANY - FEW) for key in many}


def measure(build, table):
    if not shutil.which("valgrind"):
        print("  there is no valgrind here")
        return
    folder = tempfile.mkdtemp(prefix="dosewright-bench-")
    bench = slow_bench(build, folder)
    try:
        bench.warm_up()
        for name in bench.subjects:
            counted(bench, name)
        time.sleep(1)
        own, bare = each(folder, "daemon"), each(folder, "peer-c")
        table.add("instructions of a reading, beside peer-c", own["total"], "", bare["total"])
        loop = own["daemon_loop"] - own["paho_publish"] + own["inbox_put"]
        table.add("of them in the daemon's own code", loop, "")
        table.add("of them in the library's call that publishes, on the daemon's thread", own["paho_publish"], "")
    finally:
        bench.close()
        shutil.rmtree(folder)


MEASURES = {"instructions": ("(h) instructions of a reading, by callgrind", measure)}
