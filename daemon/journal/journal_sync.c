#include "daemon/journal/journal_sync.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include "lib/base/invariant.h"

struct removal {
    struct segment *segment; /* NULL: none is asked for */
    size_t count;
    int64_t after_seq;
};

struct journal_sync {
    int dir_fd, event_fd;
    pthread_t thread;
    pthread_mutex_t lock;   /* holds all below */
    pthread_cond_t changed; /* there is work, or an end */
    pthread_cond_t turned;  /* a former segment has been closed */
    int fd;                 /* what records are written to; -1: none yet */
    int old_fd;             /* the segment before, until it is synced and closed; -1: none */
    bool fresh;             /* 'fd' is new: its directory entry has to be synced too */
    bool ending;
    int64_t wanted, done;
    int error;
    struct removal removal;
    bool removing, stuck; /* one is under way; one has failed */
};

/* One round of work, taken under the lock and done without it. */
struct round {
    int fd, old_fd;
    bool fresh;
    int64_t wanted;
    struct removal removal;
};

static bool removal_due(const struct journal_sync *s)
{
    return s->removal.segment && s->done >= s->removal.after_seq;
}

static bool has_work(const struct journal_sync *s)
{
    if (s->error != 0) return false;
    return s->wanted > s->done || s->fresh || s->old_fd >= 0 || removal_due(s);
}

static int sync_round(const struct journal_sync *s, const struct round *r)
{
    if (r->old_fd >= 0 && fdatasync(r->old_fd) != 0) return errno;
    if (!r->fresh) return fdatasync(r->fd) == 0 ? 0 : errno;
    return fsync(r->fd) == 0 && fsync(s->dir_fd) == 0 ? 0 : errno;
}

/* The segment's torn tails go with it. */
static void remove_tails(int dir_fd, const char *name)
{
    const int fd = openat(dir_fd, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    DIR *dir = fd < 0 ? NULL : fdopendir(fd);
    if (!dir) {
        if (fd >= 0) close(fd);
        return;
    }
    const size_t length = strlen(name);
    for (const struct dirent *entry = readdir(dir); entry; entry = readdir(dir)) {
        if (strncmp(entry->d_name, name, length) != 0) continue;
        if (strncmp(entry->d_name + length, ".torn-", 6) == 0)
            (void)unlinkat(dir_fd, entry->d_name, 0);
    }
    closedir(dir);
}

/* Oldest first, each on disk before the next, and an end at the first that can't be removed:
 * however it is interrupted, what is left is one piece. */
static bool remove_segments(int dir_fd, const struct removal *removal)
{
    for (size_t i = 0; i < removal->count; i++) {
        char name[SEGMENT_NAME_MAX];
        segment_name(name, &removal->segment[i]);
        if (unlinkat(dir_fd, name, 0) != 0 && errno != ENOENT) return false;
        remove_tails(dir_fd, name);
        if (fsync(dir_fd) != 0) return false;
    }
    return true;
}

static struct round take_round(struct journal_sync *s)
{
    struct round r = { .fd = s->fd, .old_fd = s->old_fd, .fresh = s->fresh, .wanted = s->wanted };
    if (removal_due(s)) {
        r.removal = s->removal;
        s->removal.segment = NULL;
    }
    s->fresh = false;
    return r;
}

static void finish_round(struct journal_sync *s, const struct round *r, int error, bool removed)
{
    if (r->removal.segment) {
        s->removing = false;
        s->stuck = !removed;
    }
    if (r->old_fd >= 0) {
        close(r->old_fd);
        s->old_fd = -1;
        pthread_cond_broadcast(&s->turned);
    }
    if (error != 0)
        s->error = error;
    else if (r->wanted > s->done)
        s->done = r->wanted;
    journal_sync_poke(s);
}

static void *run_thread(void *context)
{
    struct journal_sync *s = context;
    pthread_mutex_lock(&s->lock);
    for (;;) {
        while (!has_work(s) && !s->ending) {
            pthread_cond_wait(&s->changed, &s->lock);
        }
        if (!has_work(s)) break;
        const struct round r = take_round(s);
        pthread_mutex_unlock(&s->lock);
        const int error = sync_round(s, &r);
        bool removed = false;
        if (r.removal.segment && error == 0) removed = remove_segments(s->dir_fd, &r.removal);
        free(r.removal.segment);
        pthread_mutex_lock(&s->lock);
        finish_round(s, &r, error, removed);
    }
    pthread_mutex_unlock(&s->lock);
    return NULL;
}

/* Signals are the loop's. */
static int start_thread(struct journal_sync *s)
{
    sigset_t all, before;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    const int error = pthread_create(&s->thread, NULL, run_thread, s);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    return error;
}

enum err journal_sync_open(struct journal_sync **ret, int dir_fd, struct problem *problem)
{
    struct journal_sync *s = calloc(1, sizeof *s);
    if (!s) return problem_set(problem, ERR_IO, "", "there is no memory left");
    s->dir_fd = dir_fd;
    s->fd = s->old_fd = -1;
    s->event_fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    int error = s->event_fd < 0 ? errno : 0;
    pthread_mutex_init(&s->lock, NULL);
    pthread_cond_init(&s->changed, NULL);
    pthread_cond_init(&s->turned, NULL);
    if (error == 0) error = start_thread(s);
    if (error == 0) {
        *ret = s;
        return ERR_NONE;
    }
    if (s->event_fd >= 0) close(s->event_fd);
    pthread_cond_destroy(&s->turned);
    pthread_cond_destroy(&s->changed);
    pthread_mutex_destroy(&s->lock);
    free(s);
    return problem_set(problem, ERR_IO, "", strerror(error));
}

void journal_sync_close(struct journal_sync *s)
{
    if (!s) return;
    pthread_mutex_lock(&s->lock);
    s->ending = true;
    pthread_cond_signal(&s->changed);
    pthread_mutex_unlock(&s->lock);
    pthread_join(s->thread, NULL);
    if (s->old_fd >= 0) close(s->old_fd);
    if (s->fd >= 0) close(s->fd);
    close(s->event_fd);
    free(s->removal.segment);
    pthread_cond_destroy(&s->turned);
    pthread_cond_destroy(&s->changed);
    pthread_mutex_destroy(&s->lock);
    free(s);
}

bool journal_sync_turn(struct journal_sync *s, int fd, bool wait)
{
    pthread_mutex_lock(&s->lock);
    while (wait && s->old_fd >= 0) {
        pthread_cond_wait(&s->turned, &s->lock);
    }
    const bool can = s->old_fd < 0;
    if (can) {
        s->old_fd = s->fd;
        s->fd = fd;
        s->fresh = true;
        pthread_cond_signal(&s->changed);
    }
    pthread_mutex_unlock(&s->lock);
    return can;
}

void journal_sync_want(struct journal_sync *s, int64_t seq)
{
    pthread_mutex_lock(&s->lock);
    s->wanted = seq;
    pthread_cond_signal(&s->changed);
    pthread_mutex_unlock(&s->lock);
}

bool journal_sync_can_remove(struct journal_sync *s)
{
    pthread_mutex_lock(&s->lock);
    const bool can = !s->removing && !s->stuck;
    pthread_mutex_unlock(&s->lock);
    return can;
}

bool journal_sync_remove(
    struct journal_sync *s, const struct segment *segment, size_t count, int64_t seq)
{
    struct segment *copy = malloc(count * sizeof *copy);
    if (!copy) return false;
    memcpy(copy, segment, count * sizeof *copy);
    pthread_mutex_lock(&s->lock);
    INVARIANT(!s->removing);
    s->removal = (struct removal){ .segment = copy, .count = count, .after_seq = seq };
    s->removing = true;
    pthread_cond_signal(&s->changed);
    pthread_mutex_unlock(&s->lock);
    return true;
}

int64_t journal_sync_done(struct journal_sync *s)
{
    uint64_t count;
    while (read(s->event_fd, &count, sizeof count) > 0) {
    }
    pthread_mutex_lock(&s->lock);
    const int64_t done = s->done;
    pthread_mutex_unlock(&s->lock);
    return done;
}

int journal_sync_error(struct journal_sync *s)
{
    pthread_mutex_lock(&s->lock);
    const int error = s->error;
    pthread_mutex_unlock(&s->lock);
    return error;
}

int journal_sync_descriptor(const struct journal_sync *s)
{
    return s->event_fd;
}

void journal_sync_poke(struct journal_sync *s)
{
    const uint64_t one = 1;
    ssize_t n;
    do {
        n = write(s->event_fd, &one, sizeof one);
    } while (n < 0 && errno == EINTR);
}
