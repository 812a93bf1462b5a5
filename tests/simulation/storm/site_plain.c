/* Sites of which some pumps, or a circulation, hang on a general relay board: drawn from a source
 * of their own, so that all else of the site is as it is without them. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "lib/base/text.h"
#include "tests/simulation/storm/world.h"

enum { SPARE_MS = 30000 }; /* of a circulation, beside a flush: a dose, and seeing that it runs */

/* What a message of the order looks like, by what it tells; in their units' order. */
static const char *const payloads[4] = { "on", "{\"seconds\":${seconds}}", "${ms}", "ml=${ml}" };

static bool coin(struct prng *c)
{
    return prng_below(c, 2) == 0;
}

static double between(struct prng *p, double least, double most)
{
    return least + (most - least) * prng_unit(p);
}

static void draw_words(struct plain_place *place, uint32_t tank, uint32_t output, struct prng *c)
{
    struct plain_output *o = &place->output;
    (void)snprintf(place->topic, sizeof place->topic, "relay/%u/%u/set", tank, output);
    (void)snprintf(place->state_topic, sizeof place->state_topic, "relay/%u/%u", tank, output);
    o->unit = (enum plain_unit)prng_below(c, o->circulation ? 3 : 4);
    o->topic = place->topic;
    o->payload = payloads[o->unit];
    o->off_payload = "off";
    o->step_ms = coin(c) ? 1 : 100;
    if (!coin(c)) return;
    o->state_topic = place->state_topic;
    o->state_pointer = "";
}

/* The board's own limit: not less than the longest run, and not so much that nothing would fit into
 * an hour. */
static void draw_limit(struct plain_output *o, const struct site_pump *pump, struct prng *c)
{
    const double dose_ms = (double)pump->limits.dose_ul / pump->ml_per_s;
    const double hour_ms = floor((double)pump->limits.hour_ul / pump->ml_per_s);
    const double ms = ceil(dose_ms * between(c, 1.05, 3.0));
    if (o->unit != PLAIN_SWITCHED && coin(c)) return;
    o->auto_off_ms = nearest(ms < hour_ms ? ms : hour_ms);
}

static void draw_flow_limit(struct plain_output *o, const struct site_tank *t, struct prng *c)
{
    if (o->unit != PLAIN_SWITCHED && coin(c)) return;
    o->auto_off_ms = site_flush_ms(t) + SPARE_MS + prng_below(c, 10 * MINUTE_MS);
}

/* --- into the site -----------------------------------------------------------------------------
 */

static uint32_t chain_of(struct site *s, const char *key)
{
    struct chain_config *last = &s->chain[s->chain_count - 1];
    if (last->plain && text_same(last->key, key)) return s->chain_count - 1;
    s->chain[s->chain_count] = (struct chain_config){ .key = key,
        .device = key,
        .plain = true,
        .supply = { .usable_share = 1.0, .start_factor = 1.0 } };
    return s->chain_count++;
}

static void hang(struct site *s, struct site_tank *t, struct plain_place *place, uint32_t output)
{
    place->there = true;
    place->chain = chain_of(s, t->key);
    struct chain_config *chain = &s->chain[place->chain];
    struct chain_module_config *module = &chain->module[chain->count++];
    place->position = module->position = module->filed = chain->count;
    plain_serial(place->serial, &place->output);
    (void)text_copy(module->serial, sizeof module->serial, place->serial);
    module->channels = 1;
    module->circulation = place->output.circulation;
    module->plain = &place->output;
    const struct chain_address address = { place->chain, place->position,
        place->output.circulation ? CHAIN_CIRCULATION_CHANNEL : 1 };
    if (output == FLOW_SLOT) {
        t->circulation.address = address;
        t->circulation.serial = place->serial;
        return;
    }
    t->pump[output].address = address;
    t->pump[output].serial = place->serial;
}

/* Where nothing else would show that it flows there is a flow probe, and now and then beside a
 * report. */
static void draw_flow_probe(struct site_tank *t, const struct plain_output *flow, struct prng *c)
{
    if (coin(c) && flow->state_topic) return;
    t->probe[PROBE_FLOW] = (struct probe_config){ .present = true,
        .quantity = PROBE_FLOW,
        .unit = UNIT_L_MIN,
        .topic = "t",
        .pointer = "",
        .least = 0,
        .most = 1000,
        .max_age_ms = 30 * SECOND_MS };
}

/* All of the tank's outputs, its pumps, its circulation, or any. */
static bool hangs_there(int64_t manner, uint32_t output, bool any)
{
    if (manner == 1) return output != FLOW_SLOT;
    if (manner == 2) return output == FLOW_SLOT;
    return manner == 0 || any;
}

static void draw_tank(struct premises *p, uint32_t tank, struct prng *c)
{
    struct variant *v = &p->variant[0];
    struct site_tank *t = &v->tank[tank];
    const int64_t manner = prng_below(c, 4);
    for (uint32_t output = 0; output < OUTPUTS; output++) {
        if (output < FLOW_SLOT && output >= t->pump_count) continue;
        struct plain_place *place = &p->plain[tank][output];
        place->output.circulation = output == FLOW_SLOT;
        draw_words(place, tank, output, c);
        const bool any = coin(c);
        if (output == FLOW_SLOT)
            draw_flow_limit(&place->output, t, c);
        else
            draw_limit(&place->output, &t->pump[output], c);
        if (hangs_there(manner, output, any)) hang(&v->config.site, t, place, output);
    }
    const struct plain_place *flow = &p->plain[tank][FLOW_SLOT];
    if (flow->there) draw_flow_probe(t, &flow->output, c);
}

void premises_draw_plain(struct premises *p, uint64_t seed)
{
    struct prng c = prng_seed(seed ^ UINT64_C(0x91a1));
    const uint32_t first = (uint32_t)prng_below(&c, p->tanks); /* this one for certain */
    p->keeps_reports = coin(&c);
    p->answers = coin(&c);
    for (uint32_t i = 0; i < p->tanks; i++) {
        if (coin(&c) || i == first) draw_tank(p, i, &c);
    }
    premises_fit_limits(&p->variant[0]);
    premises_write_rules(p, &p->variant[0]);
}

void premises_fit_limits(struct variant *v)
{
    for (uint32_t i = 0; i < v->config.site.tank_count; i++) {
        for (uint32_t s = 0; s < v->tank[i].pump_count; s++) {
            struct site_pump *pump = &v->tank[i].pump[s];
            const int64_t full_ul = site_full_ul(&v->config.site, pump, pump->ml_per_s);
            if (pump->limits.hour_ul < full_ul) pump->limits.hour_ul = full_ul;
            if (pump->limits.day_ul < full_ul) pump->limits.day_ul = full_ul;
        }
    }
}

void premises_board_rule(struct rule_board *ret, const struct plain_output *o)
{
    *ret = (struct rule_board){ .there = o != NULL };
    if (!o) return;
    ret->switched = o->unit == PLAIN_SWITCHED;
    ret->reports = o->state_topic != NULL;
    ret->longest_ms = plain_longest_ms(o);
}
