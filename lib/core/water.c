/* Between the probes and the law: what the law is shown, and what it says has stopped working. */
#include "lib/base/text.h"
#include "lib/core/state.h"

static bool usable(const struct core *core, uint32_t tank, enum probe_quantity q, struct now now)
{
    const struct probe_config *config = &core->site->tank[tank].probe[q];
    const struct core_tank *t = &core->tank[tank];
    const bool dry = t->upkeep.dry && q != PROBE_TEMPERATURE;
    return config->present && config->calibrated && !t->care.bench && !dry &&
           probe_quality_at(&core->tank[tank].probe[q], config, now.mono) == PROBE_GOOD;
}

static bool is_new(const struct core_tank *t, int channel, enum probe_quantity q)
{
    return mono_since(t->probe[q].at, t->seen_at[channel]) > 0;
}

static void lock(struct core *core, uint32_t tank, enum law_stock stock, struct actions *ret)
{
    static const char *const what[] = { [LAW_FINE] = "",
        [LAW_SILENT] = " has had no effect",
        [LAW_WEAK] = " has had about half its usual effect: is one of the bottles empty",
        [LAW_WRONG_WAY] = " moves the water the wrong way: is it the right bottle" };
    struct core_tank *t = &core->tank[tank];
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "no-effect", core->site->tank[tank].key, core_stock_word(stock));
    struct text w = text_over(text, sizeof text);
    text_add(&w, core->site->tank[tank].key);
    text_add(&w, ": ");
    text_add(&w, core_stock_word(stock));
    text_add(&w, what[law_alarm_of(&t->law, stock)]);
    text_add(&w, ". Look at bottle, tube, pump and probe, then acknowledge this alert");
    t->locked[stock] = true;
    alert_raise(core, id, (int32_t)tank, text, ret);
}

static void record_water(
    const struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct core_tank *t = &core->tank[tank];
    const struct site_tank *config = &core->site->tank[tank];
    const struct crop_target set = core_setpoint(core, tank, now);
    struct record *r = emit_record(ret, "water");
    record_add_text(r, "tank", config->key);
    if (usable(core, tank, PROBE_EC, now))
        record_add_real(r, "ec_us_cm", t->probe[PROBE_EC].value, 1);
    if (usable(core, tank, PROBE_PH, now)) record_add_real(r, "ph", t->probe[PROBE_PH].value, 3);
    if (usable(core, tank, PROBE_TEMPERATURE, now))
        record_add_real(r, "degc", t->probe[PROBE_TEMPERATURE].value, 2);
    record_add_real(r, "set_ec_us_cm", set.ec_us_cm, 1);
    record_add_real(r, "set_ph", set.ph, 3);
    record_add_real(r, "band_ec_us_cm", config->band_ec_us_cm, 1);
    record_add_real(r, "band_ph", config->band_ph, 3);
    record_add_text(r, "state", tank_state_word(t->state));
}

void core_look_at_water(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    const struct law_sight sight = { .at = now.mono,
        .has_ec = usable(core, tank, PROBE_EC, now) && is_new(t, 0, PROBE_EC),
        .has_ph = usable(core, tank, PROBE_PH, now) && is_new(t, 1, PROBE_PH),
        .ec_us_cm = t->probe[PROBE_EC].value,
        .ph = t->probe[PROBE_PH].value,
        .flows = t->circulation.flowed || t->circulation.confirmed,
        .more = t->plan.next > 0 && t->plan.next < t->plan.count };
    if (usable(core, tank, PROBE_EC, now)) summary_see(&t->summary, SUMMARY_EC, sight.ec_us_cm);
    if (usable(core, tank, PROBE_PH, now)) summary_see(&t->summary, SUMMARY_PH, sight.ph);
    const bool mixed = !law_mixing(&t->law);
    if (law_see(&t->law, &t->model, &sight)) {
        t->ask_law = true;
        t->circulation.flowed = t->circulation.confirmed;
        if (sight.has_ec) t->seen_at[0] = t->probe[PROBE_EC].at;
        if (sight.has_ph) t->seen_at[1] = t->probe[PROBE_PH].at;
    }
    for (int s = 0; s < LAW_STOCKS; s++) {
        if (!t->locked[s] && law_alarm_of(&t->law, (enum law_stock)s) != LAW_FINE)
            lock(core, tank, (enum law_stock)s, ret);
    }
    if (!mixed && !law_mixing(&t->law)) core_record_learned(core, tank, ret);
    if (core->site->water_every_ms <= 0 || mono_since(now.mono, t->water_due) < 0) return;
    t->water_due = mono_after(now.mono, core->site->water_every_ms);
    if (core->journal_ok && now.clock != CLOCK_UNSET) record_water(core, tank, now, ret);
}

void core_tell_law(
    struct core *core, uint32_t tank, uint32_t pump, int64_t ul, bool sure, struct mono at)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    enum law_stock stock;
    if (!site_law_stock(config, pump, &stock)) {
        law_disturb(&t->law, &t->model, at);
        return;
    }
    law_gave(&t->law, &t->model, stock, site_nominal(core->site, config, pump, ul), sure, at);
}
