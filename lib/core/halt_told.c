#include "lib/core/halt_told.h"

#include "lib/base/text.h"
#include "lib/core/state.h"

enum { HEADS_TELL_MS = 60000 }; /* several beats */

void core_know_halt(struct core *core, bool on)
{
    core->halted = on;
    core->halt_told.doubted = core->halt_told.missed = false;
}

void core_hear_halt(struct core *core, bool on)
{
    core_know_halt(core, on);
    core->halt_told.settled = true;
}

/* Limits are known again after a day, or when somebody has said that all is. */
static bool doubts(const struct core *core)
{
    if (core->halted) return false;
    if (core->halt_told.missed) return true;
    for (uint32_t c = 0; c < core->site->chain_count && core->halt_told.doubted; c++) {
        if (core->chain[c].limits_unknown) return true;
    }
    return false;
}

bool core_halt_untold(const struct core *core, struct now now)
{
    const bool begins = mono_since(now.mono, core->halt_told.started) < HEADS_TELL_MS;
    if (core->halted || (!begins && !doubts(core))) return false;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        const struct core_chain *head = &core->chain[c];
        if (core->site->chain[c].plain) continue;
        if (!head->has_beat || (begins && !head->ledger_seen)) return true;
    }
    return false;
}

void core_take_halt(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    const struct core_chain *c = &core->chain[chain];
    if (!c->has_beat || !c->beat.halted || !doubts(core)) return;
    core_hear_halt(core, true);
    record_add_text(emit_record(ret, "halt-taken"), "chain", core->site->chain[chain].key);
    char text[ALERT_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "the head of chain ");
    text_add(&t, core->site->chain[chain].key);
    text_add(&t, " is halted, and the record of who asked for that may be lost, so everything "
                 "counts as halted. If nobody wants it, end it (dosewright release)");
    alert_raise(core, "halt-told", -1, text, ret);
    core_wake_tanks(core, now);
}
