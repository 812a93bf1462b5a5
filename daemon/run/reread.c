#include "daemon/run/reread.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

struct reread {
    atomic_int holders; /* the loop and the thread: who lets go last frees it */
    atomic_bool over;   /* 'found' is the loop's now */
    char *path;
    struct reread_found found;
};

static void free_all(struct reread *r)
{
    request_keys_forget(&r->found.keys);
    config_free(r->found.config);
    free(r->path);
    free(r);
}

static void let_go(struct reread *r)
{
    if (atomic_fetch_sub(&r->holders, 1) == 1) free_all(r);
}

static void *read_all(void *argument)
{
    struct reread *r = argument;
    struct reread_found *f = &r->found;
    if (config_load(&f->config, r->path, false, &f->errors) == ERR_NONE &&
        request_keys_read(&f->keys, f->config, &f->errors) != ERR_NONE) {
        config_free(f->config);
        f->config = NULL;
    }
    atomic_store(&r->over, true);
    let_go(r);
    return NULL;
}

static bool start_thread(struct reread *r)
{
    pthread_t thread;
    pthread_attr_t how;
    if (pthread_attr_init(&how) != 0) return false;
    const bool started = pthread_attr_setdetachstate(&how, PTHREAD_CREATE_DETACHED) == 0 &&
                         pthread_create(&thread, &how, read_all, r) == 0;
    pthread_attr_destroy(&how);
    return started;
}

enum err reread_open(struct reread **ret, const char *path, struct problem *problem)
{
    *ret = NULL;
    struct reread *r = calloc(1, sizeof *r);
    if (r) {
        atomic_init(&r->holders, 2);
        r->path = strdup(path);
        if (r->path && start_thread(r)) {
            *ret = r;
            return ERR_NONE;
        }
        free_all(r);
    }
    return problem_set(
        problem, ERR_IO, path, "it can't be read again: the system refuses memory or a thread");
}

void reread_close(struct reread *r)
{
    if (r) let_go(r);
}

struct reread_found *reread_found(struct reread *r)
{
    return atomic_load(&r->over) ? &r->found : NULL;
}
