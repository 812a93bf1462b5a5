#include <string.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

void core_draw_stock(struct core *core, uint32_t stock, int64_t ul)
{
    struct core_stock *s = &core->stock[stock];
    upkeep_draw(core, stock, ul);
    s->remaining_ul -= ul;
    if (s->remaining_ul < 0) s->remaining_ul = 0;
    if (s->remaining_ul > core->site->stock[stock].bottle_ul)
        s->remaining_ul = core->site->stock[stock].bottle_ul;
}

void core_line_took(struct core_tank *t, struct mono ended)
{
    t->line_dirty = true;
    t->flush_from = ended;
    t->flushed_ms = 0;
    t->pumped_at = ended;
    t->mix_owed = true;
}

void core_pump_ran(struct core *core, uint32_t tank, uint32_t pump, struct mono ended)
{
    struct core_tank *t = &core->tank[tank];
    const struct site_tank *config = &core->site->tank[tank];
    core_line_took(t, ended);
    if ((int32_t)pump == config->lowers_ph) t->acid_ended = ended;
    if ((int32_t)pump == config->raises_ph) t->base_ended = ended;
}

struct outcome {
    const char *state; /* word for the journal */
    int64_t ul, ran_ms;
    bool unsure; /* counted in full because nobody knows */
};

bool core_full_counts(const struct core *core, uint32_t tank, const struct core_command *dose,
    int64_t ul, bool unsure)
{
    const bool stays = site_full_stays(core->site, &core->site->tank[tank].pump[dose->pump]);
    return ul > 0 && ul <= dose->full_ul && dose->full_ul > dose->ul && (unsure || stays);
}

static void settle_windows(struct core_tank *t, uint32_t pump, const struct core_command *dose,
    int64_t ul, struct mono ends)
{
    struct dose_window *w = &t->pump[pump].window;
    const uint64_t tag = core_tag(dose->id);
    /* A full window may have made one of two entries: then what was granted stays, and what was
     * moved beyond it comes on top. */
    if (!window_settle(w, tag, ul, ends) && ul > dose->full_ul)
        window_add(w, (struct window_entry){ ends, ul - dose->full_ul, 0 }, dose->asked);
    if (ul > 0) return;
    window_settle(&t->ec_rise, tag, 0, ends);
    window_settle(&t->ph_move, tag, 0, ends);
}

void core_settle_windows(
    struct core *core, uint32_t tank, const struct core_command *dose, int64_t ul, struct mono ends)
{
    settle_windows(&core->tank[tank], dose->pump, dose, ul, ends);
    if (dose->has_beside)
        settle_windows(&core->tank[dose->beside_tank], dose->beside_pump, dose, ul, ends);
}

/* Is the volume what went in? Of a pump that isn't calibrated more is counted than it may give. */
static bool is_sure(const struct core *core, uint32_t tank, const struct outcome *o)
{
    const struct core_command *dose = &core->tank[tank].dose;
    return !o->unsure && dose->ml_per_s <= core->site->tank[tank].pump[dose->pump].ml_per_s;
}

/* When its last drop came at the latest. Of a plain output only a report of off tells that: else
 * its order may have been late, or the one to end it lost. */
static struct mono latest_end(
    const struct core *core, uint32_t tank, const struct outcome *o, struct now now)
{
    const struct core_command *dose = &core->tank[tank].dose;
    const struct site_pump *pump = &core->site->tank[tank].pump[dose->pump];
    const struct plain_output *board = site_plain(core->site, &pump->address);
    const bool seen = !board || (board->unit == PLAIN_SWITCHED && board->state_topic);
    return o->unsure || !seen ? dose->ends : now.mono;
}

/* Every ledger of a dose learns what became of it. */
static void settle_dose(
    struct core *core, uint32_t tank, const struct outcome *o, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    const struct site_pump *pump = &core->site->tank[tank].pump[t->dose.pump];
    const struct core_command dose = t->dose;
    if (!o->unsure || o->ul > dose.ul) { /* a pump that ran on moved more than was granted */
        if (!core_full_counts(core, tank, &dose, o->ul, o->unsure))
            core_settle_windows(core, tank, &dose, o->ul, o->unsure ? dose.ends : now.mono);
        core_draw_stock(core, pump->stock, o->ul - dose.ul);
    }
    t->dose.used = false;
    if (dose.running) core_doubt_amps(core, pump->address.chain, now);
    if (dose.heard) core_expect_rest(core, tank, dose.pump, now);
    const bool cup = t->care.sent;
    if (o->ul > 0) {
        t->failures = 0;
        upkeep_count_tube(core, tank, dose.pump, o->ran_ms, o->ul);
        core_pump_ran(core, tank, dose.pump, latest_end(core, tank, o, now));
        if (!cup) core_tell_law(core, tank, dose.pump, o->ul, is_sure(core, tank, o), now.mono);
        t->last_pump = (int32_t)dose.pump;
        t->last_ul = o->ul;
        t->last_at = now.civil;
        text_copy(t->last_id, sizeof t->last_id, dose.id);
    }
    struct record *r = emit_record(ret, "outcome");
    record_add_text(r, "id", dose.id);
    record_add_text(r, "tank", core->site->tank[tank].key);
    record_add_text(r, "stock", core->site->stock[pump->stock].key);
    record_add_text(r, "state", o->state);
    record_add_int(r, "ran_ms", o->ran_ms);
    record_add_int(r, "ul", o->ul);
    record_add_truth(r, "unsure", o->unsure);
    core_errand_settled(core, tank, o->ul, o->ran_ms, o->unsure, ret);
}

static void refused(
    struct core *core, uint32_t tank, const struct chain_report *report, struct actions *ret)
{
    char line[ACTION_TEXT_MAX];
    struct text text = text_over(line, sizeof line);
    text_add(&text, core->site->tank[tank].key);
    text_add(&text, ": the chain head refused a command: ");
    text_add(&text, chain_reason_word(report->reason));
    emit_log(ret, LOG_WARNED, line);
}

static void report_on_dose(struct core *core, uint32_t tank, const struct chain_report *report,
    struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    const struct site_pump *pump = &core->site->tank[tank].pump[t->dose.pump];
    const bool known = t->dose.heard;
    if (report->state != CHAIN_REFUSED) t->dose.heard = true;
    struct outcome o = { .state = chain_state_word(report->state), .ran_ms = report->ran_ms };
    o.ul = nearest((double)report->ran_ms * t->dose.ml_per_s);
    switch (report->state) {
    case CHAIN_ACCEPTED:
        return;
    case CHAIN_RUNNING:
        if (!t->dose.running) {
            t->dose.since = now.mono;
            core_doubt_amps(core, pump->address.chain, now);
        }
        t->dose.running = true;
        return;
    case CHAIN_REFUSED:
        /* A late copy, or a stranger's garbage under this id, may be refused while the pump runs or
         * is about to: the refusal of a dose that was accepted says nothing of it. Nor does that by
         * another boot of the head, which can't know what the one before it ran. */
        if (known || !text_same(report->boot, t->dose.boot)) return;
        o.ul = 0;
        o.ran_ms = 0;
        refused(core, tank, report, ret);
        core_back_off(t, now);
        break;
    case CHAIN_DONE:
    case CHAIN_STOPPED:
        /* A board's run that was ended late was seen to end; a head's was to end by itself. */
        if (report->unsure ||
            (report->ran_ms > t->dose.run_ms && !site_plain(core->site, &pump->address))) {
            o.ul = o.ul > t->dose.ul ? o.ul : t->dose.ul;
            o.unsure = true;
        }
        break;
    }
    settle_dose(core, tank, &o, now, ret);
}

static void report_on_circulation(struct core *core, uint32_t tank,
    const struct chain_report *report, struct now now, struct actions *ret)
{
    struct core_circulation *flow = &core->tank[tank].circulation;
    flow->command.heard = true;
    switch (report->state) {
    case CHAIN_ACCEPTED:
        return;
    case CHAIN_RUNNING:
        flow->command.running = true;
        if (!flow->on) flow->start = now.mono;
        flow->on = true;
        flow->till = mono_after(flow->command.asked, flow->command.run_ms);
        flow->may_run = true;
        flow->ends = flow->command.ends;
        return;
    case CHAIN_REFUSED: /* what ran before goes on until its own end */
        if (core_flow_is_out(core, tank)) core_drop_errand(core, tank, "the chain head refused it");
        refused(core, tank, report, ret);
        core_back_off(&core->tank[tank], now);
        break;
    case CHAIN_DONE:
    case CHAIN_STOPPED:
        core_end_circulation(core, tank, now);
        flow->may_run = false;
        core_flow_settled(core, tank, report, ret);
        break;
    }
    flow->command.used = false;
}

void core_settle_report(struct core *core, uint32_t chain, const struct chain_report *report,
    struct now now, struct actions *ret)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        struct core_tank *t = &core->tank[i];
        const struct site_tank *config = &core->site->tank[i];
        if (t->dose.used && text_same(t->dose.id, report->id) &&
            config->pump[t->dose.pump].address.chain == chain) {
            report_on_dose(core, i, report, now, ret);
            t->due = now.mono;
            return;
        }
        if (t->circulation.command.used && text_same(t->circulation.command.id, report->id) &&
            tank_chain(core, i) == chain) {
            report_on_circulation(core, i, report, now, ret);
            t->due = now.mono;
            return;
        }
    }
}

void core_back_off(struct core_tank *t, struct now now)
{
    static const uint32_t doublings_most = 6;
    if (t->failures < doublings_most) t->failures++;
    t->not_before = mono_after(now.mono, (int64_t)TANK_LOOK_MS << (t->failures - 1));
}

bool core_dose_overdue(const struct core *core, uint32_t tank, struct now now)
{
    const struct core_tank *t = &core->tank[tank];
    if (!t->dose.used) return false;
    const struct site_pump *pump = &core->site->tank[tank].pump[t->dose.pump];
    const int64_t late_ms = mono_since(now.mono, t->dose.ends) - COMMAND_GRACE_MS;
    if (late_ms < 0) return false;
    if (core->chain[pump->address.chain].ledger_seen) return true;
    return core->link_up && late_ms >= LEDGER_WAIT_MS &&
           mono_since(now.mono, core->link_since) >= LEDGER_WAIT_MS;
}

void core_settle_overdue(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    char line[ACTION_TEXT_MAX];
    struct text text = text_over(line, sizeof line);
    text_add(&text, core->site->tank[tank].key);
    text_add(&text, ": nothing is known of dose ");
    text_add(&text, t->dose.id);
    text_add(&text, "; it counts as delivered in full");
    emit_log(ret, LOG_WARNED, line);
    const struct outcome o = {
        .state = "unknown", .ul = t->dose.ul, .ran_ms = t->dose.run_ms, .unsure = true
    };
    settle_dose(core, tank, &o, now, ret);
}

bool core_settle_ended(struct core *core, struct now now, struct actions *ret)
{
    ret->count = 0;
    for (uint32_t i = 0; i < core->site->tank_count && !core->link_up; i++) {
        const struct core_command *dose = &core->tank[i].dose;
        if (!dose->used || mono_since(now.mono, dose->ends) < COMMAND_GRACE_MS) continue;
        core_settle_overdue(core, i, now, ret);
        return true;
    }
    return false;
}

void core_settle_unsent(
    struct core *core, uint32_t chain, const char *id, struct now now, struct actions *ret)
{
    /* Its halt was ended, and the head doesn't know: it is said again. */
    if (core->chain[chain].known.resume == core_tag(id) && !core->halted) {
        core->chain[chain].resume_owed = true;
        core->chain[chain].due = now.mono;
    }
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        struct core_tank *t = &core->tank[i];
        if (tank_chain(core, i) == chain && t->circulation.command.used &&
            text_same(t->circulation.command.id, id)) {
            t->circulation.command.used = false;
            core_back_off(t, now);
        }
        if (!t->dose.used || !text_same(t->dose.id, id)) continue;
        const struct outcome o = { .state = "unsent" };
        settle_dose(core, i, &o, now, ret);
        core_back_off(t, now);
    }
}
