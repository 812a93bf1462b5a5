#include <string.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

enum { STEP_LOOK_MS = 1000, CONFIRM_AGAIN_MS = 60000, PLAN_OLD_MS = 600000 };

/* A supply that carries one tank at a time is handed on after so long. */
enum { TURN_MS = 600000, TURN_GAP_MS = MINUTE_MS };

static void enter(struct core_tank *t, enum tank_step step, struct now now)
{
    t->step = step;
    t->due = now.mono;
}

static int64_t dose_run_ms(const struct site_tank *config, const struct core_dose *d)
{
    return nearest((double)d->ul / config->pump[d->pump].ml_per_s);
}

/* What circulation must still cover before this dose may begin: its latest start, its run, the
 * flush, and some seconds to spare. */
static int64_t cover_ms(const struct site_tank *config, const struct core_dose *d)
{
    return COMMAND_START_MS + dose_run_ms(config, d) + site_flush_ms(config) + CIRCULATION_SPARE_MS;
}

/* --- CIRCULATE -------------------------------------------------------------------------------- */

static void add_unseen_flow(struct text *t, const struct site_tank *config)
{
    text_add(t, ": the circulation pump is reported running, but its flow probe, which must send "
                "at least every ");
    text_add_int(t, site_flow_every_ms(config) / 1000);
    text_add(t, " s, shows no flow, so nothing is dosed. Look at that probe, the pump and its "
                "strainer; it is tried again every minute");
}

static void give_up_circulation(
    struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "no-circulation", core->site->tank[tank].key, NULL);
    struct text w = text_over(text, sizeof text);
    text_add(&w, core->site->tank[tank].key);
    if (core_flow_unseen(core, tank, now))
        add_unseen_flow(&w, &core->site->tank[tank]);
    else
        text_add(&w,
            ": the circulation pump can't be seen to run, so nothing is dosed. Look at the pump, "
            "its strainer and its cable; it is tried again every minute");
    alert_raise(core, id, (int32_t)tank, text, ret);
    /* It may draw what another one is taken to draw: it ends, so that this shows. */
    if (t->circulation.on) core_send_circulate(core, tank, ENDS_SOON_MS, now, ret);
    t->not_before = mono_after(now.mono, CONFIRM_AGAIN_MS);
    t->plan.count = t->plan.next = 0;
    core_drop_errand(core, tank, "the circulation can't be seen to run");
    enter(t, STEP_IDLE, now);
    t->due = mono_after(now.mono, STEP_LOOK_MS);
    core_say(t, TANK_WAITING, "circulation isn't confirmed; it is tried again within a minute");
}

static bool supply_waits(
    struct core *core, uint32_t tank, const struct chain_address *a, struct now now)
{
    if (core_supply_allows(core, a, false) && core_motor_may_start(core, a->chain, now))
        return false;
    core_say(
        &core->tank[tank], TANK_CIRCULATING, "the chain's supply is in use; it waits for its turn");
    return true;
}

static bool flows_or_will(const struct core_circulation *flow)
{
    return flow->on || flow->command.used;
}

static bool waits_for_turn(const struct core_circulation *flow, struct now now)
{
    return !flows_or_will(flow) && mono_since(now.mono, flow->turn_seen) <= TURN_GAP_MS;
}

/* Who has waited longest goes first. */
static bool older_waits(const struct core *core, uint32_t tank, struct now now)
{
    const struct core_circulation *own = &core->tank[tank].circulation;
    const struct mono from = waits_for_turn(own, now) ? own->turn_from : now.mono;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_circulation *flow = &core->tank[i].circulation;
        if (i == tank || tank_chain(core, i) != tank_chain(core, tank)) continue;
        if (waits_for_turn(flow, now) && mono_since(from, flow->turn_from) > 0) return true;
    }
    return false;
}

static void wait_for_turn(struct core *core, uint32_t tank, struct now now)
{
    struct core_circulation *flow = &core->tank[tank].circulation;
    const bool room = core_supply_allows(core, &core->site->tank[tank].circulation.address, true);
    if (room && !older_waits(core, tank, now)) return;
    if (mono_since(now.mono, flow->turn_seen) > TURN_GAP_MS) flow->turn_from = now.mono;
    flow->turn_seen = now.mono;
}

/* Does another tank of this chain wait until this one's circulation rests? Then this one begins
 * nothing new. */
static bool yields(struct core *core, uint32_t tank, struct now now)
{
    if (!flows_or_will(&core->tank[tank].circulation)) return false;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_circulation *flow = &core->tank[i].circulation;
        if (i == tank || tank_chain(core, i) != tank_chain(core, tank)) continue;
        if (!waits_for_turn(flow, now) || mono_since(flow->turn_seen, flow->turn_from) < TURN_MS)
            continue;
        return !core_say(&core->tank[tank], TANK_WAITING,
            "the chain's supply carries one after the other, and it is another tank's turn");
    }
    return false;
}

/* Another tank's pumps use what the supply can carry: no fault of this one's circulation. A plan
 * that waited long is made anew, on newer readings. */
static bool circulation_waits(struct core *core, uint32_t tank, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    if (flows_or_will(&t->circulation)) return false;
    if (core_circulation_may_begin(core, tank, now) && !older_waits(core, tank, now)) return false;
    core_say(t, TANK_CIRCULATING, "the chain is busy; it waits for its turn");
    wait_for_turn(core, tank, now);
    t->circulation.awaited = now.mono;
    const bool asked = t->plan.errand != ERRAND_NONE;
    const bool old = !asked && mono_since(now.mono, t->asked_law) >= PLAN_OLD_MS;
    if (!old || t->plan.next > 0 || t->plan.count == 0) return true;
    t->plan.count = 0;
    t->ask_law = true;
    t->step = STEP_IDLE;
    return true;
}

static bool may_send(struct core *core, uint32_t tank, const struct core_dose *d, struct now now)
{
    const enum core_errand errand = core->tank[tank].plan.errand;
    const bool may = errand == ERRAND_NONE ? core_gate_dose(core, tank, now)
                                           : core_gate_errand(core, tank, errand, now);
    return may && core_dose_fits(core, tank, d, now);
}

static void circulate(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    t->due = mono_after(now.mono, STEP_LOOK_MS);
    core_say(t, TANK_CIRCULATING, "waiting for the circulation to be seen running");
    const bool planned = t->plan.next < t->plan.count;
    const struct core_dose *d = &t->plan.dose[t->plan.next];
    const int64_t left_ms =
        planned ? cover_ms(config, d) : site_flush_ms(config) + CIRCULATION_SPARE_MS;
    if (older_waits(core, tank, now) && circulation_waits(core, tank, now)) return;
    if (!core_hold_circulation(core, tank, left_ms, now, ret)) {
        if (circulation_waits(core, tank, now)) return;
        if (core_circulation_unseen(core, tank, now)) give_up_circulation(core, tank, now, ret);
        return;
    }
    char id[ALERT_ID_MAX];
    alert_name(id, "no-circulation", config->key, NULL);
    alert_clear(core, id, ret);
    if (t->line_dirty) {
        t->flush_from = t->circulation.awaited = now.mono;
        enter(t, STEP_FLUSH, now);
        return;
    }
    if (!planned) {
        enter(t, STEP_MIX, now);
        return;
    }
    if (!may_send(core, tank, d, now)) {
        core_drop_errand(core, tank, t->why);
        t->plan.count = t->plan.next;
        enter(t, STEP_MIX, now);
        return;
    }
    if (supply_waits(core, tank, &config->pump[d->pump].address, now)) return;
    if (core->held_back) {
        core_say(t, TANK_CIRCULATING, "a new configuration waits for the doses under way to end");
        return;
    }
    t->plan.next++;
    core_send_dose(core, tank, d, now, ret);
    enter(t, STEP_INJECT, now);
}

/* --- INJECT ----------------------------------------------------------------------------------- */

static void say_injecting(struct core *core, uint32_t tank)
{
    const struct core_tank *t = &core->tank[tank];
    const struct site_pump *pump = &core->site->tank[tank].pump[t->dose.pump];
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, t->plan.errand == ERRAND_PRIME  ? "priming with "
                    : t->plan.errand == ERRAND_RATE ? "running for calibration "
                                                    : "dosing ");
    text_add_real(&text, (double)t->dose.ul / 1000.0, 2);
    text_add(&text, " mL of ");
    text_add(&text, core->site->stock[pump->stock].key);
    core_say(&core->tank[tank],
        t->plan.errand == ERRAND_PRIME  ? TANK_PRIMING
        : t->plan.errand == ERRAND_RATE ? TANK_CALIBRATING
                                        : TANK_INJECTING,
        why);
}

static void inject(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    t->due = mono_after(now.mono, STEP_LOOK_MS);
    if (t->dose.used) {
        if (!core_dose_overdue(core, tank, now)) {
            say_injecting(core, tank);
            return;
        }
        core_settle_overdue(core, tank, now, ret);
    }
    if (t->line_dirty) {
        t->flush_from = t->circulation.awaited = now.mono;
        enter(t, STEP_FLUSH, now);
        return;
    }
    /* Refused or never sent: nothing moved. A half recipe isn't followed by its other half. */
    t->plan.count = t->plan.next;
    enter(t, STEP_MIX, now);
}

/* --- FLUSH ------------------------------------------------------------------------------------ */

static void flush(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    core_say(t, TANK_FLUSHING, "flushing the line");
    const bool was = t->circulation.confirmed;
    const int64_t owed = site_flush_ms(config) - t->flushed_ms;
    const bool waits = !flows_or_will(&t->circulation) && older_waits(core, tank, now);
    const bool flows = !waits && core_hold_circulation(core, tank, owed, now, ret);
    /* Before a tick has ended for certain nothing is flushed away. */
    const struct mono from =
        mono_since(t->pumped_at, t->flush_from) > 0 ? t->pumped_at : t->flush_from;
    const struct mono till = core_flow_proven(core, tank, now);
    if (!was || !t->circulation.confirmed) {
        t->flush_from = now.mono;
    } else if (mono_since(till, from) > 0) {
        t->flushed_ms += mono_since(till, from);
        t->flush_from = till;
    }
    if (!flows && !t->circulation.confirmed) {
        core_say(t, TANK_FLUSHING, "the line must be flushed; waiting for the circulation");
        t->due = mono_after(now.mono, STEP_LOOK_MS);
        if (!circulation_waits(core, tank, now) && core_circulation_unseen(core, tank, now))
            give_up_circulation(core, tank, now, ret);
        return;
    }
    t->circulation.awaited = now.mono;
    const int64_t left = site_flush_ms(config) - t->flushed_ms;
    if (left > 0) {
        t->due = mono_after(now.mono, left < STEP_LOOK_MS ? left : STEP_LOOK_MS);
        return;
    }
    t->line_dirty = false;
    struct record *r = emit_record(ret, "flushed");
    record_add_text(r, "tank", config->key);
    record_add_text(r, "serial", config->circulation.serial);
    enter(t, t->plan.next < t->plan.count ? STEP_CIRCULATE : STEP_MIX, now);
    t->circulation.awaited = now.mono;
}

/* New readings make it look at once: this is for what doesn't speak. */
static int64_t idle_look_ms(const struct site_tank *config)
{
    int64_t age_ms = 4 * MINUTE_MS;
    for (int q = PROBE_EC; q <= PROBE_TEMPERATURE; q++) {
        if (config->probe[q].present && config->probe[q].max_age_ms < age_ms)
            age_ms = config->probe[q].max_age_ms;
    }
    return age_ms / 4 > TANK_LOOK_MS ? age_ms / 4 : TANK_LOOK_MS;
}

/* --- MIX -------------------------------------------------------------------------------------- */

/* The next doses need not wait for the end of it: the law knows when it knows enough. */
static void mix(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    const int64_t left = nearest(1000.0 * law_mixing_left_s(&t->law, &t->model));
    if (!law_mixing(&t->law)) {
        t->mix_owed = false;
        enter(t, STEP_IDLE, now);
        return;
    }
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, "mixing for about another ");
    text_add_span(&text, left + 999);
    core_say(t, TANK_MIXING, why);
    const int64_t look_ms = idle_look_ms(&core->site->tank[tank]);
    (void)core_hold_circulation(core, tank, look_ms, now, ret); /* until a look has seen the end */
    t->due = mono_after(now.mono, look_ms);
    if (t->circulation.confirmed) {
        t->circulation.awaited = now.mono;
    } else if (core_circulation_unseen(core, tank, now)) {
        t->circulation.awaited = now.mono; /* it stands still: nothing mixes */
        enter(t, STEP_CIRCULATE, now);
        return;
    }
    if (!core_gate_dose(core, tank, now)) { /* without probes only the clock tells */
        if (mono_since(now.mono, t->pumped_at) < 2 * site_mix_ms(&core->site->tank[tank])) return;
        t->mix_owed = false;
        enter(t, STEP_IDLE, now);
        t->due = mono_after(now.mono, STEP_LOOK_MS);
        return;
    }
    if (yields(core, tank, now) || !core_plan(core, tank, now)) {
        t->plan.count = t->plan.next = 0;
        if (!t->wants_mixing && t->state == TANK_HOLDING) core_say(t, TANK_MIXING, why);
        return;
    }
    t->circulation.awaited = now.mono;
    enter(t, STEP_CIRCULATE, now);
}

/* --- IDLE ------------------------------------------------------------------------------------- */

/* Doses that were under way when this daemon, or the one before it, lost sight of them. */
static bool settled(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    if (!t->dose.used) return true;
    if (core_dose_overdue(core, tank, now)) {
        core_settle_overdue(core, tank, now, ret);
        return true;
    }
    return core_say(t, TANK_WAITING, "finding out what became of a dose that was under way");
}

static void say_backing_off(struct core_tank *t, struct now now)
{
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, "the last command didn't succeed; trying again within ");
    text_add_span(&text, mono_since(t->not_before, now.mono) + 999);
    core_say(t, TANK_WAITING, why);
}

static void idle(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    t->due = mono_after(now.mono, idle_look_ms(config));
    if (!settled(core, tank, now, ret)) {
        t->due = mono_after(now.mono, STEP_LOOK_MS);
        return;
    }
    if (mono_since(now.mono, t->not_before) < 0) {
        if (t->not_before.ms < t->due.ms) t->due = t->not_before;
        say_backing_off(t, now);
        return;
    }
    if (t->line_dirty || t->mix_owed) {
        t->plan.count = t->plan.next = 0;
        t->circulation.awaited = now.mono;
        enter(t, STEP_CIRCULATE, now);
        return;
    }
    const int64_t asked_ms = mono_since(t->care.circulate_till, now.mono);
    if (config->circulation.when == CIRCULATE_ALWAYS)
        (void)core_hold_circulation(core, tank, 2 * TANK_LOOK_MS, now, ret);
    else if (asked_ms > 0)
        (void)core_hold_circulation(
            core, tank, asked_ms < TANK_LOOK_MS ? asked_ms : TANK_LOOK_MS, now, ret);
    if (!core_gate_dose(core, tank, now) || yields(core, tank, now)) return;
    if (!core_plan(core, tank, now)) {
        t->plan.count = t->plan.next = 0;
        if (!t->wants_mixing) return;
        t->circulation.awaited = now.mono; /* more is known when it has mixed */
        enter(t, STEP_CIRCULATE, now);
        return;
    }
    t->circulation.awaited = now.mono;
    enter(t, STEP_CIRCULATE, now);
}

/* Something forbids movement: what runs is stopped, and what it left in the line is owed a flush.
 */
static void blocked(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    const bool all = t->service || t->care.bench || t->state == TANK_INTERLOCKED;
    if (!t->dose.used) core_drop_errand(core, tank, t->why);
    core_stop_tank(core, tank, all, now, ret);
    if (core_dose_overdue(core, tank, now)) core_settle_overdue(core, tank, now, ret);
    core_confirm_circulation(core, tank, now);
    t->plan.count = t->plan.next = 0;
    t->step = STEP_IDLE;
    t->due = mono_after(now.mono, STEP_LOOK_MS);
}

void core_turn_tank(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    core_turn_upkeep(core, tank, now, ret);
    core_look_at_water(core, tank, now, ret);
    core_age_errand(core, tank, now);
    if (t->care.bench && core_gate_site(core, tank)) {
        core_turn_bench(core, tank, now, ret);
        return;
    }
    if (!core_gate_move(core, tank, now)) {
        blocked(core, tank, now, ret);
        return;
    }
    switch (t->step) {
    case STEP_IDLE:
        idle(core, tank, now, ret);
        break;
    case STEP_CIRCULATE:
        circulate(core, tank, now, ret);
        break;
    case STEP_INJECT:
        inject(core, tank, now, ret);
        break;
    case STEP_FLUSH:
        flush(core, tank, now, ret);
        break;
    case STEP_MIX:
        mix(core, tank, now, ret);
        break;
    }
}
