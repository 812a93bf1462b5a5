#include "daemon/base/notify.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sys/un.h>
#include <unistd.h>

#include "lib/base/decimal.h"
#include "lib/base/text.h"

enum { NOTIFY_MAX = 512 };

static char last_status[NOTIFY_MAX];

/* Where the service manager listens; 0 when nobody does. */
static socklen_t manager_address(struct sockaddr_un *ret)
{
    const char *path = getenv("NOTIFY_SOCKET");
    if (!path || (path[0] != '/' && path[0] != '@')) return 0;
    const size_t length = strlen(path);
    if (length < 2 || length >= sizeof ret->sun_path) return 0;
    *ret = (struct sockaddr_un){ .sun_family = AF_UNIX };
    memcpy(ret->sun_path, path, length);
    if (path[0] == '@') ret->sun_path[0] = '\0'; /* the abstract namespace */
    const size_t end = path[0] == '@' ? length : length + 1;
    return (socklen_t)(offsetof(struct sockaddr_un, sun_path) + end);
}

/* A change of state is worth waiting a second for when the manager's queue is full, as a lost
 * READY=1 would have this process killed; a status or a sign of life isn't. */
enum patience { AT_ONCE, WITHIN_A_SECOND };

/* Best effort: the watchdog is what notices a manager that can't be reached. */
static bool send_state(const char *state, enum patience patience)
{
    struct sockaddr_un address;
    const socklen_t length = manager_address(&address);
    if (length == 0) return false;
    const int nonblock = patience == AT_ONCE ? SOCK_NONBLOCK : 0;
    const int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | nonblock, 0);
    if (fd < 0) return false;
    const struct timeval most = { .tv_sec = 1 };
    setsockopt(fd, SOL_SOCKET, SO_SNDTIMEO, &most, sizeof most);
    ssize_t sent;
    do {
        sent = sendto(fd, state, strlen(state), MSG_NOSIGNAL, (struct sockaddr *)&address, length);
    } while (sent < 0 && errno == EINTR);
    close(fd);
    return sent >= 0;
}

void notify_ready(void)
{
    send_state("READY=1", WITHIN_A_SECOND);
}

void notify_reloading(struct now now)
{
    /* The field is meant to be CLOCK_MONOTONIC. The loop's clock also counts suspended time, so it
     * is never behind that one, and a manager only turns down what is older than its own request.
     */
    char state[NOTIFY_MAX];
    struct text t = text_over(state, sizeof state);
    text_add(&t, "RELOADING=1\nMONOTONIC_USEC=");
    text_add_int(&t, now.mono.ms * 1000);
    send_state(state, WITHIN_A_SECOND);
}

void notify_stopping(void)
{
    send_state("STOPPING=1", WITHIN_A_SECOND);
}

void notify_status(const char *text)
{
    char state[NOTIFY_MAX];
    struct text t = text_over(state, sizeof state);
    text_add(&t, "STATUS=");
    for (const char *c = text; *c; c++) {
        text_add_char(&t, *c == '\n' ? ' ' : *c);
    }
    if (strcmp(state, last_status) == 0) return;
    if (send_state(state, AT_ONCE)) memcpy(last_status, state, sizeof state);
}

void notify_watchdog(void)
{
    send_state("WATCHDOG=1", AT_ONCE);
}

static bool read_whole(int64_t *ret, const char *name)
{
    struct decimal d;
    const char *text = getenv(name);
    return text && decimal_read_plain(&d, text, strlen(text)) && decimal_scaled(ret, d, 0);
}

int64_t notify_watchdog_every_ms(void)
{
    int64_t usec, pid;
    if (!read_whole(&usec, "WATCHDOG_USEC") || usec <= 0) return 0;
    if (getenv("WATCHDOG_PID") && (!read_whole(&pid, "WATCHDOG_PID") || pid != getpid())) return 0;
    const int64_t half_ms = usec / 2000;
    return half_ms > 0 ? half_ms : 1;
}
