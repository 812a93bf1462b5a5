#include "lib/plant/reservoir.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/plant/reservoir_inside.h"

static const double day_s = 86400.0;
static const double step_most_s = 60.0; /* steps of 20 s give the same pH within 0.002 */
static const double degc_grain = 0.05;  /* constants are renewed when it has changed by this */

void reservoir_init(struct reservoir *r, const struct reservoir_truth *truth, uint64_t seed)
{
    INVARIANT(truth->pump_count <= RESERVOIR_PUMPS_MAX);
    *r = (struct reservoir){ .truth = *truth, .chance = prng_seed(seed) };
    struct plant_tank_config tank = truth->tank;
    tank.degc = reservoir_degc_at(r, 0.0);
    plant_tank_init(&r->tank, &tank);
    r->refill_due_s = truth->refill_days * day_s;
    for (uint32_t i = 0; i < truth->pump_count; i++) {
        r->left_ml[i] = truth->pump[i].bottle_ml;
    }
    for (int c = 0; c < 2; c++) {
        r->sensor[c].slow = prng_normal(&r->chance);
    }
}

/* --- sun -------------------------------------------------------------------------------------- */

/* Taylor's series about the nearest half turn: |y| <= pi / 2, and y^19 / 19! is 4e-14. */
double reservoir_wave(double x)
{
    static const double one_over_odd_factorial[] = { 1.0 / 355687428096000.0,
        -1.0 / 1307674368000.0, 1.0 / 6227020800.0, -1.0 / 39916800.0, 1.0 / 362880.0,
        -1.0 / 5040.0, 1.0 / 120.0, -1.0 / 6.0, 1.0 };
    const double pi = 3.14159265358979323846;
    const double halves = floor(2.0 * x + 0.5), odd = halves - 2.0 * floor(0.5 * halves);
    const double y = pi * (2.0 * x - halves), z = y * y;
    double series = 0.0;
    for (size_t i = 0; i < sizeof one_over_odd_factorial / sizeof one_over_odd_factorial[0]; i++) {
        series = series * z + one_over_odd_factorial[i];
    }
    return odd > 0.5 ? -y * series : y * series;
}

double reservoir_light(const struct reservoir *r, double at_s)
{
    return 1.0 + 0.9 * reservoir_wave((at_s + r->truth.starts_s) / day_s - 0.25);
}

double reservoir_degc_at(const struct reservoir *r, double at_s)
{
    const double wave = reservoir_wave((at_s + r->truth.starts_s) / day_s - 0.375);
    return r->truth.tank.degc + r->truth.degc_swing * wave;
}

/* --- time ------------------------------------------------------------------------------------- */

static double at_most(double a, double b)
{
    return a < b ? a : b;
}

void reservoir_advance(struct reservoir *r, double seconds, bool circulating)
{
    INVARIANT(seconds >= 0.0 && seconds <= day_s);
    const double end_s = r->now_s + seconds;
    while (r->now_s < end_s) {
        reservoir_begin_filling(r);
        reservoir_land(r);
        double to_s = at_most(end_s, r->now_s + step_most_s);
        to_s = at_most(to_s, reservoir_next_landing(r));
        to_s = at_most(to_s, reservoir_next_filling(r));
        const double step_s = at_most(to_s - r->now_s, step_most_s);
        const double degc = reservoir_degc_at(r, to_s);
        if (fabs(degc - r->tank.config.degc) > degc_grain) r->tank.config.degc = degc;
        const double light = reservoir_light(r, r->now_s + 0.5 * step_s);
        plant_tank_step(&r->tank, step_s, circulating, light);
        reservoir_fill(r, step_s);
        r->now_s = to_s;
    }
    reservoir_land(r);
}

/* --- truth ------------------------------------------------------------------------------------ */

struct plant_sight reservoir_mixed(const struct reservoir *r)
{
    return plant_look_mixed(&r->tank);
}

double reservoir_ec(const struct reservoir *r)
{
    return reservoir_mixed(r).ec_us_cm;
}

double reservoir_ph(const struct reservoir *r)
{
    return reservoir_mixed(r).ph;
}

double reservoir_alkalinity(const struct reservoir *r)
{
    return plant_mixed(&r->tank).alkalinity;
}

double reservoir_volume(const struct reservoir *r)
{
    return r->tank.volume_l;
}

double reservoir_degc(const struct reservoir *r)
{
    return reservoir_degc_at(r, r->now_s);
}

double reservoir_set_ec(const struct reservoir *r)
{
    const struct reservoir_target *t = &r->truth.target;
    return t->step_s > 0.0 && r->now_s >= t->step_s ? t->step_ec_us_cm : t->ec_us_cm;
}
