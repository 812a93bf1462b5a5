"""The site, its tanks and the chain head on a real broker, judged by the Homie convention (homie_rules.py)."""

import os
import signal
import time
import unittest

import harness
import homie_rules
import small_site
from harness import Case, Daemon, main, wait_until

SETTLE_S = 7.0  # longer than the daemon looks for what a former life left behind


class Judged(Case):
    """Every test ends with a broker at rest, and without a breach."""

    JUDGED = ("homie",)

    @classmethod
    def setUpClass(cls):
        cls.judges = {}
        super().setUpClass()
        for domain in cls.JUDGED:
            cls.judges[domain] = homie_rules.Judge(cls.world.port, domain)
            cls.addClassCleanup(cls.judges[domain].close)
        cls.judge = next(iter(cls.judges.values()))

    def wait_device(self, device, state="ready", timeout_s=30, judge=None):
        judge = judge or self.judge
        wait_until(
            "%s is %s (%s)" % (device, state, judge.devices()),
            lambda: judge.devices().get(device) == state,
            timeout_s,
        )

    def wait_value(self, topic, value, timeout_s=15):
        wait_until(
            "%s is %r (%r)" % (topic, value, self.judge.value(topic)),
            lambda: self.judge.value(topic) == value,
            timeout_s,
        )

    def assert_by_the_book(self):
        for judge in self.judges.values():
            judge.at_rest()
            breaches = sorted(set(judge.breaches))
            judge.breaches = []
            self.assertEqual(breaches, [], "\n".join("%s: %s: %s" % b for b in breaches))

    def write_site(self, folder=None, **changes):
        small_site.write(folder or self.world.folder, self.world.port, **dict(self.SITE, **changes))


class OneSite(Judged):
    def setUp(self):
        if self.daemon.process is None or not self.daemon.process.alive():
            self.daemon.start()
        self.wait_device("tern-hall")

    def tearDown(self):
        self.write_site()

    def test_1_start(self):
        for device in ("tern-hall", "tern-hall-basil-bench", "tern-hall-lettuce-wall", "west"):
            self.wait_device(device)
            if device != "west":  # the rig's, which may have begun before the judge listened
                self.assertEqual(self.judge.states[device][0], "init", device)
        self.wait_state("basil-bench", ("mixing", "injecting", "circulating", "flushing", "holding"), 60)
        time.sleep(3)
        self.assert_by_the_book()
        described = {n for n, _ in homie_rules.properties_of(self.judge.document["tern-hall-basil-bench"])}
        self.assertIn("water/ec", described)
        self.assertNotIn("water/volume", described, "no probe tells it")

    def test_2_every_settable_property_closes_the_loop(self):
        """Property command topic: what was set shows in the property, and what was refused snaps back."""
        tank = "tern-hall-basil-bench/"
        for topic, value, shown in (
            (tank + "setpoint/ec", "1.3", "1.300"),
            (tank + "setpoint/ph", "6", "6.00"),
            (tank + "setpoint/override-for", "PT90M", "PT1H30M"),
            (tank + "dosing/paused", "true", "true"),
            ("tern-hall/site/halt", "true", "true"),
            ("tern-hall/site/halt", "false", "false"),
            (tank + "dosing/paused", "false", "false"),
        ):
            self.judge.say("homie/5/" + topic + "/set", value)
            self.wait_value(topic, shown)
        for topic, bad in (
            (tank + "setpoint/ec", "99"), (tank + "setpoint/ec", "1,4"), (tank + "setpoint/ph", ""),
            (tank + "setpoint/ph", "NaN"), (tank + "setpoint/override-for", "8h"),
            (tank + "dosing/paused", "TRUE"), ("tern-hall/site/halt", "0"),
        ):  # fmt: skip
            before, warned = self.judge.value(topic), len(self.judge.log)
            self.judge.say("homie/5/" + topic + "/set", bad)
            if bad:
                wait_until("a warning about %s %r" % (topic, bad), lambda w=warned: len(self.judge.log) > w, 5)
            time.sleep(0.3)
            self.assertEqual(self.judge.value(topic), before)
        settable = {
            "homie/5/%s/%s" % (device, name)
            for device in ("tern-hall", "tern-hall-basil-bench")
            for name, p in homie_rules.properties_of(self.judge.document[device])
            if p.get("settable")
        }
        self.assertEqual(len(settable), 6, "a new settable property wants a row above: %s" % settable)
        self.assert_by_the_book()

    def test_3_alerts_come_and_go(self):
        self.world.fault("remove:west.2")
        topic = wait_until("an alert", self.find_alert, 20)
        self.world.fault("-remove:west.2")
        wait_until("the alert is over", lambda: self.find_alert() is None, 30)
        self.assertTrue(topic.startswith("homie/5/tern-hall"), topic)
        self.assert_by_the_book()

    def find_alert(self):
        return next((t for t in list(self.judge.kept) if "/$alert/roll-call" in t), None)

    def test_4_reload_that_renames_a_tank(self):
        before = self.judge.versions["tern-hall"]
        self.write_site(tanks=("basil-bench", "mint-wall"))
        self.daemon.reload_done()
        self.wait_device("tern-hall-mint-wall")
        wait_until("the old one is gone", lambda: "tern-hall-lettuce-wall" not in self.judge.devices(), 20)
        wait_until(
            "the site names it",
            lambda: self.judge.document["tern-hall"]["children"] == ["tern-hall-basil-bench", "tern-hall-mint-wall"],
            10,
        )
        self.wait_device("tern-hall")
        self.assertGreater(self.judge.versions["tern-hall"], before)
        time.sleep(1)
        self.assert_by_the_book()
        self.write_site()
        self.daemon.reload_done()
        self.wait_device("tern-hall-lettuce-wall")
        time.sleep(SETTLE_S)
        self.assert_by_the_book()

    def test_5_clean_stop(self):
        self.assertEqual(self.daemon.end(), 0)
        for device in ("tern-hall", "tern-hall-basil-bench", "tern-hall-lettuce-wall"):
            self.wait_device(device, "disconnected", 5)
        self.assert_by_the_book()

    def test_6_a_tank_that_went_while_the_daemon_was_off(self):
        self.daemon.end()
        leftover = "homie/5/tern-hall-basil-bench/stock-base/remaining"
        stranger = "homie/5/tern-hall-annex/$state"
        self.judge.say("homie/5/tern-hall-lettuce-wall/$alert/no-circulation-lettuce-wall", "old", retain=True)
        self.judge.say(leftover, "1.000", retain=True)
        self.judge.say(stranger, "disconnected", retain=True)
        self.judge.say(
            "homie/5/tern-hall-annex/$description", '{"homie":"5.0","version":3,"children":[]}', retain=True
        )
        self.judge.breaches = []  # what this test has just put there
        self.write_site(tanks=("basil-bench",))
        self.daemon.start()
        wait_until("the tank is gone", lambda: "tern-hall-lettuce-wall" not in self.judge.devices(), 20)
        self.wait_device("tern-hall")
        wait_until("the leftover is gone", lambda: leftover not in self.judge.kept, 20)
        self.assertEqual(self.judge.kept.get(stranger), b"disconnected", "another's device was touched")
        self.assertEqual(self.judge.document["tern-hall"]["children"], ["tern-hall-basil-bench"])
        time.sleep(1)
        self.judge.say(stranger, "", retain=True)
        self.judge.say("homie/5/tern-hall-annex/$description", "", retain=True)
        time.sleep(0.5)
        self.assert_by_the_book()
        self.daemon.end()

    def test_7_killed(self):
        """Last Will: lost at the root; the children are lost by that."""
        time.sleep(SETTLE_S)
        self.daemon.kill()
        self.wait_device("tern-hall", "lost", 30)
        self.assert_by_the_book()
        self.daemon.start()
        self.wait_device("tern-hall")
        self.wait_device("tern-hall-basil-bench")
        time.sleep(SETTLE_S)
        self.assert_by_the_book()
        self.world.rig.kill()
        self.wait_device("west", "lost", 30)
        self.world.start_rig()
        self.wait_device("west")
        time.sleep(1)
        self.assert_by_the_book()


class OldProtocol(Judged):
    """The daemon with MQTT 3.1.1: a broker's flag on a message means less there."""

    SITE = {"mqtt": "3.1.1"}

    def test_start_kill_and_a_tank_less(self):
        self.daemon.start()
        self.wait_device("tern-hall")
        self.wait_device("tern-hall-lettuce-wall")
        time.sleep(SETTLE_S)
        self.assert_by_the_book()
        self.daemon.kill()
        self.wait_device("tern-hall", "lost", 30)
        self.write_site(tanks=("basil-bench",))
        self.daemon.start()
        wait_until("the tank is gone", lambda: "tern-hall-lettuce-wall" not in self.judge.devices(), 20)
        self.wait_device("tern-hall")
        time.sleep(SETTLE_S)
        self.assert_by_the_book()


class TwoSites(Judged):
    """Two sites on one broker, the one's name the beginning of the other's; and a third in another domain."""

    JUDGED = ("homie", "glasshouse")

    def other(self, name, **site):
        folder = os.path.join(self.world.folder, name)
        os.makedirs(folder, exist_ok=True)
        path = small_site.write(folder, self.world.port, **site)
        return Daemon(self.world, path, name=name)

    def test_each_keeps_to_its_own(self):
        annex = self.other("annex", site="tern-hall-annex", tanks=("cress",), chain="east")
        far = self.other("far", site="tern-hall", tanks=("cress",), domain="glasshouse")
        self.daemon.start()
        annex.start()
        far.start()
        domain = self.judges["glasshouse"]
        self.wait_device("tern-hall")
        self.wait_device("tern-hall-annex")
        self.wait_device("tern-hall", judge=domain)
        self.wait_device("tern-hall-cress", judge=domain)
        annex.end()
        self.daemon.end()
        # one that is named as the other site is: its device would be the other's root
        self.write_site(tanks=("basil-bench",))
        self.daemon.start()
        wait_until("the tank is gone", lambda: "tern-hall-lettuce-wall" not in self.judge.devices(), 20)
        time.sleep(SETTLE_S)
        self.assertEqual(self.judge.devices()["tern-hall-annex"], "disconnected")
        self.assertEqual(self.judge.devices()["tern-hall-annex-cress"], "disconnected")
        self.assertNotIn("tern-hall-cress", self.judge.devices())
        self.assert_by_the_book()
        far.process.signal(signal.SIGKILL)
        self.wait_device("tern-hall", "lost", 30, judge=domain)
        self.wait_device("tern-hall", "ready")
        self.assert_by_the_book()


class Moved(Judged):
    """Its file names another broker from now on."""

    SITE = {"tanks": ("basil-bench",)}

    def test_1_another_keepalive_holds_from_the_reload_on(self):
        self.daemon.start()
        self.wait_device("tern-hall")
        before = self.daemon.process.log().count(": connected")
        with open(self.world.site_path, encoding="utf-8") as file:
            text = file.read()
        small_site.put(self.world.site_path, text.replace("mqtt: 5 }", "mqtt: 5, keepalive_s: 9 }"))
        self.daemon.reload_done()
        wait_until("it connects anew", lambda: self.daemon.process.log().count(": connected") > before, 10)
        self.wait_device("tern-hall")
        self.write_site()
        self.daemon.reload_done()
        self.daemon.end()

    def test_2_the_former_broker_hears_goodbye_and_the_new_one_is_swept(self):
        self.daemon.start()
        self.wait_device("tern-hall-basil-bench")
        self.wait_device("tern-hall")
        time.sleep(SETTLE_S)
        self.world.port = harness.free_port()
        self.world.start_broker()
        new = homie_rules.Judge(self.world.port, "homie")
        self.addCleanup(new.close)
        leftover = "homie/5/tern-hall-basil-bench/stock-base/remaining"
        new.say(leftover, "1.000", retain=True)
        new.breaches = []
        self.write_site()
        self.daemon.reload_done()
        for device in ("tern-hall", "tern-hall-basil-bench"):
            self.wait_device(device, "disconnected")
            self.wait_device(device, "ready", judge=new)
        self.assert_by_the_book()
        wait_until("the leftover is gone", lambda: leftover not in new.kept, 20)
        links = [r["up"] for r in self.daemon.records("link")]
        self.assertEqual(links[-2:], [False, True])


class Standby(Judged):
    def test_one_that_stands_by_is_no_complete_device(self):
        self.daemon.start()
        self.wait_device("tern-hall")
        # a second one that comes while nobody has claimed the chain is as good as the first
        wait_until("it commands its chain", lambda: all(c["ours"] for c in self.daemon.status()["chains"]), 30)
        folder = os.path.join(self.world.folder, "second")
        os.makedirs(folder)
        other = Daemon(self.world, small_site.write(folder, self.world.port), name="second")
        other.start()
        name = wait_until(
            "it shows itself", lambda: next((d for d in self.judge.devices() if "-standby-" in d), None), 20
        )
        self.assertEqual(self.judge.devices()[name], "init")
        time.sleep(1)
        self.assert_by_the_book()
        other.kill()
        wait_until("it left nothing", lambda: name not in self.judge.devices(), 30)
        self.assert_by_the_book()


class TheJudge(unittest.TestCase):
    """The judge can say no: what it must find, held before it."""

    def test_it_finds_what_is_wrong(self):
        world = harness.World(rig=False)
        self.addCleanup(world.close)
        judge = homie_rules.Judge(world.port)
        self.addCleanup(judge.close)
        document = (
            '{"homie":"5.0","version":%d,"nodes":{"n":{"properties":{"a":{"datatype":"float","format":"0:2"},'
            '"b":{"datatype":"enum","format":"x,y"},"c":{"datatype":"json","retained":false},'
            '"d":{"datatype":"duration"},"e":{"datatype":"boolean"}}}}}'
        )

        def found(*messages):
            judge.breaches = []
            for topic, payload, qos, retain in messages:
                judge.say("homie/5/" + topic, payload, qos, retain)
            time.sleep(0.3)
            return {rule for rule, _, _ in judge.breaches}

        self.assertEqual(found(("d1/$state", "init", 1, True), ("d1/$description", document % 1, 1, True)), set())
        values = [
            ("d1/n/a", "1.5", 1, True), ("d1/n/b", "x", 1, True), ("d1/n/d", "PT5M", 1, True),
            ("d1/n/e", "true", 1, True),
        ]  # fmt: skip
        self.assertEqual(found(*values[:-1], ("d1/$state", "ready", 1, True)), {"Device Lifecycle"})
        self.assertEqual(found(*values, ("d1/$state", "ready", 1, True), ("d1/n/c", "{}", 0, False)), set())
        for bad, rule in (
            (("d1/n/a", "2.5", 1, True), "Payloads"),
            (("d1/n/a", "1,5", 1, True), "Payloads"),
            (("d1/n/a", "nan", 1, True), "Payloads"),
            (("d1/n/b", "z", 1, True), "Payloads"),
            (("d1/n/d", "PT", 1, True), "Payloads"),
            (("d1/n/e", "True", 1, True), "Payloads"),
            (("d1/n/e", b"\xef\xbb\xbftrue", 1, True), "Payloads"),
            (("d1/n/a", "1", 1, False), "QoS and retained messages"),
            (("d1/n/a", "1", 0, True), "QoS choices explained"),
            (("d1/n/c", "{}", 1, False), "QoS and retained messages"),
            (("d1/n/c", "{}", 0, True), "QoS and retained messages"),
            (("d1/n/c", "1", 0, False), "Payloads"),
            (("d1/n/zz", "1", 1, True), "Properties"),
            (("d1/N/a", "1", 1, True), "Topic IDs"),
            (("d1/$state", "up", 1, True), "Device Lifecycle"),
            (("d1/$description", document % 2, 1, True), "Device Attributes"),
            (("d1/$log/warn", "x", 0, True), "Logging"),
            (("d1/$log/loud", "x", 0, False), "Logging"),
            (("d1/$alert/a", "x", 0, False), "QoS and retained messages"),
            (("d1/$description", "{", 1, True), "Device Attributes"),
            (("d1/$description", '{"version":9}', 1, True), "Device Attributes"),
            (("d1/$description", '{"homie":"5.0","version":9,"nodes":{"n":{"properties":{"a":{"datatype":"enum"}}}}}',
              1, True), "Formats"),
            (("d1/$description", '{"homie":"5.0","version":10,"root":"d1"}', 1, True), "Device hierarchy"),
            (("d1/n/a/set", "1", 1, True), "Property command topic"),
        ):  # fmt: skip
            self.assertIn(rule, found(bad), bad)
        judge.breaches = []
        judge.at_rest()
        rules = {rule for rule, _, _ in judge.breaches}
        self.assertLessEqual({"Device reconfiguration", "Property command topic"}, rules)


if __name__ == "__main__":
    main()
