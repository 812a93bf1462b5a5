/* What tests tell the disk to do: where the process stops, what fails. */
#include "tests/simulation/disk/inside.h"

int64_t disk_calls(const struct disk *d)
{
    return d->calls;
}

int64_t disk_calls_of(const struct disk *d, enum disk_call call)
{
    return d->calls_of[call];
}

void disk_stop_at(struct disk *d, int64_t nth, enum disk_stop how)
{
    d->stop_at = nth;
    d->stop_how = how;
}

bool disk_run(struct disk *d, void (*life)(void *context), void *context)
{
    disk_use(d);
    d->running = true;
    if (setjmp(d->way_out) != 0) {
        d->running = false;
        return false;
    }
    life(context);
    d->running = false;
    return true;
}

void disk_watch(struct disk *d, void (*look)(void *context), void *context)
{
    d->look = look;
    d->look_context = context;
}

enum disk_call disk_stopped_at(const struct disk *d)
{
    return d->stopped;
}

void disk_fail(struct disk *d, const struct disk_fault *what)
{
    struct fault *f = &d->fault[what->call];
    *f = (struct fault){ .what = *what, .fired = f->fired, .set = true };
}

int64_t disk_failed(const struct disk *d, enum disk_call call)
{
    return d->fault[call].fired;
}

void disk_heal(struct disk *d)
{
    for (int i = 0; i < DISK_CALLS; i++) {
        d->fault[i].set = false;
    }
    d->held = d->read_only = false;
    d->space = -1;
    d->stop_at = 0;
}

void disk_set_room(struct disk *d, int64_t bytes)
{
    d->space = bytes < 0 ? -1 : disk_used(d) + bytes;
}

void disk_set_read_only(struct disk *d, bool on)
{
    d->read_only = on;
}

bool disk_rings(const struct disk *d, int fd)
{
    const int at = fd - FD_FIRST;
    if (at < 0 || at >= FILES_MOST) return false;
    return d->file[at].kind == FILE_EVENT && d->file[at].count > 0;
}
