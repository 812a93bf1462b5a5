/* SHA-256 over the files that a configuration was read from, in the order in which they were read:
 * the same as "cat FILES | sha256sum". */
#ifndef DOSEWRIGHT_DAEMON_DIGEST_H
#define DOSEWRIGHT_DAEMON_DIGEST_H

#include "lib/base/units.h"

enum { DIGEST_HEX_MAX = 65 }; /* 64 digits and NUL */

struct load_digest;

struct load_digest *digest_open(void); /* NULL when that's impossible */

/* Some more bytes. */
bool digest_add(struct load_digest *d, const char *bytes, size_t length);

/* The digest so far, as hex; ends the work. False when it failed. */
bool digest_close(struct load_digest *d, char ret[DIGEST_HEX_MAX]); /* NULL is fine: false */

#endif
