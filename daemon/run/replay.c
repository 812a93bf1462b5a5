#include "daemon/run/replay.h"

#include <errno.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "daemon/base/log.h"
#include "daemon/journal/journal_file.h"
#include "lib/base/text.h"

struct replay {
    atomic_int holders; /* the loop and the thread: who lets go last frees it */
    /* the thread's */
    int thread_fd;
    int64_t from, to;
    char *dir;
    /* the loop's */
    int fd;
    struct mono due; /* when the next few may go */
    int left;        /* of these few */
    bool has_line, over;
    char line[RECORD_LINE_MAX + 1];
};

static void free_all(struct replay *r)
{
    free(r->dir);
    free(r);
}

static void let_go(struct replay *r)
{
    if (atomic_fetch_sub(&r->holders, 1) == 1) free_all(r);
}

/* One message each. It waits while the loop doesn't take them, and fails once nobody will. */
static bool send_line(void *context, const char *line)
{
    const struct replay *r = context;
    const size_t length = strlen(line);
    ssize_t n;
    do {
        n = send(r->thread_fd, line, length, MSG_NOSIGNAL);
    } while (n < 0 && errno == EINTR);
    return n == (ssize_t)length;
}

static void *read_all(void *argument)
{
    struct replay *r = argument;
    struct problem problem;
    if (journal_read(r->dir, r->from, r->to, send_line, r, &problem) != ERR_NONE)
        log_format(LOG_WARNED, "records can't be shown again: %s", problem.text);
    close(r->thread_fd);
    let_go(r);
    return NULL;
}

static enum err no_room(struct problem *problem)
{
    return problem_set(
        problem, ERR_IO, "journal", "the system refuses memory, a socket or a thread");
}

static enum err start_thread(struct replay *r, struct problem *problem)
{
    pthread_t thread;
    pthread_attr_t how;
    if (pthread_attr_init(&how) != 0) return no_room(problem);
    const bool started = pthread_attr_setdetachstate(&how, PTHREAD_CREATE_DETACHED) == 0 &&
                         pthread_create(&thread, &how, read_all, r) == 0;
    pthread_attr_destroy(&how);
    return started ? ERR_NONE : no_room(problem);
}

enum err replay_open(
    struct replay **ret, const char *dir, int64_t from, int64_t to, struct problem *problem)
{
    int pair[2];
    struct replay *r = calloc(1, sizeof *r);
    if (!r) return no_room(problem);
    atomic_init(&r->holders, 2);
    r->from = from;
    r->to = to;
    r->dir = strdup(dir);
    if (!r->dir || socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, pair) != 0) {
        free_all(r);
        return no_room(problem);
    }
    r->fd = pair[0];
    r->thread_fd = pair[1];
    *ret = r;
    if (start_thread(r, problem) == ERR_NONE) return ERR_NONE;
    close(pair[0]);
    close(pair[1]);
    free_all(r);
    *ret = NULL;
    return ERR_IO;
}

void replay_close(struct replay *r)
{
    if (!r) return;
    close(r->fd);
    let_go(r);
}

/* Takes the next one, if it is there already. */
static void take(struct replay *r)
{
    const ssize_t n = recv(r->fd, r->line, sizeof r->line - 1, MSG_DONTWAIT);
    if (n < 0) {
        r->over = errno != EAGAIN && errno != EINTR;
        return;
    }
    r->line[n] = '\0';
    r->has_line = n > 0;
    r->over = n == 0;
}

const char *replay_line(struct replay *r, struct mono now)
{
    if (mono_since(now, r->due) >= 0) {
        r->due = mono_after(now, REPLAY_EVERY_MS);
        r->left = REPLAY_LINES;
    }
    if (r->left == 0) return NULL;
    if (!r->has_line && !r->over) take(r);
    return r->has_line ? r->line : NULL;
}

void replay_shown(struct replay *r)
{
    r->has_line = false;
    r->left--;
}

struct mono replay_due(const struct replay *r)
{
    return r->due;
}

bool replay_over(const struct replay *r)
{
    return r->over && !r->has_line;
}
