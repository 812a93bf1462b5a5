#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "daemon/base/clock.h"
#include "daemon/door/door.h"

enum { CHUNK = 64 * 1024, FULL_QUEUE_MS = 50 };

/* A call under way. */
struct asking {
    const char *path;
    int fd;
    struct mono until;
    struct problem *problem;
};

static enum err fail(const struct asking *a, enum err err, const char *what, int number)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, what);
    if (number != 0) {
        text_add(&t, " (");
        text_add(&t, strerror(number));
        text_add_char(&t, ')');
    }
    return problem_set(a->problem, err, a->path, text);
}

static int64_t left_ms(const struct asking *a)
{
    const int64_t left = mono_since(a->until, clock_now().mono);
    return left > 0 ? left : 0;
}

static enum err wait_for(const struct asking *a, short events)
{
    for (;;) {
        struct pollfd p = { .fd = a->fd, .events = events };
        const int64_t left = left_ms(a);
        const int n = poll(&p, 1, left < 3600000 ? (int)left : 3600000);
        if (n > 0) return ERR_NONE;
        if (n < 0 && errno != EINTR) return fail(a, ERR_IO, "can't wait for the daemon", errno);
        if (n == 0 && left == 0) return fail(a, ERR_BUSY, "the daemon didn't answer in time", 0);
    }
}

static enum err knock(const struct asking *a, const struct sockaddr_un *address)
{
    while (connect(a->fd, (const struct sockaddr *)address, sizeof *address) < 0) {
        switch (errno) {
        case EINTR:
            break;
        case EAGAIN: /* its queue is full */
            if (left_ms(a) == 0) return fail(a, ERR_BUSY, "the daemon is busy with others", 0);
            poll(NULL, 0, FULL_QUEUE_MS);
            break;
        case ENOENT:
        case ECONNREFUSED:
            return fail(a, ERR_IO,
                "nobody answers here: the daemon doesn't run, or uses another socket", errno);
        case EACCES:
            return fail(a, ERR_IO,
                "this account may not talk to the daemon; add it to the group that owns the socket",
                errno);
        default:
            return fail(a, ERR_IO, "can't reach the daemon", errno);
        }
    }
    return ERR_NONE;
}

static enum err send_all(const struct asking *a, const char *bytes, size_t length)
{
    while (length > 0) {
        const ssize_t n = send(a->fd, bytes, length, MSG_NOSIGNAL);
        if (n < 0 && errno == EAGAIN) {
            const enum err err = wait_for(a, POLLOUT);
            if (err != ERR_NONE) return err;
        } else if (n < 0 && errno != EINTR) {
            return fail(a, ERR_DAMAGED, "the daemon hung up", errno);
        } else if (n > 0) {
            bytes += n;
            length -= (size_t)n;
        }
    }
    return ERR_NONE;
}

/* Room for a chunk more, and the NUL. */
static bool grow(char **answer, size_t length)
{
    char *more = realloc(*answer, length + CHUNK + 1);
    if (!more) return false;
    *answer = more;
    return true;
}

static enum err receive_line(const struct asking *a, char **answer)
{
    size_t length = 0;
    for (;;) {
        if (length > DOOR_ANSWER_MAX) return fail(a, ERR_DAMAGED, "the answer is too long", 0);
        if (!grow(answer, length)) return fail(a, ERR_IO, "out of memory", 0);
        const enum err err = wait_for(a, POLLIN);
        if (err != ERR_NONE) return err;
        const ssize_t n = recv(a->fd, *answer + length, CHUNK, 0);
        if (n < 0 && (errno == EINTR || errno == EAGAIN)) continue;
        if (n < 0) return fail(a, ERR_DAMAGED, "the daemon hung up", errno);
        if (n == 0) return fail(a, ERR_DAMAGED, "the daemon hung up before it had answered", 0);
        char *end = memchr(*answer + length, '\n', (size_t)n);
        length += (size_t)n;
        if (!end) continue;
        *end = '\0';
        return ERR_NONE;
    }
}

static enum err converse(const struct asking *a, const char *line, char **answer)
{
    char whole[DOOR_CALL_MAX + 2];
    struct text t = text_over(whole, sizeof whole);
    text_add(&t, line);
    text_add_char(&t, '\n');
    if (t.cut) return fail(a, ERR_RANGE, "the call is longer than a daemon takes", 0);
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    text_copy(address.sun_path, sizeof address.sun_path, a->path);
    enum err err = knock(a, &address);
    if (err == ERR_NONE) err = send_all(a, t.at, t.length);
    if (err == ERR_NONE) err = receive_line(a, answer);
    return err;
}

enum err door_ask(
    const char *path, const char *line, int64_t wait_ms, char **ret_answer, struct problem *problem)
{
    *ret_answer = NULL;
    struct asking a = {
        .path = path, .fd = -1, .until = mono_after(clock_now().mono, wait_ms), .problem = problem
    };
    if (path[0] == '\0' || strlen(path) >= sizeof((struct sockaddr_un *)NULL)->sun_path) {
        return fail(&a, ERR_RANGE, "a socket's path must have 1 to 107 characters", 0);
    }
    a.fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (a.fd < 0) return fail(&a, ERR_IO, "can't make a socket", errno);

    char *answer = NULL;
    const enum err err = converse(&a, line, &answer);
    close(a.fd);
    if (err == ERR_NONE)
        *ret_answer = answer;
    else
        free(answer);
    return err;
}
