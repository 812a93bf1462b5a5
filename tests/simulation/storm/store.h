/* A disk for one daemon's journal, as small as can be: bytes, and how many of them would survive a
 * power cut. It stands under the journal's own interface (daemon/journal_file.h), so that the
 * daemon's code above can't tell. Lines are sealed and followed by lib/journal. */
#ifndef DOSEWRIGHT_TESTS_STORM_STORE_H
#define DOSEWRIGHT_TESTS_STORM_STORE_H

#include "daemon/journal_file.h"

struct store;

struct store *store_new(void);
void store_free(struct store *s); /* NULL is fine */

/* Which one journal_open opens. */
void store_use(struct store *s);

/* The process dies: its journal is forgotten. The board dies: of what wasn't synced any first part
 * may be there. */
void store_kill(struct store *s);
void store_power_cut(struct store *s, uint64_t seed);

/* A sync that was asked for is done now; is one asked for? */
void store_sync(struct store *s);
bool store_wants_sync(const struct store *s);

/* What would survive. */
const char *store_durable(const struct store *s, size_t *ret_count);

#endif
