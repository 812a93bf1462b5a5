/* The next doses: what limits, spacings and locks leave, what the law wants of it, and in words why
 * nothing is given. */
#include <math.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

static const double NO_LIMIT = 1e9, PH_MOST = 14.0;

enum { ASK_AGAIN_MS = 30000 }; /* limits and spacings end without a new reading */

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

void core_bound_override(struct core_tank *t, const struct site_tank *config, struct now now)
{
    const struct mono most = mono_after(now.mono, config->override_most_ms);
    if (t->override_for_ms > config->override_most_ms)
        t->override_for_ms = config->override_most_ms;
    if (t->override.ec_ends.ms > most.ms) t->override.ec_ends = most;
    if (t->override.ph_ends.ms > most.ms) t->override.ph_ends = most;
}

/* The readings themselves are shown elsewhere: this changes with the setpoints alone. */
static bool say_holding(struct core_tank *t, const struct crop_target *set, const char *more)
{
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, more);
    text_add(&text, "EC ");
    text_add_real(&text, set->ec_us_cm / 1000.0, 2);
    text_add(&text, " mS/cm and pH ");
    text_add_real(&text, set->ph, 2);
    return core_say(t, TANK_HOLDING, why);
}

/* --- what may be given ------------------------------------------------------------------------ */

/* Of one stock now, as nominal effect on the tank; and what holds back the rest. */
struct offer {
    double most;
    double move;   /* of EC or pH that is left of this hour */
    uint32_t pump; /* whose limit binds */
    struct dose_allowance binds;
    bool locked;
    int64_t spacing_ms; /* acid after base, base after acid: still to wait */
};

int64_t core_run_most_ms(const struct core *core, const struct site_pump *pump)
{
    const struct plain_output *o = site_plain(core->site, &pump->address);
    return o ? plain_longest_ms(o) : core->chain[pump->address.chain].roll.max_run_ms;
}

/* That, as a volume. */
static int64_t run_most_ul(const struct core *core, const struct site_pump *pump)
{
    const int64_t run_ms = core_run_most_ms(core, pump);
    return nearest(floor((double)run_ms * pump->ml_per_s));
}

static struct dose_allowance allowance(
    const struct core *core, uint32_t tank, uint32_t p, int64_t wanted_ul, struct now now)
{
    const struct site_pump *pump = &core->site->tank[tank].pump[p];
    const struct dose_question question = { .limits = &pump->limits,
        .window = &core->tank[tank].pump[p].window,
        .wanted_ul = wanted_ul,
        .now = now.mono,
        .full_ul = site_full_ul(core->site, pump, pump->ml_per_s) };
    return limits_of_stock(&question);
}

bool core_dose_fits(
    const struct core *core, uint32_t tank, const struct core_dose *dose, struct now now)
{
    const struct core_tank *t = &core->tank[tank];
    const int64_t spacing_ms = core->site->tank[tank].move.acid_base_spacing_ms;
    const struct mono other = dose->stock == LAW_ACID ? t->base_ended : t->acid_ended;
    if (dose->stock != LAW_FEED && mono_since(now.mono, other) < spacing_ms) return false;
    return allowance(core, tank, dose->pump, dose->ul, now).most_ul >= dose->ul;
}

/* As much of a pump as its limits and the head's longest run leave. When that is less than
 * 'least_ul', 'binds' says why and until when. */
static int64_t pump_most_ul(const struct core *core, uint32_t tank, uint32_t p, int64_t least_ul,
    struct dose_allowance *binds, struct now now)
{
    const struct site_pump *pump = &core->site->tank[tank].pump[p];
    const struct dose_allowance most = allowance(core, tank, p, pump->limits.dose_ul, now);
    const int64_t run_ul = run_most_ul(core, pump);
    if (most.most_ul < least_ul)
        *binds = allowance(core, tank, p, least_ul, now);
    else if (run_ul < least_ul)
        *binds = (struct dose_allowance){ .because = DOSE_OVER_RUN, .retry = { INT64_MAX } };
    return most.most_ul < run_ul ? most.most_ul : run_ul;
}

/* Limits count what is expected of a dose, never less than its label says. */
static double feed_strength(const struct core_tank *t)
{
    const double gain = law_effect_of(&t->law, &t->model, LAW_FEED, 1.0);
    return gain > 1.0 ? gain : 1.0;
}

/* All parts of the recipe alike, as the strictest limit has it. */
static struct offer offer_feed(const struct core *core, uint32_t tank, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct core_tank *t = &core->tank[tank];
    struct offer o = { .locked = t->locked[LAW_FEED] };
    const double per_ml = site_recipe_ec_us_cm_per_ml(config), parts = site_recipe_parts(config);
    if (!(per_ml > 0.0)) return o;
    const int64_t budget = config->move.ec_rise_per_hour;
    o.pump = config->recipe[0].pump;
    o.move = (double)window_free(&t->ec_rise, HOUR_MS, budget, now.mono) / 1000.0;
    o.most = 1e9;
    for (uint32_t i = 0; i < config->recipe_count; i++) {
        const struct site_part *part = &config->recipe[i];
        struct dose_allowance binds = { .because = DOSE_GRANTED };
        const double least = t->model.smallest[LAW_FEED] / per_ml * part->parts / parts;
        const int64_t least_ul = nearest(ceil(least * 1000.0 - 1e-6));
        const int64_t most_ul = pump_most_ul(core, tank, part->pump, least_ul, &binds, now);
        const double rise = (double)most_ul / 1000.0 * parts / part->parts * per_ml;
        if (rise >= o.most) continue;
        o.most = rise;
        o.binds = binds;
        o.pump = part->pump;
    }
    return o;
}

static struct offer offer_ph(
    const struct core *core, uint32_t tank, enum law_stock stock, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct core_tank *t = &core->tank[tank];
    const int32_t p = stock == LAW_ACID ? config->lowers_ph : config->raises_ph;
    struct offer o = { .locked = t->locked[stock] };
    if (p < 0) return o;
    o.pump = (uint32_t)p;
    const int64_t least_ul = config->pump[o.pump].limits.smallest_ul + 1; /* as the law has it */
    const int64_t most_ul = pump_most_ul(core, tank, o.pump, least_ul, &o.binds, now);
    const int64_t budget = config->move.ph_move_per_hour;
    o.move = (double)window_free(&t->ph_move, HOUR_MS, budget, now.mono) / 1e6;
    o.most = site_nominal(core->site, config, o.pump, most_ul);
    const struct mono other = stock == LAW_ACID ? t->base_ended : t->acid_ended;
    o.spacing_ms = config->move.acid_base_spacing_ms - mono_since(now.mono, other);
    return o;
}

static double free_of(const struct offer *o)
{
    return o->locked || o->spacing_ms > 0 ? 0.0 : o->most;
}

/* --- why nothing is given --------------------------------------------------------------------- */

static bool say_locked(struct core_tank *t, enum law_stock stock)
{
    static const char *const what[LAW_STOCKS] = {
        "feed is stopped, as it didn't do what it should: look at bottles, tubes and the EC probe, "
        "then acknowledge the alert",
        "acid is stopped, as it didn't do what it should: look at bottle, tube and the pH probe, "
        "then acknowledge the alert",
        "base is stopped, as it didn't do what it should: look at bottle, tube and the pH probe, "
        "then acknowledge the alert",
    };
    return core_say(t, TANK_LOCKED, what[stock]);
}

static bool say_wait(struct core_tank *t, enum tank_state state, const char *what, int64_t wait_ms)
{
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, what);
    if (wait_ms > 0 && wait_ms <= 2 * DAY_MS) {
        text_add(&text, " for another ");
        text_add_span(&text, wait_ms);
    }
    return core_say(t, state, why);
}

/* Is it the hour's EC rise or pH move that leaves too little for the smallest dose? */
static bool moved_enough(const struct core *core, uint32_t tank, enum law_stock stock,
    struct now now, struct dose_allowance *ret)
{
    const struct core_tank *t = &core->tank[tank];
    const struct move_limits *move = &core->site->tank[tank].move;
    const bool feed = stock == LAW_FEED;
    const double effect = law_effect_of(&t->law, &t->model, stock, t->model.smallest[stock]);
    const int64_t least = nearest(effect * (feed ? 1000.0 : 1e6));
    const struct dose_window *window = feed ? &t->ec_rise : &t->ph_move;
    const int64_t budget = feed ? move->ec_rise_per_hour : move->ph_move_per_hour;
    if (window_free(window, HOUR_MS, budget, now.mono) >= least) return false;
    *ret = (struct dose_allowance){ .because = feed ? DOSE_OVER_EC_RISE : DOSE_OVER_PH_MOVE,
        .retry = window_fits_at(window, HOUR_MS, budget, least, now.mono) };
    return true;
}

/* A dose that is wanted and can't be given: which limit, and until when. */
static bool say_held(
    struct core *core, uint32_t tank, enum law_stock stock, const struct offer *o, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    if (o->locked) return say_locked(t, stock);
    if (o->spacing_ms > 0)
        return say_wait(t, TANK_WAITING,
            stock == LAW_ACID ? "acid after base waits" : "base after acid waits", o->spacing_ms);
    struct dose_allowance binds = o->binds;
    if (o->most >= t->model.smallest[stock] && !moved_enough(core, tank, stock, now, &binds))
        return core_say(t, TANK_WAITING,
            "as much was given within hours as fresh water needs; more follows bit by bit over a "
            "day");
    char what[VIEW_WHY_MAX];
    struct text text = text_over(what, sizeof what);
    text_add(&text, core->site->stock[core->site->tank[tank].pump[o->pump].stock].key);
    text_add(&text, " is wanted, but ");
    text_add(&text, dose_verdict_phrase(binds.because));
    text_add(&text, " holds it back");
    return say_wait(t, TANK_WAITING, what, mono_since(binds.retry, now.mono));
}

/* Where the water will stand, roughly, so that it isn't said anew each minute; and who waits. */
static bool say_learning(struct core_tank *t, const struct law_answer *a, enum tank_state state)
{
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    const bool feed = a->wanted == LAW_FEED;
    text_add(&text, feed ? "EC comes to about " : "pH comes to about ");
    text_add_real(&text, feed ? a->why.ec_us_cm / 1000.0 : a->why.ph, 1);
    text_add(&text, feed ? " mS/cm when mixed: " : " when mixed: ");
    text_add(&text, core_stock_word(a->wanted));
    text_add(&text, " waits until more is known");
    return core_say(t, state, why);
}

static bool say_no_stock(struct core_tank *t, const struct site_tank *config, enum law_stock stock)
{
    if (stock == LAW_FEED)
        return core_say(t, TANK_LOCKED, "EC is low and the recipe names no stock that raises it");
    const bool acid = stock == LAW_ACID;
    if ((acid ? config->lowers_ph : config->raises_ph) >= 0)
        return core_say(t, TANK_LOCKED, "the stock for pH has no strength");
    return core_say(t, TANK_HOLDING,
        acid ? "pH is above its band and no acid is configured"
             : "pH is below its band and no base is configured");
}

/* --- the plan --------------------------------------------------------------------------------- */

static void plan_feed(struct core *core, uint32_t tank, const struct law_answer *a)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    const double parts = site_recipe_parts(config), strength = feed_strength(t);
    const double ml = a->give[LAW_FEED] / site_recipe_ec_us_cm_per_ml(config);
    for (uint32_t i = 0; i < config->recipe_count; i++) {
        const struct site_part *part = &config->recipe[i];
        const int64_t ul = ul_from_ml_down(ml * part->parts / parts);
        const double rise = site_nominal(core->site, config, part->pump, ul);
        t->plan.dose[t->plan.count++] = (struct core_dose){ .pump = part->pump,
            .stock = LAW_FEED,
            .ul = ul,
            .ec_milli = nearest(rise * strength * 1000.0) };
    }
}

static void plan_ph(struct core *core, uint32_t tank, enum law_stock stock, double meq_l)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    const uint32_t p = (uint32_t)(stock == LAW_ACID ? config->lowers_ph : config->raises_ph);
    const double per_ml = site_nominal(core->site, config, p, 1000);
    t->plan.dose[t->plan.count++] = (struct core_dose){ .pump = p,
        .stock = stock,
        .ul = ul_from_ml_down(meq_l / per_ml),
        .ph_micro = nearest(1e6 * law_effect_of(&t->law, &t->model, stock, meq_l)) };
}

static bool give(struct core *core, uint32_t tank, const struct law_answer *a)
{
    struct core_tank *t = &core->tank[tank];
    t->plan = (struct core_plan){ .why = a->why };
    if (a->give[LAW_FEED] > 0.0) plan_feed(core, tank, a);
    for (int s = LAW_ACID; s <= LAW_BASE; s++) {
        if (a->give[s] > 0.0) plan_ph(core, tank, (enum law_stock)s, a->give[s]);
    }
    return true;
}

static const char *const coarse[LAW_STOCKS] = {
    "the smallest dose of feed could carry EC past its band: let smallest_dose_ml be less, or "
    "dilute",
    "the smallest dose of acid could carry pH past its band: let smallest_dose_ml be less, or "
    "dilute "
    "the acid",
    "the smallest dose of base could carry pH past its band: let smallest_dose_ml be less, or "
    "dilute "
    "the base",
};

static double most_unlocked(const struct core_tank *t, enum law_stock stock)
{
    return t->locked[stock] ? 0.0 : NO_LIMIT;
}

static void look_at_limits(const struct core *core, uint32_t tank, struct now now,
    struct offer offer[LAW_STOCKS], struct law_wish *wish)
{
    offer[LAW_FEED] = offer_feed(core, tank, now);
    offer[LAW_ACID] = offer_ph(core, tank, LAW_ACID, now);
    offer[LAW_BASE] = offer_ph(core, tank, LAW_BASE, now);
    for (int s = 0; s < LAW_STOCKS; s++) {
        wish->most[s] = free_of(&offer[s]);
    }
    wish->rise_most_us_cm = offer[LAW_FEED].move;
    wish->move_most_ph =
        offer[LAW_ACID].move > offer[LAW_BASE].move ? offer[LAW_ACID].move : offer[LAW_BASE].move;
}

/* Fills the plan, or says why not. */
static bool ask_law(struct core *core, uint32_t tank, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    const struct crop_target set = core_setpoint(core, tank, now);
    struct law_wish wish = { .at = now.mono,
        .set_ec_us_cm = set.ec_us_cm,
        .set_ph = set.ph,
        .most = { most_unlocked(t, LAW_FEED), most_unlocked(t, LAW_ACID),
            most_unlocked(t, LAW_BASE) },
        .rise_most_us_cm = NO_LIMIT,
        .move_most_ph = PH_MOST };
    struct offer offer[LAW_STOCKS] = { 0 };
    struct law_answer a = law_ask(&t->law, &t->model, &wish);
    if (a.verdict == LAW_GIVES || a.verdict == LAW_HELD) { /* else limits don't matter */
        look_at_limits(core, tank, now, offer, &wish);
        a = law_ask(&t->law, &t->model, &wish);
    }
    t->wants_mixing = a.mixing_helps && law_mixing(&t->law);
    const enum tank_state waits = t->step == STEP_MIX ? TANK_MIXING : TANK_HOLDING;
    switch (a.verdict) {
    case LAW_GIVES:
        return give(core, tank, &a);
    case LAW_CONTENT:
        return say_holding(t, &set, "in the bands around ");
    case LAW_WANTS_WATER:
        return say_holding(
            t, &set, "EC is above its band, and only water or the crop can lower it; wanted are ");
    case LAW_WAITS:
        return say_learning(t, &a, waits);
    case LAW_HELD:
        return say_held(core, tank, a.wanted, &offer[a.wanted], now);
    case LAW_BLIND:
        return core_say(t, TANK_WAITING,
            t->law.channel[0].begun && t->law.channel[1].begun
                ? "the newest readings don't fit those before: it waits for more of them"
                : "waiting until it has seen enough readings of EC and pH");
    case LAW_COARSE:
        return core_say(t, TANK_HOLDING, coarse[a.wanted]);
    case LAW_QUIET:
        return say_holding(t, &set,
            a.wanted == LAW_BASE
                ? "pH is low after acid, and base waits six hours for it to settle; wanted are "
                : "pH seems high, but its newest reading doesn't: acid waits for more of them; "
                  "wanted are ");
    case LAW_SMALL:
        return core_say(t, TANK_HOLDING, "what is wanted is less than the smallest dose");
    case LAW_NO_STOCK:
        return say_no_stock(t, &core->site->tank[tank], a.wanted);
    }
    return false;
}

bool core_plan(struct core *core, uint32_t tank, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    const bool lately =
        t->said_state != TANK_WAITING || mono_since(now.mono, t->asked_law) < ASK_AGAIN_MS;
    if (!t->ask_law && lately) { /* nothing new: what was said stands */
        core_say(t, t->said_state, t->said_why);
        return false;
    }
    t->ask_law = false;
    t->asked_law = now.mono;
    const bool planned = ask_law(core, tank, now);
    t->said_state = t->state;
    text_copy(t->said_why, sizeof t->said_why, t->why);
    return planned;
}
