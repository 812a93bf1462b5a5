/* Worlds: the middle of every range, and draws from them. The ranges are assumptions that are told
 * in docs/plant.md; each group of them has a stream of chance of its own, so that a change in one
 * leaves the others alone. */
#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/real.h"
#include "lib/plant/reservoir.h"
#include "lib/plant/water.h"

static const double day_s = 86400.0, hour_s = 3600.0;
static const double us_cm_per_meq = 85.0; /* what labels reckon with */

enum stream {
    STREAM_TANK,
    STREAM_WATER,
    STREAM_STOCKS,
    STREAM_PROBES,
    STREAM_EVENTS,
    STREAM_FAULTS
};

static struct prng stream(uint64_t seed, enum stream which)
{
    struct prng p = prng_seed(seed);
    const uint64_t first = prng_next(&p);
    p = prng_seed(first + UINT64_C(0xd1342543de82ef95) * ((uint64_t)which + 1));
    return p;
}

static double draw(struct prng *p, double least, double most)
{
    return least + (most - least) * prng_unit(p);
}

static bool chance(struct prng *p, double of_this)
{
    return prng_unit(p) < of_this;
}

static double clip(double x, double least, double most)
{
    return x < least ? least : x > most ? most : x;
}

/* --- the middle ------------------------------------------------------------------------------- */

void reservoir_typical(struct reservoir_truth *ret)
{
    *ret = (struct reservoir_truth){
        .tank = { .volume_l = 200,
            .near_share = 0.35,
            .flow_l_min = 10,
            .mixing_factor = 0.65,
            .degc = 22,
            .co2_per_hour = 0.15,
            .co2_ppm = 600,
            .drink_share_per_day = 0.04,
            .uptake_meq_per_l = 22,
            .alkali_meq_l_day = 0.05,
            .float_valve = true,
            .source = plant_source(400, 2.0, 20, 2000) },
        .degc_swing = 1,
        .refill_days = 4,
        .refill_s = 600,
        .probe = { { .noise = 0.0075, .resolution = 10, .spikes_per_day = 1, .spike = 0.4 },
            { .noise = 0.02, .resolution = 0.01, .lag_s = 30, .spikes_per_day = 1, .spike = 2 } },
        .tells = { .alkalinity_meq_l = 2.0, .source_ec_us_cm = 400 },
        .target = { .ec_us_cm = 1800, .ph = 5.8 },
    };
}

/* --- draws ------------------------------------------------------------------------------------ */

static void draw_tank(struct reservoir_truth *t, uint64_t seed)
{
    struct prng p = stream(seed, STREAM_TANK);
    const double volume_l = 20.0 * real_exp(draw(&p, 0.0, real_log(50.0)));
    const double turnover_min = draw(&p, 5, 60), drinks = draw(&p, 0.02, 0.06);
    const double uptake = clip(draw(&p, 10, 35) * drinks, 0.275, 1.65); /* meq/L/day */
    t->tank = (struct plant_tank_config){
        .volume_l = volume_l,
        .near_share = draw(&p, 0.2, 0.5),
        .flow_l_min = volume_l / turnover_min,
        .mixing_factor = draw(&p, 0.3, 1.0),
        .degc = draw(&p, 18, 26),
        .co2_per_hour = draw(&p, 0.02, 0.5),
        .co2_ppm = draw(&p, 400, 1200),
        .drink_share_per_day = drinks,
        .uptake_meq_per_l = uptake / drinks,
        .alkali_meq_l_day = chance(&p, 0.15) ? draw(&p, -0.05, 0.0) : draw(&p, 0.01, 0.10),
        .float_valve = chance(&p, 0.5),
    };
    t->degc_swing = draw(&p, 0.5, 2.0);
    t->refill_days = draw(&p, 2, 7);
    t->refill_s = 600;
    t->probes_near = chance(&p, 0.3);
}

/* Its carbon follows from alkalinity and pH. */
static void draw_water(struct reservoir_truth *t, uint64_t seed)
{
    struct prng p = stream(seed, STREAM_WATER);
    const double alkalinity = draw(&p, 0.5, 4.0), ph = draw(&p, 7.5, 8.1);
    const double cations = draw(&p, 1.0, 5.6), least = 1.05 * alkalinity;
    struct plant_water w = { .cations = cations > least ? cations : least,
        .alkalinity = alkalinity };
    const struct water_constants k = water_constants_at(25.0, w.cations);
    const double bare = water_alkalinity_at(&w, &k, ph);
    w.carbon = 1.0;
    w.carbon = (alkalinity - bare) / (water_alkalinity_at(&w, &k, ph) - bare);
    t->tank.source = w;
    t->tells.alkalinity_meq_l = alkalinity * draw(&p, 0.9, 1.1);
    t->tells.source_ec_us_cm = plant_water_ec_us_cm(&w) * draw(&p, 0.95, 1.05);
}

static struct reservoir_pump_truth draw_pump(struct prng *p, struct plant_dose per_ml)
{
    return (struct reservoir_pump_truth){
        .per_ml = per_ml,
        .strength = draw(p, 0.9, 1.1),
        .error = draw(p, 0.9, 1.1),
        .wear = draw(p, 0.0, 0.1),
        .repeat = 0.02,
        .delay_s = draw(p, 5, 60),
    };
}

static void draw_stocks(struct reservoir_truth *t, uint64_t seed)
{
    struct prng p = stream(seed, STREAM_STOCKS);
    const double strongest = 0.04 * t->tank.volume_l; /* 0.5 mL move 0.02 meq/L */
    const double feed = draw(&p, 1.5, 3.5);
    t->pump[RESERVOIR_FEED] = draw_pump(&p, (struct plant_dose){ .cations_meq = feed,
                                                .phosphate_mmol = feed * draw(&p, 0.055, 0.075),
                                                .ammonium_mmol = feed * draw(&p, 0.0, 0.03),
                                                .alkalinity_meq = -feed * draw(&p, 0.0, 0.02) });
    const double acid = clip(draw(&p, 0.3, 1.6), 0.0, strongest);
    const double phosphoric = chance(&p, 0.3) ? acid : 0.0; /* else nitric */
    t->pump[RESERVOIR_ACID] =
        draw_pump(&p, (struct plant_dose){ .alkalinity_meq = -acid, .phosphate_mmol = phosphoric });
    const bool has_base = chance(&p, 0.5);
    const double base = clip(draw(&p, 0.2, 1.0), 0.0, strongest);
    const double carbonate = chance(&p, 0.5) ? 0.5 * base : 0.0; /* else hydroxide, of potassium */
    t->pump[RESERVOIR_BASE] =
        draw_pump(&p, (struct plant_dose){
                          .cations_meq = base, .alkalinity_meq = base, .carbon_mmol = carbonate });
    t->pump_count = has_base ? 3 : 2;
    t->tells.feed_us_cm_per_ml_l = us_cm_per_meq * feed;
    t->tells.acid_meq_ml = acid;
    t->tells.base_meq_ml = has_base ? base : 0.0;
}

static double either_sign(struct prng *p, double x)
{
    return chance(p, 0.5) ? x : -x;
}

static void draw_probes(struct reservoir_truth *t, uint64_t seed)
{
    struct prng p = stream(seed, STREAM_PROBES);
    const double again_s = chance(&p, 0.5) ? 14.0 * day_s : 0.0;
    t->ec_degc_off = draw(&p, -0.5, 0.5);
    t->ec_tempco_off = draw(&p, -0.002, 0.002);
    t->probe[RESERVOIR_EC] = (struct reservoir_probe_truth){
        .drift_per_week = draw(&p, -0.01, 0.01),
        .noise = draw(&p, 0.005, 0.01),
        .resolution = 10.0,
        .spikes_per_day = 1.0,
        .spike = 0.4,
        .recalibrated_s = again_s,
    };
    t->probe[RESERVOIR_PH] = (struct reservoir_probe_truth){
        .drift_per_week = either_sign(&p, draw(&p, 0.02, 0.05)),
        .lag_s = draw(&p, 10, 60),
        .noise = draw(&p, 0.01, 0.03),
        .resolution = 0.01,
        .spikes_per_day = 1.0,
        .spike = 2.0,
        .recalibrated_s = again_s,
    };
}

static void draw_events(struct reservoir_truth *t, uint64_t seed)
{
    struct prng p = stream(seed, STREAM_EVENTS);
    t->target = (struct reservoir_target){ .ec_us_cm = 1800, .ph = 5.8 };
    const bool changes = chance(&p, 0.5), steps = chance(&p, 0.4);
    t->change.at_s = draw(&p, 5, 23) * day_s;
    t->change.share = changes ? draw(&p, 0.15, 0.35) : 0.0;
    t->target.step_s = steps ? draw(&p, 5, 23) * day_s : 0.0;
    t->target.step_ec_us_cm = 2100;
}

static void draw_faults(struct reservoir_truth *t, uint64_t seed)
{
    struct prng p = stream(seed, STREAM_FAULTS);
    const double from_s = draw(&p, 3, 25) * day_s;
    const bool supply = chance(&p, 0.5), probe = chance(&p, 0.4);
    const bool first = chance(&p, 0.5), noisy = chance(&p, 0.5), asks = chance(&p, 0.5);
    if (supply) {
        t->outage.pump = first ? RESERVOIR_FEED : RESERVOIR_ACID;
        t->outage.from_s = from_s;
        t->outage.to_s = from_s + 36.0 * hour_s;
        return;
    }
    if (!probe) return;
    t->stuck.channel = first ? RESERVOIR_EC : RESERVOIR_PH;
    t->stuck.from_s = from_s;
    t->stuck.to_s = from_s + 24.0 * hour_s;
    t->stuck.noisy = noisy;
    const double asking = first ? -200.0 : 0.4;
    t->stuck.off = asks ? asking : 0.0;
}

void reservoir_draw(struct reservoir_truth *ret, uint64_t seed, bool faults)
{
    *ret = (struct reservoir_truth){ .starts_s = 0.0 };
    draw_tank(ret, seed);
    draw_water(ret, seed);
    draw_stocks(ret, seed);
    draw_probes(ret, seed);
    draw_events(ret, seed);
    if (faults) draw_faults(ret, seed);
}
