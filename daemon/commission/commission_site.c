/* The walk's first steps: broker, chains, supply, and which pump is which. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "daemon/commission/commission.h"
#include "daemon/tool/tool_show.h"

enum walk_reply commission_broker(struct walk *w)
{
    cJSON *status = walk_status(w); /* a daemon that isn't there is said before any heading */
    if (status) walk_head("Broker");
    for (; status; status = walk_status(w)) {
        const cJSON *broker = show_member(status, "broker");
        const bool up = show_true(broker, "up");
        if (up)
            walk_say("It answers at %s.", show_string(broker, "uri"));
        else
            walk_say("It doesn't answer: %s. Is its address right, does it run, may this user in?",
                show_string(broker, "why"));
        if (show_true(broker, "plain_remote"))
            walk_say(
                "The connection isn't encrypted and leaves this machine: whoever listens there "
                "can read and forge everything.");
        cJSON_Delete(status);
        if (up) return WALK_YES;
        const enum walk_reply reply = walk_confirm(w, "Look again?");
        if (reply != WALK_YES) return reply;
    }
    return WALK_LEAVE;
}

/* True when the chain can be commanded. */
static bool say_chain(const cJSON *chain)
{
    const char *why = show_string(chain, "why");
    const double volts = show_number(chain, "volts"), amps = show_number(chain, "amps");
    if (why[0] != '\0') {
        walk_say("%s: %s.", show_string(chain, "key"), why);
        return false;
    }
    if (show_member(chain, "plain_outputs"))
        walk_say(
            "%s: plain outputs. Nobody answers for them: docs/plain-outputs.md says how to try "
            "each before there is anything but water in the bottles.",
            show_string(chain, "key"));
    else if (isfinite(volts) && isfinite(amps))
        walk_say("%s: every module answers where it is bound; %.1f V, %.2f A at the head now.",
            show_string(chain, "key"), volts, amps);
    else
        walk_say("%s: every module answers where it is bound. Its head measures no volts or amps.",
            show_string(chain, "key"));
    return true;
}

static enum walk_reply look_at_chains(struct walk *w)
{
    for (;;) {
        cJSON *status = walk_status(w);
        if (!status) return WALK_LEAVE;
        bool all = true;
        const cJSON *chain;
        cJSON_ArrayForEach(chain, show_member(status, "chains"))
        {
            all = say_chain(chain) && all;
        }
        cJSON_Delete(status);
        if (all) return WALK_YES;
        walk_say("Put modules and cable in order; where another module is meant to stay, look at "
                 "'dosewright ask adopt CHAIN'. 'dosewright check' has the supply's table.");
        const enum walk_reply reply = walk_confirm(w, "Look again?");
        if (reply != WALK_YES) return reply;
    }
}

/* One pump ticks as often as the person likes. */
static enum walk_reply tick(struct walk *w, const char *tank, const cJSON *pump)
{
    char quoted[TOOL_PATH_MAX * 2], question[WALK_LINE_MAX];
    const char *address = show_string(pump, "address");
    const char *const members[] = { "address", tool_quote(quoted, address), NULL };
    if (show_member(pump, "topic")) { /* a plain output has no tick */
        walk_say("%s for %s is a plain output (%s): prime it into a cup below, and see which pump "
                 "that is.",
            show_string(pump, "stock"), tank, show_string(pump, "topic"));
        return WALK_YES;
    }
    (void)snprintf(question, sizeof question, "%s should draw %s into %s. Let it tick?", address,
        show_string(pump, "stock"), tank);
    enum walk_reply reply = walk_confirm(w, question);
    while (reply == WALK_YES) {
        (void)walk_ask(w, "identify", members);
        if (w->code != TOOL_GO_ON) return WALK_LEAVE;
        reply = walk_confirm(w, "Again? (s: that was the right one)");
    }
    return reply;
}

static enum walk_reply tick_tank(struct walk *w, const cJSON *tank)
{
    const cJSON *pump;
    cJSON_ArrayForEach(pump, show_member(tank, "pumps"))
    {
        if (tick(w, show_string(tank, "key"), pump) == WALK_LEAVE) return WALK_LEAVE;
    }
    return WALK_YES;
}

enum walk_reply commission_chains(struct walk *w)
{
    walk_head("Chains and supply");
    enum walk_reply reply = look_at_chains(w);
    if (reply != WALK_YES) return reply;
    reply = walk_confirm(
        w, "Find out by hand which pump is which? Each ticks for 0.1 s, which is a drop of stock.");
    if (reply != WALK_YES) return reply;
    cJSON *status = walk_status_whole(w);
    if (!status) return WALK_LEAVE;
    const cJSON *tank;
    cJSON_ArrayForEach(tank, show_member(status, "tanks"))
    {
        reply = tick_tank(w, tank);
        if (reply == WALK_LEAVE) break;
    }
    cJSON_Delete(status);
    return reply;
}
