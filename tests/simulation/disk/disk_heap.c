/* The heap of the process that lives on the disk: it goes with it, and can fail. */
#include "tests/simulation/disk/inside.h"

void *disk_take(void *old, size_t size)
{
    void *block = realloc(old, size > 0 ? size : 1);
    if (block) return block;
    fputs("disk: no memory for the test itself\n", stderr);
    abort();
}

static struct block *block_of(void *bytes)
{
    return (struct block *)(void *)((char *)bytes - offsetof(struct block, bytes));
}

static void tie(struct disk *d, struct block *b)
{
    b->before = NULL;
    b->after = d->heap;
    if (d->heap) d->heap->before = b;
    d->heap = b;
}

static void untie(struct disk *d, struct block *b)
{
    if (b->before) b->before->after = b->after;
    if (b->after) b->after->before = b->before;
    if (d->heap == b) d->heap = b->after;
}

void *disk_malloc(size_t size)
{
    struct disk *d = disk_now;
    if (call_fails(d, DISK_HEAP)) return NULL;
    struct block *b = disk_take(NULL, sizeof *b + size);
    b->size = size;
    tie(d, b);
    return b->bytes;
}

void *disk_calloc(size_t count, size_t size)
{
    void *bytes = disk_malloc(count * size);
    if (bytes) memset(bytes, 0, count * size);
    return bytes;
}

void *disk_realloc(void *old, size_t size)
{
    void *bytes = disk_malloc(size);
    if (!old || !bytes) return bytes;
    const size_t kept = block_of(old)->size;
    memcpy(bytes, old, kept < size ? kept : size);
    disk_release(old);
    return bytes;
}

char *disk_strdup(const char *text)
{
    const size_t size = strlen(text) + 1;
    char *bytes = disk_malloc(size);
    if (bytes) memcpy(bytes, text, size);
    return bytes;
}

void disk_release(void *bytes)
{
    if (!bytes) return;
    struct block *b = block_of(bytes);
    untie(disk_now, b);
    free(b);
}

void heap_drop(struct disk *d)
{
    while (d->heap) {
        struct block *b = d->heap;
        untie(d, b);
        free(b);
    }
}
