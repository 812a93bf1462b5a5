/* What must outlive the oldest segment, said again at the start of a new one. The last day's doses
 * need no carrying: a journal is kept for at least two days. */
#include "lib/base/text.h"
#include "lib/core/state.h"

static void carry_site(const struct core *core, struct actions *ret)
{
    record_add_truth(emit_record(ret, "carry"), "halted", core->halted);
}

static void carry_claim(const struct core *core, uint32_t chain, struct actions *ret)
{
    const struct core_chain *c = &core->chain[chain];
    if (c->former.by[0]) {
        struct record *r = emit_record(ret, "reign");
        record_add_text(r, "chain", core->site->chain[chain].key);
        record_add_text(r, "by", c->former.by);
        record_add_int(r, "reign", c->former.reign);
        record_add_int(r, "n", core_last_number(core, chain));
    }
    if (c->seen_reign == 0) return;
    struct record *r = emit_record(ret, "other-reign");
    record_add_text(r, "chain", core->site->chain[chain].key);
    record_add_int(r, "reign", c->seen_reign);
}

/* That counting of runs by hand has started, also where there is no total to count from. */
static void carry_counting(const struct core *core, uint32_t chain, struct actions *ret)
{
    if (!core->chain[chain].has_totals) return;
    record_add_text(emit_record(ret, "hand-base"), "chain", core->site->chain[chain].key);
}

static void carry_total(
    const struct core *core, uint32_t chain, uint32_t index, struct actions *ret)
{
    const struct core_total *total = &core->chain[chain].total[index];
    struct record *r = emit_record(ret, "hand-base");
    record_add_text(r, "chain", core->site->chain[chain].key);
    record_add_text(r, "serial", total->serial);
    record_add_int(r, "channel", total->channel);
    record_add_int(r, "total_ms", total->ms);
}

static void carry_stock(const struct core *core, uint32_t stock, struct actions *ret)
{
    struct record *r = emit_record(ret, "carry");
    record_add_text(r, "stock", core->site->stock[stock].key);
    record_add_int(r, "remaining_ul", core->stock[stock].remaining_ul);
}

static void carry_tank(const struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct core_tank *t = &core->tank[tank];
    struct record *r = emit_record(ret, "carry");
    record_add_text(r, "tank", core->site->tank[tank].key);
    upkeep_carry_pause(core, tank, r);
    record_add_truth(r, "service", t->service);
    record_add_truth(r, "bench", t->care.bench && !t->care.leaving);
    record_add_truth(r, "line_dirty", t->line_dirty);
    record_add_text(r, "serial", core->site->tank[tank].circulation.serial);
    record_add_int(r, "override_for_ms", t->override_for_ms);
    for (int s = 0; s < LAW_STOCKS; s++) {
        record_add_truth(r, core_stock_word((enum law_stock)s), t->locked[s]);
    }
    const struct crop_override *o = &t->override;
    if (!crop_override_runs(o, now.mono)) return;
    if (o->has_ec) record_add_int(r, "override_left_ms", mono_since(o->ec_ends, now.mono));
    if (o->has_ec) record_add_real(r, "override_ec_us_cm", o->ec_us_cm, 3);
    if (o->has_ph) record_add_int(r, "override_ph_left_ms", mono_since(o->ph_ends, now.mono));
    if (o->has_ph) record_add_real(r, "override_ph", o->ph, 3);
}

/* The ids of what was asked, what keys have signed, and what upkeep has to restate. */
static bool carry_asked(const struct core *core, uint32_t at, struct now now, struct actions *ret)
{
    const uint32_t ids = asked_parts(&core->asked), signers = core->signers.count;
    if (at < ids) return asked_carry(&core->asked, at, &emit(ret, ACTION_RECORD)->record);
    at -= ids;
    if (at < signers) return signer_carry(&core->signers, at, &emit(ret, ACTION_RECORD)->record);
    return upkeep_carry(core, at - signers, now, ret);
}

/* The cursor counts: the site, the chains and each of their totals, the stocks, the tanks, those
 * that have left, and the rest. */
static bool carry_one(const struct core *core, uint32_t at, struct now now, struct actions *ret)
{
    if (at-- == 0) {
        carry_site(core, ret);
        return true;
    }
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (at-- == 0) {
            carry_claim(core, c, ret);
            carry_counting(core, c, ret);
            core_carry_adopt(core, c, ret);
            return true;
        }
        if (at < core->chain[c].total_count) {
            carry_total(core, c, at, ret);
            return true;
        }
        at -= core->chain[c].total_count;
    }
    if (at < core->site->stock_count) {
        carry_stock(core, at, ret);
        return true;
    }
    at -= core->site->stock_count;
    if (at < core->site->tank_count) {
        carry_tank(core, at, now, ret);
        core_carry_stays_on(core, at, ret);
        core_record_learned(core, at, ret);
        core_carry_care(core, at, ret);
        return true;
    }
    at -= core->site->tank_count;
    if (at < core->left.count) {
        left_carry(&core->left, at, emit_record(ret, "carry"));
        return true;
    }
    return carry_asked(core, at - core->left.count, now, ret);
}

bool core_carry(const struct core *core, uint32_t *cursor, struct now now, struct actions *ret)
{
    ret->count = 0;
    while (ret->count < ACTIONS_MAX / 2) {
        if (!carry_one(core, *cursor, now, ret)) return ret->count > 0;
        ++*cursor;
    }
    return true;
}
