/* What calibration has found: kept here and in the journal, never written into anybody's file. The
 * newer date wins: a configuration that was calibrated later than this is believed. */
#include <math.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

/* A pump that gives so much less or more than was believed is another one to the law. */
#define RATE_NEWS 0.05

/* --- to the journal --------------------------------------------------------------------------- */

static struct record *start_record(const struct core *core, uint32_t tank, struct actions *ret)
{
    struct record *r = emit_record(ret, "calibration");
    record_add_text(r, "tank", core->site->tank[tank].key);
    return r;
}

static void record_rate(const struct core *core, uint32_t tank, uint32_t p, struct actions *ret)
{
    const struct site_pump *pump = &core->site->tank[tank].pump[p];
    const struct core_rate *c = &core->tank[tank].pump[p].rate;
    struct record *r = start_record(core, tank, ret);
    record_add_text(r, "stock", core->site->stock[pump->stock].key);
    record_add_text(r, "serial", c->serial);
    record_add_int(r, "channel", c->channel);
    record_add_real(r, "ml_per_s", c->ml_per_s, 6);
    record_add_real(r, "spread_percent", c->spread_percent, 2);
    record_add_int(r, "at_ms", c->at.ms);
}

static void record_probe(
    const struct core *core, uint32_t tank, enum probe_quantity q, struct actions *ret)
{
    const struct core_probe_care *c = &core->tank[tank].care.probe[q];
    struct record *r = start_record(core, tank, ret);
    record_add_text(r, "probe", q == PROBE_EC ? "ec" : "ph");
    if (q == PROBE_EC) record_add_real(r, "cell_constant", c->cell_constant, 6);
    if (q == PROBE_PH) record_add_real(r, "zero_mv", c->zero_mv, 3);
    if (q == PROBE_PH) record_add_real(r, "slope_percent", c->slope_percent, 3);
    record_add_int(r, "at_ms", c->at.ms);
}

static void record_flow(const struct core *core, uint32_t tank, struct actions *ret)
{
    const struct core_flow *c = &core->tank[tank].care.flow;
    struct record *r = start_record(core, tank, ret);
    record_add_text(r, "serial", c->serial);
    record_add_real(r, "flow_l_min", c->l_min, 3);
    record_add_int(r, "at_ms", c->at.ms);
}

static void want_amended(uint32_t tank, struct actions *ret)
{
    emit(ret, ACTION_AMEND)->tank = tank;
}

/* Never older than what it replaces, which may have been found while the clock was ahead: it would
 * not hold. */
static struct civil date_of(struct now now, bool calibrated, struct civil before)
{
    return calibrated && before.ms > now.civil.ms ? before : now.civil;
}

void core_find_rate(struct core *core, uint32_t tank, uint32_t pump, const struct rate *rate,
    struct now now, struct actions *ret)
{
    const struct site_pump *config = &core->site->tank[tank].pump[pump];
    struct core_tank *t = &core->tank[tank];
    struct core_rate *c = &t->pump[pump].rate;
    c->has = true;
    c->ml_per_s = rate->ml_per_s;
    c->spread_percent = rate->spread_percent;
    c->at = date_of(now, config->calibrated, config->calibrated_at);
    c->channel = config->address.channel;
    (void)text_copy(c->serial, sizeof c->serial, config->serial);
    if (fabs(c->ml_per_s / config->ml_per_s - 1.0) > RATE_NEWS)
        law_init(&t->law, &t->model, now.mono);
    record_rate(core, tank, pump, ret);
    want_amended(tank, ret);
}

void core_find_probe(struct core *core, uint32_t tank, enum probe_quantity quantity,
    const struct probe_config *constants, struct now now, struct actions *ret)
{
    const struct probe_config *config = &core->site->tank[tank].probe[quantity];
    struct core_probe_care *c = &core->tank[tank].care.probe[quantity];
    c->has = true;
    c->zero_mv = constants->zero_mv;
    c->slope_percent = constants->slope_percent;
    c->cell_constant = constants->cell_constant;
    c->at = date_of(now, config->calibrated, config->calibrated_at);
    record_probe(core, tank, quantity, ret);
    want_amended(tank, ret);
}

void core_find_flow(
    struct core *core, uint32_t tank, double l_min, struct now now, struct actions *ret)
{
    const struct site_circulation *config = &core->site->tank[tank].circulation;
    struct core_tank *t = &core->tank[tank];
    struct core_flow *c = &t->care.flow;
    c->has = true;
    c->l_min = l_min;
    c->at = date_of(now, config->measured, config->measured_at);
    (void)text_copy(c->serial, sizeof c->serial, config->serial);
    if (fabs(l_min / config->flow_l_min - 1.0) > RATE_NEWS) law_init(&t->law, &t->model, now.mono);
    record_flow(core, tank, ret);
    want_amended(tank, ret);
}

void core_carry_care(const struct core *core, uint32_t tank, struct actions *ret)
{
    const struct core_tank *t = &core->tank[tank];
    for (uint32_t p = 0; p < core->site->tank[tank].pump_count; p++) {
        if (t->pump[p].rate.has) record_rate(core, tank, p, ret);
    }
    for (int q = 0; q < CARED_PROBES; q++) {
        if (t->care.probe[q].has) record_probe(core, tank, (enum probe_quantity)q, ret);
    }
    if (t->care.flow.has) record_flow(core, tank, ret);
}

/* --- from it ---------------------------------------------------------------------------------- */

static struct core_rate *rate_named(struct core *core, uint32_t tank, const struct record *r)
{
    const char *stock = record_text_or_empty(r, "stock");
    for (uint32_t p = 0; p < core->site->tank[tank].pump_count; p++) {
        if (text_same(core->site->stock[core->site->tank[tank].pump[p].stock].key, stock))
            return &core->tank[tank].pump[p].rate;
    }
    return NULL;
}

static struct core_probe_care *probe_named(struct core *core, uint32_t tank, const struct record *r)
{
    const char *probe = record_text_or_empty(r, "probe");
    if (text_same(probe, "ec")) return &core->tank[tank].care.probe[PROBE_EC];
    return text_same(probe, "ph") ? &core->tank[tank].care.probe[PROBE_PH] : NULL;
}

static void restore_rate(struct core_rate *c, const struct record *r)
{
    double ml_per_s = 0.0;
    int64_t channel = 0;
    if (!record_real(r, "ml_per_s", &ml_per_s) || !(ml_per_s > 0.0)) return;
    if (!record_int(r, "at_ms", &c->at.ms) || !record_int(r, "channel", &channel)) return;
    c->has = true;
    c->ml_per_s = ml_per_s;
    c->channel = (uint32_t)channel;
    c->run_count = 0;
    (void)record_real(r, "spread_percent", &c->spread_percent);
    (void)text_copy(c->serial, sizeof c->serial, record_text_or_empty(r, "serial"));
}

static void restore_probe(struct core_probe_care *c, const struct record *r)
{
    struct core_probe_care found = *c;
    const bool ph = record_real(r, "zero_mv", &found.zero_mv) &&
                    record_real(r, "slope_percent", &found.slope_percent);
    const bool ec = record_real(r, "cell_constant", &found.cell_constant);
    if (!record_int(r, "at_ms", &found.at.ms)) return;
    if (!(ph && found.slope_percent > 0.0) && !(ec && found.cell_constant > 0.0)) return;
    found.has = true;
    *c = found;
}

static void restore_flow(struct core_flow *c, const struct record *r)
{
    static const double least = 0.01, most = 4000.0; /* what can be found, and more */
    double l_min = 0.0;
    if (!record_real(r, "flow_l_min", &l_min) || !(l_min >= least && l_min <= most)) return;
    if (!record_int(r, "at_ms", &c->at.ms)) return;
    c->has = true;
    c->l_min = l_min;
    c->waits_ms = 0;
    (void)text_copy(c->serial, sizeof c->serial, record_text_or_empty(r, "serial"));
}

static void restore_flow_run(struct core_flow *c, const struct record *r)
{
    int64_t ran_ms = 0;
    if (record_int(r, "ran_ms", &ran_ms) && ran_ms > 0) c->waits_ms = ran_ms;
}

static void restore_run(struct core_rate *c, const struct record *r)
{
    struct rate_run run = { 0 };
    if (!record_int(r, "ran_ms", &run.ran_ms) || run.ran_ms <= 0) return;
    if (record_is(r, "rate-run")) {
        c->waits_ms = run.ran_ms;
        return;
    }
    if (!record_int(r, "ul", &run.ul) || run.ul <= 0) return;
    c->waits_ms = 0;
    int64_t number = c->run_count + 1; /* former journals don't tell it */
    (void)record_int(r, "run", &number);
    if (number == 1) c->run_count = 0;
    if (number != c->run_count + 1) { /* those before it have left the journal */
        c->run_count = 0;
        return;
    }
    c->run[c->run_count++] = run;
    if (c->run_count == RATE_RUNS) c->run_count = 0; /* concluded, with or without a calibration */
}

static void restore_bath(struct bath_row *row, const struct record *r)
{
    struct ph_bath bath;
    const char *verdict = record_text_or_empty(r, "verdict");
    const bool first = text_same(verdict, "taken") && row->count == 0;
    const bool second = text_same(verdict, "calibrated") && row->count == 1;
    if (!first && !second) return;
    if (!record_real(r, "truth", &bath.ph) || !record_real(r, "shown", &bath.mv)) return;
    if (!record_real(r, "degc", &bath.degc)) return;
    row->bath[row->count++] = bath;
}

void core_restore_care(struct core *core, uint32_t tank, const struct record *r)
{
    if (record_is(r, "flow-run")) restore_flow_run(&core->tank[tank].care.flow, r);
    if (record_is(r, "calibration")) restore_flow(&core->tank[tank].care.flow, r);
    struct core_rate *rate = rate_named(core, tank, r);
    struct core_probe_care *probe = probe_named(core, tank, r);
    const bool run = record_is(r, "rate-run") || record_is(r, "rate-measured");
    const bool begins =
        record_is(r, "dose") && text_same(record_text_or_empty(r, "asked"), "calibrate");
    if (rate && run) restore_run(rate, r);
    if (rate && begins) rate->waits_ms = 0;
    if (probe && record_is(r, "bath")) restore_bath(&probe->row, r);
    if (!record_is(r, "calibration")) return;
    if (rate) restore_rate(rate, r);
    if (probe) restore_probe(probe, r);
}

/* --- into a configuration --------------------------------------------------------------------- */

static bool is_newer(struct civil found, bool calibrated, struct civil filed)
{
    return !calibrated || found.ms >= filed.ms;
}

static void amend_pump(struct site_pump *pump, const struct core_rate *c)
{
    if (!c->has || pump->address.channel != c->channel || !text_same(pump->serial, c->serial))
        return;
    if (!is_newer(c->at, pump->calibrated, pump->calibrated_at)) return;
    pump->ml_per_s = c->ml_per_s;
    pump->calibrated = true;
    pump->calibrated_at = c->at;
}

static void amend_probe(struct probe_config *config, const struct core_probe_care *c)
{
    if (!c->has || !config->present) return;
    if (!is_newer(c->at, config->calibrated, config->calibrated_at)) return;
    config->calibrated = true;
    config->calibrated_at = c->at;
    if (config->unit == UNIT_MV) {
        config->zero_mv = c->zero_mv;
        config->slope_percent = c->slope_percent;
    }
    if (config->unit == UNIT_US) config->cell_constant = c->cell_constant;
}

static void amend_flow(struct site_circulation *config, const struct core_flow *c)
{
    if (!c->has || !text_same(config->serial, c->serial)) return;
    if (!is_newer(c->at, config->measured, config->measured_at)) return;
    config->flow_l_min = c->l_min;
    config->measured = true;
    config->measured_at = c->at;
}

void core_amend(const struct core *core, struct site *next, uint32_t tank)
{
    struct site_tank *config = &next->tank[tank];
    const int32_t own = core_tank_named(core, config->key);
    if (own < 0) return;
    const struct core_tank *t = &core->tank[own];
    const struct site_tank *former = &core->site->tank[own];
    for (uint32_t p = 0; p < config->pump_count; p++) {
        const char *stock = next->stock[config->pump[p].stock].key;
        for (uint32_t o = 0; o < former->pump_count; o++) {
            if (text_same(core->site->stock[former->pump[o].stock].key, stock))
                amend_pump(&config->pump[p], &t->pump[o].rate);
        }
    }
    for (int q = 0; q < CARED_PROBES; q++) {
        amend_probe(&config->probe[q], &t->care.probe[q]);
    }
    amend_flow(&config->circulation, &t->care.flow);
}

void core_amended(struct core *core, uint32_t tank)
{
    site_law(&core->tank[tank].model, core->site, &core->site->tank[tank]);
}
