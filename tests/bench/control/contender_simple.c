/* What is commonly built: fixed pulses with a pause, and doses in proportion to the distance. */
#include <string.h>

#include "lib/control/buffer.h"
#include "tests/bench/control/contender.h"

/* Common practice, no source: a pulse of half a band of EC, of 0.05 meq/L of acid or base; then a
 * quarter of an hour of waiting. */
static const double pulse_us_cm = 50.0, pulse_meq_l = 0.05;

struct simple {
    struct mono free_at;
};

static void begin(void *self, const struct facts *f)
{
    (void)f;
    memset(self, 0, sizeof(struct simple));
}

static void idle_ask(void *self, const struct facts *f, const struct sight *s, double give[STOCKS])
{
    (void)self, (void)f, (void)s, (void)give;
}

static void idle_gave(void *self, const struct facts *f, int stock, double amount, struct mono at)
{
    (void)self, (void)f, (void)stock, (void)amount, (void)at;
}

const struct contender contender_idle = {
    .name = "idle",
    .what = "doses nothing: what the simulation itself costs",
    .size = sizeof(struct simple),
    .begin = begin,
    .ask = idle_ask,
    .gave = idle_gave,
};

/* --- pulses ----------------------------------------------------------------------------------- */

static double at_least(double a, double b)
{
    return a > b ? a : b;
}

static void pulses_ask(
    void *self, const struct facts *f, const struct sight *s, double give[STOCKS])
{
    const struct simple *m = self;
    if (mono_since(s->at, m->free_at) < 0) return;
    const double low_ec = s->set_ec_us_cm - 0.5 * f->band_ec_us_cm;
    if (s->has_ec && s->ec_us_cm < low_ec) give[FEED] = at_least(pulse_us_cm, f->smallest[FEED]);
    if (!s->has_ph) return;
    if (s->ph > s->set_ph + 0.5 * f->band_ph)
        give[ACID] = at_least(pulse_meq_l, f->smallest[ACID]);
    else if (f->has[BASE] && s->ph < s->set_ph - 0.75 * f->band_ph)
        give[BASE] = at_least(pulse_meq_l, f->smallest[BASE]);
}

static void pulses_gave(void *self, const struct facts *f, int stock, double amount, struct mono at)
{
    (void)f, (void)stock, (void)amount;
    struct simple *m = self;
    m->free_at = mono_after(at, 15 * MINUTE_MS);
}

const struct contender contender_pulses = {
    .name = "pulses",
    .what = "fixed pulses (0.05 mS/cm, 0.05 meq/L), then 15 min of waiting",
    .size = sizeof(struct simple),
    .begin = begin,
    .ask = pulses_ask,
    .gave = pulses_gave,
};

/* --- proportional ----------------------------------------------------------------------------- */

/* Half of the distance, by nominal volume and label, acid by the buffer curve of source water; then
 * it waits for one turnover, ten minutes at least. EC comes first. */
static void proportional_ask(
    void *self, const struct facts *f, const struct sight *s, double give[STOCKS])
{
    const struct simple *m = self;
    static const double part = 0.5, phosphate_mmol_l = 1.2;
    if (mono_since(s->at, m->free_at) < 0 || !s->has_ec || !s->has_ph) return;
    const struct buffer curve = { f->alkalinity_meq_l + 0.05, phosphate_mmol_l };
    const double low_by = s->set_ec_us_cm - s->ec_us_cm, high_by = s->ph - s->set_ph;
    const double meq_l =
        part * (buffer_alkalinity(&curve, s->ph) - buffer_alkalinity(&curve, s->set_ph));
    if (low_by > f->band_ec_us_cm)
        give[FEED] = part * low_by;
    else if (high_by > 0.5 * f->band_ph)
        give[ACID] = meq_l;
    else if (-high_by > 0.75 * f->band_ph && f->has[BASE])
        give[BASE] = -meq_l;
    else if (low_by > 0.5 * f->band_ec_us_cm)
        give[FEED] = part * low_by;
}

static void proportional_gave(
    void *self, const struct facts *f, int stock, double amount, struct mono at)
{
    (void)stock, (void)amount;
    struct simple *m = self;
    const int64_t turnover_ms = (int64_t)(f->turnover_s * 1000.0);
    m->free_at = mono_after(at, turnover_ms > 10 * MINUTE_MS ? turnover_ms : 10 * MINUTE_MS);
}

const struct contender contender_proportional = {
    .name = "proportional",
    .what = "half of the distance by nominal volume and label, then one turnover of waiting",
    .size = sizeof(struct simple),
    .begin = begin,
    .ask = proportional_ask,
    .gave = proportional_gave,
};
