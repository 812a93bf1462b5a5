#include "daemon/tool/cmd.h"
#include "daemon/tool/tool.h"

enum { VERDICT_MS = 60 * 1000 };

static const char usage[] =
    "usage: dosewright reload [--socket PATH] [--json]\n"
    "\n"
    "The daemon reads its configuration again and takes it over whole, at the next point where no\n"
    "dose is under way; or it keeps the former one and says all that is wrong. Waits up to 60 s "
    "for\n"
    "that verdict. 'dosewright check FILE' tells the same beforehand.\n";

int cmd_reload(int argc, char **argv)
{
    struct tool tool = { .usage = usage };
    const int code = tool_read(&tool, argc, argv);
    if (code != TOOL_GO_ON) return code;
    if (tool.count != 0) return tool_misused(&tool, "reload takes no names");
    return tool_ask(
        &tool, "{\"call\":\"reload\"}", VERDICT_MS, "The new configuration is in force.");
}
