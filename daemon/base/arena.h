/* Memory that is given back all at once: what a configuration is made of, and the trees it was read
 * from. Blocks come zeroed and aligned for anything. */
#ifndef DOSEWRIGHT_DAEMON_ARENA_H
#define DOSEWRIGHT_DAEMON_ARENA_H

#include "lib/base/units.h"

struct arena_chunk;

struct arena { /* starts as { 0 }; members are this module's */
    struct arena_chunk *newest;
    size_t used;  /* of the newest chunk */
    size_t total; /* bytes handed out so far */
};

/* 'size' zeroed bytes (0 gives a valid pointer, too). NULL when the system has no more memory. */
void *arena_take(struct arena *a, size_t size);

/* A copy of 'length' bytes with a NUL after them; NULL as above. */
char *arena_copy(struct arena *a, const char *bytes, size_t length);

/* Gives everything back; the arena is empty again. */
void arena_free(struct arena *a);

#endif
