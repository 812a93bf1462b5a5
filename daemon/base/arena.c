#include "daemon/base/arena.h"

#include <stdalign.h>
#include <stdlib.h>
#include <string.h>

enum { CHUNK_BYTES = 64 * 1024 };

struct arena_chunk {
    struct arena_chunk *older;
    size_t size;
    max_align_t data[];
};

static size_t rounded(size_t size)
{
    const size_t unit = alignof(max_align_t);
    return (size + unit - 1) / unit * unit;
}

static bool grow(struct arena *a, size_t size)
{
    const size_t bytes = size > CHUNK_BYTES ? size : CHUNK_BYTES;
    struct arena_chunk *chunk = calloc(1, sizeof *chunk + bytes);
    if (!chunk) return false;
    chunk->older = a->newest;
    chunk->size = bytes;
    a->newest = chunk;
    a->used = 0;
    return true;
}

void *arena_take(struct arena *a, size_t size)
{
    if (size > SIZE_MAX / 4) return NULL;
    const size_t wanted = rounded(size == 0 ? 1 : size);
    if ((!a->newest || a->newest->size - a->used < wanted) && !grow(a, wanted)) return NULL;
    void *at = (char *)a->newest->data + a->used;
    a->used += wanted;
    a->total += wanted;
    return at;
}

char *arena_copy(struct arena *a, const char *bytes, size_t length)
{
    char *copy = arena_take(a, length + 1);
    if (copy && length > 0) memcpy(copy, bytes, length);
    return copy;
}

void arena_free(struct arena *a)
{
    while (a->newest) {
        struct arena_chunk *older = a->newest->older;
        free(a->newest);
        a->newest = older;
    }
    *a = (struct arena){ 0 };
}
