/* What the probes of level and leak say, and how they lie. Nothing ever leaks here, and a float
 * valve keeps the tanks full. */
#include "tests/simulation/storm/world.h"

enum { FULL_PERCENT = 85 };

/* How a probe lies: that all is wrong, that all is well, now this and now that, nothing at all, or
 * no number. */
enum lie { LIE_NONE, LIE_BAD, LIE_GOOD, LIE_FLAPS, LIE_SILENT, LIE_NO_NUMBER, LIES };

static enum lie lie_of(const struct world *w, enum fault fault, uint32_t tank)
{
    const bool hit = weather_lasts(&w->weather, fault) &&
                     weather_hits(&w->weather, fault, w->premises.tanks) == tank;
    return hit ? (enum lie)(1 + w->weather.draw[fault] / 8 % (LIES - 1)) : LIE_NONE;
}

int64_t floor_probe_begin(struct world *w, uint32_t tank)
{
    const struct site_tank *t = &world_site(w)->tank[tank];
    const bool any = t->probe[PROBE_LEVEL].present || t->probe[PROBE_LEAK].present;
    return any ? w->t_ms + 1 + prng_below(&w->probes.floor_chance, 10 * SECOND_MS) : INT64_MAX;
}

static void say(struct world *w, uint32_t tank, enum probe_quantity q, enum lie lie, double number)
{
    struct event e;
    if (!world_site(w)->tank[tank].probe[q].present || lie == LIE_SILENT) return;
    e.kind = EVENT_READING;
    e.reading = (struct event_reading){ .tank = tank, .quantity = q, .number = number };
    if (lie == LIE_NO_NUMBER) {
        e.reading.verdict = PROBE_NOT_A_NUMBER;
        e.reading.number = 0.0;
    }
    e.reading.retained = weather_strikes(&w->weather, FAULT_READING_RETAINED);
    for (uint32_t b = 0; b < BOARDS; b++) {
        net_tell(w, b, CHAINS_MOST, &e);
    }
}

static bool bad_now(struct world *w, enum lie lie)
{
    return lie == LIE_BAD || (lie == LIE_FLAPS && prng_below(&w->probes.floor_chance, 2) == 0);
}

static double level_shown(struct world *w, uint32_t tank, enum lie lie)
{
    struct prng *c = &w->probes.floor_chance;
    const double least = world_site(w)->tank[tank].level_min_percent;
    if (bad_now(w, lie)) return least * prng_unit(c);
    return lie == LIE_GOOD ? 100.0 : FULL_PERCENT + 0.3 * prng_normal(c);
}

void floor_probe_read(struct world *w, uint32_t tank)
{
    const bool safe = world_site(w)->tank[tank].probe[PROBE_LEAK].safe;
    const enum lie level = lie_of(w, FAULT_LEVEL_LIES, tank);
    const enum lie leak = lie_of(w, FAULT_LEAK_LIES, tank);
    say(w, tank, PROBE_LEVEL, level, level_shown(w, tank, level));
    say(w, tank, PROBE_LEAK, leak, bad_now(w, leak) == safe ? 0.0 : 1.0);
    w->probes.floor_ms[tank] = w->t_ms + w->premises.probe_every_ms;
}
