/* What a probe says of its own whereabouts, and what the air and light probes tell. */
#include <math.h>

#include "lib/base/text.h"
#include "lib/chem/air.h"
#include "lib/core/state.h"

/* --- an EC probe out of the water --------------------------------------------------------------
 */

enum { DRY_TELL_MS = 30000 }; /* a bubble passes */

/* A tank's water is its source water and salts. Far less than that, or next to nothing where the
 * source is as good as pure, is no water at all (common practice, no source). */
static const double DRY_SHARE = 0.3, DRY_LEAST_US_CM = 3.0;

static double dry_below_us_cm(const struct site_tank *config)
{
    const double share = DRY_SHARE * config->source_ec_us_cm;
    return share > DRY_LEAST_US_CM ? share : DRY_LEAST_US_CM;
}

/* Is it in the water? The newest number was 'number', trusted or not. */
static void look_at_ec(struct core *core, uint32_t tank, double number, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    struct upkeep_tank *u = &t->upkeep;
    const struct probe *p = &t->probe[PROBE_EC];
    const bool none = p->live == PROBE_OUT_OF_RANGE && number < config->probe[PROBE_EC].least;
    const bool trusted = p->live == PROBE_OK;
    if (none || (trusted && p->value < dry_below_us_cm(config))) {
        if (u->dry) return;
        u->dry = true;
        u->dry_since = now.mono;
        u->ph_least = (double)INFINITY;
        u->ph_most = -(double)INFINITY;
        t->due = now.mono;
    } else if (u->dry && trusted) {
        u->dry = false;
        law_disturb(&t->law, &t->model, now.mono); /* nobody saw the water meanwhile */
        t->due = now.mono;
    }
}

void upkeep_look_at_probe(
    struct core *core, uint32_t tank, enum probe_quantity q, double number, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    struct upkeep_tank *u = &t->upkeep;
    const struct probe *p = &t->probe[q];
    if (q == PROBE_ENCLOSURE)
        u->over = p->live == PROBE_OUT_OF_RANGE && number > core->site->tank[tank].probe[q].most;
    if (t->care.bench) { /* it may hang anywhere, and nothing is dosed on it */
        u->dry = false;
        return;
    }
    if (q == PROBE_PH && u->dry && p->live == PROBE_OK) {
        if (p->value < u->ph_least) u->ph_least = p->value;
        if (p->value > u->ph_most) u->ph_most = p->value;
    }
    if (q == PROBE_EC) look_at_ec(core, tank, number, now);
}

static void look_at_dry(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct upkeep_tank *u = &core->tank[tank].upkeep;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "dry-probe", config->key, NULL);
    if (!u->dry) {
        upkeep_forget(core, id, ret);
        return;
    }
    if (mono_since(now.mono, u->dry_since) < DRY_TELL_MS || alert_stands(core, id)) return;
    struct text t = text_over(text, sizeof text);
    text_add(&t, "the EC probe reads less than any water of this tank");
    const double spread = u->ph_most - u->ph_least;
    if (spread > 0.3) text_add(&t, ", and pH wanders");
    if (spread >= 0.0 && spread < 0.02) text_add(&t, ", and pH stands still");
    text_add(&t, ": put the probes back into the water, or mend the cable. Nothing is dosed until "
                 "it reads like water (or correct source_water: ec_ms_cm)");
    alert_raise(core, id, (int32_t)tank, text, ret);
}

/* --- light ------------------------------------------------------------------------------------ */

static enum light_view light_of(const struct core *core, uint32_t tank, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct probe_config *probe = &config->probe[PROBE_LIGHT];
    const struct probe *p = &core->tank[tank].probe[PROBE_LIGHT];
    if (!probe->present || probe_quality_at(p, probe, now.mono) != PROBE_GOOD) return LIGHT_UNKNOWN;
    const double on = probe->unit == UNIT_BOOL ? 0.5 : config->upkeep.light_on_lx;
    return p->value >= on ? LIGHT_ON : LIGHT_OFF;
}

static enum light_view light_due(const struct core *core, uint32_t tank, struct now now)
{
    const struct crop_schedule *schedule = &core->site->tank[tank].schedule;
    const struct crop_clock clock = { now.civil, core->tank[tank].zone_offset_ms };
    if (now.clock == CLOCK_UNSET || schedule->day_from_ms == schedule->day_to_ms)
        return LIGHT_UNKNOWN;
    return crop_is_day(schedule, clock) ? LIGHT_ON : LIGHT_OFF;
}

static void look_at_light(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    const int64_t most_ms = config->upkeep.light_differs_ms;
    const enum light_view seen = light_of(core, tank, now), due = light_due(core, tank, now);
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "lights", config->key, NULL);
    const bool known = most_ms > 0 && seen != LIGHT_UNKNOWN && due != LIGHT_UNKNOWN;
    if (!known || seen == due) {
        u->differs = false;
        if (known || most_ms <= 0) upkeep_forget(core, id, ret);
        return;
    }
    if (!u->differs) u->differs_since = now.mono;
    u->differs = true;
    if (mono_since(now.mono, u->differs_since) < most_ms) return;
    struct text t = text_over(text, sizeof text);
    text_add(&t, config->key);
    text_add(&t, due == LIGHT_ON ? ": it is dark, and day by the schedule. Look at lamps, timer, "
                                   "fuse and light probe"
                                 : ": it is light, and night by the schedule. Look at the timer of "
                                   "the lamps and at the light probe");
    upkeep_remind(core, id, (int32_t)tank, text, ret);
}

/* --- the enclosure -----------------------------------------------------------------------------
 */

static const double COOLER_DEGC = 3.0; /* before it counts as over */

static void add_heat(struct text *t, const struct core *core, uint32_t tank)
{
    const struct site_tank *config = &core->site->tank[tank];
    text_add(t, config->key);
    text_add(t, ": the enclosure has ");
    if (core->tank[tank].upkeep.over) {
        text_add(t, "more than its probe's range goes");
    } else {
        text_add_real(t, core->tank[tank].probe[PROBE_ENCLOSURE].value, 0);
        text_add(t, " degrees C, more than ");
        text_add_real(t, config->upkeep.enclosure_most_degc, 0);
    }
    text_add(t,
        ". Supply off before you open it; look for a motor that jams, a supply at its limit, "
        "sun, a blocked vent");
}

static void look_at_enclosure(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct probe_config *probe = &config->probe[PROBE_ENCLOSURE];
    const struct probe *p = &core->tank[tank].probe[PROBE_ENCLOSURE];
    const double most = config->upkeep.enclosure_most_degc;
    const bool over = core->tank[tank].upkeep.over;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "enclosure-hot", config->key, NULL);
    if (!probe->present || most <= 0.0) {
        upkeep_forget(core, id, ret);
        return;
    }
    if (!over && probe_quality_at(p, probe, now.mono) != PROBE_GOOD) return;
    if (!over && p->value < most - COOLER_DEGC) upkeep_forget(core, id, ret);
    if (!over && p->value <= most) return;
    struct text t = text_over(text, sizeof text);
    add_heat(&t, core, tank);
    upkeep_remind(core, id, (int32_t)tank, text, ret);
}

void upkeep_look_at_air(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    look_at_dry(core, tank, now, ret);
    look_at_light(core, tank, now, ret);
    look_at_enclosure(core, tank, now, ret);
}

/* --- for people ------------------------------------------------------------------------------- */

static double good_value(
    const struct core *core, uint32_t tank, enum probe_quantity q, struct now now)
{
    const struct probe_config *probe = &core->site->tank[tank].probe[q];
    const struct probe *p = &core->tank[tank].probe[q];
    const bool good = probe->present && probe_quality_at(p, probe, now.mono) == PROBE_GOOD;
    return good ? p->value : (double)NAN;
}

void upkeep_view_tank(
    const struct core *core, uint32_t tank, struct now now, struct upkeep_view *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct upkeep_tank *u = &core->tank[tank].upkeep;
    const bool told = config->probe[PROBE_VOLUME].present || config->probe[PROBE_LEVEL].present;
    *ret = (struct upkeep_view){ .circulated_ms = u->circulated_ms,
        .strainer_since = u->cleaned,
        .water_since = u->water,
        .water_changed = u->water_changed,
        .topped_l = told ? (double)u->topped_ul / 1e6 : (double)NAN,
        .dry = u->dry,
        .vpd_kpa = air_vpd_kpa(good_value(core, tank, PROBE_AIR_TEMPERATURE, now),
            good_value(core, tank, PROBE_HUMIDITY, now)),
        .light = light_of(core, tank, now),
        .light_due = light_due(core, tank, now) };
}
