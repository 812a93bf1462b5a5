#include <stddef.h>
#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/core/state.h"

enum {
    ENTRIES_LEAST = 16,  /* in the smallest window */
    ENTRIES_MOST = 2048, /* in the largest: beyond it, entries merge */
    MOVES = 256,         /* EC and pH moves remembered for an hour */
};

static const int64_t FAR_PAST_MS = -(INT64_C(1) << 60);

/* A window holds as many of the smallest doses as its day may have, and some runs by hand. */
static uint32_t entries_of(const struct stock_limits *limits)
{
    const int64_t wanted = limits->day_ul / limits->smallest_ul + ENTRIES_LEAST;
    return (uint32_t)(wanted < ENTRIES_MOST ? wanted : ENTRIES_MOST);
}

static size_t aligned(size_t bytes)
{
    const size_t unit = _Alignof(max_align_t);
    return (bytes + unit - 1) / unit * unit;
}

static size_t tanks_at(void)
{
    return aligned(sizeof(struct core));
}

static size_t entries_at(const struct site *site)
{
    return tanks_at() + aligned(site->tank_count * sizeof(struct core_tank));
}

size_t core_size(const struct site *site)
{
    size_t entries = 0;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        const struct site_tank *tank = &site->tank[i];
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            entries += entries_of(&tank->pump[p].limits);
        }
        entries += 2 * (size_t)MOVES;
    }
    return entries_at(site) + entries * sizeof(struct window_entry);
}

static void lay_out_tank(struct core_tank *t, const struct site *site,
    const struct site_tank *config, struct window_entry **room, struct now now)
{
    for (uint32_t p = 0; p < config->pump_count; p++) {
        const uint32_t n = entries_of(&config->pump[p].limits);
        window_init(&t->pump[p].window, *room, n, DAY_MS);
        *room += n;
    }
    window_init(&t->ec_rise, *room, MOVES, HOUR_MS);
    *room += MOVES;
    window_init(&t->ph_move, *room, MOVES, HOUR_MS);
    *room += MOVES;
    for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        probe_init(&t->probe[q]);
    }
    t->override_for_ms = 8 * HOUR_MS;
    if (t->override_for_ms > config->override_most_ms)
        t->override_for_ms = config->override_most_ms;
    site_law(&t->model, site, config);
    law_init(&t->law, &t->model, now.mono);
    t->seen_at[0] = t->seen_at[1] = t->pumped_at = (struct mono){ FAR_PAST_MS };
    t->water_due = now.mono;
    t->ask_law = true;
    t->not_before = (struct mono){ FAR_PAST_MS };
    t->acid_ended = t->base_ended = (struct mono){ FAR_PAST_MS };
    t->last_pump = -1;
    t->upkeep.due = t->upkeep.counted_at = now.mono;
    t->due = now.mono;
    core_say(t, TANK_STARTING, "it is starting");
}

/* What isn't used isn't touched, so that it never becomes real memory: the rooms of chains that the
 * site hasn't (half a megabyte), and the windows' entries (50 MiB of a thousand tanks), of which
 * none is read before it was added. */
static void clear(void *block, const struct site *site)
{
    char *bytes = block;
    const size_t chains = offsetof(struct core, chain);
    const size_t rest = chains + sizeof((struct core *)0)->chain;
    memset(bytes, 0, chains + site->chain_count * sizeof(struct core_chain));
    memset(bytes + rest, 0, entries_at(site) - rest);
}

struct core *core_init(
    void *block, const struct site *site, const struct core_identity *identity, struct now now)
{
    clear(block, site);
    struct core *core = block;
    core->site = site;
    core->identity = *identity;
    core->journal_ok = true;
    asked_init(&core->asked, now.mono);
    core->tank = (struct core_tank *)(void *)((char *)block + tanks_at());
    struct window_entry *room = (struct window_entry *)(void *)((char *)block + entries_at(site));
    for (uint32_t i = 0; i < site->tank_count; i++) {
        lay_out_tank(&core->tank[i], site, &site->tank[i], &room, now);
    }
    INVARIANT((char *)room == (char *)block + core_size(site));
    for (uint32_t s = 0; s < site->stock_count; s++) {
        core->stock[s].remaining_ul = site->stock[s].bottle_ul;
    }
    for (uint32_t c = 0; c < site->chain_count; c++) {
        core->chain[c].due = now.mono;
        core->chain[c].owner_at = (struct mono){ FAR_PAST_MS };
        core->chain[c].halt_sent = (struct mono){ FAR_PAST_MS };
        core->chain[c].motor_at = (struct mono){ FAR_PAST_MS };
    }
    core->peer_at = (struct mono){ FAR_PAST_MS };
    core->seen = now.mono;
    core->link_since = now.mono;
    return core;
}

bool core_say(struct core_tank *t, enum tank_state state, const char *why)
{
    t->state = state;
    text_copy(t->why, sizeof t->why, why);
    return false;
}

void core_hold_back(struct core *core, bool back)
{
    core->held_back = back;
}

bool core_quiet(const struct core *core)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_tank *t = &core->tank[i];
        if (t->dose.used || t->step == STEP_INJECT || t->step == STEP_FLUSH) return false;
    }
    return true;
}
