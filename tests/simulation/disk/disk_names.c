/* Directories, and what a test looks at or puts there. */
#include "tests/simulation/disk/inside.h"

#include "lib/base/text.h"

/* --- names ------------------------------------------------------------------------------------ */

int names_find(const struct names *s, const char *text)
{
    for (size_t i = 0; i < s->count; i++) {
        if (strcmp(s->item[i].text, text) == 0) return s->item[i].node;
    }
    return -1;
}

void names_put(struct names *s, const char *text, int node)
{
    (void)names_drop(s, text);
    if (s->count == s->room) {
        s->room = s->room * 2 + 8;
        s->item = disk_take(s->item, s->room * sizeof *s->item);
    }
    size_t at = s->count++;
    for (; at > 0 && strcmp(s->item[at - 1].text, text) > 0; at--) {
        s->item[at] = s->item[at - 1];
    }
    (void)text_copy(s->item[at].text, NAME_MOST, text);
    s->item[at].node = node;
}

bool names_drop(struct names *s, const char *text)
{
    for (size_t i = 0; i < s->count; i++) {
        if (strcmp(s->item[i].text, text) != 0) continue;
        memmove(s->item + i, s->item + i + 1, (s->count - i - 1) * sizeof *s->item);
        s->count--;
        return true;
    }
    return false;
}

static void note_change(struct node *dir, const char *text, int node, bool removed)
{
    if (dir->changes == dir->change_room) {
        dir->change_room = dir->change_room * 2 + 8;
        dir->change = disk_take(dir->change, dir->change_room * sizeof *dir->change);
    }
    struct change *c = &dir->change[dir->changes++];
    *c = (struct change){ .removed = removed, .name = { .node = node } };
    (void)text_copy(c->name.text, NAME_MOST, text);
}

void dir_link(struct node *dir, const char *text, int node)
{
    names_put(&dir->names, text, node);
    note_change(dir, text, node, false);
}

bool dir_unlink(struct node *dir, const char *text)
{
    const int node = names_find(&dir->names, text);
    if (!names_drop(&dir->names, text)) return false;
    note_change(dir, text, node, true);
    return true;
}

void dir_changed(struct node *dir, size_t count)
{
    if (count == 0) return;
    for (size_t i = 0; i < count; i++) {
        const struct change *c = &dir->change[i];
        if (c->removed)
            (void)names_drop(&dir->synced_names, c->name.text);
        else
            names_put(&dir->synced_names, c->name.text, c->name.node);
    }
    dir->changes -= count;
    memmove(dir->change, dir->change + count, dir->changes * sizeof *dir->change);
}

/* --- paths ------------------------------------------------------------------------------------ */

bool disk_find(const struct disk *d, int from, const char *path, struct place *ret)
{
    *ret = (struct place){ .node = path[0] == '/' ? 0 : from, .dir = -1 };
    for (const char *at = path + strspn(path, "/"); at[0]; at += strspn(at, "/")) {
        const size_t length = strcspn(at, "/");
        if (ret->node < 0 || !d->node[ret->node]->dir || length >= NAME_MOST) return false;
        memcpy(ret->name, at, length);
        ret->name[length] = '\0';
        at += length;
        if (strcmp(ret->name, ".") == 0) continue;
        if (strcmp(ret->name, "..") == 0) {
            ret->node = d->node[ret->node]->parent;
            continue;
        }
        ret->dir = ret->node;
        ret->node = names_find(&d->node[ret->dir]->names, ret->name);
    }
    return true;
}

/* --- looking ---------------------------------------------------------------------------------- */

const char *disk_bytes(const struct disk *d, const char *path, size_t *ret_size)
{
    struct place p;
    if (!disk_find(d, 0, path, &p) || p.node < 0 || d->node[p.node]->dir) return NULL;
    *ret_size = (size_t)d->node[p.node]->size;
    return d->node[p.node]->bytes ? d->node[p.node]->bytes : "";
}

const char *disk_name(const struct disk *d, const char *dir, size_t nth)
{
    struct place p;
    if (!disk_find(d, 0, dir, &p) || p.node < 0) return NULL;
    const struct names *s = &d->node[p.node]->names;
    return nth < s->count ? s->item[nth].text : NULL;
}

static void must_find(const struct disk *d, const char *path, struct place *ret)
{
    if (disk_find(d, 0, path, ret) && ret->dir >= 0) return;
    fprintf(stderr, "disk: no such place: %s\n", path);
    abort();
}

void disk_put(struct disk *d, const char *path, const char *bytes, size_t count)
{
    struct place p;
    must_find(d, path, &p);
    struct node *dir = d->node[p.dir];
    (void)names_drop(&dir->names, p.name);
    (void)names_drop(&dir->synced_names, p.name);
    if (bytes) {
        const int node = node_new(d, p.dir, false, 0640);
        node_write(d->node[node], 0, bytes, (int64_t)count);
        node_settle(d->node[node]);
        names_put(&dir->names, p.name, node);
        names_put(&dir->synced_names, p.name, node);
    }
    nodes_sweep(d);
}

void disk_put_dir(struct disk *d, const char *path)
{
    struct place p;
    must_find(d, path, &p);
    const int node = node_new(d, p.dir, true, 0750);
    names_put(&d->node[p.dir]->names, p.name, node);
    names_put(&d->node[p.dir]->synced_names, p.name, node);
}

/* --- what it is ------------------------------------------------------------------------------- */

static uint64_t mix(uint64_t sum, const char *bytes, size_t count)
{
    const uint64_t odd = UINT64_C(0x9e3779b97f4a7c15);
    for (; count >= 8; bytes += 8, count -= 8) {
        uint64_t word;
        memcpy(&word, bytes, 8);
        sum = (sum ^ word) * odd;
        sum ^= sum >> 29;
    }
    for (; count > 0; bytes++, count--) {
        sum = (sum ^ (unsigned char)*bytes) * odd;
        sum ^= sum >> 32;
    }
    return (sum ^ (sum >> 31)) * odd;
}

static uint64_t mix_node(const struct disk *d, int node, uint64_t sum)
{
    const struct node *n = d->node[node];
    if (!n->dir) return mix(sum + (uint64_t)n->size, n->bytes, (size_t)n->size);
    for (size_t i = 0; i < n->names.count; i++) {
        sum = mix(sum, n->names.item[i].text, strlen(n->names.item[i].text));
        sum = mix_node(d, n->names.item[i].node, sum);
    }
    return sum + 1;
}

uint64_t disk_hash(const struct disk *d)
{
    return mix_node(d, 0, 1);
}

/* --- what time does to it --------------------------------------------------------------------- */

static void rot_at(struct node *n, int64_t at, struct prng *chance)
{
    const char bit = (char)(1 << prng_below(chance, 8));
    n->bytes[at] = (char)(n->bytes[at] ^ bit);
    n->synced[at] = (char)(n->synced[at] ^ bit);
}

bool disk_rot(struct disk *d, const char *path, uint64_t seed)
{
    struct prng chance = prng_seed(seed);
    struct place p;
    if (!disk_find(d, 0, path, &p) || p.node < 0) return false;
    const struct names one = { .count = 1, .item = &(struct name){ .node = p.node } };
    const struct names *s = d->node[p.node]->dir ? &d->node[p.node]->names : &one;
    int64_t sum = 0;
    for (size_t i = 0; i < s->count; i++) {
        sum += d->node[s->item[i].node]->size;
    }
    if (sum == 0) return false;
    int64_t at = prng_below(&chance, sum);
    size_t i = 0;
    while (at >= d->node[s->item[i].node]->size) {
        at -= d->node[s->item[i++].node]->size;
    }
    rot_at(d->node[s->item[i].node], at, &chance);
    return true;
}
