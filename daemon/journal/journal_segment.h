/* The files of a journal: "journal-2031-04-02.jsonl", and "journal-2031-04-02-2.jsonl", "-3" and so
 * on for further ones under the same date. Sorted by date, then by number, they are in the order in
 * which they were written: a new one never gets a date before the newest one's. Private to the
 * journal. */
#ifndef DOSEWRIGHT_DAEMON_JOURNAL_SEGMENT_H
#define DOSEWRIGHT_DAEMON_JOURNAL_SEGMENT_H

#include "lib/base/problem.h"
#include "lib/journal/link.h"

enum { SEGMENT_NAME_MAX = 48, SEGMENTS_MAX = 1 << 20 };

struct segment {
    int64_t day;                    /* of its name, since 1970-01-01 */
    int64_t number;                 /* 1 for the first of a date */
    int64_t first_seq;              /* of its first good record; 0: none is known */
    char first_prev[LINK_HASH_HEX]; /* that record's prev */
    int64_t begun_ms; /* when, on the running clock; before its first record: unknown */
};

struct segments { /* in order; the array is on the heap */
    size_t count, room;
    struct segment *item;
};

/* Reads the directory; what isn't named like a segment is passed over. */
enum err segments_list(struct segments *ret, int dir_fd, struct problem *problem)
    __attribute__((warn_unused_result));
void segments_free(struct segments *s);

/* Appends; false when there is no memory, or are SEGMENTS_MAX already. */
bool segments_add(struct segments *s, const struct segment *segment);

/* Forgets the oldest 'count'. */
void segments_drop(struct segments *s, size_t count);

/* What a new one would be called at this time of day. */
struct segment segments_next(const struct segments *s, struct civil at);

/* The UTC day of an instant, kept within the years 1970 to 9999. */
int64_t segment_day(struct civil at);

/* A segment's file name, and back; false when the name is none. */
void segment_name(char ret[SEGMENT_NAME_MAX], const struct segment *segment);
bool segment_read_name(struct segment *ret, const char *name);

#endif
