#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "tests/simulation/storm/campaign.h"

static bool same_breach(const struct world_options *options, const char *law, int64_t *ret_at_ms)
{
    struct verdict v;
    world_live(options, &v);
    *ret_at_ms = v.first.at_ms;
    return v.breaches > 0 && strcmp(v.first.law, law) == 0;
}

/* The kinds that this world has, named one by one. */
static void name_all(struct world_options *options)
{
    struct weather w;
    weather_draw(&w, options->seed, &options->wish);
    options->wish.only = true;
    for (int f = 0; f < FAULT_COUNT; f++) {
        options->wish.forced[f] = w.on[f];
    }
}

static void drop_kinds(struct world_options *options, const char *law, int64_t *at_ms)
{
    for (int f = 0; f < FAULT_COUNT; f++) {
        if (!options->wish.forced[f]) continue;
        struct world_options fewer = *options;
        int64_t then_ms;
        fewer.wish.forced[f] = false;
        if (!same_breach(&fewer, law, &then_ms)) continue;
        *options = fewer;
        *at_ms = then_ms;
    }
}

static void shorten(struct world_options *options, const char *law, int64_t at_ms)
{
    const int64_t spans[3] = { at_ms + 2 * SECOND_MS, at_ms + at_ms / 3 + MINUTE_MS,
        at_ms + 11 * HOUR_MS };
    for (int i = 0; i < 3; i++) {
        struct world_options shorter = *options;
        int64_t then_ms;
        shorter.span_ms = (spans[i] + SECOND_MS - 1) / SECOND_MS * SECOND_MS;
        if (shorter.span_ms >= options->span_ms || !same_breach(&shorter, law, &then_ms)) continue;
        *options = shorter;
        return;
    }
}

void shrink_world(struct world_options *options, const struct verdict *verdict)
{
    struct world_options named = *options;
    int64_t at_ms;
    name_all(&named);
    named.talks = false;
    if (!same_breach(&named, verdict->first.law, &at_ms)) return;
    drop_kinds(&named, verdict->first.law, &at_ms);
    shorten(&named, verdict->first.law, at_ms);
    *options = named;
}

void print_replay(const struct world_options *options)
{
    printf("simulation.storm --from %" PRIu64 " --seeds 1 --days %.6g", options->seed,
        (double)options->span_ms / (double)DAY_MS);
    if (options->wish.kinds > 0) printf(" --kinds %" PRIu32, options->wish.kinds);
    bool any = false;
    for (int f = 0; f < FAULT_COUNT; f++) {
        if (!options->wish.forced[f]) continue;
        printf(" --%sfault %s", options->wish.only ? "only-" : "", fault_kinds[f].name);
        any = true;
    }
    if (options->wish.only && !any) printf(" --only-fault none");
    printf("\n");
}
