/* The walk's steps at one tank that need no tube out: its probes' life, its circulation, the bench
 * itself, and a first dose. */
#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>

#include "daemon/commission.h"
#include "daemon/tool_show.h"

enum { FIRST_DOSE_MOST_S = 600, MIX_LOOKS = 240, MIX_LOOK_MS = 5000 };

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

enum walk_reply commission_circulation(struct walk *w, const char *tank)
{
    char quoted[TOOL_PATH_MAX * 2];
    double litres = 0, seconds = 0;
    const char *const members[] = { "tank", tool_quote(quoted, tank), "for_s", "90", NULL };
    walk_head("Circulation");
    walk_say("Hang the return hose into a bucket of known volume, with the tank full enough. All "
             "dosing tubes must be in their fittings.");
    enum walk_reply reply = walk_confirm(w, "Run the circulation for 90 s?");
    if (reply != WALK_YES) return reply;
    if (!walk_ask(w, "circulate", members)) return w->code == TOOL_GO_ON ? WALK_SKIP : WALK_LEAVE;
    walk_say("Take the time until the bucket is full.");
    reply = walk_number(w, "How many litres does it hold?", 0.1, 1000, (double)NAN, &litres);
    if (reply != WALK_YES) return reply;
    reply = walk_number(w, "After how many seconds was it full?", 0.5, 3600, (double)NAN, &seconds);
    if (reply != WALK_YES) return reply;
    walk_say(
        "That is %.1f L/min. Write it as circulation.flow_l_min into the configuration if it "
        "differs by more than a tenth; much less than the pump's plate says is a strainer, a kink "
        "or too high a lift.",
        60.0 * litres / seconds);
    return walk_confirm(w, "Hose back in the tank?");
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
        walk_confirm(w, "Is every tube in its fitting and every probe in the water?");
    if (reply != WALK_YES) {
        walk_say("%s stays on the bench.", tank);
        return reply;
    }
    return walk_ask(w, "bench", members) ? WALK_YES : WALK_LEAVE;
}

/* --- a first dose ----------------------------------------------------------------------------- */

static double ec_of(struct walk *w, const char *tank, char ret_state[WALK_LINE_MAX])
{
    cJSON *now = walk_tank(w, tank);
    const double ec = now ? show_number(show_member(now, "ec"), "value") : (double)NAN;
    text_copy(ret_state, WALK_LINE_MAX, now ? show_string(now, "state") : "");
    cJSON_Delete(now);
    return ec;
}

/* Until it has mixed; NaN when the daemon is gone. */
static double ec_when_mixed(struct walk *w, const char *tank)
{
    char state[WALK_LINE_MAX];
    double ec = (double)NAN;
    for (int n = 0; n < MIX_LOOKS; n++) {
        ec = ec_of(w, tank, state);
        if (w->code != TOOL_GO_ON) return (double)NAN;
        const bool moves = strcmp(state, "injecting") == 0 || strcmp(state, "flushing") == 0 ||
                           strcmp(state, "circulating") == 0 || strcmp(state, "mixing") == 0;
        if (!moves) break;
        (void)poll(NULL, 0, MIX_LOOK_MS);
    }
    return ec;
}

enum walk_reply commission_dose(struct walk *w, const char *tank)
{
    char quoted[TOOL_PATH_MAX * 2], name[TOOL_PATH_MAX * 2], ml[32], state[WALK_LINE_MAX];
    char stock[WALK_LINE_MAX];
    double volume = 0;
    walk_head("A first dose");
    cJSON *now = walk_tank(w, tank);
    if (!now) return WALK_LEAVE;
    char first[WALK_LINE_MAX];
    text_copy(first, sizeof first,
        show_string(cJSON_GetArrayItem(show_member(now, "pumps"), 0), "stock"));
    cJSON_Delete(now);
    enum walk_reply reply = walk_word(w, "Which stock?", first, stock);
    if (reply != WALK_YES) return reply;
    reply = walk_number(w, "How many mL?", 0.1, 1000, 5, &volume);
    if (reply != WALK_YES) return reply;
    (void)snprintf(ml, sizeof ml, "%.2f", volume);
    const char *const members[] = { "tank", tool_quote(quoted, tank), "stock",
        tool_quote(name, stock), "ml", ml, NULL };
    const double before = ec_of(w, tank, state);
    if (!walk_ask(w, "dose", members)) return w->code == TOOL_GO_ON ? WALK_SKIP : WALK_LEAVE;
    if (!walk_wait(w, tank, FIRST_DOSE_MOST_S))
        return w->code == TOOL_GO_ON ? WALK_SKIP : WALK_LEAVE;
    walk_say("It mixes now; this may take some minutes.");
    const double after = ec_when_mixed(w, tank);
    if (w->code != TOOL_GO_ON) return WALK_LEAVE;
    walk_say(
        "EC was %.2f and is %.2f mS/cm. 'dosewright check' says what a mL of each stock should "
        "do; acid and base show in pH instead.",
        before, after);
    return WALK_YES;
}
