/* Water changes, and calibrations that are due: by age, and by what is seen. */
#include <math.h>

#include "lib/base/text.h"
#include "lib/chem/ph_probe.h"
#include "lib/core/state.h"

/* --- water ------------------------------------------------------------------------------------ */

/* A rise of the level that is less than this share of the tank is waves and noise. */
static const double RISE_SHARE = 0.015;

static bool water_l(const struct core *core, uint32_t tank, struct now now, double *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    static const enum probe_quantity tells[] = { PROBE_VOLUME, PROBE_LEVEL };
    for (int i = 0; i < 2; i++) {
        const struct probe *p = &core->tank[tank].probe[tells[i]];
        const struct probe_config *probe = &config->probe[tells[i]];
        if (!probe->present || probe_quality_at(p, probe, now.mono) != PROBE_GOOD) continue;
        *ret = tells[i] == PROBE_VOLUME ? p->value : p->value / 100.0 * config->volume_l;
        return true;
    }
    return false;
}

/* What rises above the lowest water was topped up. */
static void count_topping(struct core *core, uint32_t tank, struct now now)
{
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    double l;
    if (!water_l(core, tank, now, &l)) return;
    if (!u->has_ebb || l < u->ebb_l) u->ebb_l = l;
    u->has_ebb = true;
    if (l - u->ebb_l < RISE_SHARE * core->site->tank[tank].volume_l) return;
    const int64_t ul = nearest((l - u->ebb_l) * 1e6);
    if (ul <= RECORD_INTEGER_MOST - u->topped_ul) u->topped_ul += ul;
    u->ebb_l = l;
    u->untold = true;
}

void upkeep_look_at_water(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct site_upkeep *due = &config->upkeep;
    count_topping(core, tank, now);
    const struct upkeep_tank *u = &core->tank[tank].upkeep;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "water-change", config->key, NULL);
    const double topped_l = (double)u->topped_ul / 1e6;
    const bool known = u->water.ms > 0 && now.clock != CLOCK_UNSET;
    const int64_t age_ms = known ? now.civil.ms - u->water.ms : 0;
    const bool much = due->water_l > 0.0 && topped_l >= due->water_l;
    if (!much && (due->water_ms <= 0 || age_ms < due->water_ms)) {
        upkeep_forget(core, id, ret);
        return;
    }
    struct text t = text_over(text, sizeof text);
    if (much) {
        text_add_real(&t, topped_l, 0);
        text_add(&t, " L were topped up since the water was changed: what plants leave builds up");
    } else {
        text_add(&t, "the water is ");
        text_add_int(&t, age_ms / DAY_MS);
        text_add(&t, " days old");
    }
    text_add(&t, ". Change it with the service lock on, or the circulation pump may run dry; then "
                 "say: dosewright ask water-changed ");
    text_add(&t, config->key);
    upkeep_remind(core, id, (int32_t)tank, text, ret);
}

/* --- calibrations by age -----------------------------------------------------------------------
 */

static bool is_overdue(struct civil at, int64_t every_ms, struct now now)
{
    return every_ms > 0 && at.ms > 0 && now.clock != CLOCK_UNSET &&
           now.civil.ms - at.ms >= every_ms;
}

/* Its tube was changed later: another tube gives another flow. A calibration of the file has a day,
 * one that was done here its moment. */
static bool tube_is_newer(const struct core *core, uint32_t tank, uint32_t pump)
{
    const struct upkeep_tube *tube = &core->tank[tank].upkeep.tube[pump];
    const struct site_pump *p = &core->site->tank[tank].pump[pump];
    const int64_t later_ms = tube->since.ms - p->calibrated_at.ms;
    return tube->changed && later_ms > (p->calibrated_at.ms % DAY_MS == 0 ? DAY_MS : 0);
}

bool upkeep_pump_due(const struct core *core, uint32_t tank, uint32_t pump, struct now now)
{
    const struct site_pump *p = &core->site->tank[tank].pump[pump];
    if (!p->calibrated) return false; /* nothing is dosed with it, and the tank says so */
    return tube_is_newer(core, tank, pump) ||
           is_overdue(p->calibrated_at, p->calibrate_every_ms, now);
}

bool upkeep_flow_due(const struct core *core, uint32_t tank, struct now now)
{
    const struct site_circulation *c = &core->site->tank[tank].circulation;
    return c->measured && is_overdue(c->measured_at, c->measure_every_ms, now);
}

/* What the constants of a pH probe say of it; those of one that calibrates itself aren't known. */
static enum ph_verdict verdict_of(const struct probe_config *probe)
{
    if (probe->quantity != PROBE_PH || probe->unit != UNIT_MV) return PH_GOOD;
    const struct ph_constants c = { probe->zero_mv, probe->slope_percent };
    return ph_judge(&c);
}

bool upkeep_probe_due(const struct core *core, uint32_t tank, enum probe_quantity q, struct now now)
{
    const struct probe_config *probe = &core->site->tank[tank].probe[q];
    if (!probe->present || !probe->calibrated) return false;
    return is_overdue(probe->calibrated_at, probe->calibrate_every_ms, now) ||
           verdict_of(probe) != PH_GOOD;
}

static void add_age(struct text *t, struct civil at, struct now now)
{
    text_add(t, " was calibrated ");
    text_add_int(t, (now.civil.ms - at.ms) / DAY_MS);
    text_add(t, " days ago");
}

static void look_at_pump(
    struct core *core, uint32_t tank, uint32_t pump, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct site_pump *p = &config->pump[pump];
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "pump", config->key, core->site->stock[p->stock].key);
    if (!upkeep_pump_due(core, tank, pump, now)) {
        upkeep_forget(core, id, ret);
        return;
    }
    struct text t = text_over(text, sizeof text);
    text_add(&t, config->key);
    text_add(&t, ": the pump of ");
    text_add(&t, core->site->stock[p->stock].key);
    if (tube_is_newer(core, tank, pump))
        text_add(&t, " has another tube than the one it was calibrated with");
    else
        add_age(&t, p->calibrated_at, now);
    text_add(&t, ". Calibrate it: three runs into a measuring cylinder, or onto a scale");
    upkeep_remind(core, id, (int32_t)tank, text, ret);
}

static void look_at_flow(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "flow", config->key, NULL);
    if (!upkeep_flow_due(core, tank, now)) {
        upkeep_forget(core, id, ret);
        return;
    }
    struct text t = text_over(text, sizeof text);
    text_add(&t, config->key);
    text_add(&t, ": the circulation's flow was measured ");
    text_add_int(&t, (now.civil.ms - config->circulation.measured_at.ms) / DAY_MS);
    text_add(
        &t, " days ago. Mixing and flushing go by it: measure it again (dosewright commission ");
    text_add(&t, config->key);
    text_add(&t, " circulation)");
    upkeep_remind(core, id, (int32_t)tank, text, ret);
}

/* Words for an alert's name. */
static const char *const probe_ids[PROBE_QUANTITY_COUNT] = { "ec", "ph", "temperature", "level",
    "volume", "flow", "leak", "air-temperature", "humidity", "light", "enclosure" };

static void add_verdict(struct text *t, const struct probe_config *probe, enum ph_verdict verdict)
{
    text_add(t, " has a slope of ");
    text_add_real(t, probe->slope_percent, 0);
    text_add(t, " % and ");
    text_add_real(t, probe->zero_mv, 0);
    text_add(t, verdict == PH_REFUSED ? " mV at pH 7: it is worn out. Replace it"
                                      : " mV at pH 7: clean and soak it, then calibrate it anew");
}

static void look_at_probe(
    struct core *core, uint32_t tank, enum probe_quantity q, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct probe_config *probe = &config->probe[q];
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    if (!probe->present) return;
    alert_name(id, "calibrate", config->key, probe_ids[q]);
    if (!upkeep_probe_due(core, tank, q, now)) {
        upkeep_forget(core, id, ret);
        return;
    }
    const enum ph_verdict verdict = verdict_of(probe);
    struct text t = text_over(text, sizeof text);
    text_add(&t, config->key);
    text_add(&t, ": the ");
    text_add(&t, probe_quantity_word(q));
    text_add(&t, " probe");
    if (verdict != PH_GOOD) {
        add_verdict(&t, probe, verdict);
    } else {
        add_age(&t, probe->calibrated_at, now);
        text_add(&t, q == PROBE_PH   ? ". Calibrate it in two buffers, not in one"
                     : q == PROBE_EC ? ". Check it in a fresh standard, and calibrate it"
                                     : ". Check it against a good instrument");
    }
    upkeep_remind(core, id, (int32_t)tank, text, ret);
}

/* --- calibrations by evidence ------------------------------------------------------------------
 */

/* A flow falls by 5 to 20 % over a tube's life (common practice, no source). */
static const double DRIFT_SHARE = 0.2;
/* As certain as that must be before it says anything: three deviations of it. */
static const double SURE_SHARE = 0.07;
enum { DRIFT_DOSES = 3 };

/* Another one: another tank, another calibration. What was learned before it says nothing of it. */
static int64_t feed_tag(const struct core *core, uint32_t tank)
{
    const struct site_tank *config = &core->site->tank[tank];
    int64_t newest_ms = 0;
    for (uint32_t i = 0; i < config->recipe_count; i++) {
        const struct site_pump *p = &config->pump[config->recipe[i].pump];
        if (p->calibrated_at.ms > newest_ms) newest_ms = p->calibrated_at.ms;
    }
    return site_law_tag(core->site, config) ^ (newest_ms / DAY_MS);
}

/* What feed really does now beside what it did when its pumps were calibrated; 0 while either isn't
 * known well enough. The first one holds what the configuration has wrong of volume and strength.
 */
static double drift_of(struct core *core, uint32_t tank)
{
    const struct core_tank *t = &core->tank[tank];
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    const struct filter all = law_all_ec(&t->law);
    const double gain = all.x[EC_GAIN], sd = sqrt(filter_cov(&all, EC_GAIN, EC_GAIN));
    if (!(gain > 0.0) || !(sd <= SURE_SHARE * gain)) return 0.0;
    const int64_t tag = feed_tag(core, tank);
    if (u->feed_gain > 0.0 && u->feed_tag == tag) return gain / u->feed_gain;
    u->feed_gain = gain;
    u->feed_tag = tag;
    u->untold = true;
    return 1.0;
}

static void look_at_drift(struct core *core, uint32_t tank, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    const double drift = drift_of(core, tank);
    alert_name(id, "drift", config->key, NULL);
    if (!(drift > 0.0)) return;
    if (fabs(drift - 1.0) < DRIFT_SHARE) {
        u->drifted = 0;
        upkeep_forget(core, id, ret);
        return;
    }
    if (u->drifted < DRIFT_DOSES * config->recipe_count) return;
    struct text t = text_over(text, sizeof text);
    text_add(&t, config->key);
    text_add(&t, ": feed does ");
    text_add_real(&t, drift * 100.0, 0);
    text_add(&t, " % of what it did after the last calibration. Look at the tubes of its pumps and "
                 "at the strength in its bottles, calibrate the pumps, and check the EC probe");
    upkeep_remind(core, id, (int32_t)tank, text, ret);
}

void upkeep_look_at_calibrations(
    struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    for (uint32_t p = 0; p < core->site->tank[tank].pump_count; p++) {
        look_at_pump(core, tank, p, now, ret);
    }
    for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        look_at_probe(core, tank, (enum probe_quantity)q, now, ret);
    }
    look_at_flow(core, tank, now, ret);
    look_at_drift(core, tank, ret);
}
