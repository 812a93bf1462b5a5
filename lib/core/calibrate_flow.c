/* Measuring the circulation's flow: it runs for a time that the chain's head counts, from a
 * standstill and on the bench, and a person says what came out of the return hose. */
#include "lib/base/text.h"
#include "lib/core/state.h"

enum { RAN_LEAST_MS = 1000, WATCH_SPARE_MS = 1000 };

static void say_flow(struct text *t, double l_min)
{
    text_add_real(t, l_min, 2);
    text_add(t, " L/min");
}

static void say_seconds(struct text *t, int64_t ms)
{
    text_add_real(t, (double)ms / 1000.0, 1);
    text_add(t, " s");
}

/* --- the run ---------------------------------------------------------------------------------- */

static const char *may_be_now(
    struct core *core, const struct event_request *q, struct now now, struct text *said)
{
    struct core_tank *t = &core->tank[q->tank];
    const int64_t most_ms = core->chain[tank_chain(core, q->tank)].roll.max_circulate_ms;
    if (!t->care.bench) {
        text_add(said, "the flow is measured while the tank is on the bench, so that nothing else "
                       "starts while "
                       "the return hose hangs in a bucket: ask for 'bench' first");
        return "busy";
    }
    if (t->care.errand != ERRAND_NONE || t->dose.used) {
        text_add(said, "something that was asked for is under way: try again when that is over");
        return "busy";
    }
    if (!core_gate_flow(core, q->tank, now)) {
        text_add(said, t->why);
        return "not-ready";
    }
    if (q->span_ms <= most_ms) return NULL;
    text_add(said, "the chain's head lets its circulation run for at most ");
    text_add_span(said, most_ms);
    return "out-of-range";
}

const char *core_ask_flow(
    struct core *core, const struct event_request *q, struct now now, struct text *said)
{
    struct core_tank *t = &core->tank[q->tank];
    const char *no = may_be_now(core, q, now, said);
    if (no) return no;
    t->care.errand = ERRAND_FLOW;
    t->care.asked = now.mono;
    t->care.sent = false;
    t->care.span_ms = q->span_ms;
    t->care.flow.waits_ms = 0;
    t->care.said[0] = '\0';
    t->due = now.mono;
    text_add(said, "taken on: the circulation runs for ");
    say_seconds(said, q->span_ms);
    text_add(said, ", and about ");
    text_add_real(
        said, core->site->tank[q->tank].circulation.flow_l_min * (double)q->span_ms / MINUTE_MS, 1);
    text_add(said,
        " L should come. Is every dosing tube in its fitting, and the return hose in a bucket that "
        "holds more than that?");
    return NULL;
}

void core_start_flow(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    if (!core_gate_flow(core, tank, now)) {
        core_drop_errand(core, tank, t->why);
        return;
    }
    t->care.sent = core_begin_circulation(core, tank, t->care.span_ms, now, ret);
    if (t->care.sent)
        core_say(t, TANK_CALIBRATING, "on the bench: the circulation is to run into the bucket");
    else
        core_say(t, TANK_CALIBRATING, "the chain is busy; it waits for its turn");
}

bool core_flow_is_out(const struct core *core, uint32_t tank)
{
    const struct core_care *care = &core->tank[tank].care;
    return care->errand == ERRAND_FLOW && care->sent;
}

bool core_flow_runs(struct core *core, uint32_t tank, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    if (!core_flow_is_out(core, tank)) return false;
    if (!t->circulation.command.used) {
        core_drop_errand(core, tank, "nobody knows how long the circulation ran. Run it again");
        return false;
    }
    if (core_gate_flow(core, tank, now)) {
        core_say(t, TANK_CALIBRATING, "on the bench: the circulation runs into the bucket");
        return true;
    }
    core_drop_errand(core, tank, t->why);
    return false;
}

void core_flow_settled(
    struct core *core, uint32_t tank, const struct chain_report *report, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    if (!core_flow_is_out(core, tank)) return;
    if (report->unsure || report->ran_ms < RAN_LEAST_MS ||
        report->ran_ms > t->circulation.command.run_ms) {
        core_drop_errand(core, tank, "nobody knows how long the circulation ran. Run it again");
        return;
    }
    struct text text = text_over(t->care.said, sizeof t->care.said);
    text_add(&text, "the circulation ran for ");
    say_seconds(&text, report->ran_ms);
    text_add(&text, ": say how many litres came");
    t->care.flow.waits_ms = report->ran_ms;
    t->care.errand = ERRAND_NONE;
    t->care.sent = false;
    struct record *r = emit_record(ret, "flow-run");
    record_add_text(r, "tank", core->site->tank[tank].key);
    record_add_int(r, "ran_ms", report->ran_ms);
}

/* --- its litres ------------------------------------------------------------------------------- */

/* A flow that isn't believed changes nothing, and its litres may be said again. */
static const char *refuse(struct text *said, enum rate_verdict verdict, double l_min, double filed)
{
    say_flow(said, l_min);
    text_add(said, " where the configuration has ");
    say_flow(said, filed);
    text_add(said, ": ");
    if (verdict == RATE_TENFOLD)
        text_add(said, "that is about ten times too much or too little. Read the bucket again, and "
                       "say the litres again: L, not mL or dL");
    else if (verdict == RATE_NOTHING)
        text_add(said,
            "next to nothing came. Does the pump turn, is a valve shut, is air in it, is "
            "the strainer clogged? Then run it again");
    else
        text_add(said, "beyond 0.25 to 2 times. Say the litres again; for another pump write its "
                       "flow_l_min into the configuration first");
    return "implausible";
}

static void say_found(
    struct text *said, const struct site_tank *config, double l_min, double was_l_min)
{
    static const double far_less = 0.7;
    say_flow(said, l_min);
    text_add(said, "; it was ");
    say_flow(said, was_l_min);
    text_add(said, ". It holds from now on: the tank turns over in ");
    text_add_span(said, nearest(config->volume_l / l_min * (double)MINUTE_MS));
    if (l_min < far_less * was_l_min)
        text_add(said, ". That is much less: look for a clogged strainer, a kink, air, or a lift "
                       "that is too high");
}

const char *core_ask_flow_measured(struct core *core, const struct event_request *q, struct now now,
    struct text *said, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[q->tank];
    struct core_flow *c = &core->tank[q->tank].care.flow;
    if (c->waits_ms == 0) {
        text_add(said, "no run of the circulation waits for its litres: let it run first");
        return "no-run";
    }
    if (now.clock == CLOCK_UNSET) {
        text_add(said, "the clock isn't set, and a measured flow needs its date: try again later");
        return "not-ready";
    }
    if (q->span_ms > c->waits_ms + WATCH_SPARE_MS) {
        text_add(said, "it ran for only ");
        say_seconds(said, c->waits_ms);
        return "out-of-range";
    }
    const int64_t ms = q->span_ms > 0 ? q->span_ms : c->waits_ms;
    const double l_min = (double)q->ul / 1e6 * (double)MINUTE_MS / (double)ms;
    const double was = config->circulation.flow_l_min;
    const double filed = config->circulation.filed_flow_l_min;
    const enum rate_verdict verdict = rate_judge_flow(l_min, filed);
    if (verdict != RATE_GOOD) return refuse(said, verdict, l_min, filed);
    c->waits_ms = 0;
    core_find_flow(core, q->tank, l_min, now, ret);
    say_found(said, config, l_min, was);
    return NULL;
}
