/* The disk of the journal's tests: calls that fail, run out of room, hang, or are the last that the
 * process makes. They stand in for the C library's, so that a program includes this once. */
#ifndef DOSEWRIGHT_TESTS_JOURNAL_FAULTS_H
#define DOSEWRIGHT_TESTS_JOURNAL_FAULTS_H

#include "tests/unit/daemon/journal_fixture.h"

#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <sys/syscall.h>
#include <sys/wait.h>

enum call { CALL_WRITE, CALL_FSYNC, CALL_FDATASYNC, CALL_FTRUNCATE, CALL_UNLINK, CALLS };

/* Atomic: the syncing thread counts, too. */
static struct {
    _Atomic int64_t done[CALLS];      /* of each since the faults were set */
    _Atomic int64_t fail_from[CALLS]; /* these fail from the nth on (1 is the next); 0: none */
    _Atomic int64_t fail_count[CALLS];
    _Atomic int error;
    _Atomic int64_t room;    /* bytes that can still be written to segments; -1: any number */
    _Atomic int64_t reserve; /* room that comes back when the reserve is removed */
    _Atomic bool no_reserve; /* there is no room for it */
    _Atomic int64_t kill_at; /* the process dies before the nth call of any kind, counted from 1 */
    _Atomic int64_t kill_count;
    _Atomic bool half; /* ... a write then does half of its work first */
} fault;
static pthread_mutex_t hang = PTHREAD_MUTEX_INITIALIZER; /* held: syncing hangs */

static void clear_faults(void)
{
    memset(&fault, 0, sizeof fault);
    fault.room = -1;
}

static void maybe_die(int fd, const void *bytes, size_t count)
{
    if (fault.kill_at == 0 || ++fault.kill_count != fault.kill_at) return;
    if (bytes && fault.half) (void)!syscall(SYS_write, fd, bytes, count / 2);
    kill(getpid(), SIGKILL);
}

static bool refuses(enum call call)
{
    const int64_t n = ++fault.done[call];
    const int64_t from = fault.fail_from[call];
    if (from == 0 || n < from) return false;
    if (fault.fail_count[call] > 0 && n >= from + fault.fail_count[call]) return false;
    errno = fault.error;
    return true;
}

/* Pipes, events and the like aren't the journal's. */
static bool is_file(int fd)
{
    struct stat st;
    return fd > 2 && fstat(fd, &st) == 0 && S_ISREG(st.st_mode) && journal != NULL;
}

ssize_t write(int fd, const void *bytes, size_t count)
{
    if (!is_file(fd)) return syscall(SYS_write, fd, bytes, count);
    maybe_die(fd, bytes, count);
    if (refuses(CALL_WRITE)) return -1;
    if (fault.room >= 0 && (int64_t)count > fault.room) {
        count = (size_t)fault.room; /* a short write, then none at all */
        errno = fault.error;
        if (count == 0) return -1;
    }
    if (fault.room >= 0) fault.room -= (int64_t)count;
    return syscall(SYS_write, fd, bytes, count);
}

int posix_fallocate(int fd, off_t offset, off_t length)
{
    if (fault.no_reserve) return fault.error;
    return ftruncate(fd, offset + length) == 0 ? 0 : errno;
}

/* How much of each segment has been synced: what is said to be on disk must be in it. */
static struct {
    ino_t file;
    off_t size;
} synced[16];
static pthread_mutex_t synced_lock = PTHREAD_MUTEX_INITIALIZER;

static int note_sync(int fd, int result)
{
    struct stat st;
    if (result != 0 || fstat(fd, &st) != 0) return result;
    pthread_mutex_lock(&synced_lock);
    int n = 0;
    while (synced[n].file != 0 && synced[n].file != st.st_ino && n < 15) {
        n++;
    }
    synced[n].file = st.st_ino;
    synced[n].size = st.st_size;
    pthread_mutex_unlock(&synced_lock);
    return result;
}

static void check_synced(const char *name)
{
    struct stat st;
    off_t size = -1;
    ck_assert_int_eq(stat(at(name), &st), 0);
    pthread_mutex_lock(&synced_lock);
    for (int n = 0; n < 16; n++) {
        if (synced[n].file == st.st_ino) size = synced[n].size;
    }
    pthread_mutex_unlock(&synced_lock);
    ck_assert_msg(
        size == st.st_size, "%s: %d bytes of %d were synced", name, (int)size, (int)st.st_size);
}

int fdatasync(int fd)
{
    maybe_die(fd, NULL, 0);
    pthread_mutex_lock(&hang);
    pthread_mutex_unlock(&hang);
    return refuses(CALL_FDATASYNC) ? -1 : note_sync(fd, (int)syscall(SYS_fdatasync, fd));
}

int fsync(int fd)
{
    maybe_die(fd, NULL, 0);
    pthread_mutex_lock(&hang);
    pthread_mutex_unlock(&hang);
    return refuses(CALL_FSYNC) ? -1 : note_sync(fd, (int)syscall(SYS_fsync, fd));
}

int ftruncate(int fd, off_t length)
{
    maybe_die(fd, NULL, 0);
    return refuses(CALL_FTRUNCATE) ? -1 : (int)syscall(SYS_ftruncate, fd, length);
}

int unlinkat(int fd, const char *name, int flags)
{
    maybe_die(fd, NULL, 0);
    if (refuses(CALL_UNLINK)) return -1;
    if (fault.room >= 0 && strcmp(name, "reserve") == 0) fault.room += fault.reserve;
    return (int)syscall(SYS_unlinkat, fd, name, flags);
}

static void setup(void)
{
    clear_faults();
    make_dir();
    memset(synced, 0, sizeof synced);
}

static void teardown(void)
{
    clear_faults();
    remove_dir();
}

static bool wait_failed(void)
{
    for (int n = 0; n < 500; n++) {
        struct pollfd p = { .fd = journal_descriptor(journal), .events = POLLIN };
        (void)journal_synced(journal);
        if (journal_failed(journal, &problem)) return true;
        poll(&p, 1, 10);
    }
    return false;
}

/* What is on disk is whole, and has so many records. */
static void check_whole(int64_t records)
{
    close_journal();
    clear_faults();
    scan();
    ck_assert(!report.damaged && !report.torn);
    ck_assert_int_eq(report.records, records);
}

#endif
