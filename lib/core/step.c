#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/core/state.h"

void core_wake_chains(struct core *core, struct now now)
{
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        core->chain[c].due = now.mono;
    }
}

void core_wake_tanks(struct core *core, struct now now)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        core->tank[i].due = now.mono;
    }
}

void core_lose_link(struct core *core, struct now now)
{
    core->link_up = false;
    core->link_since = now.mono;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        struct core_chain *room = &core->chain[c];
        room->head_ready = room->has_roll = room->has_beat = room->has_claim = false;
        room->ledger_seen = room->ours = false;
    }
}

static void on_link(struct core *core, bool up, struct now now, struct actions *ret)
{
    if (up == core->link_up) return;
    core->link_up = up;
    core->link_since = now.mono;
    struct record *r = emit_record(ret, "link");
    record_add_truth(r, "up", up);
    if (!up) core_lose_link(core, now);
    if (!up && !core->active) core->follow.confirmed = false;
    core_wake_chains(core, now);
    core_wake_tanks(core, now);
}

static void on_reading(
    struct core *core, const struct event_reading *e, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[e->tank];
    const struct probe_config *config = &core->site->tank[e->tank].probe[e->quantity];
    struct probe *p = &t->probe[e->quantity];
    core_hear_bath(core, e->tank, e, now, ret);
    if (e->verdict != PROBE_OK) {
        p->last = e->verdict;
        p->refused++;
        return;
    }
    const struct probe *temperature = &t->probe[PROBE_TEMPERATURE];
    const bool warm =
        probe_quality_at(temperature, &core->site->tank[e->tank].probe[PROBE_TEMPERATURE],
            now.mono) == PROBE_GOOD;
    const double degc = warm ? temperature->value : __builtin_nan("");
    const enum probe_verdict verdict =
        probe_take(p, config, e->number, e->retained, degc, now.mono);
    if (!e->retained) upkeep_look_at_probe(core, e->tank, e->quantity, e->number, now);
    if (verdict != PROBE_OK) return;
    if (t->step == STEP_IDLE || t->step == STEP_MIX || e->quantity >= PROBE_LEVEL)
        t->due = now.mono;
}

static void on_peer(struct core *core, const struct event *e, struct now now, struct actions *ret)
{
    if (text_same(e->peer.by, core->identity.by)) return;
    core_on_owner(core, e, now, ret);
    if (!e->peer.same_site) return;
    core_boards_hear_peer(core, now, ret);
    core->has_peer = true;
    core->peer_at = now.mono;
    text_copy(core->peer, sizeof core->peer, e->peer.by);
    core_boards_served(core, e->peer.by, ret);
}

static void on_journal(
    struct core *core, bool ok, const char *why, struct now now, struct actions *ret)
{
    if (ok == core->journal_ok) return;
    core->journal_ok = ok;
    if (!ok) core_doubt_clock(core, now.mono);
    text_copy(core->journal_why, sizeof core->journal_why, why);
    char text[ALERT_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "the journal can't be written (");
    text_add(&t, why);
    text_add(&t, "), so nothing is dosed");
    if (ok)
        alert_clear(core, "journal", ret);
    else
        alert_raise(core, "journal", -1, text, ret);
    core_wake_tanks(core, now);
}

/* The room that has waited longest. */
static void on_tick(struct core *core, struct now now, struct actions *ret)
{
    if (core_watch_clock(core, now, ret)) return;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (mono_since(now.mono, core->chain[c].due) < 0) continue;
        core_turn_chain(core, c, now, ret);
        return;
    }
    core_turn_trust(core, now, ret);
    uint32_t next = 0;
    for (uint32_t i = 1; i < core->site->tank_count; i++) {
        if (core->tank[i].due.ms < core->tank[next].due.ms) next = i;
    }
    if (core->site->tank_count == 0 || mono_since(now.mono, core->tank[next].due) < 0) return;
    core_turn_tank(core, next, now, ret);
}

void core_step(struct core *core, const struct event *event, struct now now, struct actions *ret)
{
    ret->count = 0;
    core->seen = now.mono;
    switch (event->kind) {
    case EVENT_TICK:
        on_tick(core, now, ret);
        break;
    case EVENT_LINK:
        on_link(core, event->link_up, now, ret);
        break;
    case EVENT_READING:
        INVARIANT(event->reading.tank < core->site->tank_count);
        on_reading(core, &event->reading, now, ret);
        break;
    case EVENT_HEAD:
    case EVENT_ROLL:
    case EVENT_BEAT:
    case EVENT_CLAIM:
    case EVENT_REPORT:
    case EVENT_LEDGER:
    case EVENT_MANUAL:
        INVARIANT(event->chain < core->site->chain_count);
        core_on_chain(core, event, now, ret);
        break;
    case EVENT_BOARD:
        INVARIANT(event->chain < core->site->chain_count);
        core_on_board(core, event, now, ret);
        break;
    case EVENT_PEER_BEAT:
        on_peer(core, event, now, ret);
        break;
    case EVENT_ENTRY:
        core_follow_entry(core, &event->entry, now, ret);
        break;
    case EVENT_TIP:
        core_follow_tip(core, &event->tip, now, ret);
        break;
    case EVENT_REQUEST:
        core_on_request(core, &event->request, now, ret);
        break;
    case EVENT_UNSENT:
        core_settle_unsent(core, event->chain, event->unsent, now, ret);
        break;
    case EVENT_JOURNAL:
        on_journal(core, event->journal.ok, event->journal.why, now, ret);
        break;
    case EVENT_ZONES:
        core->tank[event->zone.tank].zone_offset_ms = event->zone.offset_ms;
        summary_turn(core, event->zone.tank, now, ret);
        break;
    }
}

struct mono core_wakes_at(const struct core *core)
{
    struct mono at = { INT64_MAX };
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (core->chain[c].due.ms < at.ms) at = core->chain[c].due;
    }
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        if (core->tank[i].due.ms < at.ms) at = core->tank[i].due;
    }
    return at;
}
