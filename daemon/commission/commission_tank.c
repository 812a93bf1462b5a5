/* The walk's steps at one tank that need no tube out: its probes' life, its circulation, the bench
 * itself, and a first dose. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "daemon/commission/commission.h"
#include "daemon/commission/dose_judge.h"
#include "daemon/tool/tool_show.h"

enum { FIRST_DOSE_MOST_S = 600, MIX_LOOKS = 1800, MIX_LOOK_MS = 2000 };
enum { FLOW_LEAST_S = 5, FLOW_MOST_S = 600, FLOW_STARTS_S = 60 };

#define FILL_SHARE 0.75

/* --- probes ----------------------------------------------------------------------------------- */

/* True when it is alive. */
static bool say_probe(const cJSON *tank, const char *name, const char *unit, int decimals)
{
    const cJSON *probe = show_member(tank, name);
    const char *quality = show_string(probe, "quality");
    const bool good = strcmp(quality, "good") == 0;
    if (good)
        walk_say("%-11s %.*f %s, good", name, decimals, show_number(probe, "value"), unit);
    else
        walk_say("%-11s %s: is it in the water and connected, and does its topic speak?", name,
            strcmp(quality, "none") == 0 ? "no reading" : quality);
    return good;
}

enum walk_reply commission_water(struct walk *w, const char *tank)
{
    walk_head("Probes in the water");
    for (;;) {
        cJSON *now = walk_tank(w, tank);
        if (!now) return WALK_LEAVE;
        const bool ec = say_probe(now, "ec", "mS/cm", 2);
        const bool ph = say_probe(now, "ph", "", 2);
        const bool warm = say_probe(now, "temperature", "degC", 1);
        cJSON_Delete(now);
        if (ec && ph && warm) return WALK_YES;
        const enum walk_reply reply = walk_confirm(w, "Look again?");
        if (reply != WALK_YES) return reply;
    }
}

/* --- circulation ------------------------------------------------------------------------------ */

/* What the daemon takes it to be; NaN when it is gone. */
static double flow_now(struct walk *w, const char *tank, double *ret_waits_ms)
{
    cJSON *now = walk_tank(w, tank);
    const cJSON *flow = show_member(now, "flow");
    const double l_min = show_number(flow, "l_min");
    *ret_waits_ms = show_number(flow, "waits_ms");
    cJSON_Delete(now);
    return l_min;
}

static bool ask_flow(struct walk *w, const char *tank, const char *member, double value)
{
    char quoted[TOOL_PATH_MAX * 2], number[32];
    (void)snprintf(number, sizeof number, "%.2f", value);
    const char *const members[] = { "tank", tool_quote(quoted, tank), member, number, NULL };
    return walk_ask(w, "calibrate-flow", members);
}

/* So long that the bucket gets three quarters full, if the flow is what it is taken to be. */
static double seconds_for(double litres, double l_min)
{
    const double seconds = floor(FILL_SHARE * 60.0 * litres / l_min);
    return seconds < FLOW_LEAST_S ? FLOW_LEAST_S : seconds > FLOW_MOST_S ? FLOW_MOST_S : seconds;
}

static enum walk_reply run_into_bucket(struct walk *w, const char *tank, double l_min)
{
    double litres = 10;
    enum walk_reply reply =
        walk_number(w, "How many litres does the bucket hold?", 0.5, 1000, litres, &litres);
    if (reply != WALK_YES) return reply;
    double seconds = seconds_for(litres, l_min);
    reply = walk_number(w, "Run the circulation for how many seconds?", FLOW_LEAST_S, FLOW_MOST_S,
        seconds, &seconds);
    if (reply != WALK_YES) return reply;
    if (!ask_flow(w, tank, "for_s", seconds)) return w->code == TOOL_GO_ON ? WALK_SKIP : WALK_LEAVE;
    const bool over = walk_wait(w, tank, (int)seconds + FLOW_STARTS_S);
    if (w->code != TOOL_GO_ON) return WALK_LEAVE;
    return over ? WALK_YES : WALK_SKIP;
}

/* Until the daemon believes them, or the person skips it. */
static enum walk_reply say_litres(struct walk *w, const char *tank)
{
    double litres = 0;
    for (;;) {
        const enum walk_reply reply = walk_number(
            w, "How many litres came into the bucket?", 0.05, 1000, (double)NAN, &litres);
        if (reply != WALK_YES) return reply;
        if (ask_flow(w, tank, "measured_l", litres)) return WALK_YES;
        if (w->code != TOOL_GO_ON) return WALK_LEAVE;
    }
}

enum walk_reply commission_circulation(struct walk *w, const char *tank)
{
    walk_head("Circulation");
    walk_say("Hang the return hose into a bucket of known volume, with the tank full enough. All "
             "dosing tubes must be in their fittings. It runs for a measured time.");
    bool left_there = true; /* by the last walk, a run that still waits for its litres */
    for (;; left_there = false) {
        double waits_ms = 0;
        const double l_min = flow_now(w, tank, &waits_ms);
        if (w->code != TOOL_GO_ON) return WALK_LEAVE;
        enum walk_reply reply =
            left_there && waits_ms > 0 ? WALK_YES : run_into_bucket(w, tank, l_min);
        if (reply != WALK_YES) return reply;
        (void)flow_now(w, tank, &waits_ms);
        if (waits_ms > 0) reply = say_litres(w, tank);
        if (reply == WALK_LEAVE || w->code != TOOL_GO_ON) return WALK_LEAVE;
        reply = walk_confirm(w, "Empty the bucket. Measure again? (s: done)");
        if (reply != WALK_YES) return reply;
    }
}

/* --- the bench -------------------------------------------------------------------------------- */

enum walk_reply commission_bench(struct walk *w, const char *tank, bool on)
{
    char quoted[TOOL_PATH_MAX * 2];
    const char *const members[] = { "tank", tool_quote(quoted, tank), "on", on ? "true" : "false",
        NULL };
    walk_head(on ? "On the bench" : "Off the bench");
    if (on) {
        walk_say(
            "Goggles and gloves. From now on nothing moves in %s but what you ask for, also if you "
            "leave this walk: 'dosewright ask bench %s off' ends it.",
            tank, tank);
        return walk_ask(w, "bench", members) ? WALK_YES : WALK_LEAVE;
    }
    walk_say("When it is off the bench the circulation may start at any moment.");
    const enum walk_reply reply =
        walk_confirm(w, "Is every tube and hose in its place, and every probe in the water?");
    if (reply != WALK_YES) {
        walk_say("%s stays on the bench.", tank);
        return reply;
    }
    return walk_ask(w, "bench", members) ? WALK_YES : WALK_LEAVE;
}

/* --- a first dose ----------------------------------------------------------------------------- */

struct asked_dose {
    const char *tank;
    char stock[WALK_LINE_MAX];
    double ml;
};

/* 'ret_moves': what was dosed is on its way, or not mixed yet; also while the tank is paused. */
static struct dose_water water_of(struct walk *w, const char *tank, bool *ret_moves)
{
    static const char *const moving[] = { "circulating", "injecting", "flushing", "mixing" };
    cJSON *now = walk_tank(w, tank);
    const struct dose_water water = { show_number(show_member(now, "ec"), "value"),
        show_number(show_member(now, "ph"), "value") };
    *ret_moves = show_true(now, "mixes");
    for (size_t i = 0; i < sizeof moving / sizeof *moving; i++) {
        if (strcmp(show_string(now, "state"), moving[i]) == 0) *ret_moves = true;
    }
    cJSON_Delete(now);
    return water;
}

/* Until it has mixed; not known when the walk is left. */
static struct dose_water water_when_mixed(struct walk *w, const char *tank)
{
    bool moves = true;
    struct dose_water water = { (double)NAN, (double)NAN };
    for (int n = 0; n < MIX_LOOKS && moves; n++) {
        walk_rest(w, MIX_LOOK_MS);
        water = water_of(w, tank, &moves);
        if (w->code != TOOL_GO_ON) return water;
    }
    if (moves) walk_say("It isn't mixed yet after an hour: look once more later.");
    return water;
}

/* What that stock is for in this tank, and what so much of it should do. */
static void read_due(struct first_dose *d, const cJSON *tank, const char *stock, double ml)
{
    static const char *const purposes[] = { "feed", "acid", "base" };
    const cJSON *pump;
    d->purpose = "";
    cJSON_ArrayForEach(pump, show_member(tank, "pumps"))
    {
        if (strcmp(show_string(pump, "stock"), stock) != 0) continue;
        d->due_ms_cm = ml * show_number(pump, "ec_ms_cm_per_ml");
        for (size_t i = 0; i < sizeof purposes / sizeof *purposes; i++) {
            if (strcmp(show_string(pump, "purpose"), purposes[i]) == 0) d->purpose = purposes[i];
        }
    }
}

static void say_dose(const struct first_dose *d)
{
    char words[2 * WALK_LINE_MAX];
    struct text said = text_over(words, sizeof words);
    const bool good = dose_judge(&said, d);
    walk_say("%s%s", good ? "" : "!! ", words);
}

/* Gives it and waits until it has mixed; false where nothing can be told of it. */
static bool give(struct walk *w, const struct asked_dose *asked, struct first_dose *dose)
{
    char quoted[TOOL_PATH_MAX * 2], name[TOOL_PATH_MAX * 2], ml[32];
    (void)snprintf(ml, sizeof ml, "%.2f", asked->ml);
    const char *const members[] = { "tank", tool_quote(quoted, asked->tank), "stock",
        tool_quote(name, asked->stock), "ml", ml, NULL };
    dose->before = water_when_mixed(w, asked->tank);
    if (w->code != TOOL_GO_ON || !walk_ask(w, "dose", members)) return false;
    if (!walk_wait(w, asked->tank, FIRST_DOSE_MOST_S)) return false;
    walk_say("It mixes now; this may take some minutes. (Ctrl-C leaves; the dose stays given.)");
    fflush(stdout);
    dose->after = water_when_mixed(w, asked->tank);
    return w->code == TOOL_GO_ON;
}

/* Nothing else is dosed meanwhile: what is seen is this dose's. */
static enum walk_reply give_alone(
    struct walk *w, const struct asked_dose *asked, struct first_dose *dose)
{
    const struct walk_pause pause = { asked->tank, "the first dose of 'dosewright commission'" };
    walk_guard(w);
    const bool taken = walk_pause(w, &pause);
    const bool given = give(w, asked, dose);
    if (given) say_dose(dose);
    if (taken && w->code != TOOL_GO_ON) walk_reach(w);
    if (taken) walk_resume(w, &pause);
    walk_unguard(w);
    if (w->code != TOOL_GO_ON) return WALK_LEAVE;
    return given ? WALK_YES : WALK_SKIP;
}

enum walk_reply commission_dose(struct walk *w, const char *tank)
{
    struct asked_dose asked = { .tank = tank };
    char first[WALK_LINE_MAX];
    walk_head("A first dose");
    cJSON *now = walk_tank(w, tank);
    if (!now) return WALK_LEAVE;
    text_copy(first, sizeof first,
        show_string(cJSON_GetArrayItem(show_member(now, "pumps"), 0), "stock"));
    enum walk_reply reply = walk_word(w, "Which stock?", first, asked.stock);
    if (reply == WALK_YES) reply = walk_number(w, "How many mL?", 0.1, 1000, 5, &asked.ml);
    struct first_dose dose = { .due_ms_cm = 0 };
    read_due(&dose, now, asked.stock, asked.ml);
    cJSON_Delete(now);
    return reply == WALK_YES ? give_alone(w, &asked, &dose) : reply;
}
