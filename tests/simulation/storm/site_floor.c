/* A site with probes for what else can hold a dose back: how full a tank is, and water on the
 * floor. */
#include "tests/simulation/storm/world.h"

static const struct probe_config common = { .present = true, .topic = "t", .pointer = "" };

static void draw_level(struct site_tank *t, const struct premises *p, struct prng *c)
{
    struct probe_config *l = &t->probe[PROBE_LEVEL];
    *l = common;
    l->quantity = PROBE_LEVEL;
    l->unit = UNIT_PERCENT;
    l->most = 100.0;
    l->max_age_ms = p->probe_every_ms * (2 + prng_below(c, 3)) + 10 * SECOND_MS;
    l->jump_most = prng_below(c, 2) ? 20.0 : 0.0;
    t->has_level_min = true;
    t->level_min_percent = 20.0 + (double)prng_below(c, 40);
}

static void draw_leak(struct site_tank *t, const struct premises *p, struct prng *c)
{
    struct probe_config *l = &t->probe[PROBE_LEAK];
    *l = common;
    l->quantity = PROBE_LEAK;
    l->unit = UNIT_BOOL;
    l->most = 1.0;
    l->max_age_ms = p->probe_every_ms * (3 + prng_below(c, 3)) + 10 * SECOND_MS;
    l->safe = prng_below(c, 2) == 0;
}

void premises_draw_floor(struct premises *p, uint64_t seed)
{
    struct prng c = prng_seed(seed ^ UINT64_C(0xf100));
    for (uint32_t i = 0; i < p->tanks; i++) {
        struct site_tank *t = &p->variant[0].tank[i];
        const int64_t which = prng_below(&c, 3);
        if (which != 0) draw_level(t, p, &c);
        if (which != 1) draw_leak(t, p, &c);
    }
    premises_write_rules(p, &p->variant[0]);
}

void premises_floor_rule(struct rule_tank *ret, const struct site_tank *t)
{
    ret->level_age_ms = t->has_level_min ? t->probe[PROBE_LEVEL].max_age_ms : 0;
    ret->least_level = t->level_min_percent;
    ret->leak_age_ms = t->probe[PROBE_LEAK].present ? t->probe[PROBE_LEAK].max_age_ms : 0;
}
