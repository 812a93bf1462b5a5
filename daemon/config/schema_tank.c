/* A tank, in the site file or in a file of its own. */
#include "daemon/config/schema_rows.h"

#define TANK(member) offsetof(struct draft_tank, member)
#define PUMP(member) offsetof(struct draft_pump, member)
#define COUNT(rows) (uint32_t)(sizeof(rows) / sizeof *(rows))

static const char *const whens[] = { "for-doses", "always", NULL };

static const struct schema_row source_rows[] = {
    { "ec_ms_cm", SCHEMA_REAL, "mS/cm", 0, 3, 1000, SCHEMA_REQUIRED, TANK(tank.source_ec_us_cm),
        NULL, NULL, "EC of the water that the tank is filled with, at 25 °C." },
    { "alkalinity_meq_l", SCHEMA_REAL, "meq/L", 0, 10, 0, "2", TANK(tank.source_alkalinity_meq_l),
        NULL, NULL, "Its alkalinity, from the water report; 50 mg/L as CaCO3 is 1 meq/L." },
};
static const struct schema_table source_table = { "tanks.<tank>.source_water",
    "What comes in when the tank is topped up.", source_rows, COUNT(source_rows), NULL };

static const struct schema_row circulation_rows[] = {
    { "pump", SCHEMA_OTHER, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &schema_board,
        "The circulation output, such as west/1.circulation, of one tank only; or a mapping: a "
        "plain output of a general board, with the keys of a pump's address." },
    { "flow_l_min", SCHEMA_REAL, "L/min", 0.05, 2000, 0, SCHEMA_REQUIRED,
        TANK(tank.circulation.flow_l_min), NULL, NULL, "What flows while it runs." },
    { "flow_measured", SCHEMA_DATE, NULL, 0, 0, 0, SCHEMA_OPTIONAL,
        TANK(tank.circulation.measured_at), NULL, NULL,
        "The day on which that was measured; one measured later with the daemon is believed." },
    { "measure_every_days", SCHEMA_WHOLE, "d", 0, 1000, 86400000, "365",
        TANK(tank.circulation.measure_every_ms), NULL, NULL,
        "How old a measured flow may be before there is a reminder; 0: none." },
    { "line_ml", SCHEMA_REAL, "mL", 0, 1000000, 0, SCHEMA_REQUIRED, TANK(tank.circulation.line_ml),
        NULL, NULL, "Volume of the line from the injection points back to the tank." },
    { "flush_lines", SCHEMA_REAL, NULL, 1, 20, 0, "3", TANK(tank.circulation.flush_lines), NULL,
        NULL, "How many line volumes flush it." },
    { "when", SCHEMA_WORD, NULL, 0, 0, 0, "for-doses", TANK(tank.circulation.when), whens, NULL,
        "Only while doses need it, or always." },
};
static const struct schema_table circulation_table = { "tanks.<tank>.circulation",
    "The pump that moves tank water past the injection points.", circulation_rows,
    COUNT(circulation_rows), NULL };

static const struct schema_row band_rows[] = {
    { "ec_ms_cm", SCHEMA_REAL, "mS/cm", 0.01, 1, 1000, "0.1", TANK(tank.band_ec_us_cm), NULL, NULL,
        "How far EC may be from its setpoint before anything is done." },
    { "ph", SCHEMA_REAL, NULL, 0.02, 1, 0, "0.2", TANK(tank.band_ph), NULL, NULL,
        "The same for pH." },
};
static const struct schema_table band_table = { "tanks.<tank>.band",
    "The width around the setpoints that needs no action.", band_rows, COUNT(band_rows), NULL };

static const struct schema_row envelope_rows[] = {
    { "ec_ms_cm", SCHEMA_PAIR, "mS/cm", 0.05, 10, 1000, SCHEMA_REQUIRED,
        TANK(tank.envelope.ec_least_us_cm), NULL, NULL, "Setpoints of EC stay within this." },
    { "ph", SCHEMA_PAIR, NULL, 4.5, 7.5, 0, SCHEMA_REQUIRED, TANK(tank.envelope.ph_least), NULL,
        NULL, "Setpoints of pH stay within this." },
    { "temperature_degc", SCHEMA_PAIR, "°C", 0, 45, 0, "", TANK(tank.envelope.degc_least), NULL,
        NULL, "Outside this nothing is dosed; without it [5, 40]." },
};
static const struct schema_table envelope_table = { "tanks.<tank>.envelope",
    "Hard limits that no schedule and no remote message can lift.", envelope_rows,
    COUNT(envelope_rows), NULL };

static const struct schema_row limit_rows[] = {
    { "dose_ml", SCHEMA_WHOLE, "mL", 0.05, 10000, 1000, SCHEMA_REQUIRED,
        offsetof(struct stock_limits, dose_ul), NULL, NULL, "The most in one dose." },
    { "hour_ml", SCHEMA_WHOLE, "mL", 0.05, 100000, 1000, SCHEMA_REQUIRED,
        offsetof(struct stock_limits, hour_ul), NULL, NULL, "The most in any hour." },
    { "day_ml", SCHEMA_WHOLE, "mL", 0.05, 1000000, 1000, SCHEMA_REQUIRED,
        offsetof(struct stock_limits, day_ul), NULL, NULL, "The most in any 24 hours." },
};
const struct schema_table schema_limit = { "tanks.<tank>.limits.<stock>",
    "How much of one stock may be given; dose_ml <= hour_ml <= day_ml.", limit_rows,
    COUNT(limit_rows), NULL };

static const struct schema_row limits_rows[] = {
    { "<stock>", SCHEMA_EACH, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &schema_limit,
        "Limits of each stock that has a pump." },
    { "ec_rise_per_hour_ms_cm", SCHEMA_WHOLE, "mS/cm", 0.01, 5, 1000000, "0.6",
        TANK(tank.move.ec_rise_per_hour), NULL, NULL, "How far EC may be raised in any hour." },
    { "ph_move_per_hour", SCHEMA_WHOLE, NULL, 0.05, 4, 1000000, "1.0",
        TANK(tank.move.ph_move_per_hour), NULL, NULL,
        "How far pH may be moved in any hour, up and down together." },
    { "acid_base_spacing_min", SCHEMA_WHOLE, "min", 10, 1440, 60000, "120",
        TANK(tank.move.acid_base_spacing_ms), NULL, NULL,
        "How long acid waits after base, and base after acid." },
};
static const struct schema_table limits_table = { "tanks.<tank>.limits",
    "What may be dosed at most, whatever asks for it.", limits_rows, COUNT(limits_rows), NULL };

static const struct schema_row interlock_rows[] = {
    { "level_min_percent", SCHEMA_REAL, "%", 0, 100, 0, SCHEMA_OPTIONAL,
        TANK(tank.level_min_percent), NULL, NULL,
        "Below this level nothing is dosed; needs the level probe." },
    { "leak", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, TANK(tank.probe[PROBE_LEAK]), NULL,
        &schema_leak, "A leak probe; while it reports water, or nothing, nothing is dosed." },
};
static const struct schema_table interlock_table = { "tanks.<tank>.interlocks",
    "What forbids dosing while it holds.", interlock_rows, COUNT(interlock_rows), NULL };

/* Lives and intervals: common practice, no source; docs/operate.md says more. */
static const struct schema_row upkeep_rows[] = {
    { "strainer_hours", SCHEMA_WHOLE, "h", 0, 100000, 3600000, "500", TANK(tank.upkeep.strainer_ms),
        NULL, NULL,
        "Hours of circulation after which the inlet strainer is to be cleaned; 0: no reminder." },
    { "water_change_days", SCHEMA_WHOLE, "d", 0, 1000, 86400000, "0", TANK(tank.upkeep.water_ms),
        NULL, NULL, "How old the tank's water may be; 0: no reminder." },
    { "water_change_l", SCHEMA_REAL, "L", 0, 1000000, 0, "0", TANK(tank.upkeep.water_l), NULL, NULL,
        "How much may be topped up before all water is changed: 1 to 5 times the tank, less with "
        "hard water; needs a level or volume probe; 0: no reminder." },
    { "light_on_lx", SCHEMA_REAL, "lx", 1, 200000, 0, "1000", TANK(tank.upkeep.light_on_lx), NULL,
        NULL, "From here on the light probe counts as seeing light." },
    { "light_differs_min", SCHEMA_WHOLE, "min", 0, 1440, 60000, "0",
        TANK(tank.upkeep.light_differs_ms), NULL, NULL,
        "How long light may differ from the schedule's day before there is an alert; 0: none, as "
        "where daylight comes in." },
    { "enclosure_most_degc", SCHEMA_REAL, "°C", 0, 100, 0, "50",
        TANK(tank.upkeep.enclosure_most_degc), NULL, NULL,
        "Above this the modules' enclosure is too hot; 0: no alert." },
};
static const struct schema_table upkeep_table = { "tanks.<tank>.upkeep",
    "When what wears is due, and what the surroundings may be.", upkeep_rows, COUNT(upkeep_rows),
    NULL };

static const struct schema_row tube_rows[] = {
    { "bore_mm", SCHEMA_REAL, "mm", 0.5, 20, 0, SCHEMA_REQUIRED, PUMP(bore_mm), NULL, NULL,
        "Inner diameter." },
    { "length_m", SCHEMA_REAL, "m", 0.05, 50, 0, SCHEMA_REQUIRED, PUMP(length_m), NULL, NULL,
        "From the bottle to the injection point." },
};
static const struct schema_table tube_table = { "tanks.<tank>.pumps.<stock>.tube",
    "The tube; from it 'check' works out how much primes it.", tube_rows, COUNT(tube_rows), NULL };

static const struct schema_row pump_rows[] = {
    { "address", SCHEMA_OTHER, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &schema_board,
        "chain/position.channel, such as west/2.3; or a mapping: a plain output of a general board "
        "(docs/plain-outputs.md)." },
    { "ml_per_s", SCHEMA_REAL, "mL/s", 0.001, 100, 0, SCHEMA_REQUIRED, PUMP(pump.ml_per_s), NULL,
        NULL, "What the pump delivers." },
    { "calibrated", SCHEMA_DATE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, PUMP(pump.calibrated_at), NULL,
        NULL, "The day on which that was measured; without it the pump counts as not calibrated." },
    { "smallest_dose_ml", SCHEMA_WHOLE, "mL", 0.01, 100, 1000, "0.5", PUMP(pump.limits.smallest_ul),
        NULL, NULL, "Below this a dose isn't worth a start." },
    { "calibrate_every_days", SCHEMA_WHOLE, "d", 0, 1000, 86400000, "30",
        PUMP(pump.calibrate_every_ms), NULL, NULL,
        "How old its calibration may be before there is a reminder; 0: none." },
    { "tube_hours", SCHEMA_WHOLE, "h", 0, 100000, 3600000, "200", PUMP(pump.tube_run_ms), NULL,
        NULL, "How long the tube in its head may run before it is to be changed; 0: no reminder." },
    { "tube_days", SCHEMA_WHOLE, "d", 0, 10000, 86400000, "365", PUMP(pump.tube_age_ms), NULL, NULL,
        "How old that tube may be; 0: no reminder." },
    { "tube", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &tube_table,
        "The tube from the bottle." },
};
const struct schema_table schema_pump = { "tanks.<tank>.pumps.<stock>",
    "One stock's pump of this tank; a channel serves one tank only.", pump_rows, COUNT(pump_rows),
    NULL };

const struct schema_row schema_part = { "<stock>", SCHEMA_REAL, "parts", 0.001, 1000, 0,
    SCHEMA_REQUIRED, 0, NULL, NULL, "Parts by volume." };

static const struct schema_row tank_rows[] = {
    { "name", SCHEMA_TEXT, NULL, 1, 64, 0, SCHEMA_OPTIONAL, TANK(tank.name), NULL, NULL,
        "A name for people; without it the key." },
    { "volume_l", SCHEMA_REAL, "L", 0.5, 100000, 0, SCHEMA_REQUIRED, TANK(tank.volume_l), NULL,
        NULL, "Water in the tank and its pipes when it is full." },
    { "source_water", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &source_table,
        "The water it is filled with." },
    { "circulation", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &circulation_table,
        "The circulation pump and its line." },
    { "probes", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &schema_probes,
        "What is measured; ec, ph and temperature are needed." },
    { "pumps", SCHEMA_EACH, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &schema_pump,
        "Which pump draws from which stock; at most 12." },
    { "recipe", SCHEMA_EACH, "parts", 0.001, 1000, 0, SCHEMA_REQUIRED, 0, NULL, NULL,
        "Parts by volume of the stocks that together raise EC, dosed in this order." },
    { "lowers_ph", SCHEMA_KEY, NULL, 0, 0, 0, SCHEMA_OPTIONAL, TANK(lowers_ph), NULL, NULL,
        "The acid among the pumps; without it pH is never lowered." },
    { "raises_ph", SCHEMA_KEY, NULL, 0, 0, 0, SCHEMA_OPTIONAL, TANK(raises_ph), NULL, NULL,
        "The base among the pumps; without it pH is never raised." },
    { "schedule", SCHEMA_PATH, NULL, 0, 0, 0, SCHEMA_REQUIRED, TANK(schedule), NULL, NULL,
        "The file with the crop's stages." },
    { "planted", SCHEMA_DATE, NULL, 0, 0, 0, SCHEMA_REQUIRED, TANK(tank.planted), NULL, NULL,
        "Day 1 of the schedule; before it nothing is dosed." },
    { "band", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &band_table,
        "The width that needs no action." },
    { "envelope", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &envelope_table,
        "The hard limits of the setpoints." },
    { "limits", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &limits_table,
        "The hard limits of the doses." },
    { "override_max_h", SCHEMA_WHOLE, "h", 0.1, 720, 3600000, "24", TANK(tank.override_most_ms),
        NULL, NULL, "How long a setpoint that was set remotely may last at most." },
    { "interlocks", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &interlock_table,
        "What forbids dosing." },
    { "upkeep", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &upkeep_table,
        "When what wears is due." },
};
const struct schema_table schema_tank = { "tanks.<tank>", "A reservoir with its probes and pumps.",
    tank_rows, COUNT(tank_rows), NULL };
