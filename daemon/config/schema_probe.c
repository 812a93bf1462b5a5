/* Probes. What all of them share is one table; each kind adds its own keys. */
#include "daemon/config/schema_rows.h"

#define PROBE(member) offsetof(struct probe_config, member)
#define TANK(quantity) offsetof(struct draft_tank, tank.probe[quantity])
#define COUNT(rows) (uint32_t)(sizeof(rows) / sizeof *(rows))

/* In the order of enum probe_unit. */
static const char *const units[] = { "ph", "mV", "mS/cm", "uS/cm", "uS", "degC", "degF", "L",
    "L/min", "%", "mm", "kPa", "lx", "bool", NULL };

/* In the order of enum tempco. */
static const char *const curves[] = { "linear", "nutrient", "fresh-water", NULL };

const struct schema_row schema_fault_value = { "fault_values", SCHEMA_REAL, NULL, -1e9, 1e9, 0,
    SCHEMA_REQUIRED, 0, NULL, NULL, "" };
const struct schema_row schema_nothing_word = { "nothing_words", SCHEMA_TEXT, NULL, 0, 32, 0,
    SCHEMA_REQUIRED, 0, NULL, NULL, "" };

static const struct schema_row probe_rows[] = {
    { "topic", SCHEMA_TOPIC, NULL, 0, 0, 0, SCHEMA_REQUIRED, PROBE(topic), NULL, NULL,
        "Where its messages come." },
    { "pointer", SCHEMA_POINTER, NULL, 0, 0, 0, SCHEMA_OPTIONAL, PROBE(pointer), NULL, NULL,
        "Where in a JSON message the value stands; without it the message itself is the value." },
    { "unit", SCHEMA_OTHER, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, units, NULL,
        "The unit of the value as it comes; uS is a bare conductance, to be multiplied by the cell "
        "constant." },
    { "range", SCHEMA_PAIR, "in the probe's unit", -1e9, 1e9, 0, SCHEMA_OPTIONAL, PROBE(least),
        NULL, NULL, "What is plausible; anything else is no reading. Defaults: see below." },
    { "max_age_s", SCHEMA_WHOLE, "s", 1, 86400, 1000, SCHEMA_REQUIRED, PROBE(max_age_ms), NULL,
        NULL, "An older reading doesn't count." },
    { "every_s", SCHEMA_WHOLE, "s", 0, 86400, 1000, "0", PROBE(every_ms), NULL, NULL,
        "How often it sends; `check` warns where that is too seldom. 0: not known." },
    { "decimal_comma", SCHEMA_BOOL, NULL, 0, 0, 0, "false", PROBE(decimal_comma), NULL, NULL,
        "Take 6,2 for 6.2." },
    { "number_in_string", SCHEMA_BOOL, NULL, 0, 0, 0, "false", PROBE(number_in_string), NULL, NULL,
        "Take a number in quotes within JSON." },
    { "nothing_words", SCHEMA_LIST, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, NULL,
        "Up to 4 words that mean \"no reading\", such as [unavailable]." },
    { "fault_values", SCHEMA_LIST, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, NULL,
        "Up to 4 numbers that mean a fault of the probe, such as [-127]." },
    { "in_line", SCHEMA_LATER, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, NULL,
        "probes that count only while the line flows aren't known to this version." },
};
const struct schema_table schema_probe = { "tanks.<tank>.probes.<any>",
    "Keys that every probe has, the leak probe too.", probe_rows, COUNT(probe_rows), NULL };

static const struct schema_row ec_rows[] = {
    { "compensated", SCHEMA_BOOL, NULL, 0, 0, 0, SCHEMA_REQUIRED, PROBE(compensated), NULL, NULL,
        "true if the value is already at 25 °C; else the daemon compensates." },
    { "compensation_percent", SCHEMA_REAL, "% per °C", 0, 4, 0, "1.9", PROBE(compensation_percent),
        NULL, NULL, "By how much EC rises with the temperature, for the linear curve." },
    { "compensation", SCHEMA_WORD, NULL, 0, 0, 0, "linear", PROBE(compensation), curves, NULL,
        "By which curve the daemon compensates: a line; that of nutrient solutions, within 0.7 % "
        "from 15 to 30 °C; or that of fresh water (ISO 7888), for source waters." },
    { "cell_constant", SCHEMA_REAL, "1/cm", 0.01, 20, 0, "1", PROBE(cell_constant), NULL, NULL,
        "What a bare conductance (unit uS) is multiplied by." },
    { "calibrated", SCHEMA_DATE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, PROBE(calibrated_at), NULL, NULL,
        "The day of the last calibration; without it nothing is dosed." },
    { "calibrate_every_days", SCHEMA_WHOLE, "d", 0, 1000, 86400000, "0", PROBE(calibrate_every_ms),
        NULL, NULL, "When the next one is due; 0: never." },
    { "jump_limit", SCHEMA_REAL, "mS/cm", 0, 10, 1000, "1", PROBE(jump_most), NULL, NULL,
        "A larger step than this must be confirmed by the next readings; 0: no limit." },
    { "stuck_after_min", SCHEMA_WHOLE, "min", 0, 10080, 60000, "45", PROBE(stuck_after_ms), NULL,
        NULL, "Exactly the same value for this long means a stuck probe; 0: not watched." },
};
static const struct schema_table ec_table = { "tanks.<tank>.probes.ec",
    "Conductivity: mS/cm, uS/cm or uS.", ec_rows, COUNT(ec_rows), &schema_probe };

static const struct schema_row calibration_rows[] = {
    { "zero_mv", SCHEMA_REAL, "mV", -60, 60, 0, SCHEMA_REQUIRED, PROBE(zero_mv), NULL, NULL,
        "What the probe gives at pH 7." },
    { "slope_percent", SCHEMA_REAL, "%", 70, 110, 0, SCHEMA_REQUIRED, PROBE(slope_percent), NULL,
        NULL, "Its slope, in percent of the theoretical one." },
    { "date", SCHEMA_DATE, NULL, 0, 0, 0, SCHEMA_REQUIRED, PROBE(calibrated_at), NULL, NULL,
        "The day on which that was measured." },
};
static const struct schema_table calibration_table = { "tanks.<tank>.probes.ph.calibration",
    "The calibration of a pH probe that gives mV.", calibration_rows, COUNT(calibration_rows),
    NULL };

static const struct schema_row ph_rows[] = {
    { "calibration", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &calibration_table,
        "For a probe in mV; without it nothing is dosed." },
    { "calibrated", SCHEMA_DATE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, PROBE(calibrated_at), NULL, NULL,
        "For a probe in pH: the day of its last calibration; without it nothing is dosed." },
    { "calibrate_every_days", SCHEMA_WHOLE, "d", 0, 1000, 86400000, "0", PROBE(calibrate_every_ms),
        NULL, NULL, "When the next one is due; 0: never." },
    { "jump_limit", SCHEMA_REAL, NULL, 0, 14, 0, "1", PROBE(jump_most), NULL, NULL,
        "A larger step than this, in pH, must be confirmed by the next readings; 0: no limit." },
    { "stuck_after_min", SCHEMA_WHOLE, "min", 0, 10080, 60000, "45", PROBE(stuck_after_ms), NULL,
        NULL, "Exactly the same value for this long means a stuck probe; 0: not watched." },
};
static const struct schema_table ph_table = { "tanks.<tank>.probes.ph", "pH: ph or mV.", ph_rows,
    COUNT(ph_rows), &schema_probe };

static const struct schema_row plain_rows[] = {
    { "calibrated", SCHEMA_DATE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, PROBE(calibrated_at), NULL, NULL,
        "The day of the last calibration, for the record." },
    { "calibrate_every_days", SCHEMA_WHOLE, "d", 0, 1000, 86400000, "0", PROBE(calibrate_every_ms),
        NULL, NULL, "When the next one is due; 0: never." },
    { "jump_limit", SCHEMA_REAL, "°C, %, L, L/min, kPa or lx", 0, 1e6, 0, "0", PROBE(jump_most),
        NULL, NULL,
        "A larger step than this must be confirmed by the next readings; 0: no limit." },
    { "stuck_after_min", SCHEMA_WHOLE, "min", 0, 10080, 60000, "0", PROBE(stuck_after_ms), NULL,
        NULL, "Exactly the same value for this long means a stuck probe; 0: not watched." },
};
static const struct schema_table plain_table = { "tanks.<tank>.probes.<other>",
    "The other probes: temperature (degC, degF), level (%), volume (L), flow (L/min), "
    "air_temperature (degC, degF), humidity (%), light (lx, bool), enclosure (degC, degF).",
    plain_rows, COUNT(plain_rows), &schema_probe };

static const struct schema_row leak_rows[] = {
    { "safe", SCHEMA_BOOL, NULL, 0, 0, 0, "false", PROBE(safe), NULL, NULL,
        "The value that means all is dry." },
};
const struct schema_table schema_leak = { "tanks.<tank>.interlocks.leak", "A leak probe: bool.",
    leak_rows, COUNT(leak_rows), &schema_probe };

static const struct schema_row probes_rows[] = {
    { "ec", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, TANK(PROBE_EC), NULL, &ec_table,
        "Conductivity of the tank's water." },
    { "ph", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, TANK(PROBE_PH), NULL, &ph_table,
        "Its pH." },
    { "temperature", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, TANK(PROBE_TEMPERATURE), NULL,
        &plain_table, "Its temperature." },
    { "level", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, TANK(PROBE_LEVEL), NULL, &plain_table,
        "How full it is." },
    { "volume", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, TANK(PROBE_VOLUME), NULL,
        &plain_table, "How much water is in it." },
    { "flow", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, TANK(PROBE_FLOW), NULL, &plain_table,
        "What flows through the circulation line." },
    { "air_temperature", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, TANK(PROBE_AIR_TEMPERATURE),
        NULL, &plain_table, "Temperature of the air at the crop." },
    { "humidity", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, TANK(PROBE_HUMIDITY), NULL,
        &plain_table, "Relative humidity there." },
    { "light", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, TANK(PROBE_LIGHT), NULL, &plain_table,
        "Light there." },
    { "enclosure", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, TANK(PROBE_ENCLOSURE), NULL,
        &plain_table, "Temperature in the enclosure of the modules." },
};
const struct schema_table schema_probes = { "tanks.<tank>.probes", "What is measured.", probes_rows,
    COUNT(probes_rows), NULL };
