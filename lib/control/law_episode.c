/* Did the doses of an episode do what they should? What doesn't, is noticed by a sequential test:
 * the likelihood of "no effect" against that of "as ever", summed up over doses (A. Wald,
 * "Sequential Analysis", 1947; E. S. Page, "Continuous inspection schemes", Biometrika 41, 1954).
 */
#include <math.h>

#include "lib/base/real.h"
#include "lib/chem/quick_exp.h"
#include "lib/control/law_inside.h"

static const double rate_most_ec = 8.0, rate_most_ph = 0.03;
static const double rate_doubt_ec = 5.0, rate_doubt_ph = 0.02; /* for each hour */
static const double model_error = 0.1;                         /* of the band */
static const double mean_noise = 0.7; /* deviation of the newest readings' mean, in that of one */
static const double dose_sd = 0.04;
static const double refill_ph = 0.2; /* pH rises with source water, and feed seems short */

static const double evidence_most = 9.2; /* ln 10^4 */
enum { SILENT_LEAST = 3, WRONG_LEAST = 2 };
static const double silent_most_us_cm = 180.0, silent_most_meq_l = 0.28, silent_per_alk = 0.15;

static const double believed_share = 0.4;
static const double usual_pace = 0.05;

static double square(double x)
{
    return x * x;
}

static double clip(double x, double low, double high)
{
    return x < low ? low : x > high ? high : x;
}

/* --- the beginning ---------------------------------------------------------------------------- */

static void begin(struct law *law, const struct law_config *config, struct mono at)
{
    const struct filter ec = law_all_ec(law), ph = law_all_ph(law);
    const double level_ph = law_ph_of(law, config, ec.x[EC_LEVEL], law->carbon, ph.x[PH_LEVEL]);
    const struct buffer b = law_buffer(law, config);
    const double slope = buffer_slope(&b, level_ph);
    law->episode = (struct law_episode){ .runs = true,
        .doubtful = law->mixing,
        .level = { ec.x[EC_LEVEL], level_ph },
        .rate = { ec.x[EC_RATE], ph.x[PH_RATE] / slope },
        .variance = { filter_cov(&ec, EC_LEVEL, EC_LEVEL),
            filter_cov(&ph, PH_LEVEL, PH_LEVEL) / square(slope) },
        .feed_gain = ec.x[EC_GAIN],
        .feed_gain_variance = filter_cov(&ec, EC_GAIN, EC_GAIN),
        .feed_pull = ph.x[PH_FEED],
        .alkalinity = ph.x[PH_LEVEL],
        .carbon = law->carbon,
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
    double expected, seen; /* > 0 when the dose does what it should; uS/cm, pH */
    double variance;       /* of 'seen', without any effect */
    double doubt;          /* relative variance of 'expected' */
    double sure;           /* part of it that is to be expected if the buffer is stronger */
};

static int channel_of(enum law_stock stock)
{
    return stock == LAW_FEED ? 0 : 1;
}

static double slope_at(const struct law *law, const struct law_config *config)
{
    const struct buffer b = law_buffer(law, config);
    return buffer_slope(&b, law->channel[1].mean);
}

/* The pH that the feed alone would have led to, by what was known at the beginning. */
static double ph_fed(const struct law *law, const struct law_config *config)
{
    const struct law_episode *e = &law->episode;
    const double ec = e->level[0] + e->feed_gain * e->given[LAW_FEED];
    const double pull = e->feed_pull * e->given[LAW_FEED] / 1000.0;
    return law_ph_of(law, config, ec, e->carbon, e->alkalinity - pull);
}

/* How far acid moves pH down from 'ph', with so much carbon; base up is negative acid. */
static double acid_moves(
    const struct law *law, const struct law_config *config, double ph, double carbon)
{
    const struct law_episode *e = &law->episode;
    const double ec = e->level[0] + e->feed_gain * e->given[LAW_FEED];
    const struct buffer b = { carbon, law_phosphate(config, ec) };
    const double acid = e->given[LAW_ACID] - e->given[LAW_BASE];
    return ph - law_ph_of(law, config, ec, carbon, buffer_alkalinity(&b, ph) - acid);
}

static struct response response_of(
    const struct law *law, const struct law_config *config, enum law_stock stock)
{
    static const double buffer_doubt = 0.3, feed_doubt = 0.15; /* pH; pH for each mS/cm */
    const struct law_episode *e = &law->episode;
    const int c = channel_of(stock);
    const double hours = (double)mono_since(law->at, e->began) / (double)HOUR_MS;
    const double noise = law->channel[c].noise,
                 band = c == 0 ? config->band_ec_us_cm : config->band_ph;
    const double doubt = (c == 0 ? rate_doubt_ec : rate_doubt_ph) * hours;
    const double most = c == 0 ? rate_most_ec : rate_most_ph; /* else silence passes for drift */
    const double drift = clip(e->rate[c], -most, most) * hours;
    struct response r = { .variance = e->variance[c] + square(mean_noise * noise) + square(doubt) +
                                      square(model_error * band) };
    if (stock == LAW_FEED) {
        r.expected = e->feed_gain * e->given[LAW_FEED];
        r.seen = law->channel[0].mean - e->level[0] - drift;
        r.doubt = e->feed_gain_variance / square(e->feed_gain) + square(dose_sd);
        r.sure = 1.0;
        return r;
    }
    const double sign = stock == LAW_ACID ? -1.0 : 1.0;
    /* A buffer that is stronger than it is known to be isn't silence. */
    const double carbon =
        (e->carbon > 0.0 ? e->carbon : 0.0) + 0.05 + 0.03 * config->alkalinity_meq_l;
    const double fed = ph_fed(law, config), moved = acid_moves(law, config, fed, carbon);
    r.expected = -sign * moved;
    r.seen = sign * (law->channel[1].mean - fed - drift);
    r.doubt = square(buffer_doubt);
    r.sure = e->level[1] - law->usual_ph > 0.12 ? 0.3 : 0.5; /* water may have come in since */
    r.variance += square(feed_doubt * e->given[LAW_FEED] / 1000.0);
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
        if (!(r.seen > clear * sqrt(r.variance)) || !(r.seen > share * r.expected)) continue;
        law->watch[s].unseen = 0.0;
        law->watch[s].has_shown = true;
        law->watch[s].showed = law->at;
    }
}

/* --- the judgement ---------------------------------------------------------------------------- */

static double log_normal(double x, double variance)
{
    return -0.5 * (square(x) / variance + real_log(variance));
}

/* --- what is learned -------------------------------------------------------------------------- */

static const double gain_sd_least = 0.05;
static const double gain_least = 0.4, gain_most = 2.5, pull_least = -0.1, pull_most = 0.8;
static const double fall_most = 0.35, rise_most = 0.8; /* of a gain, in one episode */

/* One scalar step for the strength of the feed. Silence never makes doses grow. */
static void learn_feed(struct law *law, const struct response *r, bool silent)
{
    const struct law_episode *e = &law->episode;
    const double amount = e->given[LAW_FEED], v = e->feed_gain_variance;
    const double variance =
        r->variance + square(r->expected) * square(dose_sd) + square(amount) * v;
    const double k = v * amount / variance;
    const double change = silent ? 0.0 : clip(k * (r->seen - r->expected), -fall_most, rise_most);
    const double left = silent ? v : (1.0 - k * amount) * v, least = square(gain_sd_least);
    for (int g = 0; g < LAW_GUESSES; g++) {
        filter_set(&law->pair[g].ec, EC_STATES, EC_GAIN,
            clip(e->feed_gain + change, gain_least, gain_most), left > least ? left : least);
    }
}

/* The carbon that would have made pH move as it did: the chord of the curve between both ends. */
static void learn_carbon(struct law *law, const struct law_config *config, bool shown)
{
    static const double acid_doubt = 0.15, feed_doubt_meq = 0.1;
    static const double co2_per_hour_most = 0.5;
    static const double relative_least = 0.12, move_least = 0.004;
    const struct law_episode *e = &law->episode;
    const struct buffer_parts from =
        buffer_parts_at(law_phosphate(config, e->level[0]), e->level[1]);
    const double hours = (double)mono_since(law->at, e->began) / (double)HOUR_MS;
    const double drift = e->rate[1] * hours, drift_sd = (0.4 * fabs(e->rate[1]) + 0.01) * hours;
    const struct buffer_parts to =
        buffer_parts_at(law_phosphate(config, law->channel[0].mean), law->channel[1].mean - drift);
    const double acid = e->given[LAW_ACID] - e->given[LAW_BASE], fed = e->given[LAW_FEED] / 1000.0;
    const double chord = from.share - to.share;
    if (!(fabs(acid) > 0.0) || fabs(chord) < move_least) return;
    const double fit = (acid + fed * e->feed_pull + to.rest - from.rest) / chord;
    const double slope = slope_at(law, config), noise = slope * law->channel[1].noise;
    const double variance =
        (square(noise) * (1.0 + square(mean_noise)) + square(acid_doubt * acid) +
            square(slope * drift_sd) + square(feed_doubt_meq * fed) +
            square(0.25 * (to.rest - from.rest))) /
        square(chord);
    static const double z = 3.09;
    const double sd_least = relative_least * fabs(law->carbon) + 0.06;
    const double v = square((law->carbon - law->carbon_low) / z) + square(sd_least);
    const double k = v / (v + variance);
    double carbon = law->carbon + k * (fit - law->carbon);
    const double most_more =
        shown ? 1e3 : 0.05 * fabs(law->carbon) + 0.01; /* silence makes no dose grow */
    if (carbon > law->carbon + most_more) carbon = law->carbon + most_more;
    const double left = (1.0 - k) * v, least = square(relative_least * fabs(carbon) + 0.02);
    /* What was fitted is the mean of the episode; CO2 went on leaving. */
    const double gas = 1.0 - to.share, lost = quick_exp(-co2_per_hour_most * gas * 0.5 * hours);
    const double low = carbon - z * sqrt(left > least ? left : least);
    law_set_carbon(law, config, carbon, low > 0.0 ? low * lost : low);
}

/* Feed alone tells how sour it is. */
static void learn_pull(struct law *law, const struct law_config *config)
{
    const struct law_episode *e = &law->episode;
    if (e->given[LAW_ACID] > 0.0 || e->given[LAW_BASE] > 0.0) return;
    const double fed = e->given[LAW_FEED] / 1000.0, slope = slope_at(law, config);
    const double hours = (double)mono_since(law->at, e->began) / (double)HOUR_MS;
    const double moved = slope * (ph_fed(law, config) + e->rate[1] * hours - law->channel[1].mean);
    const double variance =
        square(slope) * (e->variance[1] + square(mean_noise * law->channel[1].noise) +
                            square(rate_doubt_ph * hours));
    const double v = filter_cov(&law->pair[0].ph, PH_FEED, PH_FEED);
    const double k = v * fed / (variance + square(fed) * v);
    const double pull = clip(e->feed_pull + k * moved, pull_least, pull_most);
    const double left = (1.0 - k * fed) * v, least = square(0.02);
    for (int g = 0; g < LAW_GUESSES; g++) {
        filter_set(&law->pair[g].ph, PH_STATES, PH_FEED, pull, left > least ? left : least);
    }
}

static double silent_most(const struct law_config *config, enum law_stock stock)
{
    return stock == LAW_FEED ? silent_most_us_cm
                             : silent_most_meq_l + silent_per_alk * config->alkalinity_meq_l;
}

/* The water is where the readings say, and drifts as it did before: what was expected didn't come.
 */
static void start_over(struct law *law, const struct law_config *config, int channel)
{
    const struct law_episode *e = &law->episode;
    const double mean = law->channel[channel].mean,
                 noise = mean_noise * law->channel[channel].noise;
    const double hours = (double)mono_since(law->at, e->began) / (double)HOUR_MS;
    const double most = channel == 0 ? 20.0 : 0.05;
    const double seen = hours > 0.0 ? clip((mean - e->level[channel]) / hours, -most, most) : 0.0;
    const struct buffer b = law_buffer(law, config);
    const double slope = buffer_slope(&b, law->channel[1].mean);
    for (int g = 0; g < LAW_GUESSES; g++) {
        struct filter *f = channel == 0 ? &law->pair[g].ec : &law->pair[g].ph;
        const int n = channel == 0 ? (int)EC_STATES : (int)PH_STATES;
        const double unit = channel == 0 ? 1.0 : slope;
        filter_set(f, n, EC_LEVEL, channel == 0 ? mean : buffer_alkalinity(&b, mean),
            square(2.0 * noise * unit));
        f->x[EC_RATE] = 0.5 * (e->rate[channel] + seen) * unit;
    }
}

/* At rest the readings rule: an estimate that is far from them was wrong. */
static void agree(struct law *law, const struct law_config *config)
{
    static const double far = 3.0;
    const struct filter ec = law_all_ec(law), ph = law_all_ph(law);
    const double here = law_ph_of(law, config, ec.x[EC_LEVEL], law->carbon, ph.x[PH_LEVEL]);
    if (fabs(ec.x[EC_LEVEL] - law->channel[0].mean) > far * law->channel[0].noise)
        start_over(law, config, 0);
    if (fabs(here - law->channel[1].mean) > far * law->channel[1].noise) start_over(law, config, 1);
}

/* Sums up; true when this dose was silent. */
static bool weigh_silence(struct law_stock_watch *w, const struct response *r)
{
    const double likely = r->sure * r->expected;
    double ratio = log_normal(r->seen, r->variance) -
                   log_normal(r->seen - likely, r->variance + square(likely) * r->doubt);
    w->ratio = ratio;
    if (ratio < -6.0) ratio = -6.0;
    if (ratio > 6.0) ratio = 6.0;
    const double sd = sqrt(r->variance);
    const bool telling = r->sure * r->expected > 3.0 * sd && r->seen < 2.5 * sd;
    if (!telling && ratio > 0.0) ratio *= 0.5;
    w->evidence += ratio;
    if (w->evidence < 0.0) w->evidence = 0.0;
    if (w->evidence <= 0.0) w->silent = 0;
    const bool silent = telling && ratio > 0.5;
    if (ratio > 0.3) w->silent++;
    return silent;
}

static void judge(struct law *law, const struct law_config *config, enum law_stock stock)
{
    struct law_stock_watch *w = &law->watch[stock];
    const struct response r = response_of(law, config, stock);
    const double sd = sqrt(r.variance);
    const bool silent = weigh_silence(w, &r);
    w->silent_sum += law->episode.given[stock];
    w->expected_sum += r.expected;
    w->seen_sum += r.seen;
    const bool does = r.seen > 1.5 * sd || w->ratio < -1.0;
    if (does || w->seen_sum > 0.5 * w->expected_sum) /* alone, or all together */
        w->silent_sum = w->expected_sum = w->seen_sum = 0.0;
    if (r.seen < -0.4 * r.expected && r.seen < -4.0 * sd)
        w->wrong++;
    else if (r.seen > 0.0)
        w->wrong = 0;
    if (stock == LAW_FEED) learn_feed(law, &r, silent || r.seen < 0.0);
    if (silent || (stock == LAW_FEED && r.seen < believed_share * r.expected))
        start_over(law, config, channel_of(stock));
    if (w->wrong >= WRONG_LEAST)
        w->alarm = LAW_WRONG_WAY;
    else if ((w->evidence > evidence_most && w->silent >= SILENT_LEAST) ||
             w->silent_sum > silent_most(config, stock))
        w->alarm = LAW_SILENT;
}

/* Feed comes from two or more bottles: one that is empty leaves half an effect. The same kind of
 * test: half of what is usual over days, against all of it. */
static void judge_weakness(struct law *law, const struct law_config *config)
{
    static const double doubt = 0.15, half = 0.5;
    struct law_stock_watch *w = &law->watch[LAW_FEED];
    const double gain = law->pair[0].ec.x[EC_GAIN];
    if (!w->has_usual) w->usual_gain = gain;
    const struct response r = response_of(law, config, LAW_FEED);
    const double usual = w->usual_gain * law->episode.given[LAW_FEED];
    double ratio = log_normal(r.seen - half * usual, r.variance + square(doubt * half * usual)) -
                   log_normal(r.seen - usual, r.variance + square(doubt * usual));
    ratio = clip(ratio, -6.0, 3.0);
    w->half = w->has_usual && w->half + ratio > 0.0 ? w->half + ratio : 0.0;
    w->halves = ratio > 0.0 ? w->halves + 1 : 0;
    w->half_seen = (ratio > 0.0 ? w->half_seen : 0.0) + r.seen;
    w->half_usual = (ratio > 0.0 ? w->half_usual : 0.0) + usual;
    const bool nothing = w->half_seen < 0.25 * w->half_usual;
    if (w->alarm == LAW_FINE && w->half > evidence_most && w->halves >= SILENT_LEAST)
        w->alarm = nothing ? LAW_SILENT : LAW_WEAK;
    w->has_usual = true;
    if (ratio < 0.0) w->usual_gain += usual_pace * (gain - w->usual_gain);
}

/* Source water came in beside the dose: EC falls short and pH is up. */
static bool was_refilled(const struct law *law, const struct law_config *config)
{
    const struct law_episode *e = &law->episode;
    const double rose = law->channel[1].mean - e->level[1];
    const struct response r = response_of(law, config, LAW_FEED);
    return r.expected - r.seen > 0.5 * config->band_ec_us_cm && rose > refill_ph &&
           !(e->given[LAW_BASE] > 0.0);
}

void law_episode_end(struct law *law, const struct law_config *config)
{
    struct law_episode *e = &law->episode;
    const bool judged = e->runs && !e->doubtful && !was_refilled(law, config);
    const bool both = e->given[LAW_ACID] > 0.0 && e->given[LAW_BASE] > 0.0;
    if (law->disturbed && (!judged || e->given[LAW_FEED] <= 0.0)) {
        const double fed = e->runs ? e->feed_gain * e->given[LAW_FEED] : 0.0;
        law_dilute(law, config, law->before_ec + fed - law->channel[0].mean);
    }
    law->disturbed = false;
    if (e->runs) agree(law, config);
    for (int s = 0; s < LAW_STOCKS; s++) {
        law->watch[s].unseen = 0.0;
        if (!judged || !(e->given[s] > 0.0) || (both && s != LAW_FEED)) continue;
        judge(law, config, (enum law_stock)s);
    }
    const bool silent = law->watch[LAW_ACID].silent > 0 || law->watch[LAW_BASE].silent > 0;
    const enum law_stock used = e->given[LAW_BASE] > 0.0 ? LAW_BASE : LAW_ACID;
    const struct response r = response_of(law, config, used);
    if (judged && !silent) learn_carbon(law, config, r.seen > believed_share * r.expected);
    if (judged && e->given[LAW_FEED] > 0.0) {
        judge_weakness(law, config);
        learn_pull(law, config);
    }
    if (e->runs) law->usual_ph = law->channel[1].mean;
    e->runs = e->doubtful = false;
}

enum law_alarm law_alarm_of(const struct law *law, enum law_stock stock)
{
    return law->watch[stock].alarm;
}

void law_acknowledge(struct law *law, enum law_stock stock)
{
    struct law_stock_watch *w = &law->watch[stock];
    w->alarm = LAW_FINE;
    w->evidence = w->silent_sum = w->expected_sum = w->seen_sum = w->unseen = 0.0;
    w->silent = w->wrong = w->halves = 0;
    w->half = 0.0;
    w->has_usual = false;
}
