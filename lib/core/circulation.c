#include <math.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

enum {
    REFRESH_SPARE_MS = 20000,
    REFRESH_AGAIN_MS = 2000,
    CONFIRM_SHARE_PERCENT = 50,
    BEAT_WAY_MS = 500, /* a beat is on its way at most so long */
};

double core_running_amps(const struct core *core, uint32_t chain, uint32_t but_tank)
{
    const struct chain_config *config = &core->site->chain[chain];
    double amps = 0.0;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_tank *t = &core->tank[i];
        const struct core_circulation *flow = &core->tank[i].circulation;
        const struct site_tank *other = &core->site->tank[i];
        if (t->dose.used && t->dose.running) {
            const struct chain_address *a = &other->pump[t->dose.pump].address;
            if (a->chain == chain) amps += config->module[a->position - 1].power.pump_amps;
        }
        const struct chain_address *a = &other->circulation.address;
        if (i != but_tank && flow->on && flow->seen && a->chain == chain)
            amps += config->module[a->position - 1].power.circulation_amps;
    }
    return amps;
}

static double circulation_draws(const struct core *core, uint32_t tank)
{
    const struct chain_address *a = &core->site->tank[tank].circulation.address;
    return core->site->chain[a->chain].module[a->position - 1].power.circulation_amps;
}

static struct mono began(const struct core_circulation *flow)
{
    return flow->on ? flow->start : flow->command.asked;
}

/* Of pumps that began after this one and weren't seen yet. A current that rises is first theirs:
 * this one has had its time. */
static double newcomers_amps(const struct core *core, uint32_t tank)
{
    const uint32_t chain = tank_chain(core, tank);
    const struct mono since = began(&core->tank[tank].circulation);
    double amps = 0.0;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_circulation *flow = &core->tank[i].circulation;
        if (i == tank || tank_chain(core, i) != chain || flow->seen) continue;
        if (!flow->on && !flow->command.used) continue;
        if (mono_since(began(flow), since) > 0) amps += circulation_draws(core, i);
    }
    return amps;
}

/* Does the chain's current tell of this pump? */
static bool is_measured(const struct core *core, uint32_t tank)
{
    return core->chain[tank_chain(core, tank)].beat.has_amps &&
           !isnan(core->tank[tank].circulation.amps_before) && circulation_draws(core, tank) > 0.0;
}

/* What a hand switches takes its share of the current, and nobody knows how much. */
static bool by_hand_since(const struct core_chain *c, struct mono at)
{
    return c->has_totals && mono_since(c->hand_at, at) >= 0;
}

/* The current tells: it rose by at least half of what the output should draw. Without amps in the
 * beat there is only the report. */
static bool amps_agree(const struct core *core, uint32_t tank)
{
    const struct core_circulation *flow = &core->tank[tank].circulation;
    const struct core_chain *c = &core->chain[tank_chain(core, tank)];
    if (!is_measured(core, tank)) return true;
    if (mono_since(c->beat_at, flow->start) < 0) return false; /* not measured since */
    if (c->amps_stale) return false; /* ... and what else ran then isn't what runs now */
    if (!flow->seen && by_hand_since(c, flow->amps_before_at)) return false;
    double rose =
        c->beat.amps - core_running_amps(core, tank_chain(core, tank), tank) - flow->amps_before;
    if (!flow->seen) rose -= newcomers_amps(core, tank);
    return rose >= circulation_draws(core, tank) * CONFIRM_SHARE_PERCENT / 100.0;
}

/* One pump's current is missing, and the sum doesn't tell whose: none of them is believed until it
 * was off, and was seen to begin anew by itself. */
static void doubt_all(struct core *core, uint32_t chain)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        struct core_circulation *flow = &core->tank[i].circulation;
        if (tank_chain(core, i) == chain && flow->on) flow->amps_doubt = true;
    }
}

/* What was seen to run is believed until two beats running say otherwise: one may be older than the
 * start of a pump. After the first nothing is begun, and no flow counts. */
static bool amps_go_on(struct core *core, uint32_t tank)
{
    struct core_circulation *flow = &core->tank[tank].circulation;
    const struct core_chain *c = &core->chain[tank_chain(core, tank)];
    if (flow->amps_doubt) return false;
    if (!flow->seen) {
        flow->amps_short = 0;
        if (!amps_agree(core, tank)) return false;
        flow->amps_looked = flow->amps_proven = c->beat_at;
        return true;
    }
    if (mono_since(c->beat_at, flow->amps_looked) == 0 || c->amps_stale) return true;
    flow->amps_looked = c->beat_at;
    flow->amps_short = amps_agree(core, tank) ? 0 : flow->amps_short + 1;
    if (flow->amps_short == 0) flow->amps_proven = c->beat_at;
    if (flow->amps_short < 2) return true;
    doubt_all(core, tank_chain(core, tank));
    return false;
}

bool core_may_circulate(const struct core *core, uint32_t tank)
{
    const struct core_circulation *flow = &core->tank[tank].circulation;
    return flow->on || flow->command.used || flow->lost || flow->may_run;
}

struct mono core_flow_proven(const struct core *core, uint32_t tank, struct now now)
{
    return is_measured(core, tank) ? core->tank[tank].circulation.amps_proven : now.mono;
}

bool core_circulation_unseen(const struct core *core, uint32_t tank, struct now now)
{
    const struct core_circulation *flow = &core->tank[tank].circulation;
    const struct core_chain *c = &core->chain[tank_chain(core, tank)];
    const struct mono since = flow->on ? mono_later(flow->start, flow->seen_at) : flow->awaited;
    return !flow->confirmed &&
           mono_since(now.mono, since) >= CIRCULATION_CONFIRM_MS + c->roll.beat_ms;
}

/* Two that start at once could be taken for each other, and their inrush would add up. */
static bool another_starts(const struct core *core, uint32_t tank, struct now now)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_circulation *flow = &core->tank[i].circulation;
        if (i == tank || tank_chain(core, i) != tank_chain(core, tank)) continue;
        if (flow->confirmed || !(flow->on || flow->command.used)) continue;
        if (!core_circulation_unseen(core, i, now)) return true;
    }
    return false;
}

/* What is doubted ends by itself; its end would hide what begins meanwhile. */
static bool another_is_doubted(const struct core *core, uint32_t tank)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        if (i == tank || tank_chain(core, i) != tank_chain(core, tank)) continue;
        if (core->tank[i].circulation.amps_doubt) return true;
    }
    return false;
}

bool core_circulation_may_begin(const struct core *core, uint32_t tank, struct now now)
{
    return !another_starts(core, tank, now) && !another_is_doubted(core, tank) &&
           core_motor_may_start(core, tank_chain(core, tank), now) &&
           core_supply_allows(core, &core->site->tank[tank].circulation.address, true);
}

static bool flow_agrees(const struct core *core, uint32_t tank, struct now now)
{
    const struct probe_config *config = &core->site->tank[tank].probe[PROBE_FLOW];
    if (!config->present) return true;
    const struct probe *p = &core->tank[tank].probe[PROBE_FLOW];
    return probe_quality_at(p, config, now.mono) == PROBE_GOOD && p->value > 0.0;
}

bool core_flow_unseen(const struct core *core, uint32_t tank, struct now now)
{
    return core->tank[tank].circulation.seen && !flow_agrees(core, tank, now);
}

/* A hand on its switch runs it, not the command: then it ends when that hand wants. */
static bool by_hand(const struct core *core, uint32_t tank)
{
    const struct core_chain *c = &core->chain[tank_chain(core, tank)];
    return c->hand_running && c->hand_channel == CHAIN_CIRCULATION_CHANNEL &&
           text_same(c->hand_serial, core->site->tank[tank].circulation.serial);
}

void core_doubt_amps(struct core *core, uint32_t chain, struct now now)
{
    core->chain[chain].amps_stale = true;
    core->chain[chain].amps_stale_since = now.mono;
}

void core_trust_amps(struct core *core, uint32_t chain, struct now now)
{
    struct core_chain *c = &core->chain[chain];
    if (mono_since(now.mono, c->amps_stale_since) >= BEAT_WAY_MS) c->amps_stale = false;
}

void core_end_circulation(struct core *core, uint32_t tank, struct now now)
{
    struct core_circulation *flow = &core->tank[tank].circulation;
    upkeep_count_circulation(core, tank, now);
    if (flow->on) core_doubt_amps(core, tank_chain(core, tank), now);
    flow->on = flow->seen = flow->confirmed = flow->amps_doubt = false;
}

void core_confirm_circulation(struct core *core, uint32_t tank, struct now now)
{
    struct core_circulation *flow = &core->tank[tank].circulation;
    if (mono_since(now.mono, flow->command.ends) >= 0) flow->command.used = false;
    if (mono_since(now.mono, flow->lost_till) >= 0) flow->lost = false;
    if (mono_since(now.mono, flow->ends) >= 0) flow->may_run = false;
    if (flow->on && mono_since(now.mono, flow->till) >= 0) core_end_circulation(core, tank, now);
    flow->seen = flow->on && amps_go_on(core, tank);
    const bool flows = flow->seen && flow_agrees(core, tank, now);
    flow->confirmed = flows && flow->amps_short == 0 && !by_hand(core, tank) &&
                      core_chain_ready(core, tank_chain(core, tank), now, NULL);
    if (flows) flow->seen_at = now.mono;
    if (flow->confirmed) flow->flowed = true;
}

/* From a standstill: what the chain draws beside it, so that its own current can be told. */
static void begin(
    struct core *core, uint32_t tank, int64_t run_ms, struct now now, struct actions *ret)
{
    const struct core_chain *c = &core->chain[tank_chain(core, tank)];
    struct core_circulation *flow = &core->tank[tank].circulation;
    flow->amps_before_at = c->beat_at;
    flow->amps_before = c->beat.has_amps
                            ? c->beat.amps - core_running_amps(core, tank_chain(core, tank), tank)
                            : (double)NAN;
    core_send_circulate(core, tank, run_ms, now, ret);
}

/* The newest beat doesn't tell what the chain draws now. */
static bool is_blind(const struct core_chain *c)
{
    return c->beat.has_amps && c->amps_stale;
}

bool core_begin_circulation(
    struct core *core, uint32_t tank, int64_t run_ms, struct now now, struct actions *ret)
{
    if (is_blind(&core->chain[tank_chain(core, tank)])) return false;
    if (!core_circulation_may_begin(core, tank, now)) return false;
    begin(core, tank, run_ms, now, ret);
    return true;
}

/* One ask, for at most what the head allows. */
static void ask(
    struct core *core, uint32_t tank, int64_t left_ms, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    struct core_circulation *flow = &core->tank[tank].circulation;
    const struct core_chain *c = &core->chain[tank_chain(core, tank)];
    int64_t run_ms = left_ms + REFRESH_SPARE_MS;
    const int64_t mixing_ms = nearest(1000.0 * law_mixing_left_s(&t->law, &t->model));
    if (run_ms < mixing_ms) run_ms = mixing_ms; /* one long run instead of many */
    if (core->site->tank[tank].circulation.when == CIRCULATE_ALWAYS)
        run_ms = c->roll.max_circulate_ms;
    if (run_ms > c->roll.max_circulate_ms) run_ms = c->roll.max_circulate_ms;
    if (flow->on)
        core_send_circulate(core, tank, run_ms, now, ret);
    else
        begin(core, tank, run_ms, now, ret);
}

/* A board that reports changes only says nothing when its run is renewed, nor when it isn't there
 * any more. So its word is good for two of its runs, and then it is to be seen to begin anew. */
static bool word_is_old(const struct core *core, uint32_t tank, int64_t left_ms, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct core_circulation *flow = &core->tank[tank].circulation;
    const struct plain_output *o = site_plain(core->site, &config->circulation.address);
    if (!o || !flow->on || config->probe[PROBE_FLOW].present) return false;
    return mono_since(now.mono, flow->start) + left_ms > 2 * plain_longest_ms(o);
}

static void end_soon(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    if (mono_since(core->tank[tank].circulation.till, now.mono) > 2 * ENDS_SOON_MS)
        core_send_circulate(core, tank, ENDS_SOON_MS, now, ret);
}

bool core_hold_circulation(
    struct core *core, uint32_t tank, int64_t left_ms, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    struct core_circulation *flow = &core->tank[tank].circulation;
    const struct core_chain *c = &core->chain[tank_chain(core, tank)];
    core_confirm_circulation(core, tank, now);
    if (left_ms > c->roll.max_circulate_ms - REFRESH_AGAIN_MS)
        left_ms = c->roll.max_circulate_ms - REFRESH_AGAIN_MS;
    const bool covered = flow->on && mono_since(flow->till, now.mono) >= left_ms;
    if (covered) return flow->confirmed;
    if (word_is_old(core, tank, left_ms, now)) {
        if (!flow->command.used || flow->command.running) end_soon(core, tank, now, ret);
        return false;
    }
    const bool waiting = flow->command.used && !flow->command.running &&
                         mono_since(now.mono, flow->command.asked) < COMMAND_START_MS;
    const bool backing_off = mono_since(now.mono, t->not_before) < 0;
    const bool blind = !flow->on && is_blind(c);
    /* What isn't seen to run ends by itself, so that the next try is measured from a standstill. */
    const bool goes_on = flow->on && !core_circulation_unseen(core, tank, now);
    const bool begins = !flow->on && !blind && core_circulation_may_begin(core, tank, now);
    if (!waiting && !backing_off && (goes_on || begins)) ask(core, tank, left_ms, now, ret);
    return false;
}
