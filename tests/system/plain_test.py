#!/usr/bin/python3
"""Plain outputs: a relay board that speaks no contract, played by a client of its own that knows nothing of
the daemon. The judge is what the board really ran: never more than the limits, never two stocks at once,
and "off" whenever the daemon loses sight of it."""

import os
import re
import threading
import time

import paho.mqtt.client as mqtt

import small_site
from harness import Case, Daemon, World, main, wait_until

TANK = "basil-bench"
HOUR_ML = 60
RATES = {"leaf-a": 5.0, "leaf-b": 5.0, "leaf-c": 1.0}  # mL/s
B_OFF_S, FLOW_OFF_S = 4.0, 45.0
LEAF_C = "stock: leaf-c\nkind: nutrient\ngrams_per_litre: { KNO3: 100 }\n...\n"

CIRCULATION = (
    '{ topic: shed/flow/set, payload: "1", off_payload: "0", auto_off_s: 45, state: { topic: shed/flow } }'
)
OUTPUTS = {
    # times itself, reports nothing
    "leaf-a": '{ topic: shed/a/set, payload: "${ms}", off_payload: "0" }',
    # switched by separate messages, with a limit of its own, reports nothing
    "leaf-b": '{ topic: shed/b/set, payload: "on", off_payload: "off", auto_off_s: 4 }',
    # times itself, reports; shares a topic and is told apart by its payload
    "leaf-c": "{ topic: shed/set, payload: '{\"relay\":3,\"s\":${seconds}}',"
    " off_payload: '{\"relay\":3,\"s\":0}', state: { topic: shed/state, pointer: /relay3 } }",
}


class Output:
    """One relay: when it was really on, and what it was told."""

    def __init__(self, auto_off_s=None, tell=None):
        self.auto_off_s = auto_off_s
        self.tell = tell or (lambda on: None)
        self.on_at = self.ends_at = None
        self.runs = []  # (from, to)
        self.told = []  # (at, "on" or "off")
        self.mode = "works"  # ignores: does nothing; sticks: goes on and never off


class Board:
    """The board's firmware: takes orders, times itself, reports. A thread of its own ends what is due."""

    def __init__(self, port):
        self.lock = threading.RLock()
        self.ended = threading.Event()
        self.outputs = {
            "leaf-a": Output(),
            "leaf-b": Output(auto_off_s=B_OFF_S),
            "leaf-c": Output(tell=lambda on: self.say("shed/state", '{"relay3":%s}' % str(on).lower())),
            "circulation": Output(auto_off_s=FLOW_OFF_S, tell=lambda on: self.say("shed/flow", "ON" if on else "OFF")),
        }
        self.client = mqtt.Client()
        self.client.on_connect = self.greet
        self.client.on_message = self.hear
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port, 5)
        self.client.loop_start()
        self.thread = threading.Thread(target=self.live, daemon=True)
        self.thread.start()

    def greet(self, client, *_):
        client.subscribe([("shed/+/set", 1), ("shed/set", 1)])
        with self.lock:
            for output in self.outputs.values():
                output.tell(output.on_at is not None)

    def say(self, topic, payload):
        self.client.publish(topic, payload, qos=1, retain=True)

    def hear(self, _client, _data, message):
        word = message.payload.decode()
        with self.lock:
            if message.topic == "shed/a/set":
                self.order("leaf-a", int(word) / 1000)
            elif message.topic == "shed/b/set":
                self.order("leaf-b", B_OFF_S if word == "on" else 0)
            elif message.topic == "shed/flow/set":
                self.order("circulation", FLOW_OFF_S if word == "1" else 0)
            else:
                found = re.fullmatch(r'\{"relay":3,"s":([0-9.]+)\}', word)
                self.order("leaf-c", float(found.group(1)))

    def order(self, name, seconds):
        output, now = self.outputs[name], time.monotonic()
        output.told.append((now, "on" if seconds > 0 else "off"))
        if output.mode == "ignores":
            return
        if seconds > 0:
            output.ends_at = now + seconds
            if output.on_at is None:
                output.on_at = now
                output.tell(True)
        else:
            self.off(output, now)

    def off(self, output, now):
        if output.on_at is None or output.mode == "sticks":
            return
        output.runs.append((output.on_at, now))
        output.on_at = output.ends_at = None
        output.tell(False)

    def live(self):
        while not self.ended.wait(0.01):
            with self.lock:
                now = time.monotonic()
                for output in self.outputs.values():
                    if output.ends_at is not None and now >= output.ends_at:
                        self.off(output, now)

    def by_hand(self, name, on):
        """Somebody presses the button on the board."""
        with self.lock:
            output, now = self.outputs[name], time.monotonic()
            if not on:
                self.off(output, now)
                return
            output.on_at, output.ends_at = now, now + 600
            output.tell(True)

    def mend(self, name):
        with self.lock:
            output = self.outputs[name]
            stuck = output.mode == "sticks"
            output.mode = "works"
            if stuck:
                self.off(output, time.monotonic())

    def runs(self, name):
        """What really ran, what still runs included."""
        with self.lock:
            output = self.outputs[name]
            return output.runs + ([(output.on_at, time.monotonic())] if output.on_at is not None else [])

    def told(self, name):
        with self.lock:
            return list(self.outputs[name].told)

    def is_on(self, name):
        with self.lock:
            return self.outputs[name].on_at is not None

    def ran_ml(self, name, since=0.0):
        return sum((b - max(a, since)) * RATES[name] for a, b in self.runs(name) if b > since)

    def close(self):
        self.ended.set()
        self.thread.join(2)
        self.client.disconnect()
        self.client.loop_stop()


class Probes:
    """The water, seen by its probes: 100 L that answer to what really ran."""

    def __init__(self, port, board):
        self.board = board
        self.ended = threading.Event()
        self.client = mqtt.Client()
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port, 5)
        self.client.loop_start()
        self.thread = threading.Thread(target=self.live, daemon=True)
        self.thread.start()

    def live(self):
        while not self.ended.wait(0.5):
            ec = 0.8 + 0.00234 * self.board.ran_ml("leaf-a") + 0.00172 * self.board.ran_ml("leaf-b")
            ec += 0.0014 * self.board.ran_ml("leaf-c")
            for what, value in (("ec", ec), ("ph", 6.0), ("temperature", 20.0)):
                self.client.publish("glass/%s/%s" % (TANK, what), "%.4f" % value)

    def close(self):
        self.ended.set()
        self.thread.join(2)
        self.client.disconnect()
        self.client.loop_stop()


def plain_site(path):
    """The small site with all of its outputs on one board; and a third feed instead of the acid, which would
    have to wait for an acid that nobody knows of."""
    with open(path, encoding="utf-8") as file:
        text = file.read()
    text = re.sub(r"\bacid\b", "leaf-c", text.replace("    lowers_ph: acid\n", ""))
    text = text.replace("leaf-b: 1 }", "leaf-b: 1, leaf-c: 1 }")
    small_site.put(os.path.join(os.path.dirname(path), "solutions", "leaf-c.yaml"), LEAF_C)
    text = text[: text.index("chains:")] + text[text.index("stocks:") :]
    text = text.replace("pump: west/1.circulation", "pump: " + CIRCULATION)
    for channel, stock in enumerate(("leaf-a", "leaf-b", "leaf-c"), 1):
        text = text.replace("address: west/1.%d, ml_per_s: 1.0" % channel,
            "address: %s, ml_per_s: %s" % (OUTPUTS[stock], RATES[stock]))  # fmt: skip
    small_site.put(path, text)


class PlainTest(Case):
    @classmethod
    def setUpClass(cls):
        cls.world = World(
            rig=False, tanks=(TANK,), volume_l=100, flow_l_min=1000, max_age_s=60, ec=0.9, ph=6.0,
            ec_rise=5, hour_ml=HOUR_ML, day_ml=2 * HOUR_ML, acid_hour_ml=45, acid_day_ml=90,
        )  # fmt: skip
        cls.addClassCleanup(cls.world.close)
        plain_site(cls.world.site_path)
        cls.daemon = cls.world.daemon
        cls.board = Board(cls.world.port)
        cls.addClassCleanup(cls.board.close)
        cls.probes = Probes(cls.world.port, cls.board)
        cls.addClassCleanup(cls.probes.close)
        cls.daemon.start()

    # --- helpers

    def wait_ready(self, timeout_s=40):
        """Alone on its site, a daemon takes it over after 15 s."""
        wait_until("the outputs are commanded", self.daemon.has_chain, timeout_s)

    def take_on(self, stock, ml, timeout_s=60):
        """Somebody asks for a dose, again until it is taken on."""
        answer = {}

        def taken():
            answer.update(self.daemon.ask("dose", tank=TANK, stock=stock, ml=ml) or {})
            return answer.get("ok")

        try:
            wait_until("a dose is taken on", taken, timeout_s, 0.3)
        except AssertionError as error:
            raise AssertionError("%s: %s" % (error, answer)) from None

    def give(self, stock, ml):
        """... and it is given; its outcome."""
        before = len(self.daemon.records("outcome", stock=stock))
        self.take_on(stock, ml)
        return wait_until("the dose of %s is over" % stock,
            lambda: self.daemon.records("outcome", stock=stock)[before:], 60)[0]  # fmt: skip

    def begin(self, stock, ml):
        """... and the output is on."""
        self.take_on(stock, ml)
        wait_until("%s runs" % stock, lambda: self.board.is_on(stock), 40, 0.02)

    def counted_ml(self, stock):
        tank = self.daemon.tank(TANK)
        return next(p for p in tank["pumps"] if p["stock"] == stock)["hour_ml"]

    def offs_since(self, name, at):
        return [t for t, word in self.board.told(name) if word == "off" and t >= at]

    def judge(self):
        """Once more after each test: by what the board really ran."""
        for stock, limit in (("leaf-a", HOUR_ML), ("leaf-b", HOUR_ML)):
            self.assertLessEqual(self.board.ran_ml(stock), limit * 1.15, stock)
        spans = [(a, b, n) for n in ("leaf-a", "leaf-b", "leaf-c") for a, b in self.board.runs(n)]
        spans.sort()
        for one, next_one in zip(spans, spans[1:]):
            self.assertGreaterEqual(next_one[0], one[1], "two at once: %s %s" % (one, next_one))
        ons = sum(1 for n in ("leaf-a", "leaf-b", "leaf-c") for _, word in self.board.told(n) if word == "on")
        self.assertLessEqual(ons, len(self.daemon.records("dose")), "a run without a record")

    def tearDown(self):
        self.judge()

    # --- the tests, in the order of their names: one world

    def test_01_nothing_is_dosed_until_the_day_before_is_known(self):
        self.wait_ready()
        self.wait_alert("limits-unknown-" + TANK)
        self.assertTrue(self.daemon.ask("pause", tank=TANK, on=True)["ok"])
        answer = {}

        def refused():
            answer.update(self.daemon.ask("dose", tank=TANK, stock="leaf-a", ml=2.5))
            return answer["reason"] == "over-limit"

        wait_until("the limits count as used up (%s)" % answer, refused, 30, 0.3)
        self.assertTrue(self.daemon.ask("acknowledge", alert="limits-unknown-" + TANK)["ok"])
        for name in self.board.outputs:
            self.assertEqual(self.board.told(name)[0][1], "off", name)

    def test_02_check_and_status_say_what_cant_be_promised(self):
        code, words = self.daemon.tool("status")
        self.assertEqual(code, 0, words)
        self.assertIn("4 plain outputs, of which 2 report; every run counts in full", words)
        self.assertEqual(self.daemon.status()["chains"][0]["plain_outputs"], 4)

    def test_03_a_board_that_times_itself_is_told_how_long(self):
        heard = self.world.stranger("shed/#")
        at = time.monotonic()
        outcome = self.give("leaf-a", 7.5)
        self.assertEqual((outcome["state"], outcome["ul"], outcome["unsure"]), ("done", 7500, False))
        self.assertEqual([m.payload for m in heard.heard(topic="shed/a/set") if m.payload != "0"], ["1500"])
        self.assertAlmostEqual(self.board.ran_ml("leaf-a", at), 7.5, delta=0.5)
        wait_until("off is said, too", lambda: self.offs_since("leaf-a", at), 5)
        late = self.world.stranger("shed/+/set", "shed/set")
        time.sleep(0.5)
        self.assertEqual(late.heard(), [], "an order was kept by the broker")

    def test_04_one_that_is_switched_is_switched_off_and_counts_in_full(self):
        at = time.monotonic()
        outcome = self.give("leaf-b", 7.5)
        self.assertEqual((outcome["state"], outcome["ul"]), ("done", 7500))
        self.assertAlmostEqual(self.board.ran_ml("leaf-b", at), 7.5, delta=1.5)
        # nobody knows that "off" arrived: it might have run for all of its 4 s
        self.assertEqual(self.counted_ml("leaf-b"), 20.0)

    def test_05_a_board_that_reports_is_believed(self):
        outcome = self.give("leaf-c", 1.5)
        self.assertEqual((outcome["state"], outcome["ul"], outcome["unsure"]), ("done", 1500, False))
        self.assertEqual(self.counted_ml("leaf-c"), 1.5)
        self.assertEqual([a for a in self.daemon.alerts() if "leaf-c" in a], [])

    def test_06_one_that_does_nothing_is_noticed(self):
        self.board.outputs["leaf-c"].mode = "ignores"
        self.give("leaf-c", 1.0)
        self.wait_alert("ignores-%s-leaf-c" % TANK)
        self.assertEqual(self.counted_ml("leaf-c"), 2.5)
        self.board.mend("leaf-c")
        self.give("leaf-c", 1.0)
        self.wait_alert("ignores-%s-leaf-c" % TANK, stands=False)

    def test_07_what_makes_no_sense_is_no_report(self):
        stranger = self.world.stranger("shed/state")
        self.begin("leaf-c", 3.0)
        for payload in ("{}", "on", '{"relay3":"maybe"}', '{"relay3":[1]}', "\xff", "{" * 20, ""):
            stranger.say("shed/state", payload)
        outcome = wait_until("it is over",
            lambda: [o for o in self.daemon.records("outcome", stock="leaf-c") if o["ul"] == 3000], 20)[-1]  # fmt: skip
        self.assertFalse(outcome["unsure"])
        began, ended = self.board.runs("leaf-c")[-1]
        self.assertAlmostEqual(ended - began, 3.0, delta=0.3)

    def test_08_without_circulation_seen_nothing_is_dosed(self):
        self.assertTrue(self.daemon.ask("circulate", tank=TANK, for_s=1)["ok"])
        wait_until("the circulation stands", lambda: not self.board.is_on("circulation"), 150, 0.2)
        self.board.outputs["circulation"].mode = "ignores"
        at = time.monotonic()
        self.take_on("leaf-a", 1.0)
        self.wait_alert("ignores-%s-circulation" % TANK)
        self.assertEqual(self.board.ran_ml("leaf-a", at), 0.0)
        self.board.mend("circulation")
        self.wait_alert("ignores-%s-circulation" % TANK, 120, stands=False)

    def test_09_circulation_that_ends_takes_the_dose_with_it(self):
        wait_until("no dose is under way", lambda: self.daemon.tank(TANK)["asked"] == "", 60)
        self.begin("leaf-c", 8.0)
        at = time.monotonic()
        self.board.by_hand("circulation", False)
        wait_until("the dose is off", lambda: not self.board.is_on("leaf-c"), 6, 0.02)
        self.assertLess(self.board.ran_ml("leaf-c", at), 4.0)
        outcome = wait_until("it is over",
            lambda: [o for o in self.daemon.records("outcome", stock="leaf-c") if o["ul"] == 8000], 20)[-1]  # fmt: skip
        self.assertEqual((outcome["state"], outcome["unsure"]), ("stopped", True))

    def test_10_a_halt_in_mid_run(self):
        self.begin("leaf-a", 7.5)
        at = time.monotonic()
        self.addCleanup(self.daemon.ask, "halt", on=False)
        self.assertTrue(self.daemon.ask("halt", on=True)["ok"])
        wait_until("it is off", lambda: not self.board.is_on("leaf-a"), 1, 0.01)
        wait_until("all are told", lambda: all(self.offs_since(n, at) for n in self.board.outputs), 1, 0.01)
        outcome = wait_until("it is over", lambda: [
            o for o in self.daemon.records("outcome", stock="leaf-a") if o["state"] == "stopped"], 10)[0]  # fmt: skip
        self.assertEqual((outcome["ul"], outcome["unsure"]), (7500, True))
        self.assertFalse(self.daemon.ask("dose", tank=TANK, stock="leaf-a", ml=1)["ok"])
        self.assertTrue(self.daemon.ask("halt", on=False)["ok"])
        self.give("leaf-a", 1.0)

    def test_11_the_broker_goes_in_mid_run(self):
        self.begin("leaf-b", 7.5)
        at = time.monotonic()
        self.world.kill_broker()
        wait_until("the board's own limit ends it", lambda: not self.board.is_on("leaf-b"), B_OFF_S + 2)
        self.world.start_broker()
        wait_until("off is said when it is back", lambda: self.offs_since("leaf-b", at), 40)
        first = next(word for t, word in self.board.told("leaf-b") if t >= at)
        self.assertEqual(first, "off")
        wait_until("it is over", lambda: len(self.daemon.records("dose", stock="leaf-b"))
            == len(self.daemon.records("outcome", stock="leaf-b")), 60)  # fmt: skip
        self.assertEqual(self.counted_ml("leaf-b"), 40.0)
        self.wait_ready()

    def test_12_the_daemon_is_killed_in_mid_run(self):
        self.begin("leaf-b", 7.5)
        self.daemon.kill()
        at = time.monotonic()
        wait_until("the board's own limit ends it", lambda: not self.board.is_on("leaf-b"), B_OFF_S + 2)
        self.daemon.start()
        wait_until("off is said first", lambda: self.offs_since("leaf-b", at), 40)
        for name in self.board.outputs:
            after = [word for t, word in self.board.told(name) if t >= at]
            self.assertEqual(after[0], "off", name)
        self.wait_ready()
        wait_until("it counts in full", lambda: len(self.daemon.records("outcome", stock="leaf-b", state="unknown")), 60)
        self.assertEqual(self.counted_ml("leaf-b"), 60.0)

    def test_13_the_limit_holds_for_what_really_ran(self):
        """Three doses of 7.5 mL, two of which the board ran for all of its 4 s: no fourth."""
        answer = {}

        def answered():
            """Just after a start it listens for another daemon."""
            answer.update(self.daemon.ask("dose", tank=TANK, stock="leaf-b", ml=1))
            return answer.get("reason") != "not-ready"

        wait_until("it has listened", answered, 30)
        self.assertEqual((answer["ok"], answer["reason"]), (False, "over-limit"), answer)
        self.assertLessEqual(self.board.ran_ml("leaf-b"), HOUR_ML)
        self.assertGreater(self.board.ran_ml("leaf-b"), 2 * 15.0)
        for _ in range(12):
            answer = self.daemon.ask("dose", tank=TANK, stock="leaf-a", ml=15) or {}
            if answer.get("reason") == "over-limit":
                break
            wait_until("the dose is over", lambda: self.daemon.tank(TANK)["asked"] == "", 60)
        self.assertEqual(answer["reason"], "over-limit")
        self.assertLessEqual(self.board.ran_ml("leaf-a"), HOUR_ML * 1.02)

    def test_14_somebody_switches_it_on_at_the_board(self):
        # the board has it from its own clock, a little later than the daemon
        wait_until("the dose before is off", lambda: not self.board.is_on("leaf-a"), 5, 0.02)
        counted = self.counted_ml("leaf-c")
        self.board.by_hand("leaf-c", True)
        self.wait_alert("hand-" + TANK)
        self.assertNotIn("stays-on-%s-leaf-c" % TANK, self.daemon.alerts())
        time.sleep(2)
        self.board.by_hand("leaf-c", False)
        self.wait_alert("hand-" + TANK, stands=False)
        ran = self.board.runs("leaf-c")[-1]
        self.assertAlmostEqual(self.counted_ml("leaf-c") - counted, ran[1] - ran[0], delta=0.5)

    def test_15_a_board_that_stays_on_halts_its_tank(self):
        counted = self.counted_ml("leaf-c")
        self.begin("leaf-c", 1.0)
        self.board.outputs["leaf-c"].mode = "sticks"
        at = time.monotonic()
        self.wait_alert("stays-on-%s-leaf-c" % TANK)
        view = self.wait_state(TANK, ("halted",), 10)
        self.assertIn("leaf-c", view["why"])
        self.assertGreaterEqual(len(self.offs_since("leaf-c", at)), 3, "it isn't told again")
        self.assertFalse(self.daemon.ask("dose", tank=TANK, stock="leaf-a", ml=1)["ok"])
        self.assertFalse(self.daemon.ask("circulate", tank=TANK, for_s=5)["ok"])
        self.assertEqual(self.daemon.end(), 0)
        self.daemon.start()
        self.wait_alert("stays-on-%s-leaf-c" % TANK)
        self.wait_ready()
        self.wait_state(TANK, ("halted",), 10)
        self.board.mend("leaf-c")
        time.sleep(1)
        self.assertIn("stays-on-%s-leaf-c" % TANK, self.daemon.alerts(), "it ended by itself")
        self.assertTrue(self.daemon.ask("acknowledge", alert="stays-on-%s-leaf-c" % TANK)["ok"])
        self.wait_state(TANK, ("paused", "flushing", "circulating", "mixing", "holding"), 30)
        # what was seen of it counts; while the daemon didn't run nobody saw it
        self.assertGreater(self.counted_ml("leaf-c") - counted, 8.0)

    def test_16_a_reload_and_the_end_say_off(self):
        at = time.monotonic()
        self.daemon.reload_done()
        wait_until("a reload says off", lambda: all(self.offs_since(n, at) for n in self.board.outputs), 10)
        self.wait_ready()
        self.give("leaf-c", 0.5)
        at = time.monotonic()
        self.assertEqual(self.daemon.end(), 0)
        wait_until("the end says off", lambda: all(self.offs_since(n, at) for n in self.board.outputs), 5)
        self.judge_journal()


class MixedTest(Case):
    """One stock on a plain board, the rest and the circulation on a chain of modules (the rig)."""

    @classmethod
    def setUpClass(cls):
        site = dict(tanks=(TANK,), volume_l=100, flow_l_min=1000, max_age_s=600, ec=0.9, ph=6.0, ec_rise=5)
        cls.world = World(rig=False, **site)
        cls.addClassCleanup(cls.world.close)
        cls.world.start_rig()  # by the file as it was: all on modules
        wait_until("the rig is up", lambda: cls.world.rig.log(), 20)
        cls.board = Board(cls.world.port)
        cls.addClassCleanup(cls.board.close)
        path = os.path.join(cls.world.folder, "mixed.yaml")
        with open(cls.world.site_path, encoding="utf-8") as file:
            text = file.read().replace("address: west/1.2, ml_per_s: 1.0",
                "address: %s, ml_per_s: 1.0" % OUTPUTS["leaf-a"])  # fmt: skip
        small_site.put(path, text)
        cls.daemon = Daemon(cls.world, path).start()

    def take_on(self, stock, ml):
        answer = {}

        def taken():
            answer.update(self.daemon.ask("dose", tank=TANK, stock=stock, ml=ml) or {})
            return answer.get("ok")

        try:
            wait_until("a dose is taken on", taken, 90, 0.3)
        except AssertionError as error:
            raise AssertionError("%s: %s" % (error, answer)) from None

    def outcome(self, stock, count):
        return wait_until("the dose of %s is over" % stock,
            lambda: self.daemon.records("outcome", stock=stock)[count:], 60)[0]  # fmt: skip

    def test_01_stocks_of_both_kinds_take_turns(self):
        self.wait_alert("limits-unknown-" + TANK)
        self.assertTrue(self.daemon.ask("pause", tank=TANK, on=True)["ok"])
        self.assertTrue(self.daemon.ask("acknowledge", alert="limits-unknown-" + TANK)["ok"])
        self.take_on("leaf-a", 3)
        self.assertEqual(self.outcome("leaf-a", 0)["ul"], 3000)
        self.take_on("leaf-b", 2)
        self.assertEqual(self.outcome("leaf-b", 0)["ul"], 2000)
        self.assertEqual(len(self.board.runs("leaf-a")), 1)  # its first output has leaf-b's tube here
        began, ended = self.board.runs("leaf-a")[0]
        self.assertAlmostEqual(ended - began, 2.0, delta=0.3)
        self.take_on("leaf-a", 2)
        self.assertEqual(self.outcome("leaf-a", 1)["ul"], 2000)
        self.judge_recorded()
        kinds = [(r["kind"], r.get("stock")) for r in self.daemon.records() if r["kind"] in ("dose", "flushed")]
        doses = [i for i, k in enumerate(kinds) if k[0] == "dose"]
        for one, next_one in zip(doses, doses[1:]):
            self.assertIn(("flushed", None), kinds[one:next_one], "two stocks without a flush: %s" % kinds)

    def test_02_without_the_modules_circulation_the_board_is_switched_off(self):
        self.take_on("leaf-b", 15)
        wait_until("it runs", lambda: self.board.is_on("leaf-a"), 40, 0.02)
        at = time.monotonic()
        self.world.rig.kill()  # the head is silent: its circulation isn't seen any more
        self.world.forget(self.world.rig)
        wait_until("it is off", lambda: not self.board.is_on("leaf-a"), 10, 0.02)
        self.assertLess(time.monotonic() - at, 10)
        began, ended = self.board.runs("leaf-a")[-1]
        self.assertLess(ended - began, 13)  # it was to run for 15 s
        outcome = self.outcome("leaf-b", 1)
        self.assertEqual((outcome["state"], outcome["ul"], outcome["unsure"]), ("stopped", 15000, True))
        self.assertFalse(self.daemon.ask("dose", tank=TANK, stock="leaf-b", ml=1)["ok"])


if __name__ == "__main__":
    main()
