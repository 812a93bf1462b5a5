/* The RFC 8785 form (JSON Canonicalization Scheme) of a flat record, and a reader that accepts
 * nothing else: the line on disk is that form, so what is read back is byte for byte what was
 * hashed. */
#ifndef DOSEWRIGHT_JOURNAL_CANON_H
#define DOSEWRIGHT_JOURNAL_CANON_H

#include "lib/base/text.h"
#include "lib/journal/record.h"

/* Appends {"a":1,...}: members sorted by key, no blanks, RFC 8785 escapes. 'skip' names a member to
 * leave out ("hash"), or is NULL. t->cut tells when it didn't fit. */
void canon_add(struct text *t, const struct record *r, const char *skip);

/* Reads one line (without its line feed). ERR_SYNTAX unless the line is exactly the canonical form
 * of a flat object within the record's bounds; the problem tells the byte. */
enum err canon_read(struct record *ret, const char *line, size_t length, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
