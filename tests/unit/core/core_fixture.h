/* A small site for the core's own tests: two tanks, two chains, and a journal that is a list. A
 * test says what heads and probes tell, and looks at what the core wants done.
 *
 *     basil    west/1, circulation there; leaf-a 1.1, leaf-b 1.2, acid 1.3; base east/1.1
 *     lettuce  west/2, circulation there; leaf-a 2.1, acid 2.2
 *     leak, level and flow probes are there when a test says so */
#ifndef DOSEWRIGHT_TESTS_CORE_FIXTURE_H
#define DOSEWRIGHT_TESTS_CORE_FIXTURE_H

#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/core/state.h"
#include "tests/unit/support.h"

enum { BASIL, LETTUCE, TANKS };
enum { WEST, EAST, CHAINS };
enum { LEAF_A, LEAF_B, ACID, BASE, STOCKS };
enum { RECORDS_MAX = 4096 };

static const char *const stock_keys[STOCKS] = { "leaf-a", "leaf-b", "acid", "base" };

struct bench {
    struct site site;
    struct site_tank tank[TANKS];
    void *block;
    struct core *core;
    struct now now;
    struct actions actions; /* of the last step */
    struct record record[RECORDS_MAX];
    struct now record_at[RECORDS_MAX];
    uint32_t record_count;
    uint32_t starts;
};

static struct bench b;

/* --- the configuration ------------------------------------------------------------------------ */

static inline void make_chain(
    struct chain_config *c, const char *key, uint32_t count, const char *const serials[])
{
    *c = (struct chain_config){ .key = key,
        .device = key,
        .supply = { .volts = 12.0, .amps = 6.0, .usable_share = 0.8 },
        .count = count };
    for (uint32_t m = 0; m < count; m++) {
        c->module[m] = (struct chain_module_config){ .position = m + 1,
            .filed = m + 1,
            .channels = 3,
            .circulation = true,
            .power = { .cable_ohm = 0.1,
                .min_volts = 10.0,
                .idle_amps = 0.05,
                .pump_amps = 0.3,
                .circulation_amps = 0.8 } };
        text_copy(c->module[m].serial, sizeof c->module[m].serial, serials[m]);
        text_copy(c->module[m].filed_serial, sizeof c->module[m].filed_serial, serials[m]);
    }
    c->file_tag = chain_file_tag(c);
}

static inline void make_probe(struct site_tank *t, enum probe_quantity q, enum probe_unit unit)
{
    t->probe[q] = (struct probe_config){ .present = true,
        .quantity = q,
        .unit = unit,
        .topic = "t",
        .pointer = "",
        .least = 0,
        .most = q == PROBE_EC ? 6000 : 100,
        .max_age_ms = 60000,
        .compensated = true,
        .calibrated = true };
}

static inline void make_pump(
    struct site_tank *t, uint32_t stock, struct chain_address at, const char *serial)
{
    const struct stock_strength *s = &b.site.stock[stock].strength;
    t->pump[t->pump_count++] = (struct site_pump){ .stock = stock,
        .address = at,
        .serial = serial,
        .ml_per_s = 1.0,
        .filed_ml_per_s = 1.0,
        .ec_us_cm_per_ml_l = stock_ec_us_cm_per_ml_l(s),
        .calibrated = true,
        .limits = { .smallest_ul = 500, .dose_ul = 20000, .hour_ul = 60000, .day_ul = 200000 } };
}

static inline void make_tank(uint32_t i, const char *key, const char *serial)
{
    struct site_tank *t = &b.tank[i];
    *t = (struct site_tank){ .key = key,
        .name = key,
        .volume_l = 60,
        .source_ec_us_cm = 350,
        .source_alkalinity_meq_l = 2.0,
        .circulation = { .address = { WEST, i + 1, CHAIN_CIRCULATION_CHANNEL },
            .serial = serial,
            .flow_l_min = 30,
            .filed_flow_l_min = 30,
            .line_ml = 80,
            .flush_lines = 3 },
        .lowers_ph = -1,
        .raises_ph = -1,
        .schedule = { .crop = "basil", .count = 1, .zone = "UTC" },
        .planted = { b.now.civil.ms - 5 * DAY_MS },
        .band_ec_us_cm = 100,
        .band_ph = 0.2,
        .envelope = { 200, 2500, 5.0, 7.0, 5, 35 },
        .move = { 600000, 1000000, 2 * HOUR_MS },
        .override_most_ms = 72 * HOUR_MS };
    t->schedule.stage[0] =
        (struct crop_stage){ .name = "leaf", .from = { 1200, 5.8 }, .to = { 1200, 5.8 } };
    make_probe(t, PROBE_EC, UNIT_US_CM);
    make_probe(t, PROBE_PH, UNIT_PH);
    make_probe(t, PROBE_TEMPERATURE, UNIT_DEGC);
}

static inline void make_stocks(void)
{
    b.site.stock_count = STOCKS;
    for (uint32_t s = 0; s < STOCKS; s++) {
        b.site.stock[s].key = stock_keys[s];
        b.site.stock[s].bottle_ul = 5000000;
        b.site.stock[s].solution.kind = s < ACID    ? STOCK_NUTRIENT
                                        : s == ACID ? STOCK_ACID
                                                    : STOCK_BASE;
    }
    b.site.stock[LEAF_A].strength.cations_meq_ml = 1.2;
    b.site.stock[LEAF_B].strength.cations_meq_ml = 1.0;
    b.site.stock[ACID].strength.acid_meq_ml = 0.4;
    b.site.stock[BASE].strength.acid_meq_ml = -0.4;
}

/* The configuration; a test changes it before bench_start. */
static inline void bench_init(void)
{
    static const char *const west[] = { "a1f3", "b77c" }, *const east[] = { "c91d" };
    memset(&b, 0, sizeof b);
    b.now = (struct now){ { 100 * DAY_MS }, { INT64_C(1930000000000) }, CLOCK_SYNCED };
    b.site.key = b.site.name = "tern-hall";
    b.site.chain_count = CHAINS;
    make_chain(&b.site.chain[WEST], "west", 2, west);
    make_chain(&b.site.chain[EAST], "east", 1, east);
    make_stocks();
    b.site.tank = b.tank;
    b.site.tank_count = TANKS;
    make_tank(BASIL, "basil", "a1f3");
    make_pump(&b.tank[BASIL], LEAF_A, (struct chain_address){ WEST, 1, 1 }, "a1f3");
    make_pump(&b.tank[BASIL], LEAF_B, (struct chain_address){ WEST, 1, 2 }, "a1f3");
    make_pump(&b.tank[BASIL], ACID, (struct chain_address){ WEST, 1, 3 }, "a1f3");
    make_pump(&b.tank[BASIL], BASE, (struct chain_address){ EAST, 1, 1 }, "c91d");
    b.tank[BASIL].recipe_count = 2;
    b.tank[BASIL].recipe[0] = (struct site_part){ 0, 1.0 };
    b.tank[BASIL].recipe[1] = (struct site_part){ 1, 1.0 };
    b.tank[BASIL].lowers_ph = 2;
    b.tank[BASIL].raises_ph = 3;
    make_tank(LETTUCE, "lettuce", "b77c");
    make_pump(&b.tank[LETTUCE], LEAF_A, (struct chain_address){ WEST, 2, 1 }, "b77c");
    make_pump(&b.tank[LETTUCE], ACID, (struct chain_address){ WEST, 2, 2 }, "b77c");
    b.tank[LETTUCE].recipe_count = 1;
    b.tank[LETTUCE].recipe[0] = (struct site_part){ 0, 1.0 };
    b.tank[LETTUCE].lowers_ph = 1;
}

/* --- what it does ----------------------------------------------------------------------------- */

static inline void keep_records(void)
{
    for (uint32_t i = 0; i < b.actions.count; i++) {
        if (b.actions.item[i].kind != ACTION_RECORD) continue;
        ck_assert_uint_lt(b.record_count, RECORDS_MAX);
        b.record[b.record_count] = b.actions.item[i].record;
        b.record_at[b.record_count++] = b.now;
    }
}

/* A fresh core that reads the journal so far: a start, or one after a crash. */
static inline void bench_start(void)
{
    struct core_identity identity = { .boot = "board" };
    struct text by = text_over(identity.by, sizeof identity.by);
    text_add(&by, "d");
    text_add_int(&by, ++b.starts);
    free(b.block);
    b.block = malloc(core_size(&b.site));
    ck_assert_ptr_nonnull(b.block);
    memset(b.block, 0xA5, core_size(&b.site)); /* core_init clears what is ever read, and no more */
    b.core = core_init(b.block, &b.site, &identity, b.now);
    for (uint32_t i = 0; i < b.record_count; i++) {
        core_restore(b.core, &b.record[i], b.record_at[i]);
    }
    core_restored(b.core, b.record_count == 0, b.now, &b.actions);
    keep_records();
}

static inline void bench_done(void)
{
    free(b.block);
    b.block = NULL;
}

static inline void step(const struct event *e)
{
    core_step(b.core, e, b.now, &b.actions);
    keep_records();
    for (uint32_t i = 0; i < b.actions.count; i++) {
        if (b.actions.item[i].kind != ACTION_AMEND) continue;
        core_amend(b.core, &b.site, b.actions.item[i].tank);
        core_amended(b.core, b.actions.item[i].tank);
    }
}

static inline void pass(int64_t span_ms)
{
    b.now.mono.ms += span_ms;
    b.now.civil.ms += span_ms;
}

/* --- what it is told -------------------------------------------------------------------------- */

static inline void tell_link(bool up)
{
    struct event e = { .kind = EVENT_LINK };
    e.link_up = up;
    step(&e);
}

static inline void tell_head(uint32_t chain, bool ready)
{
    struct event e = { .kind = EVENT_HEAD, .chain = chain };
    e.head_ready = ready;
    step(&e);
}

static inline struct event roll_of(uint32_t chain, const char *boot)
{
    const struct chain_config *config = &b.site.chain[chain];
    struct event e = { .kind = EVENT_ROLL, .chain = chain };
    e.roll = (struct chain_roll){
        .beat_ms = 2000, .max_run_ms = 120000, .max_circulate_ms = 600000, .count = config->count
    };
    text_copy(e.roll.boot, sizeof e.roll.boot, boot);
    for (uint32_t m = 0; m < config->count; m++) {
        struct chain_module *module = &e.roll.module[m];
        *module = (struct chain_module){ .position = m + 1, .channels = 4, .circulation = true };
        text_copy(module->serial, sizeof module->serial, config->module[m].serial);
    }
    return e;
}

static inline void tell_roll(uint32_t chain, const char *boot)
{
    const struct event e = roll_of(chain, boot);
    step(&e);
}

static inline void tell_claim(uint32_t chain, const char *by, int64_t reign)
{
    struct event e = { .kind = EVENT_CLAIM, .chain = chain };
    text_copy(e.claim.by, sizeof e.claim.by, by);
    e.claim.reign = reign;
    step(&e);
}

static inline struct event beat_of(uint32_t chain)
{
    struct event e = { .kind = EVENT_BEAT, .chain = chain };
    text_copy(e.beat.boot, sizeof e.beat.boot, b.core->chain[chain].roll.boot);
    e.beat.up_ms = b.now.mono.ms;
    return e;
}

static inline void tell_beat(uint32_t chain)
{
    const struct event e = beat_of(chain);
    step(&e);
}

/* ... with the current that the first chain draws. */
static inline void tell_amps(double amps)
{
    struct event e = beat_of(WEST);
    e.beat.has_amps = true;
    e.beat.amps = amps;
    step(&e);
}

static inline struct event report_of(const char *id, enum chain_state state, int64_t ran_ms)
{
    struct event e = { .kind = EVENT_REPORT, .chain = WEST };
    text_copy(e.report.id, sizeof e.report.id, id);
    text_copy(e.report.boot, sizeof e.report.boot, b.core->chain[WEST].roll.boot);
    e.report.state = state;
    e.report.ran_ms = ran_ms;
    return e;
}

static inline void tell_report(const char *id, enum chain_state state, int64_t ran_ms)
{
    const struct event e = report_of(id, state, ran_ms);
    step(&e);
}

/* A message of its own, even where it says the same again at once. */
static inline void tell_probe(uint32_t tank, enum probe_quantity q, double number)
{
    b.core->tank[tank].probe[q].has_counted = false;
    struct event e = { .kind = EVENT_READING };
    e.reading = (struct event_reading){ .tank = tank, .quantity = q, .number = number };
    step(&e);
}

/* Three readings of each are what trust takes. */
static inline void tell_water(uint32_t tank, double ec_us_cm, double ph)
{
    for (int n = 0; n < 3; n++) {
        tell_probe(tank, PROBE_TEMPERATURE, 20.0);
        tell_probe(tank, PROBE_EC, ec_us_cm);
        tell_probe(tank, PROBE_PH, ph);
    }
}

static inline void tick(void)
{
    const struct event e = { .kind = EVENT_TICK };
    step(&e);
}

/* Everything that wants to be looked at now. */
static inline void ticks(void)
{
    for (int n = 0; n < 64 && mono_since(core_wakes_at(b.core), b.now.mono) <= 0; n++) {
        tick();
    }
}

static inline bool ask_for(struct event_request request)
{
    struct event e = { .kind = EVENT_REQUEST, .request = request };
    e.request.origin.by = "test";
    step(&e);
    for (uint32_t i = 0; i < b.actions.count; i++) {
        if (b.actions.item[i].kind == ACTION_ANSWER) return b.actions.item[i].answer.ok;
    }
    ck_abort_msg("no answer");
}

/* --- what it says ----------------------------------------------------------------------------- */

static inline const char *answered(void)
{
    for (uint32_t i = 0; i < b.actions.count; i++) {
        if (b.actions.item[i].kind == ACTION_ANSWER) return b.actions.item[i].answer.reason;
    }
    return "";
}

/* The first action of that kind in the last step, or NULL. */
static inline const struct action *wants(enum action_kind kind)
{
    for (uint32_t i = 0; i < b.actions.count; i++) {
        if (b.actions.item[i].kind == kind) return &b.actions.item[i];
    }
    return NULL;
}

/* As wants, where there must be one. */
static inline const struct action *wanted(enum action_kind kind)
{
    const struct action *a = wants(kind);
    if (!a) ck_abort_msg("no action of kind %d", (int)kind);
    return a;
}

/* The newest record of that kind, or NULL. */
static inline const struct record *recorded(const char *kind)
{
    for (uint32_t i = b.record_count; i > 0; i--) {
        if (record_is(&b.record[i - 1], kind)) return &b.record[i - 1];
    }
    return NULL;
}

static inline uint32_t count_records(const char *kind)
{
    uint32_t n = 0;
    for (uint32_t i = 0; i < b.record_count; i++) {
        n += record_is(&b.record[i], kind);
    }
    return n;
}

/* What the alert of that name says; "" where none stands. */
static inline const char *alert_text(const char *id)
{
    static struct alert_view view;
    for (uint32_t i = 0; core_alert(b.core, i, &view); i++) {
        if (text_same(view.id, id)) return view.text;
    }
    return "";
}

/* A record from elsewhere, as if it stood in the journal now. */
static inline struct record *put_record(const char *kind)
{
    ck_assert_uint_lt(b.record_count, RECORDS_MAX);
    b.record_at[b.record_count] = b.now;
    record_start(&b.record[b.record_count], kind);
    return &b.record[b.record_count++];
}

static inline int64_t used_ul(uint32_t tank, uint32_t pump)
{
    return window_used(&b.core->tank[tank].pump[pump].window, DAY_MS, b.now.mono);
}

/* --- ready to dose ---------------------------------------------------------------------------- */

/* A head keeps the claim in force: the journal's newest. */
static inline void tell_kept_claim(uint32_t chain)
{
    const struct chain_claim kept = b.core->chain[chain].former;
    tell_claim(chain, kept.by, kept.reign);
}

/* The link is up, both chains are this daemon's, and a beat has just come. */
static inline void come_up(void)
{
    tell_link(true);
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_head(c, true);
        tell_roll(c, c == WEST ? "boot-w" : "boot-e");
        tell_kept_claim(c);
    }
    ticks(); /* takes over the site: the link is made anew */
    tell_link(true);
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_head(c, true);
        tell_roll(c, c == WEST ? "boot-w" : "boot-e");
        tell_kept_claim(c);
    }
    pass(2000);
    ticks();
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_claim(c, b.core->identity.by, b.core->chain[c].asked_reign);
        tell_beat(c);
        ck_assert(b.core->chain[c].ours);
    }
}

/* A bench whose first tank may be dosed, and nothing is wanted. */
static inline void bench_ready(void)
{
    bench_init();
    bench_start();
    come_up();
    tell_water(BASIL, 1200, 5.8);
    tell_water(LETTUCE, 1200, 5.8);
}

/* What a plan would have: a dose by hand of the test, circulation seen. */
static inline const struct core_command *send_dose(uint32_t tank, uint32_t pump, int64_t ul)
{
    struct core_tank *t = &b.core->tank[tank];
    const struct core_dose dose = {
        .pump = pump, .stock = LAW_FEED, .ul = ul, .ec_milli = 10000, .ph_micro = 20000
    };
    t->circulation.on = t->circulation.confirmed = true;
    t->circulation.till = mono_after(b.now.mono, HOUR_MS);
    t->step = STEP_INJECT;
    b.actions.count = 0;
    core_send_dose(b.core, tank, &dose, b.now, &b.actions);
    keep_records();
    return &t->dose;
}

#endif
