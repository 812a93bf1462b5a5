/* Did the doses of an episode do what they should? What doesn't, is noticed by a sequential test:
 * the likelihood of "no effect" against that of "as ever", summed up over doses (A. Wald,
 * "Sequential Analysis", 1947; E. S. Page, "Continuous inspection schemes", Biometrika 41, 1954).
 */
#include <math.h>

#include "lib/base/real.h"
#include "lib/control/law_inside.h"

static const double rate_doubt_ec = 5.0, rate_doubt_ph = 0.02; /* for each hour */
static const double model_error = 0.1;                         /* of the band */
static const double mean_noise = 0.7; /* deviation of the newest readings' mean, in that of one */
static const double dose_sd = 0.04;
static const double refill_ph = 0.2; /* pH rises with source water, and feed seems short */

static const double evidence_most = 9.2; /* ln 10^4 */
enum { SILENT_LEAST = 3, WRONG_LEAST = 2 };
static const double silent_most_us_cm = 200.0, silent_most_meq_l = 0.15, silent_per_alk = 0.1;

static const double weak_share = 0.55, usual_pace = 0.15;

static double square(double x)
{
    return x * x;
}

/* --- the beginning ---------------------------------------------------------------------------- */

static void begin(struct law *law, const struct law_config *config, struct mono at)
{
    struct law_episode *e = &law->episode;
    const struct law_moments ec = law_moments_ec(law), ph = law_moments_ph(law);
    const struct buffer b = law_buffer(law, config, ec.level);
    *e = (struct law_episode){ .runs = true,
        .doubtful = law->mixing,
        .level = { ec.level, ph.level },
        .rate = { ec.rate, ph.rate },
        .variance = { ec.level_variance, ph.level_variance },
        .gain = { ec.gain, ph.gain },
        .gain_variance = { ec.gain_variance, ph.gain_variance },
        .feed_pull = ph.feed_pull,
        .ph = buffer_ph(&b, ph.level),
        .began = at };
    for (int s = 0; s < LAW_STOCKS; s++) {
        law->watch[s].unseen = 0.0;
    }
}

void law_episode_gave(struct law *law, const struct law_config *config, enum law_stock stock,
    double amount, bool sure, struct mono at)
{
    if (!law->episode.runs) begin(law, config, at);
    law->episode.given[stock] += amount;
    if (!sure) law->episode.doubtful = true;
    law->watch[stock].unseen += amount;
}

/* --- the response ----------------------------------------------------------------------------- */

struct response {
    double expected, seen; /* both > 0 when the dose does what it should; uS/cm, meq/L */
    double variance;       /* of 'seen', without any effect */
};

static int channel_of(enum law_stock stock)
{
    return stock == LAW_FEED ? 0 : 1;
}

static double slope_at(const struct law *law, const struct law_config *config)
{
    const struct buffer b = law_buffer(law, config, law->channel[0].mean);
    return buffer_slope(&b, buffer_ph(&b, law->channel[1].mean));
}

static struct response response_of(
    const struct law *law, const struct law_config *config, enum law_stock stock)
{
    const struct law_episode *e = &law->episode;
    const int c = channel_of(stock);
    const double hours = (double)mono_since(law->at, e->began) / (double)HOUR_MS;
    const double without = e->level[c] + e->rate[c] * hours;
    const double noise = law->channel[c].noise;
    struct response r = { .expected = e->gain[c] * e->given[stock] };
    if (stock == LAW_FEED) {
        r.seen = law->channel[0].mean - without;
        r.variance = e->variance[0] + square(mean_noise * noise) + square(rate_doubt_ec * hours) +
                     square(model_error * config->band_ec_us_cm);
        return r;
    }
    const double slope = slope_at(law, config);
    const double fed = e->feed_pull * e->given[LAW_FEED] / 1000.0;
    const double moved = law->channel[1].mean - (without - fed);
    r.seen = stock == LAW_ACID ? -moved : moved;
    r.variance = e->variance[1] +
                 square(slope) * (square(mean_noise * noise) + square(rate_doubt_ph * hours) +
                                     square(model_error * config->band_ph)) +
                 square(0.5 * fed);
    return r;
}

double law_telling(const struct law *law, const struct law_config *config, enum law_stock stock)
{
    if (stock == LAW_FEED)
        return sqrt(square(law->channel[0].noise) + square(model_error * config->band_ec_us_cm));
    return slope_at(law, config) *
           sqrt(square(law->channel[1].noise) + square(model_error * config->band_ph));
}

void law_episode_look(struct law *law, const struct law_config *config)
{
    static const double clear = 3.0, share = 0.35;
    if (!law->episode.runs) return;
    for (int s = 0; s < LAW_STOCKS; s++) {
        if (!(law->watch[s].unseen > 0.0)) continue;
        const struct response r = response_of(law, config, (enum law_stock)s);
        if (r.seen > clear * sqrt(r.variance) && r.seen > share * r.expected)
            law->watch[s].unseen = 0.0;
    }
}

/* --- the judgement ---------------------------------------------------------------------------- */

static double log_normal(double x, double variance)
{
    return -0.5 * (square(x) / variance + real_log(variance));
}

static void give_back(struct law *law, int channel)
{
    const struct law_episode *e = &law->episode;
    for (int g = 0; g < LAW_GUESSES; g++) {
        struct filter *f = channel == 0 ? &law->pair[g].ec : &law->pair[g].ph;
        const int n = channel == 0 ? (int)EC_STATES : (int)PH_STATES;
        filter_set(f, n, EC_GAIN, e->gain[channel], e->gain_variance[channel]);
    }
}

static double silent_most(const struct law_config *config, enum law_stock stock)
{
    return stock == LAW_FEED ? silent_most_us_cm
                             : silent_most_meq_l + silent_per_alk * config->alkalinity_meq_l;
}

/* Sums up; true when this dose was silent. */
static bool weigh_silence(
    struct law_stock_watch *w, const struct response *r, double gain_variance, double gain)
{
    const double relative = gain_variance / square(gain) + square(dose_sd);
    double ratio = log_normal(r->seen, r->variance) -
                   log_normal(r->seen - r->expected, r->variance + square(r->expected) * relative);
    if (ratio < -6.0) ratio = -6.0;
    if (ratio > 6.0) ratio = 6.0;
    const double sd = sqrt(r->variance);
    const bool telling = r->expected > 3.0 * sd && r->seen < 2.5 * sd;
    if (!telling && ratio > 0.0) ratio = 0.0;
    w->evidence += ratio;
    if (w->evidence < 0.0) w->evidence = 0.0;
    if (w->evidence <= 0.0) w->silent = 0;
    const bool silent = telling && ratio > 0.5;
    if (silent) w->silent++;
    return silent;
}

static void judge(struct law *law, const struct law_config *config, enum law_stock stock)
{
    struct law_stock_watch *w = &law->watch[stock];
    const struct response r = response_of(law, config, stock);
    const int c = channel_of(stock);
    const double sd = sqrt(r.variance);
    const bool silent = weigh_silence(w, &r, law->episode.gain_variance[c], law->episode.gain[c]);
    w->silent_sum += law->episode.given[stock];
    if (r.seen > 1.5 * sd) w->silent_sum = 0.0;
    if (r.seen < -0.4 * r.expected && r.seen < -4.0 * sd)
        w->wrong++;
    else if (r.seen > 0.0)
        w->wrong = 0;
    if (silent || r.seen < 0.0) give_back(law, c);
    if (w->wrong >= WRONG_LEAST)
        w->alarm = LAW_WRONG_WAY;
    else if ((w->evidence > evidence_most && w->silent >= SILENT_LEAST) ||
             w->silent_sum > silent_most(config, stock))
        w->alarm = LAW_SILENT;
}

/* Feed comes from two or more bottles: one that is empty leaves half an effect. */
static void judge_weakness(struct law *law)
{
    struct law_stock_watch *w = &law->watch[LAW_FEED];
    const struct law_moments ec = law_moments_ec(law);
    if (w->has_usual && ec.gain + 2.0 * sqrt(ec.gain_variance) < weak_share * w->usual_gain)
        w->alarm = LAW_WEAK;
    if (!w->has_usual) w->usual_gain = ec.gain;
    w->has_usual = true;
    w->usual_gain += usual_pace * (ec.gain - w->usual_gain);
}

/* Source water came in beside the dose: EC falls short and pH is up. */
static bool was_refilled(const struct law *law, const struct law_config *config)
{
    const struct law_episode *e = &law->episode;
    const struct buffer b = law_buffer(law, config, law->channel[0].mean);
    const double rose = buffer_ph(&b, law->channel[1].mean) - e->ph;
    const struct response r = response_of(law, config, LAW_FEED);
    return r.expected - r.seen > 0.5 * config->band_ec_us_cm && rose > refill_ph &&
           !(e->given[LAW_BASE] > 0.0);
}

void law_episode_end(struct law *law, const struct law_config *config)
{
    struct law_episode *e = &law->episode;
    const bool judged = e->runs && !e->doubtful && !was_refilled(law, config);
    const bool both = e->given[LAW_ACID] > 0.0 && e->given[LAW_BASE] > 0.0;
    for (int s = 0; s < LAW_STOCKS; s++) {
        law->watch[s].unseen = 0.0;
        if (!judged || !(e->given[s] > 0.0) || (both && s != LAW_FEED)) continue;
        judge(law, config, (enum law_stock)s);
    }
    if (judged && e->given[LAW_FEED] > 0.0) judge_weakness(law);
    e->runs = e->doubtful = false;
    static const double forget = 0.02; /* a tank may change its ways */
    for (int g = 0; g < LAW_GUESSES; g++) {
        law->weight[g] = (1.0 - forget) * law->weight[g] + forget / LAW_GUESSES;
    }
}

enum law_alarm law_alarm_of(const struct law *law, enum law_stock stock)
{
    return law->watch[stock].alarm;
}

void law_acknowledge(struct law *law, enum law_stock stock)
{
    struct law_stock_watch *w = &law->watch[stock];
    w->alarm = LAW_FINE;
    w->evidence = w->silent_sum = w->unseen = 0.0;
    w->silent = w->wrong = 0;
    w->has_usual = false;
}
