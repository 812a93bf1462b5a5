/* What only lib/journal needs of the canonical form. */
#ifndef DOSEWRIGHT_JOURNAL_CANON_INSIDE_H
#define DOSEWRIGHT_JOURNAL_CANON_INSIDE_H

#include "lib/journal/canon.h"

/* Bytes [from, to) of a line. */
struct canon_span {
    size_t from, to;
};

/* As canon_read; and tells which bytes to leave out of the line to have the canonical form without
 * its "hash" member, an empty span when it has none. Both are undefined unless ERR_NONE. */
enum err canon_read_hashed(struct record *ret, struct canon_span *ret_hash, const char *line,
    size_t length, struct problem *problem) __attribute__((warn_unused_result));

/* Copies what is in use of a record. */
void canon_copy(struct record *to, const struct record *from);

#endif
