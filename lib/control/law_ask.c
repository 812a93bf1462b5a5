/* The next dose: what is wanted, and how much of it is safe. */
#include <math.h>
#include <string.h>

#include "lib/control/law_inside.h"

/* Normal quantile of LAW_CHANCE. */
static const double chance_z = 3.09;

/* When to act and what to aim at, in parts of the band. Below its setpoint pH may drift further: it
 * tends to rise by itself, while CO2 leaves and nitrate is taken up. */
static const double trigger_ec = 0.35, trigger_acid = 0.35, trigger_base = 0.75;
static const double aim_base = 0.25, aim_drift = 0.5;
static const double ahead_hours = 6.0;

static const double sure_by = 1.5; /* deviations that the need must be clear of */
static const double worth = 0.6;   /* part of what is wanted that is given rather than waited for */
static const double dose_sd = 0.04;

/* A stock that wasn't seen to work in this episode gets no more than this. */
static const double unproven_us_cm = 150.0, unproven_meq_l = 0.12, unproven_telling = 5.0;

/* The buffer is never known better than this over a move of half a pH; less over a smaller one. */
static const double buffer_sd = 0.22, buffer_sd_least = 0.06;

/* Base isn't given for so long after acid; acid after base only above the band. */
static const int64_t quiet_ms = 6 * HOUR_MS;

/* Caps on top of all limits: an hour's and a day's feed in parts of the setpoint; acid in parts of
 * the source's alkalinity, and besides. */
static const double hour_feed = 0.9, day_feed = 1.25, dose_feed = 0.45;
static const double acid_per_alk[3] = { 0.5, 1.0, 1.5 }, acid_more[3] = { 0.25, 0.5, 0.5 };
static const double base_dose = 0.3;

struct state {
    const struct law *law;
    const struct law_config *config;
    const struct law_wish *wish;
    struct law_moments ec, ph;
    double ph_now; /* when all has mixed */
};

static double square(double x)
{
    return x * x;
}

static double least(double a, double b)
{
    return a < b ? a : b;
}

static double most(double a, double b)
{
    return a > b ? a : b;
}

static double clip(double x, double low, double high)
{
    return x < low ? low : x > high ? high : x;
}

/* The largest u >= 0 for which 'room' - u gain stays above z deviations of it all. */
static double chance_most(
    double room, const struct law_moments *m, double gain_variance, double more_variance)
{
    enum { HALVINGS = 30 };
    const double base = m->level_variance + more_variance;
    if (room <= chance_z * sqrt(base)) return 0.0;
    double low = 0.0, high = room / m->gain;
    for (int i = 0; i < HALVINGS; i++) {
        const double u = 0.5 * (low + high);
        const double variance = base + 2.0 * u * fabs(m->level_gain) +
                                u * u * (gain_variance + square(dose_sd * m->gain));
        if (room - u * m->gain >= chance_z * sqrt(variance))
            low = u;
        else
            high = u;
    }
    return low;
}

/* --- caps ------------------------------------------------------------------------------------- */

static double cap(const struct state *s, enum law_stock stock)
{
    const struct law_stock_watch *w = &s->law->watch[stock];
    const double alk = s->config->alkalinity_meq_l, set = s->wish->set_ec_us_cm;
    double dose, hour, day;
    if (stock == LAW_FEED) {
        dose = dose_feed * set;
        hour = hour_feed * set - w->hour;
        day = day_feed * set - w->day;
    } else {
        const double part = stock == LAW_BASE ? 0.5 : 1.0;
        dose = stock == LAW_BASE ? base_dose : acid_per_alk[0] * alk + acid_more[0];
        hour = part * (acid_per_alk[1] * alk + acid_more[1]) - w->hour;
        day = part * (acid_per_alk[2] * alk + acid_more[2]) - w->day;
    }
    return most(least(least(dose, hour), least(day, s->wish->most[stock])), 0.0);
}

static double unproven(const struct state *s, enum law_stock stock)
{
    const struct law_stock_watch *w = &s->law->watch[stock];
    const struct law_episode *e = &s->law->episode;
    const bool proven = e->runs && e->given[stock] > 0.0 && !(w->unseen > 0.0);
    if (proven) return 1e300;
    const double telling = law_telling(s->law, s->config, stock);
    const double gain = stock == LAW_FEED ? s->ec.gain : s->ph.gain;
    double allowed = stock == LAW_FEED ? unproven_us_cm
                                       : most(unproven_meq_l, unproven_telling * telling / gain);
    if (w->silent > 0) allowed = 4.0 * telling * (1.0 + 0.5 * w->silent) / gain;
    return most(allowed - (e->runs ? w->unseen : 0.0), 0.0);
}

/* --- EC --------------------------------------------------------------------------------------- */

struct want {
    double amount; /* what the aim needs; 0: nothing */
    double safe;   /* and what chance and caps leave */
};

/* The feed is sour, too: it must not carry pH below its band. */
static double feed_for_ph(const struct state *s, double u)
{
    enum { HALVINGS = 12 };
    static const double always = 60.0; /* uS/cm: else feeding would never come back by itself */
    const double low_ph = s->wish->set_ph - s->config->band_ph;
    if (s->ph_now > s->wish->set_ph + 2.0 * s->config->band_ph) return u;
    const double pull = s->ph.feed_pull + chance_z * sqrt(s->ph.pull_variance);
    double low = 0.0, high = u;
    for (int i = 0; i < HALVINGS; i++) {
        const double middle = i == 0 ? high : 0.5 * (low + high);
        const struct buffer b = law_buffer(s->law, s->config, s->ec.level + middle * s->ec.gain);
        const double after = s->ph.level - middle / 1000.0 * most(pull, 0.0);
        if (after >= buffer_alkalinity(&b, low_ph))
            low = middle;
        else
            high = middle;
        if (low >= high) break;
    }
    return most(low, least(u, always));
}

static struct want want_feed(const struct state *s)
{
    const double band = s->config->band_ec_us_cm, set = s->wish->set_ec_us_cm;
    const double aim = set - clip(s->ec.rate * ahead_hours, 0.0, aim_drift * band);
    const double need = aim - s->ec.level, sd = sqrt(s->ec.level_variance);
    struct want w = { 0.0, 0.0 };
    if (need < trigger_ec * band || set - s->ec.level < trigger_ec * band) return w;
    w.amount = need / s->ec.gain;
    if (need < sure_by * sd) return w;
    w.safe =
        least(w.amount, chance_most(set + band - s->ec.level, &s->ec, s->ec.gain_variance, 0.0));
    if (w.safe > 0.0) w.safe = feed_for_ph(s, w.safe);
    return w;
}

/* --- pH --------------------------------------------------------------------------------------- */

static double gain_variance_over(const struct state *s, double ph_move)
{
    const double sd = buffer_sd_least + buffer_sd * least(fabs(ph_move) / 0.5, 1.0);
    return most(s->ph.gain_variance, square(sd * s->ph.gain));
}

/* 'fed' (uS/cm) goes in just before. */
static struct want want_acid(const struct state *s, double fed)
{
    const double band = s->config->band_ph, set = s->wish->set_ph;
    const struct buffer b = law_buffer(s->law, s->config, s->ec.level + fed * s->ec.gain);
    const double level = s->ph.level - fed / 1000.0 * s->ph.feed_pull;
    const double fed_variance = square(fed / 1000.0) * s->ph.pull_variance;
    const double ph = buffer_ph(&b, level), slope = buffer_slope(&b, ph);
    const double sd_ph = sqrt(s->ph.level_variance + fed_variance) / slope;
    struct want w = { 0.0, 0.0 };
    if (ph < set + trigger_acid * band) return w;
    const double rise = s->ph.rate / slope * ahead_hours;
    const double aim = set - clip(rise, 0.0, aim_drift * band);
    w.amount = (level - buffer_alkalinity(&b, aim)) / s->ph.gain;
    if (ph - set < sure_by * sd_ph) return w;
    w.safe = least(w.amount, chance_most(level - buffer_alkalinity(&b, set - band), &s->ph,
                                 gain_variance_over(s, ph - aim), fed_variance));
    return w;
}

static struct want want_base(const struct state *s)
{
    const double band = s->config->band_ph, set = s->wish->set_ph;
    const struct buffer b = law_buffer(s->law, s->config, s->ec.level);
    const double ph = s->ph_now, slope = buffer_slope(&b, ph);
    struct want w = { 0.0, 0.0 };
    if (ph > set - trigger_base * band) return w;
    const double aim = set - aim_base * band;
    w.amount = (buffer_alkalinity(&b, aim) - s->ph.level) / s->ph.gain;
    if (set - ph < sure_by * sqrt(s->ph.level_variance) / slope) return w;
    w.safe = least(w.amount, chance_most(buffer_alkalinity(&b, set + band) - s->ph.level, &s->ph,
                                 gain_variance_over(s, aim - ph), 0.0));
    return w;
}

/* --- the answer ------------------------------------------------------------------------------- */

/* LAW_GIVES with the amount, or why not. */
static enum law_verdict settle_on(
    const struct state *s, enum law_stock stock, const struct want *w, double *ret)
{
    const double smallest = s->config->smallest[stock];
    *ret = 0.0;
    if (!s->config->has[stock]) return LAW_NO_STOCK;
    if (w->amount < smallest) return LAW_SMALL;
    const double allowed = cap(s, stock), proof = unproven(s, stock);
    if (allowed < smallest) return LAW_HELD;
    const double give = least(least(w->safe, proof), allowed);
    const double goal = least(least(w->amount, allowed), proof);
    if (give < smallest) return LAW_WAITS;
    if (s->law->mixing && give < worth * goal) return LAW_WAITS;
    if (s->law->mixing && give < worth * w->amount && proof < 1e299 && s->law->episode.runs &&
        s->law->watch[stock].unseen > 0.0)
        return LAW_WAITS; /* it must show first */
    *ret = give;
    return LAW_GIVES;
}

static bool quiet_since(const struct state *s, enum law_stock other)
{
    const struct law_stock_watch *w = &s->law->watch[other];
    return !w->has_given || mono_since(s->wish->at, w->gave) >= quiet_ms;
}

static void answer_ph(const struct state *s, struct law_answer *a)
{
    const struct want acid = want_acid(s, a->give[LAW_FEED]);
    const bool above = s->ph_now > s->wish->set_ph + s->config->band_ph;
    if (acid.amount > 0.0 && (above || quiet_since(s, LAW_BASE))) {
        const enum law_verdict v = settle_on(s, LAW_ACID, &acid, &a->give[LAW_ACID]);
        if (a->verdict == LAW_GIVES) return;
        a->verdict = v;
        a->wanted = LAW_ACID;
        return;
    }
    if (a->verdict == LAW_GIVES || !quiet_since(s, LAW_ACID)) return;
    const struct want base = want_base(s);
    if (!(base.amount > 0.0)) return;
    a->verdict = settle_on(s, LAW_BASE, &base, &a->give[LAW_BASE]);
    a->wanted = LAW_BASE;
}

static void foretell(const struct state *s, struct law_answer *a)
{
    const double ec = s->ec.level + a->give[LAW_FEED] * s->ec.gain;
    const struct buffer b = law_buffer(s->law, s->config, ec);
    const double level = s->ph.level - a->give[LAW_FEED] / 1000.0 * s->ph.feed_pull;
    const double moved = s->ph.gain * (a->give[LAW_BASE] - a->give[LAW_ACID]);
    a->ec_rise_us_cm = a->give[LAW_FEED] * s->ec.gain;
    if (fabs(moved) > 0.0) a->ph_move = buffer_ph(&b, level + moved) - buffer_ph(&b, level);
}

static void tell_why(const struct state *s, struct law_answer *a)
{
    const struct buffer b = law_buffer(s->law, s->config, s->ec.level);
    const double slope = buffer_slope(&b, s->ph_now);
    a->why = (struct law_why){ .ec_us_cm = s->ec.level,
        .ec_sd = sqrt(s->ec.level_variance),
        .ec_per_hour = s->ec.rate,
        .ph = s->ph_now,
        .ph_sd = sqrt(s->ph.level_variance) / slope,
        .ph_per_hour = s->ph.rate / slope,
        .gain = { s->ec.gain, s->ph.gain, s->ph.gain },
        .gain_sd = { sqrt(s->ec.gain_variance), sqrt(s->ph.gain_variance),
            sqrt(s->ph.gain_variance) },
        .mix_s = law_mix_s(s->law, s->config) };
}

double law_effect_of(
    const struct law *law, const struct law_config *config, enum law_stock stock, double amount)
{
    const struct law_moments ec = law_moments_ec(law), ph = law_moments_ph(law);
    if (stock == LAW_FEED) return amount * ec.gain;
    const struct buffer b = law_buffer(law, config, ec.level);
    const double moved = (stock == LAW_ACID ? -1.0 : 1.0) * amount * ph.gain;
    return fabs(buffer_ph(&b, ph.level + moved) - buffer_ph(&b, ph.level));
}

double law_amount_for(const struct law *law, const struct law_config *config, enum law_stock stock,
    double effect, double at_most)
{
    const struct law_moments ec = law_moments_ec(law), ph = law_moments_ph(law);
    if (stock == LAW_FEED) return least(at_most, effect / most(ec.gain, 1e-3));
    const struct buffer b = law_buffer(law, config, ec.level);
    const double to = buffer_ph(&b, ph.level) + (stock == LAW_ACID ? -effect : effect);
    const double meq_l = fabs(buffer_alkalinity(&b, to) - ph.level) / most(ph.gain, 1e-3);
    return least(at_most, meq_l);
}

struct law_answer law_ask(
    const struct law *law, const struct law_config *config, const struct law_wish *wish)
{
    struct law_answer a = { .verdict = LAW_CONTENT };
    const bool blind = !law->channel[0].begun || !law->channel[1].begun;
    if (blind) {
        a.verdict = LAW_WAITS;
        return a;
    }
    struct state s = { law, config, wish, law_moments_ec(law), law_moments_ph(law), 0.0 };
    static const double gain_least = 0.2;
    s.ec.gain = most(s.ec.gain, gain_least);
    s.ph.gain = most(s.ph.gain, gain_least);
    const struct buffer b = law_buffer(law, config, s.ec.level);
    s.ph_now = buffer_ph(&b, s.ph.level);
    tell_why(&s, &a);
    if (law->channel[0].misses > 0 || law->channel[1].misses > 0) {
        a.verdict = LAW_WAITS;
        return a;
    }
    const struct want feed = want_feed(&s);
    if (feed.amount > 0.0) {
        a.verdict = settle_on(&s, LAW_FEED, &feed, &a.give[LAW_FEED]);
        a.wanted = LAW_FEED;
    }
    answer_ph(&s, &a);
    if (a.verdict == LAW_CONTENT && s.ec.level > wish->set_ec_us_cm + config->band_ec_us_cm)
        a.verdict = LAW_WANTS_WATER;
    foretell(&s, &a);
    return a;
}
