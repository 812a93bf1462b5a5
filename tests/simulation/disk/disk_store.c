/* Files: what can be read of them, what of that is on the disk, and what has been in between. */
#include "tests/simulation/disk/inside.h"

int node_new(struct disk *d, int parent, bool dir, mode_t mode)
{
    size_t at = 0;
    while (at < d->count && d->node[at]) {
        at++;
    }
    if (at == d->room) {
        d->room = d->room * 2 + 16;
        d->node = disk_take(d->node, d->room * sizeof(struct node *));
    }
    if (at == d->count) d->count++;
    struct node *n = disk_take(NULL, sizeof *n);
    *n = (struct node){ .parent = parent, .dir = dir, .mode = mode };
    d->node[at] = n;
    return (int)at;
}

static void end_flight(struct node *n)
{
    free(n->flight.bytes);
    free(n->flight.state);
    n->flight = (struct flight){ .on = false };
}

void node_free(struct node *n)
{
    if (!n) return;
    end_flight(n);
    free(n->bytes);
    free(n->synced);
    free(n->state);
    free(n->version);
    free(n->names.item);
    free(n->synced_names.item);
    free(n->change);
    free(n);
}

static void *copied(const void *from, size_t count)
{
    if (!from || count == 0) return NULL;
    void *to = disk_take(NULL, count);
    memcpy(to, from, count);
    return to;
}

static struct names copied_names(const struct names *from)
{
    struct names to = { .count = from->count, .room = from->count };
    to.item = copied(from->item, from->count * sizeof *from->item);
    return to;
}

struct node *node_copy(const struct node *from)
{
    struct node *n = disk_take(NULL, sizeof *n);
    *n = *from;
    n->open = 0;
    n->flight = (struct flight){ .on = false };
    n->bytes = copied(from->bytes, (size_t)from->room);
    n->synced = copied(from->synced, (size_t)from->room);
    n->state = copied(from->state, (size_t)(from->room / SECTOR));
    n->version = copied(from->version, from->versions * sizeof *from->version);
    n->names = copied_names(&from->names);
    n->synced_names = copied_names(&from->synced_names);
    n->change = copied(from->change, from->changes * sizeof *from->change);
    n->change_room = from->changes;
    return n;
}

/* --- writing ---------------------------------------------------------------------------------- */

static char *longer(char *old, int64_t from, int64_t to)
{
    char *bytes = disk_take(old, (size_t)to);
    memset(bytes + from, 0, (size_t)(to - from));
    return bytes;
}

void node_reserve(struct node *n, int64_t size)
{
    if (size <= n->room) return;
    int64_t room = n->room > 0 ? n->room : 4 * SECTOR;
    while (room < size) {
        room *= 2;
    }
    n->bytes = longer(n->bytes, n->room, room);
    n->synced = longer(n->synced, n->room, room);
    n->state = longer(n->state, n->room / SECTOR, room / SECTOR);
    n->room = room;
}

/* What it is now may be written back before it changes: it is kept as one of its versions. */
static void keep_version(struct node *n, int64_t sector)
{
    if (n->state[sector] == SECTOR_CLEAN) return;
    size_t at = n->versions;
    if (at == VERSIONS_MOST) { /* the oldest goes */
        at = 0;
        for (size_t i = 1; i < n->versions; i++) {
            if (n->version[i].stamp < n->version[at].stamp) at = i;
        }
    } else {
        n->version = disk_take(n->version, (n->versions + 1) * sizeof *n->version);
        n->versions++;
    }
    n->version[at].stamp = n->stamp;
    n->version[at].sector = sector;
    memcpy(n->version[at].bytes, n->bytes + sector * SECTOR, SECTOR);
}

static void keep_size(struct node *n)
{
    if (n->sizes == SIZES_MOST) { /* the first and the newest tell most */
        memmove(n->former + 1, n->former + 2, (SIZES_MOST - 2) * sizeof n->former[0]);
        n->sizes--;
    }
    n->former[n->sizes++] = n->size;
}

static void touch(struct node *n, int64_t from, int64_t to)
{
    n->stamp++;
    for (int64_t s = from / SECTOR; s * SECTOR < to; s++) {
        keep_version(n, s);
        n->state[s] = SECTOR_DIRTY;
    }
}

void node_write(struct node *n, int64_t at, const char *bytes, int64_t count)
{
    if (count == 0) return;
    node_reserve(n, at + count);
    touch(n, at, at + count);
    memcpy(n->bytes + at, bytes, (size_t)count);
    if (at + count <= n->size) return;
    keep_size(n);
    n->size = at + count;
}

void node_resize(struct node *n, int64_t size)
{
    if (size == n->size) return;
    node_reserve(n, size);
    keep_size(n);
    if (size < n->size) {
        touch(n, size, n->size);
        memset(n->bytes + size, 0, (size_t)(n->size - size));
    }
    n->size = size;
}

/* --- syncing ---------------------------------------------------------------------------------- */

void node_begin_sync(struct node *n)
{
    end_flight(n);
    n->flight = (struct flight){ .on = true,
        .stamp = ++n->stamp,
        .size = n->size,
        .sectors = n->room / SECTOR,
        .bytes = copied(n->bytes, (size_t)n->room),
        .state = copied(n->state, (size_t)(n->room / SECTOR)),
        .changes = n->changes };
}

/* What was before the sync can't come back any more. */
static void forget_versions(struct node *n, int64_t sector, int64_t stamp)
{
    for (size_t i = n->versions; i > 0; i--) {
        const struct version *v = &n->version[i - 1];
        if (v->sector != sector || v->stamp >= stamp) continue;
        n->version[i - 1] = n->version[--n->versions];
    }
}

static void end_sector(struct node *n, int64_t sector, bool good)
{
    const struct flight *f = &n->flight;
    const char *then = f->bytes + sector * SECTOR, *now = n->bytes + sector * SECTOR;
    if (f->state[sector] != SECTOR_DIRTY) return;
    const bool same = memcmp(then, now, SECTOR) == 0;
    if (!good) {
        if (same) n->state[sector] = SECTOR_DROPPED;
        return;
    }
    memcpy(n->synced + sector * SECTOR, then, SECTOR);
    forget_versions(n, sector, f->stamp);
    if (same) n->state[sector] = SECTOR_CLEAN;
}

void node_end_sync(struct node *n, bool good)
{
    struct flight *f = &n->flight;
    if (!f->on) return;
    for (int64_t s = 0; s < f->sectors; s++) {
        end_sector(n, s, good);
    }
    if (good) {
        n->synced_size = f->size;
        n->sizes = 0;
        if (n->size != f->size) keep_size(n);
        if (n->dir) dir_changed(n, f->changes);
    }
    end_flight(n);
}

/* A sync that didn't come to its end: of each sector the newest, or what it was. */
void node_sync_part(struct node *n, struct prng *chance)
{
    for (int64_t s = 0; s < n->room / SECTOR; s++) {
        if (n->state[s] != SECTOR_DIRTY || prng_below(chance, 2) == 0) continue;
        memcpy(n->synced + s * SECTOR, n->bytes + s * SECTOR, SECTOR);
        forget_versions(n, s, n->stamp + 1);
        n->state[s] = SECTOR_CLEAN;
    }
}

void node_settle(struct node *n)
{
    if (n->room > 0) {
        memcpy(n->synced, n->bytes, (size_t)n->room);
        memset(n->state, SECTOR_CLEAN, (size_t)(n->room / SECTOR));
    }
    n->synced_size = n->size;
    n->versions = n->sizes = 0;
    end_flight(n);
}

/* --- the whole -------------------------------------------------------------------------------- */

static void mark(const struct names *s, char *used)
{
    for (size_t i = 0; i < s->count; i++) {
        used[s->item[i].node] = 1;
    }
}

void nodes_sweep(struct disk *d)
{
    char *used = disk_take(NULL, d->count);
    memset(used, 0, d->count);
    used[0] = 1;
    for (size_t i = 0; i < d->count; i++) {
        const struct node *n = d->node[i];
        if (!n) continue;
        if (n->open > 0) used[i] = 1;
        mark(&n->names, used);
        mark(&n->synced_names, used);
        for (size_t c = 0; c < n->changes; c++) {
            used[n->change[c].name.node] = 1;
        }
    }
    for (size_t i = 0; i < d->count; i++) {
        if (used[i] || !d->node[i]) continue;
        const struct node *n = d->node[i];
        const size_t kept = n->size < ATTIC ? (size_t)n->size : ATTIC;
        if (!n->dir && kept > 0) {
            memcpy(d->attic, n->bytes, kept);
            d->attic_used = kept;
        }
        node_free(d->node[i]);
        d->node[i] = NULL;
    }
    free(used);
}

/* A file that can still be read takes its room. */
int64_t disk_used(const struct disk *d)
{
    int64_t sum = 0;
    char *used = disk_take(NULL, d->count);
    memset(used, 0, d->count);
    for (size_t i = 0; i < d->count; i++) {
        if (d->node[i]) mark(&d->node[i]->names, used);
    }
    for (size_t i = 0; i < d->count; i++) {
        if (d->node[i] && (used[i] || d->node[i]->open > 0)) sum += d->node[i]->size;
    }
    free(used);
    return sum;
}
