#include <math.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

enum { MISSES_MOST = 3, WRONG_MOST = 2 };

static const double EC_NOISE_US_CM = 8.0, PH_NOISE = 0.03;
static const double RATIO_FALL = 0.65; /* of what the same dose did before: something runs dry */

struct crop_now core_crop_now(const struct core *core, uint32_t tank, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct crop_clock clock = { now.civil, core->tank[tank].zone_offset_ms };
    return crop_now_at(&config->schedule, config->planted, clock);
}

struct crop_target core_setpoint(const struct core *core, uint32_t tank, struct now now)
{
    const struct core_tank *t = &core->tank[tank];
    const struct crop_now crop = core_crop_now(core, tank, now);
    return crop_setpoint(&crop.target, &t->override, &core->site->tank[tank].envelope, now.mono);
}

/* The readings themselves are shown elsewhere: this changes with the setpoints alone. */
static bool say_holding(struct core_tank *t, const struct control_water *w, const char *more)
{
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, more);
    text_add(&text, "EC ");
    text_add_real(&text, w->set_ec_us_cm / 1000.0, 2);
    text_add(&text, " mS/cm and pH ");
    text_add_real(&text, w->set_ph, 2);
    return core_say(t, TANK_HOLDING, why);
}

/* A dose that is wanted and can't be given: which limit, and when. */
static bool say_limit(
    struct core *core, uint32_t tank, uint32_t pump, const struct dose_allowance *a, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, core->site->stock[core->site->tank[tank].pump[pump].stock].key);
    text_add(&text, " is wanted, but ");
    text_add(&text, dose_verdict_phrase(a->because));
    text_add(&text, " holds it back");
    const int64_t wait_ms = mono_since(a->retry, now.mono);
    if (wait_ms > 0 && wait_ms <= 2 * DAY_MS) {
        text_add(&text, " for another ");
        text_add_span(&text, wait_ms);
    }
    return core_say(t, TANK_WAITING, why);
}

/* The longest run that the head allows, as a volume. */
static int64_t run_most_ul(const struct core *core, const struct site_pump *pump)
{
    const int64_t run_ms = core->chain[pump->address.chain].roll.max_run_ms;
    return nearest(floor((double)run_ms * pump->ml_per_s));
}

static struct dose_allowance allowance(
    const struct core *core, uint32_t tank, uint32_t p, int64_t wanted_ul, struct now now)
{
    const struct site_pump *pump = &core->site->tank[tank].pump[p];
    const int64_t most = run_most_ul(core, pump);
    const struct dose_question question = { .limits = &pump->limits,
        .window = &core->tank[tank].pump[p].window,
        .wanted_ul = wanted_ul < most ? wanted_ul : most,
        .now = now.mono };
    return limits_of_stock(&question);
}

/* The recipe in its order, all parts shrunk alike until the strictest limit holds. */
static bool plan_feed(struct core *core, uint32_t tank, double rise_us_cm, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    const double per_ml = site_recipe_ec_us_cm_per_ml(config);
    double parts = 0.0;
    for (uint32_t i = 0; i < config->recipe_count; i++) {
        parts += config->recipe[i].parts;
    }
    if (per_ml <= 0.0 || parts <= 0.0)
        return core_say(t, TANK_LOCKED, "EC is low and the recipe names no stock that raises it");

    const int64_t free_milli =
        window_free(&t->ec_rise, HOUR_MS, config->move.ec_rise_per_hour, now.mono);
    const double free_us_cm = (double)free_milli / 1000.0;
    double ml = (rise_us_cm < free_us_cm ? rise_us_cm : free_us_cm) / per_ml;
    struct dose_allowance binds = { .because = DOSE_OVER_EC_RISE,
        .retry = window_fits_at(&t->ec_rise, HOUR_MS, config->move.ec_rise_per_hour,
            nearest(rise_us_cm * 1000.0), now.mono) };
    uint32_t binds_pump = config->recipe[0].pump;
    for (uint32_t i = 0; i < config->recipe_count; i++) {
        const struct site_part *part = &config->recipe[i];
        const int64_t wanted = ul_from_ml_down(ml * part->parts / parts);
        if (wanted <= 0) return say_limit(core, tank, binds_pump, &binds, now);
        const struct dose_allowance a = allowance(core, tank, part->pump, wanted, now);
        if (a.most_ul >= wanted) continue;
        binds = a;
        binds_pump = part->pump;
        ml *= (double)a.most_ul / (double)wanted;
    }
    t->plan = (struct core_plan){ .purpose = PLAN_FEED };
    for (uint32_t i = 0; i < config->recipe_count; i++) {
        const struct site_part *part = &config->recipe[i];
        const struct site_pump *pump = &config->pump[part->pump];
        const int64_t ul = ul_from_ml_down(ml * part->parts / parts);
        if (ul < pump->limits.smallest_ul) return say_limit(core, tank, binds_pump, &binds, now);
        t->plan.dose[t->plan.count++] = (struct core_dose){ .pump = part->pump,
            .ul = ul,
            .ec_milli = nearest(pump->ec_us_cm_per_ml_l * (double)ul / config->volume_l) };
    }
    return true;
}

static bool spaced(struct core *core, uint32_t tank, enum control_need need, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    const struct mono other = need == NEED_LOWER_PH ? t->base_ended : t->acid_ended;
    const int64_t spacing = core->site->tank[tank].move.acid_base_spacing_ms;
    const int64_t left = spacing - mono_since(now.mono, other);
    if (left <= 0) return true;
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, need == NEED_LOWER_PH ? "acid after base" : "base after acid");
    text_add(&text, " waits another ");
    text_add_span(&text, left);
    return core_say(t, TANK_WAITING, why);
}

static bool plan_ph(
    struct core *core, uint32_t tank, const struct control_answer *answer, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    const bool lower = answer->need == NEED_LOWER_PH;
    const int32_t p = lower ? config->lowers_ph : config->raises_ph;
    if (p < 0)
        return core_say(t, TANK_HOLDING,
            lower ? "pH is above its band and no acid is configured"
                  : "pH is below its band and no base is configured");
    if (!spaced(core, tank, answer->need, now)) return false;

    const struct site_pump *pump = &config->pump[p];
    const double strength = fabs(core->site->stock[pump->stock].strength.acid_meq_ml);
    if (!(strength > 0.0)) return core_say(t, TANK_LOCKED, "the stock for pH has no strength");
    const int64_t free_micro =
        window_free(&t->ph_move, HOUR_MS, config->move.ph_move_per_hour, now.mono);
    const int64_t wanted_micro = nearest(answer->ph_move * 1e6);
    double share = 1.0;
    if (wanted_micro > free_micro) share = (double)free_micro / (double)wanted_micro;
    struct dose_allowance a = { .because = DOSE_OVER_PH_MOVE,
        .retry = window_fits_at(
            &t->ph_move, HOUR_MS, config->move.ph_move_per_hour, wanted_micro, now.mono) };
    const int64_t wanted_ul = ul_from_ml_down(share * answer->meq_l * config->volume_l / strength);
    if (wanted_ul < pump->limits.smallest_ul) {
        if (share < 1.0) return say_limit(core, tank, (uint32_t)p, &a, now);
        return core_say(t, TANK_HOLDING, "what pH needs is less than the smallest dose");
    }
    a = allowance(core, tank, (uint32_t)p, wanted_ul, now);
    if (a.most_ul < pump->limits.smallest_ul) return say_limit(core, tank, (uint32_t)p, &a, now);
    const double granted = (double)a.most_ul / (double)wanted_ul;
    t->plan = (struct core_plan){ .purpose = lower ? PLAN_LOWER : PLAN_RAISE, .count = 1 };
    t->plan.dose[0] = (struct core_dose){ .pump = (uint32_t)p,
        .ul = a.most_ul,
        .ph_micro = nearest(share * granted * (double)wanted_micro) };
    return true;
}

static bool purpose_locked(struct core *core, uint32_t tank, enum plan_purpose purpose)
{
    static const char *const what[PLAN_PURPOSES] = {
        "feeding has stopped: it had no effect. Look at bottles, tubes and the EC probe, then "
        "acknowledge the alert",
        "acid has stopped: it had no effect. Look at bottle, tube and the pH probe, then "
        "acknowledge the alert",
        "base has stopped: it had no effect. Look at bottle, tube and the pH probe, then "
        "acknowledge the alert",
    };
    struct core_tank *t = &core->tank[tank];
    if (!t->effect[purpose].locked) return false;
    core_say(t, TANK_LOCKED, what[purpose]);
    return true;
}

/* Where feeding must wait, pH need not: looked at as if EC were as it should be. */
static bool plan_ph_meanwhile(struct core *core, uint32_t tank, const struct control_tank *model,
    struct control_water water, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    const enum tank_state state = t->state;
    char why[VIEW_WHY_MAX];
    text_copy(why, sizeof why, t->why);
    water.ec_us_cm = water.set_ec_us_cm;
    const struct control_answer answer = control_decide(model, &water);
    const enum plan_purpose purpose = answer.need == NEED_LOWER_PH ? PLAN_LOWER : PLAN_RAISE;
    if (answer.need == NEED_LOWER_PH || answer.need == NEED_RAISE_PH) {
        if (!t->effect[purpose].locked && plan_ph(core, tank, &answer, now)) return true;
    }
    return core_say(t, state, why);
}

bool core_plan(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    (void)ret;
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    const struct crop_target set = core_setpoint(core, tank, now);
    const struct control_tank model = { .volume_l = config->volume_l,
        .alkalinity_meq_l = config->source_alkalinity_meq_l,
        .band_ec_us_cm = config->band_ec_us_cm,
        .band_ph = config->band_ph,
        .share = config->share };
    const struct control_water water = { .ec_us_cm = t->probe[PROBE_EC].value,
        .ph = t->probe[PROBE_PH].value,
        .set_ec_us_cm = set.ec_us_cm,
        .set_ph = set.ph };
    const struct control_answer answer = control_decide(&model, &water);
    bool planned = false;
    switch (answer.need) {
    case NEED_NOTHING:
        return say_holding(t, &water, "in the bands around ");
    case NEED_WATER:
        return say_holding(t, &water,
            "EC is above its band, and only water or the crop can lower it; wanted are ");
    case NEED_FEED:
        planned =
            !purpose_locked(core, tank, PLAN_FEED) && plan_feed(core, tank, answer.ec_us_cm, now);
        if (!planned) planned = plan_ph_meanwhile(core, tank, &model, water, now);
        break;
    case NEED_LOWER_PH:
    case NEED_RAISE_PH:
        if (purpose_locked(core, tank, answer.need == NEED_LOWER_PH ? PLAN_LOWER : PLAN_RAISE))
            return false;
        planned = plan_ph(core, tank, &answer, now);
        break;
    }
    t->plan.ec_before = water.ec_us_cm;
    t->plan.ph_before = water.ph;
    return planned;
}

static void lock(struct core *core, uint32_t tank, enum plan_purpose purpose, const char *what,
    struct actions *ret)
{
    char id[ALERT_ID_MAX];
    alert_name(id, "no-effect", core->site->tank[tank].key, core_purpose_word(purpose));
    char text[ALERT_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, core->site->tank[tank].key);
    text_add(&t, ": ");
    text_add(&t, core_purpose_word(purpose));
    text_add_char(&t, ' ');
    text_add(&t, what);
    text_add(&t, ". Look at bottle, tube, pump and probe, then acknowledge this alert");
    core->tank[tank].effect[purpose].locked = true;
    alert_raise(core, id, (int32_t)tank, text, ret);
}

/* The smoothed ratio is learned from doses that were seen; the first one sets it. */
static void learn_ratio(struct core_effect *e, double ratio)
{
    if (ratio > 2.0) ratio = 2.0;
    e->ratio = e->seen == 0 ? ratio : 0.7 * e->ratio + 0.3 * ratio;
    e->seen++;
    e->misses = 0;
}

void core_judge_effect(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    (void)now;
    struct core_tank *t = &core->tank[tank];
    struct core_plan *plan = &t->plan;
    struct core_effect *e = &t->effect[plan->purpose];
    const double expected = plan->expected;
    const bool feed = plan->purpose == PLAN_FEED;
    const double seen = feed ? t->probe[PROBE_EC].value - plan->ec_before
                             : t->probe[PROBE_PH].value - plan->ph_before;
    plan->expected = 0.0;
    plan->count = plan->next = 0;
    const enum control_effect effect =
        control_effect_of(expected, seen, feed ? EC_NOISE_US_CM : PH_NOISE);
    const double ratio = effect == EFFECT_UNTELLING ? 0.0 : seen / expected;
    /* The buffer curve is too rough to tell half a dose of acid; of EC it can be told. */
    const bool weak =
        feed && effect == EFFECT_SEEN && e->seen >= 2 && ratio < RATIO_FALL * e->ratio;
    if (effect == EFFECT_SEEN && !weak) {
        learn_ratio(e, ratio);
        e->wrong = 0;
    }
    if (weak || effect == EFFECT_MISSING) e->misses++;
    if (effect == EFFECT_WRONG_WAY) e->wrong++;
    if (e->wrong >= WRONG_MOST)
        lock(core, tank, plan->purpose, "moves the water the wrong way: is it the right bottle",
            ret);
    else if (e->misses >= MISSES_MOST)
        lock(core, tank, plan->purpose, "has had no effect, or too little, three times in a row",
            ret);
}
