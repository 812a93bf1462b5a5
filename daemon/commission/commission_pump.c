/* The walk's steps with tubes out: priming lines and calibrating pumps. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "daemon/commission/commission.h"
#include "daemon/tool/tool_show.h"

enum { RUN_MOST_S = 300, RUNS_MOST = 12 };

/* A pump of the tank, by its stock. */
struct pump {
    const char *tank;
    char stock[WALK_LINE_MAX];
};

/* --- asking the daemon ------------------------------------------------------------------------ */

static bool ask_volume(
    struct walk *w, const struct pump *p, const char *request, const char *volume, double ml)
{
    char tank[TOOL_PATH_MAX * 2], stock[TOOL_PATH_MAX * 2], number[32];
    const bool runs = strcmp(volume, "ml") == 0;
    (void)snprintf(number, sizeof number, "%.3f", ml);
    const char *const members[] = { "tank", tool_quote(tank, p->tank), "stock",
        tool_quote(stock, p->stock), volume, number, runs ? "into" : NULL, "\"cup\"", NULL };
    return walk_ask(w, request, members) && (!runs || walk_wait(w, p->tank, RUN_MOST_S));
}

/* A number of the pump in the newest status; NaN when the daemon is gone. */
static double number_of(struct walk *w, const struct pump *p, const char *name)
{
    cJSON *tank = walk_tank(w, p->tank);
    double value = (double)NAN;
    const cJSON *pump;
    cJSON_ArrayForEach(pump, show_member(tank, "pumps"))
    {
        if (strcmp(show_string(pump, "stock"), p->stock) == 0) value = show_number(pump, name);
    }
    cJSON_Delete(tank);
    return value;
}

static enum walk_reply go_on(const struct walk *w)
{
    return w->code == TOOL_GO_ON ? WALK_YES : WALK_LEAVE;
}

/* --- priming ---------------------------------------------------------------------------------- */

static enum walk_reply prime(struct walk *w, const struct pump *p)
{
    double ml = 5;
    walk_say(
        "%s: take its tube out of the fitting and hang it into a cup of its own, over the tray.",
        p->stock);
    for (;;) {
        const enum walk_reply reply = walk_number(
            w, "Prime with how many mL? ('check' says what the tube holds)", 0.1, 1000, ml, &ml);
        if (reply != WALK_YES) return reply;
        (void)ask_volume(w, p, "prime", "ml", ml);
        if (w->code != TOOL_GO_ON) return WALK_LEAVE;
        const enum walk_reply full =
            walk_confirm(w, "Does it come out of the tube without bubbles? (s: once more)");
        if (full != WALK_SKIP) return full;
    }
}

/* --- calibrating ------------------------------------------------------------------------------ */

/* The volume of the run that waits for it, until it is believed; skipped, another run replaces it.
 */
static enum walk_reply measure(struct walk *w, const struct pump *p)
{
    double ml = 0;
    for (;;) {
        const enum walk_reply reply =
            walk_number(w, "How many mL arrived? (grams / density on a scale; s: run it again)",
                0.001, 10000, (double)NAN, &ml);
        if (reply == WALK_SKIP) return WALK_YES;
        if (reply != WALK_YES) return reply;
        if (ask_volume(w, p, "calibrate-pump", "measured_ml", ml)) return WALK_YES;
        if (w->code != TOOL_GO_ON) return WALK_LEAVE;
    }
}

static enum walk_reply one_run(struct walk *w, const struct pump *p, double *ml)
{
    double wanted = *ml;
    const enum walk_reply reply = walk_number(
        w, "Empty cylinder under the tube. Run about how many mL?", 0.1, 1000, *ml, &wanted);
    if (reply != WALK_YES) return reply;
    if (!ask_volume(w, p, "calibrate-pump", "ml", wanted)) return go_on(w);
    *ml = wanted;
    return measure(w, p);
}

/* Until three runs that agree have set its rate. */
static enum walk_reply calibrate(struct walk *w, const struct pump *p)
{
    double ml = 10;
    const double rate = number_of(w, p, "ml_per_s");
    walk_say(
        "%s: three runs into a measuring cylinder or a glass on a scale; the longer the better, "
        "a dose at most. It is taken to give %.3f mL/s.",
        p->stock, rate);
    enum walk_reply reply = walk_confirm(w, "Calibrate it now?");
    bool left_there = number_of(w, p, "waits_ms") > 0; /* by the last walk */
    for (int n = 0; reply == WALK_YES && n < RUNS_MOST; n++, left_there = false) {
        const double before = number_of(w, p, "runs");
        reply = left_there ? measure(w, p) : one_run(w, p, &ml);
        const double after = number_of(w, p, "runs");
        if (w->code != TOOL_GO_ON) return WALK_LEAVE;
        const bool concluded = before > 1.5 && after < 0.5; /* three were in */
        if (concluded && fabs(number_of(w, p, "ml_per_s") - rate) > 0.0) break;
        if (concluded) reply = walk_confirm(w, "Three runs again?");
    }
    return reply;
}

/* --- all pumps -------------------------------------------------------------------------------- */

enum walk_reply commission_pumps(struct walk *w, const char *tank)
{
    walk_head("Lines and pumps");
    cJSON *now = walk_tank(w, tank);
    if (!now) return WALK_LEAVE;
    enum walk_reply reply = WALK_YES;
    const cJSON *pump;
    cJSON_ArrayForEach(pump, show_member(now, "pumps"))
    {
        struct pump p = { .tank = tank };
        text_copy(p.stock, sizeof p.stock, show_string(pump, "stock"));
        const char *date = show_string(pump, "calibrated");
        printf("\n-- %s with %s, calibrated: %.10s\n", p.stock, show_string(pump, "address"),
            date[0] ? date : "never");
        reply = prime(w, &p);
        if (reply != WALK_LEAVE) reply = calibrate(w, &p);
        if (reply == WALK_LEAVE) break;
        reply = walk_confirm(w, "Is its tube back in its fitting, tight?");
        if (reply == WALK_LEAVE) break;
    }
    cJSON_Delete(now);
    return reply;
}
