#include "daemon/log.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#include "lib/base/invariant.h"

enum { LINE_MAX_BYTES = 1024 };

static enum log_level quietest = LOG_TOLD;

void log_quieter_than(enum log_level level)
{
    quietest = level;
}

void log_line(enum log_level level, const char *text)
{
    if (level > quietest) return;
    if (getenv("JOURNAL_STREAM"))
        fprintf(stderr, "<%d>%s\n", (int)level, text);
    else
        fprintf(stderr, "%s\n", text);
}

void log_format(enum log_level level, const char *format, ...)
{
    char line[LINE_MAX_BYTES];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(line, sizeof line, format, arguments);
    va_end(arguments);
    log_line(level, line);
}
