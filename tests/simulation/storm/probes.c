/* What the probes say, and how they lie. */
#include <math.h>

#include "tests/simulation/storm/world.h"

enum {
    STORM_READINGS = 300,
    FLOWS_EVERY_MS = 4000,
    STANDS_EVERY_MS = 20000,
    FLOW_AFTER_MS = 1000,
};

void probes_init(struct world *w)
{
    w->probes.chance = prng_seed(w->options.seed ^ UINT64_C(0x9405e));
    w->probes.floor_chance = prng_seed(w->options.seed ^ UINT64_C(0xf10c));
    for (uint32_t i = 0; i < w->premises.tanks; i++) {
        w->probes.due_ms[i] = w->t_ms + 1000 + prng_below(&w->probes.chance, 20000);
        const bool flow = world_site(w)->tank[i].probe[PROBE_FLOW].present;
        w->probes.flow_ms[i] = flow ? w->t_ms + 1000 : INT64_MAX;
        w->probes.floor_ms[i] = floor_probe_begin(w, i);
    }
}

int64_t probes_due(const struct world *w)
{
    int64_t due_ms = INT64_MAX;
    for (uint32_t i = 0; i < w->premises.tanks; i++) {
        if (w->probes.due_ms[i] < due_ms) due_ms = w->probes.due_ms[i];
        if (w->probes.flow_ms[i] < due_ms) due_ms = w->probes.flow_ms[i];
        if (w->probes.floor_ms[i] < due_ms) due_ms = w->probes.floor_ms[i];
    }
    return due_ms;
}

/* A spell hits one probe of one tank: 0 EC, 1 pH, 2 temperature. */
static bool hits(const struct world *w, enum fault fault, uint32_t tank, enum probe_quantity q)
{
    const uint32_t probes = 3 * w->premises.tanks;
    return weather_lasts(&w->weather, fault) &&
           weather_hits(&w->weather, fault, probes) == tank * 3 + (uint32_t)q;
}

static bool hits_tank(const struct world *w, enum fault fault, uint32_t tank)
{
    return weather_lasts(&w->weather, fault) &&
           weather_hits(&w->weather, fault, w->premises.tanks) == tank;
}

/* What a broken probe shows instead. */
static double distort(struct world *w, uint32_t tank, enum probe_quantity q, double value)
{
    const struct weather *f = &w->weather;
    const struct probe_config *p = &world_site(w)->tank[tank].probe[q];
    if (hits(w, FAULT_PROBE_DRIFT, tank, q)) {
        const double hours = (double)(f->until_ms[FAULT_PROBE_DRIFT] - w->t_ms) / (double)HOUR_MS;
        value += (q == PROBE_EC ? 40.0 : 0.1) * (15.0 - hours) *
                 (f->draw[FAULT_PROBE_DRIFT] % 2 ? 1 : -1);
    }
    if (hits(w, FAULT_PROBE_RAIL, tank, q))
        value = f->draw[FAULT_PROBE_RAIL] % 2 ? p->most : p->least;
    if (hits(w, FAULT_PROBE_UNIT_SLIP, tank, q))
        value *= f->draw[FAULT_PROBE_UNIT_SLIP] % 2 ? 0.1 : 1000;
    if (hits(w, FAULT_PROBE_NEGATIVE, tank, q)) value = -value;
    if (hits(w, FAULT_PROBE_DRY, tank, q)) value = q == PROBE_EC ? 12.0 : value + 1.5;
    if (hits(w, FAULT_PROBE_BUFFER, tank, q))
        value = q == PROBE_EC ? 1413.0 : q == PROBE_PH ? 4.01 : value;
    if (hits_tank(w, FAULT_FORGED_READINGS, tank))
        value = q == PROBE_EC ? 300.0 + value / 100 : q == PROBE_PH ? 7.5 : value;
    if (weather_strikes(&w->weather, FAULT_PROBE_SPIKE)) value *= 1.4;
    return value;
}

static void say(struct world *w, uint32_t tank, enum probe_quantity q, double value)
{
    struct event e;
    if (hits(w, FAULT_PROBE_SILENT, tank, q)) return;
    e.kind = EVENT_READING;
    e.reading = (struct event_reading){ .tank = tank, .quantity = q, .number = value };
    if (hits(w, FAULT_PROBE_NAN, tank, q)) {
        e.reading.verdict = PROBE_NOT_A_NUMBER;
        e.reading.number = 0.0;
    }
    e.reading.retained = weather_strikes(&w->weather, FAULT_READING_RETAINED);
    for (uint32_t b = 0; b < BOARDS; b++) {
        net_tell(w, b, CHAINS_MOST, &e);
    }
}

static void read_tank(struct world *w, uint32_t i)
{
    struct prng *c = &w->probes.chance;
    struct probes *p = &w->probes;
    water_catch_up(w, i);
    const struct plant_sight sight = plant_look(&w->water[i].tank, false);
    double shown[2] = { sight.ec_us_cm * (1.0 + 0.004 * prng_normal(c)),
        sight.ph + 0.01 * prng_normal(c) };
    const bool freezes = hits_tank(w, FAULT_PROBE_FROZEN, i);
    for (int q = 0; q < 2 && freezes; q++) {
        if (p->holds[i]) shown[q] = p->held[i][q];
        p->held[i][q] = shown[q];
    }
    p->holds[i] = freezes;
    const bool swapped = hits_tank(w, FAULT_PROBE_SWAPPED, i);
    say(w, i, PROBE_TEMPERATURE,
        distort(w, i, PROBE_TEMPERATURE, w->water[i].tank.config.degc + 0.05 * prng_normal(c)));
    say(w, i, PROBE_EC, distort(w, i, PROBE_EC, shown[swapped ? 1 : 0]));
    say(w, i, PROBE_PH, distort(w, i, PROBE_PH, shown[swapped ? 0 : 1]));
}

/* A flow meter says more while it turns. */
static void read_flow(struct world *w, uint32_t i)
{
    struct event e;
    e.kind = EVENT_READING;
    e.reading = (struct event_reading){ .tank = i,
        .quantity = PROBE_FLOW,
        .number = w->water[i].flows ? world_site(w)->tank[i].circulation.flow_l_min : 0.0 };
    for (uint32_t b = 0; b < BOARDS; b++) {
        net_tell(w, b, CHAINS_MOST, &e);
    }
    w->probes.flow_ms[i] = w->t_ms + (w->water[i].flows ? FLOWS_EVERY_MS : STANDS_EVERY_MS);
}

void probes_flow_changed(struct world *w, uint32_t tank)
{
    if (w->probes.flow_ms[tank] != INT64_MAX) w->probes.flow_ms[tank] = w->t_ms + FLOW_AFTER_MS;
}

void probes_turn(struct world *w)
{
    for (uint32_t i = 0; i < w->premises.tanks; i++) {
        if (w->probes.flow_ms[i] <= w->t_ms) read_flow(w, i);
        if (w->probes.floor_ms[i] <= w->t_ms) floor_probe_read(w, i);
        if (w->probes.due_ms[i] > w->t_ms) continue;
        w->probes.due_ms[i] = w->t_ms + w->premises.probe_every_ms;
        if (hits_tank(w, FAULT_PROBE_LATE, i))
            w->probes.due_ms[i] += prng_below(&w->probes.chance, 6 * w->premises.probe_every_ms);
        read_tank(w, i);
    }
}

/* Thousands in a moment. */
void probes_storm(struct world *w)
{
    for (int n = 0; n < STORM_READINGS; n++) {
        read_tank(w, (uint32_t)n % w->premises.tanks);
    }
}
