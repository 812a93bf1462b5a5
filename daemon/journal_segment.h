/* The files of a journal: their names, their order, and reading one through. */
#ifndef DOSEWRIGHT_DAEMON_JOURNAL_SEGMENT_H
#define DOSEWRIGHT_DAEMON_JOURNAL_SEGMENT_H

#include "daemon/journal_file.h"

enum { SEGMENT_NAME_MAX = 48, SEGMENTS_MAX = 4096, SEGMENT_PATH_MAX = 600 };

/* "journal-2031-04-02.jsonl", and "journal-2031-04-02-002.jsonl" for a second one of that day.
 * Names sort as the chain runs. */
struct segments {
    uint32_t count;
    char (*name)[SEGMENT_NAME_MAX]; /* sorted; freed by segments_free */
};

/* The journal's segments, sorted. */
enum err segments_list(struct segments *ret, const char *dir, struct problem *problem)
    __attribute__((warn_unused_result));
/* An empty list is fine. */
void segments_free(struct segments *s);

/* The name of a new segment: the clock's day, but never before the last one's name. */
void segment_name(char ret[SEGMENT_NAME_MAX], const struct segments *s, struct civil at);

/* The directory and the name. */
void segment_path(char ret[SEGMENT_PATH_MAX], const char *dir, const char *name);

/* Where reading stopped. */
struct segment_end {
    int64_t whole_bytes; /* up to the end of the last good record */
    int64_t bytes;       /* of the file */
    bool bad;            /* there is something after whole_bytes that doesn't verify */
    bool last_line;      /* ... and it is the file's last line */
    int64_t line;        /* its number, from 1 */
};

/* Reads one segment, follows the chain, visits each record. Bad content is told in 'end' and 'why';
 * the error is for files that can't be read. */
enum err segment_read(const char *path, struct link_tip *tip, journal_visit visit, void *context,
    struct segment_end *end, struct problem *why) __attribute__((warn_unused_result));

/* SHA-256 by libcrypto, in the shape that lib/journal wants. */
void segment_hash(const void *bytes, size_t count, uint8_t ret[LINK_HASH_BYTES]);

#endif
