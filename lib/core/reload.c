/* From an old configuration to a new one. Things keep their state by name: a tank by its key, or
 * else by the module that circulates it; a stock of a tank by both keys, or else by the module and
 * channel that dose it. Limits that are used up stay used up. */
#include <string.h>

#include "lib/base/text.h"
#include "lib/core/limits_known.h"
#include "lib/core/state.h"

/* Is it the same module that moves their water? */
static bool same_line(const struct core *fresh, uint32_t tank, const struct core *old, uint32_t o)
{
    return text_same(
        fresh->site->tank[tank].circulation.serial, old->site->tank[o].circulation.serial);
}

static void move_chains(struct core *fresh, const struct core *old)
{
    for (uint32_t c = 0; c < fresh->site->chain_count; c++) {
        for (uint32_t o = 0; o < old->site->chain_count; o++) {
            if (!text_same(fresh->site->chain[c].key, old->site->chain[o].key)) continue;
            struct core_chain *to = &fresh->chain[c];
            const struct mono due = to->due;
            *to = old->chain[o];
            to->due = due;
            if (!text_same(fresh->site->chain[c].device, old->site->chain[o].device))
                *to =
                    (struct core_chain){ .due = due, .owner_at = to->owner_at }; /* another head */
            if (!to->has_roll) continue;
            struct text why = text_over(to->mismatch, sizeof to->mismatch);
            to->matches = chain_roll_matches(&fresh->site->chain[c], &to->roll, &why);
        }
    }
}

static bool same_pump(const struct core *fresh, const struct site_tank *a, uint32_t p,
    const struct core *old, const struct site_tank *b, uint32_t q)
{
    const struct site_pump *x = &a->pump[p], *y = &b->pump[q];
    /* A tank that was renamed has the water, and its circulation, that it had. */
    const bool water =
        text_same(a->key, b->key) || text_same(a->circulation.serial, b->circulation.serial);
    const bool named =
        water && text_same(fresh->site->stock[x->stock].key, old->site->stock[y->stock].key);
    return named || (x->address.channel == y->address.channel && text_same(x->serial, y->serial));
}

/* One that the old configuration didn't have, or no more, is met by what was given before that. */
static void move_windows(struct core *fresh, uint32_t tank, const struct core *old, struct now now)
{
    const struct site_tank *config = &fresh->site->tank[tank];
    for (uint32_t p = 0; p < config->pump_count; p++) {
        bool found = false;
        for (uint32_t o = 0; o < old->site->tank_count; o++) {
            const struct site_tank *former = &old->site->tank[o];
            for (uint32_t q = 0; q < former->pump_count; q++) {
                if (!same_pump(fresh, config, p, old, former, q)) continue;
                window_copy(
                    &fresh->tank[tank].pump[p].window, &old->tank[o].pump[q].window, now.mono);
                found = true;
            }
        }
        if (!found) core_count_gone(fresh, tank, p, now.mono);
    }
}

static bool is_kept(const struct core *fresh, const struct core *old, uint32_t o, uint32_t q)
{
    for (uint32_t i = 0; i < fresh->site->tank_count; i++) {
        const struct site_tank *config = &fresh->site->tank[i];
        for (uint32_t p = 0; p < config->pump_count; p++) {
            if (same_pump(fresh, config, p, old, &old->site->tank[o], q)) return true;
        }
    }
    return false;
}

/* What leaves now; what left earlier is remembered for a day. */
static void note_gone(struct core *fresh, const struct core *old, struct now now)
{
    for (uint32_t o = 0; o < old->site->tank_count; o++) {
        const struct site_tank *former = &old->site->tank[o];
        for (uint32_t q = 0; q < former->pump_count; q++) {
            const struct site_pump *pump = &former->pump[q];
            if (is_kept(fresh, old, o, q)) continue;
            struct core_gone gone = { .channel = pump->address.channel, .ends = now.mono };
            gone.ul = window_used(&old->tank[o].pump[q].window, DAY_MS, now.mono);
            (void)text_copy(gone.tank, sizeof gone.tank, former->key);
            (void)text_copy(gone.stock, sizeof gone.stock, old->site->stock[pump->stock].key);
            (void)text_copy(gone.serial, sizeof gone.serial, pump->serial);
            core_note_gone(fresh, &gone, now.mono);
        }
    }
}

/* Nobody knows what its line holds, nor what it was given last. */
static void begin_tank(struct core_tank *t, struct now now)
{
    t->line_dirty = t->mix_owed = true;
    t->pumped_at = t->acid_ended = t->base_ended = now.mono;
}

static void move_probes(struct core_tank *to, const struct site_tank *config,
    const struct core_tank *from, const struct site_tank *former)
{
    for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        const struct probe_config *a = &config->probe[q], *b = &former->probe[q];
        if (!a->present || !b->present || a->unit != b->unit) continue;
        if (!text_same(a->topic, b->topic) || !text_same(a->pointer, b->pointer)) continue;
        to->probe[q] = from->probe[q];
    }
}

/* What goes on running. Beats are looked at anew, and it waits for its turn anew. */
static void move_circulation(struct core_tank *to, const struct site_tank *config,
    const struct core_tank *from, const struct site_tank *former)
{
    if (!text_same(config->circulation.serial, former->circulation.serial)) return;
    const struct core_circulation *flow = &from->circulation;
    to->circulation = (struct core_circulation){ .command = flow->command,
        .lost = flow->lost,
        .may_run = flow->may_run,
        .on = flow->on,
        .seen = flow->seen,
        .confirmed = flow->confirmed,
        .lost_till = flow->lost_till,
        .ends = flow->ends,
        .start = flow->start,
        .till = flow->till,
        .amps_before = flow->amps_before,
        .amps_before_at = flow->amps_before_at,
        .amps_doubt = flow->amps_doubt };
}

/* What was learned holds for the tank and the pumps that it was learned on; what was given counts.
 */
static void move_law(struct core *fresh, uint32_t tank, const struct core *old, uint32_t o)
{
    struct core_tank *to = &fresh->tank[tank];
    const struct core_tank *from = &old->tank[o];
    if (site_law_tag(fresh->site, &fresh->site->tank[tank]) ==
        site_law_tag(old->site, &old->site->tank[o])) {
        to->law = from->law;
        memcpy(to->seen_at, from->seen_at, sizeof to->seen_at);
        return;
    }
    memcpy(to->law.watch, from->law.watch, sizeof to->law.watch);
    for (int s = 0; s < LAW_STOCKS; s++) {
        to->law.watch[s].has_usual = false;
    }
}

/* What was found stays; what was asked for and hasn't begun is asked for again. */
static void move_care(struct core *fresh, uint32_t tank, const struct core *old, uint32_t o)
{
    struct core_tank *to = &fresh->tank[tank];
    to->care = old->tank[o].care;
    to->care.errand = ERRAND_NONE;
    to->care.sent = to->care.listening.on = false;
    for (uint32_t p = 0; p < fresh->site->tank[tank].pump_count; p++) {
        for (uint32_t q = 0; q < old->site->tank[o].pump_count; q++) {
            if (same_pump(fresh, &fresh->site->tank[tank], p, old, &old->site->tank[o], q))
                to->pump[p].rate = old->tank[o].pump[q].rate;
        }
    }
}

/* What stays on does so whatever the file says now, and whatever tank it is said to be of. */
static void move_stays_on(struct core *fresh, uint32_t tank, const struct core *old, uint32_t o)
{
    struct core_tank *to = &fresh->tank[tank];
    if (same_line(fresh, tank, old, o) && old->tank[o].circulation.stays_on)
        to->circulation.stays_on = true;
    for (uint32_t p = 0; p < fresh->site->tank[tank].pump_count; p++) {
        for (uint32_t q = 0; q < old->site->tank[o].pump_count; q++) {
            if (old->tank[o].pump[q].stays_on &&
                same_pump(fresh, &fresh->site->tank[tank], p, old, &old->site->tank[o], q))
                to->pump[p].stays_on = true;
        }
    }
}

/* A tank by its key, whose line was another tank's until now: what that one's water was given, what
 * hangs in its line and what a person locked there holds here as well. */
static void add_line(struct core_tank *to, const struct core_tank *from, struct now now)
{
    to->service |= from->service;
    to->care.bench |= from->care.bench;
    to->line_dirty |= from->line_dirty;
    to->mix_owed |= from->mix_owed;
    to->pumped_at = mono_later(to->pumped_at, from->pumped_at);
    to->acid_ended = mono_later(to->acid_ended, from->acid_ended);
    to->base_ended = mono_later(to->base_ended, from->base_ended);
    for (int s = 0; s < LAW_STOCKS; s++) {
        to->locked[s] |= from->locked[s];
    }
    window_copy(&to->ec_rise, &from->ec_rise, now.mono);
    window_copy(&to->ph_move, &from->ph_move, now.mono);
}

static void move_tank(
    struct core *fresh, uint32_t tank, const struct core *old, uint32_t o, struct now now)
{
    struct core_tank *to = &fresh->tank[tank];
    const struct core_tank *from = &old->tank[o];
    const struct site_tank *config = &fresh->site->tank[tank], *former = &old->site->tank[o];
    to->paused = from->paused;
    text_copy(to->paused_for, sizeof to->paused_for, from->paused_for);
    text_copy(to->paused_by, sizeof to->paused_by, from->paused_by);
    to->paused_since = from->paused_since;
    to->service = from->service;
    move_care(fresh, tank, old, o);
    to->override = from->override;
    to->override_for_ms = from->override_for_ms;
    core_bound_override(to, config, now);
    to->zone_offset_ms = from->zone_offset_ms;
    to->summary = from->summary;
    to->not_before = from->not_before;
    to->failures = from->failures;
    to->line_dirty = from->line_dirty;
    to->pumped_at = from->pumped_at;
    to->mix_owed = from->mix_owed;
    move_law(fresh, tank, old, o);
    upkeep_reload(fresh, tank, old, o);
    to->acid_ended = from->acid_ended;
    to->base_ended = from->base_ended;
    memcpy(to->locked, from->locked, sizeof to->locked);
    window_copy(&to->ec_rise, &from->ec_rise, now.mono);
    window_copy(&to->ph_move, &from->ph_move, now.mono);
    move_probes(to, config, from, former);
    move_circulation(to, config, from, former);
}

/* By its key; one that was renamed by the module that circulates it. */
static int32_t former_tank(const struct core *fresh, uint32_t tank, const struct core *old)
{
    const struct site_tank *config = &fresh->site->tank[tank];
    const int32_t named = core_tank_named(old, config->key);
    if (named >= 0) return named;
    for (uint32_t o = 0; o < old->site->tank_count; o++) {
        const struct site_tank *former = &old->site->tank[o];
        if (text_same(former->circulation.serial, config->circulation.serial) &&
            core_tank_named(fresh, former->key) < 0)
            return (int32_t)o;
    }
    return -1;
}

/* Does some tank go on with its water, or its line? */
static bool goes_on(const struct core *fresh, const struct core *old, uint32_t o)
{
    for (uint32_t i = 0; i < fresh->site->tank_count; i++) {
        if (same_line(fresh, i, old, o)) return true;
    }
    return core_tank_named(fresh, old->site->tank[o].key) >= 0;
}

/* What people hold stays so until they end it, also in a tank that is put back later. */
static void note_left(struct core *fresh, const struct core *old)
{
    fresh->left = old->left;
    for (uint32_t o = 0; o < old->site->tank_count; o++) {
        if (!goes_on(fresh, old, o)) left_note(&fresh->left, &old->site->tank[o], &old->tank[o]);
    }
}

static void move_tanks(struct core *fresh, const struct core *old, struct now now)
{
    for (uint32_t i = 0; i < fresh->site->tank_count; i++) {
        move_windows(fresh, i, old, now);
        const int32_t former = former_tank(fresh, i, old);
        if (former >= 0) {
            move_tank(fresh, i, old, (uint32_t)former, now);
        } else {
            begin_tank(&fresh->tank[i], now);
            core_count_gone_moves(fresh, i, now.mono);
        }
        for (uint32_t o = 0; o < old->site->tank_count; o++) {
            move_stays_on(fresh, i, old, o);
            if ((int32_t)o != former && same_line(fresh, i, old, o))
                add_line(&fresh->tank[i], &old->tank[o], now);
        }
        left_take(&fresh->left, &fresh->site->tank[i], former < 0, &fresh->tank[i]);
    }
}

/* What was asked over the broker, and by whom. */
static void move_requests(struct core *fresh, const struct core *old)
{
    fresh->refused_messages = old->refused_messages;
    fresh->asked = old->asked;
    fresh->signers = old->signers;
    fresh->mutes = old->mutes;
    fresh->clock = old->clock;
}

static bool circulates(const struct core *core, const char *serial)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        if (core_may_circulate(core, i) &&
            text_same(core->site->tank[i].circulation.serial, serial))
            return true;
    }
    return false;
}

/* A circulation that no tank has any more would run on, and nobody would count its current. Of very
 * many the last ones end by themselves. */
static void stop_circulation_gone(
    struct core *fresh, const struct core *old, struct now now, struct actions *ret)
{
    for (uint32_t o = 0; o < old->site->tank_count && ret->count < ACTIONS_MAX / 2; o++) {
        const struct site_circulation *was = &old->site->tank[o].circulation;
        const char *chain = old->site->chain[was->address.chain].key;
        if (!circulates(old, was->serial) || circulates(fresh, was->serial)) continue;
        for (uint32_t c = 0; c < fresh->site->chain_count && fresh->link_up; c++) {
            const struct chain_address at = { c, was->address.position, was->address.channel };
            if (!text_same(fresh->site->chain[c].key, chain) || !fresh->chain[c].has_beat) continue;
            core_send_stop(fresh, &at, was->serial, now, ret);
            core_doubt_amps(fresh, c, now);
        }
    }
}

/* What is known of the world around the tanks. */
static void move_site(struct core *fresh, const struct core *old)
{
    fresh->next_id = old->next_id;
    fresh->link_up = old->link_up;
    fresh->link_since = old->link_since;
    fresh->active = old->active;
    fresh->journal_ok = old->journal_ok;
    memcpy(fresh->journal_why, old->journal_why, sizeof fresh->journal_why);
    fresh->halted = old->halted;
    fresh->halt_told = old->halt_told;
    fresh->has_peer = old->has_peer;
    fresh->peer_at = old->peer_at;
    memcpy(fresh->peer, old->peer, sizeof fresh->peer);
    fresh->follow = old->follow;
}

static void move_stocks(struct core *fresh, const struct core *old)
{
    for (uint32_t s = 0; s < fresh->site->stock_count; s++) {
        for (uint32_t o = 0; o < old->site->stock_count; o++) {
            if (!text_same(fresh->site->stock[s].key, old->site->stock[o].key)) continue;
            fresh->stock[s] = old->stock[o];
            core_draw_stock(fresh, s, 0); /* a smaller bottle holds no more than it can */
        }
    }
}

static void move_gone(struct core *fresh, const struct core *old)
{
    memcpy(fresh->gone, old->gone, sizeof fresh->gone);
    fresh->gone_lost = old->gone_lost;
    fresh->gone_lost_at = old->gone_lost_at;
}

/* Alerts of a tank that is gone end with it. */
/* The order matters: a tank counts what its pumps gave before they had left (move_gone), which is
 * forgotten once all tanks have; what is held in tanks that leave is noted (note_left) before
 * others take it; limits that aren't known fill the windows that have moved by then. */
void core_reload(struct core *fresh, const struct core *old, struct now now, struct actions *ret)
{
    ret->count = 0;
    move_site(fresh, old);
    move_requests(fresh, old);
    move_chains(fresh, old);
    move_stocks(fresh, old);
    move_gone(fresh, old);
    note_left(fresh, old);
    move_tanks(fresh, old, now);
    stop_circulation_gone(fresh, old, now, ret);
    core_forget_gone(fresh);
    note_gone(fresh, old, now);
    for (uint32_t c = 0; c < fresh->site->chain_count; c++) { /* a raised limit frees nothing yet */
        if (fresh->chain[c].limits_unknown)
            core_forget_limits(fresh, c, fresh->chain[c].limits_unknown_at);
    }
    alerts_move(fresh, old, ret);
    upkeep_reloaded(fresh, ret);
    core_raise_locks(fresh, ret);
    core_raise_rest(fresh, ret);
    for (uint32_t c = 0; c < fresh->site->chain_count; c++) {
        core_tell_adopted(fresh, c, ret);
    }
    struct record *r = emit_record(ret, "config");
    record_add_truth(r, "ok", true);
    record_add_text(r, "digest", fresh->site->digest ? fresh->site->digest : "");
}
