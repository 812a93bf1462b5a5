#include "daemon/journal/journal_segment.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "lib/base/calendar.h"
#include "lib/base/text.h"

static const char prefix[] = "journal-";
static const char suffix[] = ".jsonl";

enum { DATE_LENGTH = 10, NUMBER_DIGITS = 9, ROOM_STEP = 64 };

/* 9999-12-31 */
static const int64_t DAY_LAST = 2932896;

int64_t segment_day(struct civil at)
{
    const int64_t day = at.ms < 0 ? 0 : at.ms / DAY_MS;
    return day > DAY_LAST ? DAY_LAST : day;
}

void segment_name(char ret[SEGMENT_NAME_MAX], const struct segment *segment)
{
    char date[32];
    struct text d = text_over(date, sizeof date), t = text_over(ret, SEGMENT_NAME_MAX);
    text_add_civil(&d, (struct civil){ segment->day * DAY_MS });
    text_add(&t, prefix);
    text_add_bytes(&t, date, DATE_LENGTH);
    if (segment->number > 1) text_add_int(&t, -segment->number);
    text_add(&t, suffix);
}

/* "" is 1, "-2" is 2; "-1", "-02" are no numbers. */
static bool read_number(int64_t *ret, const char *s, size_t length)
{
    *ret = 1;
    if (length == 0) return true;
    if (s[0] != '-' || length < 2 || length > NUMBER_DIGITS + 1 || s[1] == '0') return false;
    int64_t value = 0;
    for (size_t i = 1; i < length; i++) {
        if (s[i] < '0' || s[i] > '9') return false;
        value = value * 10 + (s[i] - '0');
    }
    *ret = value;
    return value >= 2;
}

bool segment_read_name(struct segment *ret, const char *name)
{
    const size_t length = strlen(name), ends = sizeof suffix - 1, starts = sizeof prefix - 1;
    if (length < starts + DATE_LENGTH + ends || length >= SEGMENT_NAME_MAX) return false;
    if (memcmp(name, prefix, starts) != 0) return false;
    if (memcmp(name + length - ends, suffix, ends) != 0) return false;
    char date[DATE_LENGTH + 1];
    memcpy(date, name + starts, DATE_LENGTH);
    date[DATE_LENGTH] = '\0';
    struct civil midnight;
    struct segment segment = { .day = 0 };
    if (!calendar_read_date(&midnight, date)) return false;
    const size_t number = starts + DATE_LENGTH;
    if (!read_number(&segment.number, name + number, length - ends - number)) return false;
    segment.day = midnight.ms / DAY_MS;
    *ret = segment;
    return true;
}

bool segments_add(struct segments *s, const struct segment *segment)
{
    if (s->count == SEGMENTS_MAX) return false;
    if (s->count == s->room) {
        struct segment *more = realloc(s->item, (s->room + ROOM_STEP) * sizeof *more);
        if (!more) return false;
        s->item = more;
        s->room += ROOM_STEP;
    }
    s->item[s->count++] = *segment;
    return true;
}

void segments_drop(struct segments *s, size_t count)
{
    if (count == 0) return;
    s->count -= count;
    memmove(s->item, s->item + count, s->count * sizeof *s->item);
}

void segments_free(struct segments *s)
{
    free(s->item);
    *s = (struct segments){ 0 };
}

static int by_order(const void *a, const void *b)
{
    const struct segment *x = a, *y = b;
    if (x->day != y->day) return x->day < y->day ? -1 : 1;
    return x->number < y->number ? -1 : x->number > y->number;
}

/* Until the end of the directory; errno tells afterwards whether reading it failed. */
static enum err take_names(struct segments *ret, DIR *dir, struct problem *problem)
{
    for (;;) {
        errno = 0;
        const struct dirent *entry = readdir(dir);
        if (!entry) break;
        struct segment segment;
        if (!segment_read_name(&segment, entry->d_name)) continue;
        if (!segments_add(ret, &segment))
            return problem_set(problem, ERR_FULL, "", "there are too many segments");
    }
    return errno == 0 ? ERR_NONE : problem_set(problem, ERR_IO, "", strerror(errno));
}

enum err segments_list(struct segments *ret, int dir_fd, struct problem *problem)
{
    *ret = (struct segments){ 0 };
    const int fd = openat(dir_fd, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    DIR *dir = fd < 0 ? NULL : fdopendir(fd);
    if (!dir) {
        const enum err err = problem_set(problem, ERR_IO, "", strerror(errno));
        if (fd >= 0) close(fd);
        return err;
    }
    const enum err err = take_names(ret, dir, problem);
    closedir(dir);
    if (err != ERR_NONE)
        segments_free(ret);
    else if (ret->count > 0)
        qsort(ret->item, ret->count, sizeof *ret->item, by_order);
    return err;
}

struct segment segments_next(const struct segments *s, struct civil at)
{
    struct segment next = { .day = segment_day(at), .number = 1 };
    if (s->count == 0 || s->item[s->count - 1].day < next.day) return next;
    next.day = s->item[s->count - 1].day;
    next.number = s->item[s->count - 1].number + 1;
    return next;
}
