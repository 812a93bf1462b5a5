/* A tank on the bench: tubes or probes are out of it, so that nothing moves by itself. What
 * somebody asks for runs into a cup, with the circulation standing still. */
#include "lib/base/text.h"
#include "lib/core/state.h"

enum { BENCH_LOOK_MS = 500 };

void core_set_bench(struct core *core, uint32_t tank, bool on, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    struct core_care *care = &t->care;
    core_drop_errand(core, tank, on ? "the tank came on the bench" : "the tank is off the bench");
    if (on != care->bench) {
        for (int q = 0; q < CARED_PROBES; q++) {
            care->probe[q].row.count = 0;
        }
    }
    if (care->bench && !on) { /* what hung in a bath tells nothing of the water */
        for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
            if (core->site->tank[tank].probe[q].unit != UNIT_BOOL) probe_init(&t->probe[q]);
        }
        t->ask_law = true;
    }
    care->bench = on;
    care->leaving = false;
    care->listening.on = false;
    t->due = now.mono;
}

/* While a pump runs into the cup it stays on the bench: the pump is stopped first, and what it gave
 * is told. */
void core_ask_bench(struct core *core, const struct event_request *q, struct now now,
    struct text *said, struct actions *ret)
{
    struct core_tank *t = &core->tank[q->tank];
    if (!t->dose.used || !t->care.sent) {
        core_set_bench(core, q->tank, q->on, now);
        return;
    }
    t->care.leaving = !q->on;
    if (q->on) return;
    text_add(said, "a pump runs into the cup: it is stopped, then the tank is off the bench");
    core_stop_tank(core, q->tank, false, now, ret);
}

static bool say_bench(struct core *core, uint32_t tank)
{
    struct core_tank *t = &core->tank[tank];
    if (!t->care.listening.on)
        return core_say(t, TANK_PAUSED,
            "on the bench: tubes or probes may be out, so nothing moves but what is asked for; "
            "take it off the bench when all is back in its place");
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, "on the bench: waiting for the ");
    text_add(&text, probe_quantity_word(t->care.listening.quantity));
    text_add(&text, " probe to settle in its bath");
    return core_say(t, TANK_CALIBRATING, why);
}

static void say_running(struct core *core, uint32_t tank)
{
    struct core_tank *t = &core->tank[tank];
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, "on the bench: ");
    text_add(&text, core->site->stock[core->site->tank[tank].pump[t->care.pump].stock].key);
    text_add(&text, " runs into the cup");
    core_say(t, t->care.errand == ERRAND_RATE ? TANK_CALIBRATING : TANK_PRIMING, why);
}

/* Since it was asked for, a hand may have run the pump. */
static bool still_fits(
    struct core *core, uint32_t tank, const struct core_dose *dose, struct now now)
{
    const enum core_errand errand = core->tank[tank].care.errand;
    const struct site_pump *pump = &core->site->tank[tank].pump[dose->pump];
    const double ml_per_s = core_counted_rate(pump, errand);
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    if (!core_within_limits(core, tank, dose, ml_per_s, now, &text)) return true;
    core_drop_errand(core, tank, why);
    return false;
}

/* Everything stands still: the pump may start. */
static void start(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    const struct site_pump *pump = &core->site->tank[tank].pump[t->care.pump];
    if (!core_gate_cup(core, tank, t->care.pump, now)) {
        core_drop_errand(core, tank, t->why);
        return;
    }
    if (!core_supply_allows(core, &pump->address, false) ||
        !core_motor_may_start(core, pump->address.chain, now)) {
        core_say(t, TANK_PRIMING, "the chain's supply is in use; it waits for its turn");
        return;
    }
    struct core_dose dose = { .pump = t->care.pump, .ul = t->care.ul };
    (void)site_law_stock(&core->site->tank[tank], dose.pump, &dose.stock);
    if (!still_fits(core, tank, &dose, now)) return;
    t->plan = (struct core_plan){ .errand = t->care.errand };
    t->care.sent = true;
    core_send_dose(core, tank, &dose, now, ret);
}

void core_turn_bench(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    t->step = STEP_IDLE;
    t->due = mono_after(now.mono, BENCH_LOOK_MS);
    core_turn_bath(core, tank, now);
    if (core_dose_overdue(core, tank, now)) core_settle_overdue(core, tank, now, ret);
    core_confirm_circulation(core, tank, now);
    if (t->dose.used && t->care.sent) {
        if (!t->care.leaving && core_gate_cup(core, tank, t->care.pump, now))
            say_running(core, tank);
        else
            core_stop_tank(core, tank, false, now, ret);
        return;
    }
    if (t->care.leaving) {
        core_set_bench(core, tank, false, now);
        return;
    }
    t->plan.count = t->plan.next = 0;
    if (core_flow_runs(core, tank, now)) return;
    core_stop_tank(core, tank, true, now, ret);
    say_bench(core, tank);
    if (t->care.errand == ERRAND_NONE) return;
    if (t->dose.used || core_may_circulate(core, tank))
        core_say(t, TANK_PRIMING, "on the bench: waiting until the circulation stands still");
    else if (t->care.errand == ERRAND_FLOW)
        core_start_flow(core, tank, now, ret);
    else
        start(core, tank, now, ret);
}
