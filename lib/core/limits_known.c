#include "lib/core/limits_known.h"

#include "lib/base/text.h"
#include "lib/core/state.h"

static const uint64_t UNKNOWN_TAG_BASE = UINT64_C(0xfeed000000000000);

static uint64_t unknown_tag(uint32_t chain)
{
    return UNKNOWN_TAG_BASE + chain;
}

struct visit {
    void (*window)(struct dose_window *w, int64_t full, const struct visit *v);
    uint64_t tag;
    struct mono at;
    int64_t ms;
};

/* Every window that this chain's pumps serve, with its budget. */
static void each_window(struct core *core, uint32_t chain, struct visit v)
{
    v.tag = unknown_tag(chain);
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct site_tank *config = &core->site->tank[i];
        struct core_tank *t = &core->tank[i];
        for (uint32_t p = 0; p < config->pump_count; p++) {
            if (config->pump[p].address.chain != chain) continue;
            v.window(&t->pump[p].window, config->pump[p].limits.day_ul, &v);
        }
        if (tank_chain(core, i) != chain) continue;
        v.window(&t->ec_rise, config->move.ec_rise_per_hour, &v);
        v.window(&t->ph_move, config->move.ph_move_per_hour, &v);
    }
}

static void fill(struct dose_window *w, int64_t full, const struct visit *v)
{
    window_add(w, (struct window_entry){ v->at, full, v->tag }, v->at);
}

static void empty(struct dose_window *w, int64_t full, const struct visit *v)
{
    (void)full;
    (void)window_settle(w, v->tag, 0, v->at);
}

static void postpone(struct dose_window *w, int64_t full, const struct visit *v)
{
    (void)full;
    window_postpone(w, v->ms);
}

/* It may have been acid, or base, just now. */
static void doubt_doses(struct core_tank *t, struct mono at)
{
    if (mono_since(at, t->pumped_at) > 0) t->mix_owed = true;
    t->pumped_at = mono_later(t->pumped_at, at);
    t->acid_ended = mono_later(t->acid_ended, at);
    t->base_ended = mono_later(t->base_ended, at);
}

void core_forget_limits(struct core *core, uint32_t chain, struct mono at)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        if (tank_chain(core, i) == chain) doubt_doses(&core->tank[i], at);
    }
    if (core->chain[chain].limits_unknown)
        each_window(core, chain, (struct visit){ .window = empty, .at = at });
    each_window(core, chain, (struct visit){ .window = fill, .at = at });
    core->chain[chain].limits_unknown = true;
    core->chain[chain].limits_unknown_at = at;
}

void core_know_limits(struct core *core, uint32_t chain, struct mono now)
{
    each_window(core, chain, (struct visit){ .window = empty, .at = now });
    core->chain[chain].limits_unknown = false;
}

void core_keep_limits(struct core *core, uint32_t chain, int64_t ms)
{
    each_window(core, chain, (struct visit){ .window = postpone, .ms = ms });
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        struct core_tank *t = &core->tank[i];
        if (tank_chain(core, i) != chain) continue;
        t->pumped_at = mono_after(t->pumped_at, ms);
        t->acid_ended = mono_after(t->acid_ended, ms);
        t->base_ended = mono_after(t->base_ended, ms);
    }
}

void core_doubt_lines(struct core *core, uint32_t chain)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        if (tank_chain(core, i) == chain) core->tank[i].line_dirty = true;
    }
}

void core_lose_limits(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    core->halt_told.doubted = true;
    core_wake_chains(core, now); /* a head may tell of it */
    core_forget_limits(core, chain, now.mono);
    core_doubt_lines(core, chain);
    record_add_text(emit_record(ret, "limits-unknown"), "chain", core->site->chain[chain].key);
}

static void raise_unknown(struct core *core, uint32_t chain, struct actions *ret)
{
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "limits-unknown", core->site->chain[chain].key, NULL);
    struct text t = text_over(text, sizeof text);
    text_add(&t, "chain ");
    text_add(&t, core->site->chain[chain].key);
    text_add(&t,
        ": what was dosed in the last day isn't known for sure, so every limit counts as used up "
        "for that long. If you know that little was dosed, acknowledge this alert");
    alert_raise(core, id, -1, text, ret);
}

void core_turn_limits(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    char id[ALERT_ID_MAX];
    alert_name(id, "limits-unknown", core->site->chain[chain].key, NULL);
    if (c->limits_unknown && mono_since(now.mono, c->limits_unknown_at) >= DAY_MS)
        c->limits_unknown = false;
    if (c->limits_unknown)
        raise_unknown(core, chain, ret);
    else
        alert_clear(core, id, ret);
}
