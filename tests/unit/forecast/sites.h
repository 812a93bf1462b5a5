/* A site by hand: one chain, two tanks with four pumps each, small enough for a test to know. */
#ifndef DOSEWRIGHT_TESTS_UNIT_FORECAST_SITES_H
#define DOSEWRIGHT_TESTS_UNIT_FORECAST_SITES_H

#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/forecast/twin.h"

enum { SITE_TANKS = 2, SITE_PUMPS = 4, LEAF_A = 0, LEAF_B, ACID, BASE };

static const int64_t site_noon_ms = INT64_C(1930000000000) / DAY_MS * DAY_MS + 12 * HOUR_MS;

struct test_site {
    struct site site;
    struct site_tank tank[SITE_TANKS];
};

static inline void site_add_probe(
    struct probe_config *p, enum probe_quantity q, enum probe_unit unit, double least, double most)
{
    *p = (struct probe_config){ .present = true,
        .quantity = q,
        .unit = unit,
        .topic = "t",
        .pointer = "",
        .least = least,
        .most = most,
        .max_age_ms = 180000,
        .zero_mv = 0.0,
        .slope_percent = 98.0,
        .compensated = true,
        .compensation_percent = 1.9,
        .calibrated = true };
}

static inline void site_add_tank(struct test_site *s, uint32_t i)
{
    static const char *const keys[] = { "basil", "lettuce" };
    static const char *const serials[] = { "a1f3", "b77c" };
    struct site_tank *t = &s->tank[i];
    t->key = t->name = keys[i];
    t->volume_l = 120;
    t->source_ec_us_cm = 350;
    t->source_alkalinity_meq_l = 2.0;
    t->circulation = (struct site_circulation){ .address = { 0, i + 1, CHAIN_CIRCULATION_CHANNEL },
        .serial = serials[i],
        .flow_l_min = 12,
        .line_ml = 80,
        .flush_lines = 3 };
    site_add_probe(&t->probe[PROBE_EC], PROBE_EC, UNIT_US_CM, 10, 6000);
    site_add_probe(&t->probe[PROBE_PH], PROBE_PH, UNIT_PH, 3, 10);
    site_add_probe(&t->probe[PROBE_TEMPERATURE], PROBE_TEMPERATURE, UNIT_DEGC, 0, 45);
    t->pump_count = SITE_PUMPS;
    for (uint32_t p = 0; p < SITE_PUMPS; p++) {
        t->pump[p] = (struct site_pump){ .stock = p,
            .address = { 0, i + 1, p + 1 },
            .serial = serials[i],
            .ml_per_s = 1.0 + 0.1 * p,
            .ec_us_cm_per_ml_l = stock_ec_us_cm_per_ml_l(&s->site.stock[p].strength),
            .calibrated = true,
            .limits = {
                .smallest_ul = 500, .dose_ul = 40000, .hour_ul = 200000, .day_ul = 800000 } };
    }
    t->recipe_count = 2;
    t->recipe[0] = (struct site_part){ LEAF_A, 1.0 };
    t->recipe[1] = (struct site_part){ LEAF_B, 1.0 };
    t->lowers_ph = ACID;
    t->raises_ph = BASE;
    t->schedule = (struct crop_schedule){ .crop = "basil", .count = 1, .zone = "UTC" };
    t->schedule.stage[0] =
        (struct crop_stage){ .name = "leaf", .from = { 1400, 5.8 }, .to = { 1400, 5.8 } };
    t->planted = (struct civil){ site_noon_ms - 5 * DAY_MS };
    t->band_ec_us_cm = 100;
    t->band_ph = 0.2;
    t->envelope = (struct crop_envelope){ 200, 2500, 5.0, 7.0, 5, 35 };
    t->move = (struct move_limits){ 600000, 1000000, 7200000 };
    t->override_most_ms = 72 * HOUR_MS;
}

static inline void site_make(struct test_site *s)
{
    static const char *const stocks[] = { "leaf-a", "leaf-b", "acid", "base" };
    static const enum stock_kind kinds[] = { STOCK_NUTRIENT, STOCK_NUTRIENT, STOCK_ACID,
        STOCK_BASE };
    memset(s, 0, sizeof *s);
    s->site.key = "tern-hall";
    s->site.name = "Tern Hall school glasshouse";
    s->site.digest = "";
    s->site.stock_count = SITE_PUMPS;
    for (uint32_t i = 0; i < SITE_PUMPS; i++) {
        s->site.stock[i].key = stocks[i];
        s->site.stock[i].bottle_ul = 5000000;
        s->site.stock[i].solution.kind = kinds[i];
    }
    s->site.stock[BASE].solution.reagent = REAGENT_POTASSIUM_CARBONATE;
    s->site.stock[LEAF_A].strength.cations_meq_ml = 1.2;
    s->site.stock[LEAF_B].strength.cations_meq_ml = 1.0;
    s->site.stock[LEAF_B].strength.phosphate_mmol_ml = 0.07;
    s->site.stock[ACID].strength.acid_meq_ml = 0.4;
    s->site.stock[BASE].strength.acid_meq_ml = -0.4;
    s->site.stock[BASE].strength.cations_meq_ml = 0.4;
    s->site.stock[LEAF_A].keep_apart = 2;
    s->site.stock[LEAF_B].keep_apart = 1;
    s->site.chain_count = 1;
    s->site.chain[0] = (struct chain_config){ .key = "west",
        .device = "west",
        .supply = { .volts = 12.0, .amps = 4.0, .usable_share = 0.8 },
        .count = SITE_TANKS };
    s->site.tank = s->tank;
    s->site.tank_count = SITE_TANKS;
    for (uint32_t i = 0; i < SITE_TANKS; i++) {
        static const char *const serials[] = { "a1f3", "b77c" };
        struct chain_module_config *m = &s->site.chain[0].module[i];
        (void)text_copy(m->serial, sizeof m->serial, serials[i]);
        m->position = i + 1;
        m->channels = SITE_PUMPS;
        m->circulation = true;
        m->power = (struct supply_module){ .cable_ohm = 0.2,
            .min_volts = 10.0,
            .idle_amps = 0.05,
            .pump_amps = 0.3,
            .circulation_amps = 0.8 };
        site_add_tank(s, i);
    }
}

/* What a test sees of a twin: a digest of every record, and some counts. */
struct watched {
    struct test_site s;
    struct reservoir_truth truth[SITE_TANKS];
    struct twin_setup setup;
    void *block;
    struct twin *twin;
    uint64_t digest; /* FNV-1a over the records' fields and times */
    uint32_t records, doses, alerts;
    int64_t outcome_ul[SITE_TANKS][SITE_PUMPS];
    uint32_t emptied[SITE_PUMPS], refilled[SITE_PUMPS];
    char alert[64]; /* the last one raised */
};

static inline void watched_mix(struct watched *w, const void *bytes, size_t count)
{
    const unsigned char *b = bytes;
    for (size_t i = 0; i < count; i++) {
        w->digest = (w->digest ^ b[i]) * UINT64_C(1099511628211);
    }
}

static inline void watched_record(void *context, const struct record *r, struct now at)
{
    struct watched *w = context;
    w->records++;
    watched_mix(w, &at.mono.ms, sizeof at.mono.ms);
    for (uint32_t i = 0; i < r->count; i++) {
        const struct record_field *f = &r->field[i];
        watched_mix(w, f->key, strlen(f->key));
        watched_mix(w, &f->number, sizeof f->number);
        if (f->kind == FIELD_TEXT)
            watched_mix(w, r->pool + f->text_at, strlen(r->pool + f->text_at));
    }
    bool on = false;
    int64_t ul = 0;
    if (record_is(r, "dose")) w->doses++;
    if (record_is(r, "alert") && record_truth(r, "on", &on) && on) {
        w->alerts++;
        (void)text_copy(w->alert, sizeof w->alert, record_text_or_empty(r, "alert"));
    }
    if (!record_is(r, "outcome") || !record_int(r, "ul", &ul)) return;
    for (uint32_t t = 0; t < SITE_TANKS; t++) {
        if (!text_same(record_text_or_empty(r, "tank"), w->s.tank[t].key)) continue;
        for (uint32_t p = 0; p < SITE_PUMPS; p++) {
            if (text_same(record_text_or_empty(r, "stock"), w->s.site.stock[p].key))
                w->outcome_ul[t][p] += ul;
        }
    }
}

static inline void watched_emptied(void *context, uint32_t stock, struct now at)
{
    (void)at;
    ((struct watched *)context)->emptied[stock]++;
}

static inline void watched_refilled(void *context, uint32_t stock, struct now at)
{
    (void)at;
    ((struct watched *)context)->refilled[stock]++;
}

/* Everything but the twin itself, which a test starts once it has changed what it wants changed. */
static inline void watched_make(struct watched *w, uint64_t seed)
{
    memset(w, 0, sizeof *w);
    w->digest = UINT64_C(14695981039346656037);
    site_make(&w->s);
    for (uint32_t i = 0; i < SITE_TANKS; i++) {
        twin_assume(&w->truth[i], &w->s.site, i, seed, 1.0, 12 * HOUR_MS);
    }
    w->setup = (struct twin_setup){ .site = &w->s.site,
        .truth = w->truth,
        .seed = seed,
        .start = { { 1000000 }, { site_noon_ms }, CLOCK_SYNCED },
        .probe_every_ms = 60000,
        .beat_ms = 30000,
        .ears = { .context = w,
            .record = watched_record,
            .emptied = watched_emptied,
            .refilled = watched_refilled } };
}

static inline void watched_start(struct watched *w)
{
    w->block = malloc(twin_size(&w->s.site));
    w->twin = twin_init(w->block, &w->setup);
}

static inline void watched_end(struct watched *w)
{
    free(w->block);
}

#endif
