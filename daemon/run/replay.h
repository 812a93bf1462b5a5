/* Old records, read again for a listener: on a thread of its own, because a disk may be slow and
 * the loop never waits for it, and no faster than the loop takes them. */
#ifndef DOSEWRIGHT_DAEMON_REPLAY_H
#define DOSEWRIGHT_DAEMON_REPLAY_H

#include "lib/base/problem.h"
#include "lib/base/units.h"
#include "lib/journal/record.h"

enum { REPLAY_EVERY_MS = 50, REPLAY_LINES = 10 }; /* so many lines so often */

struct replay;

/* Begins to read the records from 'from' to 'to' of the journal in 'dir'. ERR_IO when the system
 * refuses memory, a socket or a thread. */
enum err replay_open(struct replay **ret, const char *dir, int64_t from, int64_t to,
    struct problem *problem) __attribute__((warn_unused_result));

/* Lets go of it, wherever it is; its thread ends by itself. NULL is fine. */
void replay_close(struct replay *r);

/* The line that is to be shown now; NULL when there is none, or it isn't time. It stays the one
 * until replay_shown. */
const char *replay_line(struct replay *r, struct mono now);
void replay_shown(struct replay *r);

/* When replay_line may have something again. */
struct mono replay_due(const struct replay *r);

/* Has everything been shown? */
bool replay_over(const struct replay *r);

#endif
