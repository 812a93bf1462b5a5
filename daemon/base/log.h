/* One line for the operator, to standard error with the journal daemon's <n> priority prefix when
 * systemd reads it. Foreign text is quoted by whoever puts it in; what is left of control
 * characters is shown as \xNN, and a line is cut at 2 KiB. */
#ifndef DOSEWRIGHT_DAEMON_LOG_H
#define DOSEWRIGHT_DAEMON_LOG_H

#include "lib/base/problem.h"
#include "lib/core/action.h"

void log_line(enum log_level level, const char *text);

/* printf-like; one line, cut at 1 KiB. */
void log_format(enum log_level level, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* A line for each, "WHERE: TEXT", and how many more there are. */
void log_problems(enum log_level level, const struct problem_list *list);

/* Lines above this level are left out; LOG_TOLD shows all. */
void log_quieter_than(enum log_level level);

#endif
