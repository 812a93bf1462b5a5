"""A site for the system tests: small tanks and brisk circulation, so that an hour of a real bench
passes in seconds. Files are written into a folder; what a test wants otherwise it says by name."""

import datetime
import os

SOLUTIONS = {
    "leaf-a": 'stock: leaf-a\nkind: nutrient\ngrams_per_litre: { "Ca(NO3)2.4H2O": 189, KNO3: 50 }\n'
    "keep_apart: [leaf-b]\n",
    "leaf-b": "stock: leaf-b\nkind: nutrient\n"
    'grams_per_litre: { KNO3: 70, KH2PO4: 27.2, "MgSO4.7H2O": 98.6 }\nkeep_apart: [leaf-a]\n',
    "acid": "stock: acid\nkind: acid\nacid: nitric\npercent_w_w: 5\ndensity_g_ml: 1.026\n",
}

HEAD = """\
site: {site}
name: Tern Hall school glasshouse
homie_domain: {domain}
{top}broker: {{ uris: ["mqtt://127.0.0.1:{port}"], mqtt: {mqtt} }}
journal: {{ dir: "{journal}", keep_days: 30 }}
socket: "{socket}"
chains:
  {chain}:
    supply: {{ volts: 12.0, amps: 6.0, usable_percent: 80 }}
    modules:
      - {{ serial: a1f3, position: 1, cable: {{ awg: 18, length_m: 1.0 }}, min_volts: 10.8, idle_amps: 0.06, pump_amps: 0.35, circulation_amps: 1.1 }}
      - {{ serial: b77c, position: 2, cable: {{ awg: 18, length_m: 1.0 }}, min_volts: 10.8, idle_amps: 0.06, pump_amps: 0.35, circulation_amps: 1.1 }}
stocks:
  leaf-a: {{ solution: solutions/leaf-a.yaml, bottle_ml: 1000 }}
  leaf-b: {{ solution: solutions/leaf-b.yaml, bottle_ml: 1000 }}
  acid:   {{ solution: solutions/acid.yaml, bottle_ml: 1000 }}
tanks:
"""

TANK = """\
  {tank}:
    volume_l: {volume_l}
    source_water: {{ ec_ms_cm: 0.35, alkalinity_meq_l: 1.5 }}
    circulation: {{ pump: {chain}/{position}.circulation, flow_l_min: {flow_l_min}, line_ml: {line_ml}, flush_lines: {flush_lines} }}
    probes:
      ec:          {{ topic: glass/{tank}/ec, unit: mS/cm, compensated: true, max_age_s: {max_age_s}, calibrated: {yesterday} }}
      ph:          {{ topic: glass/{tank}/ph, max_age_s: {max_age_s}, {ph_probe} }}
      temperature: {{ topic: glass/{tank}/temperature, unit: degC, max_age_s: {max_age_s} }}{more_probes}
    pumps:
      leaf-a: {{ address: {chain}/{position}.1, ml_per_s: 1.0, calibrated: {yesterday}, smallest_dose_ml: 0.2 }}
      leaf-b: {{ address: {chain}/{position}.2, ml_per_s: 1.0, calibrated: {yesterday}, smallest_dose_ml: 0.2 }}
      acid:   {{ address: {chain}/{position}.3, ml_per_s: 1.0, calibrated: {yesterday}, smallest_dose_ml: 0.1 }}
    recipe: {{ leaf-a: 1, leaf-b: 1 }}
    lowers_ph: acid
    schedule: schedules/{tank}.yaml
    planted: {yesterday}
    band: {{ ec_ms_cm: 0.1, ph: 0.2 }}
    envelope: {{ ec_ms_cm: [0.4, 2.4], ph: [5.2, 6.8], temperature_degc: [10, 32] }}
    limits:
      leaf-a: {{ dose_ml: {dose_ml}, hour_ml: {hour_ml}, day_ml: {day_ml} }}
      leaf-b: {{ dose_ml: {dose_ml}, hour_ml: {hour_ml}, day_ml: {day_ml} }}
      acid:   {{ dose_ml: {acid_dose_ml}, hour_ml: {acid_hour_ml}, day_ml: {acid_day_ml} }}
      ec_rise_per_hour_ms_cm: {ec_rise}
      ph_move_per_hour: 4.0
{more}"""

SCHEDULE = "crop: basil\nstages:\n  - {{ name: leafing, days: forever, ec_ms_cm: {ec}, ph: {ph} }}\n...\n"

DEFAULTS = {
    "site": "tern-hall",
    "domain": "homie",
    "top": "",
    "chain": "west",
    "mqtt": "5",
    "volume_l": 4,
    "flow_l_min": 60,
    "line_ml": 700,
    "flush_lines": 2,
    "max_age_s": 15,
    "dose_ml": 15,
    "hour_ml": 60,
    "day_ml": 120,
    "acid_dose_ml": 10,
    "acid_hour_ml": 45,
    "acid_day_ml": 90,
    "ec_rise": 2.0,
    "ec": 1.2,
    "ph": 5.8,
    "more": "",
    "without": "",
    "more_probes": "",
    "ph_probe": "unit: ph, calibrated: {yesterday}",
}

TANKS = ("basil-bench", "lettuce-wall")


def leave_out(text, stock):
    """A tank without one of its stocks; "" for none."""
    if not stock:
        return text
    lines = [line for line in text.split("\n") if not line.lstrip().startswith(stock + ":")]
    return "\n".join(lines).replace(", %s: 1" % stock, "")


def day(offset):
    now = datetime.datetime.now(datetime.timezone.utc) + datetime.timedelta(days=offset)
    return now.strftime("%Y-%m-%d")


def write(folder, port, tanks=TANKS, journal="journal", socket="dosewright.sock", **changes):
    """Writes all files of the site; the site file's path. Values that hold for one tank only are given
    as a dict by tank."""
    values = dict(DEFAULTS, **changes)
    values.update(
        port=port,
        yesterday=day(-1),
        journal=os.path.join(folder, journal),
        socket=os.path.join(folder, socket),
    )
    for sub in ("solutions", "schedules"):
        os.makedirs(os.path.join(folder, sub), exist_ok=True)
    for stock, text in SOLUTIONS.items():
        put(os.path.join(folder, "solutions", stock + ".yaml"), text + "...\n")
    text = HEAD.format(**values)
    for position, tank in enumerate(tanks, 1):
        own = {k: v[tank] if isinstance(v, dict) else v for k, v in values.items()}
        own.update(tank=tank, position=position, ph_probe=own["ph_probe"].format(**own))
        text += leave_out(TANK.format(**own), own["without"])
        put(os.path.join(folder, "schedules", tank + ".yaml"), SCHEDULE.format(**own))
    path = os.path.join(folder, "site.yaml")
    put(path, text + "...\n")
    return path


def put(path, text):
    with open(path, "w", encoding="utf-8") as file:
        file.write(text)
    os.chmod(path, 0o644)
