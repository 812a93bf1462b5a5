"""Journals made to order: records with times of one's own, canonical, chained and hashed as
docs/journal.md says, written without a line of the daemon's code."""

import hashlib
import json
import math
import os
import random
from datetime import datetime, timedelta, timezone

START = datetime(2031, 4, 1, tzinfo=timezone.utc)


def rfc3339(at):
    return at.strftime("%Y-%m-%dT%H:%M:%S.") + "%03dZ" % (at.microsecond // 1000)


class MadeJournal:
    def __init__(self, folder):
        self.folder, self.seq, self.prev, self.file, self.day = folder, 0, "0" * 64, None, None
        os.makedirs(folder, exist_ok=True)

    def add(self, at, kind, clock="synced", **members):
        self.seq += 1
        record = {
            "seq": self.seq, "time": rfc3339(at), "boot": "made", "clock": clock, "kind": kind,
            "mono_ms": int((at - START) / timedelta(milliseconds=1)) + 10**6, "prev": self.prev,
        }  # fmt: skip
        record.update((k, v) for k, v in members.items() if v is not None)
        self.prev = hashlib.sha256(self.line(record)).hexdigest()
        record["hash"] = self.prev
        if self.file is None or at.date() > self.day:
            if self.file:
                self.file.close()
            self.day = at.date()
            self.file = open(os.path.join(self.folder, "journal-%s.jsonl" % self.day), "ab")
        self.file.write(self.line(record) + b"\n")

    @staticmethod
    def line(record):
        text = json.dumps(record, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        return text.encode()

    def close(self):
        if self.file:
            self.file.close()


def number(value, places):
    """As the journal writes it: no trailing zero, whole numbers without a point."""
    value = round(value, places)
    return int(value) if value == int(value) else value


class MadeTank:
    """Water that drifts, and is dosed when it leaves the middle of its band: enough to draw."""

    def __init__(self, journal, key, seed, stocks=("leaf-a", "leaf-b", "acid")):
        self.journal, self.key, self.random, self.stocks = journal, key, random.Random(seed), stocks
        self.ec, self.ph, self.ids, self.doses, self.ul = 350.0, 6.9, 0, 0, {}

    def dose(self, at, stock, ul, purpose, state="done", got=None):
        self.ids += 1
        self.doses += 1
        got = ul if got is None else got
        name = "%s-%d" % (self.key, self.ids)
        self.journal.add(
            at, "dose", id=name, tank=self.key, stock=stock, ul=ul, run_ms=ul, purpose=purpose,
            chain="west", position=1, channel=1, serial="a1f3", ends_ms=ul + 5000,
            ec_us_cm=number(self.ec, 1), ph=number(self.ph, 3),
        )  # fmt: skip
        self.journal.add(
            at + timedelta(seconds=9), "outcome", id=name, tank=self.key, stock=stock, state=state,
            ran_ms=got, ul=got, unsure=state == "unknown",
        )  # fmt: skip
        self.ul[stock] = self.ul.get(stock, 0) + got

    def step(self, at, hours):
        """Ten minutes of it; 'hours' since it was planted."""
        day = 6 <= at.hour < 22
        set_ec, set_ph = (1200 + 2 * hours if day else 1050 + 2 * hours), 5.8
        self.ec += self.random.gauss(-2.5, 1)
        self.ph += self.random.gauss(0.006, 0.004)
        if self.ec < set_ec - 30 and at.minute % 20 == 0:
            wanted = min(90, set_ec - self.ec)
            for stock in self.stocks[:2]:
                self.dose(at, stock, int(wanted * 60), "feed")
            self.ec += wanted
        elif self.ph > set_ph + 0.08 and at.minute % 30 == 0:
            wanted = min(0.4, self.ph - set_ph)
            self.dose(at, self.stocks[2], int(wanted * 9000), "acid")
            self.ph -= wanted
        self.water(at, set_ec, set_ph)

    def water(self, at, set_ec, set_ph):
        degc = 20 + 2.5 * math.sin((at.hour + at.minute / 60 - 9) / 24 * 2 * math.pi)
        self.journal.add(
            at, "water", tank=self.key, ec_us_cm=number(self.ec + self.random.gauss(0, 6), 1),
            ph=number(self.ph + self.random.gauss(0, 0.012), 3),
            degc=number(degc + self.random.gauss(0, 0.1), 2), set_ec_us_cm=number(set_ec, 1),
            set_ph=set_ph, band_ec_us_cm=100, band_ph=0.2,
            state="mixing" if self.ec < set_ec - 60 else "holding",
        )  # fmt: skip


def make_week(folder, days=7):
    """Two tanks for a week, with a gap, a spike, failed doses, alerts and a refill. Gives what a
    report of it must show."""
    j = MadeJournal(folder)
    tanks = [MadeTank(j, "basil-bench", 1), MadeTank(j, "lettuce-wall", 2)]
    j.add(START, "start", by="abcd", config="0" * 64, first=True)
    for stock in tanks[0].stocks:
        j.add(START, "carry", stock=stock, remaining_ul=5_000_000)
    for i in range(days * 144):
        at, basil = START + timedelta(minutes=10 * i + 10), tanks[0]
        gap = timedelta(days=2, hours=3) < at - START < timedelta(days=2, hours=9)
        for tank in tanks:
            if not (gap and tank is basil):
                tank.step(at, i / 6)
        if i == 100:
            j.add(at, "alert", alert="stale-basil-bench-ph", on=True, tank="basil-bench",
                  text="pH of basil-bench: nothing heard for 12 min")  # fmt: skip
        if i == 130:
            j.add(at, "alert", alert="stale-basil-bench-ph", on=False, tank="basil-bench", text="")
        if i == 400:
            basil.dose(at, "acid", 900, "acid", state="refused", got=0)
            basil.dose(at + timedelta(minutes=3), "acid", 900, "acid", state="unknown")
        if i == 500:
            j.add(at, "alert", alert="level-basil-bench", on=True, tank="basil-bench",
                  text="the level is below 20 %")  # fmt: skip
            j.add(at, "request", request="refilled", by="door", ok=True, stock="acid", ul=5_000_000)
        if i == 640:
            j.add(at, "hand", chain="west", serial="a1f3", channel=1, ms=2000, total_ms=2000,
                  tank="basil-bench", stock="leaf-a", ul=2500)  # fmt: skip
            basil.ul["leaf-a"] += 2500
    j.add(at, "alert", alert="hand-west", on=True, text="an output is switched on by hand")
    j.close()
    return {"doses": {t.key: t.doses for t in tanks}, "ul": {t.key: t.ul for t in tanks}}
