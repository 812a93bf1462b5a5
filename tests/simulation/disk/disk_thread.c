/* The journal's sync thread, as a second stack: it works when it is let, until it waits. One lock
 * and its conditions are all there is; a lock that is held when the other side wants it would never
 * be given back, and ends the program. */
#include "tests/simulation/disk/inside.h"

#if defined(__SANITIZE_ADDRESS__)
#define WATCHED_STACKS 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define WATCHED_STACKS 1
#endif
#endif
#ifdef WATCHED_STACKS
#include <sanitizer/common_interface_defs.h>
#endif

static void stuck(const char *what)
{
    fprintf(stderr, "disk: %s: it would hang for ever\n", what);
    abort();
}

/* --- two stacks ------------------------------------------------------------------------------- */

static void enter_thread(void)
{
    struct thread *t = &disk_now->thread;
#ifdef WATCHED_STACKS
    static const void *bottom;
    static size_t size;
    __sanitizer_finish_switch_fiber(NULL, &bottom, &size);
    t->main_bottom = bottom;
    t->main_size = size;
#endif
    (void)t->run(t->context);
    t->state = THREAD_ENDED;
    thread_pause(disk_now);
}

static void make_stack(struct thread *t)
{
    t->stack = disk_take(NULL, STACK);
    if (getcontext(&t->own) != 0) stuck("a second stack can't be made");
    t->own.uc_stack.ss_sp = t->stack;
    t->own.uc_stack.ss_size = STACK;
    t->own.uc_link = NULL;
    makecontext(&t->own, enter_thread, 0);
}

/* Lets the thread work until it pauses. If the process was stopped meanwhile, this doesn't return.
 */
static void let_work(struct disk *d)
{
    struct thread *t = &d->thread;
    t->inside = true;
#ifdef WATCHED_STACKS
    void *here = NULL;
    __sanitizer_start_switch_fiber(&here, t->stack, STACK);
#endif
    (void)swapcontext(&t->main, &t->own);
#ifdef WATCHED_STACKS
    __sanitizer_finish_switch_fiber(here, NULL, NULL);
#endif
    t->inside = false;
    if (!d->dead) return;
    if (!d->running) stuck("stopped outside of disk_run");
    longjmp(d->way_out, 1);
}

void thread_pause(struct disk *d)
{
    struct thread *t = &d->thread;
#ifdef WATCHED_STACKS
    void *here = NULL;
    const bool ends = t->state == THREAD_ENDED || d->dead;
    __sanitizer_start_switch_fiber(ends ? NULL : &here, t->main_bottom, t->main_size);
#endif
    (void)swapcontext(&t->own, &t->main);
#ifdef WATCHED_STACKS
    __sanitizer_finish_switch_fiber(here, &t->main_bottom, &t->main_size);
#endif
}

void thread_drop(struct disk *d)
{
    if (d->thread.inside) stuck("a process can't be ended from within its thread");
    free(d->thread.stack);
    d->thread = (struct thread){ .state = THREAD_NONE };
}

/* --- what tests call -------------------------------------------------------------------------- */

void disk_turn(struct disk *d)
{
    struct thread *t = &d->thread;
    if (t->state == THREAD_NONE || t->state == THREAD_ENDED) return;
    if (t->state == THREAD_SYNCING && d->held) return;
    if (disk_now != d) stuck("the disk that is turned isn't in use");
    let_work(d);
}

void disk_hold_syncs(struct disk *d, bool held)
{
    d->held = held;
}

/* --- threads, locks, conditions --------------------------------------------------------------- */

int disk_thread_create(
    pthread_t *ret, const pthread_attr_t *how, void *(*run)(void *), void *context)
{
    struct disk *d = disk_now;
    (void)how;
    memset(ret, 0, sizeof *ret);
    if (call_fails(d, DISK_OTHER)) return errno;
    if (d->thread.state != THREAD_NONE) stuck("one thread a process");
    d->thread = (struct thread){ .state = THREAD_READY, .run = run, .context = context };
    make_stack(&d->thread);
    return 0;
}

/* Works for as long as it takes: who waits for it waits for held syncs, too. */
static void let_finish_step(struct disk *d)
{
    const bool held = d->held;
    const enum thread_state state = d->thread.state;
    if (state == THREAD_NONE || state == THREAD_ENDED) stuck("waiting for a thread that isn't");
    d->held = false;
    let_work(d);
    d->held = held;
}

int disk_thread_join(pthread_t thread, void **ret)
{
    struct disk *d = disk_now;
    (void)thread;
    (void)ret;
    for (int n = 0; d->thread.state != THREAD_ENDED; n++) {
        if (n > 1000) stuck("the thread doesn't end");
        let_finish_step(d);
    }
    thread_drop(d);
    return 0;
}

int disk_mutex_init(pthread_mutex_t *lock, const pthread_mutexattr_t *how)
{
    (void)lock;
    (void)how;
    return 0;
}

int disk_mutex_lock(pthread_mutex_t *lock)
{
    (void)lock;
    if (disk_now->thread.lock_held) stuck("a lock is taken that is held");
    disk_now->thread.lock_held = true;
    return 0;
}

int disk_mutex_unlock(pthread_mutex_t *lock)
{
    (void)lock;
    if (!disk_now->thread.lock_held) stuck("a lock is given back that isn't held");
    disk_now->thread.lock_held = false;
    return 0;
}

int disk_mutex_destroy(pthread_mutex_t *lock)
{
    (void)lock;
    return 0;
}

int disk_cond_init(pthread_cond_t *cond, const pthread_condattr_t *how)
{
    (void)cond;
    (void)how;
    return 0;
}

/* The thread: lets the others go on. The others: let the thread work, and ask again. */
int disk_cond_wait(pthread_cond_t *cond, pthread_mutex_t *lock)
{
    struct disk *d = disk_now;
    static int idle; /* waits of the others in a row in which the thread did nothing */
    (void)cond;
    (void)disk_mutex_unlock(lock);
    if (d->thread.inside) {
        d->thread.state = THREAD_WAITING;
        thread_pause(d);
        d->thread.state = THREAD_READY;
    } else {
        const int64_t calls = d->calls;
        let_finish_step(d);
        idle = d->calls == calls ? idle + 1 : 0;
        if (idle > 3) stuck("waiting for the thread, which has nothing to do");
    }
    return disk_mutex_lock(lock);
}

int disk_cond_signal(pthread_cond_t *cond)
{
    (void)cond;
    return 0;
}

int disk_cond_broadcast(pthread_cond_t *cond)
{
    (void)cond;
    return 0;
}

int disk_cond_destroy(pthread_cond_t *cond)
{
    (void)cond;
    return 0;
}
