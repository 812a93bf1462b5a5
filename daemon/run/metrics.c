#include "daemon/run/metrics.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/base/clock.h"
#include "daemon/base/log.h"
#include "lib/base/invariant.h"

enum { STACK_BYTES = 128 * 1024, MODE = 0644, LOOK_AGAIN_MS = 5 };

/* What loop and thread share. The one that leaves last frees it. */
struct shared {
    pthread_mutex_t lock;
    pthread_cond_t changed;
    bool writing, ending, keep; /* a shot is the thread's; it shall end; and leave the file */
    bool gone;                  /* the thread is done */
    bool left;                  /* the loop waits for it no longer */
    bool told;                  /* that the file can't be written; the thread's own */
    char path[CONFIG_PATH_MAX], fresh[CONFIG_PATH_MAX];
    struct metrics_shot shot;
};

struct metrics {
    struct shared *shared;
    int64_t every_ms;
    uint32_t tank_count;
    bool gathering;
    uint32_t next; /* tank */
    struct mono due;
};

/* --- the thread --------------------------------------------------------------------------------
 */

/* Pages in RAM are the second number of statm (proc_pid_statm(5)). */
static int64_t resident_bytes(void)
{
    long long pages = 0;
    char line[128] = "";
    FILE *file = fopen("/proc/self/statm", "re");
    if (!file) return 0;
    const char *at = fgets(line, sizeof line, file) ? strchr(line, ' ') : NULL;
    fclose(file);
    for (at = at ? at + 1 : ""; *at >= '0' && *at <= '9'; at++) {
        pages = pages * 10 + (*at - '0');
    }
    return (int64_t)pages * sysconf(_SC_PAGESIZE);
}

/* Nothing waits for the disk: a file that a power cut takes is made anew. */
static bool write_file(const struct shared *s)
{
    const int fd =
        open(s->fresh, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK, MODE);
    struct stat st;
    if (fd < 0) return false;
    FILE *out = NULL;
    errno = EINVAL;
    if (fstat(fd, &st) == 0 && S_ISREG(st.st_mode) && fchmod(fd, MODE) == 0) out = fdopen(fd, "w");
    if (!out) {
        close(fd);
        return false;
    }
    metrics_write(out, &s->shot, resident_bytes());
    const bool whole = fflush(out) == 0 && !ferror(out);
    const int error = errno;
    const bool closed = fclose(out) == 0;
    if (!whole) errno = error;
    return whole && closed && rename(s->fresh, s->path) == 0;
}

static void write_shot(struct shared *s)
{
    const bool written = write_file(s);
    if (!written && !s->told)
        log_format(LOG_WARNED, "metrics.file %s can't be written: %s", s->path, strerror(errno));
    if (!written) (void)unlink(s->fresh);
    s->told = !written;
}

static void free_shared(struct shared *s)
{
    pthread_mutex_destroy(&s->lock);
    pthread_cond_destroy(&s->changed);
    free(s->shot.tank);
    free(s);
}

static void *write_for_ever(void *context)
{
    struct shared *s = context;
    pthread_mutex_lock(&s->lock);
    while (!s->ending) {
        if (!s->writing) {
            pthread_cond_wait(&s->changed, &s->lock);
            continue;
        }
        pthread_mutex_unlock(&s->lock);
        write_shot(s);
        pthread_mutex_lock(&s->lock);
        s->writing = false;
    }
    const bool keep = s->keep;
    pthread_mutex_unlock(&s->lock);
    if (!keep) (void)unlink(s->path);
    pthread_mutex_lock(&s->lock);
    s->gone = true;
    const bool last = s->left;
    pthread_cond_broadcast(&s->changed);
    pthread_mutex_unlock(&s->lock);
    if (last) free_shared(s);
    return NULL;
}

/* --- open and close ----------------------------------------------------------------------------
 */

static bool start_thread(struct shared *s)
{
    pthread_t thread;
    pthread_attr_t attributes;
    if (pthread_attr_init(&attributes) != 0) return false;
    const bool started = pthread_attr_setstacksize(&attributes, STACK_BYTES) == 0 &&
                         pthread_attr_setdetachstate(&attributes, PTHREAD_CREATE_DETACHED) == 0 &&
                         pthread_create(&thread, &attributes, write_for_ever, s) == 0;
    pthread_attr_destroy(&attributes);
    return started;
}

static struct shared *make_shared(const char *path, uint32_t tank_count)
{
    struct shared *s = calloc(1, sizeof *s);
    struct metrics_tank *tanks = calloc(tank_count, sizeof *tanks);
    if (!s || !tanks) {
        free(s);
        free(tanks);
        return NULL;
    }
    struct text fresh = text_over(s->fresh, sizeof s->fresh);
    pthread_cond_init(&s->changed, NULL);
    pthread_mutex_init(&s->lock, NULL);
    s->shot.tank = tanks;
    (void)text_copy(s->path, sizeof s->path, path);
    text_add(&fresh, path);
    text_add(&fresh, ".new");
    if (!fresh.cut && start_thread(s)) return s;
    free_shared(s);
    return NULL;
}

struct metrics *metrics_open(const char *path, int64_t every_ms, uint32_t tank_count)
{
    INVARIANT(every_ms > 0 && tank_count > 0);
    struct metrics *m = calloc(1, sizeof *m);
    if (m) m->shared = make_shared(path, tank_count);
    if (!m || !m->shared) {
        log_format(LOG_WARNED, "metrics.file %s: there is no memory or thread for it", path);
        free(m);
        return NULL;
    }
    m->every_ms = every_ms;
    m->tank_count = tank_count;
    return m;
}

void metrics_close(struct metrics *m, bool keep, int64_t wait_ms)
{
    if (!m) return;
    struct shared *s = m->shared;
    const int64_t until_us = clock_boot_us() + wait_ms * 1000;
    pthread_mutex_lock(&s->lock);
    s->ending = true;
    s->keep = keep;
    pthread_cond_broadcast(&s->changed);
    while (!s->gone && clock_boot_us() < until_us) {
        pthread_mutex_unlock(&s->lock);
        (void)poll(NULL, 0, LOOK_AGAIN_MS);
        pthread_mutex_lock(&s->lock);
    }
    s->left = true;
    const bool last = s->gone;
    pthread_mutex_unlock(&s->lock);
    if (last) free_shared(s);
    free(m);
}

/* --- the loop's side ---------------------------------------------------------------------------
 */

static bool is_writing(struct metrics *m)
{
    pthread_mutex_lock(&m->shared->lock);
    const bool writing = m->shared->writing;
    pthread_mutex_unlock(&m->shared->lock);
    return writing;
}

static void hand_over(struct metrics *m)
{
    pthread_mutex_lock(&m->shared->lock);
    m->shared->writing = true;
    pthread_cond_broadcast(&m->shared->changed);
    pthread_mutex_unlock(&m->shared->lock);
}

bool metrics_turn(
    struct metrics *m, const struct status_source *source, const struct metrics_daemon *of)
{
    bool begun = false;
    if (!m) return false;
    INVARIANT(source->site->tank_count <= m->tank_count);
    if (!m->gathering) {
        if (mono_since(m->due, source->now.mono) > 0) return false;
        m->due = mono_after(source->now.mono, m->every_ms);
        if (is_writing(m)) return false; /* the disk is slow: the next time */
        metrics_gather_site(&m->shared->shot, source, of);
        m->next = 0;
        m->gathering = begun = true;
    }
    m->next = metrics_gather_tanks(&m->shared->shot, source, m->next);
    if (m->next == source->site->tank_count) {
        m->gathering = false;
        hand_over(m);
    }
    return begun;
}

struct mono metrics_due(const struct metrics *m, struct mono now)
{
    return m->gathering ? now : m->due;
}
