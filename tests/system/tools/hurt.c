/* Runs a program under ptrace and hurts it at the n-th of its system calls, whichever thread makes
 * it:
 *
 *     hurt [--at N] [--do kill|half|ERRNO] [--times K] [--only CALL,...] [--under DIR]
 *          --report FILE PROGRAM ARGUMENTS...
 *
 * kill: SIGKILL before the call is carried out. half: of a write the first half is carried out,
 * then SIGKILL. An errno (EIO, ENOSPC, ...): the call isn't carried out and fails with it; so do
 * the next K-1 that match, 0: all. short: a write is carried out by half, without a kill. Without
 * --at the calls are only counted. --only and --under choose which calls count: by name, and by a
 * descriptor or path below a folder.
 *
 * The report begins with the program's process id, written at once, and ends with what happened:
 * where it was hurt, how it ended, and, for a model of a power cut, how much of each file below DIR
 * (or, without
 * --under, anywhere) was synced, and which names were in its directory when that was synced last.
 *
 * x86-64 alone: elsewhere it exits with 77. */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <sys/user.h>
#include <sys/wait.h>
#include <unistd.h>

#if !defined(__x86_64__)
int main(void)
{
    fputs("hurt: only x86-64 is known here\n", stderr);
    return 77;
}
#else

#include <linux/ptrace.h>

/* Arguments: which one is a descriptor, which a path relative to it; -1: none. */
struct call {
    long number;
    const char *name;
    int descriptor, path;
    bool writes;
};

static const struct call known[] = {
    { SYS_read, "read", 0, -1, false },
    { SYS_write, "write", 0, -1, true },
    { SYS_pwrite64, "pwrite64", 0, -1, true },
    { SYS_writev, "writev", 0, -1, false },
    { SYS_sendto, "sendto", 0, -1, true },
    { SYS_recvfrom, "recvfrom", 0, -1, false },
    { SYS_pread64, "pread64", 0, -1, false },
    { SYS_openat, "openat", 0, 1, false },
    { SYS_close, "close", 0, -1, false },
    { SYS_fsync, "fsync", 0, -1, false },
    { SYS_fdatasync, "fdatasync", 0, -1, false },
    { SYS_ftruncate, "ftruncate", 0, -1, false },
    { SYS_fallocate, "fallocate", 0, -1, false },
    { SYS_unlinkat, "unlinkat", 0, 1, false },
    { SYS_newfstatat, "newfstatat", 0, 1, false },
    { SYS_getdents64, "getdents64", 0, -1, false },
    { SYS_flock, "flock", 0, -1, false },
    { SYS_mmap, "mmap", -1, -1, false },
    { SYS_munmap, "munmap", -1, -1, false },
    { SYS_mprotect, "mprotect", -1, -1, false },
    { SYS_mremap, "mremap", -1, -1, false },
    { SYS_madvise, "madvise", -1, -1, false },
    { SYS_brk, "brk", -1, -1, false },
    { SYS_poll, "poll", -1, -1, false },
    { SYS_epoll_wait, "epoll_wait", -1, -1, false },
    { SYS_epoll_ctl, "epoll_ctl", -1, -1, false },
    { SYS_epoll_create1, "epoll_create1", -1, -1, false },
    { SYS_futex, "futex", -1, -1, false },
    { SYS_socket, "socket", -1, -1, false },
    { SYS_connect, "connect", -1, -1, false },
    { SYS_bind, "bind", -1, -1, false },
    { SYS_listen, "listen", -1, -1, false },
    { SYS_accept, "accept", -1, -1, false },
    { SYS_accept4, "accept4", -1, -1, false },
    { SYS_shutdown, "shutdown", -1, -1, false },
    { SYS_setsockopt, "setsockopt", -1, -1, false },
    { SYS_getsockopt, "getsockopt", -1, -1, false },
    { SYS_fcntl, "fcntl", -1, -1, false },
    { SYS_clone3, "clone3", -1, -1, false },
    { SYS_clock_adjtime, "clock_adjtime", -1, -1, false },
    { SYS_adjtimex, "adjtimex", -1, -1, false },
    { SYS_timerfd_settime, "timerfd_settime", -1, -1, false },
    { SYS_timerfd_create, "timerfd_create", -1, -1, false },
    { SYS_rt_sigprocmask, "rt_sigprocmask", -1, -1, false },
    { SYS_rt_sigaction, "rt_sigaction", -1, -1, false },
    { SYS_getrandom, "getrandom", -1, -1, false },
    { SYS_exit, "exit", -1, -1, false },
    { SYS_exit_group, "exit_group", -1, -1, false },
    { SYS_execve, "execve", -1, -1, false },
    { SYS_unlink, "unlink", -1, 0, false },
    { SYS_mkdir, "mkdir", -1, 0, false },
    { SYS_access, "access", -1, 0, false },
};
enum { KNOWN = sizeof known / sizeof known[0] };

static const struct {
    const char *name;
    int number;
} errors[] = {
    { "EIO", EIO },
    { "ENOSPC", ENOSPC },
    { "EDQUOT", EDQUOT },
    { "EROFS", EROFS },
    { "EMFILE", EMFILE },
    { "EINTR", EINTR },
    { "EACCES", EACCES },
    { "ENOMEM", ENOMEM },
};

enum deed { DEED_NONE, DEED_KILL, DEED_HALF, DEED_SHORT, DEED_ERROR };

static struct {
    enum deed deed;
    int error;
    int64_t at, times;
    const char *only, *under, *report;
} wish = { .times = 1 };

enum { FILES_MAX = 64, THREADS_MAX = 64, NAMES_MAX = 8192, DESCRIPTORS = 64 };

/* What a power cut would leave. */
static struct file {
    char path[PATH_MAX];
    int64_t synced;
} files[FILES_MAX];
static int file_count;
static char linked[NAMES_MAX], seen_names[NAMES_MAX];

/* A call that a thread is in. */
static struct thread {
    pid_t id;
    long number;
    bool inside, fails, dies;
    char path[PATH_MAX]; /* of the descriptor that is being synced */
    int64_t size;
} threads[THREADS_MAX];
static int thread_count;

static int64_t matched, total;
static pid_t child;
static char hurt_name[32], hurt_path[PATH_MAX];

static void fail(const char *what)
{
    fprintf(stderr, "hurt: %s: %s\n", what, strerror(errno));
    if (child > 0) kill(child, SIGKILL);
    exit(70);
}

/* --- which call is it ------------------------------------------------------------------------- */

static const struct call *call_of(long number)
{
    for (int i = 0; i < KNOWN; i++) {
        if (known[i].number == number) return &known[i];
    }
    return NULL;
}

/* Is the name in the list, between commas? */
static bool in_list(const char *list, const char *name)
{
    const size_t length = strlen(name);
    for (const char *at = strstr(list, name); at; at = strstr(at + 1, name)) {
        const bool begins = at == list || at[-1] == ',';
        if (begins && (at[length] == ',' || at[length] == '\0')) return true;
    }
    return false;
}

static bool path_of_descriptor(char ret[PATH_MAX], int64_t fd)
{
    char link[64];
    snprintf(link, sizeof link, "/proc/%d/fd/%d", (int)child, (int)fd);
    const ssize_t length = readlink(link, ret, PATH_MAX - 1);
    ret[length > 0 ? length : 0] = '\0';
    return length > 0;
}

static void read_text(char *ret, size_t room, uint64_t address)
{
    struct iovec here = { ret, room - 1 }, there = { (void *)(uintptr_t)address, room - 1 };
    ssize_t got = process_vm_readv(child, &here, 1, &there, 1, 0);
    if (got < 0) { /* it may end within the page */
        here.iov_len = there.iov_len = 4096 - (size_t)(address & 4095);
        got = process_vm_readv(child, &here, 1, &there, 1, 0);
    }
    ret[got > 0 ? got : 0] = '\0';
}

/* What the call is about: a file's path, or "". */
static void object_of(char ret[PATH_MAX], const struct call *call, const uint64_t *args)
{
    char name[256];
    ret[0] = '\0';
    if (!call) return;
    if (call->descriptor >= 0 && (int)args[call->descriptor] >= 0)
        (void)path_of_descriptor(ret, (int64_t)args[call->descriptor]);
    if (call->path < 0) return;
    read_text(name, sizeof name, args[call->path]);
    const size_t length = strlen(ret);
    if (name[0] == '/')
        snprintf(ret, PATH_MAX, "%s", name);
    else
        snprintf(ret + length, PATH_MAX - length, "/%s", name);
}

static bool is_below(const char *path)
{
    return !wish.under || strncmp(path, wish.under, strlen(wish.under)) == 0;
}

static bool matches(const struct call *call, const char *path)
{
    if (wish.only && (!call || !in_list(wish.only, call->name))) return false;
    return !wish.under || is_below(path);
}

/* --- what is on disk -------------------------------------------------------------------------- */

static void note_names(char ret[NAMES_MAX], const char *path)
{
    size_t used = 0;
    DIR *dir = opendir(path);
    if (!dir) return;
    for (const struct dirent *e = readdir(dir); e; e = readdir(dir)) {
        if (e->d_name[0] == '.' || strpbrk(e->d_name, "\"\\")) continue;
        const int n =
            snprintf(ret + used, NAMES_MAX - used, "%s\"%s\"", used > 0 ? "," : "", e->d_name);
        if (n > 0 && (size_t)n < NAMES_MAX - used) used += (size_t)n;
    }
    ret[used] = '\0';
    closedir(dir);
}

/* Before a sync: what it will have taken if it succeeds. */
static void begin_sync(struct thread *t, const char *path)
{
    struct stat st;
    snprintf(t->path, sizeof t->path, "%s", path);
    t->size = -1;
    if (stat(path, &st) != 0) return;
    if (S_ISDIR(st.st_mode))
        note_names(seen_names, path);
    else
        t->size = (int64_t)st.st_size;
}

static void end_sync(const struct thread *t)
{
    if (t->size < 0) {
        memcpy(linked, seen_names, sizeof linked);
        return;
    }
    for (int i = 0; i < file_count; i++) {
        if (strcmp(files[i].path, t->path) != 0) continue;
        files[i].synced = t->size;
        return;
    }
    if (file_count == FILES_MAX) return;
    snprintf(files[file_count].path, PATH_MAX, "%s", t->path);
    files[file_count++].synced = t->size;
}

/* --- the report ------------------------------------------------------------------------------- */

static void report(int status)
{
    FILE *out = fopen(wish.report, "a");
    if (!out) fail(wish.report);
    fprintf(out, "{\"calls\":%lld,\"all\":%lld,\"name\":\"%s\",\"path\":\"%s\",",
        (long long)matched, (long long)total, hurt_name, hurt_path);
    fprintf(out, "\"code\":%d,\"signal\":%d,\"linked\":[%s],\"synced\":{",
        WIFEXITED(status) ? WEXITSTATUS(status) : -1, WIFSIGNALED(status) ? WTERMSIG(status) : 0,
        linked);
    for (int i = 0; i < file_count; i++) {
        fprintf(out, "%s\"%s\":%lld", i > 0 ? "," : "", files[i].path, (long long)files[i].synced);
    }
    fputs("}}\n", out);
    fclose(out);
}

static void report_child(void)
{
    FILE *out = fopen(wish.report, "w");
    if (!out) fail(wish.report);
    fprintf(out, "{\"pid\":%d}\n", (int)child);
    fclose(out);
}

/* --- hurting ---------------------------------------------------------------------------------- */

static struct thread *thread_of(pid_t id)
{
    for (int i = 0; i < thread_count; i++) {
        if (threads[i].id == id) return &threads[i];
    }
    if (thread_count == THREADS_MAX) {
        errno = EOVERFLOW;
        fail("threads");
    }
    threads[thread_count] = (struct thread){ .id = id };
    return &threads[thread_count++];
}

static void set_registers(pid_t id, const struct user_regs_struct *registers)
{
    if (ptrace(PTRACE_SETREGS, id, NULL, registers) != 0 && errno != ESRCH) fail("registers");
}

static void halve(pid_t id)
{
    struct user_regs_struct r;
    if (ptrace(PTRACE_GETREGS, id, NULL, &r) != 0) return;
    if (r.rdx > 1) r.rdx /= 2;
    set_registers(id, &r);
}

static void hurt(struct thread *t, const struct call *call, const char *path)
{
    snprintf(hurt_name, sizeof hurt_name, "%s", call ? call->name : "other");
    if (!strpbrk(path, "\"\\")) snprintf(hurt_path, sizeof hurt_path, "%s", path);
    const bool can_halve = call && call->writes;
    if (wish.deed == DEED_KILL || (wish.deed == DEED_HALF && !can_halve)) {
        kill(child, SIGKILL);
    } else if (wish.deed == DEED_ERROR) {
        struct user_regs_struct r;
        if (ptrace(PTRACE_GETREGS, t->id, NULL, &r) != 0) return;
        r.orig_rax = (unsigned long long)-1;
        set_registers(t->id, &r);
        t->fails = true;
    } else if (can_halve) {
        halve(t->id);
        t->dies = wish.deed == DEED_HALF;
    }
}

static void enter(struct thread *t, const struct ptrace_syscall_info *info)
{
    char path[PATH_MAX] = "";
    const struct call *call = call_of((long)info->entry.nr);
    uint64_t args[6];
    for (int i = 0; i < 6; i++) {
        args[i] = info->entry.args[i];
    }
    t->inside = true;
    t->number = (long)info->entry.nr;
    total++;
    const bool syncs = t->number == SYS_fsync || t->number == SYS_fdatasync;
    if (wish.under || syncs || total == wish.at) object_of(path, call, args);
    if (syncs) begin_sync(t, path);
    if (!matches(call, path)) return;
    matched++;
    if (wish.at == 0 || matched < wish.at) return;
    if (wish.times > 0 && matched >= wish.at + wish.times) return;
    hurt(t, call, path);
}

static void leave(struct thread *t, const struct ptrace_syscall_info *info)
{
    if (!t->inside) return;
    t->inside = false;
    const bool syncs = t->number == SYS_fsync || t->number == SYS_fdatasync;
    if (t->fails) {
        struct user_regs_struct r;
        t->fails = false;
        if (ptrace(PTRACE_GETREGS, t->id, NULL, &r) != 0) return;
        r.rax = (unsigned long long)-(long long)wish.error;
        set_registers(t->id, &r);
        return;
    }
    if (syncs && info->exit.rval == 0) end_sync(t);
    if (t->dies) kill(child, SIGKILL);
}

static void at_call(pid_t id)
{
    struct ptrace_syscall_info info;
    memset(&info, 0, sizeof info);
    if (ptrace(PTRACE_GET_SYSCALL_INFO, id, sizeof info, &info) <= 0) return;
    struct thread *t = thread_of(id);
    if (info.op == PTRACE_SYSCALL_INFO_ENTRY) enter(t, &info);
    if (info.op == PTRACE_SYSCALL_INFO_EXIT) leave(t, &info);
}

/* --- following -------------------------------------------------------------------------------- */

static void start(char **command)
{
    child = fork();
    if (child < 0) fail("fork");
    if (child > 0) return;
    if (ptrace(PTRACE_TRACEME, 0, NULL, NULL) != 0) _exit(71);
    raise(SIGSTOP);
    execv(command[0], command);
    _exit(72);
}

/* The status with which the program ended. */
static int follow(void)
{
    int status;
    for (;;) {
        const pid_t id = waitpid(-1, &status, __WALL);
        if (id < 0 && errno == EINTR) continue;
        if (id < 0) fail("waiting");
        if (!WIFSTOPPED(status)) {
            if (id == child) return status;
            continue;
        }
        int give = 0;
        if (WSTOPSIG(status) == (SIGTRAP | 0x80))
            at_call(id);
        else if (WSTOPSIG(status) != SIGTRAP && !(WSTOPSIG(status) == SIGSTOP && status >> 16 == 0))
            give = WSTOPSIG(status);
        (void)ptrace(PTRACE_SYSCALL, id, NULL, (void *)(uintptr_t)give);
    }
}

static bool read_deed(const char *word)
{
    static const char *const words[] = { "", "kill", "half", "short" };
    for (int i = 1; i < 4; i++) {
        if (strcmp(word, words[i]) == 0) wish.deed = (enum deed)i;
    }
    for (size_t i = 0; i < sizeof errors / sizeof errors[0]; i++) {
        if (strcmp(word, errors[i].name) != 0) continue;
        wish.deed = DEED_ERROR;
        wish.error = errors[i].number;
    }
    return wish.deed != DEED_NONE;
}

int main(int argc, char **argv)
{
    int i = 1;
    wish.deed = DEED_NONE;
    bool good = true;
    for (; i + 1 < argc && argv[i][0] == '-'; i += 2) {
        const char *value = argv[i + 1];
        if (strcmp(argv[i], "--at") == 0)
            wish.at = strtoll(value, NULL, 10);
        else if (strcmp(argv[i], "--times") == 0)
            wish.times = strtoll(value, NULL, 10);
        else if (strcmp(argv[i], "--do") == 0)
            good = good && read_deed(value);
        else if (strcmp(argv[i], "--only") == 0)
            wish.only = value;
        else if (strcmp(argv[i], "--under") == 0)
            wish.under = value;
        else if (strcmp(argv[i], "--report") == 0)
            wish.report = value;
        else
            good = false;
    }
    if (!good || !wish.report || i >= argc || (wish.at > 0 && wish.deed == DEED_NONE)) {
        fputs("hurt: see the top of hurt.c\n", stderr);
        return 64;
    }
    start(argv + i);
    int status;
    if (waitpid(child, &status, __WALL) != child || !WIFSTOPPED(status)) fail("start");
    const long options = PTRACE_O_TRACESYSGOOD | PTRACE_O_TRACECLONE | PTRACE_O_EXITKILL;
    if (ptrace(PTRACE_SETOPTIONS, child, NULL, (void *)options) != 0) fail("options");
    report_child();
    if (ptrace(PTRACE_SYSCALL, child, NULL, NULL) != 0) fail("start");
    status = follow();
    report(status);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}
#endif
