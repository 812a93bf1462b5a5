/* What the disk's own files share. */
#ifndef DOSEWRIGHT_TESTS_DISK_INSIDE_H
#define DOSEWRIGHT_TESTS_DISK_INSIDE_H

#define DISK_OWN
#include <setjmp.h>
#include <stdio.h>
#include <ucontext.h>

#include "lib/base/prng.h"
#include "tests/simulation/disk/disk.h"
#include "tests/simulation/disk/redirect.h"

enum {
    SECTOR = 512,
    NAME_MOST = 64,
    SIZES_MOST = 16,    /* of a file, since it was synced last */
    VERSIONS_MOST = 96, /* of sectors of a file */
    FILES_MOST = 48,    /* open at once */
    FD_FIRST = 1000,
    ATTIC = 4096,
    STACK = 256 * 1024,
};

enum sector_state {
    SECTOR_CLEAN,
    SECTOR_DIRTY,
    SECTOR_DROPPED /* a sync failed: no later one writes it */
};

struct version { /* what a sector was between two syncs */
    int64_t stamp;
    int64_t sector;
    char bytes[SECTOR];
};

struct name {
    char text[NAME_MOST];
    int node;
};

struct names {
    size_t count, room;
    struct name *item;
};

struct change { /* of a directory, since it was synced */
    bool removed;
    struct name name;
};

struct flight { /* a sync that has begun */
    bool on;
    int64_t stamp, size;
    int64_t sectors;
    char *bytes, *state;
    size_t changes;
};

struct node {   /* a file or directory */
    int parent; /* of the root: itself */
    bool dir;
    int open; /* descriptors */
    mode_t mode;
    int64_t room; /* of all three arrays, in bytes: whole sectors */
    int64_t size, synced_size;
    char *bytes, *synced, *state; /* as read; as synced; enum sector_state a sector */
    int64_t stamp;
    size_t versions;
    struct version *version;
    size_t sizes;
    int64_t former[SIZES_MOST];
    struct names names, synced_names;
    size_t changes, change_room;
    struct change *change;
    struct flight flight;
};

enum file_kind { FILE_FREE, FILE_NODE, FILE_LIST, FILE_EVENT };

struct file { /* an open descriptor */
    enum file_kind kind;
    int node, flags;
    int64_t at;
    size_t listed;
    bool locked;
    uint64_t count; /* of an event */
    struct dirent entry;
};

struct block { /* of the heap */
    struct block *before, *after;
    size_t size;
    max_align_t bytes[];
};

enum thread_state { THREAD_NONE, THREAD_READY, THREAD_WAITING, THREAD_SYNCING, THREAD_ENDED };

struct thread {
    enum thread_state state;
    bool inside; /* it runs now */
    bool lock_held;
    void *(*run)(void *);
    void *context, *stack;
    ucontext_t own, main;
    const void *main_bottom; /* for the sanitizers */
    size_t main_size;
};

struct fault {
    struct disk_fault what;
    int64_t seen, fired;
    bool set;
};

struct disk {
    size_t count, room;
    struct node **node; /* 0 is the root */
    char attic[ATTIC];  /* what was removed */
    size_t attic_used;
    struct file file[FILES_MOST];
    struct block *heap;
    struct thread thread;
    bool held;
    int64_t calls, calls_of[DISK_CALLS];
    int64_t stop_at;
    enum disk_stop stop_how;
    enum disk_call stopped;
    bool running, dead;
    void (*look)(void *context);
    void *look_context;
    bool looking;
    jmp_buf way_out;
    struct fault fault[DISK_CALLS];
    int64_t space; /* bytes in all; -1: any */
    bool read_only;
};

extern struct disk *disk_now;

/* --- disk_store.c: nodes, sectors, syncs -------------------------------------------------------
 */

int node_new(struct disk *d, int parent, bool dir, mode_t mode);
void node_free(struct node *n);
struct node *node_copy(const struct node *from);
void node_reserve(struct node *n, int64_t size);
void node_write(struct node *n, int64_t at, const char *bytes, int64_t count);
void node_resize(struct node *n, int64_t size);
void node_begin_sync(struct node *n);
void node_end_sync(struct node *n, bool good);
void node_sync_part(struct node *n, struct prng *chance);
void node_settle(struct node *n); /* what is read is what is synced */
void nodes_sweep(struct disk *d); /* frees what no name and no descriptor has */
int64_t disk_used(const struct disk *d);

/* --- disk_names.c: directories, looking --------------------------------------------------------
 */

void names_put(struct names *s, const char *text, int node);
bool names_drop(struct names *s, const char *text);
int names_find(const struct names *s, const char *text); /* -1: none */
void dir_link(struct node *dir, const char *text, int node);
bool dir_unlink(struct node *dir, const char *text);
void dir_changed(struct node *dir, size_t count); /* the first changes are on disk */

/* Where a path leads: the node (-1: nothing there), the directory and name of its last part. */
struct place {
    int node, dir;
    char name[NAME_MOST];
};
bool disk_find(const struct disk *d, int from, const char *path, struct place *ret);

/* --- disk_thread.c -----------------------------------------------------------------------------
 */

void thread_drop(struct disk *d);
void thread_pause(struct disk *d); /* within the thread: back to who let it work */

/* --- disk_heap.c -------------------------------------------------------------------------------
 */

void heap_drop(struct disk *d);
void *disk_take(void *old, size_t size); /* of the test's own heap; ends the program if it must */

/* --- disk_call.c -------------------------------------------------------------------------------
 */

/* Counts a call; true, with errno, when it is to fail. */
bool call_fails(struct disk *d, enum disk_call call);

#endif
