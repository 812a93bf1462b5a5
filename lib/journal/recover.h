/* Placing old records on today's line of time. Within one boot the monotonic clock tells the age of
 * a record exactly. Across a boot the downtime counts as zero unless the civil clock was synced
 * both at the last record before and at the first one after, and hadn't gone back before: a clock
 * that is an hour slow, says that it is synced, and is set right while nothing runs makes no hour
 * of it. A clock that jumps never gives back a limit.
 *
 * Feed every record's header in order; then ask for the age of any instant seen. */
#ifndef DOSEWRIGHT_JOURNAL_RECOVER_H
#define DOSEWRIGHT_JOURNAL_RECOVER_H

#include "lib/base/units.h"

enum { RECOVER_BOOT_MAX = 40 };

struct recover_line {
    bool started;
    char boot[RECOVER_BOOT_MAX]; /* of the newest record */
    struct now last;             /* of the newest record */
    int64_t base_ms;             /* position of this boot's zero on the line */
    int64_t place_ms;            /* position of the newest record */
    bool has_synced;             /* a record was made by a synced clock */
    int64_t synced_ahead_ms;     /* how far that clock was ahead of the line, at the newest such */
    bool follows;                /* the time since that one is known */
    int64_t behind_ms;           /* ... and was behind where it has been, at least */
};

/* Knows nothing yet. */
void recover_init(struct recover_line *line);

/* The position of a record on the line (milliseconds, starts anywhere, never runs backwards). */
int64_t recover_place(struct recover_line *line, const char *boot, struct now at);

/* After the last record: what to add to a position to have it as an instant of the running clock.
 */
int64_t recover_shift(const struct recover_line *line, const char *boot, struct now now);

#endif
