#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/forecast/forecast.h"
#include "lib/base/text.h"

static const char *const limit_words[FORECAST_LIMITS] = {
    [FORECAST_DOSE] = "for one dose",
    [FORECAST_HOUR] = "hour",
    [FORECAST_DAY] = "day",
    [FORECAST_EC_RISE] = "EC rise in an hour",
    [FORECAST_PH_MOVE] = "pH move in an hour",
    [FORECAST_SPACING] = "time between acid and base",
    [FORECAST_ROOM] = "doses to be remembered",
};

const char *forecast_limit_words(enum forecast_limit limit)
{
    return limit_words[limit];
}

/* --- what the twin tells ---------------------------------------------------------------------- */

static void on_alert(struct forecast *f, const struct record *r, struct now at)
{
    const char *id = record_text_or_empty(r, "alert");
    bool on = false;
    if (!record_truth(r, "on", &on) || !on) return;
    f->alerts++;
    if (f->noticed || !f->watched[0] || strncmp(id, f->watched, strlen(f->watched)) != 0) return;
    f->noticed = true;
    f->noticed_at = at;
    (void)text_copy(f->notice, sizeof f->notice, id);
}

static void on_record(void *context, const struct record *record, struct now at)
{
    struct forecast *f = context;
    if (f->report) report_take(f->report, record, at.civil);
    if (record_is(record, "alert")) on_alert(f, record, at);
}

static void on_emptied(void *context, uint32_t stock, struct now at)
{
    struct forecast *f = context;
    struct forecast_stock *s = &f->stock[stock];
    if (s->emptied < FORECAST_DATES_MAX) s->at[s->emptied] = at.civil;
    s->emptied++;
}

static int64_t zone_offset_ms(void *context, const char *zone, struct civil at)
{
    int64_t offset_ms = 0;
    (void)context;
    return clock_zone_offset(&offset_ms, zone, at) ? offset_ms : 0;
}

struct civil forecast_midnight(const struct site *site, uint32_t tank, struct civil date)
{
    const char *zone = site->tank[tank].schedule.zone;
    return (struct civil){ date.ms - zone_offset_ms(NULL, zone, date) };
}

/* --- looking ---------------------------------------------------------------------------------- */

/* The core's own words tell which limit holds a stock back: "leaf-a is wanted, but its daily limit
 * holds it back for another 2 h". */
static bool read_limit(const char *why, enum forecast_limit *ret)
{
    static const enum forecast_limit of[DOSE_VERDICT_COUNT] = {
        [DOSE_OVER_DOSE] = FORECAST_DOSE,
        [DOSE_OVER_HOUR] = FORECAST_HOUR,
        [DOSE_OVER_DAY] = FORECAST_DAY,
        [DOSE_OVER_EC_RISE] = FORECAST_EC_RISE,
        [DOSE_OVER_PH_MOVE] = FORECAST_PH_MOVE,
        [DOSE_TOO_SMALL] = FORECAST_DOSE,
        [DOSE_TOO_MANY] = FORECAST_ROOM,
    };
    for (int v = DOSE_OVER_DOSE; v < DOSE_VERDICT_COUNT; v++) {
        const char *phrase = dose_verdict_phrase((enum dose_verdict)v);
        if (strncmp(why, phrase, strlen(phrase)) != 0) continue;
        *ret = of[v];
        return true;
    }
    return false;
}

static void look_at_limits(struct forecast *f, uint32_t i, const struct tank_view *v)
{
    static const char but[] = " is wanted, but ";
    const struct site *site = f->plan.site;
    const char *reason = strstr(v->why, but);
    enum forecast_limit limit;
    const int32_t acid = site->tank[i].lowers_ph, base = site->tank[i].raises_ph;
    if (v->state != TANK_WAITING) return;
    if (strstr(v->why, "after") && strstr(v->why, "waits") && acid >= 0 && base >= 0) {
        const bool is_acid = strncmp(v->why, "acid", 4) == 0;
        const uint32_t pump = (uint32_t)(is_acid ? acid : base);
        f->tank[i].held_ms[FORECAST_SPACING][site->tank[i].pump[pump].stock] += FORECAST_LOOK_MS;
        return;
    }
    if (!reason || !read_limit(reason + sizeof but - 1, &limit)) return;
    const size_t length = (size_t)(reason - v->why);
    for (uint32_t s = 0; s < site->stock_count; s++) {
        const char *key = site->stock[s].key;
        if (strlen(key) == length && strncmp(v->why, key, length) == 0)
            f->tank[i].held_ms[limit][s] += FORECAST_LOOK_MS;
    }
}

/* Half a band more is forgiven to none: in its band is what the words say. */
static void judge(
    struct forecast_tank *t, const struct site_tank *config, double ec_off, double ph_off)
{
    const bool ec_in = fabs(ec_off) <= config->band_ec_us_cm;
    const bool ph_in = fabs(ph_off) <= config->band_ph;
    if (ec_in && t->ec_reached_ms < 0) t->ec_reached_ms = t->planted_ms;
    if (ph_in && t->ph_reached_ms < 0) t->ph_reached_ms = t->planted_ms;
    if (t->ec_reached_ms >= 0) {
        t->ec_since_ms += FORECAST_LOOK_MS;
        t->ec_in_ms += ec_in ? FORECAST_LOOK_MS : 0;
        if (ec_off - config->band_ec_us_cm > t->ec_over_us_cm)
            t->ec_over_us_cm = ec_off - config->band_ec_us_cm;
    }
    if (t->ph_reached_ms >= 0) {
        t->ph_since_ms += FORECAST_LOOK_MS;
        t->ph_in_ms += ph_in ? FORECAST_LOOK_MS : 0;
        if (fabs(ph_off) - config->band_ph > t->ph_off) t->ph_off = fabs(ph_off) - config->band_ph;
    }
}

static void look(struct forecast *f, uint32_t i)
{
    const struct now now = twin_now(f->twin);
    const struct site_tank *config = &f->plan.site->tank[i];
    struct forecast_tank *t = &f->tank[i];
    const struct reservoir *water = twin_water(f->twin, i);
    const double ec = reservoir_ec(water), ph = reservoir_ph(water);
    struct tank_view v;
    core_view_tank(twin_core(f->twin), i, now, &v);
    t->looked_ms += FORECAST_LOOK_MS;
    if (f->report) {
        report_truth(f->report, config->key, REPORT_EC, now.civil, ec);
        report_truth(f->report, config->key, REPORT_PH, now.civil, ph);
    }
    if (!v.planted) return;
    judge(t, config, ec - v.set_ec_us_cm, ph - v.set_ph);
    t->planted_ms += FORECAST_LOOK_MS;
    look_at_limits(f, i, &v);
}

void forecast_pass(struct forecast *f, int64_t span_ms)
{
    for (; span_ms > 0; span_ms -= FORECAST_LOOK_MS) {
        twin_run(f->twin, span_ms < FORECAST_LOOK_MS ? span_ms : FORECAST_LOOK_MS);
        for (uint32_t i = 0; i < f->plan.site->tank_count; i++) {
            look(f, i);
        }
    }
    for (uint32_t s = 0; s < f->plan.site->stock_count; s++) {
        f->stock[s].used_ml = 0;
    }
    for (uint32_t i = 0; i < f->plan.site->tank_count; i++) {
        const struct site_tank *config = &f->plan.site->tank[i];
        for (uint32_t p = 0; p < config->pump_count; p++) {
            f->stock[config->pump[p].stock].used_ml += twin_given(f->twin, i, p).delivered_ml;
        }
    }
}

/* --- opening ---------------------------------------------------------------------------------- */

static void assume(struct forecast *f, uint32_t i)
{
    const struct forecast_plan *plan = &f->plan;
    const char *zone = plan->site->tank[i].schedule.zone;
    const int64_t local_ms = plan->from.ms + zone_offset_ms(NULL, zone, plan->from);
    const int64_t starts_ms = ((local_ms % DAY_MS) + DAY_MS) % DAY_MS;
    twin_assume(&f->truth[i], plan->site, i, plan->seed, plan->volume, starts_ms);
    f->tank[i].ec_reached_ms = f->tank[i].ph_reached_ms = -1;
}

enum err forecast_open(struct forecast *f, const struct forecast_plan *plan, struct report *report,
    bool refills, struct problem *problem)
{
    const struct site *site = plan->site;
    memset(f, 0, sizeof *f);
    f->plan = *plan;
    f->report = report;
    f->block = malloc(twin_size(site));
    f->truth = calloc(site->tank_count + 1u, sizeof *f->truth);
    f->tank = calloc(site->tank_count + 1u, sizeof *f->tank);
    if (!f->block || !f->truth || !f->tank)
        return problem_set(problem, ERR_IO, site->key, "there is no memory for a site this large");
    for (uint32_t i = 0; i < site->tank_count; i++) {
        assume(f, i);
    }
    const struct twin_setup setup = { .site = site,
        .truth = f->truth,
        .seed = plan->seed,
        .start = { { 0 }, plan->from, CLOCK_SYNCED },
        .probe_every_ms = FORECAST_READING_MS,
        .beat_ms = FORECAST_BEAT_MS,
        .refills = refills,
        .ears = { .context = f,
            .record = on_record,
            .emptied = on_emptied,
            .zone_offset_ms = zone_offset_ms } };
    f->twin = twin_init(f->block, &setup);
    return ERR_NONE;
}

void forecast_close(struct forecast *f)
{
    free(f->block);
    free(f->truth);
    free(f->tank);
    memset(f, 0, sizeof *f);
}
