#include <stdio.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/commission/commission.h"
#include "daemon/tool/cmd.h"
#include "daemon/tool/tool_show.h"

static const char usage[] =
    "usage: dosewright commission [TANK [PART]] [--socket PATH]\n"
    "\n"
    "Walks you through a new site, one tank, or one part of it, with the daemon running. A site\n"
    "begins with its broker, its chains, which pump is which, and each supply under load; then\n"
    "each tank has these parts:\n"
    "\n"
    "  water          are the probes alive\n"
    "  circulation    how much flows, into a bucket (the tank goes on the bench)\n"
    "  pumps          lines primed, pumps calibrated (the tank goes on the bench)\n"
    "  probes         pH and EC in their baths (the tank goes on the bench)\n"
    "  dose           a first dose, and what it did\n"
    "\n"
    "Have water in the bottles until lines and pumps are tried. Goggles and gloves before a line\n"
    "with acid or base is opened.\n"
    "\n"
    "Leave it with q or Ctrl-C and begin again where you like: what was found is kept by the\n"
    "daemon, what you asked for and is under way is cancelled, nothing moves by itself, and a\n"
    "tank that is on the bench stays there until 'dosewright ask bench TANK off'.\n";

static enum walk_reply on_the_bench(
    struct walk *w, const char *tank, enum walk_reply (*step)(struct walk *w, const char *tank))
{
    if (commission_bench(w, tank, true) != WALK_YES) return WALK_LEAVE;
    if (step(w, tank) == WALK_LEAVE) {
        if (w->code == EX_OK || walk_interrupted(w)) walk_say("%s stays on the bench.", tank);
        return WALK_LEAVE;
    }
    return commission_bench(w, tank, false);
}

static enum walk_reply walk_circulation(struct walk *w, const char *tank)
{
    return on_the_bench(w, tank, commission_circulation);
}

static enum walk_reply walk_pumps(struct walk *w, const char *tank)
{
    return on_the_bench(w, tank, commission_pumps);
}

static enum walk_reply walk_probes(struct walk *w, const char *tank)
{
    return on_the_bench(w, tank, commission_probes);
}

static const struct part {
    const char *word, *question;
    enum walk_reply (*walk)(struct walk *w, const char *tank);
} parts[] = {
    { "water", "Look at its probes?", commission_water },
    { "circulation", "Measure its circulation?", walk_circulation },
    { "pumps", "Prime its lines and calibrate its pumps?", walk_pumps },
    { "probes", "Calibrate its probes?", walk_probes },
    { "dose", "Give a first dose?", commission_dose },
};

enum { PARTS = sizeof parts / sizeof *parts };

static enum walk_reply walk_through(struct walk *w, const char *tank)
{
    char question[WALK_LINE_MAX];
    for (size_t i = 0; i < PARTS; i++) {
        (void)snprintf(question, sizeof question, "\n%s: %s", tank, parts[i].question);
        enum walk_reply reply = walk_confirm(w, question);
        if (reply == WALK_YES) reply = parts[i].walk(w, tank);
        if (reply == WALK_LEAVE) return WALK_LEAVE;
    }
    return WALK_YES;
}

static enum walk_reply walk_site(struct walk *w)
{
    if (commission_broker(w) == WALK_LEAVE || commission_chains(w) == WALK_LEAVE ||
        commission_power(w) == WALK_LEAVE)
        return WALK_LEAVE;
    cJSON *status = walk_status_whole(w);
    if (!status) return WALK_LEAVE;
    enum walk_reply reply = WALK_YES;
    const cJSON *tank;
    cJSON_ArrayForEach(tank, show_member(status, "tanks"))
    {
        reply = walk_through(w, show_string(tank, "key"));
        if (reply == WALK_LEAVE) break;
    }
    cJSON_Delete(status);
    return reply;
}

static const struct part *part_named(const char *word)
{
    for (size_t i = 0; i < PARTS; i++) {
        if (strcmp(parts[i].word, word) == 0) return &parts[i];
    }
    return NULL;
}

int cmd_commission(int argc, char **argv)
{
    struct tool tool = { .usage = usage };
    const int code = tool_read(&tool, argc, argv);
    if (code != TOOL_GO_ON) return code;
    const struct part *part = tool.count == 2 ? part_named(tool.word[1]) : NULL;
    if (tool.json) return tool_misused(&tool, "a walk has no JSON: the requests are in tools.md");
    if (tool.count > 2) return tool_misused(&tool, "it takes one TANK, and one PART of it");
    if (tool.count == 2 && !part)
        return tool_misused_word(
            &tool, "PART is water, circulation, pumps, probes or dose, not", tool.word[1]);
    struct walk walk = { .tool = &tool, .code = TOOL_GO_ON, .signals = -1 };
    enum walk_reply reply;
    if (tool.count == 0) {
        reply = walk_site(&walk);
    } else {
        cJSON *tank = walk_tank(&walk, tool.word[0]);
        if (!tank) return walk.code;
        cJSON_Delete(tank);
        reply = part ? part->walk(&walk, tool.word[0]) : walk_through(&walk, tool.word[0]);
    }
    if (reply != WALK_LEAVE) puts("\nThat was all. 'dosewright status' shows how it stands.");
    return walk.code == TOOL_GO_ON ? EX_OK : walk.code;
}
