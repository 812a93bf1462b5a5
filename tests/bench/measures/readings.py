"""(a) From a reading to its published value, and readings a second; (c) what a reading costs. Rounds of all
subjects follow each other, so that what else the machine does meets all alike; medians are taken."""

import os
import statistics

from measures.subjects import Bench

ROUNDS = int(os.environ.get("BENCH_ROUNDS", "5"))
FLOOD_ROUNDS = min(ROUNDS, 3)  # the C peer takes half a minute for one
LATENCY_COUNT, LATENCY_EVERY_US = 100, 10000
FLOOD_COUNT = 60000
PACED_COUNT, PACED_RATE = 5000, 1000


def rounds(bench, measure, count=ROUNDS):
    """By subject, what each round of it gave."""
    found = {name: [] for name in bench.subjects}
    for _ in range(count):
        for name in bench.subjects:
            found[name].append(measure(name))
    return found


def quantile(values, share):
    values = sorted(values)
    return values[min(len(values) - 1, int(share * len(values)))]


def add_rows(table, what, unit, by_name, bar=None, least=False):
    """The daemon's beside each peer's; the bar is the C peer's."""
    for name in by_name:
        if name == "daemon":
            continue
        own = bar if name == "peer-c" else None
        table.add("%s, beside %s" % (what, name), by_name["daemon"], unit, by_name[name], own, True, least)


def latency(bench, table):
    found = rounds(bench, lambda name: bench.latency(name, LATENCY_COUNT, LATENCY_EVERY_US))
    echo = bench.echo(LATENCY_COUNT, LATENCY_EVERY_US)["us"]
    missed = sum(f["missed"] for f in found["daemon"])
    table.add("the broker alone, message to message", statistics.median(echo), "us")
    for share, word, bar in ((0.5, "median", 1.2), (0.99, "99 of 100", None)):
        by_name = {
            name: statistics.median(quantile(f["us"], share) for f in runs if f["us"]) if any(f["us"] for f in runs) else None
            for name, runs in found.items()
        }
        add_rows(table, "reading to published value, " + word, "us", by_name, bar)
    if missed:
        print("  %d of the daemon's values weren't published within 2 s" % missed)


def dropped(bench):
    status = bench.world.daemon.status()
    return status["broker"].get("unread", 0)


def flood(bench, table):
    before = dropped(bench)
    found = rounds(bench, lambda name: bench.flood(name, FLOOD_COUNT), FLOOD_ROUNDS)
    lost = dropped(bench) - before
    by_name = {n: statistics.median(r["sent"] / r["seconds"] for r in runs) for n, runs in found.items()}
    add_rows(table, "flood, readings a second", "/s", by_name, 0.9, True)
    by_name = {n: statistics.median(r["cpu_s"] / r["sent"] * 1e5 for r in runs) for n, runs in found.items()}
    add_rows(table, "flood, processor time of 100,000 readings", "s", by_name, 1.5)
    for name, runs in found.items():
        print("  %s: %s" % (name, said(runs)))
    print("  the daemon's inbox dropped %d readings" % lost)


def said(runs):
    sent, published = sum(r["sent"] for r in runs), sum(r["published"] for r in runs)
    whole = sum(r["whole"] for r in runs)
    return "%d readings sent, %d values published, %d of %d floods came to their end" % (sent, published, whole, len(runs))


def paced(bench, table):
    found = rounds(bench, lambda name: bench.flood(name, PACED_COUNT, PACED_RATE))
    by_name = {n: statistics.median(r["cpu_s"] / r["sent"] * 1e5 for r in runs) for n, runs in found.items()}
    add_rows(table, "%d a second, processor time of 100,000 readings" % PACED_RATE, "s", by_name, 1.5)
    for name, runs in found.items():
        print("  %s: %s" % (name, said(runs)))


def on_bench(part):
    def measure(build, table):
        bench = Bench(build)
        try:
            bench.warm_up()
            part(bench, table)
        finally:
            bench.close()

    return measure


MEASURES = {
    "latency": ("(a) from a reading to its published value", on_bench(latency)),
    "paced": ("(c) processor time of readings that come one by one", on_bench(paced)),
    "flood": ("(a), (c) readings as fast as the broker gives them", on_bench(flood)),
}
