#include "daemon/base/log.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"

enum { LINE_MAX_BYTES = 1024, SHOWN_MAX_BYTES = 2048, CODE_BYTES = 5 };

static enum log_level quietest = LOG_TOLD;

void log_quieter_than(enum log_level level)
{
    quietest = level;
}

/* Does a terminal act on it? Control characters, and in UTF-8 those of 0x80 to 0x9f. */
static size_t control_length(const char *s)
{
    const unsigned char c = (unsigned char)s[0];
    if (c < 0x20 || c == 0x7f) return 1;
    return c == 0xc2 && (unsigned char)s[1] >= 0x80 && (unsigned char)s[1] < 0xa0 ? 2 : 0;
}

/* Whoever puts foreign text into a line quotes it. This is for the day on which somebody forgot: a
 * line stays one line, and says nothing to a terminal. */
static void show_one_line(struct text *t, const char *s)
{
    while (*s && t->length + CODE_BYTES < t->size) {
        const size_t control = control_length(s);
        if (control > 0) {
            text_add(t, "\\x");
            text_add_hex(t, (const uint8_t *)s, control);
        } else {
            text_add_char(t, *s);
        }
        s += control > 0 ? control : 1;
    }
}

void log_line(enum log_level level, const char *text)
{
    char shown[SHOWN_MAX_BYTES];
    if (level > quietest) return;
    struct text t = text_over(shown, sizeof shown);
    show_one_line(&t, text);
    if (getenv("JOURNAL_STREAM"))
        fprintf(stderr, "<%d>%s\n", (int)level, shown);
    else
        fprintf(stderr, "%s\n", shown);
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

void log_problems(enum log_level level, const struct problem_list *list)
{
    for (uint32_t i = 0; i < list->count; i++) {
        log_format(level, "%s: %s", list->item[i].where, list->item[i].text);
    }
    if (list->more > 0) log_format(level, "... and %u more", list->more);
}
