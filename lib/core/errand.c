/* Liquid that a person asks for: a dose, or the filling of a line. It passes the limits that the
 * scheduler passes; what it may do without is in core_gate_errand. */
#include <math.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

enum { WAITS_MS = 30 * MINUTE_MS }; /* what was asked for begins within this, or not at all */

const char *core_errand_word(enum core_errand errand)
{
    static const char *const word[] = { "", "dose", "prime", "calibrate", "flow" };
    return word[errand];
}

/* Nobody knows yet how much a pump gives that isn't calibrated: it counts as half as much again. */
double core_counted_rate(const struct site_pump *pump, enum core_errand errand)
{
    const bool unsure = (errand == ERRAND_PRIME || errand == ERRAND_RATE) && !pump->calibrated;
    return unsure ? pump->ml_per_s * RATE_UNSURE : pump->ml_per_s;
}

/* --- may it be? ------------------------------------------------------------------------------- */

static enum core_errand errand_of(enum request_kind kind)
{
    if (kind == REQUEST_DOSE) return ERRAND_DOSE;
    return kind == REQUEST_PRIME ? ERRAND_PRIME : ERRAND_RATE;
}

static void say_ml(struct text *t, int64_t ul)
{
    text_add_real(t, (double)ul / 1000.0, 2);
    text_add(t, " mL");
}

/* The pump's own budgets, and the head's longest run; 'ml_per_s' is what it counts as. */
const char *core_within_limits(const struct core *core, uint32_t tank, const struct core_dose *dose,
    double ml_per_s, struct now now, struct text *said)
{
    const struct site_pump *pump = &core->site->tank[tank].pump[dose->pump];
    const struct dose_question question = { .limits = &pump->limits,
        .window = &core->tank[tank].pump[dose->pump].window,
        .wanted_ul = dose->ul,
        .now = now.mono,
        .full_ul = site_full_ul(core->site, pump, ml_per_s) };
    const struct dose_allowance a = limits_of_stock(&question);
    if (a.most_ul < dose->ul) {
        text_add(said, "that would pass ");
        text_add(said, dose_verdict_phrase(a.because));
        text_add(said, "; now at most ");
        say_ml(said, a.most_ul);
        return "over-limit";
    }
    const int64_t run_ms = core_run_most_ms(core, pump);
    if (nearest((double)dose->ul / pump->ml_per_s) <= run_ms) return NULL;
    text_add(said, "that is longer than the chain's head lets a pump run (");
    text_add_span(said, run_ms);
    text_add(said, "): ask for less");
    return "over-limit";
}

/* What is smaller than the pump can give would take room in the windows, which are sized by it, and
 * might not run for a millisecond. */
static const char *large_enough(
    const struct site_pump *pump, const struct event_request *q, struct text *said)
{
    if (q->ul >= pump->limits.smallest_ul) return NULL;
    text_add(said, "this pump's smallest dose is ");
    say_ml(said, pump->limits.smallest_ul);
    text_add(said, " (smallest_dose_ml)");
    return "too-small";
}

/* EC and pH may be moved only so far in an hour, whoever asks. */
static const char *within_moves(const struct core *core, uint32_t tank,
    const struct core_dose *dose, struct now now, struct text *said)
{
    const struct core_tank *t = &core->tank[tank];
    const struct move_limits *move = &core->site->tank[tank].move;
    if (window_free(&t->ec_rise, HOUR_MS, move->ec_rise_per_hour, now.mono) < dose->ec_milli) {
        text_add(said, "that would raise EC by more than ec_rise_per_hour_ms_cm still leaves");
        return "over-limit";
    }
    if (window_free(&t->ph_move, HOUR_MS, move->ph_move_per_hour, now.mono) < dose->ph_micro) {
        text_add(said, "that would move pH by more than ph_move_per_hour still leaves");
        return "over-limit";
    }
    return NULL;
}

static bool is_trusted(
    const struct core *core, uint32_t tank, enum probe_quantity q, struct now now)
{
    const struct probe_config *config = &core->site->tank[tank].probe[q];
    return config->present && config->calibrated &&
           probe_quality_at(&core->tank[tank].probe[q], config, now.mono) == PROBE_GOOD;
}

/* What the readings may not show yet counts as if none of it were seen. */
static int64_t mixing(
    const struct core *core, uint32_t tank, const struct dose_window *moved, struct now now)
{
    const int64_t mix_ms = site_mix_ms(&core->site->tank[tank]);
    return window_used(moved, mix_ms < HOUR_MS ? mix_ms : HOUR_MS, now.mono);
}

/* Does it leave the water inside the envelope, as far as a reading tells where it is? */
static const char *within_envelope(const struct core *core, uint32_t tank,
    const struct core_dose *dose, struct now now, struct text *said)
{
    const struct core_tank *t = &core->tank[tank];
    const struct crop_envelope *e = &core->site->tank[tank].envelope;
    const bool feed = dose->ec_milli > 0;
    if (!feed && dose->ph_micro == 0) return NULL;
    const enum probe_quantity q = feed ? PROBE_EC : PROBE_PH;
    if (!is_trusted(core, tank, q, now)) return NULL;
    const struct dose_window *moved = feed ? &t->ec_rise : &t->ph_move;
    const int64_t own = feed ? dose->ec_milli : dose->ph_micro;
    const double by = (double)(mixing(core, tank, moved, now) + own) / (feed ? 1e3 : 1e6);
    const double at = t->probe[q].value;
    const bool inside = feed                      ? at + by <= e->ec_most_us_cm
                        : dose->stock == LAW_ACID ? at - by >= e->ph_least
                                                  : at + by <= e->ph_most;
    if (inside) return NULL;
    text_add(said, feed ? "that could raise EC" : "that could move pH");
    text_add(said, " out of the envelope, together with what was given lately and is still mixing");
    return "out-of-envelope";
}

/* What it would do to the water, never less than its label says. */
static struct core_dose dose_of(const struct core *core, uint32_t tank, uint32_t p, int64_t ul)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct core_tank *t = &core->tank[tank];
    struct core_dose d = { .pump = p, .ul = ul };
    const double nominal = site_nominal(core->site, config, p, ul);
    (void)site_law_stock(config, p, &d.stock);
    double effect = law_effect_of(&t->law, &t->model, d.stock, nominal);
    if (d.stock != LAW_FEED) {
        d.ph_micro = nearest(1e6 * effect);
        return d;
    }
    if (effect < nominal) effect = nominal;
    d.ec_milli = nearest(1000.0 * effect);
    return d;
}

static const char *may_be_now(struct core *core, const struct event_request *q, uint32_t pump,
    struct now now, struct text *said)
{
    struct core_tank *t = &core->tank[q->tank];
    const char *no = NULL;
    if (t->care.errand != ERRAND_NONE || t->dose.used || t->plan.next < t->plan.count)
        no = "something is being dosed into this tank: try again when that is over";
    else if (q->cup && !t->care.bench)
        no = "into a cup only while the tank is on the bench, so that circulation stands still "
             "while the tube is out: ask for 'bench' first";
    else if (!q->cup && t->care.bench)
        no = "the tank is on the bench: into a cup, or end that first";
    if (no) {
        text_add(said, no);
        return "busy";
    }
    const bool may = q->cup ? core_gate_cup(core, q->tank, pump, now)
                            : core_gate_move(core, q->tank, now) &&
                                  core_gate_errand(core, q->tank, errand_of(q->kind), now);
    if (may) return NULL;
    text_add(said, t->why);
    return "not-ready";
}

/* --- taking it on ----------------------------------------------------------------------------- */

static void begin(
    struct core *core, const struct event_request *q, const struct core_dose *dose, struct now now)
{
    struct core_tank *t = &core->tank[q->tank];
    t->care.errand = errand_of(q->kind);
    t->care.asked = now.mono;
    t->care.sent = false;
    t->care.pump = dose->pump;
    t->care.ul = dose->ul;
    t->care.said[0] = '\0';
    t->due = now.mono;
    if (q->cup) return;
    t->plan = (struct core_plan){ .count = 1, .errand = t->care.errand };
    t->plan.dose[0] = *dose;
    t->circulation.awaited = now.mono;
    t->not_before = now.mono;
    t->step = STEP_CIRCULATE;
}

const char *core_ask_errand(
    struct core *core, const struct event_request *q, struct now now, struct text *said)
{
    const int32_t p = site_pump_of(&core->site->tank[q->tank], q->stock);
    if (p < 0) {
        text_add(said, "no pump of this tank draws from that stock");
        return "no-such-pump";
    }
    const struct site_pump *pump = &core->site->tank[q->tank].pump[p];
    const char *no = large_enough(pump, q, said);
    if (!no) no = may_be_now(core, q, (uint32_t)p, now, said);
    if (no) return no;
    const enum core_errand errand = errand_of(q->kind);
    const double ml_per_s = core_counted_rate(pump, errand);
    const double counted = (double)q->ul * ml_per_s / pump->ml_per_s;
    struct core_dose dose = dose_of(core, q->tank, (uint32_t)p, nearest(counted));
    if (q->cup) dose.ec_milli = dose.ph_micro = 0;
    if (errand == ERRAND_DOSE && core->tank[q->tank].locked[dose.stock]) {
        text_add(said,
            "dosing of it has stopped because it had no effect: look at bottle, tube and "
            "probe, then acknowledge the alert");
        return "locked";
    }
    if (!q->cup && dose.stock != LAW_FEED && !core_dose_fits(core, q->tank, &dose, now) &&
        !core_within_limits(core, q->tank, &dose, ml_per_s, now, said)) {
        text_add(said, "acid and base keep acid_base_spacing_min between them");
        return "too-soon";
    }
    no = core_within_limits(core, q->tank, &dose, ml_per_s, now, said);
    if (!no) no = within_moves(core, q->tank, &dose, now, said);
    if (!no && !q->cup) no = within_envelope(core, q->tank, &dose, now, said);
    if (no) return no;
    begin(core, q, &dose, now);
    text_add(said, "taken on: ");
    say_ml(said, q->ul);
    text_add(said, " of ");
    text_add(said, core->site->stock[q->stock].key);
    text_add(said, q->cup ? " into the cup" : " into the tank, once the water moves");
    return NULL;
}

const char *core_ask_circulate(
    struct core *core, const struct event_request *q, struct now now, struct text *said)
{
    struct core_tank *t = &core->tank[q->tank];
    if (!core_gate_move(core, q->tank, now)) {
        text_add(said, t->why);
        return "not-ready";
    }
    t->care.circulate_till = mono_after(now.mono, q->span_ms);
    t->due = now.mono;
    text_add(said, "the circulation runs for ");
    text_add_span(said, q->span_ms);
    return NULL;
}

/* --- what became of it ------------------------------------------------------------------------ */

void core_drop_errand(struct core *core, uint32_t tank, const char *why)
{
    struct core_tank *t = &core->tank[tank];
    struct core_care *care = &t->care;
    if (care->errand == ERRAND_NONE) return;
    struct text text = text_over(care->said, sizeof care->said);
    if (care->errand == ERRAND_FLOW) {
        text_add(&text, "the flow wasn't measured");
    } else {
        text_add(&text, "nothing was given of ");
        text_add(&text, core->site->stock[core->site->tank[tank].pump[care->pump].stock].key);
    }
    text_add(&text, ": ");
    text_add(&text, why);
    care->errand = ERRAND_NONE;
    care->sent = false;
}

/* Of a run by command, that the command has left; the plan of a dose is through then. */
static bool has_begun(const struct core_tank *t)
{
    return t->care.bench ? t->care.sent : t->plan.next >= t->plan.count;
}

void core_age_errand(struct core *core, uint32_t tank, struct now now)
{
    const struct core_tank *t = &core->tank[tank];
    if (t->care.errand == ERRAND_NONE || has_begun(t)) return;
    if (mono_since(now.mono, t->care.asked) < WAITS_MS) return;
    core_end_errand(core, tank, "it couldn't begin within half an hour. Ask again");
}

void core_errand_settled(
    struct core *core, uint32_t tank, int64_t ul, int64_t ran_ms, bool unsure, struct actions *ret)
{
    struct core_care *care = &core->tank[tank].care;
    if (care->errand == ERRAND_NONE || care->errand == ERRAND_FLOW) return;
    const char *stock = core->site->stock[core->site->tank[tank].pump[care->pump].stock].key;
    struct text text = text_over(care->said, sizeof care->said);
    say_ml(&text, ul);
    text_add(&text, " of ");
    text_add(&text, stock);
    text_add(&text, unsure ? " at most: nobody knows how long the pump ran" : " given, in ");
    if (!unsure) text_add_real(&text, (double)ran_ms / 1000.0, 2);
    if (!unsure) text_add(&text, " s");
    if (care->errand == ERRAND_RATE && !unsure && ran_ms > 0) {
        core->tank[tank].pump[care->pump].rate.waits_ms = ran_ms;
        struct record *r = emit_record(ret, "rate-run");
        record_add_text(r, "tank", core->site->tank[tank].key);
        record_add_text(r, "stock", stock);
        record_add_int(r, "ran_ms", ran_ms);
        text_add(&text, ": say how much arrived");
    }
    care->errand = ERRAND_NONE;
    care->sent = false;
}
