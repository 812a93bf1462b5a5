#include "lib/forecast/twin.h"

#include <stdalign.h>
#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/forecast/twin_inside.h"

enum {
    TICKS_MOST = 4096, /* at one instant */
    LINK_AFTER_MS = 200,
};

static const int64_t far_ms = INT64_MAX / 2;

/* --- the block -------------------------------------------------------------------------------- */

static size_t aligned(size_t bytes)
{
    const size_t unit = alignof(max_align_t);
    return (bytes + unit - 1) / unit * unit;
}

static size_t heads_at(void)
{
    return aligned(sizeof(struct twin));
}

static size_t tanks_at(const struct site *site)
{
    return heads_at() + aligned(site->chain_count * sizeof(struct head));
}

static size_t core_at(const struct site *site)
{
    return tanks_at(site) + aligned(site->tank_count * sizeof(struct twin_tank));
}

size_t twin_size(const struct site *site)
{
    return core_at(site) + core_size(site);
}

/* --- what the core wants done ----------------------------------------------------------------- */

static void perform(struct twin *t)
{
    for (uint32_t i = 0; i < t->actions.count; i++) {
        const struct action *a = &t->actions.item[i];
        switch (a->kind) {
        case ACTION_RECORD:
            if (t->ears.record) t->ears.record(t->ears.context, &a->record, t->now);
            break;
        case ACTION_SEND:
        case ACTION_STOP:
            twin_command(t, a->chain, &a->command);
            break;
        case ACTION_CLAIM:
            twin_claim(t, a->chain, &a->claim);
            break;
        case ACTION_ACTIVATE:
        case ACTION_STAND_BY:
            t->link_wanted = true;
            t->link_due = mono_after(t->now.mono, LINK_AFTER_MS);
            break;
        case ACTION_REBIND: /* nobody adopts here */
        case ACTION_AMEND:  /* nor calibrates */
            break;
        case ACTION_ANSWER:
            t->answer_ok = a->answer.ok;
            break;
        case ACTION_REPLAY: /* nobody listens */
        case ACTION_ASK:
        case ACTION_LOG:
            break;
        }
    }
    t->actions.count = 0;
}

void twin_tell(struct twin *t, const struct event *event)
{
    core_step(t->core, event, t->now, &t->actions);
    perform(t);
}

bool twin_ask(struct twin *t, const struct event_request *request)
{
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_REQUEST;
    e.request = *request;
    if (!e.request.origin.by) e.request.origin.by = "socket";
    if (e.request.ticket == 0) e.request.ticket = 1;
    t->answer_ok = false;
    twin_tell(t, &e);
    return t->answer_ok;
}

/* --- time ------------------------------------------------------------------------------------- */

static void tell_zones(struct twin *t)
{
    const int64_t hour = t->now.civil.ms / HOUR_MS;
    if (hour == t->zones_hour || !t->ears.zone_offset_ms) return;
    t->zones_hour = hour;
    for (uint32_t i = 0; i < t->site->tank_count; i++) {
        struct event e;
        memset(&e, 0, sizeof e);
        e.kind = EVENT_ZONES;
        e.zone.tank = i;
        e.zone.offset_ms =
            t->ears.zone_offset_ms(t->ears.context, t->site->tank[i].schedule.zone, t->now.civil);
        twin_tell(t, &e);
    }
}

static void tick(struct twin *t)
{
    const struct event e = { .kind = EVENT_TICK };
    for (int n = 0; n < TICKS_MOST; n++) {
        if (mono_since(core_wakes_at(t->core), t->now.mono) > 0) return;
        twin_tell(t, &e);
    }
}

static bool is_due(const struct twin *t, struct mono at)
{
    return mono_since(at, t->now.mono) <= 0;
}

static void turn(struct twin *t)
{
    tell_zones(t);
    twin_chains_turn(t);
    twin_refill(t);
    if (t->link_wanted && is_due(t, t->link_due)) {
        t->link_wanted = false;
        twin_connect(t);
    }
    if (is_due(t, t->beats_due)) {
        t->beats_due = mono_after(t->now.mono, t->beat_ms);
        twin_beat(t);
    }
    if (is_due(t, t->probes_due)) {
        t->probes_due = mono_after(t->now.mono, t->probe_every_ms);
        twin_probes(t);
    }
    tick(t);
}

/* Always later than now: what a turn has brought about is seen a millisecond later. */
static struct mono next_instant(const struct twin *t)
{
    struct mono next = mono_sooner(t->probes_due, t->beats_due);
    next = mono_sooner(next, core_wakes_at(t->core));
    next = mono_sooner(next, twin_chains_due(t));
    next = mono_sooner(next, twin_refill_due(t));
    if (t->link_wanted) next = mono_sooner(next, t->link_due);
    const struct mono least = mono_after(t->now.mono, 1);
    return mono_since(next, least) < 0 ? least : next;
}

static void move_clocks(struct twin *t, struct mono to)
{
    t->now.civil.ms += mono_since(to, t->now.mono);
    t->now.mono = to;
}

void twin_run(struct twin *t, int64_t span_ms)
{
    INVARIANT(span_ms >= 0 && span_ms < far_ms);
    const struct mono end = mono_after(t->now.mono, span_ms);
    for (;;) {
        const struct mono next = next_instant(t);
        if (mono_since(next, end) > 0) break;
        move_clocks(t, next);
        turn(t);
    }
    move_clocks(t, end);
}

/* --- the rest --------------------------------------------------------------------------------- */

struct now twin_now(const struct twin *t)
{
    return t->now;
}

const struct core *twin_core(const struct twin *t)
{
    return t->core;
}

/* Readings must not be older than the strictest probe allows. */
static int64_t probe_every(const struct site *site, int64_t wanted_ms)
{
    for (uint32_t i = 0; i < site->tank_count; i++) {
        for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
            const struct probe_config *p = &site->tank[i].probe[q];
            const int64_t most_ms = p->max_age_ms * 2 / 3;
            if (p->present && most_ms < wanted_ms) wanted_ms = most_ms;
        }
    }
    return wanted_ms < SECOND_MS ? SECOND_MS : wanted_ms;
}

struct twin *twin_init(void *block, const struct twin_setup *setup)
{
    INVARIANT(setup->probe_every_ms >= SECOND_MS && setup->beat_ms >= 100);
    struct twin *t = block;
    const struct site *site = setup->site;
    memset(t, 0, sizeof *t);
    t->site = site;
    t->head = (struct head *)(void *)((char *)block + heads_at());
    t->tank = (struct twin_tank *)(void *)((char *)block + tanks_at(site));
    t->now = setup->start;
    t->head_zero = t->now.mono;
    t->chance = prng_seed(setup->seed);
    t->probe_every_ms = probe_every(site, setup->probe_every_ms);
    t->beat_ms = setup->beat_ms;
    t->refills = setup->refills;
    t->refill_after_ms = setup->refill_after_ms;
    t->ears = setup->ears;
    t->zones_hour = -1;
    t->link_wanted = true;
    t->link_due = mono_after(t->now.mono, LINK_AFTER_MS);
    t->probes_due = mono_after(t->now.mono, SECOND_MS);
    t->beats_due = mono_after(t->now.mono, t->beat_ms);
    twin_chains_init(t);
    twin_waters_init(t, setup);
    static const struct core_identity identity = { .by = "twin", .boot = "twin" };
    t->core = core_init((char *)block + core_at(site), site, &identity, t->now);
    tell_zones(t);
    core_restored(t->core, true, t->now, &t->actions);
    perform(t);
    return t;
}
