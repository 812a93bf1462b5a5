/* What the probes say, and what the judge is told of it. */
#include "tests/simulation/storm/world.h"

void probes_init(struct world *w)
{
    w->probes.chance = prng_seed(w->options.seed ^ UINT64_C(0x9405e));
    for (uint32_t i = 0; i < w->premises.tanks; i++) {
        w->probes.due_ms[i] = w->t_ms + 1000 + prng_below(&w->probes.chance, 20000);
    }
}

int64_t probes_due(const struct world *w)
{
    int64_t due_ms = INT64_MAX;
    for (uint32_t i = 0; i < w->premises.tanks; i++) {
        if (w->probes.due_ms[i] < due_ms) due_ms = w->probes.due_ms[i];
    }
    return due_ms;
}

static void say(struct world *w, uint32_t tank, enum probe_quantity q, double value)
{
    struct event e;
    e.kind = EVENT_READING;
    e.reading = (struct event_reading){ .tank = tank, .quantity = q, .number = value };
    for (uint32_t b = 0; b < BOARDS; b++) {
        net_tell(w, b, CHAINS_MOST, &e);
    }
}

static void read_tank(struct world *w, uint32_t i)
{
    struct prng *c = &w->probes.chance;
    water_catch_up(w, i);
    const struct plant_sight sight = plant_look(&w->water[i].tank, false);
    say(w, i, PROBE_TEMPERATURE, w->water[i].tank.config.degc + 0.05 * prng_normal(c));
    say(w, i, PROBE_EC, sight.ec_us_cm * (1.0 + 0.004 * prng_normal(c)));
    say(w, i, PROBE_PH, sight.ph + 0.01 * prng_normal(c));
}

void probes_turn(struct world *w)
{
    for (uint32_t i = 0; i < w->premises.tanks; i++) {
        if (w->probes.due_ms[i] > w->t_ms) continue;
        w->probes.due_ms[i] = w->t_ms + w->premises.probe_every_ms;
        read_tank(w, i);
    }
}
