/* dosewright status. */
#include "daemon/tool/cmd_status.h"

#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/door/door.h"
#include "daemon/tool/cmd.h"
#include "daemon/tool/tool_show.h"

static const char usage[] =
    "usage: dosewright status [TANK ...] [--brief] [--watch] [--socket PATH] [--json]\n"
    "\n"
    "Shows what each tank is doing and why, its readings against the setpoints, what was\n"
    "dosed, what is due, alerts, bottles, chains and the daemon itself.\n"
    "\n"
    "  TANK           only these tanks\n"
    "  --brief        one line for each tank\n"
    "  --watch        again every 2 seconds, until Ctrl-C; brief when the window is too small.\n"
    "                 A daemon that doesn't answer is waited for\n"
    "  --json         the daemon's answer as it is, one line\n"
    "  --socket PATH  the daemon's socket; else $DOSEWRIGHT_SOCKET, else the only one in\n"
    "                 /run/dosewright\n";

/* --- choosing tanks ----------------------------------------------------------------------------
 */

static bool is_named(const struct tool *tool, const cJSON *tank)
{
    for (int i = 0; i < tool->count; i++) {
        if (strcmp(show_string(tank, "key"), tool->word[i]) == 0) return true;
    }
    return false;
}

static bool has_tank(const cJSON *answer, const char *key)
{
    const cJSON *tank;
    cJSON_ArrayForEach(tank, show_member(answer, "tanks"))
    {
        if (strcmp(show_string(tank, "key"), key) == 0) return true;
    }
    return false;
}

bool status_choose(const struct status_tool *s, cJSON *answer, FILE *complain)
{
    const struct tool *tool = &s->tool;
    bool all = true;
    if (tool->count == 0 || tool->json) return true;
    for (int i = 0; i < tool->count; i++) {
        if (has_tank(answer, tool->word[i])) continue;
        fprintf(complain, "dosewright: there is no tank '%s'; 'dosewright status' lists them\n",
            tool->word[i]);
        all = false;
    }
    cJSON *tanks = cJSON_GetObjectItemCaseSensitive(answer, "tanks");
    for (int i = cJSON_GetArraySize(tanks) - 1; i >= 0; i--) {
        if (!is_named(tool, cJSON_GetArrayItem(tanks, i))) cJSON_DeleteItemFromArray(tanks, i);
    }
    return all;
}

/* --- showing ---------------------------------------------------------------------------------- */

static void put_json(const cJSON *answer, FILE *out)
{
    char *printed = cJSON_PrintUnformatted(answer);
    if (printed) fprintf(out, "%s\n", printed);
    free(printed);
}

void status_put(const struct status_tool *s, const cJSON *answer, FILE *out)
{
    if (s->tool.json) {
        put_json(answer, out);
    } else if (s->brief) {
        show_brief(out, answer);
    } else if (s->tool.count == 0) {
        show_status(out, answer);
    } else {
        const cJSON *tank;
        if (s->tool.quiet) show_heading(out, answer); /* watched: what time is it of? */
        cJSON_ArrayForEach(tank, show_member(answer, "tanks"))
        {
            show_tank(out, tank, show_string(answer, "time"));
        }
    }
}

static int show_once(struct status_tool *s)
{
    int code;
    cJSON *answer = tool_status(&s->tool, &code);
    if (!answer) return code;
    if (code == EX_OK && !status_choose(s, answer, stderr)) code = 1;
    if (code == EX_OK || s->tool.json || cJSON_IsTrue(show_member(answer, "ok")))
        status_put(s, answer, stdout);
    else
        fputs("dosewright: the daemon refused to show its status\n", stderr);
    cJSON_Delete(answer);
    return fflush(stdout) == 0 ? code : EX_IOERR;
}

int cmd_status(int argc, char **argv)
{
    struct status_tool s = { .brief = false };
    bool watch = false;
    const struct tool_option options[] = { { "--watch", NULL, &watch },
        { "--brief", NULL, &s.brief }, { NULL, NULL, NULL } };
    s.tool = (struct tool){ .usage = usage, .option = options };
    const int code = tool_read(&s.tool, argc, argv);
    if (code != TOOL_GO_ON) return code;
    show_set_terminal_here();
    return watch ? status_watch(&s) : show_once(&s);
}
