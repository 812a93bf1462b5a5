#!/usr/bin/python3
"""INV-1, 5: the keys of two tanks are exchanged in the file, with the hour's limits used up. What each output
moved counts at that output, whatever tank it is said to serve; the rig's ledger decides."""

import time

import harness
import small_site

HOUR_ML = 3
ONE, OTHER = small_site.TANKS


class Rename(harness.Case):
    SITE = {
        "volume_l": 6,
        "flow_l_min": 240,
        "ec": 2.2,
        "dose_ml": 2,
        "hour_ml": {ONE: HOUR_ML, OTHER: HOUR_ML},
        "day_ml": 60,
        "acid_dose_ml": 1,
        "acid_hour_ml": 2,
        "acid_day_ml": 40,
        "ec_rise": 5.0,
    }

    def exchange(self):
        """Each block of the file under the other's key; schedules and probes stay where they are."""
        path = self.world.site_path
        with open(path, encoding="utf-8") as file:
            text = file.read()
        for old, new in ((ONE, "@"), (OTHER, ONE), ("@", OTHER)):
            self.assertIn("\n  %s:\n" % old, text)
            text = text.replace("\n  %s:\n" % old, "\n  %s:\n" % new)
        small_site.put(path, text)

    def moved_ml(self):
        moved = {}
        for run in self.world.runs("end", by="command"):
            output = run["serial"], run["channel"]
            moved[output] = moved.get(output, 0) + run["ul"] / 1000
        return moved

    def feeds(self):
        return [ml for (_, channel), ml in self.moved_ml().items() if channel in (1, 2)]

    def used_up(self):
        feeds = self.feeds()
        return len(feeds) == 4 and min(feeds) > HOUR_ML - 0.4

    def judge(self):
        """Nothing here lasts an hour: all of it lies within one."""
        for (serial, channel), ml in self.moved_ml().items():
            self.assertLessEqual(ml, (2 if channel == 3 else HOUR_ML) + 0.001, (serial, channel))
        self.judge_once()
        self.judge_apart()
        self.judge_journal()

    def limits_bind(self):
        """Neither tank stands still for another reason."""
        time.sleep(1)
        told = [self.daemon.tank(key)["why"] for key in small_site.TANKS]
        return all("limit" in why for why in told)

    def test_over_a_restart_and_a_reload(self):
        self.daemon.start()
        harness.wait_until("the hour's feed is used up", self.used_up, 120)
        self.exchange()
        self.daemon.kill()
        self.daemon.start()
        harness.wait_until("the limits bind", self.limits_bind, 120)
        self.judge()
        self.exchange()
        self.daemon.reload_done()
        harness.wait_until("the limits bind", self.limits_bind, 120)
        self.judge()


if __name__ == "__main__":
    harness.main()
