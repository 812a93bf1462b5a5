/* What the journal says of the time before this start. Whatever has a record and no outcome counts
 * as delivered in full. */
#include <string.h>

#include "lib/base/text.h"
#include "lib/core/limits_known.h"
#include "lib/core/restore_line.h"
#include "lib/core/state.h"

/* --- names back to indices: -1 when the configuration no longer has them ------------------------
 */

int32_t core_tank_named(const struct core *core, const char *key)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        if (text_same(core->site->tank[i].key, key)) return (int32_t)i;
    }
    return -1;
}

static int32_t chain_named(const struct core *core, const char *key)
{
    for (uint32_t i = 0; i < core->site->chain_count; i++) {
        if (text_same(core->site->chain[i].key, key)) return (int32_t)i;
    }
    return -1;
}

static int32_t stock_named(const struct core *core, const char *key)
{
    for (uint32_t i = 0; i < core->site->stock_count; i++) {
        if (text_same(core->site->stock[i].key, key)) return (int32_t)i;
    }
    return -1;
}

struct pump_at {
    uint32_t tank, pump;
};

/* By tank and stock; and where those were renamed, by the module and channel that ran. */
static bool find_pump(const struct core *core, const struct record *r, struct pump_at *ret)
{
    const char *tank = record_text_or_empty(r, "tank"), *stock = record_text_or_empty(r, "stock");
    const char *serial = record_text_or_empty(r, "serial");
    int64_t channel = 0;
    (void)record_int(r, "channel", &channel);
    bool found = false;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct site_tank *config = &core->site->tank[i];
        for (uint32_t p = 0; p < config->pump_count; p++) {
            const struct site_pump *pump = &config->pump[p];
            const bool named = text_same(config->key, tank) &&
                               text_same(core->site->stock[pump->stock].key, stock);
            const bool same = pump->address.channel == channel && text_same(pump->serial, serial);
            if (!named && (found || !same)) continue;
            *ret = (struct pump_at){ i, p };
            if (named) return true;
            found = true;
        }
    }
    return found;
}

/* Where the names are another output's now: the pump that has the one that ran. What it moved is in
 * that one's water, by that one's limits. */
static bool find_beside(const struct core *core, const struct record *r,
    const struct pump_at *where, struct pump_at *ret)
{
    const char *serial = record_text_or_empty(r, "serial");
    int64_t channel = 0;
    if (!serial[0] || !record_int(r, "channel", &channel)) return false;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct site_tank *config = &core->site->tank[i];
        for (uint32_t p = 0; p < config->pump_count; p++) {
            if (i == where->tank && p == where->pump) continue;
            if (config->pump[p].address.channel != channel) continue;
            if (!text_same(config->pump[p].serial, serial)) continue;
            *ret = (struct pump_at){ i, p };
            return true;
        }
    }
    return false;
}

/* ... there it counts, and the line holds some. */
static void count_beside(struct core *core, const struct record *r, const struct pump_at *beside,
    const struct window_entry *entry, struct mono at)
{
    window_add(&core->tank[beside->tank].pump[beside->pump].window, *entry, at);
    core_recall_run(core, beside->tank, beside->pump, r, entry->ends);
}

/* The configuration has no such pump now; it may have it again before the day is over. */
static void restore_gone(
    struct core *core, const struct record *r, int64_t ul, int64_t ms, struct mono ends)
{
    struct core_gone gone = { .ends = ends, .ul = ul, .ms = ul == 0 ? ms : 0 };
    int64_t channel = 0;
    (void)record_int(r, "channel", &channel);
    gone.channel = (uint32_t)channel;
    (void)text_copy(gone.tank, sizeof gone.tank, record_text_or_empty(r, "tank"));
    (void)text_copy(gone.stock, sizeof gone.stock, record_text_or_empty(r, "stock"));
    (void)text_copy(gone.serial, sizeof gone.serial, record_text_or_empty(r, "serial"));
    core_note_gone(core, &gone, ends);
    core_recall_gone(core, r, ends);
}

/* --- one kind each ---------------------------------------------------------------------------- */

/* What a dose was to do to this water. */
static void count_moves(
    struct core_tank *t, const struct record *r, struct mono ends, uint64_t tag, struct mono at)
{
    int64_t ec_milli = 0, ph_micro = 0;
    (void)record_int(r, "ec_milli", &ec_milli);
    (void)record_int(r, "ph_micro", &ph_micro);
    if (ec_milli > 0) window_add(&t->ec_rise, (struct window_entry){ ends, ec_milli, tag }, at);
    if (ph_micro > 0) window_add(&t->ph_move, (struct window_entry){ ends, ph_micro, tag }, at);
}

static void restore_dose(struct core *core, const struct record *r, struct mono at)
{
    struct pump_at where;
    int64_t ul = 0, full_ul = 0, run_ms = 0, ends_ms = 0;
    if (!record_int(r, "ul", &ul) || ul < 0) return;
    if (!record_int(r, "full_ul", &full_ul) || full_ul < ul) full_ul = ul;
    if (!find_pump(core, r, &where)) {
        (void)record_int(r, "ends_ms", &ends_ms);
        const struct mono ends = mono_after(at, ends_ms > 0 ? ends_ms : 0);
        const int32_t tank = core_tank_named(core, record_text_or_empty(r, "tank"));
        restore_gone(core, r, full_ul, 0, ends);
        if (tank >= 0) count_moves(&core->tank[tank], r, ends, 0, at);
        return;
    }
    struct core_tank *t = &core->tank[where.tank];
    const struct site_tank *config = &core->site->tank[where.tank];
    /* It ends no sooner than it can have run, whatever the record says of that. */
    const int64_t needs_ms = nearest((double)ul / config->pump[where.pump].ml_per_s);
    if (!record_int(r, "run_ms", &run_ms) || run_ms < 0) run_ms = needs_ms;
    if (!record_int(r, "ends_ms", &ends_ms) || ends_ms < run_ms)
        ends_ms = COMMAND_START_MS + run_ms;
    double ml_per_s = config->pump[where.pump].ml_per_s;
    (void)record_real(r, "ml_per_s", &ml_per_s);
    t->dose = (struct core_command){ .used = true,
        .restored = true,
        .pump = where.pump,
        .ul = ul,
        .full_ul = full_ul,
        .run_ms = run_ms,
        .ml_per_s = ml_per_s,
        .asked = at,
        .ends = mono_after(at, ends_ms) };
    text_copy(t->dose.id, sizeof t->dose.id, record_text_or_empty(r, "id"));
    const uint64_t tag = core_tag(t->dose.id);
    window_add(
        &t->pump[where.pump].window, (struct window_entry){ t->dose.ends, full_ul, tag }, at);
    count_moves(t, r, t->dose.ends, tag, at);
    core_draw_stock(core, config->pump[where.pump].stock, ul);
    core_recall_run(core, where.tank, where.pump, r, t->dose.ends);
    struct pump_at beside;
    if (!find_beside(core, r, &where, &beside)) return;
    t->dose.has_beside = true;
    t->dose.beside_tank = beside.tank;
    t->dose.beside_pump = beside.pump;
    count_beside(core, r, &beside, &(struct window_entry){ t->dose.ends, full_ul, tag }, at);
    if (beside.tank != where.tank) count_moves(&core->tank[beside.tank], r, t->dose.ends, tag, at);
}

/* A tick has no outcome: it counts as given. */
static void restore_identify(struct core *core, const struct record *r, struct mono at)
{
    struct pump_at where;
    int64_t run_ms = 0;
    if (!record_int(r, "run_ms", &run_ms) || run_ms < 0) return;
    if (!find_pump(core, r, &where)) {
        restore_gone(core, r, 0, run_ms, mono_after(at, COMMAND_START_MS + run_ms));
        return;
    }
    const struct site_pump *pump = &core->site->tank[where.tank].pump[where.pump];
    const int64_t ul = nearest((double)run_ms * pump->ml_per_s) + 1;
    const struct mono ends = mono_after(at, COMMAND_START_MS + run_ms);
    window_add(
        &core->tank[where.tank].pump[where.pump].window, (struct window_entry){ ends, ul, 0 }, at);
    core_draw_stock(core, pump->stock, ul);
    upkeep_count_tube(core, where.tank, where.pump, run_ms, ul);
    core_recall_run(core, where.tank, where.pump, r, ends);
    struct pump_at beside;
    if (find_beside(core, r, &where, &beside))
        count_beside(core, r, &beside, &(struct window_entry){ ends, ul, 0 }, at);
}

static void restore_outcome(struct core *core, const struct record *r, struct now now)
{
    const char *id = record_text_or_empty(r, "id");
    const struct mono at = now.mono;
    int64_t ul;
    bool unsure = true;
    (void)record_truth(r, "unsure", &unsure);
    /* One without a volume tells nothing: the dose's outcome stays unknown. */
    if (!record_int(r, "ul", &ul) || ul < 0) return;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        struct core_tank *t = &core->tank[i];
        if (!t->dose.used || !text_same(t->dose.id, id)) continue;
        const uint32_t p = t->dose.pump;
        if (!unsure || ul > t->dose.ul) {
            if (!core_full_counts(core, i, &t->dose, ul, unsure))
                core_settle_windows(core, i, &t->dose, ul, unsure ? t->dose.ends : at);
            core_draw_stock(core, core->site->tank[i].pump[p].stock, ul - t->dose.ul);
        }
        t->dose.used = false;
        if (ul == 0) return;
        int64_t ran_ms = t->dose.run_ms;
        (void)record_int(r, "ran_ms", &ran_ms);
        upkeep_count_tube(core, i, p, ran_ms, ul);
        enum law_stock stock;
        if (site_law_stock(&core->site->tank[i], p, &stock))
            law_recall_dose(&t->law, &t->model, stock,
                site_nominal(core->site, &core->site->tank[i], p, ul), unsure ? t->dose.ends : at);
        t->last_pump = (int32_t)p;
        t->last_ul = ul;
        t->last_at = now.civil;
        text_copy(t->last_id, sizeof t->last_id, id);
        return;
    }
}

/* What no record tells but the next total: those between are lost, as on a full disk. A base that
 * is less than what was known is of a head that began anew, and all of it ran since. */
static int64_t lost_ms(const struct core_total *known, int64_t from_ms, bool base)
{
    if (!known) return 0;
    if (from_ms >= known->ms) return from_ms - known->ms;
    return base && from_ms > 0 ? from_ms : 0;
}

/* 'ms' is what it ran; 'lost_ms' of it stands in no record of its own. */
static void restore_run(
    struct core *core, const struct record *r, struct mono at, int64_t ms, int64_t lost_ms)
{
    struct pump_at where;
    int64_t ul = 0;
    const bool known = record_int(r, "ul", &ul) && ul >= 0 && lost_ms == 0;
    if (!find_pump(core, r, &where)) {
        restore_gone(core, r, known ? ul : 0, ms, at);
        return;
    }
    const struct site_pump *pump = &core->site->tank[where.tank].pump[where.pump];
    /* else the configuration of that time had no such pump */
    if (!known) ul = nearest((double)ms * pump->ml_per_s);
    window_add(
        &core->tank[where.tank].pump[where.pump].window, (struct window_entry){ at, ul, 0 }, at);
    core_draw_stock(core, pump->stock, ul);
    upkeep_count_tube(core, where.tank, where.pump, ms, ul);
    core_recall_run(core, where.tank, where.pump, r, at);
    struct pump_at beside;
    if (find_beside(core, r, &where, &beside))
        count_beside(core, r, &beside, &(struct window_entry){ at, ul, 0 }, at);
}

static void restore_hand(struct core *core, const struct record *r, struct mono at, bool base)
{
    const int32_t chain = chain_named(core, record_text_or_empty(r, "chain"));
    const char *serial = record_text_or_empty(r, "serial");
    int64_t channel = 0, total_ms = 0, ms = 0;
    if (!base) (void)record_int(r, "ms", &ms);
    if (ms < 0) ms = 0;
    if (chain < 0) { /* its name is another one now, its modules aren't */
        (void)record_int(r, "channel", &channel);
        if (ms > 0 && channel != CHAIN_CIRCULATION_CHANNEL) restore_run(core, r, at, ms, 0);
        return;
    }
    core->chain[chain].has_totals = true; /* counting has started, if only from nothing */
    if (!record_int(r, "channel", &channel) || !record_int(r, "total_ms", &total_ms)) return;
    const int64_t lost = lost_ms(
        core_known_total(core, (uint32_t)chain, serial, (uint32_t)channel), total_ms - ms, base);
    struct core_total *total = core_total_of(core, (uint32_t)chain, serial, (uint32_t)channel);
    if (total) total->ms = total_ms;
    if (base && lost == 0) return;
    if (channel == CHAIN_CIRCULATION_CHANNEL)
        upkeep_count_circulation_by_hand(core, (uint32_t)chain, serial, ms + lost);
    else
        restore_run(core, r, at, ms + lost, lost);
}

static void restore_ran_on(struct core *core, const struct record *r, struct mono at)
{
    int64_t ms = 0;
    if (record_int(r, "ms", &ms) && ms > 0) restore_run(core, r, at, ms, 0);
}

static void restore_claim(struct core *core, const struct record *r, bool in_force)
{
    const int32_t chain = chain_named(core, record_text_or_empty(r, "chain"));
    struct chain_claim claim = { .reign = 0 };
    if (chain < 0 || !record_int(r, "reign", &claim.reign)) return;
    text_copy(claim.by, sizeof claim.by, record_text_or_empty(r, "by"));
    if (!in_force) {
        core->chain[chain].former_asked = claim;
        return;
    }
    core_follow_end(core); /* the journal of whoever commanded before has gone on without it */
    core->chain[chain].former = claim;
    core->chain[chain].seen_reign = 0;
    core_recall_reign(core, (uint32_t)chain, r);
}

static void restore_other(struct core *core, const struct record *r)
{
    const int32_t chain = chain_named(core, record_text_or_empty(r, "chain"));
    if (chain >= 0) (void)record_int(r, "reign", &core->chain[chain].seen_reign);
}

static void restore_alert(struct core *core, const struct record *r)
{
    uint32_t tank;
    enum law_stock stock;
    bool on = false;
    const char *id = record_text_or_empty(r, "alert");
    if (!record_truth(r, "on", &on)) return;
    bool *stays_on = core_stays_on_alert(core, id);
    if (stays_on) *stays_on = on;
    core_restore_rest(core, id, on);
    if (!core_effect_alert(core, id, &tank, &stock)) return;
    core->tank[tank].locked[stock] = on;
}

static void restore_setpoint(
    struct core_tank *t, const struct record *r, const char *what, struct mono at)
{
    double value = 0.0;
    int64_t span_ms = 0;
    if (!record_int(r, "span_ms", &span_ms)) return;
    if (text_same(what, "override-for")) {
        if (span_ms > 0)
            t->override_for_ms = span_ms;
        else
            t->override = (struct crop_override){ 0 };
        return;
    }
    const bool ec = text_same(what, "set-ec");
    if (!ec && !text_same(what, "set-ph")) return;
    if (!record_real(r, "value", &value)) return;
    crop_override_set(&t->override, ec, value, mono_after(at, span_ms));
}

/* Who asks again gets the answer of that time. */
static void restore_id(struct core *core, const struct record *r, bool ok)
{
    const char *id = record_text_or_empty(r, "id"), *reason = record_text_or_empty(r, "reason");
    bool is_signed = true;
    (void)record_truth(r, "signed", &is_signed);
    if (!is_signed) return;
    if (chain_id_valid(id)) asked_note(&core->asked, id, ok, reason[0] ? reason : "done");
}

static void restore_request(struct core *core, const struct record *r, struct now now)
{
    const struct mono at = now.mono;
    const char *what = record_text_or_empty(r, "request");
    const int32_t tank = core_tank_named(core, record_text_or_empty(r, "tank"));
    bool ok = false, on = false;
    if (!record_truth(r, "ok", &ok)) return;
    restore_id(core, r, ok);
    signer_restore(&core->signers, r);
    if (!ok) return;
    upkeep_restore_request(core, r, now);
    (void)record_truth(r, "on", &on);
    if (text_same(what, "halt")) core_know_halt(core, on);
    if (text_same(what, "halt") && !on) core_recall_last(core, r);
    if (text_same(what, "refilled")) {
        const int32_t stock = stock_named(core, record_text_or_empty(r, "stock"));
        int64_t ul = 0;
        if (stock >= 0 && record_int(r, "ul", &ul)) core->stock[stock].remaining_ul = ul;
    }
    if (text_same(what, "acknowledge")) {
        char id[ALERT_ID_MAX];
        if (text_same("journal-restored", record_text_or_empty(r, "alert"))) core->copied = false;
        for (uint32_t c = 0; c < core->site->chain_count; c++) {
            alert_name(id, "limits-unknown", core->site->chain[c].key, NULL);
            if (text_same(id, record_text_or_empty(r, "alert"))) core_know_limits(core, c, at);
        }
    }
    if (tank < 0) return;
    restore_setpoint(&core->tank[tank], r, what, at);
}

/* Is it about the line that this tank has now? By the module that moves its water, if that is told.
 */
static bool same_line(const struct core *core, uint32_t tank, const struct record *r)
{
    const char *serial = record_text_or_empty(r, "serial");
    return !serial[0] || text_same(serial, core->site->tank[tank].circulation.serial);
}

static void restore_carried(struct core *core, const struct record *r, struct now at)
{
    const int32_t tank = core_tank_named(core, record_text_or_empty(r, "tank"));
    const int32_t stock = stock_named(core, record_text_or_empty(r, "stock"));
    int64_t value = 0;
    (void)record_truth(r, "halted", &core->halted);
    if (stock >= 0 && record_int(r, "remaining_ul", &value))
        core->stock[stock].remaining_ul = value;
    if (tank < 0) return;
    struct core_tank *t = &core->tank[tank];
    bool dirty = t->line_dirty;
    (void)record_truth(r, "line_dirty", &dirty);
    if (dirty || same_line(core, (uint32_t)tank, r)) t->line_dirty = dirty;
    for (int s = 0; s < LAW_STOCKS; s++) {
        (void)record_truth(r, core_stock_word((enum law_stock)s), &t->locked[s]);
    }
    if (record_int(r, "override_for_ms", &value)) t->override_for_ms = value;
    struct crop_override *o = &t->override;
    if (record_int(r, "override_left_ms", &value))
        o->ec_ends = o->ph_ends = mono_after(at.mono, value);
    if (record_int(r, "override_ph_left_ms", &value)) o->ph_ends = mono_after(at.mono, value);
    o->has_ec = record_real(r, "override_ec_us_cm", &o->ec_us_cm);
    o->has_ph = record_real(r, "override_ph", &o->ph);
}

/* What was dosed isn't known, nor what the lines hold of it. */
static void lose_track(struct core *core, uint32_t chain, struct mono at)
{
    core->follow.copied = false;
    core->halt_told.doubted = true;
    core_forget_limits(core, chain, at);
    core_doubt_lines(core, chain);
}

static void lose_every_track(struct core *core, struct mono at)
{
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        lose_track(core, c, at);
    }
}

/* A chain that has another name now, or has left the file: any of them may be it. */
static void lose_nameless(struct core *core, struct mono at)
{
    lose_every_track(core, at);
    core->gone_lost = true;
    core->gone_lost_at = at;
}

/* A copy of the journal was put back. What was dosed since it was made isn't in it; nor whether a
 * claim in force is still of its own making: the copy may stand on another board, and its owner
 * live. */
static void restore_copied(struct core *core, const struct record *r, struct mono at)
{
    core->copied = true;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        lose_track(core, c, at);
        core->chain[c].former = core->chain[c].former_asked = (struct chain_claim){ .reign = 0 };
    }
    core_follow_from(core, r, "tip_seq", "tip_hash");
    core->follow.copied = core->follow.joined;
}

/* All that was done since that copy is in this journal now. */
static void restore_caught_up(struct core *core, struct mono at)
{
    core->follow.copied = false;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        core_know_limits(core, c, at);
    }
}

/* Commands that a head may list. */
static void restore_command(struct core *core, const struct record *r, struct mono at)
{
    static const char *const kinds[] = { "dose", "circulate", "stop", "resume", "identify" };
    const int32_t chain = chain_named(core, record_text_or_empty(r, "chain"));
    for (size_t i = 0; chain >= 0 && i < sizeof kinds / sizeof *kinds; i++) {
        if (record_is(r, kinds[i]))
            core_recall_command(core, (uint32_t)chain, record_text_or_empty(r, "id"));
    }
    if (chain >= 0 && (record_is(r, "dose") || record_is(r, "head-clock")))
        core_recall_head_clock(core, (uint32_t)chain, r, at);
}

/* What another daemon recorded had happened so long before. */
static struct now instant_of(const struct record *r, struct now now)
{
    int64_t of, age_ms = 0;
    if (!record_int(r, "of", &of)) return now;
    (void)record_int(r, "age_ms", &age_ms);
    if (age_ms < 0 || age_ms > DAY_MS) age_ms = 0;
    now.mono.ms -= age_ms;
    now.civil.ms -= age_ms;
    return now;
}

void core_restore(struct core *core, const struct record *record, struct now recorded)
{
    const struct now now = instant_of(record, recorded);
    core_follow_from(core, record, "of", "of_hash");
    const struct mono at = now.mono;
    restore_command(core, record, at);
    core->seen = at;
    const int32_t tank = core_tank_named(core, record_text_or_empty(record, "tank"));
    if (record_is(record, "dose")) restore_dose(core, record, at);
    if (record_is(record, "identify")) restore_identify(core, record, at);
    if (record_is(record, "outcome")) restore_outcome(core, record, now);
    if (record_is(record, "learned") && tank >= 0)
        core_restore_learned(core, (uint32_t)tank, record);
    if (record_is(record, "halt-taken")) core_know_halt(core, true);
    if (record_is(record, "flushed") && tank >= 0 && same_line(core, (uint32_t)tank, record))
        core->tank[tank].line_dirty = false;
    if (record_is(record, "hand")) restore_hand(core, record, at, false);
    if (record_is(record, "hand-base")) restore_hand(core, record, at, true);
    if (record_is(record, "ran-on")) restore_ran_on(core, record, at);
    if (record_is(record, "claim")) restore_claim(core, record, false);
    if (record_is(record, "reign")) restore_claim(core, record, true);
    if (record_is(record, "other-reign")) restore_other(core, record);
    if (record_is(record, "alert")) restore_alert(core, record);
    if (record_is(record, "request")) restore_request(core, record, now);
    core_restore_locks(core, record, now);
    if (tank >= 0) core_restore_care(core, (uint32_t)tank, record);
    if (record_is(record, "carry")) restore_carried(core, record, now);
    if (tank >= 0 && (record_is(record, "water") || record_is(record, "summary")))
        summary_restore(&core->tank[tank].summary, record);
    if (record_is(record, "upkeep")) upkeep_restore(core, record, at);
    if (record_is(record, "signer")) signer_restore(&core->signers, record);
    if (record_is(record, "asked")) asked_restore(&core->asked, record);
    if (record_is(record, "adopt")) {
        const int32_t chain = chain_named(core, record_text_or_empty(record, "chain"));
        if (chain >= 0) core_restore_adopt(core, (uint32_t)chain, record);
    }
    if (record_is(record, "limits-unknown")) {
        const int32_t chain = chain_named(core, record_text_or_empty(record, "chain"));
        if (chain >= 0)
            lose_track(core, (uint32_t)chain, at);
        else
            lose_nameless(core, at);
    }
    if (record_is(record, "restored")) restore_copied(core, record, at);
    if (record_is(record, "caught-up")) restore_caught_up(core, at);
    if (!record_is(record, "damage")) return;
    core->damaged = true;
    lose_every_track(core, at);
}

void core_raise_locks(struct core *core, struct actions *ret)
{
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    for (uint32_t i = 0; i < core->site->tank_count && ret->count < ACTIONS_MAX / 2; i++) {
        core_raise_stays_on(core, i, ret);
        for (int s = 0; s < LAW_STOCKS; s++) {
            if (!core->tank[i].locked[s]) continue;
            alert_name(
                id, "no-effect", core->site->tank[i].key, core_stock_word((enum law_stock)s));
            struct text t = text_over(text, sizeof text);
            text_add(&t, core->site->tank[i].key);
            text_add(&t,
                ": dosing has stopped because it had no effect. Look at bottle, tube, pump and "
                "probe, then acknowledge this alert");
            alert_raise(core, id, (int32_t)i, text, ret);
        }
    }
}

void core_restored(struct core *core, bool empty, struct now now, struct actions *ret)
{
    ret->count = 0;
    core->seen = now.mono;
    struct record *r = emit_record(ret, "start");
    record_add_text(r, "by", core->identity.by);
    record_add_text(r, "config", core->site->digest ? core->site->digest : "");
    record_add_truth(r, "first", empty);
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        core_tell_adopted(core, c, ret);
        if (empty && core->site->chain[c].plain) core_doubt_plain(core, c, now, ret);
    }
    core->link_since = core->halt_told.started = now.mono;
    if (core->damaged)
        alert_raise(core, "journal-damaged", -1,
            "the journal was found damaged: 'journal verify' says where. Limits count as used up "
            "for a "
            "day, or until the alerts limits-unknown are acknowledged",
            ret);
    if (core->copied)
        alert_raise(core, "journal-restored", -1,
            "the journal is a copy that was put back. What was dosed, calibrated, refilled, "
            "locked, "
            "paused or set since it was made isn't in it: look at each, then acknowledge this "
            "alert. Limits are opened by the alerts limits-unknown",
            ret);
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        struct core_tank *t = &core->tank[i];
        t->mix_owed = mono_since(now.mono, t->pumped_at) < site_mix_ms(&core->site->tank[i]);
        core_bound_override(t, &core->site->tank[i], now);
    }
    for (uint32_t s = 0; s < core->site->stock_count; s++) {
        core_draw_stock(core, s, 0); /* a bottle holds no more than it can */
    }
    core_raise_locks(core, ret);
    core_raise_rest(core, ret);
}
