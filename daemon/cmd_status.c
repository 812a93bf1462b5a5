#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/cmd.h"
#include "daemon/door.h"
#include "daemon/tool.h"
#include "daemon/tool_show.h"

enum { WATCH_MS = 2000, PAGES_MAX = SITE_TANKS_MAX };

static const char usage[] =
    "usage: dosewright status [TANK ...] [--watch] [--socket PATH] [--json]\n"
    "\n"
    "Shows what each tank is doing and why, its readings against the setpoints, what was\n"
    "dosed, alerts, bottles, chains and the daemon itself.\n"
    "\n"
    "  TANK           only these tanks\n"
    "  --watch        again every 2 seconds, until Ctrl-C\n"
    "  --json         the daemon's answer as it is, one line\n"
    "  --socket PATH  the daemon's socket; else $DOSEWRIGHT_SOCKET, else the only one in\n"
    "                 /run/dosewright\n";

/* Moves the tanks of a further page to the first. */
static void join_tanks(cJSON *answer, cJSON *page)
{
    cJSON *all = cJSON_GetObjectItemCaseSensitive(answer, "tanks");
    cJSON *more = cJSON_GetObjectItemCaseSensitive(page, "tanks");
    while (cJSON_IsArray(all) && cJSON_GetArraySize(more) > 0) {
        cJSON_AddItemToArray(all, cJSON_DetachItemFromArray(more, 0));
    }
    cJSON_DeleteItemFromObjectCaseSensitive(answer, "next");
    cJSON *next = cJSON_DetachItemFromObjectCaseSensitive(page, "next");
    if (next) cJSON_AddItemToObject(answer, "next", next);
}

/* The whole status, page by page; NULL with the exit code when the daemon didn't give it. */
static cJSON *ask_status(struct tool *tool, int *ret_code)
{
    cJSON *answer = tool_call(tool, "{\"call\":\"status\"}", TOOL_WAIT_MS, NULL, ret_code);
    double from = 0;
    for (int page = 0; answer && page < PAGES_MAX; page++) {
        const double next = show_number(answer, "next");
        if (!(next > from)) break;
        from = next;
        char line[64];
        struct text t = text_over(line, sizeof line);
        text_add(&t, "{\"call\":\"status\",\"from\":");
        text_add_real(&t, from, 0);
        text_add_char(&t, '}');
        cJSON *more = tool_call(tool, line, TOOL_WAIT_MS, NULL, ret_code);
        if (more) {
            join_tanks(answer, more);
            cJSON_Delete(more);
        } else {
            cJSON_Delete(answer);
            answer = NULL;
        }
    }
    return answer;
}

static const cJSON *find_tank(const cJSON *answer, const char *key)
{
    const cJSON *tank;
    cJSON_ArrayForEach(tank, show_member(answer, "tanks"))
    {
        if (strcmp(show_string(tank, "key"), key) == 0) return tank;
    }
    return NULL;
}

static int show_some(const struct tool *tool, const cJSON *answer)
{
    int code = EX_OK;
    for (int i = 0; i < tool->count; i++) {
        const cJSON *tank = find_tank(answer, tool->word[i]);
        if (tank) {
            show_tank(stdout, tank, show_string(answer, "time"));
        } else {
            fprintf(stderr, "dosewright: there is no tank '%s'; 'dosewright status' lists them\n",
                tool->word[i]);
            code = 1;
        }
    }
    return code;
}

static int show_once(struct tool *tool)
{
    int code;
    cJSON *answer = ask_status(tool, &code);
    if (!answer) return code;
    if (tool->json) {
        char *printed = cJSON_PrintUnformatted(answer);
        if (printed) puts(printed);
        free(printed);
    } else if (code == EX_OK && tool->count > 0) {
        code = show_some(tool, answer);
    } else if (code == EX_OK) {
        show_status(stdout, answer);
    } else {
        fputs("dosewright: the daemon refused to show its status\n", stderr);
    }
    cJSON_Delete(answer);
    return code;
}

int cmd_status(int argc, char **argv)
{
    bool watch = false;
    const struct tool_option options[] = { { "--watch", NULL, &watch }, { NULL, NULL, NULL } };
    struct tool tool = { .usage = usage, .option = options };
    int code = tool_read(&tool, argc, argv);
    if (code != TOOL_GO_ON) return code;
    do {
        if (watch && isatty(STDOUT_FILENO)) fputs("\033[H\033[2J", stdout);
        code = show_once(&tool);
        if (fflush(stdout) != 0) return EX_IOERR;
        if (watch) poll(NULL, 0, WATCH_MS);
    } while (watch);
    return code;
}
