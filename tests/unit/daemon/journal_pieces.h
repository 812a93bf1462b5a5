/* What tests of changed journals share: the days' files, room for two of them, and where lines
 * begin. */
#ifndef DOSEWRIGHT_TESTS_JOURNAL_PIECES_H
#define DOSEWRIGHT_TESTS_JOURNAL_PIECES_H

#include "tests/unit/daemon/journal_fixture.h"

enum { ROOM = 256 * 1024 };

static const char day_one[] = "journal-2031-04-02.jsonl", day_two[] = "journal-2031-04-03.jsonl",
                  day_three[] = "journal-2031-04-04.jsonl";
static char kept[ROOM];

static inline size_t line_start(const char *bytes, size_t length, int line)
{
    size_t start = 0;
    for (int n = 1; n < line; n++) {
        const char *feed = memchr(bytes + start, '\n', length - start);
        ck_assert_ptr_nonnull(feed);
        start = (size_t)(feed - bytes) + 1;
    }
    return start;
}

/* The text of the newest record's field. */
static inline const char *newest(const char *field)
{
    static char value[600];
    char key[64];
    snprintf(key, sizeof key, "\"%s\":", field);
    const char *start = strstr(last_line, key);
    ck_assert_msg(start != NULL, "%s has no %s", last_line, field);
    start += strlen(key);
    if (*start == '"') start++;
    const size_t length = strcspn(start, "\",}");
    memcpy(value, start, length);
    value[length] = '\0';
    return value;
}

#endif
