/* The hash chain. Each record carries seq, time, mono_ms, boot, clock, the former record's hash as
 * 'prev', and its own as 'hash': SHA-256 (FIPS 180-4) over the canonical form without 'hash'. The
 * function that hashes comes from the shell, so that lib needs no crypto library. */
#ifndef DOSEWRIGHT_JOURNAL_LINK_H
#define DOSEWRIGHT_JOURNAL_LINK_H

#include "lib/base/text.h"
#include "lib/journal/record.h"

enum { LINK_HASH_BYTES = 32, LINK_HASH_HEX = 65 };

typedef void (*link_hash)(const void *bytes, size_t count, uint8_t ret[LINK_HASH_BYTES]);

/* Where a chain stands: the newest record's seq and hash. Start: seq 0, sixty-four zeros. */
struct link_tip {
    int64_t seq;
    char hash[LINK_HASH_HEX];
};

/* Which run of the board and which clocks; goes into each record. */
struct link_stamp {
    struct now now;
    const char *boot; /* the kernel's boot id, or any word that changes with each start */
};

/* The tip of an empty chain. */
struct link_tip link_start(void);

/* Adds the header members to 'r' (which has its kind and fields), writes the line with its line
 * feed into 'line' and moves the tip. ERR_FULL when the record is cut or too long: the tip stays.
 */
enum err link_seal(struct link_tip *tip, struct record *r, const struct link_stamp *stamp,
    link_hash hash, struct text *line) __attribute__((warn_unused_result));

/* Reads a line and checks that it follows the tip: canonical, all header members, hash, seq + 1,
 * prev. Moves the tip and fills 'ret' only when all holds. ERR_SYNTAX (the problem's 'where' tells
 * the byte) or ERR_DAMAGED otherwise. */
enum err link_follow(struct link_tip *tip, struct record *ret, const char *line, size_t length,
    link_hash hash, struct problem *problem) __attribute__((warn_unused_result));

/* Where the chain stood before this line, by the line's own word: what link_follow needs to take up
 * a chain whose beginning was pruned, or that was damaged. False when it can't be read. It proves
 * nothing: that the former records may be missing must be known from elsewhere. */
bool link_before(struct link_tip *ret, const char *line, size_t length);

/* The header of a record that was followed: its instants, boot and clock. False when they are not
 * there or can't be read. */
bool link_header(
    const struct record *r, int64_t *ret_seq, struct now *ret_at, const char **ret_boot);

const char *clock_trust_word(enum clock_trust trust); /* "unset", "free", "synced" */

#endif
