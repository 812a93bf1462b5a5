#!/usr/bin/python3
"""Weeks in seconds: the same seed gives the same bytes, every form can be read, a bottle that runs out
has its date, and what happens in the model is what the tables say."""

import csv
import datetime
import html.parser
import io
import json
import os
import re
import subprocess
import tempfile
import unittest

import small_site

PROGRAM = os.environ.get("DOSEWRIGHT", "")
LARGE = dict(
    volume_l=120,
    flow_l_min=12,
    line_ml=80,
    flush_lines=3,
    max_age_s=180,
    dose_ml=40,
    hour_ml=200,
    day_ml=800,
    acid_dose_ml=30,
    acid_hour_ml=120,
    acid_day_ml=400,
    ec_rise=0.6,
)


class Page(html.parser.HTMLParser):
    """That it is one, with charts, and asks nobody for anything."""

    def __init__(self):
        super().__init__()
        self.tags = {}
        self.outside = []

    def handle_starttag(self, tag, attrs):
        self.tags[tag] = self.tags.get(tag, 0) + 1
        for name, value in attrs:
            if name in ("src", "href") and not re.match("#|data:", value or ""):
                self.outside.append(value)


class Forecast(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        if not PROGRAM:
            raise unittest.SkipTest("DOSEWRIGHT names no program")
        cls.folder = tempfile.TemporaryDirectory()
        cls.site = small_site.write(cls.folder.name, 1883, **LARGE)

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()

    def run_it(self, *words, code=0, site=None):
        ran = subprocess.run(
            [PROGRAM, "forecast", site or self.site, *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            timeout=300,
            check=False,
            env=dict(os.environ, LC_ALL="C.UTF-8", COLUMNS="100"),
        )
        self.assertEqual(ran.returncode, code, ran.stderr.decode())
        return ran.stdout.decode() if code == 0 else ran.stderr.decode()

    def read(self, *words, site=None):
        return json.loads(self.run_it("--json", *words, site=site))

    def other_site(self, name, **changes):
        folder = os.path.join(self.folder.name, name)
        os.makedirs(folder, exist_ok=True)
        return small_site.write(folder, 1883, **dict(LARGE, **changes))

    def section(self, report, name):
        return next(s for s in report["sections"] if s["id"] == name)

    def test_the_same_seed_gives_the_same_bytes(self):
        words = ("--json", "--days", "2", "--no-what-if")
        first = self.run_it(*words, "--seed", "5")
        self.assertEqual(first, self.run_it(*words, "--seed", "5"))
        self.assertNotEqual(first, self.run_it(*words, "--seed", "6"))

    def test_the_water_comes_to_its_setpoints(self):
        report = self.read("--days", "4", "--no-what-if")
        self.assertEqual([t["tank"] for t in report["tanks"]], ["basil-bench", "lettuce-wall"])
        for tank in report["tanks"]:
            self.assertAlmostEqual(tank["channels"]["ec"]["last"], 1.2, delta=0.12)
            self.assertAlmostEqual(tank["channels"]["ph"]["last"], 5.8, delta=0.3)
            self.assertTrue(tank["doses"])
        self.assertTrue(any("model" in note for note in report["notes"]))
        start = datetime.datetime.fromisoformat(report["from"][:-1])
        self.assertEqual(start.strftime("%Y-%m-%d"), small_site.day(-1))

    def test_every_form_can_be_read(self):
        words = ("--days", "1", "--no-what-if", "--tank", "basil-bench")
        text = self.run_it(*words)
        self.assertIn("A model, not a promise", text)
        self.assertIn("Bottles", text)
        self.assertNotIn("lettuce-wall", text)
        rows = list(csv.reader(io.StringIO(self.run_it("--csv", *words))))
        self.assertGreater(len(rows), 100)
        self.assertEqual({len(row) for row in rows}, {len(rows[0])})
        path = os.path.join(self.folder.name, "forecast.html")
        self.assertEqual(self.run_it("--html", path, *words), "")
        with open(path, encoding="utf-8") as file:
            text = file.read()
        page = Page()
        page.feed(text)
        self.assertGreaterEqual(page.tags.get("svg", 0), 2)
        self.assertNotIn("script", page.tags)
        self.assertEqual(page.outside, [])
        self.run_it("--html", path, *words)  # its own page is replaced
        with open(path, "w", encoding="utf-8") as file:
            file.write("a letter to somebody")
        self.assertIn(path, self.run_it("--html", path, *words, code=73))
        with open(path, encoding="utf-8") as file:
            self.assertEqual(file.read(), "a letter to somebody")

    def test_a_bottle_that_runs_out_has_its_date(self):
        site = self.other_site("thirsty")
        with open(site, encoding="utf-8") as file:
            text = file.read()
        small_site.put(site, re.sub(r"(leaf-a:.*bottle_ml:) 1000", r"\1 250", text))
        report = self.read("--days", "6", "--no-what-if", site=site)
        bottles = {row[0]: row for row in self.section(report, "bottles")["rows"]}
        _, bottle_ml, used_ml, times, dates, lasts = bottles["leaf-a"]
        self.assertEqual(bottle_ml, 250)
        self.assertGreaterEqual(times, 1)
        days = [small_site.day(n) for n in range(-1, 6)]
        self.assertIn(dates.split(", ")[0], days)
        self.assertEqual(int(used_ml // 250), times)
        self.assertGreater(lasts, 0)
        self.assertEqual(bottles["leaf-b"][3], 0)
        self.assertIsNone(bottles["leaf-b"][4])

    def test_a_limit_that_binds_is_told_with_its_hours(self):
        loose = self.section(self.read("--days", "2", "--no-what-if"), "limits")["rows"]
        self.assertEqual([row for row in loose if row[1] == "leaf-b" and row[2] == "day"], [])
        site = self.other_site("tight", dose_ml=20, hour_ml=40, day_ml=60)
        tight = self.section(self.read("--days", "2", "--no-what-if", site=site), "limits")["rows"]
        bound = [row for row in tight if row[2] == "day" and row[1] in ("leaf-a", "leaf-b")]
        self.assertEqual({row[0] for row in bound}, {"basil-bench", "lettuce-wall"})
        for row in bound:
            self.assertGreater(row[3], 6)
            self.assertAlmostEqual(row[4], 100 * row[3] / 48, delta=0.2)

    def test_what_if(self):
        report = self.read("--days", "2", "--tank", "basil-bench")
        volume = {row[0]: row for row in self.section(report, "what-if-volume")["rows"]}
        self.assertEqual(set(volume), {"as configured", "20 % less", "20 % more"})
        self.assertLess(volume["20 % less"][2], volume["20 % more"][2])
        bottle = {row[0]: row for row in self.section(report, "what-if-bottle")["rows"]}
        self.assertEqual(set(bottle), {"leaf-a", "leaf-b", "acid"})
        for stock, row in bottle.items():
            self.assertGreater(row[1], 0, stock)
            self.assertGreater(row[2], 0, stock)
            if row[5] == "not noticed":
                self.assertEqual(row[3:5], [None, None])
                continue
            self.assertGreater(row[3], 0, stock)
            self.assertRegex(row[4], "^no-effect-basil-bench-(feed|acid)$")
        self.assertNotEqual(bottle["acid"][5], "not noticed")

    def test_a_first_day_may_be_chosen(self):
        report = self.read("--days", "1", "--no-what-if", "--from", "2024-02-29")
        self.assertEqual(report["from"][:10], "2024-02-29")
        for tank in report["tanks"]:  # long before it is planted
            self.assertEqual(tank["doses"], [])

    def test_calibrations_of_later_are_taken_to_be_in_order(self):
        site = self.other_site("planted-before")
        with open(site, encoding="utf-8") as file:
            text = file.read()
        small_site.put(site, re.sub("planted: .*", "planted: " + small_site.day(-9), text))
        report = self.read("--days", "1", "--no-what-if", site=site)
        self.assertEqual(report["from"][:10], small_site.day(-9))
        for tank in report["tanks"]:
            self.assertTrue(tank["doses"])

    def test_wrong_words_are_refused(self):
        for words, said in (
            (["--days", "0"], "1 to 366"),
            (["--days", "1.5"], "1 to 366"),
            (["--days"], "a value is missing"),
            (["--seed", "-1"], "15 digits"),
            (["--from", "tomorrow"], "2031-04-02"),
            (["--from", "2023-02-29"], "2031-04-02"),
            (["--tank", "ferns"], "basil-bench, lettuce-wall"),
            (["--json", "--csv"], "only one of"),
            (["--fast"], "--fast"),
            (["another.yaml"], "one site only"),
        ):
            self.assertIn(said, self.run_it(*words, code=64))
        self.assertIn("/nowhere.yaml", self.run_it(site="/nowhere.yaml", code=78))


if __name__ == "__main__":
    unittest.main()
