/* The next dose: what is wanted, and how much of it is safe. */
#include <math.h>
#include <string.h>

#include "lib/chem/quick_exp.h"
#include "lib/control/law_inside.h"

/* Normal quantile of LAW_CHANCE. */
static const double chance_z = 3.09;

/* When to act and what to aim at, in parts of the band. Below its setpoint pH may drift further: it
 * tends to rise by itself, while CO2 leaves and nitrate is taken up. */
static const double trigger_ec = 0.35, trigger_acid = 0.35, trigger_base = 0.75;
static const double aim_base = 0.25, aim_drift = 0.5;
static const double ahead_hours = 6.0;

static const double settled_after = 2.5;
static const double no_hurry = 1.2; /* parts of the band */
static const double sure_by = 1.5;  /* deviations that the need must be clear of */
static const double worth = 0.6; /* part of what is wanted that is given rather than waited for */
static const double dose_sd = 0.04;

/* A stock that wasn't seen to work in this episode gets no more than this. */
static const double unproven_us_cm = 150.0, unproven_meq_l = 0.12, unproven_telling = 5.0;
static const double pace_doubt = 0.3;
static const double proof_turnovers = 5.0; /* a proof holds for so long */

/* The curve's phosphate is right within this part of what it makes up between two pH. */
static const double phosphate_doubt = 0.1, curve_doubt = 0.14;

/* A tank that loses CO2 at this pace is looked ahead for. */
static const double co2_per_hour = 0.1;

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
    struct filter ec, ph;
    double ec_gain, carbon;
    double ph_now, ph_sd; /* when all has mixed */
    double slope;         /* meq/L for each pH there */
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

/* A dose uses up 'room' before an edge, 'gain' for each of its amount. */
struct edge {
    double room, gain;
    double variance; /* of where the water is */
    double relative; /* of what a dose does to it: square of the deviation of its logarithm */
};

/* The most that stays on this side: both doubts at their worst, which is more than both together.
 */
static double chance_most(const struct edge *e)
{
    const double room = e->room - chance_z * sqrt(most(e->variance, 0.0));
    if (!(room > 0.0)) return 0.0;
    return room / e->gain * quick_exp(-chance_z * sqrt(e->relative + square(dose_sd)));
}

/* Some hours on, if nothing is given. */
static double ph_ahead(const struct state *s)
{
    const double gas = 1.0 - buffer_parts_at(0.0, s->ph_now).share;
    const double left = 1.0 - least(co2_per_hour * gas * ahead_hours, 0.9);
    const double carbon = s->carbon > 0.0 ? s->carbon * left : s->carbon;
    return law_ph_of(s->law, s->config, s->ec.x[EC_LEVEL], carbon,
        s->ph.x[PH_LEVEL] + ahead_hours * s->ph.x[PH_RATE]);
}

/* --- caps ------------------------------------------------------------------------------------- */

/* The amount that is expected to move EC or pH as far as it may be moved. */
static double by_move(const struct state *s, enum law_stock stock)
{
    if (stock == LAW_FEED) return s->wish->rise_most_us_cm / most(s->ec_gain, 1.0);
    const struct buffer b = { s->carbon, law_phosphate(s->config, s->ec.x[EC_LEVEL]) };
    const double move = s->wish->move_most_ph;
    const double to = s->ph_now + (stock == LAW_ACID ? -move : move);
    return fabs(buffer_alkalinity(&b, to) - s->ph.x[PH_LEVEL]) / s->ph.x[PH_GAIN];
}

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
    return most(
        least(least(least(dose, hour), least(day, s->wish->most[stock])), by_move(s, stock)), 0.0);
}

static double unproven(const struct state *s, enum law_stock stock)
{
    const struct law_stock_watch *w = &s->law->watch[stock];
    const struct law_episode *e = &s->law->episode;
    const double ago_s = (double)mono_since(s->wish->at, w->showed) / 1000.0;
    const bool lately = w->has_shown && ago_s < proof_turnovers * s->config->turnover_s;
    if (lately && !(w->unseen > 0.0) && w->silent == 0) return 1e300;
    const double telling = law_telling(s->law, s->config, stock);
    const double gain = stock == LAW_FEED ? s->ec_gain : s->ph.x[PH_GAIN];
    double allowed = stock == LAW_FEED ? unproven_us_cm
                                       : most(unproven_meq_l, unproven_telling * telling / gain);
    if (w->silent > 0) allowed = 4.0 * telling * (1.0 + 0.5 * w->silent) / gain;
    if (e->runs && w->unseen > 0.0) return 0.0; /* it must show first */
    return most(allowed, s->config->smallest[stock]);
}

/* --- EC --------------------------------------------------------------------------------------- */

struct want {
    double amount; /* what the aim needs; 0: nothing */
    double safe;   /* what chance leaves of it */
    double later;  /* what it would leave if the water were mixed and well known */
    bool out;      /* of its band */
    bool near;     /* no hurry: the water may settle first, so that something is learned */
};

static double cov(const struct filter *f, int i, int j)
{
    return filter_cov(f, i, j);
}

/* The feed is sour, too: it must not carry pH below its band. */
static double feed_for_ph(const struct state *s, double u)
{
    enum { HALVINGS = 12 };
    static const double always = 60.0; /* uS/cm: else feeding would never come back by itself */
    const double low_ph = s->wish->set_ph - s->config->band_ph;
    if (s->ph_now > s->wish->set_ph + 2.0 * s->config->band_ph) return u;
    const double pull = s->ph.x[PH_FEED] + chance_z * sqrt(cov(&s->ph, PH_FEED, PH_FEED));
    double low = 0.0, high = u;
    for (int i = 0; i < HALVINGS && low < high; i++) {
        const double middle = i == 0 ? high : 0.5 * (low + high);
        const double ec = s->ec.x[EC_LEVEL] + middle * s->ec_gain;
        const double after = s->ph.x[PH_LEVEL] - middle / 1000.0 * most(pull, 0.0);
        if (law_ph_of(s->law, s->config, ec, s->carbon, after) >= low_ph)
            low = middle;
        else
            high = middle;
    }
    return most(low, least(u, most(always, s->config->smallest[LAW_FEED])));
}

static void weigh(struct want *w, const struct edge *edge)
{
    struct edge known = *edge;
    known.variance = 0.0;
    w->safe = least(w->amount, chance_most(edge));
    w->later = least(w->amount, chance_most(&known));
}

static struct want want_feed(const struct state *s)
{
    const double band = s->config->band_ec_us_cm, set = s->wish->set_ec_us_cm;
    const double level = s->ec.x[EC_LEVEL], variance = cov(&s->ec, EC_LEVEL, EC_LEVEL);
    const double aim = set - clip(s->ec.x[EC_RATE] * ahead_hours, 0.0, aim_drift * band);
    const double need = aim - level;
    struct want w = { 0 };
    if (need < trigger_ec * band || set - level < trigger_ec * band) return w;
    if (s->law->channel[0].last > set) return w; /* whatever is foretold: seen is seen */
    w.amount = need / s->ec_gain;
    w.near = need < no_hurry * band;
    w.out = need > band;
    w.later = w.amount;
    if (need < sure_by * sqrt(variance)) return w;
    /* What is still to come of the last doses is known as well as the pace of mixing. */
    const double coming = most(-s->ec.x[EC_UNMIXED], 0.0);
    const struct edge edge = { .room = set + band - level - pace_doubt * coming,
        .gain = s->ec_gain,
        .variance = variance,
        .relative = cov(&s->ec, EC_GAIN, EC_GAIN) / square(s->ec_gain) };
    weigh(&w, &edge);
    if (w.safe > 0.0) w.safe = feed_for_ph(s, w.safe);
    return w;
}

/* --- pH --------------------------------------------------------------------------------------- */

/* 'sign' -1: acid, towards the low edge of the band; +1: base, towards the high one. 'fed' (uS/cm)
 * goes in just before. */
static struct edge edge_of_ph(const struct state *s, double sign, double fed, double ph)
{
    const struct filter *f = &s->ph;
    const double phosphate = law_phosphate(s->config, s->ec.x[EC_LEVEL] + fed * s->ec_gain);
    const double at = s->wish->set_ph + sign * s->config->band_ph;
    const struct buffer_parts edge = buffer_parts_at(phosphate, at),
                              here = buffer_parts_at(phosphate, ph);
    const double fed_ms_cm = fed / 1000.0;
    const double level = f->x[PH_LEVEL] - fed_ms_cm * f->x[PH_FEED];
    const double carbon = (here.share - edge.share) * s->carbon, rest = here.rest - edge.rest;
    const double low = (here.share - edge.share) * (s->carbon - s->law->carbon_low);
    const double doubt = square(low / chance_z) + square(phosphate_doubt * rest);
    const double relative =
        doubt / square(carbon + rest) + cov(f, PH_GAIN, PH_GAIN) + square(curve_doubt);
    /* What is still to come of the last doses is as doubtful as the next. */
    const double coming = most(-sign * f->x[PH_UNMIXED], 0.0);
    const double reserve = coming * (quick_exp(chance_z * sqrt(relative)) - 1.0);
    return (struct edge){ .room = sign * (s->carbon * edge.share + edge.rest - level) - reserve,
        .gain = f->x[PH_GAIN],
        .variance = cov(f, PH_LEVEL, PH_LEVEL) + square(fed_ms_cm) * cov(f, PH_FEED, PH_FEED),
        .relative = relative };
}

/* Of pH while the next dose settles. */
static double settling_rise(const struct state *s)
{
    const double hours = settled_after * law_mix_long_s(s->law, s->config) / 3600.0;
    return most(s->ph.x[PH_RATE] / s->slope * hours, 0.0);
}

static struct want want_acid(const struct state *s, double fed)
{
    const double band = s->config->band_ph, set = s->wish->set_ph;
    const double ec = s->ec.x[EC_LEVEL] + fed * s->ec_gain;
    const double level = s->ph.x[PH_LEVEL] - fed / 1000.0 * s->ph.x[PH_FEED];
    const double ph = fed > 0.0 ? law_ph_of(s->law, s->config, ec, s->carbon, level) : s->ph_now;
    struct want w = { 0 };
    if (ph < set + trigger_acid * band || s->law->channel[1].last < set) return w;
    const double aim = set - clip(ph_ahead(s) - s->ph_now, 0.0, aim_drift * band);
    const struct buffer b = { s->carbon, law_phosphate(s->config, ec) };
    w.amount = (level - buffer_alkalinity(&b, aim)) / s->ph.x[PH_GAIN];
    w.near = ph + settling_rise(s) - set < no_hurry * band;
    w.out = ph > set + band;
    w.later = w.amount;
    if (ph - set < sure_by * s->ph_sd) return w;
    const struct edge edge = edge_of_ph(s, -1.0, fed, ph);
    weigh(&w, &edge);
    return w;
}

static struct want want_base(const struct state *s)
{
    const double band = s->config->band_ph, set = s->wish->set_ph;
    struct want w = { 0 };
    if (s->ph_now > set - trigger_acid * band) return w;
    const double fall = clip(s->ph_now - ph_ahead(s), 0.0, aim_drift * band);
    const double trigger = fall > 0.0 ? trigger_acid : trigger_base;
    if (s->ph_now > set - trigger * band || s->law->channel[1].last > set) return w;
    const struct buffer b = { s->carbon, law_phosphate(s->config, s->ec.x[EC_LEVEL]) };
    const double aim = fall > 0.0 ? set + fall : set - aim_base * band;
    w.amount = (buffer_alkalinity(&b, aim) - s->ph.x[PH_LEVEL]) / s->ph.x[PH_GAIN];
    w.near = set - s->ph_now < no_hurry * band;
    w.out = s->ph_now < set - band;
    w.later = w.amount;
    if (set - s->ph_now < sure_by * s->ph_sd) return w;
    const struct edge edge = edge_of_ph(s, 1.0, 0.0, s->ph_now);
    weigh(&w, &edge);
    return w;
}

/* --- the answer ------------------------------------------------------------------------------- */

/* One dose after the other for so long: the water must settle, so that they can be judged. */
static bool overdue(const struct state *s)
{
    static const double most_of_it = 6.0; /* time constants */
    const double ran_s = (double)mono_since(s->wish->at, s->law->episode.began) / 1000.0;
    return s->law->episode.runs && ran_s > most_of_it * law_mix_long_s(s->law, s->config);
}

/* LAW_GIVES with the amount, or why not. */
static enum law_verdict settle_on(
    const struct state *s, enum law_stock stock, const struct want *w, double *ret)
{
    const double smallest = s->config->smallest[stock];
    *ret = 0.0;
    if (!s->config->has[stock]) return w->out ? LAW_NO_STOCK : LAW_CONTENT;
    if (w->amount < smallest) return LAW_SMALL;
    const double allowed = cap(s, stock), proof = unproven(s, stock);
    if (allowed < smallest) return LAW_HELD;
    const double give = least(least(w->safe, proof), allowed);
    const double goal = least(least(w->later, allowed), proof);
    if (give < smallest) return w->later < smallest && !s->law->mixing ? LAW_COARSE : LAW_WAITS;
    if (s->law->mixing && (w->near || give < worth * goal || overdue(s))) return LAW_WAITS;
    *ret = give;
    return LAW_GIVES;
}

static bool quiet_since(const struct state *s, enum law_stock other)
{
    const struct law_stock_watch *w = &s->law->watch[other];
    return !w->has_given || mono_since(s->wish->at, w->gave) >= quiet_ms;
}

/* What pH needs takes the place of what feed was told only if it is given, or feed needs nothing.
 */
static void answer_for(
    const struct state *s, enum law_stock stock, const struct want *w, struct law_answer *a)
{
    const enum law_verdict v = settle_on(s, stock, w, &a->give[stock]);
    if (v == LAW_WAITS) a->mixing_helps = true;
    if (a->verdict != LAW_CONTENT && v != LAW_GIVES) return;
    if (a->verdict == LAW_GIVES) return;
    a->verdict = v;
    a->wanted = stock;
}

static void answer_ph(const struct state *s, struct law_answer *a)
{
    const double set = s->wish->set_ph, band = s->config->band_ph;
    const struct want acid = want_acid(s, a->give[LAW_FEED]);
    if (acid.amount > 0.0 && (s->ph_now > set + band || quiet_since(s, LAW_BASE))) {
        answer_for(s, LAW_ACID, &acid, a);
        return;
    }
    if (a->give[LAW_FEED] > 0.0) return;
    const struct want base = want_base(s);
    if (base.amount > 0.0 && (quiet_since(s, LAW_ACID) || !s->config->has[LAW_BASE]))
        answer_for(s, LAW_BASE, &base, a);
    if (a->verdict == LAW_CONTENT && fabs(s->ph_now - set) > band) {
        a->verdict = LAW_QUIET;
        a->wanted = s->ph_now > set ? LAW_ACID : LAW_BASE;
    }
}

static void foretell(const struct state *s, struct law_answer *a)
{
    const double fed = a->give[LAW_FEED];
    const double ec = s->ec.x[EC_LEVEL] + fed * s->ec_gain;
    const double level = s->ph.x[PH_LEVEL] - fed / 1000.0 * s->ph.x[PH_FEED];
    const double moved = s->ph.x[PH_GAIN] * (a->give[LAW_BASE] - a->give[LAW_ACID]);
    a->ec_rise_us_cm = fed * s->ec_gain;
    if (fabs(moved) > 0.0)
        a->ph_move = law_ph_of(s->law, s->config, ec, s->carbon, level + moved) -
                     law_ph_of(s->law, s->config, ec, s->carbon, level);
}

static void tell_why(const struct state *s, struct law_answer *a)
{
    const double gain = s->ph.x[PH_GAIN], gain_sd = sqrt(cov(&s->ph, PH_GAIN, PH_GAIN));
    a->why = (struct law_why){ .ec_us_cm = s->ec.x[EC_LEVEL],
        .ec_sd = sqrt(cov(&s->ec, EC_LEVEL, EC_LEVEL)),
        .ec_per_hour = s->ec.x[EC_RATE],
        .ph = s->ph_now,
        .ph_sd = s->ph_sd,
        .ph_per_hour = (ph_ahead(s) - s->ph_now) / ahead_hours,
        .buffer_meq_l = s->slope,
        .carbon_mmol_l = s->carbon,
        .gain = { s->ec_gain, gain, gain },
        .gain_sd = { sqrt(cov(&s->ec, EC_GAIN, EC_GAIN)), gain_sd, gain_sd },
        .mix_s = law_mix_s(s->law, s->config) };
}

static struct state state_of(
    const struct law *law, const struct law_config *config, const struct law_wish *wish)
{
    static const double gain_least = 0.2;
    struct state s = {
        .law = law, .config = config, .wish = wish, .ec = law_all_ec(law), .ph = law_all_ph(law)
    };
    s.ec_gain = most(s.ec.x[EC_GAIN], gain_least);
    s.carbon = law->carbon;
    const double ec = s.ec.x[EC_LEVEL], level = s.ph.x[PH_LEVEL];
    const struct buffer b = { s.carbon, law_phosphate(config, ec) };
    s.ph_now = buffer_ph(&b, level, law->channel[1].mean);
    s.slope = buffer_slope(&b, s.ph_now);
    s.ph_sd = sqrt(cov(&s.ph, PH_LEVEL, PH_LEVEL)) / s.slope;
    return s;
}

double law_effect_of(
    const struct law *law, const struct law_config *config, enum law_stock stock, double amount)
{
    const struct state s = state_of(law, config, NULL);
    if (stock == LAW_FEED) return amount * s.ec_gain;
    const double moved = (stock == LAW_ACID ? -1.0 : 1.0) * amount * s.ph.x[PH_GAIN];
    const double to = law_ph_of(law, config, s.ec.x[EC_LEVEL], s.carbon, s.ph.x[PH_LEVEL] + moved);
    return fabs(to - s.ph_now);
}

struct law_answer law_ask(
    const struct law *law, const struct law_config *config, const struct law_wish *wish)
{
    struct law_answer a = { .verdict = LAW_BLIND };
    if (!law->channel[0].begun || !law->channel[1].begun) return a;
    const struct state s = state_of(law, config, wish);
    if (law->channel[0].misses > 0 || law->channel[1].misses > 0) return a;
    a.verdict = LAW_CONTENT;
    const struct want feed = want_feed(&s);
    if (feed.amount > 0.0) {
        a.verdict = settle_on(&s, LAW_FEED, &feed, &a.give[LAW_FEED]);
        a.wanted = LAW_FEED;
        a.mixing_helps = a.verdict == LAW_WAITS;
    }
    answer_ph(&s, &a);
    if (a.verdict == LAW_CONTENT && s.ec.x[EC_LEVEL] > wish->set_ec_us_cm + config->band_ec_us_cm)
        a.verdict = LAW_WANTS_WATER;
    if (a.verdict != LAW_CONTENT) tell_why(&s, &a);
    if (a.verdict == LAW_GIVES) foretell(&s, &a);
    return a;
}
