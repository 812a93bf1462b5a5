#!/usr/bin/python3
"""What `worksheet` puts on a page, looked at in a browser: on a desk and on a phone, in light and in dark,
and printed on A4 in black and white; with names that would like to be markup."""

import os
import re
import shutil
import subprocess
import tempfile
import unittest
from xml.etree import ElementTree

from browser import Browser
from report_test import CONTRAST_LEAST, HOSTILE, LEAST_CONTRAST, SIZES, Tags, pixels

DOSEWRIGHT = os.environ.get("DOSEWRIGHT", "build/dosewright")
CONFIG = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "..", "config")
SAMPLES = ("site.yaml", "three-part.yaml")
A4_POINTS = (595, 842)

# What sticks out to the right; a wide table scrolls by itself.
STICKS_OUT = """[...document.body.querySelectorAll("*")].filter(e => !e.closest(".wide") &&
  e.getBoundingClientRect().right > innerWidth + .5).map(e => e.tagName + "." + e.getAttribute("class"))"""

# Pairs of texts in one drawing that cover each other, and texts that leave their drawing.
COVERED = """[...document.querySelectorAll(".chain svg")].flatMap(s => {
  const box = s.getBoundingClientRect(), t = [...s.querySelectorAll("text")];
  const r = t.map(e => e.getBoundingClientRect()), bad = [];
  r.forEach((a, i) => {
    if (a.right > box.right + .5 || a.bottom > box.bottom + .5) bad.push(t[i].textContent);
    r.slice(i + 1).forEach(b => { if (a.left < b.right && b.left < a.right && a.top + 3 < b.bottom &&
      b.top + 3 < a.bottom) bad.push(t[i].textContent + " on another"); }); });
  return bad; })"""


def worksheet(*arguments, code=0):
    done = subprocess.run([DOSEWRIGHT, "worksheet", *arguments], capture_output=True, timeout=60)
    if done.returncode != code:
        raise AssertionError("%s: %d, %s" % (arguments, done.returncode, done.stderr.decode()))
    return done.stdout.decode()


class InTheBrowser(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.mkdtemp(prefix="dosewright-worksheet-")
        cls.addClassCleanup(shutil.rmtree, cls.folder)
        cls.pages = []
        for sample in SAMPLES:
            page = os.path.join(cls.folder, sample + ".html")
            worksheet("--html", page, os.path.join(CONFIG, sample))
            cls.pages.append(page)
        cls.pages.append(cls.demo_page())
        cls.browser = cls.enterClassContext(Browser())

    @classmethod
    def demo_page(cls):
        """Of the demonstration's site, its words between @ signs filled in: two tanks, one chain."""
        site = os.path.join(cls.folder, "demo")
        shutil.copytree(os.path.join(CONFIG, "demo"), site)
        path = os.path.join(site, "site.yaml")
        with open(path, encoding="utf-8") as file:
            text = file.read()
        text = text.replace("@PORT@", "1").replace("@DIR@", site)
        text = text.replace("@PLANTED@", "2021-03-05").replace("@CALIBRATED@", "2021-03-05")
        with open(path, "w", encoding="utf-8") as file:
            file.write(text)
        page = os.path.join(cls.folder, "demo.html")
        worksheet("--html", page, path)
        return page

    def each_size(self, page):
        for width, dark, mobile in SIZES:
            with self.subTest(page=os.path.basename(page), width=width, dark=dark):
                self.browser.open(page, width, dark=dark, mobile=mobile)
                yield width, dark

    def print_like(self, page):
        self.browser.open(page, 700, dark=True)
        self.browser.call(
            "Emulation.setEmulatedMedia",
            media="print", features=[{"name": "prefers-color-scheme", "value": "dark"}],
        )  # fmt: skip

    def test_nothing_is_complained_of_and_nothing_is_fetched(self):
        for page in self.pages:
            for _ in self.each_size(page):
                self.assertEqual(self.browser.complaints(), [])
                self.assertEqual(self.browser.requests(), ["file://" + page])
                self.assertEqual(self.browser.value("document.scripts.length"), 0)

    def test_nothing_is_wider_than_the_screen(self):
        for page in self.pages:
            for width, _ in self.each_size(page):
                self.assertEqual(self.browser.value("document.documentElement.scrollWidth"), width)
                self.assertEqual(self.browser.value(STICKS_OUT), [])

    def test_text_stands_out_from_its_ground(self):
        for page in self.pages:
            for _ in self.each_size(page):
                ratio, where, count = self.browser.value(LEAST_CONTRAST)
                self.assertGreaterEqual(ratio, CONTRAST_LEAST, where)
                self.assertGreater(count, 100)

    def test_the_drawing_is_painted_and_its_words_stand_apart(self):
        for page in self.pages:
            for _ in self.each_size(page):
                self.assertEqual(self.browser.value(COVERED), [])
                box = self.browser.value(
                    "(() => { const b = document.querySelector('.chain svg').getBoundingClientRect();"
                    "return {x: b.x, y: b.y + scrollY, width: b.width, height: b.height, scale: 1}})()"
                )
                rows = pixels(self.browser.screenshot(clip=box))
                ground = rows[-2][-2]
                inked = sum(p != ground for row in rows for p in row)
                self.assertGreater(inked, 400)

    def test_each_output_is_drawn_with_its_bottle_and_tank(self):
        self.browser.open(self.pages[1], 1100)
        words = self.browser.value(
            "[...document.querySelectorAll('.chain svg')].map(s => s.getAttribute('aria-label'))"
        )
        self.assertEqual(len(words), 3)  # the head and two modules
        self.assertIn("pump 2 from bottle calcium to the line of lettuce-wall", words[1])
        self.assertIn("circulation of lettuce-wall", words[1])
        self.assertIn("pump 1 from bottle acid to the line of lettuce-wall", words[2])
        circles = self.browser.value("document.querySelectorAll('.chain circle').length")
        self.assertEqual(circles, 6)

    def test_on_paper_everything_is_black_on_white(self):
        for page in self.pages:
            self.print_like(page)
            rows = pixels(self.browser.screenshot())
            colours = {p for row in rows for p in row if max(p) - min(p) > 8}
            self.assertEqual(colours, set())
            self.assertEqual(rows[2][2], (255, 255, 255))
            ratio, where, _ = self.browser.value(LEAST_CONTRAST)
            self.assertGreaterEqual(ratio, 2 * CONTRAST_LEAST, where)
            paper = self.browser.pdf()
            size = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", paper)
            for printed, wanted in zip(size.groups(), A4_POINTS):
                self.assertAlmostEqual(float(printed), wanted, delta=1)
            sheets = len(re.findall(rb"/Type\s*/Page\b", paper))
            self.assertGreaterEqual(sheets, 3)
            self.assertLessEqual(sheets, 9)

    def hostile_site(self):
        site = os.path.join(self.folder, "hostile")
        shutil.copytree(CONFIG, site)
        path = os.path.join(site, "site.yaml")
        with open(path, encoding="utf-8") as file:
            text = file.read()
        name, tank = HOSTILE[0], HOSTILE[3]
        for was, new in (("name: Tern Hall school glasshouse", name), ("name: Basil bench", tank)):
            self.assertEqual(text.count(was), 1)
            text = text.replace(was, "name: '%s'" % new.replace("'", "''"))
        text = text.replace("topic: glass/bench1/ec", "topic: 'glass/\"><img src=x onerror=alert(1)>'")
        with open(path, "w", encoding="utf-8") as file:
            file.write(text)
        return path, name, tank

    def test_hostile_names_stay_names(self):
        path, name, tank = self.hostile_site()
        page = os.path.join(self.folder, "hostile.html")
        worksheet("--html", page, path)
        for _ in self.each_size(page):
            self.assertEqual(self.browser.complaints(), [])
            self.assertEqual(self.browser.requests(), ["file://" + page])
            self.assertEqual(self.browser.value("document.title"), name + ": worksheet")
            self.assertEqual(self.browser.value("document.querySelectorAll('script,img,iframe').length"), 0)
            self.assertIn(tank, self.browser.value("document.body.textContent"))
            handlers = "[...document.querySelectorAll('*')].filter(e => [...e.attributes].some("
            handlers += "a => a.name.startsWith('on'))).length"
            self.assertEqual(self.browser.value(handlers), 0)
        with open(page, encoding="utf-8") as file:
            self.check_form(file.read())

    def check_form(self, page):
        tags = Tags()
        tags.feed(page)
        tags.close()
        self.assertEqual((tags.wrong, tags.open), ([], []))
        drawings = re.findall(r"<svg\b.*?</svg>", page, re.S)
        self.assertGreater(len(drawings), 1)
        for drawing in drawings:
            ElementTree.fromstring(drawing)

    def test_the_page_is_well_formed_and_stands_alone(self):
        for path in self.pages:
            with open(path, encoding="utf-8") as file:
                page = file.read()
            self.check_form(page)
            self.assertNotRegex(page, r"(?i)@import|url\(|<script|<iframe|https?://")


if __name__ == "__main__":
    unittest.main()
