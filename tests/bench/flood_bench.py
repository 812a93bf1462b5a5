#!/usr/bin/python3
"""What a flood does: 2,000 messages a second, for as long as asked, spread over every topic that the daemon
listens to. Printed are its memory before and after, what it made of the messages, and how long a halt takes
from a stranger's publish to the stop that the chain head gets, beside how long the broker alone takes for a
message over the same way at the same moment. Prints, judges nothing.

    DOSEWRIGHT=build/dosewright tests/bench/flood_bench.py [--seconds 20] [--rate 2000]

Ten minutes: --seconds 600. The broker must keep up, too: what was really sent a second is printed."""

import argparse
import os
import re
import sys
import threading
import time

import paho.mqtt.client as mqtt

sys.path.insert(0, os.path.join(os.path.dirname(os.path.dirname(os.path.abspath(__file__))), "system"))
import harness

SITE = "homie/5/tern-hall"
TANK = SITE + "-basil-bench"
SLICE_S = 0.05
HALT_EVERY_S = 2
RUBBISH = (b"", b"{}", b"nan", b'{"id":"x"}', b"1e999", b"[" * 300, b"x" * 5000, b"\xff\xfe", b"true", b"6.1")


def listened():
    """Every topic that the daemon listens to; commands and halts are left to those who measure."""
    topics = ["glass/%s/%s" % (t, p) for t in ("basil-bench", "lettuce-wall") for p in ("ec", "ph", "temperature")]
    topics += ["homie/5/west/" + p for p in ("chain/roll", "chain/claim", "chain/beat", "dose/report", "dose/ledger", "dose/manual")]
    topics += [SITE + "/request/call/set", SITE + "/site/beat", "homie/5/other/site/beat"]
    topics += [TANK + p for p in ("/setpoint/ec/set", "/setpoint/ph/set", "/setpoint/override-for/set", "/dosing/paused/set")]
    return topics


class Flood(threading.Thread):
    def __init__(self, port, rate):
        super().__init__()
        self.rate = rate
        self.open = True
        self.sent = 0
        self.client = mqtt.Client()
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()

    def run(self):
        topics = listened()
        due = time.monotonic()
        while self.open:
            for _ in range(int(self.rate * SLICE_S)):
                # the two counts have no common factor: each topic gets each payload
                self.client.publish(topics[self.sent % len(topics)], RUBBISH[self.sent // len(topics) % len(RUBBISH)])
                self.sent += 1
            due += SLICE_S
            time.sleep(max(0, due - time.monotonic()))
        self.client.disconnect()
        self.client.loop_stop()


class Watch:
    """Halts and releases, and looks when the stop comes; an echo tells how long the broker takes."""

    COMMAND, ECHO = "homie/5/west/dose/command/set", "bench/echo"

    def __init__(self, port):
        self.heard = {}
        self.changed = threading.Condition()
        ready = threading.Event()
        self.client = mqtt.Client()
        self.client.on_message = self.on_message
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.connect("127.0.0.1", port, 30)
        self.client.subscribe([(self.COMMAND, 1), (self.ECHO, 1)])
        self.client.loop_start()
        ready.wait(5)

    def on_message(self, _client, _data, message):
        key = "echo" if message.topic == self.ECHO else "halt" if b'"halt"' in message.payload else None
        with self.changed:
            self.heard.setdefault(key, time.monotonic())
            self.changed.notify()

    def halt_ms(self, daemon):
        """(the halt's, the broker's own) in milliseconds; None for what didn't come in 5 s."""
        with self.changed:
            self.heard.clear()
        began = time.monotonic()
        self.client.publish(self.ECHO, "x", qos=1)
        self.client.publish(SITE + "/site/halt/set", "true", qos=1)
        with self.changed:
            self.changed.wait_for(lambda: "halt" in self.heard and "echo" in self.heard, 5)
            found = dict(self.heard)
        daemon.ask("halt", on=False)
        return tuple((found[k] - began) * 1000 if k in found else None for k in ("halt", "echo"))


def memory_kb(pid):
    with open("/proc/%d/status" % pid, encoding="ascii") as file:
        text = file.read()
    return {k: int(re.search(k + r":\s+(\d+)", text).group(1)) for k in ("VmRSS", "RssAnon", "VmHWM")}


def print_halts(name, halts):
    whole = [h for h in halts if None not in h]
    print("halts %s: %d, %d of them not heard within 5 s" % (name, len(halts), len(halts) - len(whole)))
    if not whole:
        return
    for what, values in (
        ("publish to stop", [h for h, _ in whole]),
        ("the broker alone", [e for _, e in whole]),
        ("beyond the broker", [h - e for h, e in whole]),
    ):
        values = sorted(values)
        print("  %-18s median %6.1f ms, worst %6.1f ms" % (what, values[len(values) // 2], values[-1]))


def main():
    parser = argparse.ArgumentParser(description="what a flood does to the daemon")
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--rate", type=int, default=2000)
    options = parser.parse_args()
    world = harness.World()
    try:
        daemon = world.daemon.start()
        harness.wait_until("the site is ready", lambda: (daemon.status() or {}).get("broker", {}).get("up"), 20)
        time.sleep(6)
        watch = Watch(world.port)
        calm = [watch.halt_ms(daemon) for _ in range(5) if not time.sleep(1)]
        before, pid = memory_kb(daemon.process.pid), daemon.process.pid
        flood = Flood(world.port, options.rate)
        began = time.monotonic()
        flood.start()
        halts, early = [], None
        while time.monotonic() - began < options.seconds:
            time.sleep(HALT_EVERY_S)
            halts.append(watch.halt_ms(daemon))
            if early is None:
                early = memory_kb(pid)
        took = time.monotonic() - began
        flood.open = False
        flood.join()
        after = memory_kb(pid)
        site = daemon.status()["site"]
        print("%.0f s, %.0f messages a second on %d topics" % (took, flood.sent / took, len(listened())))
        print("refused: %d" % site["refused_messages"])
        for name in before:
            print("%-8s %6d kB before, %6d in the first seconds, %6d after" % (name, before[name], early[name], after[name]))
        print_halts("without a flood", calm)
        print_halts("within it", halts)
        print("the daemon %s" % ("goes on" if daemon.process.alive() else "IS GONE: " + daemon.process.log()[-500:]))
    finally:
        world.close()


if __name__ == "__main__":
    main()
