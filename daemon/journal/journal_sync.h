/* The thread that syncs. It alone waits for the disk: the loop writes a record into the page cache,
 * says so here, and hears through an eventfd when the record is on disk. It also does what else of
 * the journal's work has to wait for a disk: the directory entry of a new segment, closing the old
 * one, removing pruned ones. Private to the journal.
 *
 * The first sync that fails is the last one: after it the kernel has marked the pages clean, and a
 * second try would say yes to records that were never written. */
#ifndef DOSEWRIGHT_DAEMON_JOURNAL_SYNC_H
#define DOSEWRIGHT_DAEMON_JOURNAL_SYNC_H

#include "daemon/journal/journal_segment.h"
#include "lib/base/problem.h"

struct journal_sync;

/* 'dir_fd' stays the caller's. */
enum err journal_sync_open(struct journal_sync **ret, int dir_fd, struct problem *problem)
    __attribute__((warn_unused_result));

/* Finishes what is asked for, ends the thread, closes the segments. NULL is fine. */
void journal_sync_close(struct journal_sync *s);

/* From now on records go to 'fd', a segment of which the thread takes care (it closes it, too). The
 * former one is synced before it. While the turn before isn't over, it waits, and then does it; or,
 * without 'wait', it does nothing, and says false. */
bool journal_sync_turn(struct journal_sync *s, int fd, bool wait);

/* Records up to 'seq' have been written. */
void journal_sync_want(struct journal_sync *s, int64_t seq);

/* Once the record 'seq' is on disk, these segments are to be removed, the first one first. False
 * when there is no memory: nothing was done. Only while journal_sync_can_remove: no earlier removal
 * is under way, and none has failed (the next one would leave a hole). */
bool journal_sync_can_remove(struct journal_sync *s);
bool journal_sync_remove(
    struct journal_sync *s, const struct segment *segment, size_t count, int64_t seq);

/* The highest seq on disk; also empties the descriptor. */
int64_t journal_sync_done(struct journal_sync *s);

/* 0, or the errno of the sync that failed. */
int journal_sync_error(struct journal_sync *s);

/* Readable when either of these may have changed, or after journal_sync_poke. */
int journal_sync_descriptor(const struct journal_sync *s);
void journal_sync_poke(struct journal_sync *s);

#endif
