/* Tanks, and what the pumps bring there. The water stands still until somebody asks. */
#include <string.h>

#include "tests/simulation/storm/world.h"

enum { STEP_MS = 60000, BOTTLE_ML = 5000 };

static void init_water(struct world *w, uint32_t i)
{
    const struct site *site = world_site(w);
    const struct site_tank *t = &site->tank[i];
    struct prng c = prng_seed(w->options.seed * 31 + i);
    struct basin *water = &w->water[i];
    memset(water, 0, sizeof *water);
    const struct plant_tank_config config = { .volume_l = t->volume_l,
        .near_share = 0.2 + 0.3 * prng_unit(&c),
        .flow_l_min = t->circulation.flow_l_min,
        .mixing_factor = 0.3 + 0.7 * prng_unit(&c),
        .degc = 18 + 6 * prng_unit(&c),
        .co2_ppm = 420,
        .drink_share_per_day = 0.02 + 0.06 * prng_unit(&c),
        .uptake_meq_per_l = 10 + 20 * prng_unit(&c),
        .alkali_meq_l_day = 0.01 + 0.1 * prng_unit(&c),
        .float_valve = true,
        .source = plant_source(t->source_ec_us_cm, t->source_alkalinity_meq_l, 20, 420) };
    plant_tank_init(&water->tank, &config);
    for (uint32_t p = 0; p < t->pump_count; p++) {
        const struct stock_strength *s = &site->stock[t->pump[p].stock].strength;
        water->stock[p] = (struct plant_dose){ .cations_meq = s->cations_meq_ml,
            .alkalinity_meq = -s->acid_meq_ml,
            .phosphate_mmol = s->phosphate_mmol_ml };
        water->rate[p] = t->pump[p].ml_per_s * (0.9 + 0.2 * prng_unit(&c));
    }
}

void waters_init(struct world *w)
{
    for (uint32_t i = 0; i < w->premises.tanks; i++) {
        init_water(w, i);
    }
}

void water_catch_up(struct world *w, uint32_t tank)
{
    struct basin *water = &w->water[tank];
    while (water->at_ms < w->t_ms) {
        int64_t span_ms = w->t_ms - water->at_ms;
        if (span_ms > STEP_MS) span_ms = STEP_MS;
        const bool slow = weather_lasts(&w->weather, FAULT_MIX_SLOW) && water->at_ms / 60000 % 6;
        plant_tank_step(&water->tank, (double)span_ms / 1000.0, water->flows && !slow, 1.0);
        water->at_ms += span_ms;
    }
}

/* Does a spell hit this pump of the site? */
static bool hits(const struct world *w, enum fault fault, uint32_t pump)
{
    return weather_lasts(&w->weather, fault) &&
           weather_hits(&w->weather, fault, w->premises.tanks * SLOTS) == pump;
}

bool water_pump_is(const struct world *w, enum fault fault, uint32_t tank, uint32_t slot)
{
    return hits(w, fault, tank * SLOTS + slot);
}

/* Does what this pump moves come to nothing? Its bottle is empty, it turns the wrong way or not at
 * all, or all tubes of the tank have slipped out of it. */
static bool goes_nowhere(const struct world *w, uint32_t tank, uint32_t slot)
{
    const bool slipped = weather_lasts(&w->weather, FAULT_TUBE_SLIPPED) &&
                         weather_hits(&w->weather, FAULT_TUBE_SLIPPED, w->premises.tanks) == tank;
    const uint32_t pump = tank * SLOTS + slot;
    return slipped || hits(w, FAULT_BOTTLE_EMPTY, pump) || hits(w, FAULT_PUMP_REVERSED, pump) ||
           hits(w, FAULT_PUMP_UNPLUGGED, pump);
}

void waters_tell_effects(struct world *w)
{
    for (uint32_t pump = 0; pump < w->premises.tanks * SLOTS; pump++) {
        const bool works = !goes_nowhere(w, pump / SLOTS, pump % SLOTS);
        observe_effect(w->observer, pump, works);
    }
}

/* What turns the wrong way draws from the tank: the bottle is never again what its label says. */
static void thin(struct basin *water, uint32_t slot, double ml)
{
    const double left = BOTTLE_ML / (BOTTLE_ML + ml);
    struct plant_dose *s = &water->stock[slot];
    s->cations_meq *= left;
    s->alkalinity_meq *= left;
    s->phosphate_mmol *= left;
}

/* What really comes out of its tube. */
static double gives_ml(const struct world *w, uint32_t tank, uint32_t slot, int64_t ran_ms)
{
    const uint32_t pump = tank * SLOTS + slot;
    double ml = (double)ran_ms / 1000.0 * w->water[tank].rate[slot];
    if (goes_nowhere(w, tank, slot)) return 0.0;
    if (hits(w, FAULT_PUMP_SLOW, pump)) ml *= 0.2;
    if (hits(w, FAULT_PUMP_FAST, pump)) ml *= 5.0;
    return ml;
}

void water_pour(struct world *w, uint32_t tank, uint32_t slot, int64_t ran_ms)
{
    struct basin *water = &w->water[tank];
    if (slot >= world_site(w)->tank[tank].pump_count) return;
    const uint32_t pump = tank * SLOTS + slot;
    const double ml = gives_ml(w, tank, slot, ran_ms);
    observe_poured(w->observer, pump, 1000.0 * ml);
    water->cup_ml[slot] += ml;
    if (errand_cup(w, tank)) return;
    water_catch_up(w, tank);
    const struct weather *f = &w->weather;
    const uint32_t pumps = world_site(w)->tank[tank].pump_count;
    if (hits(w, FAULT_PUMP_REVERSED, pump))
        thin(water, slot, (double)ran_ms / 1000.0 * water->rate[slot]);
    if (goes_nowhere(w, tank, slot)) return;
    if (weather_lasts(f, FAULT_WRONG_BOTTLE) && weather_hits(f, FAULT_WRONG_BOTTLE, 2) == slot % 2)
        slot = (slot + 1) % pumps;
    plant_tank_dose(&water->tank, &water->stock[slot], ml);
}

void water_flow(struct world *w, uint32_t tank, bool flows)
{
    water_catch_up(w, tank);
    w->water[tank].flows = flows;
    probes_flow_changed(w, tank);
}

void water_change(struct world *w, uint32_t tank, double share)
{
    water_catch_up(w, tank);
    plant_tank_change_water(&w->water[tank].tank, share);
    observe_disturbed(w->observer, tank);
    w->water[tank].tank.near_ph = w->water[tank].tank.far_ph = 7.0;
}
