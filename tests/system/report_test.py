#!/usr/bin/python3
"""What `journal report` draws, looked at in a browser: on a desk and on a phone, in light and in dark,
on paper; and its other forms, against a journal whose contents are known."""

import csv
import html.parser
import io
import json
import os
import re
import shutil
import struct
import subprocess
import tempfile
import unittest
import zlib
from datetime import datetime, timedelta
from xml.etree import ElementTree

import made_journal
from browser import Browser

DOSEWRIGHT = os.environ.get("DOSEWRIGHT", "build/dosewright")
SIZES = [(1100, False, False), (1100, True, False), (360, False, True), (360, True, True)]
CONTRAST_LEAST = 4.5  # WCAG 2.2, success criterion 1.4.3
HOSTILE = [
    "<script>document.title='in'</script>", '"><img src=x onerror=alert(1)>',
    "' onload='alert(1)", "</svg></style><iframe src=//example.org>", "\u202egnp.exe", "=1+1",
    "&lt;b&gt; &amp; &copy",
]  # fmt: skip
VOID = {"meta", "link"}

# Of all text on the page: the least contrast with its ground, and where that is.
LEAST_CONTRAST = """(() => {
  const part = v => (v /= 255) <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4;
  const read = c => c.match(/[\\d.]+/g).map(Number);
  const light = c => .2126 * part(c[0]) + .7152 * part(c[1]) + .0722 * part(c[2]);
  const ground = e => { for (; e; e = e.parentElement) {
    const c = read(getComputedStyle(e).backgroundColor); if (c.length < 4 || c[3] > 0) return c; }
    return [255, 255, 255]; };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let least = [99, ""], count = 0;
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || e.tagName == "title") continue;
    const style = getComputedStyle(e);
    const a = light(read(e.closest("svg") ? style.fill : style.color)), b = light(ground(e));
    const ratio = (Math.max(a, b) + .05) / (Math.min(a, b) + .05);
    count++;
    if (ratio < least[0]) least = [ratio, walker.currentNode.data];
  }
  return [...least, count]; })()"""

# What sticks out to the right, other than what the phone's table head hides on purpose.
STICKS_OUT = """[...document.body.querySelectorAll("*")].filter(e => !e.closest("thead") &&
  e.getBoundingClientRect().right > innerWidth + .5).map(e => e.tagName + "." + e.getAttribute("class"))"""


def report(*arguments, env=None, code=0):
    done = subprocess.run(
        [DOSEWRIGHT, "journal", "report", *arguments], capture_output=True, timeout=60,
        env={**os.environ, "COLUMNS": "80", "LC_ALL": "C.UTF-8", **(env or {})},
    )  # fmt: skip
    if done.returncode != code:
        raise AssertionError("%s: %d, %s" % (arguments, done.returncode, done.stderr.decode()))
    return done.stdout.decode()


def pixels(png):
    """Rows of (r, g, b) of a PNG as Chromium writes it: 8 bits, RGB or RGBA, no interlacing."""
    at, data = 8, b""
    while at < len(png):
        length, kind = struct.unpack(">I4s", png[at : at + 8])
        body = png[at + 8 : at + 8 + length]
        if kind == b"IHDR":
            width, height, bits, color, _, _, interlaced = struct.unpack(">IIBBBBB", body)
            assert bits == 8 and color in (2, 6) and not interlaced
        data += body if kind == b"IDAT" else b""
        at += length + 12
    size, raw = (3 if color == 2 else 4), zlib.decompress(data)
    rows, before, stride = [], bytes(width * size), width * size + 1
    for y in range(height):
        filtered, row = raw[y * stride], bytearray(raw[y * stride + 1 : (y + 1) * stride])
        for i in range(len(row)):
            left = row[i - size] if i >= size else 0
            corner = before[i - size] if i >= size else 0
            if filtered == 1:
                row[i] = (row[i] + left) & 255
            elif filtered == 2:
                row[i] = (row[i] + before[i]) & 255
            elif filtered == 3:
                row[i] = (row[i] + (left + before[i]) // 2) & 255
            elif filtered == 4:
                p = left + before[i] - corner
                near = min((abs(p - left), 0, left), (abs(p - before[i]), 1, before[i]),
                           (abs(p - corner), 2, corner))  # fmt: skip
                row[i] = (row[i] + near[2]) & 255
        rows.append([tuple(row[x * size : x * size + 3]) for x in range(width)])
        before = bytes(row)
    return rows


class Tags(html.parser.HTMLParser):
    """Every element is closed, in order."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open, self.wrong, self.seen = [], [], []

    def handle_starttag(self, tag, attributes):
        self.seen.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.seen.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append((tag, self.getpos()))


class Reports(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.mkdtemp(prefix="dosewright-report-")
        cls.addClassCleanup(shutil.rmtree, cls.folder)
        cls.journal = os.path.join(cls.folder, "week")
        cls.made = made_journal.make_week(cls.journal)
        cls.page = os.path.join(cls.folder, "week.html")
        report(cls.journal, "--title", "Tern Hall school glasshouse", "--html", cls.page)
        with open(cls.page, encoding="utf-8") as file:
            cls.html = file.read()
        cls.json = json.loads(report(cls.journal, "--json"))


class InTheBrowser(Reports):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.browser = cls.enterClassContext(Browser())

    def each_size(self, page):
        for width, dark, mobile in SIZES:
            with self.subTest(width=width, dark=dark):
                self.browser.open(page, width, dark=dark, mobile=mobile)
                yield width, dark

    def test_nothing_is_complained_of_and_nothing_is_fetched(self):
        for _ in self.each_size(self.page):
            self.assertEqual(self.browser.complaints(), [])
            self.assertEqual(self.browser.requests(), ["file://" + self.page])
            counts = "document.%s.length"
            self.assertEqual(self.browser.value(counts % "scripts"), 0)
            self.assertEqual(self.browser.value(counts % "images"), 0)

    def test_nothing_is_wider_than_the_screen(self):
        for width, _ in self.each_size(self.page):
            self.assertEqual(self.browser.value("innerWidth"), width)
            self.assertEqual(self.browser.value("document.documentElement.scrollWidth"), width)
            self.assertEqual(self.browser.value(STICKS_OUT), [])

    def test_text_stands_out_from_its_ground(self):
        for _ in self.each_size(self.page):
            ratio, where, count = self.browser.value(LEAST_CONTRAST)
            self.assertGreaterEqual(ratio, CONTRAST_LEAST, where)
            self.assertGreater(count, 100)

    def chart_pixels(self, selector):
        box = self.browser.value(
            "(() => { const b = document.querySelector('%s').getBoundingClientRect();"
            "return {x: b.x, y: b.y + scrollY, width: b.width, height: b.height, scale: 1}})()" % selector
        )
        return pixels(self.browser.screenshot(clip=box))

    def color_of(self, selector, what):
        value = self.browser.value(
            "getComputedStyle(document.querySelector('%s')).%s" % (selector, what)
        )
        return tuple(int(float(n)) for n in re.findall(r"[\d.]+", value)[:3])

    def test_the_charts_are_painted(self):
        for width, dark in self.each_size(self.page):
            rows = self.chart_pixels(".c-ec .row svg:last-child")
            self.assertGreaterEqual(len(rows), 170)
            ground, ink = self.color_of(".sheet", "backgroundColor"), self.color_of(".reading", "stroke")
            self.assertEqual(sum(ground) < 200, dark)

            def near(a, b):
                return all(abs(x - y) < 40 for x, y in zip(a, b))

            columns = list(zip(*rows))
            inked = [any(near(p, ink) for p in column) for column in columns]
            self.assertGreater(sum(inked) / len(inked), 0.85)
            # The gap of six hours, from 51 h of 168 h on: no ink, and no band, only ground and grid.
            gap = columns[round(len(columns) * 52 / 168) : round(len(columns) * 56 / 168)]
            self.assertFalse(any(near(p, ink) for column in gap for p in column))
            self.assertGreater(sum(near(p, ground) for column in gap for p in column), 0)
            # The band shades more than a twentieth of the chart, apart from its ground.
            shades = {}
            for p in (p for row in rows for p in row):
                shades[p] = shades.get(p, 0) + 1
            del shades[max(shades, key=shades.get)]
            self.assertGreater(max(shades.values()), len(rows) * len(rows[0]) / 20)

    def test_each_dose_is_a_mark_where_and_as_large_as_it_was(self):
        self.browser.open(self.page, 1100)
        for i, tank in enumerate(self.json["tanks"]):
            marks = self.browser.value(
                "[...document.querySelectorAll('#t%d circle.dose')].map(c => [c.getAttribute('cx'),"
                "c.r.baseVal.value, c.querySelector('title').textContent, c.dataset.doses,"
                "c.classList.contains('none')])" % (i + 1)
            )
            self.assertEqual(len(marks), self.made["doses"][tank["tank"]])
            self.assertEqual({m[3] for m in marks}, {"1"})
            doses = [d for d in tank["doses"] if not d["by_hand"]]
            doses.sort(key=lambda d: ([s["stock"] for s in tank["stocks"]].index(d["stock"]), d["time"]))
            start, end = map(parse, (self.json["from"], self.json["to"]))
            for dose, (cx, r, title, _, none) in zip(doses, marks):
                place = (parse(dose["time"]) - start) / (end - start) * 100
                self.assertAlmostEqual(float(cx[:-1]), place, delta=0.006)
                self.assertIn(dose["time"][:16].replace("T", " "), title)
                self.assertIn(" mL of " + dose["stock"], title)
                self.assertEqual(none, dose["failed"] == 1)
            sizes = sorted((d["ml"], m[1]) for d, m in zip(doses, marks))
            self.assertEqual(sizes, sorted(sizes, key=lambda s: s[1]))
            self.assertGreater(sizes[-1][1], 2 * sizes[0][1])

    def test_alerts_are_marks_and_a_list(self):
        self.browser.open(self.page, 1100)
        self.assertEqual(self.browser.value("document.querySelectorAll('#t1 line.alert').length"), 2)
        listed = self.browser.value("document.querySelector('#t1 .alerts').textContent")
        self.assertIn("nothing heard for 12 min", listed)
        self.assertIn("still stands", listed)
        self.assertEqual(self.browser.value("document.querySelectorAll('#t2 .alerts').length"), 0)

    def test_every_chart_says_in_words_what_it_shows(self):
        self.browser.open(self.page, 1100)
        labels = self.browser.value(
            "[...document.querySelectorAll('svg[role=img]')].map(s => s.getAttribute('aria-label'))"
        )
        self.assertEqual(len(labels), 2 * (3 + 3) + 1)
        self.assertIn("1 gap", labels[0])
        self.assertTrue(all(len(label) > 20 for label in labels))
        unnamed = "[...document.querySelectorAll('.row > svg')].filter(s => !s.matches('[role=img]')"
        unnamed += " && !s.closest('[aria-hidden=true]')).length"
        self.assertEqual(self.browser.value(unnamed), 0)
        self.assertEqual(self.browser.value("document.documentElement.lang"), "en")

    def test_paper_is_white_also_for_those_who_like_it_dark(self):
        self.browser.open(self.page, 1100, dark=True)
        self.browser.call(
            "Emulation.setEmulatedMedia",
            media="print", features=[{"name": "prefers-color-scheme", "value": "dark"}],
        )  # fmt: skip
        self.assertEqual(self.color_of("body", "backgroundColor"), (255, 255, 255))
        ratio, where, _ = self.browser.value(LEAST_CONTRAST)
        self.assertGreaterEqual(ratio, CONTRAST_LEAST, where)
        paper = self.browser.pdf()
        self.assertEqual(paper[:5], b"%PDF-")
        pages = len(re.findall(rb"/Type\s*/Page\b", paper))
        self.assertGreaterEqual(pages, 2)  # a tank begins a page
        self.assertLessEqual(pages, 6)

    def test_hostile_texts_stay_texts(self):
        journal = os.path.join(self.folder, "hostile")
        j = made_journal.MadeJournal(journal)
        for i, text in enumerate(HOSTILE):
            tank = made_journal.MadeTank(j, text[:60], i, stocks=(text[:60], "leaf-b", "acid"))
            for k in range(40):
                tank.step(made_journal.START + timedelta(minutes=10 * k), k / 6)
            j.add(made_journal.START + timedelta(hours=3), "alert", alert=text[:60], on=True,
                  text=text, tank=text[:60])  # fmt: skip
        j.close()
        page = os.path.join(self.folder, "hostile.html")
        report(journal, "--title", HOSTILE[0], "--html", page)
        for width, _ in self.each_size(page):
            self.assertEqual(self.browser.complaints(), [])
            self.assertEqual(self.browser.requests(), ["file://" + page])
            self.assertEqual(self.browser.value("document.title"), HOSTILE[0])
            self.assertEqual(self.browser.value("document.querySelectorAll('script,img,iframe').length"), 0)
            handlers = "[...document.querySelectorAll('*')].filter(e => [...e.attributes].some("
            handlers += "a => a.name.startsWith('on'))).length"
            self.assertEqual(self.browser.value(handlers), 0)
            names = self.browser.value("[...document.querySelectorAll('h2')].map(h => h.textContent)")
            expected = [t.replace("\u202e", "?")[:60] for t in HOSTILE]
            self.assertEqual(names[: len(HOSTILE)], expected)
            self.assertLessEqual(self.browser.value("document.documentElement.scrollWidth"), width)
        with open(page, encoding="utf-8") as file:
            self.check_form(file.read())

    def check_form(self, page):
        tags = Tags()
        tags.feed(page)
        tags.close()
        self.assertEqual((tags.wrong, tags.open), ([], []))
        ids = [a["id"] for _, a in tags.seen if "id" in a]
        self.assertEqual(len(ids), len(set(ids)))
        links = [a["href"] for t, a in tags.seen if t == "a"]
        self.assertLessEqual({link[1:] for link in links}, set(ids))
        # Each chart by a strict reader; the outermost only, as those within are part of it.
        charts, depth, start = 0, 0, 0
        for match in re.finditer(r"<(/?)svg\b", page):
            if not match[1]:
                start = match.start() if depth == 0 else start
                depth += 1
            else:
                depth -= 1
                if depth == 0:
                    ElementTree.fromstring(page[start : page.index(">", match.start()) + 1])
                    charts += 1
        self.assertGreater(charts, 5)
        return tags

    def test_the_page_is_well_formed_and_stands_alone(self):
        tags = self.check_form(self.html)
        addresses = {a.get("src") or a.get("href") for _, a in tags.seen} - {None}
        self.assertEqual({a for a in addresses if not a.startswith("#")}, {"data:,"})
        self.assertNotRegex(self.html, r"(?i)@import|url\(|<script|<iframe|https?://")

    def test_beyond_the_bound_doses_share_marks_and_none_is_lost(self):
        journal = os.path.join(self.folder, "long")
        made = made_journal.make_week(journal, days=60)
        page = os.path.join(self.folder, "long.html")
        report(journal, "--html", page)
        self.browser.open(page, 1100)
        self.assertEqual(self.browser.complaints(), [])
        for i, tank in enumerate(("basil-bench", "lettuce-wall")):
            self.assertGreater(made["doses"][tank], 1500)
            marks = self.browser.value(
                "[...document.querySelectorAll('#t%d circle.dose')].map(c => +c.dataset.doses)" % (i + 1)
            )
            self.assertEqual(sum(marks), made["doses"][tank])
            self.assertLessEqual(len(marks), 1500)
        self.assertLess(os.path.getsize(page), 2_000_000)


def parse(time):
    return datetime.strptime(time, "%Y-%m-%dT%H:%M:%S.%fZ")


class OtherForms(Reports):
    def test_json_sums_up_what_was_dosed(self):
        for tank in self.json["tanks"]:
            sums = {s["stock"]: round(s["ml"] * 1000) for s in tank["stocks"]}
            self.assertEqual(sums, self.made["ul"][tank["tank"]])
            days = {}
            for d in tank["days"]:
                days[d["stock"]] = days.get(d["stock"], 0) + round(d["ml"] * 1000)
            self.assertEqual(days, sums)
            self.assertEqual(sum(s["doses"] for s in tank["stocks"]), self.made["doses"][tank["tank"]])
        acid = next(b for b in self.json["bottles"] if b["stock"] == "acid")
        self.assertEqual(acid["refills"], 1)

    def test_csv_is_what_a_spreadsheet_reads(self):
        text = report(self.journal, "--csv")
        self.assertEqual(text.count("\r\n"), text.count("\n"))
        rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
        for tank, doses in self.made["doses"].items():
            mine = [r for r in rows if r["tank"] == tank]
            self.assertEqual(sum(r["kind"] == "dose" for r in mine), doses)
            given = sum(float(r["value"]) for r in mine if r["kind"] in ("dose", "hand"))
            self.assertAlmostEqual(given, sum(self.made["ul"][tank].values()) / 1000, places=3)
        self.assertTrue(all(None not in r and None not in r.values() for r in rows))

    def test_the_terminal_gets_lines_that_fit(self):
        for columns, locale, option in (("80", "C.UTF-8", []), ("52", "C", []), ("80", "C.UTF-8", ["--ascii"])):
            text = report(self.journal, *option, env={"COLUMNS": columns, "LC_ALL": locale})
            self.assertLessEqual(max(map(len, text.splitlines())), int(columns))
            self.assertEqual(text.isascii(), locale == "C" or bool(option))
            self.assertIn("in band", text)
            for tank, sums in self.made["ul"].items():
                of_tank = text[text.index("\n" + tank) :]
                for stock, ul in sums.items():
                    doses = next(s for t in self.json["tanks"] if t["tank"] == tank
                                 for s in t["stocks"] if s["stock"] == stock)["doses"]  # fmt: skip
                    self.assertIn("  %s: %.1f mL in %d doses" % (stock, ul / 1000, doses), of_tank)

    def test_a_tank_and_some_days_can_be_asked_for(self):
        day = json.loads(report(self.journal, "--json", "--tank", "basil-bench", "--from", "2031-04-02",
                                "--to", "2031-04-02"))  # fmt: skip
        self.assertEqual([t["tank"] for t in day["tanks"]], ["basil-bench"])
        self.assertEqual((day["from"][:10], day["to"][:10]), ("2031-04-02", "2031-04-02"))
        self.assertEqual({d["day"] for d in day["tanks"][0]["days"]}, {"2031-04-02"})
        whole = next(t for t in self.json["tanks"] if t["tank"] == "basil-bench")
        expected = [d for d in whole["days"] if d["day"] == "2031-04-02"]
        self.assertEqual(day["tanks"][0]["days"], expected)
        part = json.loads(report(self.journal, "--json", "--from", "2031-04-02T06:00:00.000Z",
                                 "--to", "2031-04-02T07:00:00.000Z"))  # fmt: skip
        self.assertLessEqual(part["to"], "2031-04-02T07:00:00.000Z")

    def test_what_is_wrong_is_said(self):
        foreign = os.path.join(self.folder, "notes.html")
        with open(foreign, "w", encoding="utf-8") as file:
            file.write("my notes")
        report(self.journal, "--html", foreign, code=73)
        with open(foreign, encoding="utf-8") as file:
            self.assertEqual(file.read(), "my notes")
        report(self.journal, "--html", foreign, "--force")
        report(self.journal, "--html", foreign)  # a report by now
        report(self.journal, "--html", os.path.join(self.folder, "no", "where.html"), code=74)
        report(self.journal, "--tank", "nobody", code=1)
        report(self.journal, "--from", "2040-01-01", code=1)
        report(self.journal, "--from", "2031-04-31", code=64)
        report(self.journal, "--from", "2031-04-03", "--to", "2031-04-02", code=64)
        report(self.journal, "--json", "--csv", code=64)
        report(self.journal, "--tank", code=64)
        report("--json", code=64)
        report(os.path.join(self.folder, "nowhere"), code=66)
        self.assertIn("--html FILE", report("--help"))
        with open("/dev/full", "w") as full:
            done = subprocess.run([DOSEWRIGHT, "journal", "report", self.journal], stdout=full,
                                  stderr=subprocess.PIPE, timeout=60)  # fmt: skip
        self.assertEqual(done.returncode, 74)

    def test_what_was_recorded_before_the_clock_was_set_is_undated(self):
        journal = os.path.join(self.folder, "unset")
        j = made_journal.MadeJournal(journal)
        for clock, at in (("unset", 0), ("free", 60), ("synced", 120)):
            j.add(made_journal.START + timedelta(minutes=at), "dose", clock=clock, id=clock,
                  tank="basil-bench", stock="leaf-a", ul=1000)  # fmt: skip
        j.close()
        answer = json.loads(report(journal, "--json"))
        tank = answer["tanks"][0]
        self.assertEqual([d["time"][11:16] for d in tank["doses"]], ["01:00", "02:00"])
        self.assertEqual([(d["day"], d["ml"]) for d in tank["days"]], [("undated", 1), ("2031-04-01", 2)])
        self.assertIn("undated", answer["notes"][0])

    def test_a_damaged_journal_is_reported_with_a_note(self):
        damaged = os.path.join(self.folder, "damaged")
        shutil.copytree(self.journal, damaged)
        path = os.path.join(damaged, "journal-2031-04-03.jsonl")
        with open(path, "rb") as file:
            lines = file.read().splitlines(keepends=True)
        with open(path, "wb") as file:
            file.writelines(lines[:10] + [lines[10].replace(b'"kind"', b'"kinb"')] + lines[11:])
        answer = json.loads(report(damaged, "--json", code=1))
        self.assertIn("damaged in 1 place", answer["notes"][0])


if __name__ == "__main__":
    unittest.main()
