/* The header of a member in a tape archive of the form "ustar" (POSIX.1-2017, pax, "ustar
 * Interchange Format"): plain files alone, with names of up to 100 bytes. What is written here any
 * tar can read. */
#ifndef DOSEWRIGHT_DAEMON_USTAR_H
#define DOSEWRIGHT_DAEMON_USTAR_H

#include "lib/base/units.h"

enum {
    USTAR_BLOCK = 512,
    USTAR_NAME_MAX = 101, /* NUL included */
};

#define USTAR_BYTES_MOST INT64_C(8589934591) /* eleven octal digits: 8 GiB - 1 */

struct ustar_member {
    char name[USTAR_NAME_MAX];
    int64_t bytes;   /* 0 to USTAR_BYTES_MOST; what follows is filled up to a whole block */
    int64_t mtime_s; /* seconds since 1970; not read back */
    unsigned mode;   /* permissions, 0 to 0777 */
};

/* Fills a member's header. Name, size and time are within their bounds. */
void ustar_write(uint8_t ret[USTAR_BLOCK], const struct ustar_member *member);

enum ustar_found { USTAR_MEMBER, USTAR_END, USTAR_BROKEN };

/* Reads one: a plain file; the end (a block of zeros); or what is neither: another form, another
 * kind of file, a name or a size out of bounds, a wrong check sum. */
enum ustar_found ustar_read(struct ustar_member *ret, const uint8_t block[USTAR_BLOCK]);

/* How many bytes of filling follow a member of that size. */
int64_t ustar_filling(int64_t bytes);

#endif
