/* Upkeep over restarts and reloads. Tubes are counted again from doses, ticks and runs by hand;
 * records of kind "upkeep" hold what has no other record, and restate all of it now and then. */
#include <string.h>

#include "lib/base/calendar.h"
#include "lib/base/text.h"
#include "lib/core/state.h"

/* --- to the journal --------------------------------------------------------------------------- */

static void add_date(struct record *r, const char *key, struct civil at)
{
    char text[32];
    struct text t = text_over(text, sizeof text);
    if (at.ms == 0) return;
    text_add_civil(&t, at);
    record_add_text(r, key, text);
}

static void add_tank(const struct core *core, uint32_t tank, struct actions *ret)
{
    const struct upkeep_tank *u = &core->tank[tank].upkeep;
    struct record *r = emit_record(ret, "upkeep");
    record_add_text(r, "tank", core->site->tank[tank].key);
    record_add_int(r, "circulated_ms", u->circulated_ms);
    add_date(r, "strainer_since", u->cleaned);
    add_date(r, "water_since", u->water);
    record_add_truth(r, "water_changed", u->water_changed);
    record_add_int(r, "topped_ul", u->topped_ul);
    if (!(u->feed_gain > 0.0)) return;
    record_add_real(r, "feed_gain", u->feed_gain, 4);
    record_add_int(r, "feed_tag", u->feed_tag);
}

void upkeep_record_tank(struct core *core, uint32_t tank, struct actions *ret)
{
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    add_tank(core, tank, ret);
    u->told_circulated_ms = u->circulated_ms;
    u->untold = false;
}

void upkeep_record_tube(const struct core *core, uint32_t tank, uint32_t pump, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct upkeep_tube *tube = &core->tank[tank].upkeep.tube[pump];
    struct record *r = emit_record(ret, "upkeep");
    record_add_text(r, "tank", config->key);
    record_add_text(r, "stock", core->site->stock[config->pump[pump].stock].key);
    add_date(r, "tube_since", tube->since);
    record_add_truth(r, "tube_changed", tube->changed);
    record_add_int(r, "ran_ms", tube->ran_ms);
    record_add_int(r, "ul", tube->ul);
}

static void record_quiet(const struct upkeep_quiet *quiet, struct now now, struct actions *ret)
{
    const int64_t left_ms = mono_since(quiet->until, now.mono);
    if (!quiet->id[0] || left_ms <= 0) return;
    struct record *r = emit_record(ret, "upkeep");
    record_add_text(r, "alert", quiet->id);
    record_add_int(r, "quiet_ms", left_ms);
}

bool upkeep_carry(const struct core *core, uint32_t at, struct now now, struct actions *ret)
{
    if (at < UPKEEP_QUIET_MAX) {
        record_quiet(&core->quiet[at], now, ret);
        return true;
    }
    at -= UPKEEP_QUIET_MAX;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        if (at-- == 0) {
            add_tank(core, i, ret);
            return true;
        }
        if (at < core->site->tank[i].pump_count) {
            upkeep_record_tube(core, i, at, ret);
            return true;
        }
        at -= core->site->tank[i].pump_count;
    }
    return false;
}

/* --- and back --------------------------------------------------------------------------------- */

static int32_t stock_of(const struct core *core, const struct record *r)
{
    const char *key = record_text_or_empty(r, "stock");
    for (uint32_t s = 0; s < core->site->stock_count; s++) {
        if (text_same(core->site->stock[s].key, key)) return (int32_t)s;
    }
    return -1;
}

static void take_date(const struct record *r, const char *key, struct civil *ret)
{
    (void)calendar_read_civil(ret, record_text_or_empty(r, key));
}

/* Never below 0, whatever a record says. */
static void take_amount(const struct record *r, const char *key, int64_t *ret)
{
    int64_t value;
    if (record_int(r, key, &value) && value >= 0) *ret = value;
}

static void restore_tank(struct upkeep_tank *u, const struct record *r)
{
    take_amount(r, "circulated_ms", &u->circulated_ms);
    u->told_circulated_ms = u->circulated_ms;
    take_date(r, "strainer_since", &u->cleaned);
    take_date(r, "water_since", &u->water);
    (void)record_truth(r, "water_changed", &u->water_changed);
    take_amount(r, "topped_ul", &u->topped_ul);
    (void)record_real(r, "feed_gain", &u->feed_gain);
    (void)record_int(r, "feed_tag", &u->feed_tag);
}

void upkeep_restore(struct core *core, const struct record *r, struct mono at)
{
    int64_t quiet_ms;
    const char *id = record_text_or_empty(r, "alert");
    if (record_int(r, "quiet_ms", &quiet_ms)) {
        upkeep_quiet_until(core, id, mono_after(at, quiet_ms));
        return;
    }
    const int32_t tank = core_tank_named(core, record_text_or_empty(r, "tank"));
    if (tank < 0) return;
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    if (!record_text_or_empty(r, "stock")[0]) {
        restore_tank(u, r);
        return;
    }
    const int32_t stock = stock_of(core, r);
    const int32_t pump = stock < 0 ? -1 : site_pump_of(&core->site->tank[tank], (uint32_t)stock);
    if (pump < 0) return;
    struct upkeep_tube *tube = &u->tube[pump];
    take_date(r, "tube_since", &tube->since);
    (void)record_truth(r, "tube_changed", &tube->changed);
    take_amount(r, "ran_ms", &tube->ran_ms);
    take_amount(r, "ul", &tube->ul);
}

void upkeep_restore_request(struct core *core, const struct record *r, struct now at)
{
    const char *what = record_text_or_empty(r, "request");
    if (text_same(what, "acknowledge"))
        upkeep_quiet_for(core, record_text_or_empty(r, "alert"), at.mono);
    const int32_t tank = core_tank_named(core, record_text_or_empty(r, "tank"));
    if (tank < 0) return;
    const int32_t stock = stock_of(core, r);
    const int32_t pump = stock < 0 ? -1 : site_pump_of(&core->site->tank[tank], (uint32_t)stock);
    int64_t ul = 0;
    (void)record_int(r, "ul", &ul);
    if (text_same(what, "tube-changed") && pump >= 0)
        upkeep_tube_changed(core, (uint32_t)tank, (uint32_t)pump, at);
    if (text_same(what, "strainer-cleaned")) upkeep_strainer_cleaned(core, (uint32_t)tank, at);
    if (text_same(what, "water-changed")) upkeep_water_changed(core, (uint32_t)tank, ul, at);
}

/* --- reload ----------------------------------------------------------------------------------- */

/* A stock's pump by its name, else the one at the same output. */
static int32_t former_pump(const struct core *fresh, const struct site_tank *config, uint32_t pump,
    const struct core *old, const struct site_tank *former)
{
    const struct site_pump *p = &config->pump[pump];
    int32_t found = -1;
    for (uint32_t q = 0; q < former->pump_count; q++) {
        const struct site_pump *o = &former->pump[q];
        if (text_same(fresh->site->stock[p->stock].key, old->site->stock[o->stock].key))
            return (int32_t)q;
        if (p->address.channel == o->address.channel && text_same(p->serial, o->serial))
            found = (int32_t)q;
    }
    return found;
}

static bool same_probe(const struct probe_config *a, const struct probe_config *b)
{
    return a->present && b->present && text_same(a->topic, b->topic) &&
           text_same(a->pointer, b->pointer);
}

void upkeep_reload(struct core *fresh, uint32_t tank, const struct core *old, uint32_t former)
{
    const struct site_tank *config = &fresh->site->tank[tank], *was = &old->site->tank[former];
    const struct upkeep_tank *from = &old->tank[former].upkeep;
    struct upkeep_tank *to = &fresh->tank[tank].upkeep;
    *to = *from;
    memset(to->tube, 0, sizeof to->tube);
    for (uint32_t p = 0; p < config->pump_count; p++) {
        const int32_t q = former_pump(fresh, config, p, old, was);
        if (q >= 0) to->tube[p] = from->tube[q];
    }
    if (!same_probe(&config->probe[PROBE_EC], &was->probe[PROBE_EC])) to->dry = false;
    if (config->volume_l < was->volume_l || config->volume_l > was->volume_l) to->has_ebb = false;
    to->due = fresh->seen;
}

static bool is_bottle(const struct core *core, const char *id)
{
    char name[ALERT_ID_MAX];
    for (uint32_t s = 0; s < core->site->stock_count; s++) {
        alert_name(name, "low", core->site->stock[s].key, NULL);
        if (text_same(name, id)) return true;
    }
    return false;
}

static bool is_pumps(const struct core *core, uint32_t tank, const char *id)
{
    const struct site_tank *config = &core->site->tank[tank];
    char name[ALERT_ID_MAX];
    for (uint32_t p = 0; p < config->pump_count; p++) {
        const char *stock = core->site->stock[config->pump[p].stock].key;
        alert_name(name, "tube", config->key, stock);
        if (text_same(name, id)) return true;
        alert_name(name, "pump", config->key, stock);
        if (text_same(name, id)) return true;
    }
    return false;
}

/* What isn't looked at any more would stand for ever. Reminders of pumps and bottles that are still
 * there go when their cause does; those of probes and tanks are looked at in any case. */
void upkeep_reloaded(struct core *fresh, struct actions *ret)
{
    for (int a = 0; a < CORE_ALERTS_MAX; a++) {
        const struct core_alert *alert = &fresh->alert[a];
        if (!alert->used || ret->count >= ACTIONS_MAX / 2) continue;
        const bool bottle = strncmp(alert->id, "low-", 4) == 0;
        const bool pump =
            strncmp(alert->id, "tube-", 5) == 0 || strncmp(alert->id, "pump-", 5) == 0;
        if (!bottle && !pump) continue;
        const bool known =
            bottle ? is_bottle(fresh, alert->id)
                   : alert->tank >= 0 && is_pumps(fresh, (uint32_t)alert->tank, alert->id);
        char id[ALERT_ID_MAX];
        memcpy(id, alert->id, sizeof id);
        if (!known) alert_clear(fresh, id, ret);
    }
}
