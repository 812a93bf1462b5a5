#include "lib/core/halt_told.h"

#include "lib/base/text.h"
#include "lib/core/state.h"

void core_know_halt(struct core *core, bool on)
{
    core->halted = on;
    core->halt_doubted = false;
}

/* As long as limits aren't known: then a day has passed, or somebody has said that all is. */
static bool doubts(const struct core *core)
{
    if (!core->halt_doubted || core->halted) return false;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (core->chain[c].limits_unknown) return true;
    }
    return false;
}

bool core_halt_untold(const struct core *core)
{
    if (!doubts(core)) return false;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (!core->site->chain[c].plain && !core->chain[c].has_beat) return true;
    }
    return false;
}

void core_take_halt(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    const struct core_chain *c = &core->chain[chain];
    if (!c->has_beat || !c->beat.halted || !doubts(core)) return;
    core_know_halt(core, true);
    record_add_text(emit_record(ret, "halt-taken"), "chain", core->site->chain[chain].key);
    char line[ACTION_TEXT_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, "chain ");
    text_add(&t, core->site->chain[chain].key);
    text_add(&t, ": its head is halted, and what was asked for meanwhile isn't known. Everything "
                 "counts as halted until 'release'");
    emit_log(ret, LOG_WARNED, line);
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        core->tank[i].due = now.mono;
    }
}
