/* Birth and end of a disk, and what a power cut leaves of it. */
#include "tests/simulation/disk/inside.h"

struct disk *disk_now;

struct disk *disk_new(void)
{
    struct disk *d = disk_take(NULL, sizeof *d);
    *d = (struct disk){ .space = -1 };
    (void)node_new(d, 0, true, 0755);
    return d;
}

struct disk *disk_copy(const struct disk *from)
{
    struct disk *d = disk_take(NULL, sizeof *d);
    *d = (struct disk){
        .space = -1, .count = from->count, .room = from->count, .attic_used = from->attic_used
    };
    memcpy(d->attic, from->attic, sizeof d->attic);
    d->node = disk_take(NULL, d->count * sizeof(struct node *));
    for (size_t i = 0; i < d->count; i++) {
        d->node[i] = from->node[i] ? node_copy(from->node[i]) : NULL;
    }
    nodes_sweep(d);
    return d;
}

void disk_free(struct disk *d)
{
    if (!d) return;
    disk_kill(d);
    for (size_t i = 0; i < d->count; i++) {
        node_free(d->node[i]);
    }
    free(d->node);
    if (disk_now == d) disk_now = NULL;
    free(d);
}

void disk_use(struct disk *d)
{
    disk_now = d;
}

void disk_kill(struct disk *d)
{
    thread_drop(d);
    heap_drop(d);
    memset(d->file, 0, sizeof d->file);
    for (size_t i = 0; i < d->count; i++) {
        if (!d->node[i]) continue;
        d->node[i]->open = 0;
        d->node[i]->flight.on = false;
    }
    d->dead = d->running = false;
    d->stop_at = 0;
    nodes_sweep(d);
}

/* --- the power cut ---------------------------------------------------------------------------- */

enum way { /* what of the unsynced is kept */
    WAY_NONE,
    WAY_ALL,
    WAY_FIRST, /* up to some place */
    WAY_ANY,
    WAY_TORN, /* any, and sectors are torn */
    WAYS
};

enum filler { FILL_ZEROS, FILL_NOISE, FILL_REMOVED, FILLERS };

struct cut {
    struct prng chance;
    const struct disk *disk;
    enum way way;
    enum filler filler;
    int64_t first; /* WAY_FIRST: so many sectors are kept */
};

static bool once_in(struct cut *c, int64_t n)
{
    return prng_below(&c->chance, n) == 0;
}

static void draw_way(struct cut *c, int64_t sectors)
{
    c->way = (enum way)prng_below(&c->chance, WAYS);
    c->filler = once_in(c, 2) ? FILL_ZEROS : (enum filler)prng_below(&c->chance, FILLERS);
    c->first = prng_below(&c->chance, sectors + 1);
}

/* What a block was before it was given to this file. */
static void fill(struct cut *c, char *bytes, int64_t count)
{
    const struct disk *d = c->disk;
    memset(bytes, 0, (size_t)count);
    if (c->filler == FILL_REMOVED && d->attic_used > 0) {
        const size_t at = (size_t)prng_below(&c->chance, (int64_t)d->attic_used);
        const size_t most = d->attic_used - at;
        memcpy(bytes, d->attic + at, most < (size_t)count ? most : (size_t)count);
    }
    for (int64_t i = 0; c->filler == FILL_NOISE && i < count; i++) {
        bytes[i] = (char)prng_next(&c->chance);
    }
}

static void take_synced(struct cut *c, const struct node *n, int64_t sector, char *ret)
{
    int64_t there = n->synced_size - sector * SECTOR;
    if (there < 0) there = 0;
    if (there > SECTOR) there = SECTOR;
    memcpy(ret, n->synced + sector * SECTOR, (size_t)there);
    if (n->state[sector] == SECTOR_CLEAN)
        memset(ret + there, 0, (size_t)(SECTOR - there));
    else
        fill(c, ret + there, SECTOR - there);
}

/* One of the contents that it has had since it was synced; the newest is the likeliest. */
static const char *draw_version(struct cut *c, const struct node *n, int64_t sector)
{
    const char *drawn = n->bytes + sector * SECTOR;
    if (once_in(c, 2)) return drawn;
    int64_t seen = 1;
    for (size_t i = 0; i < n->versions; i++) {
        if (n->version[i].sector == sector && once_in(c, ++seen)) drawn = n->version[i].bytes;
    }
    return drawn;
}

static void cut_sector(struct cut *c, const struct node *n, int64_t sector, char *ret)
{
    const char *newest = n->bytes + sector * SECTOR;
    take_synced(c, n, sector, ret);
    if (n->state[sector] == SECTOR_CLEAN) return;
    const bool dropped = n->state[sector] == SECTOR_DROPPED;
    switch (c->way) {
    case WAY_ALL:
        if (!dropped) memcpy(ret, newest, SECTOR);
        break;
    case WAY_FIRST:
        if (sector < c->first) memcpy(ret, newest, SECTOR);
        break;
    case WAY_ANY:
        if (once_in(c, 2)) memcpy(ret, draw_version(c, n, sector), SECTOR);
        break;
    case WAY_TORN:
        if (once_in(c, 4)) break;
        memcpy(ret, draw_version(c, n, sector),
            (size_t)(once_in(c, 2) ? SECTOR : prng_below(&c->chance, SECTOR)));
        break;
    case WAY_NONE:
    case WAYS:
        break;
    }
}

static int64_t draw_size(struct cut *c, const struct node *n)
{
    if (n->sizes == 0) return n->size;
    if (c->way == WAY_NONE) return n->synced_size;
    if (c->way == WAY_ALL || once_in(c, 3)) return n->size;
    if (once_in(c, 3)) return n->synced_size;
    return n->former[prng_below(&c->chance, (int64_t)n->sizes)];
}

static void cut_file(struct cut *c, struct node *n)
{
    draw_way(c, n->room / SECTOR);
    const int64_t size = draw_size(c, n);
    node_reserve(n, size);
    for (int64_t s = 0; s < n->room / SECTOR; s++) {
        char bytes[SECTOR];
        if (s * SECTOR < size)
            cut_sector(c, n, s, bytes);
        else
            memset(bytes, 0, SECTOR);
        memcpy(n->bytes + s * SECTOR, bytes, SECTOR);
    }
    if (size % SECTOR != 0) memset(n->bytes + size, 0, (size_t)(SECTOR - size % SECTOR));
    n->size = size;
    node_settle(n);
}

static void cut_dir(struct cut *c, struct node *n)
{
    draw_way(c, (int64_t)n->changes);
    for (size_t i = 0; i < n->changes; i++) {
        const struct change *change = &n->change[i];
        if (c->way == WAY_NONE || (c->way == WAY_FIRST && (int64_t)i >= c->first)) break;
        if ((c->way == WAY_ANY || c->way == WAY_TORN) && once_in(c, 2)) continue;
        if (change->removed)
            (void)names_drop(&n->synced_names, change->name.text);
        else
            names_put(&n->synced_names, change->name.text, change->name.node);
    }
    n->changes = 0;
    n->names.count = 0;
    for (size_t i = 0; i < n->synced_names.count; i++) {
        names_put(&n->names, n->synced_names.item[i].text, n->synced_names.item[i].node);
    }
}

void disk_power_cut(struct disk *d, uint64_t seed)
{
    struct cut c = { .chance = prng_seed(seed), .disk = d };
    disk_kill(d);
    for (size_t i = 0; i < d->count; i++) {
        if (!d->node[i]) continue;
        if (d->node[i]->dir)
            cut_dir(&c, d->node[i]);
        else
            cut_file(&c, d->node[i]);
    }
    nodes_sweep(d);
}
