#include "daemon/door/door.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/timerfd.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#include "daemon/door/door_call.h"
#include "daemon/door/door_status.h"
#include "daemon/payload/payload.h"
#include "lib/base/invariant.h"

enum {
    DOOR_BACKLOG = 32,
    DOOR_RELOADS_MAX = 4,         /* clients that may wait for a verdict at once */
    DOOR_IDLE_MS = 5 * 1000,      /* to send the call, and again to read the answer */
    DOOR_VERDICT_MS = 120 * 1000, /* for the rest of the daemon to answer */
    DOOR_ACCEPT_AGAIN_MS = 1 * 1000,
    DOOR_TURNS_MAX = 64, /* descriptors looked at in one door_take */
};

/* What epoll says is ready: a client's index, or one of these. */
enum { READY_LISTENER = DOOR_CLIENTS_MAX, READY_TIMER };

enum client_state { CLIENT_FREE, CLIENT_READING, CLIENT_WAITING, CLIENT_WRITING };

struct client {
    enum client_state state;
    int fd;
    enum door_kind kind;
    uint64_t ticket;
    uint32_t from;     /* a status call: the first tank that is wanted */
    struct mono until; /* dropped then */
    char call[DOOR_CALL_MAX + 2];
    size_t call_length;
    char *answer; /* malloced */
    size_t answer_length, answer_sent;
};

struct door {
    int listener, timer, epoll;
    struct mono rings; /* when the timer does; INT64_MAX ms: never */
    bool listening;    /* the listener is watched */
    struct mono listen_again;
    char path[sizeof((struct sockaddr_un *)NULL)->sun_path];
    dev_t device;
    ino_t inode;
    struct mono now; /* of the last door_take */
    uint64_t tickets;
    struct client client[DOOR_CLIENTS_MAX];
};

/* --- opening -----------------------------------------------------------------------------------
 */

static enum err refuse_path(struct problem *p, enum err err, const char *path, const char *what)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, what);
    if (errno != 0) {
        text_add(&t, ": ");
        text_add(&t, strerror(errno));
    }
    return problem_set(p, err, path, text);
}

/* Is somebody answering at the address? Removes a file that nobody answers at. */
static enum err clear_path(const struct sockaddr_un *address, struct problem *problem)
{
    const char *path = address->sun_path;
    struct stat st;
    errno = 0;
    if (lstat(path, &st) < 0) {
        if (errno == ENOENT) return ERR_NONE;
        return refuse_path(problem, ERR_IO, path, "can't look at the local socket");
    }
    if (!S_ISSOCK(st.st_mode)) {
        return refuse_path(problem, ERR_IO, path,
            "the local socket can't be made here: something else has that name; move it away");
    }
    const int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0) return refuse_path(problem, ERR_IO, path, "can't make a socket");
    const int connected = connect(fd, (const struct sockaddr *)address, sizeof *address);
    const int why = connected == 0 ? 0 : errno;
    close(fd);
    errno = 0;
    if (why == 0 || why == EAGAIN) {
        return refuse_path(problem, ERR_BUSY, path,
            "another daemon answers at this local socket; stop it, or give this one another path");
    }
    errno = why;
    if (why != ECONNREFUSED && why != ENOENT) {
        return refuse_path(problem, ERR_IO, path, "can't see whether the local socket is in use");
    }
    if (unlink(path) < 0 && errno != ENOENT) {
        return refuse_path(problem, ERR_IO, path, "can't remove the stale local socket");
    }
    return ERR_NONE;
}

/* The directory that holds the path, opened. */
static int open_parent(const char *path)
{
    char dir[sizeof((struct sockaddr_un *)NULL)->sun_path];
    text_copy(dir, sizeof dir, path);
    char *slash = strrchr(dir, '/');
    if (slash == dir) slash++;
    if (slash)
        *slash = '\0';
    else
        text_copy(dir, sizeof dir, ".");
    return open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
}

/* Two daemons that start at once must not take the path from each other between the look and the
 * bind: the directory is locked meanwhile. Takes ownership of neither descriptor. */
static enum err take_path(struct door *d, int directory, struct problem *problem)
{
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    text_copy(address.sun_path, sizeof address.sun_path, d->path);
    errno = 0;
    if (flock(directory, LOCK_EX | LOCK_NB) < 0) {
        return refuse_path(
            problem, ERR_BUSY, d->path, "another daemon starts in this directory just now");
    }
    const enum err err = clear_path(&address, problem);
    if (err != ERR_NONE) return err;
    /* On Linux the file gets the socket's own mode less the umask: never wider than meant. */
    struct stat st;
    errno = 0;
    if (fchmod(d->listener, 0660) < 0 ||
        bind(d->listener, (const struct sockaddr *)&address, sizeof address) < 0 ||
        chmod(d->path, 0660) < 0 || listen(d->listener, DOOR_BACKLOG) < 0 ||
        lstat(d->path, &st) < 0) {
        return refuse_path(problem, ERR_IO, d->path, "can't open the local socket");
    }
    d->device = st.st_dev;
    d->inode = st.st_ino;
    return ERR_NONE;
}

static bool watch(struct door *d, int fd, uint32_t events, uint32_t index, int operation)
{
    struct epoll_event e = { .events = events, .data.u32 = index };
    return epoll_ctl(d->epoll, operation, fd, &e) == 0;
}

static enum err open_door(struct door *d, struct problem *problem)
{
    errno = 0;
    const int directory = open_parent(d->path);
    if (directory < 0) {
        return refuse_path(problem, ERR_IO, d->path,
            "the directory for the local socket can't be opened; make it");
    }
    enum err err = ERR_NONE;
    d->listener = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    d->timer = timerfd_create(CLOCK_BOOTTIME, TFD_CLOEXEC | TFD_NONBLOCK);
    d->epoll = epoll_create1(EPOLL_CLOEXEC);
    if (d->listener < 0 || d->timer < 0 || d->epoll < 0)
        err = refuse_path(problem, ERR_IO, d->path, "can't make the local socket");
    else
        err = take_path(d, directory, problem);
    close(directory);
    if (err != ERR_NONE) return err;
    d->listening = watch(d, d->listener, EPOLLIN, READY_LISTENER, EPOLL_CTL_ADD);
    if (!d->listening || !watch(d, d->timer, EPOLLIN, READY_TIMER, EPOLL_CTL_ADD)) {
        return refuse_path(problem, ERR_IO, d->path, "can't watch the local socket");
    }
    return ERR_NONE;
}

enum err door_open(struct door **ret, const char *path, struct problem *problem)
{
    *ret = NULL;
    errno = 0;
    if (path[0] == '\0' || strlen(path) >= sizeof((struct door *)NULL)->path) {
        return refuse_path(
            problem, ERR_RANGE, path, "the local socket's path must have 1 to 107 characters");
    }
    struct door *d = calloc(1, sizeof *d);
    if (!d) return refuse_path(problem, ERR_IO, path, "out of memory");
    d->listener = d->timer = d->epoll = -1;
    d->rings.ms = INT64_MAX;
    text_copy(d->path, sizeof d->path, path);
    const enum err err = open_door(d, problem);
    if (err == ERR_NONE)
        *ret = d;
    else
        door_close(d);
    return err;
}

int door_descriptor(const struct door *d)
{
    return d->epoll;
}

/* --- clients -----------------------------------------------------------------------------------
 */

static void listen_if(struct door *d, bool wanted)
{
    if (d->listening == wanted) return;
    if (watch(d, d->listener, wanted ? EPOLLIN : 0, READY_LISTENER, EPOLL_CTL_MOD)) {
        d->listening = wanted;
    }
}

static void drop(struct door *d, struct client *c)
{
    close(c->fd); /* leaves the epoll set by itself */
    free(c->answer);
    c->answer = NULL;
    c->state = CLIENT_FREE;
    listen_if(d, true);
}

void door_close(struct door *d)
{
    if (!d) return;
    for (uint32_t i = 0; i < DOOR_CLIENTS_MAX; i++) {
        if (d->client[i].state != CLIENT_FREE) drop(d, &d->client[i]);
    }
    struct stat st;
    const bool ours = d->inode != 0 && lstat(d->path, &st) == 0 && st.st_dev == d->device &&
                      st.st_ino == d->inode;
    if (ours) unlink(d->path);
    if (d->listener >= 0) close(d->listener);
    if (d->timer >= 0) close(d->timer);
    if (d->epoll >= 0) close(d->epoll);
    free(d);
}

static struct client *by_ticket(struct door *d, uint64_t ticket)
{
    for (uint32_t i = 0; i < DOOR_CLIENTS_MAX; i++) {
        struct client *c = &d->client[i];
        if (c->state == CLIENT_WAITING && c->ticket == ticket) return c;
    }
    return NULL; /* it has hung up meanwhile */
}

static uint32_t index_of(const struct door *d, const struct client *c)
{
    return (uint32_t)(c - d->client);
}

/* The next one in the queue, not blocking; -1 with errno when there is none. */
static int accept_one(const struct door *d)
{
    const int fd = accept(d->listener, NULL, NULL);
    if (fd < 0) return -1;
    if (fcntl(fd, F_SETFD, FD_CLOEXEC) == 0 && fcntl(fd, F_SETFL, O_NONBLOCK) == 0) return fd;
    close(fd);
    errno = ECONNABORTED;
    return -1;
}

static bool has_room(const struct door *d)
{
    for (uint32_t i = 0; i < DOOR_CLIENTS_MAX; i++) {
        if (d->client[i].state == CLIENT_FREE) return true;
    }
    return false;
}

/* Takes in whoever knocks, until there is no room; the rest waits in the listener's queue. */
static void accept_clients(struct door *d)
{
    for (uint32_t i = 0; i < DOOR_CLIENTS_MAX; i++) {
        struct client *c = &d->client[i];
        if (c->state != CLIENT_FREE) continue;
        const int fd = accept_one(d);
        if (fd < 0) {
            if (errno == EAGAIN || errno == EINTR || errno == ECONNABORTED) return;
            listen_if(
                d, false); /* out of descriptors, say: rest for a moment instead of spinning */
            d->listen_again = mono_after(d->now, DOOR_ACCEPT_AGAIN_MS);
            return;
        }
        c->fd = fd;
        c->state = CLIENT_READING;
        c->call_length = 0;
        c->until = mono_after(d->now, DOOR_IDLE_MS);
        if (!watch(d, fd, EPOLLIN, i, EPOLL_CTL_ADD)) drop(d, c);
    }
    listen_if(d, false);
}

/* Sends what the socket takes; the client is gone when all is sent, or when it left. */
static void write_on(struct door *d, struct client *c)
{
    while (c->answer_sent < c->answer_length) {
        const ssize_t n = send(c->fd, c->answer + c->answer_sent, c->answer_length - c->answer_sent,
            MSG_NOSIGNAL | MSG_DONTWAIT);
        if (n < 0 && errno == EINTR) continue;
        if (n < 0 && errno == EAGAIN) return;
        if (n <= 0) break;
        c->answer_sent += (size_t)n;
    }
    drop(d, c);
}

/* Has the descriptor become readable at 'at', so that the loop comes back without being asked to.
 */
static void ring_at(struct door *d, struct mono at)
{
    if (at.ms == d->rings.ms) return;
    const int64_t wait_ms = mono_since(at, d->now) < 1 ? 1 : mono_since(at, d->now);
    struct itimerspec when = { 0 };
    if (at.ms != INT64_MAX) {
        when.it_value = (struct timespec){ wait_ms / 1000, (long)(wait_ms % 1000 * 1000000) };
    }
    if (timerfd_settime(d->timer, 0, &when, NULL) == 0) d->rings = at;
}

/* The timer follows whoever is to be dropped first. */
static void set_timer(struct door *d)
{
    struct mono first = { INT64_MAX };
    for (uint32_t i = 0; i < DOOR_CLIENTS_MAX; i++) {
        const struct client *c = &d->client[i];
        if (c->state != CLIENT_FREE && c->until.ms < first.ms) first = c->until;
    }
    if (!d->listening && has_room(d) && d->listen_again.ms < first.ms) first = d->listen_again;
    ring_at(d, first);
}

static void on_timer(struct door *d)
{
    uint64_t times;
    if (read(d->timer, &times, sizeof times) > 0) d->rings.ms = INT64_MAX;
}

/* Takes over 'answer' (malloced). */
static void begin_answer(struct door *d, struct client *c, char *answer, size_t length)
{
    c->answer = answer;
    c->answer_length = length;
    c->answer_sent = 0;
    c->state = CLIENT_WRITING;
    c->until = mono_after(d->now, DOOR_IDLE_MS);
    if (!watch(d, c->fd, EPOLLOUT, index_of(d, c), EPOLL_CTL_MOD)) {
        drop(d, c);
        return;
    }
    write_on(d, c);
    set_timer(d);
}

static void answer_client(
    struct door *d, struct client *c, bool ok, const char *reason, const char *text)
{
    const size_t room = 6 * (strlen(reason) + strlen(text)) + 64; /* if every byte were escaped */
    char *answer = malloc(room);
    if (!answer || room > DOOR_ANSWER_MAX) {
        free(answer);
        drop(d, c);
        return;
    }
    struct text t = text_over(answer, room);
    text_add(&t, ok ? "{\"ok\":true,\"reason\":" : "{\"ok\":false,\"reason\":");
    payload_add_string(&t, reason);
    text_add(&t, ",\"text\":");
    payload_add_string(&t, text);
    text_add(&t, "}\n");
    begin_answer(d, c, answer, t.length);
}

void door_answer(struct door *d, uint64_t ticket, bool ok, const char *reason, const char *text)
{
    struct client *c = by_ticket(d, ticket);
    if (c) answer_client(d, c, ok, reason, text);
}

void door_answer_status(struct door *d, uint64_t ticket, const struct core *core,
    const struct site *site, const struct door_shell *shell, struct now now)
{
    struct client *c = by_ticket(d, ticket);
    if (!c) return;
    char *answer = malloc(DOOR_ANSWER_MAX);
    if (!answer) {
        drop(d, c);
        return;
    }
    struct text t = text_over(answer, DOOR_ANSWER_MAX);
    const struct status_source source = status_of_core(core, site, shell, now);
    status_add(&t, &source, c->from);
    text_add_char(&t, '\n');
    INVARIANT(!t.cut);
    char *fitting = realloc(answer, t.length + 1);
    begin_answer(d, c, fitting ? fitting : answer, t.length);
}

/* --- calls -------------------------------------------------------------------------------------
 */

static uint32_t waiting_reloads(const struct door *d)
{
    uint32_t n = 0;
    for (uint32_t i = 0; i < DOOR_CLIENTS_MAX; i++) {
        n += d->client[i].state == CLIENT_WAITING && d->client[i].kind == DOOR_RELOAD ? 1 : 0;
    }
    return n;
}

/* The line is complete: a call for the shell, or an answer at once. */
static bool take_line(
    struct door *d, struct client *c, size_t length, const struct site *site, struct door_call *ret)
{
    struct request_refusal no = { 0 };
    struct door_call call;
    if (!door_read_call(&call, &c->from, c->call, length, site, &no)) {
        answer_client(d, c, false, no.reason, no.text);
        return false;
    }
    if (call.kind == DOOR_RELOAD && waiting_reloads(d) >= DOOR_RELOADS_MAX) {
        answer_client(d, c, false, "busy", "others already wait for the verdict of a reload");
        return false;
    }
    c->kind = call.kind;
    c->ticket = ++d->tickets;
    c->state = CLIENT_WAITING;
    c->until = mono_after(d->now, DOOR_VERDICT_MS);
    if (!watch(d, c->fd, 0, index_of(d, c), EPOLL_CTL_MOD)) { /* a hang-up is told all the same */
        drop(d, c);
        return false;
    }
    call.ticket = c->ticket;
    call.request.ticket = c->ticket;
    *ret = call;
    return true;
}

static bool read_on(
    struct door *d, struct client *c, const struct site *site, struct door_call *ret)
{
    const size_t room = sizeof c->call - c->call_length;
    const ssize_t n = recv(c->fd, c->call + c->call_length, room, MSG_DONTWAIT);
    if (n < 0 && (errno == EAGAIN || errno == EINTR)) return false;
    if (n <= 0) {
        drop(d, c);
        return false;
    }
    c->call_length += (size_t)n;
    const char *end = memchr(c->call, '\n', c->call_length);
    if (end) return take_line(d, c, (size_t)(end - c->call), site, ret);
    if (c->call_length == sizeof c->call) {
        answer_client(d, c, false, "malformed", "the call is longer than 4096 bytes");
    }
    return false;
}

static bool turn_client(struct door *d, struct client *c, uint32_t events, const struct site *site,
    struct door_call *ret)
{
    switch (c->state) {
    case CLIENT_FREE:
        return false;
    case CLIENT_READING:
        return read_on(d, c, site, ret);
    case CLIENT_WAITING:
        if (events & (EPOLLHUP | EPOLLERR)) drop(d, c);
        return false;
    case CLIENT_WRITING:
        write_on(d, c);
        return false;
    }
    return false;
}

static void drop_the_idle(struct door *d)
{
    for (uint32_t i = 0; i < DOOR_CLIENTS_MAX; i++) {
        struct client *c = &d->client[i];
        if (c->state != CLIENT_FREE && mono_since(d->now, c->until) >= 0) drop(d, c);
    }
}

static bool take_next(struct door *d, const struct site *site, struct door_call *ret)
{
    for (int turn = 0; turn < DOOR_TURNS_MAX; turn++) {
        struct epoll_event e;
        const int n = epoll_wait(d->epoll, &e, 1, 0);
        if (n < 0 && errno == EINTR) continue;
        if (n <= 0) return false;
        if (e.data.u32 == READY_LISTENER)
            accept_clients(d);
        else if (e.data.u32 == READY_TIMER)
            on_timer(d);
        else if (turn_client(d, &d->client[e.data.u32], e.events, site, ret))
            return true;
    }
    return false;
}

bool door_take(struct door *d, const struct site *site, struct now now, struct door_call *ret)
{
    d->now = now.mono;
    drop_the_idle(d);
    if (has_room(d) && mono_since(d->now, d->listen_again) >= 0) listen_if(d, true);
    const bool taken = take_next(d, site, ret);
    set_timer(d);
    return taken;
}
