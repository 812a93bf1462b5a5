/* Time passes, readings come in: the filters follow, the guesses are weighed against each other. */
#include <math.h>

#include "lib/chem/quick_exp.h"
#include "lib/control/law_inside.h"

static const double hour_s = 3600.0;

/* What wanders by itself, in an hour (a day where it says so), and how far at most. */
static const double wander_ec = 2.0, wander_alkalinity = 0.003;
static const double wander_rate_ec = 6.0, wander_rate_alkalinity = 0.004;
static const double rate_sd_most_ec = 30.0, rate_sd_most_alkalinity = 0.012;
static const double gain_per_day_ec = 0.05, gain_sd_most_ec = 0.20;
static const double pull_per_day = 0.02, pull_sd_most = 0.10;

/* Noise of a probe: part of it comes anew with each reading, part has a memory of a quarter of an
 * hour, and averaging doesn't take that part away (an assumption; docs/control.md). */
static const double white_share = 0.7, slow_share = 0.6, slow_hours = 0.25;

/* How wrong the pace of a guess may be, as a part of what isn't mixed. */
static const double pace_misfit = 0.3;

static const double co2_per_hour = 0.12, co2_per_hour_most = 0.5, low_per_hour = 0.01;
static const double carbon_least = 0.03;

static const double rate_most_ec = 14.0, rate_most_ph = 0.08; /* for an hour */

static const double gate = 25.0; /* square of five deviations */
enum { MISSES_MOST = 4 };

static double square(double x)
{
    return x * x;
}

static double least(double a, double b)
{
    return a < b ? a : b;
}

static double clip(double x, double low, double high)
{
    return x < low ? low : x > high ? high : x;
}

/* --- time ------------------------------------------------------------------------------------- */

static void widen(struct filter *f, int i, double by, double most)
{
    double *p = &f->p[filter_at(i, i)];
    if (*p < most) *p = least(*p + by, most);
}

struct span {
    double hours, seconds, slow_kept, slow_grown, co2_share;
    bool flows;
};

static void fade_unmixed(struct filter *f, int n, int unmixed, const struct span *s, double pace_s)
{
    if (!s->flows) return;
    const double parts = s->seconds / pace_s;
    f->p[filter_at(unmixed, unmixed)] += square(pace_misfit * f->x[unmixed]) * least(parts, 1.0);
    filter_scale(f, n, unmixed, quick_exp(-parts));
}

static void advance_ec(struct filter *f, const struct span *s, double noise, double gain_per_day)
{
    filter_add(f, EC_STATES, EC_LEVEL, EC_RATE, s->hours);
    f->p[filter_at(EC_LEVEL, EC_LEVEL)] += square(wander_ec) * s->hours;
    widen(f, EC_RATE, square(wander_rate_ec) * s->hours, square(rate_sd_most_ec));
    widen(f, EC_GAIN, square(gain_per_day) * s->hours / 24.0, square(gain_sd_most_ec));
    filter_scale(f, EC_STATES, EC_NOISE, s->slow_kept);
    f->p[filter_at(EC_NOISE, EC_NOISE)] += square(slow_share * noise) * s->slow_grown;
}

/* CO2 leaves towards balance with the air; how fast, nobody knows beforehand. */
static void advance_carbon(struct law *law, const struct law_config *config, const struct span *s)
{
    const double kept = quick_exp(-co2_per_hour * s->co2_share * s->hours);
    const double kept_fast =
        quick_exp(-(co2_per_hour_most * s->co2_share + low_per_hour) * s->hours);
    double carbon = law->carbon, low = law->carbon_low;
    if (carbon > carbon_least) carbon = carbon_least + kept * (carbon - carbon_least);
    if (low > carbon_least) low = carbon_least + kept_fast * (low - carbon_least);
    law_set_carbon(law, config, carbon, low);
}

static void advance_ph(struct filter *f, const struct span *s, double noise)
{
    filter_add(f, PH_STATES, PH_LEVEL, PH_RATE, s->hours);
    f->p[filter_at(PH_LEVEL, PH_LEVEL)] += square(wander_alkalinity) * s->hours;
    widen(f, PH_RATE, square(wander_rate_alkalinity) * s->hours, square(rate_sd_most_alkalinity));
    widen(f, PH_FEED, square(pull_per_day) * s->hours / 24.0, square(pull_sd_most));
    filter_scale(f, PH_STATES, PH_NOISE, s->slow_kept);
    f->p[filter_at(PH_NOISE, PH_NOISE)] += square(slow_share * noise) * s->slow_grown;
}

static double co2_share_now(const struct law *law)
{
    return law->channel[1].begun ? 1.0 - buffer_parts_at(0.0, law->channel[1].mean).share : 0.0;
}

static void leak(struct law *law, double hours)
{
    const double hour = quick_exp(-hours), day = quick_exp(-hours / 24.0);
    for (int s = 0; s < LAW_STOCKS; s++) {
        law->watch[s].hour *= hour;
        law->watch[s].day *= day;
    }
}

void law_advance(struct law *law, const struct law_config *config, struct mono at, bool flows)
{
    const double seconds = (double)mono_since(at, law->at) / 1000.0;
    if (!(seconds > 0.0)) return;
    law->at = at;
    const double hours = seconds / hour_s, kept = quick_exp(-hours / slow_hours);
    const struct span span = { hours, seconds, kept, 1.0 - square(kept), co2_share_now(law),
        flows };
    leak(law, hours);
    if (flows) law->mixed_s += seconds;
    advance_carbon(law, config, &span);
    const int count = law->mixing ? LAW_GUESSES : 1;
    for (int g = 0; g < count; g++) {
        struct law_pair *pair = &law->pair[g];
        if (law->mixing && !law_believed(law, g)) continue;
        advance_ec(&pair->ec, &span, law->channel[0].noise, gain_per_day_ec);
        advance_ph(&pair->ph, &span, law->channel[1].noise);
        if (!law->mixing) continue;
        fade_unmixed(&pair->ec, EC_STATES, EC_UNMIXED, &span, law_pace_s(config, g));
        fade_unmixed(&pair->ph, PH_STATES, PH_UNMIXED, &span, law_pace_s(config, g));
    }
}

/* --- one reading ------------------------------------------------------------------------------ */

struct measured {
    int channel, n;
    bool flows;
    unsigned considered; /* what strengths are is judged when the water has settled */
    double y, variance, rate_most;
    double h[FILTER_MOST];
};

static struct filter *filter_of(struct law *law, int guess, int channel)
{
    return channel == 0 ? &law->pair[guess].ec : &law->pair[guess].ph;
}

/* Those that foretold it best are believed more; who is left far behind is dropped. */
static void weigh(struct law *law, const struct filter_guess *guess)
{
    static const double dropped = 1e-4;
    static const double temper = 0.5; /* readings in a row err alike */
    double sum = 0.0, best = 1e300;
    for (int g = 0; g < LAW_GUESSES; g++) {
        if (law_believed(law, g)) best = least(best, square(guess[g].miss) / guess[g].variance);
    }
    for (int g = 0; g < LAW_GUESSES; g++) {
        if (!law_believed(law, g)) continue;
        const double far = square(guess[g].miss) / guess[g].variance - best;
        law->weight[g] *= quick_exp(-0.5 * temper * far) / sqrt(sqrt(guess[g].variance));
        sum += law->weight[g];
    }
    double kept = 0.0;
    for (int g = 0; g < LAW_GUESSES; g++) {
        law->weight[g] /= sum;
        if (law->weight[g] < dropped) law->weight[g] = 0.0;
        kept += law->weight[g];
    }
    for (int g = 0; g < LAW_GUESSES; g++) {
        law->weight[g] /= kept;
    }
}

/* How far the reading is from what the best of the believed guesses foretold, in deviations,
 * squared. */
static double surprise(const struct law *law, const struct filter_guess *guess, int count)
{
    static const double believed = 0.01;
    double smallest = 1e300;
    for (int g = 0; g < count; g++) {
        if (count > 1 && law->weight[g] < believed) continue;
        smallest = least(smallest, square(guess[g].miss) / guess[g].variance);
    }
    return smallest;
}

/* The readings' own noise, learned while nothing else moves. */
static void learn_noise(struct law_channel *c, double ratio, double low, double high)
{
    static const double pace = 0.005;
    c->noise = clip(c->noise * (1.0 + pace * (clip(ratio, 0.0, 9.0) - 1.0)), low, high);
}

/* True unless nothing foretold it. */
static bool take(struct law *law, const struct measured *m)
{
    struct filter_guess guess[LAW_GUESSES];
    struct law_channel *c = &law->channel[m->channel];
    const int count = law->mixing ? LAW_GUESSES : 1;
    for (int g = 0; g < count; g++) {
        if (count > 1 && !law_believed(law, g)) continue;
        guess[g] = filter_expect(filter_of(law, g, m->channel), m->n, m->h, m->y, m->variance);
    }
    const double far = surprise(law, guess, count);
    if (far > gate && c->begun) {
        c->misses++;
        return false;
    }
    c->misses = 0;
    for (int g = 0; g < count; g++) {
        if (count > 1 && !law_believed(law, g)) continue;
        filter_take(filter_of(law, g, m->channel), m->n, &guess[g], m->considered);
    }
    for (int g = 0; g < count; g++) {
        double *rate = &filter_of(law, g, m->channel)->x[EC_RATE];
        *rate = clip(*rate, -m->rate_most, m->rate_most);
    }
    if (law->mixing) {
        if (m->flows) weigh(law, guess); /* still water tells nothing of how it mixes */
        return true;
    }
    if (m->channel == 0)
        learn_noise(c, far, 4.0, 40.0);
    else
        learn_noise(c, far, 0.008, 0.06);
    return true;
}

static void follow_mean(struct law_channel *c, double y, double seconds, double memory_s)
{
    if (!c->begun) c->mean = y;
    c->last = y;
    c->mean += (y - c->mean) * seconds / (seconds + memory_s);
}

/* --- something else happened ------------------------------------------------------------------ */

void law_dilute(struct law *law, const struct law_config *config, double drop_us_cm)
{
    const double above = law->before_ec - config->source_ec_us_cm;
    const double share = clip(drop_us_cm / (above > 300.0 ? above : 300.0), 0.0, 0.6);
    if (share < 0.05) return;
    const double fresh = share * config->alkalinity_meq_l;
    law_set_carbon(law, config, fresh + (1.0 - share) * law->carbon,
        0.5 * fresh + (1.0 - share) * law->carbon_low);
    for (int g = 0; g < LAW_GUESSES; g++) {
        widen(&law->pair[g].ec, EC_GAIN, square(0.12), square(gain_sd_most_ec));
    }
}

static void on_surprise(struct law *law, const struct law_config *config, int channel)
{
    law->channel[channel].misses = 0;
    if (!law->disturbed)
        law->before_ec = law->episode.runs ? law->episode.level[0] : law_all_ec(law).x[EC_LEVEL];
    law->disturbed = true;
    if (!law->episode.runs) {
        law_disturb(law, config, law->at);
        return;
    }
    /* Doses are under way: perhaps one of them did nothing. The episode's end will tell. */
    const bool doubtful = law->episode.doubtful;
    const double mixed_s = law->mixed_s;
    law_disturb(law, config, law->at);
    law->episode.doubtful = doubtful;
    law->mixed_s = mixed_s;
}

/* --- a look ----------------------------------------------------------------------------------- */

/* The last dose is still on its way through the tank. */
static bool stirred(const struct law *law, const struct law_config *config)
{
    static const double most_of_it = 1.5; /* time constants */
    return law->mixing && law->mixed_s < most_of_it * law_mix_long_s(law, config);
}

static void see_ec(
    struct law *law, const struct law_config *config, const struct law_sight *s, double seconds)
{
    struct law_channel *c = &law->channel[0];
    const struct measured m = { .channel = 0,
        .n = EC_STATES,
        .flows = s->flows,
        .rate_most = rate_most_ec,
        .considered = 1U << EC_GAIN |
                      (stirred(law, config) ? 1U << EC_RATE : 0U), /* drift is learned at rest */
        .y = s->ec_us_cm,
        .variance = square(white_share * c->noise) + 1.0,
        .h = { [EC_LEVEL] = 1.0, [EC_UNMIXED] = 1.0, [EC_NOISE] = 1.0 } };
    follow_mean(c, m.y, seconds, config->turnover_s / 6.0);
    (void)take(law, &m);
    c->begun = true;
    c->seen = s->at;
    c->looks++;
    if (c->misses >= MISSES_MOST) on_surprise(law, config, 0);
}

/* At the first look: fresh source water, or a tank that has been at work, whose carbon has left. */
static void meet_water(struct law *law, const struct law_config *config, double ph, double ec)
{
    static const double fresh_ph = 6.8, fresh_ec_us_cm = 250.0;
    const double alk = config->alkalinity_meq_l;
    const bool fresh = ph > fresh_ph && ec < config->source_ec_us_cm + fresh_ec_us_cm;
    const double mean = fresh ? alk : 0.4 * alk;
    if (law->has_carbon) return; /* known from before */
    law->has_carbon = true;
    law->carbon = mean + carbon_least;
    law->carbon_low = fresh ? 0.7 * law->carbon : carbon_least;
}

static void see_ph(
    struct law *law, const struct law_config *config, const struct law_sight *s, double seconds)
{
    struct law_channel *c = &law->channel[1];
    const double ec = law->channel[0].begun ? law->channel[0].mean : config->source_ec_us_cm;
    if (!c->begun) meet_water(law, config, s->ph, ec);
    const struct buffer b = law_buffer(law, config);
    const double slope = buffer_slope(&b, s->ph);
    const struct measured m = { .channel = 1,
        .n = PH_STATES,
        .flows = s->flows,
        .rate_most = rate_most_ph * slope,
        .considered = 1U << PH_GAIN | 1U << PH_FEED | (stirred(law, config) ? 1U << PH_RATE : 0U),
        .y = buffer_alkalinity(&b, s->ph),
        .variance = square(white_share * c->noise * slope) + square(0.003 * slope),
        .h = { [PH_LEVEL] = 1.0, [PH_UNMIXED] = 1.0, [PH_NOISE] = slope } };
    follow_mean(c, s->ph, seconds, config->turnover_s / 6.0);
    (void)take(law, &m);
    c->begun = true;
    c->seen = s->at;
    c->looks++;
    if (c->misses >= MISSES_MOST) on_surprise(law, config, 1);
}

bool law_mixing(const struct law *law)
{
    return law->mixing;
}

double law_mixing_left_s(const struct law *law, const struct law_config *config)
{
    static const double settled_after = 2.5; /* time constants: 4 % are left */
    if (!law->mixing) return 0.0;
    enum {
        LOOKS_LEAST = 5
    }; /* a probe's value is a median: the newest three must be of mixed water */
    const uint32_t a = law->channel[0].looks, b = law->channel[1].looks, looks = a < b ? a : b;
    const double left_s = settled_after * law_mix_long_s(law, config) - law->mixed_s;
    const bool slow_probe =
        looks < LOOKS_LEAST && law->mixed_s < 10.0 * config->turnover_s + 3600.0;
    if (left_s <= 0.0 && slow_probe) return 1.0;
    return left_s > 0.0 ? left_s : 0.0;
}

/* Readings less than this apart tell nothing new. */
static double look_every_s(const struct law_config *config)
{
    return clip(config->turnover_s / 40.0, 0.5, 60.0);
}

bool law_see(struct law *law, const struct law_config *config, const struct law_sight *sight)
{
    static const double blind_s = 600.0;
    const double seconds = (double)mono_since(sight->at, law->looked) / 1000.0;
    const bool first = !law->channel[0].begun && !law->channel[1].begun;
    if (!first && seconds < 0.98 * look_every_s(config)) return false;
    const bool has_ec = sight->has_ec && isfinite(sight->ec_us_cm),
               has_ph = sight->has_ph && isfinite(sight->ph);
    if (!has_ec && !has_ph) return false;
    if (seconds > blind_s && seconds > config->turnover_s && !first)
        law_disturb(law, config, sight->at);
    law_advance(law, config, sight->at, sight->flows);
    law->looked = sight->at;
    if (law->has_dosed && (double)mono_since(sight->at, law->dosed) < 1000.0 * law_way_s(config))
        return true;
    if (has_ec) see_ec(law, config, sight, seconds);
    if (has_ph) see_ph(law, config, sight, seconds);
    if (!law->mixing) return true;
    law_episode_look(law, config);
    if (sight->more || law_mixing_left_s(law, config) > 0.0) return true;
    law_episode_end(law, config);
    law_merge(law);
    return true;
}
