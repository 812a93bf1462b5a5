/* The journal on disk: a directory of segments, one a day (UTC), each a file of JSON Lines. One
 * owner (a lock on the directory). Records are written at once and synced by a thread of their own,
 * so that the loop never waits for a disk: journal_synced says how far the disk has come. */
#ifndef DOSEWRIGHT_DAEMON_JOURNAL_FILE_H
#define DOSEWRIGHT_DAEMON_JOURNAL_FILE_H

#include "lib/base/problem.h"
#include "lib/journal/link.h"
#include "lib/journal/record.h"

/* Version of what is written (docs/journal.md, Versions). Older ones are read, and gone on from in
 * a segment of this version; a newer one is refused. */
enum { JOURNAL_FORMAT = 2 };

struct journal;

/* Called for each record in order, with the line as it is on disk (no line feed). */
typedef void (*journal_visit)(void *context, const struct record *record, const char *line);

struct journal_options {
    const char *dir;
    int64_t keep_days;
    const char *boot;
    struct now now;
};

struct journal_report { /* what was found */
    int64_t records, segments;
    struct link_tip tip; /* of the newest good record */
    bool torn;           /* the last line was cut short; opening has set it aside */
    int64_t torn_bytes;
    bool damaged; /* something else is wrong; 'problem' tells the first; nothing was changed. When
                     opening: something that no 'damage' record tells of yet */
    struct problem problem;
};

/* Locks the directory (made if only the last folder is missing; ERR_BUSY when another process has
 * it; ERR_RANGE when a newer program wrote it: nothing is changed then), reads and verifies every
 * record, repairs a torn tail (kept beside it, and noted in a 'recovery' record), opens today's
 * segment for appending, removes segments older than keep_days (at least 2; noted in a 'pruned'
 * record). A damaged journal is reported in 'report', 'visit' still gets every record that fits its
 * own hash, and a new segment is begun with a 'damage' record. */
enum err journal_open(struct journal **ret, const struct journal_options *options,
    journal_visit visit, void *context, struct journal_report *report, struct problem *problem)
    __attribute__((warn_unused_result));
void journal_close(struct journal *j); /* syncs first; NULL is fine */

/* Other keep_days from now on: what is older than these is removed at once. */
void journal_keep(struct journal *j, int64_t keep_days, struct now now);

/* Seals and writes one record. *ret_seq is what journal_synced must reach before the deed. 'line'
 * (may be NULL) gets the line without its line feed. On ERR_IO the journal is latched: it takes no
 * more records, and journal_failed tells why. ERR_FULL: this record doesn't fit a line; it wasn't
 * written, so what it describes must not be done. */
enum err journal_append(struct journal *j, struct record *r, struct now now, int64_t *ret_seq,
    struct text *line, struct problem *problem) __attribute__((warn_unused_result));

/* Readable when journal_synced may have moved, or the journal failed. Reading it is done inside. */
int journal_descriptor(const struct journal *j);
int64_t journal_synced(struct journal *j);

/* Nothing may be begun any more: the journal is latched; or the disk is full and the last records
 * are being written into the room kept for them (journal_append still takes them). For good, until
 * it is opened anew, or journal_recovered. */
bool journal_failed(struct journal *j, struct problem *problem);

/* True once when a full disk has room again (looked for every 10 s): records are taken and deeds
 * may follow them. What a disk refused to sync stays refused. Then journal_turned is true, too. */
bool journal_recovered(struct journal *j, struct now now);

/* Of the newest record that was taken. */
struct link_tip journal_tip(const struct journal *j);

/* True once after a new segment was begun: the core's carry records are wanted. */
bool journal_turned(struct journal *j);

/* Reads without a lock and changes nothing: for verify and show. ERR_RANGE as above. */
enum err journal_scan(const char *dir, journal_visit visit, void *context,
    struct journal_report *report, struct problem *problem) __attribute__((warn_unused_result));

/* Called for each line (without its line feed); false: no more. */
typedef bool (*journal_line)(void *context, const char *line);

/* The records from seq 'from' to 'to' as they are on disk, without a lock and without a look at
 * their hashes; those that aren't there are passed over. From any thread, beside a journal that is
 * being written. ERR_IO when the directory can't be read. */
enum err journal_read(const char *dir, int64_t from, int64_t to, journal_line line, void *context,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
