/* A proportional-integral law for each of EC and pH. Its output is a rate, uS/cm or meq/L an hour,
 * that is collected until it is worth a pulse. Anti-windup by conditional integration: the integral
 * stands while the output is cut or a pulse is refused. Gains were tuned over a grid on seeds 1 to
 * 32 of the bench, 12 days, as multiples of the tank's turnover (docs/control-bench.md).
 */
#include <string.h>

#include "tests/bench/control/contender.h"

static const double hour_s = 3600.0;
static const double ec_gain = 0.7; /* of the error, for each turnover */
static const double ph_gain = 0.3; /* meq/L for each pH of error and turnover */
static const double integral_turnovers = 60.0;
static const double pulse_us_cm = 10.0, pulse_meq_l = 0.01;
static const double rate_most_us_cm_h = 800.0, rate_most_meq_l_h = 1.0;

struct loop {
    double integral, collected;
};

struct pi {
    struct loop ec, ph;
    struct mono at;
    bool begun;
};

static void begin(void *self, const struct facts *f)
{
    (void)f;
    memset(self, 0, sizeof(struct pi));
}

static double clip(double x, double least, double most)
{
    return x < least ? least : x > most ? most : x;
}

/* The rate (an hour) for an error, 'least' to 'most'. */
static double act(struct loop *l, double error, double gain_h, double hours, double reset_h,
    const double range[2])
{
    const double rate = gain_h * (error + l->integral);
    const bool cut = (rate > range[1] && error > 0.0) || (rate < range[0] && error < 0.0);
    if (!cut) l->integral += error * hours / reset_h;
    return clip(rate, range[0], range[1]);
}

static void see(void *self, const struct facts *f, const struct sight *s)
{
    struct pi *m = self;
    const double hours = m->begun ? (double)mono_since(s->at, m->at) / (1000.0 * hour_s) : 0.0;
    m->at = s->at;
    m->begun = true;
    const double turnover_h = f->turnover_s / hour_s, reset_h = integral_turnovers * turnover_h;
    if (s->has_ec) {
        const double range[2] = { 0.0, rate_most_us_cm_h };
        const double error = s->set_ec_us_cm - s->ec_us_cm;
        m->ec.collected += hours * act(&m->ec, error, ec_gain / turnover_h, hours, reset_h, range);
    }
    if (s->has_ph) {
        const double range[2] = { f->has[BASE] ? -rate_most_meq_l_h : 0.0, rate_most_meq_l_h };
        const double error = s->ph - s->set_ph;
        m->ph.collected += hours * act(&m->ph, error, ph_gain / turnover_h, hours, reset_h, range);
    }
}

static double worth(double pulse, double smallest)
{
    return pulse > smallest ? pulse : smallest;
}

static void ask(void *self, const struct facts *f, const struct sight *s, double give[STOCKS])
{
    struct pi *m = self;
    const double feed = worth(pulse_us_cm, f->smallest[FEED]);
    const double acid = worth(pulse_meq_l, f->smallest[ACID]);
    const double base = worth(pulse_meq_l, f->smallest[BASE]);
    /* what caps refuse isn't saved up */
    m->ec.collected = clip(m->ec.collected, 0.0, worth(s->most[FEED], feed));
    m->ph.collected =
        clip(m->ph.collected, -worth(s->most[BASE], base), worth(s->most[ACID], acid));
    if (s->has_ec && m->ec.collected >= feed) give[FEED] = m->ec.collected;
    if (s->has_ph && m->ph.collected >= acid) give[ACID] = m->ph.collected;
    if (s->has_ph && f->has[BASE] && -m->ph.collected >= base) give[BASE] = -m->ph.collected;
}

static void gave(void *self, const struct facts *f, int stock, double amount, struct mono at)
{
    (void)f, (void)at;
    struct pi *m = self;
    if (stock == FEED) m->ec.collected -= amount;
    if (stock == ACID) m->ph.collected -= amount;
    if (stock == BASE) m->ph.collected += amount;
}

const struct contender contender_pi = {
    .name = "pi",
    .what = "PI with anti-windup, tuned on seeds 1 to 32, gains by turnover",
    .size = sizeof(struct pi),
    .begin = begin,
    .see = see,
    .ask = ask,
    .gave = gave,
};
