"""Sites of many tanks: each has a module of its own, sixteen modules are a chain. The contract has 16 modules in
a chain and the configuration 64 chains, so that 1,024 tanks are the most there can be."""

import os

import harness
import small_site

MODULES, CHAINS = 16, 64
MOST = MODULES * CHAINS

TOP = """\
site: tern-hall
name: Tern Hall school glasshouse
broker: {{ uris: ["mqtt://127.0.0.1:{port}"], mqtt: 5 }}
journal: {{ dir: "{folder}/journal", keep_days: 30 }}
socket: "{folder}/dosewright.sock"
chains:
"""
CHAIN = "  c{chain}:\n    supply: {{ volts: 24.0, amps: 40.0, usable_percent: 80 }}\n    modules:\n"
MODULE = (
    "      - {{ serial: s{chain}x{position}, position: {position}, cable: {{ awg: 10, length_m: 0.5 }},"
    " min_volts: 10.8, idle_amps: 0.06, pump_amps: 0.35, circulation_amps: 1.1 }}\n"
)
STOCKS = """\
stocks:
  leaf-a: { solution: solutions/leaf-a.yaml, bottle_ml: 100000 }
  leaf-b: { solution: solutions/leaf-b.yaml, bottle_ml: 100000 }
  acid:   { solution: solutions/acid.yaml, bottle_ml: 100000 }
tanks: [tanks/*.yaml]
...
"""


def key_of(n):
    return "t%04d" % n


def body_of(n):
    """A tank's own file: what stands below its key in a site of one file."""
    values = dict(small_site.DEFAULTS, tank=key_of(n), yesterday=small_site.day(-1))
    values.update(chain="c%d" % (n // MODULES), position=n % MODULES + 1, max_age_s=60)
    values["ph_probe"] = values["ph_probe"].format(**values)
    lines = small_site.TANK.format(**values).split("\n")[1:]
    text = "\n".join(line[4:] for line in lines)
    return text.replace("schedules/%s.yaml" % key_of(n), "schedules/basil.yaml")


def write(folder, port, count):
    """The path of the site's file."""
    for sub in ("solutions", "schedules", "tanks"):
        os.makedirs(os.path.join(folder, sub), exist_ok=True)
    for stock, text in small_site.SOLUTIONS.items():
        small_site.put(os.path.join(folder, "solutions", stock + ".yaml"), text + "...\n")
    small_site.put(os.path.join(folder, "schedules", "basil.yaml"), small_site.SCHEDULE.format(ec=1.2, ph=5.8))
    top = TOP.format(port=port, folder=folder)
    for chain in range((count + MODULES - 1) // MODULES):
        top += CHAIN.format(chain=chain)
        top += "".join(MODULE.format(chain=chain, position=p + 1) for p in range(min(MODULES, count - chain * MODULES)))
    for n in range(count):
        small_site.put(os.path.join(folder, "tanks", key_of(n) + ".yaml"), body_of(n) + "...\n")
    path = os.path.join(folder, "site.yaml")
    small_site.put(path, top + STOCKS)
    return path


class BigWorld(harness.World):
    def __init__(self, count):
        super().__init__(rig=False)
        self.site_path = write(self.folder, self.port, count)
        self.daemon = harness.Daemon(self, self.site_path)
