/* Reads a journal's segments from the first to the last and verifies every record. Private to the
 * journal and its command.
 *
 * What doesn't follow is either a torn tail or damage. A tail is torn when the last line of the
 * last file that has anything in it was not written to its end: it has no line feed, or holds NUL
 * bytes where a block never reached the disk. Everything else is damage. Reading goes on after it:
 * the next record that fits its own hash and has a higher seq takes up the chain again. So one bad
 * sector loses what was in it, not every halt, claim and dose since. */
#ifndef DOSEWRIGHT_DAEMON_JOURNAL_SCAN_H
#define DOSEWRIGHT_DAEMON_JOURNAL_SCAN_H

#include "daemon/journal/journal_file.h"
#include "daemon/journal/journal_segment.h"
#include "lib/journal/recover.h"

enum { SCAN_PLACES_MAX = 64, SCAN_BUFFER = 64 * 1024 };

/* A place where the chain is broken: between two good records. */
struct scan_gap {
    int64_t after; /* seq of the last good record before it; 0: none */
    int64_t next;  /* seq of the first good one after it; 0: none */
};

struct scan_place {
    struct scan_gap gap;
    int64_t noted_by;       /* seq of the 'damage' record that tells of it; 0: none */
    struct problem problem; /* where is "journal-2031-04-02.jsonl:17" */
};

struct scan_torn {
    size_t segment;          /* index */
    int64_t line, at, bytes; /* bytes 0: nothing is torn */
    struct problem problem;
};

/* A segment that lies within another file: a backup. */
struct scan_piece {
    int64_t at, bytes;
};

struct journal_scan {
    /* given */
    int dir_fd;                     /* where the segments are; or the one file that holds them */
    const struct scan_piece *piece; /* NULL: each segment is a file of the directory */
    journal_visit visit;            /* NULL: nobody */
    void *context;
    /* found */
    struct segments segments;
    int64_t records;
    struct link_tip tip;
    struct link_tip before; /* where the chain stood before its first record */
    struct scan_torn torn;
    int64_t format;  /* of the newest segment that says so, or 1 */
    uint32_t places; /* at most SCAN_PLACES_MAX are kept */
    struct scan_place place[SCAN_PLACES_MAX];
    /* on the way */
    bool begun, lost; /* has there been anything; is it in the middle of a broken place */
    int64_t pruned_first;
    char pruned_prev[LINK_HASH_HEX];
    uint32_t noted;
    struct {
        struct scan_gap gap;
        int64_t by;
    } note[SCAN_PLACES_MAX];
    struct recover_line time; /* begun_ms of the segments is a position on it */
    size_t segment;
    int64_t segment_size, line;
    struct record record;
    char buffer[SCAN_BUFFER + 1];
};

/* A scan to be filled; NULL when there is no memory. */
struct journal_scan *journal_scan_new(int dir_fd, journal_visit visit, void *context);
void journal_scan_free(struct journal_scan *s); /* NULL is fine */

/* The segments lie in the file 'dir_fd' instead, one piece each. They are added to s->segments
 * before; 'piece' stays the caller's. The file's position is moved. */
void journal_scan_within(struct journal_scan *s, const struct scan_piece *piece);

/* Lists and reads everything. Only what can't be read at all is an error, and what a newer program
 * wrote (ERR_RANGE): that is as if it couldn't be read. */
enum err journal_scan_run(struct journal_scan *s, struct problem *problem)
    __attribute__((warn_unused_result));

/* How many broken places no 'damage' record tells of; the first of them in *ret_first (may be
 * NULL).
 */
uint32_t journal_scan_unnoted(const struct journal_scan *s, const struct scan_place **ret_first);

/* SHA-256 of libcrypto, as lib/journal wants it. */
void journal_sha256(const void *bytes, size_t count, uint8_t ret[LINK_HASH_BYTES]);

#endif
