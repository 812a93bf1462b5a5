#include <string.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

const char *tank_state_word(enum tank_state state)
{
    static const char *const word[TANK_STATE_COUNT] = { "starting", "standby", "waiting", "holding",
        "circulating", "injecting", "flushing", "mixing", "priming", "calibrating", "paused",
        "interlocked", "locked", "halted" };
    return word[state];
}

void core_view_site(const struct core *core, struct now now, struct site_view *ret)
{
    (void)now;
    *ret = (struct site_view){ .key = core->site->key,
        .name = core->site->name,
        .halted = core->halted,
        .standby = !core->active,
        .active = core->active,
        .follows = !core->active && core_follow_is_whole(core),
        .link_up = core->link_up,
        .journal_ok = core->journal_ok,
        .refused_messages = core->refused_messages,
        .signers = core->site->signer_count,
        .muted = mute_count(&core->mutes) };
    for (int i = 0; i < CORE_ALERTS_MAX; i++) {
        ret->alerts += core->alert[i].used;
    }
}

void core_view_probe(const struct core *core, uint32_t tank, enum probe_quantity q, struct now now,
    struct probe_view *ret)
{
    const struct probe_config *config = &core->site->tank[tank].probe[q];
    const struct probe *p = &core->tank[tank].probe[q];
    *ret = (struct probe_view){ .present = config->present };
    if (!config->present) return;
    ret->has_value = p->has_value;
    ret->value = p->value;
    if (p->has_value) ret->age_ms = mono_since(now.mono, p->at);
    ret->quality = probe_quality_at(p, config, now.mono);
    ret->calibrated_at = config->calibrated_at;
    ret->calibration_due = upkeep_probe_due(core, tank, q, now);
}

static void view_probes(
    const struct core *core, uint32_t tank, struct now now, struct tank_view *ret)
{
    for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        core_view_probe(core, tank, (enum probe_quantity)q, now, &ret->probe[q]);
    }
}

static void view_pumps(
    const struct core *core, uint32_t tank, struct now now, struct tank_view *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct core_tank *t = &core->tank[tank];
    ret->pump_count = config->pump_count;
    for (uint32_t p = 0; p < config->pump_count; p++) {
        const struct dose_window *w = &t->pump[p].window;
        enum law_stock stock;
        const bool dosed = site_law_stock(config, p, &stock);
        ret->pump[p].stock = core->site->stock[config->pump[p].stock].key;
        ret->pump[p].day_ul = window_used(w, DAY_MS, now.mono);
        ret->pump[p].hour_ul = window_used(w, HOUR_MS, now.mono);
        ret->pump[p].day_limit_ul = config->pump[p].limits.day_ul;
        ret->pump[p].dose_limit_ul = config->pump[p].limits.dose_ul;
        ret->pump[p].hour_limit_ul = config->pump[p].limits.hour_ul;
        ret->pump[p].locked = dosed && t->locked[stock];
        ret->pump[p].purpose = dosed ? core_stock_word(stock) : "";
        if (dosed && stock == LAW_FEED)
            ret->pump[p].ec_us_cm_per_ml = site_nominal(core->site, config, p, 1000);
        const struct upkeep_tube *tube = &t->upkeep.tube[p];
        ret->pump[p].tube_ran_ms = tube->ran_ms;
        ret->pump[p].tube_ul = tube->ul;
        ret->pump[p].tube_since = tube->since;
        ret->pump[p].tube_changed = tube->changed;
        ret->pump[p].calibration_due = upkeep_pump_due(core, tank, p, now);
    }
}

static void view_pump_care(
    const struct core *core, uint32_t tank, uint32_t p, struct calibration_view *ret)
{
    const struct site_pump *pump = &core->site->tank[tank].pump[p];
    const struct core_rate *c = &core->tank[tank].pump[p].rate;
    *ret = (struct calibration_view){ .calibrated = pump->calibrated,
        .here = c->has && pump->calibrated_at.ms == c->at.ms,
        .at = pump->calibrated_at,
        .steps = c->run_count,
        .ml_per_s = pump->ml_per_s,
        .filed_ml_per_s = pump->filed_ml_per_s,
        .waits_ms = c->waits_ms };
}

static void view_probe_care(
    const struct core *core, uint32_t tank, enum probe_quantity q, struct calibration_view *ret)
{
    const struct probe_config *config = &core->site->tank[tank].probe[q];
    const struct core_care *care = &core->tank[tank].care;
    const struct core_probe_care *c = &care->probe[q];
    *ret = (struct calibration_view){ .calibrated = config->present && config->calibrated,
        .here = c->has && config->calibrated_at.ms == c->at.ms,
        .at = config->calibrated_at,
        .steps = c->row.count,
        .listening = care->listening.on && care->listening.quantity == q,
        .zero_mv = config->zero_mv,
        .slope_percent = config->slope_percent,
        .cell_constant = config->cell_constant };
}

static void view_flow(const struct core *core, uint32_t tank, struct now now, struct flow_view *ret)
{
    const struct site_circulation *config = &core->site->tank[tank].circulation;
    const struct core_flow *c = &core->tank[tank].care.flow;
    *ret = (struct flow_view){ .l_min = config->flow_l_min,
        .filed_l_min = config->filed_flow_l_min,
        .measured = config->measured,
        .here = c->has && config->measured_at.ms == c->at.ms,
        .at = config->measured_at,
        .due = upkeep_flow_due(core, tank, now),
        .waits_ms = c->waits_ms };
}

static void view_care(const struct core *core, uint32_t tank, struct now now, struct care_view *ret)
{
    const struct core_care *care = &core->tank[tank].care;
    ret->bench = care->bench;
    ret->asked = core_errand_word(care->errand);
    text_copy(ret->said, sizeof ret->said, care->said);
    view_flow(core, tank, now, &ret->flow);
    for (uint32_t p = 0; p < core->site->tank[tank].pump_count; p++) {
        view_pump_care(core, tank, p, &ret->pump[p]);
    }
    for (int q = 0; q < CARED_PROBES; q++) {
        view_probe_care(core, tank, (enum probe_quantity)q, &ret->probe[q]);
    }
}

void core_view_tank(const struct core *core, uint32_t tank, struct now now, struct tank_view *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct core_tank *t = &core->tank[tank];
    memset(ret, 0, sizeof *ret);
    ret->key = config->key;
    ret->name = config->name;
    ret->state = t->state;
    text_copy(ret->why, sizeof ret->why, t->why);
    ret->paused = t->paused;
    ret->mixes = t->line_dirty || t->mix_owed;
    ret->paused_for = t->paused_for;
    ret->service = t->service;
    ret->stage = "";
    view_care(core, tank, now, &ret->care);
    view_probes(core, tank, now, ret);
    view_pumps(core, tank, now, ret);
    upkeep_view_tank(core, tank, now, &ret->upkeep);
    const struct crop_now crop = core_crop_now(core, tank, now);
    ret->planted = crop.planted && now.clock != CLOCK_UNSET;
    if (ret->planted) {
        const struct crop_target set = core_setpoint(core, tank, now);
        ret->set_ec_us_cm = set.ec_us_cm;
        ret->set_ph = set.ph;
        ret->stage = config->schedule.stage[crop.stage].name;
        ret->day = crop.day;
    }
    ret->override = crop_override_runs(&t->override, now.mono);
    ret->override_for_ms = t->override_for_ms;
    if (ret->override)
        ret->override_left_ms = mono_since(crop_override_ends(&t->override), now.mono);
    if (t->last_pump < 0) return;
    ret->last.stock = core->site->stock[config->pump[t->last_pump].stock].key;
    ret->last.ul = t->last_ul;
    ret->last.at = t->last_at;
    text_copy(ret->last.id, sizeof ret->last.id, t->last_id);
}

void core_view_chain(
    const struct core *core, uint32_t chain, struct now now, struct chain_view *ret)
{
    const struct core_chain *c = &core->chain[chain];
    memset(ret, 0, sizeof *ret);
    ret->key = core->site->chain[chain].key;
    for (uint32_t m = 0; m < core->site->chain[chain].count; m++) {
        const struct plain_output *o = core->site->chain[chain].module[m].plain;
        if (o) ret->plain++;
        if (o && o->state_topic) ret->reporting++;
    }
    struct text why = text_over(ret->why, sizeof ret->why);
    (void)core_chain_ready(core, chain, now, &why);
    ret->ready = c->head_ready && c->has_beat;
    ret->bound = c->has_roll && c->matches;
    ret->roll_heard = c->has_roll;
    ret->adopted = core_adopted(core, chain, core->site->chain[chain].file_tag) != NULL;
    ret->ours = c->ours;
    ret->halted = c->has_beat && c->beat.halted;
    ret->claim = c->claim;
    ret->has_volts = c->has_beat && c->beat.has_volts;
    ret->has_amps = c->has_beat && c->beat.has_amps;
    ret->volts = c->beat.volts;
    ret->amps = c->beat.amps;
    core_view_supply(core, chain, &ret->supply);
}

void core_view_stock(
    const struct core *core, uint32_t stock, struct now now, struct stock_view *ret)
{
    *ret = (struct stock_view){ .key = core->site->stock[stock].key,
        .bottle_ul = core->site->stock[stock].bottle_ul,
        .remaining_ul = core->stock[stock].remaining_ul,
        .days_left = upkeep_days_left(core, stock, now.mono),
        .low = upkeep_bottle_low(core, stock, now.mono) };
}
