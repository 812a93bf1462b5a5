/* What the journal's own files share. Private to the journal. */
#ifndef DOSEWRIGHT_DAEMON_JOURNAL_INSIDE_H
#define DOSEWRIGHT_DAEMON_JOURNAL_INSIDE_H

#include "daemon/journal/journal_file.h"
#include "daemon/journal/journal_scan.h"
#include "daemon/journal/journal_segment.h"
#include "daemon/journal/journal_sync.h"

enum {
    JOURNAL_BOOT_MAX = 64,
    JOURNAL_RESERVE_BYTES = 64 * 1024,
    JOURNAL_KEEP_DAYS_LEAST = 2, /* the limits of a day need the records of the day before */
};

struct journal {
    char *dir; /* for words: files are opened below dir_fd */
    char boot[JOURNAL_BOOT_MAX];
    int dir_fd, lock_fd;
    int fd;             /* of the newest segment; the sync thread closes it */
    int64_t bytes;      /* of it: the end of its last whole record */
    struct mono opened; /* when it was opened */
    struct mono retry;  /* no new segment is tried before this */
    int64_t keep_days;
    struct segments segments; /* the last one is being written */
    struct link_tip tip;
    struct journal_sync *sync;
    bool turned;
    bool full;      /* the reserve is gone: records are taken, but journal_failed says so */
    bool latched;   /* no more records */
    bool cut_short; /* ... for want of room, and the file ends with a whole record */
    struct mono room_asked;
    struct problem problem;
};

/* --- journal_dir.c: the directory and what is in it beside the segments ------------------------
 */

/* The file in it that its owner locks. */
extern const char journal_lock_name[];

/* A file in the directory while a backup is put back: nobody opens it meanwhile, nor if that was
 * cut off. */
extern const char journal_mark_name[];

/* ERR_BUSY when it is there. */
enum err journal_dir_look_for_mark(const struct journal *j, struct problem *problem)
    __attribute__((warn_unused_result));

/* Opens (makes, if only the last folder is missing) and locks the directory. */
enum err journal_dir_open(struct journal *j, struct problem *problem)
    __attribute__((warn_unused_result));

/* Room that is given up when the disk is full, so that what is under way can still be recorded.
 * Making it gives 0, or the errno. */
int journal_reserve_make(const struct journal *j);
bool journal_reserve_give_up(const struct journal *j);

/* Copies a torn tail to "<segment>.torn-<n>" and cuts it off; its name, and the SHA-256 of what was
 * cut. */
struct journal_tail {
    char kept_as[SEGMENT_NAME_MAX + 16];
    char sha256[LINK_HASH_HEX];
};
enum err journal_dir_set_aside(struct journal *j, const struct segment *segment, int64_t at,
    struct journal_tail *ret, struct problem *problem) __attribute__((warn_unused_result));

/* --- journal_turn.c: from one segment to the next ----------------------------------------------
 */

/* At opening: goes on in the newest segment; begins a new one. Both may wait for the disk. */
enum err journal_turn_resume(struct journal *j, struct now now, struct problem *problem)
    __attribute__((warn_unused_result));
enum err journal_turn_begin(struct journal *j, struct now now, struct problem *problem)
    __attribute__((warn_unused_result));

/* Begins a new segment, and prunes, if it is time. */
void journal_turn_if_due(struct journal *j, struct now now);

/* Removes what is older than keep_days, once a record says so. */
void journal_turn_prune(struct journal *j, struct now now);

/* --- journal_file.c ----------------------------------------------------------------------------
 */

/* Seals and writes, into whatever segment is open. */
enum err journal_put(struct journal *j, struct record *r, struct now now, int64_t *ret_seq,
    struct text *line, struct problem *problem) __attribute__((warn_unused_result));

/* ERR_IO at "<dir>/<file>" ("<dir>" when file is ""): what, and the words of an errno. */
enum err journal_errno(
    struct problem *problem, const char *dir, const char *file, const char *what, int error);

#endif
