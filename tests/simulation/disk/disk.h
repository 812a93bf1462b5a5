/* A disk in memory under the daemon's own journal (daemon/journal/journal_*.c, whole_file.c,
 * digest.c), which is compiled a second time for it: its file calls, its heap and its sync thread
 * lead here (redirect.h). Nothing waits, nothing depends on the machine: the same calls give the
 * same bytes.
 *
 *     struct disk *disk = disk_new();
 *     disk_use(disk);
 *     journal_open(...), journal_append(...)   as the daemon does, with a directory like "journal"
 *     disk_turn(disk);                         the sync thread works; journal_synced moves
 *     disk_power_cut(disk, seed);              the journal is gone; what may have reached the disk
 *     journal_open(...)                        the real recovery
 *
 * One process at a time lives on a disk: the descriptors, the heap and the thread that the journal
 * has there. When it dies (disk_kill, disk_power_cut, disk_stop_at) they are gone with it, so that
 * a struct journal that was open must be forgotten, not closed.
 *
 * What a power cut may leave. Content: of each 512-byte sector what was synced last, or any content
 * it has had since, or one up to some byte and another from there on; a byte that all of these
 * share stays. Never synced parts of a file hold zeros, noise, or what was removed earlier. Size:
 * any that the file has had since the last sync. Names: any part of what was created and removed
 * since the directory was synced. A sync of a file says nothing of its name. */
#ifndef DOSEWRIGHT_TESTS_DISK_H
#define DOSEWRIGHT_TESTS_DISK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct disk;

/* Empty but for its root. Paths may begin with a slash or not: both begin at the root. */
struct disk *disk_new(void);

/* What it holds and what of it was synced; no process, no faults, no limit of room. */
struct disk *disk_copy(const struct disk *disk);
void disk_free(struct disk *disk); /* and the process on it; NULL is fine */

/* Which one the calls go to. */
void disk_use(struct disk *disk);

/* --- the process ------------------------------------------------------------------------------ */

/* It dies, the board doesn't: all that was written stays to be read, synced or not. */
void disk_kill(struct disk *disk);

/* The board dies: see above. One seed is one of the ways. */
void disk_power_cut(struct disk *disk, uint64_t seed);

/* The sync thread works until it has nothing to do, or is within a sync that is held. */
void disk_turn(struct disk *disk);

/* While held, a sync that the thread has begun or begins doesn't end. It covers what was written
 * when it began. A caller that waits for the thread (opening, closing) waits until it is done. */
void disk_hold_syncs(struct disk *disk, bool held);

/* Is the descriptor (journal_descriptor) readable? */
bool disk_rings(const struct disk *disk, int fd);

/* --- crash points ----------------------------------------------------------------------------- */

/* What a call can be: kinds for faults and counters. */
enum disk_call {
    DISK_OPEN,
    DISK_READ,
    DISK_WRITE,
    DISK_TRUNCATE,
    DISK_ALLOCATE, /* posix_fallocate */
    DISK_SYNC,     /* of a file or a directory */
    DISK_UNLINK,
    DISK_MAKE, /* mkdir */
    DISK_LIST, /* readdir */
    DISK_STAT,
    DISK_LOCK,
    DISK_CLOSE,
    DISK_OTHER, /* eventfd, starting the thread */
    DISK_HEAP,  /* malloc and its like: can fail, but is no crash point */
    DISK_CALLS
};

/* How many there have been: of all kinds but the heap's; of one kind. */
int64_t disk_calls(const struct disk *disk);
int64_t disk_calls_of(const struct disk *disk, enum disk_call call);

/* The process dies at the n-th call from the disk's beginning on (disk_calls counts): before it,
 * half way (a write is carried out to a part, a sync takes a part of the sectors), after it. 0:
 * nowhere. The call doesn't return: disk_run does. The thread's calls count, too. */
enum disk_stop { DISK_BEFORE, DISK_HALF, DISK_AFTER };
void disk_stop_at(struct disk *disk, int64_t nth, enum disk_stop how);

/* Calls 'life' with this disk in use; false when it was stopped. Then the process must be ended
 * with disk_kill or disk_power_cut (of a copy, if more than one way is to be seen). */
bool disk_run(struct disk *disk, void (*life)(void *context), void *context);

/* 'look' is called before each call, where another thread might look at the same moment: between
 * any two calls, whichever thread makes them. What it calls itself isn't counted. NULL: nobody. */
void disk_watch(struct disk *disk, void (*look)(void *context), void *context);

/* At which call it was stopped. */
enum disk_call disk_stopped_at(const struct disk *disk);

/* --- faults ----------------------------------------------------------------------------------- */

/* Of the calls of a kind, counted from now on (1 is the next), those from 'from' on fail, 'count'
 * of them (0: all). A sync that fails drops what it should have written: reading still shows it,
 * no later sync writes it. 'error' 0: a write is short (half), others are carried out. At most one
 * fault of a kind at a time. */
struct disk_fault {
    enum disk_call call;
    int64_t from, count;
    int error;
};
void disk_fail(struct disk *disk, const struct disk_fault *fault);
int64_t disk_failed(const struct disk *disk, enum disk_call call); /* how many did, so far */

/* No more faults, held syncs, stops or limits. What was dropped stays dropped. */
void disk_heal(struct disk *disk);

/* So many bytes more can be written (then ENOSPC, after a short write); -1: any number. Removed
 * files give theirs back. */
void disk_set_room(struct disk *disk, int64_t bytes);

/* All that would change it gives EROFS, also through descriptors that are open. */
void disk_set_read_only(struct disk *disk, bool on);

/* One bit of a file (or of any file in a directory) changes, on the disk and for readers; false
 * when there is no byte. */
bool disk_rot(struct disk *disk, const char *path, uint64_t seed);

/* --- looking, and putting there --------------------------------------------------------------- */

/* As it can be read now. NULL when there is no such file; '*ret_size' bytes otherwise. Valid until
 * something is written. */
const char *disk_bytes(const struct disk *disk, const char *path, size_t *ret_size);

/* The n-th name in a directory, sorted; NULL after the last. */
const char *disk_name(const struct disk *disk, const char *dir, size_t nth);

/* A file (or its removal: 'bytes' NULL) or a directory, synced at once. */
void disk_put(struct disk *disk, const char *path, const char *bytes, size_t count);
void disk_put_dir(struct disk *disk, const char *path);

/* Of all names and bytes as they can be read now. */
uint64_t disk_hash(const struct disk *disk);

#endif
