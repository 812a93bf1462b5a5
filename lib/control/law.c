#include "lib/control/law.h"

#include <math.h>
#include <string.h>

#include "lib/base/real.h"
#include "lib/control/law_inside.h"

/* Parts of the turnover: with perfect mixing in one vessel the time constant is 1 of it, with a
 * jet that stirs well far less (from memory: 0.3 to 1). */
static const double pace[LAW_PACES] = { 0.33, 0.48, 0.70, 1.0 };

/* -1: the probe hangs away from the injection; else beside it, in 40 % or 25 % of the water. */
static const double place[LAW_PLACES] = { -1.0, 1.5, 3.0 };
static const double place_weight[LAW_PLACES] = { 0.7, 0.15, 0.15 };

static const double gain_sd_feed = 0.20, gain_sd_ph = 0.35;
static const double pull_start = 0.05, pull_sd = 0.10; /* meq/L for each mS/cm of feed */
static const double noise_ec_us_cm = 15.0, noise_ph = 0.02;
static const double rate_sd_ec = 10.0, rate_sd_ph = 0.02;
static const double far = 1e8; /* variance of what nothing is known of */

static double square(double x)
{
    return x * x;
}

double law_pace_s(const struct law_config *config, int guess)
{
    return pace[guess / LAW_PLACES] * config->turnover_s;
}

double law_place(int guess)
{
    return place[guess % LAW_PLACES];
}

double law_mix_s(const struct law *law, const struct law_config *config)
{
    double mean_s = 0.0;
    for (int g = 0; g < LAW_GUESSES; g++) {
        mean_s += law->weight[g] * law_pace_s(config, g);
    }
    return mean_s;
}

double law_mix_long_s(const struct law *law, const struct law_config *config)
{
    const double mean_s = law_mix_s(law, config);
    double variance = 0.0;
    for (int g = 0; g < LAW_GUESSES; g++) {
        variance += law->weight[g] * square(law_pace_s(config, g) - mean_s);
    }
    return mean_s + sqrt(variance);
}

struct buffer law_buffer(const struct law *law, const struct law_config *config, double ec_us_cm)
{
    static const double usual_per_us_cm = 0.7e-3; /* 0.06 mmol/L for each 85 uS/cm of feed */
    const double per =
        config->phosphate_per_us_cm > 0.0 ? config->phosphate_per_us_cm : usual_per_us_cm;
    const double above = ec_us_cm - config->source_ec_us_cm;
    return (struct buffer){ law->carbon, per * (above > 0.0 ? above : 0.0) + 0.02 };
}

void law_init(struct law *law, const struct law_config *config, struct mono now)
{
    memset(law, 0, sizeof *law);
    law->at = law->looked = now;
    for (int g = 0; g < LAW_GUESSES; g++) {
        law->weight[g] = place_weight[g % LAW_PLACES] / LAW_PACES;
    }
    struct filter *ec = &law->pair[0].ec, *ph = &law->pair[0].ph;
    filter_set(ec, EC_STATES, EC_LEVEL, 0.0, far);
    filter_set(ec, EC_STATES, EC_RATE, 0.0, square(rate_sd_ec));
    filter_set(ec, EC_STATES, EC_GAIN, 1.0, square(gain_sd_feed));
    filter_set(ph, PH_STATES, PH_LEVEL, 0.0, far);
    filter_set(ph, PH_STATES, PH_RATE, 0.0, square(rate_sd_ph));
    filter_set(ph, PH_STATES, PH_GAIN, 1.0, square(gain_sd_ph));
    filter_set(ph, PH_STATES, PH_FEED, pull_start, square(pull_sd));
    law->channel[0].noise = noise_ec_us_cm;
    law->channel[1].noise = noise_ph;
    law->carbon = config->alkalinity_meq_l + 0.05;
    law_disturb(law, config, now);
}

/* --- guesses ---------------------------------------------------------------------------------- */

void law_split(struct law *law)
{
    if (law->mixing) return;
    for (int g = 1; g < LAW_GUESSES; g++) {
        law->pair[g] = law->pair[0];
    }
    law->mixing = true;
}

static void blend(struct filter *ret, const struct law *law, int n, bool ec)
{
    struct filter sum = { { 0 }, { 0 } };
    for (int g = 0; g < LAW_GUESSES; g++) {
        const struct filter *f = ec ? &law->pair[g].ec : &law->pair[g].ph;
        for (int i = 0; i < n; i++) {
            sum.x[i] += law->weight[g] * f->x[i];
        }
    }
    for (int g = 0; g < LAW_GUESSES; g++) {
        const struct filter *f = ec ? &law->pair[g].ec : &law->pair[g].ph;
        for (int i = 0; i < n; i++) {
            for (int j = 0; j <= i; j++) {
                sum.p[filter_at(i, j)] +=
                    law->weight[g] *
                    (filter_cov(f, i, j) + (f->x[i] - sum.x[i]) * (f->x[j] - sum.x[j]));
            }
        }
    }
    *ret = sum;
}

void law_merge(struct law *law)
{
    if (!law->mixing) return;
    struct law_pair one;
    memset(&one, 0, sizeof one);
    blend(&one.ec, law, EC_STATES, true);
    blend(&one.ph, law, PH_STATES, false);
    filter_set(&one.ec, EC_STATES, EC_UNMIXED, 0.0, 0.0);
    filter_set(&one.ph, PH_STATES, PH_UNMIXED, 0.0, 0.0);
    law->pair[0] = one;
    law->mixing = false;
}

static struct law_moments moments(const struct filter *f, int unmixed)
{
    return (struct law_moments){
        .level = f->x[EC_LEVEL],
        .rate = f->x[EC_RATE],
        .gain = f->x[EC_GAIN],
        .unmixed = f->x[unmixed],
        .level_variance = filter_cov(f, EC_LEVEL, EC_LEVEL),
        .gain_variance = filter_cov(f, EC_GAIN, EC_GAIN),
        .level_gain = filter_cov(f, EC_LEVEL, EC_GAIN),
        .unmixed_variance = filter_cov(f, unmixed, unmixed),
    };
}

struct law_moments law_moments_ec(const struct law *law)
{
    struct filter all = law->pair[0].ec;
    if (law->mixing) blend(&all, law, EC_STATES, true);
    return moments(&all, EC_UNMIXED);
}

struct law_moments law_moments_ph(const struct law *law)
{
    struct filter all = law->pair[0].ph;
    if (law->mixing) blend(&all, law, PH_STATES, false);
    struct law_moments m = moments(&all, PH_UNMIXED);
    m.feed_pull = all.x[PH_FEED];
    m.pull_variance = filter_cov(&all, PH_FEED, PH_FEED);
    return m;
}

/* --- what happened ---------------------------------------------------------------------------- */

/* Pump and mixing never repeat exactly: part of the dose. */
static const double dose_sd = 0.04;

/* A guess's place is rough where the probe hangs beside the injection. */
static double place_sd(int guess)
{
    return law_place(guess) < 0.0 ? 0.1 : 0.4 * law_place(guess);
}

/* 'effect' of a dose is 'by' times the state 'from': it moves the level, and what isn't mixed. */
static void dose_filter(struct filter *f, int n, int unmixed, int guess, int from, double by)
{
    const double effect = fabs(by * f->x[from]), k = law_place(guess);
    const double spread = square(dose_sd * effect);
    filter_add(f, n, EC_LEVEL, from, by);
    filter_add(f, n, unmixed, from, k * by);
    f->p[filter_at(EC_LEVEL, EC_LEVEL)] += spread;
    f->p[filter_at(EC_LEVEL, unmixed)] += k * spread;
    f->p[filter_at(unmixed, unmixed)] += k * k * spread + square(place_sd(guess) * effect);
}

void law_dose_pair(struct law_pair *pair, int guess, enum law_stock stock, double amount)
{
    static const double us_cm_per_ms_cm = 1000.0;
    switch (stock) {
    case LAW_FEED:
        dose_filter(&pair->ec, EC_STATES, EC_UNMIXED, guess, EC_GAIN, amount);
        dose_filter(&pair->ph, PH_STATES, PH_UNMIXED, guess, PH_FEED, -amount / us_cm_per_ms_cm);
        break;
    case LAW_ACID:
    case LAW_BASE:
        dose_filter(
            &pair->ph, PH_STATES, PH_UNMIXED, guess, PH_GAIN, stock == LAW_ACID ? -amount : amount);
        break;
    case LAW_STOCKS:
        break;
    }
}

void law_gave(struct law *law, const struct law_config *config, enum law_stock stock, double amount,
    bool sure, struct mono at)
{
    if (!(amount > 0.0)) return;
    law_advance(law, config, at, true);
    law_episode_gave(law, config, stock, amount, sure, at);
    law_split(law);
    for (int g = 0; g < LAW_GUESSES; g++) {
        law_dose_pair(&law->pair[g], g, stock, amount);
    }
    struct law_stock_watch *w = &law->watch[stock];
    w->hour += amount;
    w->day += amount;
    w->gave = at;
    w->has_given = true;
    law->mixed_s = 0.0;
}

void law_disturb(struct law *law, const struct law_config *config, struct mono at)
{
    law_advance(law, config, at, true);
    law_split(law);
    law->episode.doubtful = true;
    law->mixed_s = 0.0;
    const double ph = 2.0 * config->band_ph;
    const struct law_moments ec = law_moments_ec(law), alk = law_moments_ph(law);
    const struct buffer b = law_buffer(law, config, ec.level);
    const double slope = law->channel[1].begun ? buffer_slope(&b, buffer_ph(&b, alk.level)) : 1.0;
    for (int g = 0; g < LAW_GUESSES; g++) {
        struct filter *e = &law->pair[g].ec, *p = &law->pair[g].ph;
        e->p[filter_at(EC_LEVEL, EC_LEVEL)] += square(4.0 * config->band_ec_us_cm);
        e->p[filter_at(EC_UNMIXED, EC_UNMIXED)] += square(2.0 * config->band_ec_us_cm);
        p->p[filter_at(PH_LEVEL, PH_LEVEL)] += square(2.0 * ph * slope);
        p->p[filter_at(PH_UNMIXED, PH_UNMIXED)] += square(ph * slope);
    }
}
