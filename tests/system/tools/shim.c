/* Preloaded into the real program by system tests: a clock that can be driven, and a heap that
 * fails on command. Both are ruled by a page of shared memory, the file that DOSEWRIGHT_SHIM names:
 * the test writes into it while the program runs, and all programs of one world share it. Without
 * the file nothing is changed.
 *
 * The clock: CLOCK_BOOTTIME and CLOCK_MONOTONIC run 'speed' times as fast as they do,
 * CLOCK_REALTIME is that plus an offset that may be stepped at any moment. Waits are shortened in
 * the same proportion. The heap: allocations are counted by who asks for them, and the n-th of a
 * kind fails, or all from there on. The disk: opening a configuration's file may take its time. */
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <link.h>
#include <poll.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <sys/timerfd.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

/* Who asks: the program with the libraries that it calls itself, or the MQTT client library. */
enum asker { ASKER_PROGRAM, ASKER_CLIENT, ASKERS };

/* As tests/system/shim.py writes it: eight bytes each. */
struct page {
    int64_t speed;           /* 1 or more */
    int64_t real_ns;         /* CLOCK_BOOTTIME at some moment, */
    int64_t shown_ns;        /* and what is shown for it */
    int64_t wall_ns;         /* CLOCK_REALTIME less CLOCK_BOOTTIME, both as shown */
    int64_t sync;            /* 0: what the kernel says; 1: synced; 2: not */
    int64_t asked[ASKERS];   /* allocations so far */
    int64_t fail_at[ASKERS]; /* the number of the one that fails; 0: none */
    int64_t fail_on;         /* not 0: so do all that come after it */
    int64_t slow_ms;         /* until a file that ends in ".yaml" is open; real time */
};

static struct page nothing = { .speed = 1 };
static volatile struct page *page = &nothing;
static struct {
    uintptr_t from, to;
} client;

enum { NS_PER_MS = 1000000, SLICE_MS = 50 };
static const int64_t ns_per_s = 1000000000;

extern void *__libc_malloc(size_t size);
extern void *__libc_calloc(size_t count, size_t size);
extern void *__libc_realloc(void *old, size_t size);

/* --- the beginning ---------------------------------------------------------------------------- */

static int find_client(struct dl_phdr_info *info, size_t size, void *context)
{
    (void)size;
    (void)context;
    if (!strstr(info->dlpi_name, "libpaho-mqtt")) return 0;
    for (int i = 0; i < info->dlpi_phnum; i++) {
        if (info->dlpi_phdr[i].p_type != PT_LOAD || !(info->dlpi_phdr[i].p_flags & PF_X)) continue;
        client.from = info->dlpi_addr + info->dlpi_phdr[i].p_vaddr;
        client.to = client.from + info->dlpi_phdr[i].p_memsz;
    }
    return 1;
}

__attribute__((constructor)) static void begin(void)
{
    const char *path = getenv("DOSEWRIGHT_SHIM");
    const int fd = path ? open(path, O_RDWR | O_CLOEXEC) : -1;
    if (fd < 0) return;
    void *at = mmap(NULL, sizeof *page, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    close(fd);
    (void)dl_iterate_phdr(find_client, NULL);
    if (at != MAP_FAILED) page = at;
}

static bool is_real(void)
{
    return page == &nothing;
}

static void *next(const char *name)
{
    return dlsym(RTLD_NEXT, name);
}

/* --- the clock -------------------------------------------------------------------------------- */

static int real_clock(clockid_t which, struct timespec *ret)
{
    static int (*real)(clockid_t, struct timespec *);
    if (!real) *(void **)&real = next("clock_gettime");
    return real(which, ret);
}

static int64_t real_ns(clockid_t which)
{
    struct timespec t = { 0 };
    (void)real_clock(which, &t);
    return (int64_t)t.tv_sec * ns_per_s + t.tv_nsec;
}

static int64_t boot_ns(void)
{
    return page->shown_ns + (real_ns(CLOCK_BOOTTIME) - page->real_ns) * page->speed;
}

static struct timespec spec_of(int64_t ns)
{
    return (struct timespec){ .tv_sec = (time_t)(ns / ns_per_s), .tv_nsec = (long)(ns % ns_per_s) };
}

static int64_t ns_of(const struct timespec *t)
{
    return (int64_t)t->tv_sec * ns_per_s + t->tv_nsec;
}

int clock_gettime(clockid_t which, struct timespec *ret)
{
    if (is_real()) return real_clock(which, ret);
    switch (which) {
    case CLOCK_BOOTTIME:
    case CLOCK_MONOTONIC:
    case CLOCK_MONOTONIC_RAW:
        *ret = spec_of(boot_ns());
        return 0;
    case CLOCK_REALTIME:
        *ret = spec_of(boot_ns() + page->wall_ns);
        return 0;
    default:
        return real_clock(which, ret);
    }
}

int gettimeofday(struct timeval *restrict ret, void *restrict zone)
{
    struct timespec t;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &t) != 0) return -1;
    ret->tv_sec = t.tv_sec;
    ret->tv_usec = t.tv_nsec / 1000;
    return 0;
}

int adjtimex(struct timex *ret)
{
    static int (*real)(struct timex *);
    if (!real) *(void **)&real = next("adjtimex");
    const int state = real(ret);
    if (is_real() || page->sync == 0) return state;
    ret->status = page->sync == 1 ? ret->status & ~STA_UNSYNC : ret->status | STA_UNSYNC;
    return page->sync == 1 ? TIME_OK : TIME_ERROR;
}

/* --- waiting ---------------------------------------------------------------------------------- */

static int shorter_ms(int ms)
{
    if (ms <= 0) return ms;
    return (int)((ms + page->speed - 1) / page->speed);
}

int epoll_wait(int poll, struct epoll_event *ret, int most, int ms)
{
    static int (*real)(int, struct epoll_event *, int, int);
    if (!real) *(void **)&real = next("epoll_wait");
    return real(poll, ret, most, shorter_ms(ms));
}

int poll(struct pollfd *fds, nfds_t count, int ms)
{
    static int (*real)(struct pollfd *, nfds_t, int);
    if (!real) *(void **)&real = next("poll");
    return real(fds, count, shorter_ms(ms));
}

int usleep(useconds_t us)
{
    const struct timespec t = spec_of((int64_t)us * 1000 / page->speed);
    return (int)syscall(SYS_clock_nanosleep, CLOCK_MONOTONIC, 0, &t, NULL);
}

/* In slices, so that a step of the clock is felt as it would be: a wait until a time of day. */
int pthread_cond_timedwait(pthread_cond_t *restrict cond, pthread_mutex_t *restrict lock,
    const struct timespec *restrict until)
{
    static int (*real)(pthread_cond_t *, pthread_mutex_t *, const struct timespec *);
    if (!real) *(void **)&real = dlvsym(RTLD_NEXT, "pthread_cond_timedwait", "GLIBC_2.3.2");
    if (is_real()) return real(cond, lock, until);
    for (;;) {
        const int64_t left = ns_of(until) - boot_ns() - page->wall_ns;
        if (left <= 0) return ETIMEDOUT;
        int64_t wait = left / page->speed + 1;
        const int64_t most = (int64_t)SLICE_MS * NS_PER_MS;
        if (wait > most) wait = most;
        const struct timespec end = spec_of(real_ns(CLOCK_REALTIME) + wait);
        const int code = real(cond, lock, &end);
        if (code != ETIMEDOUT) return code;
    }
}

int timerfd_settime(int fd, int flags, const struct itimerspec *when, struct itimerspec *ret_former)
{
    static int (*real)(int, int, const struct itimerspec *, struct itimerspec *);
    if (!real) *(void **)&real = next("timerfd_settime");
    struct itimerspec at = *when;
    if (!is_real() && ns_of(&at.it_value) != 0) {
        int64_t ns = ns_of(&at.it_value);
        if (flags & TFD_TIMER_ABSTIME)
            ns = page->real_ns + (ns - page->shown_ns) / page->speed;
        else
            ns = ns / page->speed;
        at.it_value = spec_of(ns < 1 ? 1 : ns);
        at.it_interval = spec_of(ns_of(&at.it_interval) / page->speed);
    }
    return real(fd, flags, &at, ret_former);
}

/* --- the disk --------------------------------------------------------------------------------- */

static void wait_for_disk(const char *path)
{
    static const char slow[] = ".yaml";
    const size_t length = strlen(path), tail = sizeof slow - 1;
    const int64_t ms = page->slow_ms;
    if (ms <= 0 || length < tail || strcmp(path + length - tail, slow) != 0) return;
    const struct timespec t = spec_of(ms * NS_PER_MS);
    (void)syscall(SYS_clock_nanosleep, CLOCK_MONOTONIC, 0, &t, NULL);
}

int open(const char *path, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    const int mode = flags & (O_CREAT | __O_TMPFILE) ? va_arg(more, int) : 0;
    va_end(more);
    wait_for_disk(path);
    return (int)syscall(SYS_openat, AT_FDCWD, path, flags, mode);
}

/* --- the heap --------------------------------------------------------------------------------- */

static bool is_refused(const void *from)
{
    if (is_real()) return false;
    const uintptr_t at = (uintptr_t)from;
    const enum asker who = at >= client.from && at < client.to ? ASKER_CLIENT : ASKER_PROGRAM;
    const int64_t number = __atomic_add_fetch(&page->asked[who], 1, __ATOMIC_RELAXED);
    const int64_t fails = page->fail_at[who];
    return fails > 0 && (number == fails || (number > fails && page->fail_on != 0));
}

static void *refuse(void)
{
    errno = ENOMEM;
    return NULL;
}

void *malloc(size_t size)
{
    return is_refused(__builtin_return_address(0)) ? refuse() : __libc_malloc(size);
}

void *calloc(size_t count, size_t size)
{
    return is_refused(__builtin_return_address(0)) ? refuse() : __libc_calloc(count, size);
}

void *realloc(void *old, size_t size)
{
    return is_refused(__builtin_return_address(0)) ? refuse() : __libc_realloc(old, size);
}
