/* A real broker on a free loopback port, and clients of other makers to check against. Only for
 * tests; included once by each. Whatever is started is stopped by its process id. */
#ifndef DOSEWRIGHT_TESTS_BROKER_H
#define DOSEWRIGHT_TESTS_BROKER_H

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "tests/unit/support.h"

struct broker {
    pid_t pid;
    int port;
    char dir[64], uri[64], more[1024]; /* 'more': further lines of its configuration */
};

static void broker_nap(int ms)
{
    const struct timespec span = { ms / 1000, (ms % 1000) * 1000000L };
    nanosleep(&span, NULL);
}

static int broker_free_port(void)
{
    struct sockaddr_in address = { .sin_family = AF_INET,
        .sin_addr.s_addr = htonl(INADDR_LOOPBACK) };
    socklen_t length = sizeof address;
    const int fd = socket(AF_INET, SOCK_STREAM, 0);
    ck_assert_int_ge(fd, 0);
    ck_assert_int_eq(bind(fd, (struct sockaddr *)&address, sizeof address), 0);
    ck_assert_int_eq(getsockname(fd, (struct sockaddr *)&address, &length), 0);
    close(fd);
    return ntohs(address.sin_port);
}

static int broker_answers(int port)
{
    struct sockaddr_in address = { .sin_family = AF_INET,
        .sin_addr.s_addr = htonl(INADDR_LOOPBACK),
        .sin_port = htons((uint16_t)port) };
    const int fd = socket(AF_INET, SOCK_STREAM, 0);
    const int ok = connect(fd, (struct sockaddr *)&address, sizeof address) == 0;
    close(fd);
    return ok;
}

static void broker_write(const char *path, const char *text)
{
    FILE *file = fopen(path, "w");
    ck_assert_ptr_nonnull(file);
    ck_assert_int_ge(fputs(text, file), 0);
    ck_assert_int_eq(fclose(file), 0);
}

static pid_t broker_spawn(const char *output, const char *const *argv)
{
    const pid_t pid = fork();
    ck_assert_int_ge(pid, 0);
    if (pid > 0) return pid;
    prctl(PR_SET_PDEATHSIG, SIGKILL); /* a test that fails takes its servers along */
    const int fd = open(output, O_CREAT | O_WRONLY | O_TRUNC, 0600);
    dup2(fd, 1);
    dup2(fd, 2);
    sigset_t none;
    sigemptyset(&none);
    sigprocmask(SIG_SETMASK, &none, NULL);
    char *const *plain;
    memcpy(&plain, &argv, sizeof plain); /* execvp changes nothing, but doesn't say so */
    execvp(argv[0], plain);
    _exit(127);
}

/* Starts it again on the same port; its former life must be over. */
static void broker_start(struct broker *b)
{
    char conf[128], log[128], text[2048];
    snprintf(conf, sizeof conf, "%s/broker.conf", b->dir);
    snprintf(log, sizeof log, "%s/broker.log", b->dir);
    snprintf(text, sizeof text,
        "%slistener %d 127.0.0.1\npersistence false\nset_tcp_nodelay true\nlog_type all\n%s\n",
        geteuid() == 0 ? "user root\n" : "", b->port,
        b->more[0] ? b->more : "allow_anonymous true");
    broker_write(conf, text);
    const char *argv[] = { "mosquitto", "-c", conf, NULL };
    b->pid = broker_spawn(log, argv);
    for (int i = 0; i < 400 && !broker_answers(b->port); i++) {
        ck_assert_int_eq(waitpid(b->pid, NULL, WNOHANG), 0);
        broker_nap(10);
    }
    ck_assert(broker_answers(b->port));
}

static void broker_open(struct broker *b, const char *more)
{
    memset(b, 0, sizeof *b);
    test_place(b->dir, sizeof b->dir, "broker-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(b->dir));
    snprintf(b->more, sizeof b->more, "%s", more);
    b->port = broker_free_port();
    snprintf(b->uri, sizeof b->uri, "mqtt://127.0.0.1:%d", b->port);
    broker_start(b);
}

static void broker_stop(struct broker *b, int signal)
{
    if (b->pid <= 0) return;
    kill(b->pid, SIGCONT);
    kill(b->pid, signal);
    for (int i = 0; i < 300; i++) {
        if (waitpid(b->pid, NULL, WNOHANG) == b->pid) {
            b->pid = 0;
            return;
        }
        broker_nap(10);
    }
    kill(b->pid, SIGKILL);
    waitpid(b->pid, NULL, 0);
    b->pid = 0;
}

static void broker_close(struct broker *b)
{
    broker_stop(b, SIGTERM);
    const char *argv[] = { "rm", "-rf", b->dir, NULL };
    const pid_t pid = broker_spawn("/dev/null", argv);
    waitpid(pid, NULL, 0);
}

/* Runs the broker's own publisher to its end; NULL ends the arguments after host and port. */
static inline void broker_publish(const struct broker *b, const char *first, ...)
{
    char port[16];
    snprintf(port, sizeof port, "%d", b->port);
    const char *argv[32] = { "mosquitto_pub", "-h", "127.0.0.1", "-p", port };
    int argc = 5;
    va_list more;
    va_start(more, first);
    for (const char *a = first; a && argc < 31; a = va_arg(more, const char *)) {
        argv[argc++] = a;
    }
    va_end(more);
    int status = 0;
    const pid_t pid = broker_spawn("/dev/null", argv);
    ck_assert_int_eq(waitpid(pid, &status, 0), pid);
    ck_assert_int_eq(status, 0);
}

/* The broker's own subscriber, in the background, one line a message: "retained topic payload". */
struct listener {
    pid_t pid;
    char path[128];
    char text[65536];
};

static inline void listener_open(
    struct listener *l, const struct broker *b, const char *name, const char *filter)
{
    char port[16];
    snprintf(port, sizeof port, "%d", b->port);
    snprintf(l->path, sizeof l->path, "%s/%s", b->dir, name);
    const char *argv[] = { "mosquitto_sub", "-h", "127.0.0.1", "-p", port, "-V", "5", "-q", "1",
        "-t", filter, "-F", "%r %t %p", "--retain-as-published", NULL };
    l->pid = broker_spawn(l->path, argv);
    broker_nap(150);
}

static inline const char *listener_read(struct listener *l)
{
    FILE *file = fopen(l->path, "r");
    size_t n = 0;
    if (file) {
        n = fread(l->text, 1, sizeof l->text - 1, file);
        fclose(file);
    }
    l->text[n] = '\0';
    return l->text;
}

static inline void listener_close(struct listener *l)
{
    kill(l->pid, SIGTERM);
    waitpid(l->pid, NULL, 0);
}

#endif
