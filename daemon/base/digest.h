/* SHA-256 (FIPS 180-4), of a piece of memory and over several pieces. Hashing asks for no memory
 * and can't fail: a record that was decided must not be lost for want of some. */
#ifndef DOSEWRIGHT_DAEMON_DIGEST_H
#define DOSEWRIGHT_DAEMON_DIGEST_H

#include "lib/base/units.h"

enum {
    DIGEST_BYTES = 32,
    DIGEST_HEX_MAX = 65, /* 64 digits and NUL */
};

struct load_digest;

/* The digest of 'count' bytes. */
void digest_bytes(const void *bytes, size_t count, uint8_t ret[DIGEST_BYTES]);

/* Over the files that a configuration was read from, in the order in which they were read: the same
 * as "cat FILES | sha256sum". NULL when there is no memory for it. */
struct load_digest *digest_open(void);

/* Some more bytes. */
void digest_add(struct load_digest *d, const char *bytes, size_t length);

/* The digest so far, as hex; ends the work. NULL is fine: false, and 'ret' is left alone. */
bool digest_close(struct load_digest *d, char ret[DIGEST_HEX_MAX]);

#endif
