/* The text format: "# HELP" and "# TYPE" of a family, then all its samples, one a line. What isn't
 * known has no sample. */
#include <inttypes.h>
#include <math.h>

#include "daemon/run/metrics.h"

struct label {
    const char *name, *value;
};

enum { LABELS_MAX = 3 };

static const double ml = 1000.0, ms = 1000.0, us = 1e6;

/* --- the grammar -------------------------------------------------------------------------------
 */

static void family(FILE *out, const char *name, const char *type, const char *help)
{
    fprintf(out, "# HELP dosewright_%s %s\n# TYPE dosewright_%s %s\n", name, help, name, type);
}

/* Backslash, quote and line feed are escaped; nothing else needs it. */
static void put_value(FILE *out, const char *value)
{
    for (; *value; value++) {
        if (*value == '\\' || *value == '"') fputc('\\', out);
        if (*value == '\n')
            fputs("\\n", out);
        else
            fputc(*value, out);
    }
}

static void sample(FILE *out, const char *name, const struct label labels[LABELS_MAX], double value)
{
    if (isnan(value)) return;
    fprintf(out, "dosewright_%s", name);
    for (int i = 0; labels && i < LABELS_MAX && labels[i].name; i++) {
        fprintf(out, "%s%s=\"", i == 0 ? "{" : ",", labels[i].name);
        put_value(out, labels[i].value);
        fputc('"', out);
    }
    if (labels && labels[0].name) fputc('}', out);
    fprintf(out, " %.15g\n", value);
}

static void one(FILE *out, const char *name, const char *help, double value)
{
    if (isnan(value)) return;
    family(out, name, "gauge", help);
    sample(out, name, NULL, value);
}

static void counter(FILE *out, const char *name, const char *help, uint64_t value)
{
    family(out, name, "counter", help);
    sample(out, name, NULL, (double)value);
}

/* --- the daemon --------------------------------------------------------------------------------
 */

static void write_daemon(FILE *out, const struct metrics_daemon *d, int64_t resident_bytes)
{
    one(out, "broker_connected", "1 while the broker answers.", d->site.link_up);
    one(out, "halted", "1 while everything is halted.", d->site.halted);
    one(out, "standby", "1 while another daemon has the site's chains.", d->site.standby);
    one(out, "clock_synced", "1 while the clock is kept in step.", d->clock == CLOCK_SYNCED);
    one(out, "journal_ok", "1 while the journal can be written.", d->site.journal_ok);
    one(out, "journal_seq", "Number of the newest record.", (double)d->journal_seq);
    counter(out, "refused_messages_total", "Messages that were refused since the start.",
        d->site.refused_messages);
    const uint64_t counts[] = { d->mqtt.received, d->mqtt.dropped, d->mqtt.oversized,
        d->mqtt.malformed };
    static const char *const results[] = { "received", "dropped", "oversized", "malformed" };
    family(out, "mqtt_messages_total", "counter",
        "Messages from the broker, by what became of them at the door.");
    for (int i = 0; i < 4; i++) {
        const struct label labels[LABELS_MAX] = { { "result", results[i] } };
        sample(out, "mqtt_messages_total", labels, (double)counts[i]);
    }
    family(out, "loop_pass_seconds", "summary", "Passes of the loop, from waking to sleeping.");
    sample(out, "loop_pass_seconds_sum", NULL, (double)d->loop.sum_us / us);
    sample(out, "loop_pass_seconds_count", NULL, (double)d->loop.passes);
    one(out, "loop_pass_longest_seconds", "The longest pass since the last time this was written.",
        (double)d->loop.most_us / us);
    if (resident_bytes > 0)
        one(out, "resident_memory_bytes", "Memory of the daemon that is in RAM.",
            (double)resident_bytes);
}

static void write_alerts(FILE *out, const struct metrics_shot *s)
{
    one(out, "alerts", "Alerts that stand.", s->daemon.site.alerts);
    if (s->alert_count == 0) return;
    family(out, "alert", "gauge", "1 for each alert that stands.");
    for (uint32_t i = 0; i < s->alert_count; i++) {
        const struct metrics_alert *a = &s->alert[i];
        const bool of_tank = a->tank >= 0 && (uint32_t)a->tank < s->tank_count;
        const struct label labels[LABELS_MAX] = { { "id", a->id },
            { "tank", of_tank ? s->tank[a->tank].key : "" } };
        sample(out, "alert", labels, 1);
    }
}

/* --- chains and bottles ------------------------------------------------------------------------
 */

static void write_chains(FILE *out, const struct metrics_shot *s)
{
    family(out, "chain_ready", "gauge", "1 while the chain is ready and nothing is wrong with it.");
    for (uint32_t i = 0; i < s->chain_count; i++) {
        const struct label labels[LABELS_MAX] = { { "chain", s->chain[i].key } };
        sample(out, "chain_ready", labels, s->chain[i].well);
    }
    family(out, "chain_volts", "gauge", "Volts that the chain head tells.");
    for (uint32_t i = 0; i < s->chain_count; i++) {
        const struct label labels[LABELS_MAX] = { { "chain", s->chain[i].key } };
        sample(out, "chain_volts", labels, s->chain[i].volts);
    }
    family(out, "chain_amps", "gauge", "Amps that the chain head tells.");
    for (uint32_t i = 0; i < s->chain_count; i++) {
        const struct label labels[LABELS_MAX] = { { "chain", s->chain[i].key } };
        sample(out, "chain_amps", labels, s->chain[i].amps);
    }
}

static void write_stocks(FILE *out, const struct metrics_shot *s)
{
    family(out, "bottle_remaining_ml", "gauge", "What is left in the bottle.");
    for (uint32_t i = 0; i < s->stock_count; i++) {
        const struct label labels[LABELS_MAX] = { { "stock", s->stock[i].key } };
        sample(out, "bottle_remaining_ml", labels, (double)s->stock[i].remaining_ul / ml);
    }
    family(out, "bottle_days_left", "gauge", "Days that it lasts at the use of the last days.");
    for (uint32_t i = 0; i < s->stock_count; i++) {
        const struct label labels[LABELS_MAX] = { { "stock", s->stock[i].key } };
        sample(out, "bottle_days_left", labels, s->stock[i].days_left);
    }
}

/* --- tanks -------------------------------------------------------------------------------------
 */

static const struct {
    const char *word; /* as a label */
    const char *name, *help;
    double times; /* from the unit used inside */
} probes[PROBE_QUANTITY_COUNT] = {
    [PROBE_EC] = { "ec", "ec_ms_cm", "EC at 25 degC, the last trusted value.", 0.001 },
    [PROBE_PH] = { "ph", "ph", "pH, the last trusted value.", 1 },
    [PROBE_TEMPERATURE] = { "temperature", "temperature_celsius",
        "Temperature of the water, the last trusted value.", 1 },
    [PROBE_LEVEL] = { "level", "level_percent", "Level, the last trusted value.", 1 },
    [PROBE_VOLUME] = { "volume", "volume_liters", "Volume, the last trusted value.", 1 },
    [PROBE_FLOW] = { "flow", "flow_liters_per_minute", "Flow, the last trusted value.", 1 },
    [PROBE_LEAK] = { "leak", "leak", "What the leak probe says, 1 or 0.", 1 },
    [PROBE_AIR_TEMPERATURE] = { "air-temperature", "air_temperature_celsius",
        "Temperature of the air, the last trusted value.", 1 },
    [PROBE_HUMIDITY] = { "humidity", "humidity_percent",
        "Humidity of the air, the last trusted value.", 1 },
    [PROBE_LIGHT] = { "light", "light_lux", "Light, or 1 and 0 where the probe tells on and off.",
        1 },
    [PROBE_ENCLOSURE] = { "enclosure", "enclosure_celsius",
        "Temperature at the modules, the last trusted value.", 1 },
};

static void write_values(FILE *out, const struct metrics_shot *s, int q)
{
    family(out, probes[q].name, "gauge", probes[q].help);
    for (uint32_t i = 0; i < s->tank_count; i++) {
        const struct metrics_probe *p = &s->tank[i].probe[q];
        const struct label labels[LABELS_MAX] = { { "tank", s->tank[i].key } };
        if (p->present && p->has_value)
            sample(out, probes[q].name, labels, p->value * probes[q].times);
    }
}

static void write_trust(FILE *out, const struct metrics_shot *s, bool age)
{
    const char *name = age ? "reading_age_seconds" : "reading_good";
    family(out, name, "gauge",
        age ? "Age of the last trusted value." : "1 while the value can be trusted.");
    for (uint32_t i = 0; i < s->tank_count; i++) {
        for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
            const struct metrics_probe *p = &s->tank[i].probe[q];
            const struct label labels[LABELS_MAX] = { { "tank", s->tank[i].key },
                { "probe", probes[q].word } };
            if (!p->present || (age && !p->has_value)) continue;
            sample(out, name, labels, age ? (double)p->age_ms / ms : (double)p->good);
        }
    }
}

static void write_setpoints(FILE *out, const struct metrics_shot *s, bool ec)
{
    const char *name = ec ? "setpoint_ec_ms_cm" : "setpoint_ph";
    family(out, name, "gauge", "The setpoint in force.");
    for (uint32_t i = 0; i < s->tank_count; i++) {
        const struct metrics_tank *t = &s->tank[i];
        const struct label labels[LABELS_MAX] = { { "tank", t->key } };
        if (t->planted) sample(out, name, labels, ec ? t->set_ec_us_cm / 1000 : t->set_ph);
    }
}

static void write_states(FILE *out, const struct metrics_shot *s)
{
    family(out, "tank_state", "gauge", "1 for the state that the tank is in.");
    for (uint32_t i = 0; i < s->tank_count; i++) {
        const struct label labels[LABELS_MAX] = { { "tank", s->tank[i].key },
            { "state", tank_state_word(s->tank[i].state) } };
        sample(out, "tank_state", labels, 1);
    }
}

enum pump_figure { DELIVERED, USED_HOUR, USED_DAY, LIMIT_HOUR, LIMIT_DAY, LOCKED };

static double figure_of(const struct metrics_pump *p, enum pump_figure figure)
{
    switch (figure) {
    case DELIVERED:
        return (double)p->tube_ul / ml;
    case USED_HOUR:
        return (double)p->hour_ul / ml;
    case USED_DAY:
        return (double)p->day_ul / ml;
    case LIMIT_HOUR:
        return (double)p->hour_limit_ul / ml;
    case LIMIT_DAY:
        return (double)p->day_limit_ul / ml;
    case LOCKED:
        return p->locked;
    }
    return (double)NAN;
}

/* A sample for each stock of each tank; 'window' NULL: none. */
static void write_pumps(FILE *out, const struct metrics_shot *s, const char *name,
    enum pump_figure figure, const char *window)
{
    for (uint32_t i = 0; i < s->tank_count; i++) {
        const struct metrics_tank *t = &s->tank[i];
        for (uint32_t p = 0; p < t->pump_count; p++) {
            const struct label labels[LABELS_MAX] = { { "tank", t->key },
                { "stock", s->stock[t->pump[p].stock].key }, { window ? "window" : NULL, window } };
            sample(out, name, labels, figure_of(&t->pump[p], figure));
        }
    }
}

void metrics_write(FILE *out, const struct metrics_shot *s, int64_t resident_bytes)
{
    write_daemon(out, &s->daemon, resident_bytes);
    write_alerts(out, s);
    write_chains(out, s);
    write_stocks(out, s);
    write_states(out, s);
    for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        write_values(out, s, q);
    }
    write_trust(out, s, true);
    write_trust(out, s, false);
    write_setpoints(out, s, true);
    write_setpoints(out, s, false);
    family(out, "delivered_ml_total", "counter",
        "What the pump has delivered since its tube was changed.");
    write_pumps(out, s, "delivered_ml_total", DELIVERED, NULL);
    family(out, "window_used_ml", "gauge", "What counts against the limit of the last hour, day.");
    write_pumps(out, s, "window_used_ml", USED_HOUR, "hour");
    write_pumps(out, s, "window_used_ml", USED_DAY, "day");
    family(out, "window_limit_ml", "gauge", "The limit of an hour, a day.");
    write_pumps(out, s, "window_limit_ml", LIMIT_HOUR, "hour");
    write_pumps(out, s, "window_limit_ml", LIMIT_DAY, "day");
    family(out, "stock_locked", "gauge", "1 while doses of it have no effect and it is left out.");
    write_pumps(out, s, "stock_locked", LOCKED, NULL);
}
