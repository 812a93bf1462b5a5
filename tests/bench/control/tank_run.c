/* A contender gets: the nominal volume (exact) and flow, labels, the water report (alkalinity
 * within 10 %, EC within 5 %), and once a minute the readings of probes that err, through the same
 * trust as the daemon's (lib/sense). It doesn't get the truth, nor how the tank mixes.
 *
 * Caps hold for all, in nominal effects. The alarm about a stock locks it for 36 h. */
#include "tests/bench/control/tank_run.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "lib/sense/probe.h"

enum { ENDS_MAX = 8 };

static const double minute_s = 60.0, day_s = 86400.0;
static const double smallest_ml = 0.5, step_ml = 0.1;
static const double lock_s = 36.0 * 3600.0;

/* --- caps ------------------------------------------------------------------------------------- */

struct cap {
    double dose, hour, day; /* most; 0 for hour: none */
    double in_hour, in_day; /* given, leaking away: e-fold in an hour; evenly over a day */
};

/* From the first simulations, in uS/cm and meq/L. */
static void cap_begin(struct cap cap[STOCKS], const struct facts *f)
{
    const double alk = f->alkalinity_meq_l, acid_day = 1.5 * alk + 0.5;
    cap[FEED] = (struct cap){ 800.0, 1600.0, 2200.0, 0.0, 0.0 };
    cap[ACID] = (struct cap){ 0.5 * alk + 0.25, alk + 0.5, acid_day, 0.0, 0.0 };
    cap[BASE] = (struct cap){ 0.3, 0.0, 0.5 * acid_day, 0.0, 0.0 };
}

/* A minute passes. */
static void cap_leak(struct cap *c)
{
    const double kept = 0.98347145382; /* e^(-1/60) */
    c->in_hour *= kept;
    c->in_day -= c->day * minute_s / day_s;
    if (c->in_day < 0.0) c->in_day = 0.0;
}

static double cap_left(const struct cap *c)
{
    double left = c->dose;
    if (c->hour > 0.0 && c->hour - c->in_hour < left) left = c->hour - c->in_hour;
    if (c->day - c->in_day < left) left = c->day - c->in_day;
    return left > 0.0 ? left : 0.0;
}

/* --- what the contender sees ------------------------------------------------------------------ */

static const struct probe_config ec_config = { .present = true,
    .quantity = PROBE_EC,
    .unit = UNIT_US_CM,
    .least = 0,
    .most = 10000,
    .max_age_ms = 5 * MINUTE_MS,
    .compensated = true,
    .calibrated = true,
    .jump_most = 1000 };
static const struct probe_config ph_config = { .present = true,
    .quantity = PROBE_PH,
    .unit = UNIT_PH,
    .least = 2,
    .most = 12,
    .max_age_ms = 5 * MINUTE_MS,
    .calibrated = true,
    .jump_most = 1,
    .stuck_after_ms = 45 * MINUTE_MS };

static bool take(
    struct probe *p, const struct probe_config *config, double shown, double degc, struct mono now)
{
    const enum probe_verdict v = probe_take(p, config, shown, false, degc, now);
    (void)v;
    return probe_quality_at(p, config, now) == PROBE_GOOD;
}

/* --- one tank --------------------------------------------------------------------------------- */

struct hand {
    const struct tank_run *run;
    void *self;
    struct facts facts;
    double per_ml[STOCKS], ml_s[STOCKS]; /* nominal effect of a millilitre; speed of the pump */
    struct cap cap[STOCKS];
    double locked_to_s[STOCKS];
    double busy_to_s;
    struct probe ec, ph;
    struct {
        int stock;
        double amount, at_s;
    } end[ENDS_MAX];
    uint32_t end_count;
    double given_ml[STOCKS]; /* in this minute, for the trace */
};

static struct mono mono_of(double seconds)
{
    return (struct mono){ (int64_t)(seconds * 1000.0) };
}

static void hand_begin(struct hand *h, const struct reservoir_truth *t)
{
    const struct reservoir_tells *tells = &t->tells;
    const double volume_l = t->tank.volume_l;
    h->facts = (struct facts){
        .volume_l = volume_l,
        .turnover_s = 60.0 * volume_l / t->tank.flow_l_min,
        .alkalinity_meq_l = tells->alkalinity_meq_l,
        .source_ec_us_cm = tells->source_ec_us_cm,
        .band_ec_us_cm = band_ec_us_cm(t->target.ec_us_cm),
        .band_ph = BAND_PH,
        .phosphate_per_us_cm = t->pump[FEED].per_ml.phosphate_mmol / tells->feed_us_cm_per_ml_l,
        .has = { true, true, tells->base_meq_ml > 0.0 },
    };
    h->per_ml[FEED] = tells->feed_us_cm_per_ml_l / volume_l;
    h->per_ml[ACID] = tells->acid_meq_ml / volume_l;
    h->per_ml[BASE] = tells->base_meq_ml / volume_l;
    for (int i = 0; i < STOCKS; i++) {
        h->facts.smallest[i] = smallest_ml * h->per_ml[i];
        h->ml_s[i] = volume_l / PUMP_LITRES;
    }
    cap_begin(h->cap, &h->facts);
    probe_init(&h->ec);
    probe_init(&h->ph);
    h->self = calloc(1, h->run->contender->size);
    if (!h->self) abort();
    h->run->contender->begin(h->self, &h->facts);
}

static void tell_ends(struct hand *h, double now_s)
{
    uint32_t kept = 0;
    for (uint32_t i = 0; i < h->end_count; i++) {
        if (h->end[i].at_s <= now_s)
            h->run->contender->gave(
                h->self, &h->facts, h->end[i].stock, h->end[i].amount, mono_of(h->end[i].at_s));
        else
            h->end[kept++] = h->end[i];
    }
    h->end_count = kept;
}

static void watch_alarms(struct hand *h, const struct reservoir *r, struct score *score)
{
    const struct contender *c = h->run->contender;
    if (!c->alarms) return;
    for (int i = 0; i < STOCKS; i++) {
        if (h->locked_to_s[i] > 0.0 && r->now_s >= h->locked_to_s[i]) {
            h->locked_to_s[i] = 0.0;
            c->acknowledge(h->self, i);
        }
        if (h->locked_to_s[i] > 0.0 || !c->alarms(h->self, i)) continue;
        h->locked_to_s[i] = r->now_s + lock_s;
        score_alarm(score, r, i);
    }
}

/* One pump after the other, each dose rounded down to what pumps can do. */
static void give(struct hand *h, struct reservoir *r, const struct sight *s, struct score *score,
    const double wish[STOCKS])
{
    double at_s = r->now_s;
    for (int i = 0; i < STOCKS; i++) {
        h->given_ml[i] = 0.0;
        if (!(wish[i] > 0.0) || !h->facts.has[i]) continue;
        const double amount = wish[i] < s->most[i] ? wish[i] : s->most[i];
        const double ml = step_ml * floor(amount / h->per_ml[i] / step_ml + 1e-6);
        if (ml < smallest_ml - 1e-9 || h->end_count == ENDS_MAX) continue;
        const double nominal = ml * h->per_ml[i];
        at_s += ml / h->ml_s[i];
        score_dose(score, r, i, nominal, at_s);
        reservoir_pump(r, (uint32_t)i, ml, at_s);
        h->cap[i].in_hour += nominal;
        h->cap[i].in_day += nominal;
        h->end[h->end_count].stock = i;
        h->end[h->end_count].amount = nominal;
        h->end[h->end_count++].at_s = at_s;
        h->given_ml[i] = ml;
    }
    if (at_s > r->now_s) h->busy_to_s = at_s;
}

static void trace(const struct hand *h, const struct reservoir *r, const struct reservoir_look *l,
    const struct sight *s)
{
    FILE *out = h->run->trace;
    const double ec = reservoir_ec(r), ph = reservoir_ph(r);
    fprintf(out, "%.0f,%.2f,%.2f,%.4f,%.2f,%.4f,%.5f,%.2f,%.0f,%.2f,%.1f,%d,%d,%.0f,%.2f",
        r->now_s / minute_s, reservoir_volume(r), ec, ph, reservoir_shown_ec(r, ec),
        reservoir_shown_ph(r, ph), reservoir_alkalinity(r), reservoir_degc(r), l->ec_us_cm, l->ph,
        l->degc, s->has_ec, s->has_ph, s->set_ec_us_cm, s->set_ph);
    for (int i = 0; i < STOCKS; i++) {
        fprintf(out, ",%.1f,%.5g,%d,%d", h->given_ml[i], h->given_ml[i] * h->per_ml[i],
            h->locked_to_s[i] > 0.0, h->facts.has[i] && reservoir_delivers(r, (uint32_t)i));
    }
    if (h->run->contender->tell) h->run->contender->tell(h->self, &h->facts, out);
    fputc('\n', out);
}

static void trace_header(const struct tank_run *run)
{
    fprintf(run->trace, "minute,volume_l,ec,ph,shown_ec,shown_ph,alkalinity,degc,read_ec,read_ph,"
                        "read_degc,has_ec,has_ph,set_ec,set_ph,feed_ml,feed,feed_locked,feed_works,"
                        "acid_ml,acid,acid_locked,acid_works,base_ml,base,base_locked,base_works");
    if (run->contender->columns) fprintf(run->trace, ",%s", run->contender->columns);
    fputc('\n', run->trace);
}

static void live_a_minute(struct hand *h, struct reservoir *r, struct score *score)
{
    const struct contender *c = h->run->contender;
    reservoir_advance(r, minute_s, true);
    const struct reservoir_look look = reservoir_read(r);
    const struct mono now = mono_of(r->now_s);
    struct probe_config ec = ec_config;
    ec.stuck_after_ms = look.ec_us_cm > 800.0 ? 45 * MINUTE_MS : 0; /* too coarse below */
    struct sight s = { .at = now,
        .has_ec = take(&h->ec, &ec, look.ec_us_cm, look.degc, now),
        .has_ph = take(&h->ph, &ph_config, look.ph, look.degc, now),
        .ec_us_cm = h->ec.value,
        .ph = h->ph.value,
        .set_ec_us_cm = reservoir_set_ec(r),
        .set_ph = r->truth.target.ph };
    h->facts.band_ec_us_cm = band_ec_us_cm(s.set_ec_us_cm);
    score_minute(score, r);
    tell_ends(h, r->now_s);
    if (c->see) c->see(h->self, &h->facts, &s);
    watch_alarms(h, r, score);
    double wish[STOCKS] = { 0.0 };
    for (int i = 0; i < STOCKS; i++) {
        cap_leak(&h->cap[i]);
        const bool locked = h->locked_to_s[i] > 0.0;
        s.most[i] = h->facts.has[i] && !locked ? cap_left(&h->cap[i]) : 0.0;
    }
    const bool idle = h->busy_to_s <= r->now_s && h->end_count == 0;
    if (idle) c->ask(h->self, &h->facts, &s, wish);
    give(h, r, &s, score, wish);
    if (h->run->trace) trace(h, r, &look, &s);
}

void tank_run(const struct tank_run *run, struct score *ret)
{
    enum { MINUTES_A_DAY = 1440 };
    if (run->contender->run) {
        run->contender->run(run, ret);
        return;
    }
    struct reservoir_truth truth;
    reservoir_draw(&truth, run->seed, run->faults);
    struct reservoir *r = calloc(1, sizeof *r);
    struct hand *h = calloc(1, sizeof *h);
    if (!r || !h) abort();
    reservoir_init(r, &truth, run->seed);
    h->run = run;
    hand_begin(h, &truth);
    score_begin(ret);
    if (run->trace) trace_header(run);
    for (int m = 0; m < run->days * MINUTES_A_DAY; m++) {
        live_a_minute(h, r, ret);
    }
    score_end(ret, r);
    free(h->self);
    free(h);
    free(r);
}
