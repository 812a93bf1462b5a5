#include "daemon/journal_sync.h"

#include <errno.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

struct journal_sync {
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t changed;
    int event;
    int fd;         /* to be synced */
    int64_t wanted; /* seq that must reach the disk */
    int64_t done;
    int error;
    bool busy, ending;
};

static void announce(const struct journal_sync *s)
{
    const uint64_t one = 1;
    ssize_t n;
    do {
        n = write(s->event, &one, sizeof one);
    } while (n < 0 && errno == EINTR);
}

static void *work(void *context)
{
    struct journal_sync *s = context;
    pthread_mutex_lock(&s->lock);
    for (;;) {
        while (!s->ending && (s->wanted <= s->done || s->error != 0)) {
            pthread_cond_wait(&s->changed, &s->lock);
        }
        if (s->wanted <= s->done || s->error != 0) break; /* ending, and nothing is left to do */
        const int fd = s->fd;
        const int64_t seq = s->wanted;
        s->busy = true;
        pthread_mutex_unlock(&s->lock);
        const int error = fdatasync(fd) == 0 ? 0 : errno;
        pthread_mutex_lock(&s->lock);
        s->busy = false;
        if (error != 0)
            s->error = error;
        else if (seq > s->done)
            s->done = seq;
        pthread_cond_broadcast(&s->changed);
        announce(s);
    }
    pthread_mutex_unlock(&s->lock);
    return NULL;
}

enum err journal_sync_open(struct journal_sync **ret, struct problem *problem)
{
    struct journal_sync *s = calloc(1, sizeof *s);
    if (!s) return problem_set(problem, ERR_IO, "journal", "there is no memory left");
    s->event = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    pthread_mutex_init(&s->lock, NULL);
    pthread_cond_init(&s->changed, NULL);
    if (s->event < 0 || pthread_create(&s->thread, NULL, work, s) != 0) {
        const enum err err = problem_set(problem, ERR_IO, "journal", "its thread can't be started");
        if (s->event >= 0) close(s->event);
        free(s);
        return err;
    }
    *ret = s;
    return ERR_NONE;
}

void journal_sync_close(struct journal_sync *s)
{
    if (!s) return;
    pthread_mutex_lock(&s->lock);
    s->ending = true;
    pthread_cond_broadcast(&s->changed);
    pthread_mutex_unlock(&s->lock);
    pthread_join(s->thread, NULL);
    pthread_cond_destroy(&s->changed);
    pthread_mutex_destroy(&s->lock);
    close(s->event);
    free(s);
}

void journal_sync_want(struct journal_sync *s, int fd, int64_t seq)
{
    pthread_mutex_lock(&s->lock);
    s->fd = fd;
    s->wanted = seq;
    pthread_cond_broadcast(&s->changed);
    pthread_mutex_unlock(&s->lock);
}

void journal_sync_rest(struct journal_sync *s)
{
    pthread_mutex_lock(&s->lock);
    while (s->error == 0 && (s->busy || s->wanted > s->done)) {
        pthread_cond_wait(&s->changed, &s->lock);
    }
    pthread_mutex_unlock(&s->lock);
}

int64_t journal_sync_done(struct journal_sync *s)
{
    uint64_t count;
    while (read(s->event, &count, sizeof count) > 0) {
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
    return s->event;
}
