/* Somebody has thought better of what was asked for: it ends, and what it gave counts. What the
 * scheduler does, it goes on doing. */
#include "lib/base/text.h"
#include "lib/core/state.h"

static const char WHY[] = "it was cancelled";

/* A pump that runs for it: its head reports what it gave. */
static void stop_pump(
    struct core *core, uint32_t tank, struct now now, struct text *said, struct actions *ret)
{
    const struct core_tank *t = &core->tank[tank];
    text_add(said, core->site->stock[core->site->tank[tank].pump[t->dose.pump].stock].key);
    text_add(said, " is stopped; what it gave counts");
    core_stop_tank(core, tank, false, now, ret);
}

void core_end_errand(struct core *core, uint32_t tank, const char *why)
{
    struct core_tank *t = &core->tank[tank];
    core_drop_errand(core, tank, why);
    if (t->care.bench || t->dose.used) return;
    t->plan.count = t->plan.next = 0;
    if (t->step == STEP_CIRCULATE) t->step = STEP_IDLE;
}

/* It hasn't begun, or is a run of the circulation: that ends with the tank's next turn. */
static void drop(struct core *core, uint32_t tank, struct text *said)
{
    core_end_errand(core, tank, WHY);
    text_add(said, core->tank[tank].care.said);
}

static void cancel_errand(
    struct core *core, uint32_t tank, struct now now, struct text *said, struct actions *ret)
{
    const struct core_tank *t = &core->tank[tank];
    if (t->dose.used && t->plan.errand != ERRAND_NONE)
        stop_pump(core, tank, now, said, ret);
    else
        drop(core, tank, said);
}

static void cancel_bath(struct core_care *care, struct text *said)
{
    care->listening.on = false;
    text_copy(care->said, sizeof care->said, "the bath isn't waited for: it was cancelled");
    text_add(said, care->said);
}

void core_ask_cancel(
    struct core *core, uint32_t tank, struct now now, struct text *said, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    const bool circulates = mono_since(t->care.circulate_till, now.mono) > 0;
    if (circulates) t->care.circulate_till = now.mono;
    t->due = now.mono;
    if (t->care.errand != ERRAND_NONE)
        cancel_errand(core, tank, now, said, ret);
    else if (t->care.listening.on)
        cancel_bath(&t->care, said);
    else if (circulates)
        text_add(said, "the circulation that was asked for ends within seconds");
    else
        text_add(said, "nothing that was asked for is under way in this tank");
}
