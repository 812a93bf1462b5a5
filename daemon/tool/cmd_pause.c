#include <string.h>

#include "daemon/tool/cmd.h"
#include "daemon/tool/tool.h"

static const char pause_usage[] =
    "usage: dosewright pause TANK [--socket PATH] [--json]\n"
    "\n"
    "The scheduler doses this tank no more until 'dosewright unpause TANK', over restarts too. A\n"
    "dose under way is finished, and circulation may go on. Requests by hand still work. With "
    "hands\n"
    "in the tank, or to change its water, use 'dosewright ask service TANK on' instead; where\n"
    "something goes wrong, 'dosewright halt'.\n";

static const char unpause_usage[] = "usage: dosewright unpause TANK [--socket PATH] [--json]\n"
                                    "\n"
                                    "Lets the scheduler dose this tank again.\n";

int cmd_pause(int argc, char **argv)
{
    const bool on = strcmp(argv[0], "unpause") != 0;
    struct tool tool = { .usage = on ? pause_usage : unpause_usage };
    const int code = tool_read(&tool, argc, argv);
    if (code != TOOL_GO_ON) return code;
    if (tool.count != 1) return tool_misused(&tool, "one tank is wanted");

    char line[TOOL_LINE_MAX], tank[TOOL_PATH_MAX * 2];
    const char *const members[] = { "tank", tool_quote(tank, tool.word[0]), "on",
        on ? "true" : "false", NULL };
    if (!tool_request(line, "pause", members)) return tool_misused(&tool, "the name is too long");
    return tool_ask(&tool, line, TOOL_WAIT_MS,
        on ? "Paused. 'dosewright unpause' lets it dose again." : "It may dose again.");
}
