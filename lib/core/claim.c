/* Who commands a chain. The head decides by the higher reign; this file decides when to ask. */
#include <string.h>

#include "lib/base/text.h"
#include "lib/core/limits_known.h"
#include "lib/core/state.h"

static bool former_self(const struct core_chain *c)
{
    const struct chain_claim *const mine[2] = { &c->former, &c->former_asked };
    for (int i = 0; i < 2; i++) {
        if (mine[i]->by[0] && mine[i]->reign == c->claim.reign &&
            text_same(mine[i]->by, c->claim.by))
            return true;
    }
    return false;
}

static int64_t silence_ms(const struct core *core)
{
    return core->site->silence_ms > CLAIM_SILENCE_MS ? core->site->silence_ms : CLAIM_SILENCE_MS;
}

/* When may this daemon ask for the chain? Once it is active it has waited long already. */
static bool may_claim(const struct core *core, const struct core_chain *c, struct now now)
{
    if (!c->has_claim || !c->head_ready) return false;
    if (c->claim.reign >= RECORD_INTEGER_MOST) return false; /* there is no higher one to ask for */
    if (c->claim_now) return true;
    if (c->deposed) return false;
    /* A head without an owner, as one that was exchanged, is the living daemon's. */
    if (!core->active && core->has_peer && mono_since(now.mono, core->peer_at) < silence_ms(core))
        return false;
    if (c->claim.by[0] == '\0' || former_self(c)) return true;
    const int64_t alone_ms = core->active ? CLAIM_SILENCE_MS : silence_ms(core);
    return mono_since(now.mono, core->link_since) >= alone_ms &&
           mono_since(now.mono, c->owner_at) >= silence_ms(core) &&
           mono_since(now.mono, core->peer_at) >= silence_ms(core);
}

static void activate(struct core *core, struct now now, struct actions *ret)
{
    core->active = true;
    core->has_peer = false;
    core_take_boards(core);
    core_lose_link(core, now); /* until the connection is back with the site's will */
    (void)emit(ret, ACTION_ACTIVATE);
    emit_log(ret, LOG_NOTED, "taking over the site");
}

/* The claim in force is of somebody whose journal this one isn't. */
static bool is_stranger(const struct core *core, const struct core_chain *c)
{
    return c->has_claim && c->claim.by[0] && !former_self(c) &&
           !text_same(c->claim.by, core->identity.by);
}

/* Somebody of another site has the chain now. Whoever had it between that and the last claim that
 * is known here may have been another daemon of this site. */
static bool hides_others(const struct core *core, uint32_t chain)
{
    const struct core_chain *c = &core->chain[chain];
    struct chain_claim former;
    core_former_claim(core, chain, &former);
    const int64_t known = c->seen_reign > former.reign ? c->seen_reign : former.reign;
    return c->claim.reign != known + 1;
}

/* It counts also if the head is a new one later, and over a restart of this one. */
static void see_other(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    c->other_seen = true;
    core->halt_told.settled = false;
    if (c->seen_reign == c->claim.reign) return;
    const bool ours = text_same(c->claim.site, core->site->key);
    const bool served = ours || hides_others(core, chain);
    c->seen_reign = c->claim.reign;
    struct record *r = emit_record(ret, "other-reign");
    record_add_text(r, "chain", core->site->chain[chain].key);
    record_add_text(r, "by", c->claim.by);
    record_add_int(r, "reign", c->claim.reign);
    if (!served) return;
    core_boards_hear_peer(core, now, ret);
    core_boards_served(core, c->claim.by, ret);
}

static void ask(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    /* Also the one whose claim is in force: core_turn_chain has looked. */
    c->vouched = c->other_seen && core_follow_vouches(core, chain);
    if (c->other_seen && !c->vouched) core_lose_limits(core, chain, now, ret);
    struct record *r = emit_record(ret, "claim");
    c->asked_reign = c->claim.reign + 1;
    c->asked_at = now.mono;
    c->claim_now = false;
    c->other_seen = false;
    c->deposed = c->beaten = false;
    record_add_text(r, "chain", core->site->chain[chain].key);
    record_add_text(r, "by", core->identity.by);
    record_add_int(r, "reign", c->asked_reign);
    record_add_text(r, "before", c->claim.by);
    struct action *claim = emit(ret, ACTION_CLAIM);
    claim->chain = chain;
    text_copy(claim->claim.by, sizeof claim->claim.by, core->identity.by);
    text_copy(claim->claim.site, sizeof claim->claim.site, core->site->key);
    claim->claim.reign = c->asked_reign;
}

/* The head's latch and ours: a halt holds at every head, also at one that comes back later. */
static void turn_halt(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    if (c->has_beat && c->beat.halted) c->halt_pending = false;
    if (c->resume_owed && core_may_resume(c)) core_send_resume(core, chain, now, ret);
    if (!core->halted || !core->link_up || !c->head_ready || !c->has_beat || c->beat.halted) return;
    if (mono_since(now.mono, c->halt_sent) < 3000) return;
    core_send_halt(core, chain, now, ret);
}

void core_turn_chain(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    const int64_t beats_ms = c->ours && c->has_beat ? c->roll.beat_ms * 3 / 4 : CHAIN_LOOK_MS;
    c->due = mono_after(now.mono, beats_ms > CHAIN_LOOK_MS ? beats_ms : CHAIN_LOOK_MS);
    if (is_stranger(core, c)) see_other(core, chain, now, ret);
    core_turn_limits(core, chain, now, ret);
    core_take_halt(core, chain, now, ret);
    turn_halt(core, chain, now, ret);
    core_turn_follow(core, now, ret);
    if (!core->link_up || !core->journal_ok) return;
    const bool peerless = mono_since(now.mono, core->link_since) >= silence_ms(core) &&
                          mono_since(now.mono, core->peer_at) >= silence_ms(core);
    if (core->has_peer && peerless) core->has_peer = false;
    if (!core->active) {
        const bool free = peerless && !c->deposed && !core_site_is_anothers(core);
        if (c->ours || may_claim(core, c, now) || free) activate(core, now, ret);
        return;
    }
    if (c->ours || !may_claim(core, c, now)) return;
    if (c->asked_reign && mono_since(now.mono, c->asked_at) < CLAIM_RETRY_MS) return;
    ask(core, chain, now, ret);
}
