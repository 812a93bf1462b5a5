/* Somebody calibrates pumps: three runs of each into a cylinder, whose volume they read and say.
 * Now and then their cylinder is the wrong one, or they misread it. */
#include <stdlib.h>
#include <string.h>

#include "tests/simulation/storm/world.h"

enum { HURRY_MS = 10000, TIME_MS = 90000 };

static struct prng *chance(struct world *w)
{
    return &w->weather.chance[FAULT_CALIBRATION];
}

int64_t calibrator_due(const struct world *w)
{
    return w->calibrator.there ? w->calibrator.due_ms : INT64_MAX;
}

static void take_time(struct world *w)
{
    w->calibrator.due_ms = w->t_ms + HURRY_MS + prng_below(chance(w), TIME_MS);
}

/* A pump, and how they read what it gives: near enough, or not. */
static void begin_series(struct world *w)
{
    struct calibrator *p = &w->calibrator;
    struct prng *c = &w->weather.chance[FAULT_MISREAD];
    p->slot = (uint32_t)prng_below(chance(w), world_site(w)->tank[p->tank].pump_count);
    p->scale = 1.0;
    p->unsteady = p->runs = false;
    if (!weather_strikes(&w->weather, FAULT_MISREAD)) return;
    switch (prng_below(c, 4)) {
    case 0:
        p->scale = prng_below(c, 2) ? 10.0 : 0.1;
        break;
    case 1:
        p->unsteady = true;
        break;
    default:
        p->scale = 0.55 + 0.9 * prng_unit(c);
        break;
    }
}

void calibrator_comes(struct world *w, uint32_t tank)
{
    struct calibrator *p = &w->calibrator;
    if (w->relay[tank].there) return;
    p->there = true;
    p->tank = tank;
    p->benched = false;
    begin_series(w);
    take_time(w);
}

void calibrator_goes(struct world *w)
{
    struct calibrator *p = &w->calibrator;
    if (p->there && p->benched) (void)errand_put_on_bench(w, p->tank, false);
    p->there = false;
}

/* To within a hundredth, and whatever is wrong with it. */
static int64_t read_ul(struct world *w)
{
    struct calibrator *p = &w->calibrator;
    double ml = w->water[p->tank].cup_ml[p->slot] * p->scale;
    ml *= 0.99 + 0.02 * prng_unit(chance(w));
    if (p->unsteady) ml *= 0.8 + 0.4 * prng_unit(chance(w));
    return nearest(1000.0 * ml);
}

/* The cylinder is emptied before. */
static void ask_for_run(struct world *w)
{
    struct calibrator *p = &w->calibrator;
    const struct stock_limits *l = &world_site(w)->tank[p->tank].pump[p->slot].limits;
    const int64_t more_ul = l->dose_ul - l->smallest_ul;
    struct event_request q = { .kind = REQUEST_CALIBRATE_PUMP,
        .tank = p->tank,
        .stock = p->slot,
        .cup = true,
        .ul = l->smallest_ul + prng_below(chance(w), more_ul / 3 + 1) };
    w->water[p->tank].cup_ml[p->slot] = 0.0;
    p->runs = true;
    errand_send(w, &q, chance(w));
}

/* Now and then they say it although no run waits for it. */
static void say_volume(struct world *w)
{
    struct calibrator *p = &w->calibrator;
    struct event_request q = {
        .kind = REQUEST_MEASURED, .ticket = 1, .tank = p->tank, .stock = p->slot, .ul = read_ul(w)
    };
    p->runs = prng_below(chance(w), 12) == 0;
    if (q.ul <= 0) return;
    errand_send(w, &q, chance(w));
}

static bool turns(const struct world *w)
{
    const struct calibrator *p = &w->calibrator;
    const struct site_pump *pump = &world_site(w)->tank[p->tank].pump[p->slot];
    const struct chain_side *c = &w->chain[pump->address.chain];
    return c->seen[pump->address.position - 1][pump->address.channel].runs;
}

void calibrator_turns(struct world *w)
{
    struct calibrator *p = &w->calibrator;
    take_time(w);
    if (!w->errands.bench[p->tank]) {
        p->benched = errand_put_on_bench(w, p->tank, true);
        p->runs = false;
    } else if (!p->runs) {
        ask_for_run(w);
    } else if (!turns(w)) {
        say_volume(w);
    }
}

/* --- what they are told ------------------------------------------------------------------------
 */

void calibrator_says(struct world *w, uint32_t board, const struct event_request *q)
{
    const bool counts = q->kind == REQUEST_MEASURED && errand_trusted(w, q) && !q->origin.retained;
    w->calibrator.says = counts ? q : NULL;
    w->calibrator.says_to = board;
}

/* "run 2 of 3: 0.812 mL/s. ..." or "0.812 mL/s, spread ... It holds from now on" */
void calibrator_hears(struct world *w, bool ok, const char *text)
{
    struct calibrator *p = &w->calibrator;
    const struct event_request *q = p->says;
    if (!q) return;
    const bool more = strncmp(text, "run ", 4) == 0;
    const bool holds = strstr(text, "It holds from now on") != NULL;
    const struct fact_measured fact = { .tank = q->tank,
        .slot = q->stock,
        .ul = q->ul,
        .id = q->id,
        .told = !ok     ? TOLD_NO
                : more  ? TOLD_RUN
                : holds ? TOLD_HOLDS
                        : TOLD_UNEVEN,
        .n = more ? (uint32_t)strtoul(text + 4, NULL, 10) : 0,
        .ul_per_ms = strtod(text, NULL) };
    world_say(w, "daemon %u: %.3f mL of %u.%u: %s", p->says_to, (double)q->ul / 1000.0, q->tank,
        q->stock, text);
    observe_measured(w->observer, p->says_to, &fact, w->t_ms);
    p->found += holds;
    p->refused += !ok;
    if (!ok && !p->runs && prng_below(chance(w), 2)) {
        p->runs = true; /* they look again, and say it again */
        p->scale = 1.0;
        p->unsteady = false;
    }
    if (ok && !more && q->tank == p->tank && q->stock == p->slot) begin_series(w);
}
