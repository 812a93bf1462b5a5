#!/usr/bin/python3
"""Everything at once, over TLS: the broker is killed, frozen and shown with the wrong certificates, readings
come by the thousand, configurations are reloaded in a storm, a second daemon waits for its chance, and the
clock jumps. What the rig's pumps really moved decides: limits kept, nothing twice, and dosing goes on.

STORM_SEED: with which chances (1)."""

import os
import random
import signal
import threading
import time

import paho.mqtt.client as mqtt

import certificates
import harness
import shim

SEED = int(os.environ.get("STORM_SEED", "1"))
LIMITS = {"leaf-a": 40, "leaf-b": 40, "acid": 20}  # a slow machine doses longer
TANK = "basil-bench"
SMALLEST = 0.2  # mL: less than that is no dose
A_SECOND = 1500  # readings, and as much rubbish

LISTENER = """\
user root
listener %d 127.0.0.1
cafile {folder}/ca.pem
certfile {folder}/{name}.pem
keyfile {folder}/{name}.key
"""


class World(shim.World):
    """The rig and the test speak plainly to the broker, daemons by TLS."""

    certificate = "good"
    tls_port = 0
    broker_since = 0.0

    def make_certificates(self):
        for name in ("ca", "stranger"):
            certificates.authority(self.folder, name)
        for name, by, days in (("good", "ca", 2), ("wrong", "stranger", 2), ("old", "ca", -1)):
            certificates.member(self.folder, name, by, days)

    def start_broker(self):
        if not self.tls_port:
            self.tls_port = harness.free_port()
            self.make_certificates()
        more = LISTENER.format(folder=self.folder, name=self.certificate)
        plain, harness.BROKER = harness.BROKER, harness.BROKER + more % self.tls_port
        try:
            super().start_broker()
            self.broker_since = time.monotonic()
        finally:
            harness.BROKER = plain

    def kill_broker(self):
        """A link that breaks within 10 s hasn't held: whoever had it would wait longer each time."""
        time.sleep(max(0, self.broker_since + 11 - time.monotonic()))
        super().kill_broker()

    def restart_broker(self, certificate):
        self.kill_broker()
        self.certificate = certificate
        self.start_broker()

    def daemon_site(self, name, journal, door):
        """The rig's site, but by TLS, and with a journal and a door of its own."""
        with open(self.site_path, encoding="utf-8") as file:
            text = file.read()
        for old, new in (
            ('["mqtt://127.0.0.1:%d"]' % self.port, '["mqtts://127.0.0.1:%d"]' % self.tls_port),
            ("mqtt: 5 }", "mqtt: 5, ca_file: %s/ca.pem }" % self.folder),
            ('/journal"', '/%s"' % journal),
            ("/dosewright.sock", "/" + door),
        ):
            if old not in text:
                raise AssertionError("the small site has no %s any more" % old)
            text = text.replace(old, new)
        path = os.path.join(self.folder, name + ".yaml")
        harness.small_site.put(path, text)
        return harness.Daemon(self, path, name, journal, door)


class Flood:
    """Readings by the thousand, true ones and rubbish, for as long as it is open."""

    def __init__(self, port):
        self.sent = 0
        self.open = True
        self.client = mqtt.Client()
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()
        self.thread = threading.Thread(target=self.run)
        self.thread.start()

    def run(self):
        topic = "glass/%s/" % TANK
        rubbish = ("", "nan", "{}", "1e999", "-", "\x00", "[" * 3000, "x" * 9000)
        while self.open:
            for i in range(A_SECOND // 20):
                self.client.publish(topic + "temperature", "20.%d" % (i % 3))
                self.client.publish("homie/5/west/dose/report", rubbish[i % 8] or "{")
                self.sent += 2
            for word in rubbish:
                self.client.publish(topic + "ec", word)
                self.client.publish("homie/5/tern-hall-%s/dosing/paused/set" % TANK, word)
            time.sleep(0.05)

    def close(self):
        if self.open:
            self.open = False
            self.thread.join()
            self.client.disconnect()
            self.client.loop_stop()


class Storm(harness.Case):
    SITE = {
        "tanks": (TANK,),
        "volume_l": 3,
        "flow_l_min": 240,
        "flush_lines": 5,
        "ec": 2.2,
        "dose_ml": 1,
        "hour_ml": LIMITS["leaf-a"],
        "day_ml": 120,
        "acid_dose_ml": 1,
        "acid_hour_ml": LIMITS["acid"],
        "ec_rise": 5.0,
    }

    @classmethod
    def setUpClass(cls):
        cls.world = World(cls.RIG, **cls.SITE)
        cls.addClassCleanup(cls.world.close)
        cls.dice = random.Random(SEED)
        cls.daemon = cls.world.daemon_site("daemon", "journal", "dosewright.sock")
        cls.other = cls.world.daemon_site("other", "journal2", "other.sock")
        cls.daemon.start()

    def judge(self):
        self.judge_once()
        self.judge_recorded(self.daemon, self.other)
        self.judge_limits(LIMITS)
        self.judge_apart()
        self.judge_journal(self.daemon)
        self.judge_journal(self.other)
        self.assertEqual(self.other.own("dose"), [], "the second daemon dosed")
        for daemon in (self.daemon, self.other):
            if daemon.process:
                self.assertTrue(daemon.process.alive(), daemon.process.log()[-2000:])

    def change_water(self):
        """Something to do, where all is well. In the middle of a dose it would look as if that had no effect."""
        if self.daemon.tank(TANK)["state"] == "holding":
            self.world.fault("water-change:%s=0.5" % TANK)

    def within_a_dose(self):
        """The broker has held by then, so that what comes next hits the dose."""
        time.sleep(max(0, self.world.broker_since + 11 - time.monotonic()))
        self.change_water()
        self.wait_dose(60)
        time.sleep(self.dice.uniform(0, 1))

    def goes_on(self):
        self.change_water()
        self.wait_dose(90)
        self.judge()

    def used(self):
        return self.daemon.tank(TANK)["pumps"][0]["hour_ml"]

    def lower_the_limit(self):
        """A reload leaves three more doses of leaf-a within the hour: what was dosed before counts."""
        with open(self.daemon.site_path, encoding="utf-8") as file:
            text = file.read()
        limit = int(self.used()) + 4
        old = "leaf-a: { dose_ml: 1, hour_ml: %d," % LIMITS["leaf-a"]
        self.assertIn(old, text)
        harness.small_site.put(self.daemon.site_path, text.replace(old, old.replace(str(LIMITS["leaf-a"]), str(limit))))
        self.daemon.reload_done()
        return limit

    def wait_link(self, up, timeout_s=90):
        harness.wait_until(
            "the broker is %s" % ("there" if up else "gone"),
            lambda: (self.daemon.status() or {"broker": {}})["broker"].get("up") == up,
            timeout_s,
        )

    def test_1_two_daemons_and_thousands_of_readings(self):
        self.wait_dose(40)
        self.other.start()
        self.wait_state(TANK, ("standby",), 20, self.other)
        began = time.monotonic()
        flood = Flood(self.world.port)
        self.addCleanup(flood.close)
        self.goes_on()
        time.sleep(max(0, 8 - (time.monotonic() - began)))
        self.assertGreater(flood.sent / (time.monotonic() - began), 1000, "too few to be a flood")
        self.assertFalse(self.daemon.tank(TANK)["paused"])
        self.goes_on()

    def test_2_the_broker_is_killed_within_a_dose(self):
        self.within_a_dose()
        self.world.kill_broker()
        self.wait_link(False, 20)
        time.sleep(self.dice.uniform(0, 3))
        self.world.start_broker()
        self.wait_link(True)
        self.goes_on()

    def test_3_the_broker_is_frozen_within_a_dose(self):
        self.within_a_dose()
        self.world.broker.signal(signal.SIGSTOP)
        time.sleep(17)
        running = len(self.world.runs("start"))
        self.assertEqual(len(self.world.runs("end")), running, "ran on without an end")
        self.world.broker.signal(signal.SIGCONT)
        self.wait_link(True)
        self.goes_on()

    def refuses(self, certificate):
        """Nothing is dosed by way of a broker that can't show who it is."""
        self.within_a_dose()
        self.world.restart_broker(certificate)
        try:
            harness.wait_until(
                "it says why", lambda: "certificate" in str(self.daemon.status()["broker"]), 30
            )
            time.sleep(1)
            self.still(6)
        finally:
            self.world.restart_broker("good")
        self.wait_link(True)
        self.goes_on()

    def test_4_a_certificate_of_somebody_else(self):
        self.refuses("wrong")

    def test_5_a_certificate_that_has_expired(self):
        self.refuses("old")

    def test_6_a_storm_of_reloads(self):
        self.within_a_dose()
        for _ in range(200):
            self.daemon.reload()
            self.other.reload()
            time.sleep(0.005)
        harness.wait_until("one was taken over", lambda: self.daemon.records("config", ok=True), 30)
        self.goes_on()

    def test_7_the_clock_jumps(self):
        page = self.world.page
        for step_ms in (shim.DAY_MS, -3 * shim.DAY_MS, 2 * 3600000, 400 * shim.DAY_MS, -400 * shim.DAY_MS):
            used = self.used()
            page.step_ms(step_ms)
            time.sleep(1.5)
            self.assertGreaterEqual(self.used(), used)
        page.step_ms(-page.get(shim.WALL) // 1000000)  # 1970, as a board without a clock's battery
        time.sleep(2)
        page.put(shim.WALL, time.clock_gettime_ns(time.CLOCK_REALTIME) - page.boot_ms() * 1000000)
        self.goes_on()

    def test_8_all_of_it_and_the_limits_in_the_end(self):
        flood = Flood(self.world.port)
        self.addCleanup(flood.close)
        for step_ms in (shim.DAY_MS, -shim.DAY_MS):
            self.within_a_dose()
            self.world.kill_broker()
            self.world.page.step_ms(step_ms)
            for _ in range(50):
                self.daemon.reload()
            self.world.start_broker()
            self.wait_link(True)
        flood.close()
        self.goes_on()
        limit = self.lower_the_limit()

        def reached():
            self.change_water()
            return self.used() > limit - SMALLEST

        harness.wait_until("the limit is reached", reached, 150, 1)
        time.sleep(3)  # the last one is granted before it starts
        self.change_water()
        self.still(5, stock="leaf-a")
        self.judge()
        self.judge_limits(dict(LIMITS, **{"leaf-a": limit}))
        self.assertGreater(self.world.moved_ul(stock="leaf-a"), 0.5 * limit * 1000)
        self.assertEqual(self.daemon.end(), 0)
        self.assertEqual(self.other.end(), 0)


if __name__ == "__main__":
    harness.main()
