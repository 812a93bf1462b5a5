/* What a tool finds wrong with a configuration, on standard error, a line for each: its place
 * first, and at the end how many more there are. The daemon itself logs them (log_problems). */
#ifndef DOSEWRIGHT_DAEMON_PROBLEMS_H
#define DOSEWRIGHT_DAEMON_PROBLEMS_H

#include "lib/base/problem.h"

/* "WHERE: TEXT": what it is refused for. */
void problems_say(const struct problem_list *errors);

/* "WHERE: warning: TEXT": what is taken, and unwise. */
void problems_warn(const struct problem_list *unwise);

#endif
