"""Every recipe of docs/hubs.md, run as it stands there, by the clients it names; a client of another library
(and the daemon's own status) says what came of it. A recipe without a test fails."""

import json
import os
import re
import signal
import subprocess
import time
import unittest

import shim
from harness import ROOT, Case, main, small_site, wait_until

RECIPE = re.compile(r"^### (.+?)\n(.*?)^```sh\n(.*?)^```$", re.S | re.M)


def recipes():
    with open(os.path.join(ROOT, "docs", "hubs.md"), encoding="utf-8") as file:
        return {m.group(1): m.group(3) for m in RECIPE.finditer(file.read())}


class Recipes(Case):
    tried = set()

    @classmethod
    def setUpClass(cls):
        cls.world = shim.World()
        cls.addClassCleanup(cls.world.close)
        cls.daemon = cls.world.daemon
        with open(cls.world.site_path, encoding="utf-8") as file:
            text = file.read()
        small_site.put(cls.world.site_path, text.replace("keep_days: 30 }", 'keep_days: 30, summary_at: "00:00" }'))
        cls.home = os.path.join(cls.world.folder, "home")
        os.makedirs(os.path.join(cls.home, ".config"))
        for client in ("mosquitto_pub", "mosquitto_sub", "mosquitto_rr"):
            with open(os.path.join(cls.home, ".config", client), "w", encoding="utf-8") as file:
                file.write("-h 127.0.0.1\n-p %d\n" % cls.world.port)
        cls.daemon.start()
        cls.stranger = cls.world.stranger("homie/5/#")
        for topic in ("tern-hall/$state", "tern-hall-basil-bench/$state"):
            cls.stranger.wait_value("homie/5/" + topic, "ready", 40)

    def environment(self):
        return {"HOME": self.home, "PATH": os.environ["PATH"]}

    def run_recipe(self, name):
        self.tried.add(name)
        done = subprocess.run(
            ["/bin/sh", "-eu", "-c", recipes()[name]], env=self.environment(), stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=30, check=False,
        )  # fmt: skip
        self.assertEqual(done.returncode, 0, done.stdout)
        return done.stdout.decode().strip()

    def start_recipe(self, name):
        """One that goes on until it is ended."""
        self.tried.add(name)
        path = os.path.join(self.world.folder, name.replace(" ", "-"))
        with open(path, "wb") as out:
            process = subprocess.Popen(
                ["/bin/sh", "-c", recipes()[name]], env=self.environment(), stdin=subprocess.DEVNULL, stdout=out,
                stderr=subprocess.STDOUT, start_new_session=True,
            )  # fmt: skip

        def end():
            os.killpg(process.pid, 15)
            process.wait(10)

        self.addCleanup(end)

        def said():
            with open(path, encoding="utf-8") as file:
                return file.read()

        return said

    def test_is_it_there(self):
        self.assertEqual(self.run_recipe("Is it there?"), "ready")

    def test_alive(self):
        self.assertEqual(self.run_recipe("Is it still alive?"), "it lives")
        self.daemon.process.signal(signal.SIGSTOP)
        try:
            time.sleep(0.5)
            self.assertEqual(self.run_recipe("Is it still alive?"), "no sign of life")
        finally:
            self.daemon.process.signal(signal.SIGCONT)
        self.assertEqual(self.run_recipe("Is it still alive?"), "it lives")

    def test_all_tanks(self):
        said = dict(line.split(" ") for line in self.run_recipe("All tanks at a glance").split("\n"))
        self.assertEqual(set(said), {"basil-bench", "lettuce-wall"})
        known = {tank["key"]: tank["state"] for tank in self.daemon.status()["tanks"]}
        self.assertEqual(set(said), set(known))
        for state in said.values():
            self.assertRegex(state, "^[a-z]+$")

    def test_yesterday(self):
        """The clock says a day more; within a minute the daemon sees that."""
        said = self.start_recipe("How was yesterday?")
        time.sleep(1)
        self.world.page.step_ms(shim.DAY_MS)
        wait_until("it is told", said, 75)
        self.assertRegex(said(), "^(basil-bench|lettuce-wall): EC .*; pH .*; (given|nothing given) in 24 h")

    def test_a_reading(self):
        self.stranger.wait_value("homie/5/tern-hall-basil-bench/water/ec-quality", "good", 30)
        said = self.run_recipe("A reading that can be trusted")
        self.assertAlmostEqual(float(said), self.world.water("basil-bench")["ec_us_cm"] / 1000, delta=0.3)
        self.world.fault("silent:basil-bench.ec")
        self.stranger.wait_value("homie/5/tern-hall-basil-bench/water/ec-quality", "stale", 40)
        self.assertEqual(self.run_recipe("A reading that can be trusted"), "no EC to trust: stale")
        self.world.fault("-silent:basil-bench.ec")
        self.stranger.wait_value("homie/5/tern-hall-basil-bench/water/ec-quality", "good", 40)

    def test_alerts(self):
        said = self.start_recipe("Tell somebody about alerts")
        time.sleep(1)
        self.assertTrue(self.daemon.ask("refilled", stock="leaf-b", ml=20)["ok"])
        wait_until("it is told", lambda: re.search(r"^ALERT low-leaf-b: .*leaf-b", said(), re.M), 20)
        self.assertTrue(self.daemon.ask("refilled", stock="leaf-b")["ok"])
        wait_until("it is over", lambda: "over: low-leaf-b\n" in said(), 20)

    def test_why(self):
        said = self.run_recipe("Why doesn't it dose?")
        self.assertNotIn("\n", said)

    def test_another_setpoint(self):
        self.run_recipe("Another setpoint for some hours")
        self.stranger.wait_value("homie/5/tern-hall-basil-bench/setpoint/ec", "1.600")
        self.stranger.wait_value("homie/5/tern-hall-basil-bench/setpoint/override-for", "PT3H")
        self.stranger.wait_value("homie/5/tern-hall-basil-bench/setpoint/source", "override")
        self.assertTrue(self.daemon.ask("override-for", tank="basil-bench", minutes=0)["ok"])

    def test_pause(self):
        self.run_recipe("Pause while somebody works at the tank")
        self.stranger.wait_value("homie/5/tern-hall-basil-bench/dosing/paused", "true")
        self.assertTrue(self.daemon.ask("pause", tank="basil-bench", on=False)["ok"])

    def test_stop(self):
        self.run_recipe("A button that stops everything")
        wait_until("halted", lambda: self.daemon.status()["site"]["halted"], 5)
        self.assertEqual([a for a in self.daemon.alerts() if a == "halt-kept"], [], "the recipe retains nothing")
        self.assertTrue(self.daemon.ask("halt", on=False)["ok"])
        self.stranger.wait_value("homie/5/tern-hall/site/halt", "false")

    def test_ask(self):
        answer = json.loads(self.run_recipe("Ask, and get the answer"))
        self.assertTrue(answer["ok"], answer)
        self.assertEqual(len(self.daemon.records("request", id=answer["id"], request="refilled")), 1)

    def test_keep(self):
        self.start_recipe("Keep what happens")
        time.sleep(1)
        for _ in range(3):
            self.assertTrue(self.daemon.ask("refilled", stock="acid")["ok"])
        path = os.path.join(self.home, "journal.jsonl")

        def lines():
            with open(path, encoding="utf-8") as file:
                return [json.loads(line) for line in file.read().split("\n")[:-1]]

        wait_until("they are kept", lambda: len([r for r in lines() if r["kind"] == "request"]) >= 3, 15)
        numbers = [r["seq"] for r in lines()]
        self.assertEqual(numbers, list(range(numbers[0], numbers[0] + len(numbers))))

    def test_yy_the_old_key(self):
        self.assertEqual(self.daemon.end(), 0)
        said = self.run_recipe("The site's key was changed")
        self.assertIn("homie/5/tern-hall/$state is gone", said)
        late = self.world.stranger("homie/5/#")
        late.wait_value("homie/5/tern-hall-lettuce-wall/$state", "disconnected")  # what is kept has come
        kept = {m.topic.split("/")[2] for m in late.heard() if m.retained and m.payload}
        self.assertFalse({"tern-hall", "tern-hall-basil-bench"} & kept, kept)

    def test_z_every_recipe_was_tried(self):
        self.assertGreater(len(recipes()), 5)
        if len(self.tried) > 1:  # not when one test alone is run
            self.assertEqual(set(recipes()) - self.tried, set())


if __name__ == "__main__":
    main()
