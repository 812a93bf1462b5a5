/* Calibrating a pump: runs that are measured, and what they come to. */
#include <string.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

static void say_rate(struct text *t, double ml_per_s)
{
    text_add_real(t, ml_per_s, 3);
    text_add(t, " mL/s");
}

/* A run that isn't believed stays open: its volume may be said again. */
static const char *refuse(
    struct text *said, enum rate_verdict verdict, const struct rate_run *run, double nominal)
{
    const bool less = (double)run->ul < nominal * (double)run->ran_ms;
    say_rate(said, (double)run->ul / (double)run->ran_ms);
    text_add(said, " where ");
    say_rate(said, nominal);
    text_add(said, " are expected: ");
    if (verdict == RATE_NOTHING) {
        text_add(said, "next to nothing arrived. Is the bottle empty, is air in the line, is the "
                       "tube off? Prime the line, then run it again");
        return "implausible";
    }
    if (verdict == RATE_TENFOLD)
        text_add(said, "that is about ten times too much or too little. Read the cylinder's scale "
                       "again, and say the volume again, in mL");
    else
        text_add(said,
            "beyond 0.5 to 1.5 times. Say the volume again, in mL; for a tube of another "
            "bore write its rate as ml_per_s into the configuration first");
    if (less) text_add(said, ". If it is right, air was in the line: prime it, then run it again");
    return "implausible";
}

static void record_measured(const struct core *core, uint32_t tank, uint32_t p,
    const struct rate_run *run, struct actions *ret)
{
    struct record *r = emit_record(ret, "rate-measured");
    record_add_text(r, "tank", core->site->tank[tank].key);
    record_add_text(r, "stock", core->site->stock[core->site->tank[tank].pump[p].stock].key);
    record_add_int(r, "ran_ms", run->ran_ms);
    record_add_int(r, "ul", run->ul);
    record_add_int(r, "run", core->tank[tank].pump[p].rate.run_count + 1);
}

/* All runs are in. */
static void conclude(struct core *core, uint32_t tank, uint32_t p, struct now now,
    struct text *said, struct actions *ret)
{
    struct core_rate *c = &core->tank[tank].pump[p].rate;
    struct rate rate;
    const enum rate_verdict verdict = rate_judge(&rate, c->run);
    const double was = core->site->tank[tank].pump[p].ml_per_s;
    c->run_count = 0;
    say_rate(said, rate.ml_per_s);
    text_add(said, ", spread ");
    text_add_real(said, rate.spread_percent, 1);
    text_add(said, " %, repeatability ");
    text_add_real(said, rate.deviation_percent, 1);
    text_add(said, " %");
    if (verdict == RATE_GOOD) {
        text_add(said, "; it was ");
        say_rate(said, was);
        text_add(said, ". It holds from now on");
        core_find_rate(core, tank, p, &rate, now, ret);
        return;
    }
    text_add(said, ": too uneven, nothing is changed. Look for air in the line, a worn tube or a "
                   "slipping roller, and make three runs again");
}

const char *core_ask_measured(struct core *core, const struct event_request *q, struct now now,
    struct text *said, struct actions *ret)
{
    const struct site_tank *config = &core->site->tank[q->tank];
    const int32_t found = site_pump_of(config, q->stock);
    const uint32_t p = found < 0 ? 0 : (uint32_t)found;
    struct core_rate *c = found < 0 ? NULL : &core->tank[q->tank].pump[p].rate;
    if (!c || c->waits_ms == 0) {
        text_add(said, "no run of that pump waits for its volume: let it run first");
        return "no-run";
    }
    if (now.clock == CLOCK_UNSET) {
        text_add(said, "the clock isn't set, and a calibration needs its date: try again later");
        return "not-ready";
    }
    const struct rate_run run = { .ran_ms = c->waits_ms, .ul = q->ul };
    /* What was found before is no measure: in small steps anything could be found. */
    const double filed = config->pump[p].filed_ml_per_s;
    const enum rate_verdict verdict = rate_judge_run(&run, filed);
    if (verdict != RATE_GOOD) return refuse(said, verdict, &run, filed);
    record_measured(core, q->tank, p, &run, ret);
    c->run[c->run_count++] = run;
    c->waits_ms = 0;
    if (c->run_count == RATE_RUNS) {
        conclude(core, q->tank, p, now, said, ret);
        return NULL;
    }
    text_add(said, "run ");
    text_add_int(said, c->run_count);
    text_add(said, " of 3: ");
    say_rate(said, (double)run.ul / (double)run.ran_ms);
    text_add(said, ". Empty the cylinder and run it again");
    return NULL;
}
