/* Between cmd_status.c, which asks and shows once, and cmd_status_watch.c, which does so again and
 * again. */
#ifndef DOSEWRIGHT_DAEMON_CMD_STATUS_H
#define DOSEWRIGHT_DAEMON_CMD_STATUS_H

#include <stdio.h>

#include "daemon/tool/tool.h"

struct status_tool {
    struct tool tool;
    bool brief;
};

/* Leaves only the tanks that were named on the command line, if any were. False when one of them
 * isn't there, which has been said on 'complain'. */
bool status_choose(const struct status_tool *s, cJSON *answer, FILE *complain);

/* Writes an answer as the options say. */
void status_put(const struct status_tool *s, const cJSON *answer, FILE *out);

/* Shows it every 2 seconds until a signal ends it: on a terminal in place, elsewhere one after the
 * other. A daemon that doesn't answer is waited for. Gives the exit code. */
int status_watch(struct status_tool *s);

#endif
