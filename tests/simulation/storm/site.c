/* A site as an operator would write it down, drawn from the seed. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "lib/base/text.h"
#include "tests/simulation/storm/world.h"

static const char *const tank_keys[TANKS_MOST] = { "basil", "lettuce", "chard" };
static const char *const stock_keys[SLOTS] = { "leaf-a", "leaf-b", "acid", "base" };
static const char *const chain_keys[CHAINS_MOST] = { "west", "east" };

static double between(struct prng *p, double least, double most)
{
    return least + (most - least) * prng_unit(p);
}

static int64_t one_of(struct prng *p, const int64_t *from, int64_t count)
{
    return from[prng_below(p, count)];
}

static void draw_stocks(struct site *s, const struct premises *p, struct prng *c)
{
    s->stock_count = p->has_base ? 4 : 3;
    for (uint32_t i = 0; i < s->stock_count; i++) {
        s->stock[i].key = stock_keys[i];
        s->stock[i].bottle_ul = 5000000;
        s->stock[i].solution.kind = i < 2 ? STOCK_NUTRIENT : i == 2 ? STOCK_ACID : STOCK_BASE;
    }
    s->stock[0].strength.cations_meq_ml = between(c, 0.6, 1.6);
    s->stock[1].strength.cations_meq_ml = between(c, 0.6, 1.6);
    s->stock[1].strength.phosphate_mmol_ml = 0.07;
    s->stock[2].strength.acid_meq_ml = between(c, 0.2, 0.6);
    s->stock[0].keep_apart = 2;
    s->stock[1].keep_apart = 1;
    if (!p->has_base) return;
    s->stock[3].strength.acid_meq_ml = -between(c, 0.2, 0.5);
    s->stock[3].strength.cations_meq_ml = -s->stock[3].strength.acid_meq_ml;
    s->stock[2].keep_apart |= 8;
    s->stock[3].keep_apart |= 4;
}

static void draw_chains(struct site *s, const struct premises *p)
{
    s->chain_count = p->chains;
    for (uint32_t c = 0; c < p->chains; c++) {
        s->chain[c] = (struct chain_config){ .key = chain_keys[c],
            .device = chain_keys[c],
            .supply = { .volts = 12.0, .amps = 4.0, .usable_share = 0.8 },
            .count = p->modules[c] };
        for (uint32_t m = 0; m < p->modules[c]; m++) {
            struct chain_module_config *module = &s->chain[c].module[m];
            (void)text_copy(module->serial, sizeof module->serial, p->serial[c][m]);
            module->position = m + 1;
            module->channels = CHANNELS;
            module->circulation = true;
            module->power = (struct supply_module){ .cable_ohm = 0.1,
                .min_volts = 10.0,
                .idle_amps = 0.05,
                .pump_amps = 0.3,
                .circulation_amps = 0.8 };
        }
    }
}

/* Some supplies carry little more than one tank at a time, some cables leave few volts to spare. */
static void tighten(struct chain_config *c, struct prng *chance)
{
    const double idle = 0.05, least = 0.3 + 0.8;
    const double minimum = idle * c->count + least, all = (idle + least) * c->count;
    if (prng_below(chance, 3) == 0)
        c->supply.amps =
            ceil(100.0 * between(chance, minimum, all) / c->supply.usable_share) / 100.0;
    if (prng_below(chance, 3) != 0) return;
    double volts = c->supply.volts; /* at the last module while it alone works */
    for (uint32_t m = 0; m < c->count; m++) {
        struct supply_module *power = &c->module[m].power;
        power->cable_ohm = between(chance, 0.05, 0.4);
        volts -= power->cable_ohm * (idle * (c->count - m) + least);
    }
    const double needs = floor(100.0 * between(chance, 9.0, volts)) / 100.0;
    for (uint32_t m = 0; m < c->count; m++) {
        c->module[m].power.min_volts = needs;
    }
}

static void draw_probe(
    struct site_tank *t, const struct premises *p, enum probe_quantity q, struct prng *c)
{
    t->probe[q] = (struct probe_config){ .present = true,
        .quantity = q,
        .unit = q == PROBE_EC   ? UNIT_US_CM
                : q == PROBE_PH ? UNIT_PH
                                : UNIT_DEGC,
        .topic = "t",
        .pointer = "",
        .least = q == PROBE_EC   ? 10
                 : q == PROBE_PH ? 2
                                 : 0,
        .most = q == PROBE_EC   ? 6000
                : q == PROBE_PH ? 12
                                : 50,
        .max_age_ms = p->probe_every_ms * (2 + prng_below(c, 3)) + 10000,
        .compensated = true,
        .calibrated = true,
        .stuck_after_ms = prng_below(c, 2) ? 45 * MINUTE_MS : 0 };
    if (prng_below(c, 2)) t->probe[q].jump_most = q == PROBE_EC ? 300 : q == PROBE_PH ? 1.0 : 5.0;
}

static void draw_pump(
    struct variant *v, uint32_t tank, uint32_t slot, const struct premises *p, struct prng *c)
{
    static const int64_t hours[3] = { 1, 3, 6 }, days[3] = { 1, 3, 5 };
    const uint32_t chain = tank % p->chains, module = tank / p->chains;
    struct site_pump *pump = &v->tank[tank].pump[slot];
    *pump = (struct site_pump){ .stock = slot,
        .address = { chain, module + 1, slot + 1 },
        .serial = p->serial[chain][module],
        .ml_per_s = between(c, 0.4, 1.6),
        .ec_us_cm_per_ml_l = stock_ec_us_cm_per_ml_l(&v->config.site.stock[slot].strength),
        .calibrated = true };
    struct stock_limits *l = &pump->limits;
    l->smallest_ul = 500;
    l->dose_ul = nearest(1000.0 * between(c, 0.05, 0.3) * v->tank[tank].volume_l);
    l->hour_ul = l->dose_ul * one_of(c, hours, 3);
    l->day_ul = l->hour_ul * one_of(c, days, 3);
}

static void draw_tank(struct variant *v, uint32_t i, const struct premises *p, struct prng *c)
{
    struct site_tank *t = &v->tank[i];
    const uint32_t chain = i % p->chains, module = i / p->chains;
    t->key = t->name = tank_keys[i];
    t->volume_l = between(c, 30, 200);
    t->source_ec_us_cm = between(c, 100, 500);
    t->source_alkalinity_meq_l = between(c, 0.6, 3.0);
    t->circulation =
        (struct site_circulation){ .address = { chain, module + 1, CHAIN_CIRCULATION_CHANNEL },
            .serial = p->serial[chain][module],
            .flow_l_min = t->volume_l / between(c, 3, 20),
            .line_ml = between(c, 40, 200),
            .flush_lines = 3 };
    for (int q = PROBE_EC; q <= PROBE_TEMPERATURE; q++) {
        draw_probe(t, p, (enum probe_quantity)q, c);
    }
    t->pump_count = v->config.site.stock_count;
    for (uint32_t s = 0; s < t->pump_count; s++) {
        draw_pump(v, i, s, p, c);
    }
    t->recipe_count = 2;
    t->recipe[0] = (struct site_part){ 0, 1.0 };
    t->recipe[1] = (struct site_part){ 1, 1.0 };
    t->lowers_ph = 2;
    t->raises_ph = p->has_base ? 3 : -1;
    const double ec = between(c, 800, 2000), ph = between(c, 5.5, 6.3);
    t->schedule = (struct crop_schedule){ .crop = "leaf", .count = 1, .zone = "UTC" };
    t->schedule.stage[0] =
        (struct crop_stage){ .name = "leaf", .from = { ec, ph }, .to = { ec, ph } };
    t->band_ec_us_cm = 100;
    t->band_ph = 0.2;
    t->envelope = (struct crop_envelope){ 200, 2500, 5.0, 7.0, 5, 35 };
    t->move = (struct move_limits){ 600000, 1000000, (1 + prng_below(c, 4)) * 30 * MINUTE_MS };
    t->override_most_ms = 72 * HOUR_MS;
}

/* --- the same for the judge ------------------------------------------------------------------- */

/* By the label: 1.5 mS/cm of the whole recipe, or 1.5 meq/L of acid or base; the worst that was
 * seen in worlds without a defect was 0.9 and 0.8. */
static double proof_ul(
    const struct site *site, const struct site_tank *t, const struct site_pump *pump)
{
    if (pump->stock >= 2)
        return 1500.0 * t->volume_l / fabs(site->stock[pump->stock].strength.acid_meq_ml);
    double ec_us_cm = 0.0;
    for (uint32_t r = 0; r < t->recipe_count; r++) {
        ec_us_cm += t->pump[t->recipe[r].pump].ec_us_cm_per_ml_l;
    }
    return 1000.0 * t->volume_l * 1500.0 / ec_us_cm;
}

static void write_boards(struct rule_tank *ret, const struct site *site, const struct site_tank *t)
{
    const struct plain_output *flow = site_plain(site, &t->circulation.address);
    premises_board_rule(&ret->flow, flow);
    ret->flow_chain = t->circulation.address.chain;
    ret->off_ms = ret->blind_ms;
    if (flow) ret->blind_ms = t->probe[PROBE_FLOW].present ? MINUTE_MS : INT64_MAX / 4;
    for (uint32_t s = 0; s < t->pump_count; s++) {
        const struct site_pump *from = &t->pump[s];
        premises_board_rule(&ret->pump[from->stock].board, site_plain(site, &from->address));
    }
}

static void write_rule(
    struct rule_tank *ret, const struct site *site, const struct site_tank *t, int64_t beat_ms)
{
    ret->there = true;
    (void)snprintf(ret->serial, sizeof ret->serial, "%s", t->circulation.serial);
    ret->flush_ms = nearest(
        t->circulation.line_ml * t->circulation.flush_lines / t->circulation.flow_l_min * 60.0);
    ret->blind_ms = 3 * beat_ms + 20 * SECOND_MS;
    ret->spacing_ms = t->move.acid_base_spacing_ms;
    ret->least_ec_us_cm = 0.15 * t->source_ec_us_cm; /* half of where a daemon may still doubt */
    ret->planted_ms = t->planted.ms;
    premises_floor_rule(ret, t);
    for (int q = 0; q < OBSERVE_PROBES; q++) {
        ret->max_age_ms[q] = t->probe[q].max_age_ms;
        ret->stuck_ms[q] = t->probe[q].stuck_after_ms;
        ret->jump_most[q] = t->probe[q].jump_most;
    }
    for (uint32_t s = 0; s < t->pump_count; s++) {
        const struct site_pump *from = &t->pump[s];
        struct rule_pump *to = &ret->pump[from->stock];
        to->there = true;
        to->purpose = from->stock < 2 ? RULE_FEED : from->stock == 2 ? RULE_ACID : RULE_BASE;
        to->apart = (uint32_t)site->stock[from->stock].keep_apart;
        (void)snprintf(to->serial, sizeof to->serial, "%s", from->serial);
        to->channel = from->address.channel;
        to->ul_per_ms = from->ml_per_s;
        to->dose_ul = from->limits.dose_ul;
        to->hour_ul = from->limits.hour_ul;
        to->day_ul = from->limits.day_ul;
        to->proof_ul = proof_ul(site, t, from);
    }
}

static void write_chain(struct rule_chain *ret, const struct chain_config *c, int64_t beat_ms)
{
    ret->plain = c->plain;
    ret->count = c->plain ? 0 : c->count;
    ret->volts = c->supply.volts;
    ret->usable_amps = c->supply.amps * c->supply.usable_share;
    ret->beat_ms = beat_ms;
    ret->longest_ms[0] = HEAD_CIRCULATES_MS;
    ret->longest_ms[1] = HEAD_RUNS_MS;
    for (uint32_t m = 0; m < ret->count; m++) {
        const struct supply_module *from = &c->module[m].power;
        struct rule_module *to = &ret->module[m];
        (void)text_copy(to->serial, sizeof to->serial, c->module[m].serial);
        to->ohm = from->cable_ohm;
        to->least_volts = from->min_volts;
        to->idle_amps = from->idle_amps;
        to->pump_amps = from->pump_amps;
        to->flow_amps = from->circulation_amps;
    }
}

void premises_write_rules(const struct premises *p, struct variant *v)
{
    const int64_t beat_ms = p->beat_ms;
    memset(&v->rules, 0, sizeof v->rules);
    for (uint32_t c = 0; c < v->config.site.chain_count; c++) {
        write_chain(&v->rules.chain[c], &v->config.site.chain[c], beat_ms);
    }
    for (uint32_t i = 0; i < v->config.site.tank_count; i++) {
        write_rule(&v->rules.tank[i], &v->config.site, &v->tank[i], beat_ms);
        write_boards(&v->rules.tank[i], &v->config.site, &v->tank[i]);
    }
}

/* --- all of it -------------------------------------------------------------------------------- */

static void draw_variant(
    struct variant *v, const struct premises *p, struct prng *c, int64_t at_ms, struct prng *supply)
{
    struct site *s = &v->config.site;
    s->key = "tern-hall";
    s->name = "Tern Hall school glasshouse";
    s->digest = "";
    s->tank_count = p->tanks;
    s->tank = v->tank;
    s->water_every_ms = prng_below(c, 3) == 0 ? 10 * MINUTE_MS : 0;
    v->config.homie_domain = "homie";
    v->config.journal_dir = "journal";
    v->config.keep_days = 2;
    draw_stocks(s, p, c);
    draw_chains(s, p);
    for (uint32_t i = 0; i < p->chains; i++) {
        tighten(&s->chain[i], supply);
    }
    for (uint32_t i = 0; i < p->tanks; i++) {
        draw_tank(v, i, p, c);
        v->tank[i].planted = (struct civil){ at_ms - 5 * DAY_MS };
    }
    premises_write_rules(p, v);
}

static void scale_limits(struct variant *v, double by)
{
    for (uint32_t i = 0; i < v->config.site.tank_count; i++) {
        for (uint32_t s = 0; s < v->tank[i].pump_count; s++) {
            struct stock_limits *l = &v->tank[i].pump[s].limits;
            l->dose_ul = nearest((double)l->dose_ul * by);
            if (l->dose_ul < l->smallest_ul) l->dose_ul = l->smallest_ul;
            l->hour_ul = nearest((double)l->hour_ul * by);
            if (l->hour_ul < l->dose_ul) l->hour_ul = l->dose_ul;
            l->day_ul = nearest((double)l->day_ul * by);
            if (l->day_ul < l->hour_ul) l->day_ul = l->hour_ul;
        }
    }
}

/* The last one, and with it the chain of its plain outputs. */
static void drop_tank(struct site *s)
{
    const char *key = s->tank[--s->tank_count].key;
    const struct chain_config *last = &s->chain[s->chain_count - 1];
    if (last->plain && text_same(last->key, key)) s->chain_count--;
}

/* Raised limits, lowered ones, and a tank less. */
static void draw_others(struct premises *p)
{
    for (uint32_t i = 1; i < VARIANTS; i++) {
        struct variant *v = &p->variant[i];
        *v = p->variant[0];
        v->config.site.tank = v->tank;
        if (i == 1) scale_limits(v, 1.5);
        if (i == 2) scale_limits(v, 0.4);
        if (i == 3 && p->tanks > 1) drop_tank(&v->config.site);
        premises_fit_limits(v);
        premises_write_rules(p, v);
    }
}

/* What a measured volume is held against. */
static void file_rates(struct variant *v)
{
    for (uint32_t i = 0; i < v->config.site.tank_count; i++) {
        for (uint32_t s = 0; s < v->tank[i].pump_count; s++) {
            v->tank[i].pump[s].filed_ml_per_s = v->tank[i].pump[s].ml_per_s;
        }
    }
}

void premises_draw(struct premises *p, uint64_t seed, int64_t civil_ms, const struct manner *is)
{
    static const int64_t cadences[3] = { 30 * SECOND_MS, 60 * SECOND_MS, 120 * SECOND_MS };
    static const int64_t beats[3] = { 10 * SECOND_MS, 20 * SECOND_MS, 30 * SECOND_MS };
    struct prng c = prng_seed(seed ^ UINT64_C(0x517e));
    memset(p, 0, sizeof *p);
    p->tanks = 1 + (uint32_t)prng_below(&c, TANKS_MOST);
    p->chains = p->tanks > 1 ? 1 + (uint32_t)prng_below(&c, 2) : 1;
    p->has_base = prng_below(&c, 2) == 0;
    p->probe_every_ms = one_of(&c, cadences, 3);
    p->beat_ms = one_of(&c, beats, 3);
    for (uint32_t i = 0; i < p->chains; i++) {
        p->modules[i] = (p->tanks + p->chains - 1 - i) / p->chains;
        for (uint32_t m = 0; m < p->modules[i]; m++) {
            (void)snprintf(p->serial[i][m], CHAIN_WORD_MAX, "%s-%04x", i ? "e" : "w",
                (unsigned)prng_below(&c, 65536));
        }
    }
    struct prng supply = prng_seed(seed ^ UINT64_C(0x5099));
    draw_variant(&p->variant[0], p, &c, civil_ms, &supply);
    if (is->plain) premises_draw_plain(p, seed);
    if (is->measures) file_rates(&p->variant[0]);
    if (is->floor) premises_draw_floor(p, seed);
    if (is->is_signed) {
        p->variant[0].config.site.signer_count = 1;
        p->variant[0].config.site.signer[0] = "rota";
    }
    draw_others(p);
}
