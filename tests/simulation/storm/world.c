#include "tests/simulation/storm/world.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/simulation/storm/guard.h"

enum { LOOK_EVERY_MS = 600000, VOUCH_MS = 120000 };

static const int64_t start_civil_ms = INT64_C(1930000000000);

const struct site *world_site(const struct world *w)
{
    return &w->premises.variant[0].config.site;
}

void world_mark(struct world *w, uint64_t number)
{
    w->trace = (w->trace ^ number) * UINT64_C(1099511628211);
    w->trace ^= w->trace >> 29;
}

void world_mark_text(struct world *w, const char *text)
{
    for (; *text; text++) {
        w->trace = (w->trace ^ (unsigned char)*text) * UINT64_C(1099511628211);
    }
}

void world_say(const struct world *w, const char *format, ...)
{
    if (!w->options.talks) return;
    va_list list;
    printf("%12.3f  ", (double)w->t_ms / 1000.0);
    va_start(list, format);
    vprintf(format, list);
    va_end(list);
    printf("\n");
}

/* --- time ------------------------------------------------------------------------------------- */

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static int64_t next_ms(const struct world *w)
{
    int64_t at_ms = least(net_due(&w->net), chains_due(w));
    at_ms = least(at_ms, relays_next(w));
    at_ms = least(at_ms, boards_due(w));
    at_ms = least(at_ms, probes_due(w));
    at_ms = least(at_ms, w->look_ms);
    at_ms = least(at_ms, w->vouch_ms);
    at_ms = least(at_ms, calibrator_due(w));
    at_ms = least(at_ms, weather_due(&w->weather));
    return at_ms <= w->t_ms ? w->t_ms + 1 : at_ms;
}

static void turn(struct world *w)
{
    bool ends;
    for (enum fault f = weather_take(&w->weather, w->t_ms, &ends); f != FAULT_COUNT;
         f = weather_take(&w->weather, w->t_ms, &ends)) {
        world_say(w, "%s: %s", ends ? "mended" : "fault", fault_kinds[f].name);
        if (ends)
            world_mend(w, f);
        else
            world_strike(w, f);
    }
    chains_turn(w);
    relays_live(w);
    net_turn(w);
    probes_turn(w);
    boards_turn(w);
    if (w->vouch_ms <= w->t_ms) people_vouch(w);
    if (calibrator_due(w) <= w->t_ms) calibrator_turns(w);
    if (w->look_ms > w->t_ms) return;
    w->look_ms = w->t_ms + LOOK_EVERY_MS;
    world_look(w);
}

static void run_until(struct world *w, int64_t end_ms)
{
    for (;;) {
        const int64_t at_ms = next_ms(w);
        if (at_ms > end_ms || observe_breaches(w->observer) > 0) break;
        w->t_ms = at_ms;
        turn(w);
    }
    if (w->t_ms < end_ms) w->t_ms = end_ms;
}

/* --- birth and end ---------------------------------------------------------------------------- */

static struct world *world_new(const struct world_options *options)
{
    struct world *w = calloc(1, sizeof *w);
    if (!w) abort();
    w->options = *options;
    shell_talks_in(w);
    w->observer = observe_begin();
    const int64_t heal_ms =
        options->span_ms / 4 < 10 * HOUR_MS ? options->span_ms / 4 : 10 * HOUR_MS;
    w->heal_ms = options->span_ms - heal_ms;
    weather_draw(&w->weather, options->seed, &options->wish);
    const struct manner is = { .plain = weather_site(&w->weather, FAULT_PLAIN_OUTPUTS),
        .floor = weather_site(&w->weather, FAULT_LEVEL_AND_LEAK),
        .is_signed = weather_site(&w->weather, FAULT_SIGNED_SITE),
        .measures = w->weather.on[FAULT_CALIBRATION] };
    premises_draw(&w->premises, options->seed, start_civil_ms, &is);
    w->vouch_ms = is.plain ? VOUCH_MS : INT64_MAX;
    net_init(&w->net, options->seed);
    observe_site(w->observer, &w->premises.variant[0].rules);
    waters_init(w);
    probes_init(w);
    w->look_ms = LOOK_EVERY_MS;
    boards_init(w);
    chains_init(w);
    relays_begin(w);
    return w;
}

static void world_free(struct world *w)
{
    boards_done(w);
    net_done(&w->net);
    observe_free(w->observer);
    free(w);
}

static void live(void *context)
{
    struct world *w = context;
    run_until(w, w->heal_ms);
    if (observe_breaches(w->observer) > 0) return;
    world_heal(w);
    run_until(w, w->options.span_ms);
    if (observe_breaches(w->observer) == 0) world_look_over(w);
}

void world_live(const struct world_options *options, struct verdict *ret)
{
    struct world *w = world_new(options);
    char broken[200] = "";
    if (!guard_run(live, w, broken, sizeof broken))
        observe_breach(w->observer, "I14", w->t_ms, broken);
    memset(ret, 0, sizeof *ret);
    ret->breaches = observe_breaches(w->observer);
    ret->first = *observe_first(w->observer);
    ret->trace = w->trace;
    ret->doses = w->doses;
    ret->found = w->calibrator.found;
    ret->refused = w->calibrator.refused;
    memcpy(ret->fires, w->weather.fires, sizeof ret->fires);
    world_free(w);
}
