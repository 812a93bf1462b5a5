/* What the probes show: the truth, through lag, drift, temperature errors, noise, spikes, faults
 * and a display of so many digits. */
#include <math.h>

#include "lib/chem/quick_exp.h"
#include "lib/plant/reservoir_inside.h"

/* 0.8 and 0.6: their squares add up to 1. */
static const double white_share = 0.8, slow_share = 0.6, memory_s = 900.0;
static const double day_s = 86400.0, week_s = 604800.0;

static double drift(const struct reservoir *r, enum reservoir_channel channel)
{
    const struct reservoir_probe_truth *p = &r->truth.probe[channel];
    const bool anew = p->recalibrated_s > 0.0 && r->now_s >= p->recalibrated_s;
    return p->drift_per_week * (r->now_s - (anew ? p->recalibrated_s : 0.0)) / week_s;
}

double reservoir_shown_ec(const struct reservoir *r, double ec_us_cm)
{
    const double percent_degc = 0.02; /* that compensation takes off for each degree */
    const double off =
        percent_degc * r->truth.ec_degc_off + r->truth.ec_tempco_off * (r->tank.config.degc - 25.0);
    return ec_us_cm * (1.0 + drift(r, RESERVOIR_EC)) * (1.0 + off);
}

double reservoir_shown_ph(const struct reservoir *r, double ph)
{
    return ph + drift(r, RESERVOIR_PH);
}

static double noise(struct reservoir *r, enum reservoir_channel channel, double seconds)
{
    struct reservoir_sensor *n = &r->sensor[channel];
    const double kept = quick_exp(-seconds / memory_s);
    n->slow = kept * n->slow + sqrt(1.0 - kept * kept) * prng_normal(&r->chance);
    return r->truth.probe[channel].noise *
           (white_share * prng_normal(&r->chance) + slow_share * n->slow);
}

/* Off for this one reading? */
static double spike(struct reservoir *r, enum reservoir_channel channel, double seconds)
{
    const struct reservoir_probe_truth *p = &r->truth.probe[channel];
    const double chance = prng_unit(&r->chance);
    const double rate = p->spikes_per_day * seconds / day_s;
    if (chance >= rate) return 0.0;
    return chance < 0.5 * rate ? p->spike : -p->spike;
}

static bool is_stuck(const struct reservoir *r, enum reservoir_channel channel)
{
    const struct reservoir_truth *t = &r->truth;
    return t->stuck.channel == channel && r->now_s >= t->stuck.from_s && r->now_s < t->stuck.to_s;
}

/* EC errs by shares, pH by amounts. */
static double off_by(enum reservoir_channel channel, double value, double off)
{
    return channel == RESERVOIR_EC ? value * (1.0 + off) : value + off;
}

static double show(
    struct reservoir *r, enum reservoir_channel channel, double value, double seconds)
{
    const struct reservoir_probe_truth *p = &r->truth.probe[channel];
    struct reservoir_sensor *s = &r->sensor[channel];
    const double kept = s->begun && p->lag_s > 0.0 ? quick_exp(-seconds / p->lag_s) : 0.0;
    s->lagged = value + (s->lagged - value) * kept;
    s->begun = true;
    const double hiss = noise(r, channel, seconds), jump = spike(r, channel, seconds);
    const bool stuck = is_stuck(r, channel);
    if (stuck && !s->holds) s->held = s->lagged + r->truth.stuck.off;
    s->holds = stuck;
    double shown = off_by(channel, s->lagged, hiss + jump);
    if (stuck) shown = r->truth.stuck.noisy ? off_by(channel, s->held, hiss) : s->held;
    if (p->resolution > 0.0) shown = p->resolution * floor(shown / p->resolution + 0.5);
    return shown > 0.0 ? shown : 0.0;
}

struct reservoir_look reservoir_read(struct reservoir *r)
{
    const double seconds = r->now_s - r->read_s, grain = 0.1;
    const bool near = r->truth.probes_near;
    r->read_s = r->now_s;
    const struct plant_sight there = plant_look(&r->tank, near);
    const double ec = reservoir_shown_ec(r, there.ec_us_cm);
    const double ph = reservoir_shown_ph(r, there.ph);
    const double degc = reservoir_degc_at(r, r->now_s) + r->truth.ec_degc_off;
    return (struct reservoir_look){
        .ec_us_cm = show(r, RESERVOIR_EC, ec, seconds),
        .ph = show(r, RESERVOIR_PH, ph, seconds),
        .degc = grain * floor(degc / grain + 0.5),
    };
}
