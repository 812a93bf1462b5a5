#include "lib/control/law.h"

#include <math.h>
#include <string.h>

#include "lib/chem/quick_exp.h"
#include "lib/control/law_inside.h"

/* Parts of the turnover: with perfect mixing in one vessel the time constant is 1 of it, with a
 * jet that stirs well far less (from memory: 0.3 to 1). */
static const double pace[LAW_PACES] = { 0.33, 0.43, 0.55, 0.68, 0.84, 1.02 };

/* -1: the probe hangs away from the injection; else beside it, in 40 % or 25 % of the water. */
static const double place[LAW_PLACES] = { -1.0, 1.5, 3.0 };
static const double place_weight[LAW_PLACES] = { 0.7, 0.15, 0.15 };

/* Thin water gains more EC from an ion than the working solution that labels are meant for. */
static const double first_gain = 1.08;
static const double gain_sd_feed = 0.20, gain_sd_ph = 0.10;
static const double pull_start = 0.05, pull_sd = 0.10; /* meq/L for each mS/cm of feed */
static const double noise_ec_us_cm = 15.0, noise_ph = 0.02;
static const double rate_sd_ec = 10.0, rate_sd_ph = 0.02;
static const double far = 1e8; /* variance of what nothing is known of */

static double first_weight(int guess)
{
    return place_weight[guess % LAW_PLACES] / LAW_PACES;
}

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

double law_way_s(const struct law_config *config)
{
    static const double way_s = 90.0, of_turnover = 0.3;
    return of_turnover * config->turnover_s < way_s ? of_turnover * config->turnover_s : way_s;
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

double law_phosphate(const struct law_config *config, double ec_us_cm)
{
    static const double usual_per_us_cm = 0.7e-3; /* 0.06 mmol/L for each 85 uS/cm of feed */
    const double per =
        config->phosphate_per_us_cm > 0.0 ? config->phosphate_per_us_cm : usual_per_us_cm;
    const double above = ec_us_cm - config->source_ec_us_cm;
    return per * (above > 0.0 ? above : 0.0) + 0.02;
}

struct buffer law_buffer(const struct law *law, const struct law_config *config)
{
    const double ec = law->channel[0].begun ? law->channel[0].mean : config->source_ec_us_cm;
    return (struct buffer){ law->carbon, law_phosphate(config, ec) };
}

void law_set_carbon(struct law *law, const struct law_config *config, double carbon, double low)
{
    /* Where phosphate is overestimated, less than no carbon makes up for it. */
    static const double of_phosphate = -0.16, whatever = -0.3; /* mmol/L, before EC is known */
    const double least =
        law->channel[0].begun ? of_phosphate * law_buffer(law, config).phosphate : whatever;
    if (!(carbon > least)) carbon = least;
    if (law->channel[1].begun) {
        const double share = buffer_parts_at(0.0, law->channel[1].mean).share;
        for (int g = 0; g < (law->mixing ? LAW_GUESSES : 1); g++) {
            law->pair[g].ph.x[PH_LEVEL] += share * (carbon - law->carbon);
        }
    }
    law->carbon = carbon;
    law->carbon_low = low < least ? least : low > carbon ? carbon : low;
}

double law_ph_of(const struct law *law, const struct law_config *config, double ec_us_cm,
    double carbon, double alkalinity)
{
    const struct buffer b = { carbon, law_phosphate(config, ec_us_cm) };
    return buffer_ph(&b, alkalinity, law->channel[1].mean);
}

void law_init(struct law *law, const struct law_config *config, struct mono now)
{
    memset(law, 0, sizeof *law);
    law->at = law->looked = now;
    for (int g = 0; g < LAW_GUESSES; g++) {
        law->weight[g] = first_weight(g);
    }
    struct filter *ec = &law->pair[0].ec, *ph = &law->pair[0].ph;
    filter_set(ec, EC_STATES, EC_LEVEL, 0.0, far);
    filter_set(ec, EC_STATES, EC_RATE, 0.0, square(rate_sd_ec));
    filter_set(ec, EC_STATES, EC_GAIN, first_gain, square(gain_sd_feed));
    filter_set(ph, PH_STATES, PH_LEVEL, 0.0, far);
    filter_set(ph, PH_STATES, PH_RATE, 0.0, square(rate_sd_ph));
    filter_set(ph, PH_STATES, PH_GAIN, 1.0, square(gain_sd_ph));
    filter_set(ph, PH_STATES, PH_FEED, pull_start, square(pull_sd));
    law->channel[0].noise = noise_ec_us_cm;
    law->channel[1].noise = noise_ph;
    law->carbon = law->carbon_low = config->alkalinity_meq_l + 0.03;
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
        if (!law_believed(law, g)) continue;
        const struct filter *f = ec ? &law->pair[g].ec : &law->pair[g].ph;
        for (int i = 0; i < n; i++) {
            sum.x[i] += law->weight[g] * f->x[i];
        }
    }
    for (int g = 0; g < LAW_GUESSES; g++) {
        if (!law_believed(law, g)) continue;
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
    static const double forget =
        0.02; /* a tank may change its ways, and nobody is dropped for good */
    for (int g = 0; g < LAW_GUESSES; g++) {
        law->weight[g] = (1.0 - forget) * law->weight[g] + forget * first_weight(g);
    }
}

struct filter law_all_ec(const struct law *law)
{
    struct filter all = law->pair[0].ec;
    if (law->mixing) blend(&all, law, EC_STATES, true);
    return all;
}

struct filter law_all_ph(const struct law *law)
{
    struct filter all = law->pair[0].ph;
    if (law->mixing) blend(&all, law, PH_STATES, false);
    return all;
}

/* --- what happened ---------------------------------------------------------------------------- */

/* Pump and mixing never repeat exactly: part of the dose. */
static const double dose_sd = 0.04;

/* The buffer curve is this wrong over a dose of acid (part of it), and of feed (meq/L for each
 * mS/cm). */
static const double curve_doubt = 0.15, curve_doubt_feed = 0.1;

/* A guess's place is rough where the probe hangs beside the injection. */
static double place_sd(int guess)
{
    return law_place(guess) < 0.0 ? 0.25 : 0.4 * law_place(guess);
}

/* 'effect' of a dose is 'by' times the state 'from': it moves the level, and what isn't mixed. */
static void dose_filter(struct filter *f, int n, int guess, int from, double by, double model_sd)
{
    const int unmixed = n == EC_STATES ? (int)EC_UNMIXED : (int)PH_UNMIXED;
    const double effect = fabs(by * f->x[from]), k = law_place(guess);
    const double spread = square(dose_sd * effect + model_sd);
    filter_add(f, n, EC_LEVEL, from, by);
    filter_add(f, n, unmixed, from, k * by);
    f->p[filter_at(EC_LEVEL, EC_LEVEL)] += spread;
    f->p[filter_at(EC_LEVEL, unmixed)] += k * spread;
    f->p[filter_at(unmixed, unmixed)] += k * k * spread + square(place_sd(guess) * effect);
}

void law_dose_pair(struct law_pair *pair, int guess, enum law_stock stock, double amount)
{
    const double ms_cm = amount / 1000.0;
    switch (stock) {
    case LAW_FEED:
        dose_filter(&pair->ec, EC_STATES, guess, EC_GAIN, amount, 0.0);
        dose_filter(&pair->ph, PH_STATES, guess, PH_FEED, -ms_cm, curve_doubt_feed * ms_cm);
        break;
    case LAW_ACID:
        dose_filter(&pair->ph, PH_STATES, guess, PH_GAIN, -amount, curve_doubt * amount);
        break;
    case LAW_BASE:
        dose_filter(&pair->ph, PH_STATES, guess, PH_GAIN, amount, curve_doubt * amount);
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
    law->channel[0].looks = law->channel[1].looks = 0;
    law->dosed = at;
    law->has_dosed = true;
}

void law_disturb(struct law *law, const struct law_config *config, struct mono at)
{
    law_advance(law, config, at, true);
    law_split(law);
    law->episode.doubtful = true;
    law->mixed_s = 0.0;
    const struct buffer b = law_buffer(law, config);
    const double slope = law->channel[1].begun ? buffer_slope(&b, law->channel[1].mean) : 1.0;
    const double meq_l = config->band_ph * slope;
    for (int g = 0; g < LAW_GUESSES; g++) {
        struct filter *e = &law->pair[g].ec, *p = &law->pair[g].ph;
        e->p[filter_at(EC_LEVEL, EC_LEVEL)] += square(4.0 * config->band_ec_us_cm);
        e->p[filter_at(EC_UNMIXED, EC_UNMIXED)] += square(2.0 * config->band_ec_us_cm);
        p->p[filter_at(PH_LEVEL, PH_LEVEL)] += square(4.0 * meq_l);
        p->p[filter_at(PH_UNMIXED, PH_UNMIXED)] += square(2.0 * meq_l);
    }
}
