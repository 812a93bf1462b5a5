/* What pumps are calibrated to: three runs, each of which somebody measured. I1: whatever is dosed
 * afterwards goes by the rate that they gave, and a volume that can't be right gives none. */
#include <math.h>
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

/* Of what the file's rate gives; all three differ by no more than that. */
#define BELIEVED_LEAST 0.5
#define BELIEVED_MOST 1.5
#define SPREAD_MOST 0.05
#define TOLD_TO 0.0006 /* a rate is, in mL/s: three decimals */

static double filed(const struct observer *o, int32_t pump)
{
    return observe_pump_rule(o->site, pump)->ul_per_ms;
}

double observe_rate_least(const struct observer *o, uint32_t side, int32_t pump)
{
    const struct rate_watch *w = &o->rate[side][pump];
    const double loose = w->loose ? TOLD_TO : 0.0;
    if (w->count > 0 && !w->unsure) return w->found[w->count - 1] - loose;
    double least = filed(o, pump);
    for (uint32_t i = 0; i < w->count; i++) {
        if (w->found[i] < least) least = w->found[i];
    }
    return least - loose;
}

static bool gives(const struct rate_watch *w, double ul_per_ms, int64_t ms, int64_t ul)
{
    const double slack = w->loose ? TOLD_TO * (double)ms : 0.0;
    return fabs((double)ms * ul_per_ms - (double)ul) <= 1.0 + ul_per_ms + slack;
}

bool observe_rate_gives(
    const struct observer *o, uint32_t side, int32_t pump, int64_t ms, int64_t ul)
{
    const struct rate_watch *w = &o->rate[side][pump];
    if (w->count > 0 && !w->unsure) return gives(w, w->found[w->count - 1], ms, ul);
    bool any = gives(w, filed(o, pump), ms, ul);
    for (uint32_t i = 0; i < w->count; i++) {
        any = any || gives(w, w->found[i], ms, ul);
    }
    return any;
}

void observe_rate_runs(struct observer *o, uint32_t side, int32_t pump, int64_t ran_ms)
{
    o->rate[side][pump].ran_ms = ran_ms;
}

void observe_rate_kept(struct observer *o, uint32_t side)
{
    for (int p = 0; p < OBSERVE_PUMPS; p++) {
        struct rate_watch *w = &o->rate[side][p];
        w->kept = w->count;
        w->runs_kept = true;
    }
}

void observe_rate_dies(struct observer *o, uint32_t side)
{
    for (int p = 0; p < OBSERVE_PUMPS; p++) {
        struct rate_watch *w = &o->rate[side][p];
        const bool hurt = o->disk[side].hurt;
        w->unsure |= w->count > 0 && (hurt || w->kept < w->count);
        w->runs_unsure |= hurt || !w->runs_kept;
    }
}

void observe_rate_leaves(struct observer *o, uint32_t side, int tank)
{
    for (int s = 0; s < OBSERVE_SLOTS; s++) {
        struct rate_watch *w = &o->rate[side][tank * OBSERVE_SLOTS + s];
        w->unsure |= w->count > 0;
        w->runs_unsure = true;
    }
}

/* The same once more: nothing comes of it. */
static bool again(struct rate_watch *w, const char *id)
{
    if (!id[0]) return false;
    for (uint32_t i = 0; i < w->ids && i < VOLUMES_KEPT; i++) {
        if (strcmp(w->id[i], id) == 0) return true;
    }
    (void)strncpy(w->id[w->ids++ % VOLUMES_KEPT], id, OBSERVE_WORD - 1);
    return false;
}

static void need_a_run(struct observer *o, int32_t pump, const struct fact_measured *f,
    const struct rate_watch *w, int64_t at_ms)
{
    if (w->runs_unsure) return;
    const double ratio = (double)f->ul / ((double)w->ran_ms * filed(o, pump));
    if (w->ran_ms == 0)
        observe_say(o, "I1", at_ms, "%lld uL of pump %d are taken for a run that wasn't there",
            (long long)f->ul, pump);
    else if (ratio < 0.99 * BELIEVED_LEAST || ratio > 1.01 * BELIEVED_MOST)
        observe_say(o, "I1", at_ms,
            "%lld uL of pump %d are believed, %.2f times what its rate gives", (long long)f->ul,
            pump, ratio);
    if (f->told == TOLD_RUN && f->n > w->runs + 1)
        observe_say(o, "I1", at_ms, "run %u of pump %d is measured, taken for the %u.", w->runs + 1,
            pump, f->n);
}

/* What all of them come to, by all volume over all time. */
static double rate_of(const struct rate_watch *w, bool *ret_even)
{
    double least = (double)INFINITY, most = 0.0, sum = 0.0;
    int64_t ms = 0, ul = 0;
    for (int i = 0; i < RUNS_TOGETHER; i++) {
        const double r = (double)w->run[i].ul / (double)w->run[i].ms;
        least = fmin(least, r);
        most = fmax(most, r);
        sum += r;
        ms += w->run[i].ms;
        ul += w->run[i].ul;
    }
    *ret_even = RUNS_TOGETHER * (most - least) <= 1.001 * SPREAD_MOST * sum;
    return (double)ul / (double)ms;
}

static void find(struct rate_watch *w, double ul_per_ms)
{
    if (w->count == RATES_MOST) memmove(w->found, w->found + 1, --w->count * sizeof w->found[0]);
    w->found[w->count++] = ul_per_ms;
    w->kept = w->kept < w->count ? w->kept : w->count - 1;
    w->unsure = w->runs_unsure = false;
}

static void conclude(struct observer *o, int32_t pump, struct rate_watch *w,
    const struct fact_measured *f, int64_t at_ms)
{
    bool even = true;
    double rate = f->ul_per_ms;
    if (!w->runs_unsure && w->runs == RUNS_TOGETHER) rate = rate_of(w, &even);
    const bool all = w->runs_unsure || w->runs == RUNS_TOGETHER;
    if (!all) observe_say(o, "I1", at_ms, "pump %d is calibrated by %u runs", pump, w->runs);
    w->loose = w->runs_unsure;
    w->runs = 0;
    if (f->told == TOLD_UNEVEN) return;
    if (!even || fabs(rate - f->ul_per_ms) > TOLD_TO)
        observe_say(o, "I1", at_ms, "pump %d is calibrated to %.4f uL/ms; %s %.4f", pump,
            f->ul_per_ms, even ? "its runs gave" : "its runs, too uneven, gave", rate);
    find(w, rate);
}

/* A row that was begun isn't kept for ever: what was measured first, or all of it, may be gone. */
static void count_anew(struct rate_watch *w, uint32_t before)
{
    w->runs_unsure = before > 0 && (w->runs_unsure || w->runs != before);
    w->runs = before;
}

void observe_measured(
    struct observer *o, uint32_t side, const struct fact_measured *f, int64_t at_ms)
{
    const int32_t pump = (int32_t)(f->tank * OBSERVE_SLOTS + f->slot);
    struct rate_watch *w = &o->rate[side][pump];
    if (f->told == TOLD_NO || again(w, f->id)) return;
    need_a_run(o, pump, f, w, at_ms);
    if (f->told == TOLD_RUN) count_anew(w, f->n - 1);
    if (w->runs < RUNS_TOGETHER) {
        w->run[w->runs].ms = w->ran_ms;
        w->run[w->runs].ul = f->ul;
        w->runs++;
    }
    w->ran_ms = 0;
    w->runs_kept = false;
    if (f->told != TOLD_RUN) conclude(o, pump, w, f, at_ms);
}
