#!/usr/bin/python3
"""What the daemon costs while it holds two tanks: memory, and how often it wakes, beside a bare
client of the same library that hears the same messages in the same run. Prints, judges nothing.

    DOSEWRIGHT=build/dosewright BARE_CLIENT=build/tests/bench.bare_client tests/bench/idle_bench.py
"""

import os
import shutil
import subprocess
import sys
import time

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "system"))
import harness  # noqa: E402

SECONDS = float(os.environ.get("SECONDS_EACH", "20"))
BARE = os.environ["BARE_CLIENT"]


def threads(pid):
    return ["/proc/%d/task/%s/status" % (pid, t) for t in os.listdir("/proc/%d/task" % pid)]


def wakes(pid):
    """Voluntary switches of all threads: each is one wait that ended."""
    total = 0
    for path in threads(pid):
        with open(path, encoding="ascii") as file:
            for line in file:
                if line.startswith("voluntary_ctxt_switches"):
                    total += int(line.split()[1])
    return total


def memory_kib(pid):
    with open("/proc/%d/status" % pid, encoding="ascii") as file:
        words = dict(line.split(":", 1) for line in file)
    return {key: int(words[key].split()[0]) for key in ("VmRSS", "RssAnon", "RssFile")}


def busy_ms(pid):
    with open("/proc/%d/stat" % pid, encoding="ascii") as file:
        words = file.read().rsplit(")", 1)[1].split()
    return (int(words[11]) + int(words[12])) * 1000.0 / os.sysconf("SC_CLK_TCK")


def openssl(folder, *words):
    subprocess.run(["openssl"] + list(words), cwd=folder, check=True, capture_output=True)


def add_tls(world):
    """A second listener of the same broker; the site then knows only that one."""
    folder, port = world.folder, harness.free_port()
    openssl(folder, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=bench",
            "-keyout", "ca.key", "-out", "ca.pem")  # fmt: skip
    openssl(folder, "req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=localhost", "-keyout", "key.pem",
            "-out", "ask.pem")  # fmt: skip
    harness.small_site.put(os.path.join(folder, "names"), "subjectAltName=DNS:localhost\n")
    openssl(folder, "x509", "-req", "-in", "ask.pem", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", "2", "-extfile", "names", "-out", "cert.pem")  # fmt: skip
    os.chmod(folder, 0o755)  # a broker that root starts reads its files as somebody else
    os.chmod(os.path.join(folder, "key.pem"), 0o644)
    world.kill_broker()
    lines = (
        "listener %d 127.0.0.1\nallow_anonymous true\nlistener %d localhost\nallow_anonymous true\n"
        "cafile %s/ca.pem\ncertfile %s/cert.pem\nkeyfile %s/key.pem\npersistence false\n"
    )
    path = os.path.join(folder, "broker.conf")
    harness.small_site.put(path, lines % (world.port, port, folder, folder, folder))
    program = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
    world.broker = world.start("broker", [program, "-c", path])
    with open(world.site_path, encoding="utf-8") as file:
        text = file.read()
    text = text.replace(
        'uris: ["mqtt://127.0.0.1:%d"],' % world.port,
        'uris: ["mqtts://localhost:%d"], ca_file: "%s/ca.pem",' % (port, folder),
    )
    secured = os.path.join(folder, "site-tls.yaml")
    harness.small_site.put(secured, text)
    world.daemon.site_path = secured
    return ["ssl://localhost:%d" % port, "--ca", folder + "/ca.pem"]


def measure(tls):
    world = harness.World()
    try:
        bare_words = add_tls(world) if tls else ["tcp://127.0.0.1:%d" % world.port]
        time.sleep(1)
        world.daemon.start()
        bare = world.start("bare", [BARE] + bare_words + ["glass/#", "homie/5/west/#"])

        def holding():
            status = world.daemon.status()
            return status and all(t["state"] == "holding" for t in status["tanks"])

        harness.wait_until("both tanks hold", holding, 240, 0.5)
        time.sleep(2)
        pids = {"daemon": world.daemon.process.pid, "bare client": bare.pid}
        show(pids, "%s, two tanks, 7 messages a second come in" % ("TLS" if tls else "plain"))
        world.rig.end()
        world.forget(world.rig)
        time.sleep(8)
        show(pids, "  the same, nothing comes in")
    finally:
        world.close()


def show(pids, title):
    before = {n: (wakes(p), busy_ms(p)) for n, p in pids.items()}
    time.sleep(SECONDS)
    after = {n: (wakes(p), busy_ms(p)) for n, p in pids.items()}
    print("%s, over %g s:" % (title, SECONDS))
    for name, pid in pids.items():
        rate = (after[name][0] - before[name][0]) / SECONDS
        busy = (after[name][1] - before[name][1]) / SECONDS / 10
        kib = memory_kib(pid)
        print("  %-12s %6.2f wakes/s  %5.2f %% of a core  resident %5d KiB  private %5d KiB"
              % (name, rate, busy, kib["VmRSS"], kib["RssAnon"]))  # fmt: skip


def main():
    measure(tls=False)
    measure(tls=True)


if __name__ == "__main__":
    main()
