/* For SEEK_DATA. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/base/digest.h"
#include "daemon/journal/journal_inside.h"
#include "lib/base/text.h"

static const char reserve_name[] = "reserve";
const char journal_lock_name[] = "lock";
const char journal_mark_name[] = "restoring";

enum { DIR_MODE = 0750, FILE_MODE = 0640, TAILS_MAX = 1000 };

/* --- opening ---------------------------------------------------------------------------------- */

static enum err busy(const struct journal *j, struct problem *problem)
{
    char pid[24] = "", words[PROBLEM_TEXT_MAX];
    const ssize_t n = pread(j->lock_fd, pid, sizeof pid - 1, 0);
    pid[n > 0 ? strspn(pid, "0123456789") : 0] = '\0';
    struct text t = text_over(words, sizeof words);
    text_add(&t, "another dosewright writes this journal");
    if (pid[0]) {
        text_add(&t, " (process ");
        text_add(&t, pid);
        text_add_char(&t, ')');
    }
    text_add(&t, "; a journal has one owner");
    return problem_set(problem, ERR_BUSY, j->dir, words);
}

static enum err take_lock(struct journal *j, struct problem *problem)
{
    const int flags = O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK;
    j->lock_fd = openat(j->dir_fd, journal_lock_name, flags, FILE_MODE);
    if (j->lock_fd < 0)
        return journal_errno(problem, j->dir, journal_lock_name, "can't be opened", errno);
    if (flock(j->lock_fd, LOCK_EX | LOCK_NB) != 0) {
        if (errno == EWOULDBLOCK) return busy(j, problem);
        return journal_errno(problem, j->dir, journal_lock_name, "can't be locked", errno);
    }
    char pid[24];
    struct text t = text_over(pid, sizeof pid);
    text_add_int(&t, (int64_t)getpid());
    text_add_char(&t, '\n');
    /* for people and for busy() alone: a full disk is no reason not to go on */
    if (ftruncate(j->lock_fd, 0) == 0) (void)!pwrite(j->lock_fd, pid, t.length, 0);
    return ERR_NONE;
}

/* The directory's own name has to be on disk before a record in it counts as kept. It may have been
 * made just now, or by a run that was cut off. Who may not read the folder above and found the
 * directory there has it from somebody else. */
static enum err sync_name(const struct journal *j, bool made, struct problem *problem)
{
    const int fd = openat(j->dir_fd, "..", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0 && errno == EACCES && !made) return ERR_NONE;
    const int error = fd >= 0 && fsync(fd) == 0 ? 0 : errno;
    if (fd >= 0) close(fd);
    if (error == 0) return ERR_NONE;
    return journal_errno(problem, j->dir, "", "its name can't be synced", error);
}

enum err journal_dir_open(struct journal *j, struct problem *problem)
{
    const int flags = O_RDONLY | O_DIRECTORY | O_CLOEXEC;
    struct stat st;
    j->dir_fd = open(j->dir, flags);
    const bool made = j->dir_fd < 0 && errno == ENOENT && mkdir(j->dir, DIR_MODE) == 0;
    if (made) j->dir_fd = open(j->dir, flags);
    if (j->dir_fd < 0 || fstat(j->dir_fd, &st) != 0)
        return journal_errno(problem, j->dir, "", "can't be opened as a directory", errno);
    if (st.st_mode & S_IWOTH)
        return problem_set(problem, ERR_IO, j->dir,
            "everyone may write in it: whoever can remove a record can also have doses forgotten; "
            "take the right away (chmod o-w)");
    const enum err err = take_lock(j, problem);
    return err == ERR_NONE ? sync_name(j, made, problem) : err;
}

enum err journal_dir_look_for_mark(const struct journal *j, struct problem *problem)
{
    const int fd = openat(j->dir_fd, journal_mark_name, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (fd < 0 && errno == ENOENT) return ERR_NONE;
    if (fd < 0) return journal_errno(problem, j->dir, journal_mark_name, "can't be read", errno);
    close(fd);
    return problem_set(problem, ERR_BUSY, j->dir,
        "a backup is being put back here, or that was cut off: configuration and journal may not "
        "belong together. Say 'dosewright restore --force' once more, with the same backup");
}

/* --- the reserve ------------------------------------------------------------------------------ */

int journal_reserve_make(const struct journal *j)
{
    const int flags = O_WRONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK;
    const int fd = openat(j->dir_fd, reserve_name, flags, FILE_MODE);
    if (fd < 0) return errno;
    const int error = posix_fallocate(fd, 0, JOURNAL_RESERVE_BYTES);
    close(fd);
    if (error != 0) (void)unlinkat(j->dir_fd, reserve_name, 0);
    return error;
}

bool journal_reserve_give_up(const struct journal *j)
{
    return unlinkat(j->dir_fd, reserve_name, 0) == 0;
}

/* --- torn tails ------------------------------------------------------------------------------- */

static bool write_all(int fd, const char *bytes, size_t count)
{
    while (count > 0) {
        const ssize_t n = write(fd, bytes, count);
        if (n < 0 && errno == EINTR) continue;
        if (n <= 0) return false;
        bytes += n;
        count -= (size_t)n;
    }
    return true;
}

/* Past a hole in the file, which reads as zeros and takes neither time nor room; 'at' where there
 * is none, or where the file system can't tell; -1: nothing but a hole follows. */
static int64_t past_hole(int fd, int64_t at, struct load_digest *digest)
{
    const char zeros[4096] = { 0 };
    const int64_t data = (int64_t)lseek(fd, (off_t)at, SEEK_DATA);
    if (data < 0) return errno == ENXIO ? -1 : at;
    for (int64_t left = data - at; left > 0; left -= (int64_t)sizeof zeros) {
        digest_add(digest, zeros, left < (int64_t)sizeof zeros ? (size_t)left : sizeof zeros);
    }
    return data;
}

/* Copies from 'at' to the end and hashes on the way; false with errno. A hole at the end, which
 * holds nothing, is left out. */
static bool copy_tail(int from, int64_t at, int to, char ret_sha256[LINK_HASH_HEX])
{
    char bytes[4096];
    struct load_digest *digest = digest_open();
    bool good = digest != NULL;
    if (!good) errno = ENOMEM;
    while (good) {
        const int64_t data = past_hole(from, at, digest);
        if (data > at && lseek(to, (off_t)(data - at), SEEK_CUR) < 0) good = false;
        at = data;
        const ssize_t n = at < 0 ? 0 : pread(from, bytes, sizeof bytes, (off_t)at);
        if (n == 0) break;
        if (n < 0 && errno == EINTR) continue;
        if (n < 0) {
            good = false;
            break;
        }
        good = good && write_all(to, bytes, (size_t)n);
        digest_add(digest, bytes, (size_t)n);
        at += n;
    }
    const int error = errno;
    if (!digest_close(digest, ret_sha256)) good = false;
    errno = error;
    return good && fsync(to) == 0;
}

/* A file of that name that wasn't there; -1 with errno. */
static int create_tail(struct journal *j, const char *name, struct journal_tail *tail)
{
    const int flags = O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW;
    int fd = -1;
    for (int n = 1; n <= TAILS_MAX && fd < 0; n++) {
        struct text t = text_over(tail->kept_as, sizeof tail->kept_as);
        text_add(&t, name);
        text_add(&t, ".torn-");
        text_add_int(&t, n);
        fd = openat(j->dir_fd, tail->kept_as, flags, FILE_MODE);
        if (fd < 0 && errno != EEXIST) return -1;
    }
    return fd;
}

static bool keep_tail(
    struct journal *j, int from, const char *name, int64_t at, struct journal_tail *tail)
{
    const int to = create_tail(j, name, tail);
    if (to < 0) return false;
    const bool good = copy_tail(from, at, to, tail->sha256);
    const int error = errno;
    close(to);
    if (!good) (void)unlinkat(j->dir_fd, tail->kept_as, 0);
    errno = error;
    return good;
}

/* Nothing is cut off before its copy is on disk. */
enum err journal_dir_set_aside(struct journal *j, const struct segment *segment, int64_t at,
    struct journal_tail *ret, struct problem *problem)
{
    char name[SEGMENT_NAME_MAX];
    segment_name(name, segment);
    const int fd = openat(j->dir_fd, name, O_RDWR | O_CLOEXEC | O_NOFOLLOW);
    bool good = fd >= 0 && keep_tail(j, fd, name, at, ret);
    if (!good && fd >= 0 && errno == ENOSPC && journal_reserve_give_up(j))
        good = keep_tail(j, fd, name, at, ret);
    good = good && fsync(j->dir_fd) == 0 && ftruncate(fd, (off_t)at) == 0 && fdatasync(fd) == 0;
    const int error = errno;
    if (fd >= 0) close(fd);
    if (good) return ERR_NONE;
    return journal_errno(problem, j->dir, name, "its torn end can't be set aside", error);
}
