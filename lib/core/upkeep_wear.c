/* Tubes, the inlet strainer, and bottles. */
#include <math.h>

#include "lib/base/real.h"
#include "lib/base/text.h"
#include "lib/core/state.h"

/* --- counting --------------------------------------------------------------------------------- */

/* Whatever a damaged journal says. */
static int64_t sum(int64_t a, int64_t more)
{
    if (more <= 0) return a;
    return more > RECORD_INTEGER_MOST - a ? RECORD_INTEGER_MOST : a + more;
}

static bool is_of_recipe(const struct site_tank *config, uint32_t pump)
{
    for (uint32_t i = 0; i < config->recipe_count; i++) {
        if (config->recipe[i].pump == pump) return true;
    }
    return false;
}

void upkeep_count_tube(struct core *core, uint32_t tank, uint32_t pump, int64_t ms, int64_t ul)
{
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    u->tube[pump].ran_ms = sum(u->tube[pump].ran_ms, ms);
    u->tube[pump].ul = sum(u->tube[pump].ul, ul);
    if (ul > 0 && is_of_recipe(&core->site->tank[tank], pump)) u->drifted++;
}

void upkeep_count_circulation(struct core *core, uint32_t tank, struct now now)
{
    const struct core_circulation *flow = &core->tank[tank].circulation;
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    const struct mono from = mono_later(u->counted_at, flow->start);
    const struct mono to = mono_sooner(now.mono, flow->till);
    u->counted_at = now.mono;
    if (flow->on) u->circulated_ms = sum(u->circulated_ms, mono_since(to, from));
}

void upkeep_count_circulation_by_hand(
    struct core *core, uint32_t chain, const char *serial, int64_t ms)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct site_circulation *c = &core->site->tank[i].circulation;
        struct upkeep_tank *u = &core->tank[i].upkeep;
        if (c->address.chain == chain && text_same(c->serial, serial))
            u->circulated_ms = sum(u->circulated_ms, ms);
    }
}

/* --- bottles ---------------------------------------------------------------------------------- */

/* What was drawn leaks out of the sum at this pace, so that days ago count less. */
static const double USE_PACE_MS = 3.0 * 86400000.0;
/* One fill isn't what every day will need. */
enum { USE_DAYS_LEAST = 3 };
/* Longer than this is no foresight. */
static const double DAYS_MOST = 1000.0;

static double faded(const struct upkeep_stock *use, struct mono at)
{
    const int64_t ms = mono_since(at, use->use_at);
    return ms > 0 ? use->use_ul * real_exp(-(double)ms / USE_PACE_MS) : use->use_ul;
}

void upkeep_draw(struct core *core, uint32_t stock, int64_t ul)
{
    struct upkeep_stock *use = &core->stock[stock].use;
    if (ul == 0) return;
    if (!use->used) *use = (struct upkeep_stock){ .used = true, .since = core->seen };
    use->use_ul = faded(use, core->seen) + (double)ul;
    if (use->use_ul < 0.0) use->use_ul = 0.0;
    use->use_at = core->seen;
}

double upkeep_days_left(const struct core *core, uint32_t stock, struct mono now)
{
    const struct core_stock *s = &core->stock[stock];
    double ms = (double)mono_since(now, s->use.since);
    if (ms < (double)(USE_DAYS_LEAST * DAY_MS)) ms = (double)(USE_DAYS_LEAST * DAY_MS);
    const double days = USE_PACE_MS / (double)DAY_MS * (1.0 - real_exp(-ms / USE_PACE_MS));
    const double a_day = s->use.used ? faded(&s->use, now) / days : 0.0;
    if (!(a_day * DAYS_MOST > (double)s->remaining_ul)) return (double)NAN;
    return (double)s->remaining_ul / a_day;
}

static void add_bottle(struct text *t, const struct core *core, uint32_t stock, double days)
{
    const struct core_stock *s = &core->stock[stock];
    text_add(t, "stock ");
    text_add(t, core->site->stock[stock].key);
    if (s->remaining_ul == 0) {
        text_add(t, ": the bottle should be empty, by what was drawn");
    } else {
        text_add(t, ": about ");
        text_add_real(t, (double)s->remaining_ul / 1000.0, 0);
        text_add(t, " mL are left");
    }
    if (s->remaining_ul > 0 && days < DAYS_MOST) {
        text_add(t, ", for ");
        text_add_real(t, days, 1);
        text_add(t, " days at the use of the last days");
    }
    text_add(t, ". Hang a full one, then say: dosewright ask refilled ");
    text_add(t, core->site->stock[stock].key);
}

/* Few days are no reason to change a bottle that has just been hung, or is half full. */
bool upkeep_bottle_low(const struct core *core, uint32_t stock, struct mono now)
{
    const struct site_stock *config = &core->site->stock[stock];
    const struct core_stock *s = &core->stock[stock];
    if (config->low_ul > 0 && s->remaining_ul <= config->low_ul) return true;
    return config->low_days > 0.0 && s->remaining_ul <= config->bottle_ul / 2 &&
           upkeep_days_left(core, stock, now) < config->low_days;
}

/* Over when it is well above: what was drawn fades, and the days grow again without a refill. */
static bool bottle_holds(const struct core *core, uint32_t stock, struct mono now)
{
    const struct site_stock *config = &core->site->stock[stock];
    const double days = upkeep_days_left(core, stock, now);
    if (upkeep_bottle_low(core, stock, now)) return false;
    return core->stock[stock].remaining_ul > config->bottle_ul / 2 ||
           !(days < 1.25 * config->low_days);
}

static void look_at_bottle(struct core *core, uint32_t stock, struct now now, struct actions *ret)
{
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "low", core->site->stock[stock].key, NULL);
    if (upkeep_bottle_low(core, stock, now.mono)) {
        struct text t = text_over(text, sizeof text);
        add_bottle(&t, core, stock, upkeep_days_left(core, stock, now.mono));
        if (core->stock[stock].remaining_ul == 0 && alert_stands(core, id))
            alert_raise(core, id, -1, text, ret); /* other words, no other alert */
        upkeep_remind(core, id, -1, text, ret);
    } else if (bottle_holds(core, stock, now.mono)) {
        upkeep_forget(core, id, ret);
    }
}

/* --- tubes and strainer ----------------------------------------------------------------------- */

static bool is_old(struct civil since, int64_t most_ms, struct now now)
{
    return most_ms > 0 && since.ms > 0 && now.clock != CLOCK_UNSET &&
           now.civil.ms - since.ms >= most_ms;
}

static void add_hours(struct text *t, int64_t ms)
{
    text_add_real(t, (double)ms / (double)HOUR_MS, ms < 10 * HOUR_MS ? 2 : 0);
    text_add(t, " h");
}

static void look_at_tube(
    struct core *core, uint32_t tank, uint32_t pump, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct site_pump *p = &config->pump[pump];
    const struct upkeep_tube *tube = &core->tank[tank].upkeep.tube[pump];
    const char *stock = core->site->stock[p->stock].key;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "tube", config->key, stock);
    const bool worn = p->tube_run_ms > 0 && tube->ran_ms >= p->tube_run_ms;
    if (!worn && !is_old(tube->since, p->tube_age_ms, now)) {
        upkeep_forget(core, id, ret);
        return;
    }
    struct text t = text_over(text, sizeof text);
    text_add(&t, "the tube in this pump's head ");
    text_add(&t, worn ? "has run for " : "is ");
    if (worn)
        add_hours(&t, tube->ran_ms);
    else
        text_add_int(&t, (now.civil.ms - tube->since.ms) / DAY_MS);
    text_add(&t, worn ? "" : " days old");
    text_add(&t, ". Change it, calibrate the pump, then say: dosewright ask tube-changed ");
    text_add(&t, config->key);
    text_add_char(&t, ' ');
    text_add(&t, stock);
    upkeep_remind(core, id, (int32_t)tank, text, ret);
}

static void look_at_strainer(struct core *core, uint32_t tank, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct upkeep_tank *u = &core->tank[tank].upkeep;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "strainer", config->key, NULL);
    if (config->upkeep.strainer_ms <= 0 || u->circulated_ms < config->upkeep.strainer_ms) {
        upkeep_forget(core, id, ret);
        return;
    }
    struct text t = text_over(text, sizeof text);
    text_add(&t, "circulation has run for ");
    add_hours(&t, u->circulated_ms);
    text_add(&t, " since the inlet strainer was cleaned. Put the service lock on, clean it, then "
                 "say: dosewright ask strainer-cleaned ");
    text_add(&t, config->key);
    upkeep_remind(core, id, (int32_t)tank, text, ret);
}

void upkeep_look_at_wear(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[tank];
    for (uint32_t p = 0; p < config->pump_count; p++) {
        look_at_bottle(core, config->pump[p].stock, now, ret);
        look_at_tube(core, tank, p, now, ret);
    }
    look_at_strainer(core, tank, ret);
}

/* --- what people say that they did -------------------------------------------------------------
 */

static struct civil date_of(struct now now)
{
    if (now.clock == CLOCK_UNSET) return (struct civil){ 0 };
    return now.civil;
}

void upkeep_tube_changed(struct core *core, uint32_t tank, uint32_t pump, struct now now)
{
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    u->tube[pump] = (struct upkeep_tube){ .since = date_of(now), .changed = true };
    if (is_of_recipe(&core->site->tank[tank], pump)) u->feed_gain = 0.0;
}

void upkeep_strainer_cleaned(struct core *core, uint32_t tank, struct now now)
{
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    upkeep_count_circulation(core, tank, now);
    u->circulated_ms = u->told_circulated_ms = 0;
    u->cleaned = date_of(now);
}

void upkeep_water_changed(struct core *core, uint32_t tank, int64_t ul, struct now now)
{
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    const double share = (double)ul / 1e6 / core->site->tank[tank].volume_l;
    const bool all = ul <= 0 || share >= 1.0;
    u->topped_ul = all ? 0 : nearest((double)u->topped_ul * (1.0 - share));
    u->water = date_of(now);
    u->water_changed = true;
    u->has_ebb = false;
}
