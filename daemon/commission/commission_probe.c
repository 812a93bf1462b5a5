/* The walk's steps with probes out: buffers for pH, a standard for EC. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "daemon/commission/commission.h"
#include "daemon/tool/tool_show.h"

enum { SETTLE_MOST_S = 320, BATHS_MOST = 8 };

struct bathing {
    const char *tank, *probe; /* "ec", "ph" */
    const char *fallback[3];  /* the bath that is offered first, second, third */
};

static int baths_of(struct walk *w, const struct bathing *b, char ret_date[WALK_LINE_MAX])
{
    cJSON *tank = walk_tank(w, b->tank);
    const cJSON *probe = show_member(tank, b->probe);
    const double baths = show_number(probe, "baths");
    text_copy(ret_date, WALK_LINE_MAX, show_string(probe, "calibrated"));
    cJSON_Delete(tank);
    return baths > 0 ? (int)baths : 0;
}

/* One bath. WALK_YES: it was tried. */
static enum walk_reply one_bath(struct walk *w, const struct bathing *b, int baths)
{
    char point[WALK_LINE_MAX], quoted[TOOL_PATH_MAX * 2], tank[TOOL_PATH_MAX * 2], degc[32];
    char probe[TOOL_PATH_MAX * 2];
    double warm = 25;
    walk_say("Rinse the probe, dab it dry, hang it into the bath, stir gently.");
    enum walk_reply reply = walk_word(w, "Which bath?", b->fallback[baths < 3 ? baths : 2], point);
    if (reply != WALK_YES) return reply;
    reply = walk_number(w, "How many degrees C does the bath have?", 0, 50, warm, &warm);
    if (reply != WALK_YES) return reply;
    (void)snprintf(degc, sizeof degc, "%.1f", warm);
    const char *const members[] = { "tank", tool_quote(tank, b->tank), "probe",
        tool_quote(probe, b->probe), "point", tool_quote(quoted, point), "degc", degc, NULL };
    if (walk_ask(w, "calibrate-probe", members)) (void)walk_wait(w, b->tank, SETTLE_MOST_S);
    return w->code == TOOL_GO_ON ? WALK_YES : WALK_LEAVE;
}

static enum walk_reply bathe(struct walk *w, const struct bathing *b)
{
    char date[WALK_LINE_MAX], question[WALK_LINE_MAX];
    int baths = baths_of(w, b, date);
    if (w->code != TOOL_GO_ON) return WALK_LEAVE;
    printf("\n-- %s, calibrated: %.10s\n", b->probe, date[0] ? date : "never");
    (void)snprintf(question, sizeof question, "Calibrate %s now%s?", b->probe,
        baths > 0 ? " (it goes on after the bath that was taken)" : "");
    enum walk_reply reply = walk_confirm(w, question);
    for (int n = 0; reply == WALK_YES && n < BATHS_MOST; n++) {
        reply = one_bath(w, b, baths);
        baths = baths_of(w, b, date);
        if (w->code != TOOL_GO_ON || reply == WALK_LEAVE) return WALK_LEAVE;
        if (reply == WALK_YES) reply = walk_confirm(w, "Another bath? (s: done with this probe)");
    }
    return reply;
}

enum walk_reply commission_probes(struct walk *w, const char *tank)
{
    const struct bathing ph = { tank, "ph", { "technical-7", "technical-4", "technical-10" } };
    const struct bathing ec = { tank, "ec", { "1413", "2765", "12880" } };
    walk_head("Probes in their baths");
    walk_say(
        "Baths: technical-4, technical-7, technical-10, phthalate, phosphate, borax, carbonate, or "
        "the pH on the bottle for the bath's temperature; for EC 1413, 2765 or 12880. Fresh from "
        "the bottle, never back into it.");
    const enum walk_reply reply = bathe(w, &ph);
    return reply == WALK_LEAVE ? reply : bathe(w, &ec);
}
