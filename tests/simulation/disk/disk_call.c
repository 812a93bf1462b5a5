/* What the journal calls instead of the C library: files, directories, syncs; and where a process
 * is stopped, or a call fails. */
#include "tests/simulation/disk/inside.h"

#include <stdarg.h>

#include "lib/base/text.h"

/* --- counting, stopping, failing -------------------------------------------------------------- */

static void die(struct disk *d)
{
    d->dead = true;
    if (d->thread.inside) thread_pause(d);
    if (!d->running) {
        fputs("disk: stopped outside of disk_run\n", stderr);
        abort();
    }
    longjmp(d->way_out, 1);
}

static bool can_halve(enum disk_call call)
{
    return call == DISK_WRITE || call == DISK_SYNC;
}

/* After a call that was refused is before the next one. */
static void maybe_die(struct disk *d, enum disk_call call)
{
    d->calls++;
    if (d->stop_at == 0) return;
    if (d->calls > d->stop_at) die(d);
    if (d->calls < d->stop_at) return;
    d->stopped = call;
    if (d->stop_how == DISK_BEFORE || (d->stop_how == DISK_HALF && !can_halve(call))) die(d);
}

static void let_look(struct disk *d)
{
    if (!d->look || d->thread.lock_held) return;
    d->looking = true;
    d->look(d->look_context);
    d->looking = false;
}

bool call_fails(struct disk *d, enum disk_call call)
{
    if (d->looking) return false;
    let_look(d);
    d->calls_of[call]++;
    if (call != DISK_HEAP) maybe_die(d, call);
    struct fault *f = &d->fault[call];
    if (!f->set) return false;
    const int64_t n = ++f->seen;
    if (n < f->what.from || (f->what.count > 0 && n >= f->what.from + f->what.count)) return false;
    f->fired++;
    if (f->what.error == 0) return false;
    errno = f->what.error;
    return true;
}

/* Is this write to be a short one? */
static bool is_short(const struct disk *d)
{
    const struct fault *f = &d->fault[DISK_WRITE];
    if (!f->set || f->what.error != 0 || f->seen < f->what.from) return false;
    return f->what.count == 0 || f->seen < f->what.from + f->what.count;
}

static bool stops_here(const struct disk *d, int64_t number, enum disk_stop how)
{
    return number == d->stop_at && d->stop_how == how;
}

static void after(struct disk *d, int64_t number)
{
    if (stops_here(d, number, DISK_AFTER)) die(d);
}

static int refuse(int error)
{
    errno = error;
    return -1;
}

static struct file *file_of(struct disk *d, int fd, enum file_kind kind)
{
    const int at = fd - FD_FIRST;
    if (at >= 0 && at < FILES_MOST && d->file[at].kind == kind) return &d->file[at];
    errno = EBADF;
    return NULL;
}

static struct node *node_of(struct disk *d, int fd)
{
    const struct file *f = file_of(d, fd, FILE_NODE);
    return f ? d->node[f->node] : NULL;
}

static int give_descriptor(struct disk *d, struct file file)
{
    for (int i = 0; i < FILES_MOST; i++) {
        if (d->file[i].kind != FILE_FREE) continue;
        d->file[i] = file;
        if (file.kind == FILE_NODE) d->node[file.node]->open++;
        return FD_FIRST + i;
    }
    return refuse(EMFILE);
}

/* --- opening and closing ---------------------------------------------------------------------- */

static bool writes(int flags)
{
    return (flags & O_ACCMODE) != O_RDONLY;
}

static int open_below(int from, const char *path, int flags, mode_t mode)
{
    struct disk *d = disk_now;
    struct place p;
    if (call_fails(d, DISK_OPEN)) return -1;
    const int64_t number = d->calls;
    if (!disk_find(d, from, path, &p)) return refuse(ENOENT);
    if (p.node < 0 && !(flags & O_CREAT)) return refuse(ENOENT);
    if (p.node >= 0 && (flags & O_CREAT) && (flags & O_EXCL)) return refuse(EEXIST);
    if (d->read_only && (p.node < 0 || writes(flags))) return refuse(EROFS);
    if (p.node >= 0 && (flags & O_DIRECTORY) && !d->node[p.node]->dir) return refuse(ENOTDIR);
    if (p.node >= 0 && writes(flags) && d->node[p.node]->dir) return refuse(EISDIR);
    if (p.node < 0) {
        p.node = node_new(d, p.dir, false, mode);
        dir_link(d->node[p.dir], p.name, p.node);
    }
    const int fd = give_descriptor(d, (struct file){ FILE_NODE, .node = p.node, .flags = flags });
    after(d, number);
    return fd;
}

static mode_t mode_in(va_list *more, int flags)
{
    return flags & O_CREAT ? (mode_t)va_arg(*more, unsigned) : 0;
}

int disk_open(const char *path, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    const mode_t mode = mode_in(&more, flags);
    va_end(more);
    return open_below(0, path, flags, mode);
}

int disk_openat(int dir, const char *name, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    const mode_t mode = mode_in(&more, flags);
    va_end(more);
    const struct file *f = file_of(disk_now, dir, FILE_NODE);
    return f ? open_below(f->node, name, flags, mode) : -1;
}

int disk_close(int fd)
{
    struct disk *d = disk_now;
    if (call_fails(d, DISK_CLOSE)) return -1;
    const int64_t number = d->calls;
    const int at = fd - FD_FIRST;
    if (at < 0 || at >= FILES_MOST || d->file[at].kind == FILE_FREE) return refuse(EBADF);
    if (d->file[at].kind != FILE_EVENT) d->node[d->file[at].node]->open--;
    d->file[at] = (struct file){ .kind = FILE_FREE };
    nodes_sweep(d);
    after(d, number);
    return 0;
}

int disk_mkdir(const char *path, mode_t mode)
{
    struct disk *d = disk_now;
    struct place p;
    if (call_fails(d, DISK_MAKE)) return -1;
    const int64_t number = d->calls;
    if (!disk_find(d, 0, path, &p)) return refuse(ENOENT);
    if (p.node >= 0) return refuse(EEXIST);
    if (d->read_only) return refuse(EROFS);
    dir_link(d->node[p.dir], p.name, node_new(d, p.dir, true, mode));
    after(d, number);
    return 0;
}

int disk_unlinkat(int dir, const char *name, int flags)
{
    struct disk *d = disk_now;
    (void)flags;
    if (call_fails(d, DISK_UNLINK)) return -1;
    const int64_t number = d->calls;
    struct node *n = node_of(d, dir);
    if (!n) return -1;
    if (names_find(&n->names, name) < 0) return refuse(ENOENT);
    if (d->read_only) return refuse(EROFS);
    (void)dir_unlink(n, name);
    after(d, number);
    return 0;
}

/* --- reading and writing ---------------------------------------------------------------------- */

static ssize_t read_event(struct file *f, void *ret, size_t count)
{
    if (f->count == 0) return refuse(EAGAIN);
    memcpy(ret, &f->count, count < sizeof f->count ? count : sizeof f->count);
    f->count = 0;
    return (ssize_t)sizeof f->count;
}

ssize_t disk_pread(int fd, void *ret, size_t count, off_t at)
{
    struct disk *d = disk_now;
    if (call_fails(d, DISK_READ)) return -1;
    const int64_t number = d->calls;
    const struct node *n = node_of(d, fd);
    if (!n) return -1;
    if (n->dir) return refuse(EISDIR);
    int64_t most = n->size - (int64_t)at;
    if (most < 0) most = 0;
    if (most > (int64_t)count) most = (int64_t)count;
    if (most > 0) memcpy(ret, n->bytes + at, (size_t)most);
    after(d, number);
    return (ssize_t)most;
}

ssize_t disk_read(int fd, void *ret, size_t count)
{
    struct disk *d = disk_now;
    struct file *event = file_of(d, fd, FILE_EVENT);
    if (event) return call_fails(d, DISK_OTHER) ? -1 : read_event(event, ret, count);
    struct file *f = file_of(d, fd, FILE_NODE);
    if (!f) return -1;
    const ssize_t n = disk_pread(fd, ret, count, (off_t)f->at);
    if (n > 0) f->at += n;
    return n;
}

/* How many of the bytes have room. */
static int64_t fitting(const struct disk *d, const struct node *n, int64_t at, int64_t count)
{
    if (d->space < 0) return count;
    const int64_t from = at > n->size ? at : n->size;
    const int64_t more = at + count - from, left = d->space - disk_used(d);
    if (more <= 0 || more <= left) return count;
    return count - more + (left > 0 ? left : 0);
}

ssize_t disk_pwrite(int fd, const void *bytes, size_t count, off_t at)
{
    struct disk *d = disk_now;
    if (call_fails(d, DISK_WRITE)) return -1;
    const int64_t number = d->calls;
    struct file *f = file_of(d, fd, FILE_NODE);
    if (!f || !writes(f->flags)) return refuse(EBADF);
    if (d->read_only) return refuse(EROFS);
    struct node *n = d->node[f->node];
    if (f->flags & O_APPEND) at = (off_t)n->size;
    int64_t most = fitting(d, n, (int64_t)at, (int64_t)count);
    if (most == 0 && count > 0) return refuse(ENOSPC);
    const bool half = stops_here(d, number, DISK_HALF);
    if ((half || is_short(d)) && most > 1) most /= 2;
    node_write(n, (int64_t)at, bytes, most);
    if (half) die(d);
    after(d, number);
    return (ssize_t)most;
}

ssize_t disk_write(int fd, const void *bytes, size_t count)
{
    struct disk *d = disk_now;
    struct file *event = file_of(d, fd, FILE_EVENT);
    if (event) {
        if (call_fails(d, DISK_OTHER)) return -1;
        event->count++;
        return (ssize_t)count;
    }
    struct file *f = file_of(d, fd, FILE_NODE);
    if (!f) return -1;
    const ssize_t n = disk_pwrite(fd, bytes, count, (off_t)f->at);
    if (n > 0) f->at += n;
    return n;
}

int disk_ftruncate(int fd, off_t size)
{
    struct disk *d = disk_now;
    if (call_fails(d, DISK_TRUNCATE)) return -1;
    const int64_t number = d->calls;
    struct file *f = file_of(d, fd, FILE_NODE);
    if (!f || !writes(f->flags)) return refuse(EBADF);
    if (d->read_only) return refuse(EROFS);
    node_resize(d->node[f->node], (int64_t)size);
    after(d, number);
    return 0;
}

int disk_posix_fallocate(int fd, off_t at, off_t count)
{
    struct disk *d = disk_now;
    if (call_fails(d, DISK_ALLOCATE)) return errno;
    const int64_t number = d->calls;
    struct node *n = node_of(d, fd);
    if (!n) return EBADF;
    if (d->read_only) return EROFS;
    if (fitting(d, n, (int64_t)at, (int64_t)count) < (int64_t)count) return ENOSPC;
    if ((int64_t)at + (int64_t)count > n->size) node_resize(n, (int64_t)at + (int64_t)count);
    after(d, number);
    return 0;
}

/* --- syncing ---------------------------------------------------------------------------------- */

static bool is_dirty(const struct node *n)
{
    if (n->changes > 0 || n->size != n->synced_size) return true;
    return n->room > 0 && memchr(n->state, SECTOR_DIRTY, (size_t)(n->room / SECTOR));
}

static void sync_half(struct disk *d, struct node *n, int64_t number)
{
    struct prng chance = prng_seed((uint64_t)number);
    if (n->dir)
        dir_changed(n, (size_t)prng_below(&chance, (int64_t)n->changes + 1));
    else
        node_sync_part(n, &chance);
    die(d);
}

int disk_fsync(int fd)
{
    struct disk *d = disk_now;
    bool fails = call_fails(d, DISK_SYNC);
    int error = errno;
    const int64_t number = d->calls;
    struct node *n = node_of(d, fd);
    if (!n) return -1;
    if (!fails && d->read_only && is_dirty(n)) {
        fails = true;
        error = EROFS;
    }
    if (stops_here(d, number, DISK_HALF)) sync_half(d, n, number);
    node_begin_sync(n);
    while (d->thread.inside && d->held) {
        d->thread.state = THREAD_SYNCING;
        thread_pause(d);
        d->thread.state = THREAD_READY;
    }
    node_end_sync(n, !fails);
    nodes_sweep(d);
    after(d, number);
    return fails ? refuse(error) : 0;
}

/* --- asking ----------------------------------------------------------------------------------- */

int disk_fstat(int fd, struct stat *ret)
{
    struct disk *d = disk_now;
    if (call_fails(d, DISK_STAT)) return -1;
    const struct file *f = file_of(d, fd, FILE_NODE);
    if (!f) return -1;
    const struct node *n = d->node[f->node];
    memset(ret, 0, sizeof *ret);
    ret->st_dev = 1;
    ret->st_ino = (ino_t)f->node + 1;
    ret->st_size = (off_t)n->size;
    ret->st_mtim.tv_nsec = (long)(n->stamp % 1000000000);
    ret->st_mode = (n->dir ? S_IFDIR : S_IFREG) | n->mode;
    return 0;
}

int disk_flock(int fd, int how)
{
    struct disk *d = disk_now;
    (void)how; /* the journal asks for LOCK_EX | LOCK_NB */
    if (call_fails(d, DISK_LOCK)) return -1;
    struct file *f = file_of(d, fd, FILE_NODE);
    if (!f) return -1;
    for (int i = 0; i < FILES_MOST; i++) {
        const struct file *other = &d->file[i];
        if (other == f || other->kind != FILE_NODE || other->node != f->node) continue;
        if (other->locked) return refuse(EWOULDBLOCK);
    }
    f->locked = true;
    return 0;
}

DIR *disk_fdopendir(int fd)
{
    if (call_fails(disk_now, DISK_HEAP)) return NULL; /* it allocates what it gives */
    struct file *f = file_of(disk_now, fd, FILE_NODE);
    if (f) f->kind = FILE_LIST;
    return (DIR *)f;
}

/* By the name that was given last: what is removed meanwhile shifts nothing. */
struct dirent *disk_readdir(DIR *dir)
{
    struct disk *d = disk_now;
    struct file *f = (struct file *)dir;
    if (call_fails(d, DISK_LIST)) return NULL;
    const struct names *s = &d->node[f->node]->names;
    for (size_t i = 0; i < s->count; i++) {
        if (strcmp(s->item[i].text, f->entry.d_name) <= 0) continue;
        (void)text_copy(f->entry.d_name, sizeof f->entry.d_name, s->item[i].text);
        return &f->entry;
    }
    return NULL;
}

int disk_closedir(DIR *dir)
{
    const struct file *f = (const struct file *)dir;
    return disk_close(FD_FIRST + (int)(f - disk_now->file));
}

int disk_eventfd(unsigned count, int flags)
{
    struct disk *d = disk_now;
    (void)flags;
    if (call_fails(d, DISK_OTHER)) return -1;
    return give_descriptor(d, (struct file){ FILE_EVENT, .count = count });
}

/* Always the same: it stands in the lock file, and the same calls give the same bytes. */
pid_t disk_getpid(void)
{
    return 4242;
}
