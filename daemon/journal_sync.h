/* A thread that does nothing but fdatasync, so that the loop never waits for a disk. */
#ifndef DOSEWRIGHT_DAEMON_JOURNAL_SYNC_H
#define DOSEWRIGHT_DAEMON_JOURNAL_SYNC_H

#include "lib/base/problem.h"

struct journal_sync;

/* Starts the thread. ERR_IO when it or its memory can't be had. */
enum err journal_sync_open(struct journal_sync **ret, struct problem *problem)
    __attribute__((warn_unused_result));

/* Finishes what was asked for and ends the thread; NULL is fine. */
void journal_sync_close(struct journal_sync *s);

/* Everything up to 'seq' has been written to 'fd': sync it. Never waits. */
void journal_sync_want(struct journal_sync *s, int fd, int64_t seq);

/* Waits until nothing is under way: before a file is closed. */
void journal_sync_rest(struct journal_sync *s);

/* How far the disk has come; and the errno of the first sync that failed, or 0. After a failure
 * nothing is ever synced again: what the kernel says afterwards can't be believed. */
int64_t journal_sync_done(struct journal_sync *s);
int journal_sync_error(struct journal_sync *s);

/* Readable when one of these two may have changed. */
int journal_sync_descriptor(const struct journal_sync *s);

#endif
