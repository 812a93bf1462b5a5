#include <stdio.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/tool/cmd.h"
#include "daemon/tool/tool.h"

static const char halt_usage[] =
    "usage: dosewright halt [--socket PATH] [--json]\n"
    "\n"
    "Stops every pump of every chain and keeps them stopped, over restarts of the daemon and of "
    "the\n"
    "chain heads, until 'dosewright release'. This isn't an emergency stop in the sense of a\n"
    "certified one: where people can be hurt, cut the power.\n";

static const char release_usage[] =
    "usage: dosewright release [--socket PATH] [--json]\n"
    "\n"
    "Ends a halt. A halt by a switch at a chain head is ended at that switch.\n";

static int not_taken(int code)
{
    fputs("dosewright: THE HALT WAS NOT TAKEN. To stop the pumps now, cut the chains' supply.\n",
        stderr);
    return code;
}

int cmd_halt(int argc, char **argv)
{
    const bool on = strcmp(argv[0], "release") != 0;
    struct tool tool = { .usage = on ? halt_usage : release_usage };
    const int code = tool_read(&tool, argc, argv);
    if (code != TOOL_GO_ON) return on && code != EX_OK ? not_taken(code) : code;
    if (tool.count != 0 && on)
        return not_taken(
            tool_misused_word(&tool, "it stops everything, so say it without", tool.word[0]));
    if (tool.count != 0)
        return tool_misused_word(&tool, "it ends the whole halt, so say it without", tool.word[0]);
    char line[TOOL_LINE_MAX];
    const char *const members[] = { "on", on ? "true" : "false", NULL };
    if (!tool_request(line, "halt", members)) return tool_misused(&tool, "the request is too long");
    const int answer = tool_ask(&tool, line, TOOL_WAIT_MS, NULL);
    if (answer != 0 && on) return not_taken(answer);
    if (answer == 0 && !tool.json) {
        puts(on ? "Halt: a stop was sent to every chain. The pumps stay stopped until 'dosewright "
                  "release'.\n'dosewright status' shows whether each chain has taken it."
                : "Released: dosing goes on once each chain is ready.");
    }
    return answer;
}
