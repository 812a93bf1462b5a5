/* What was seen of each key that requests are signed with: the highest 'n'. A signed request counts
 * once: one whose 'n' isn't above all that were seen with its key was sent before, or is late.
 *
 * It is kept over restarts: by the record of the request itself, by a record "signer" for what had
 * none (a flood isn't recorded one by one), and by the same at the start of a new segment. Names
 * that have left the configuration are remembered too, so that taking a key out and in again
 * doesn't make old requests new; the SIGNERS_KEPT that were used last. */
#ifndef DOSEWRIGHT_CORE_SIGNER_H
#define DOSEWRIGHT_CORE_SIGNER_H

#include "lib/base/units.h"
#include "lib/chain/message.h"
#include "lib/journal/record.h"

enum { SIGNERS_KEPT = 64, SIGNER_RECORD_MS = 3000 };

#define SIGNER_N_MOST INT64_C(999999999999999) /* 15 digits */

struct signer {
    char name[CHAIN_WORD_MAX];
    int64_t n;
    bool unrecorded; /* the journal doesn't have this 'n' yet */
};

struct signers { /* all zero: nothing was seen; the one that was used last comes last */
    uint32_t count;
    struct signer item[SIGNERS_KEPT];
    bool has_recorded;
    struct mono recorded_at;
};

/* The highest 'n' seen with that key; 0: none. */
int64_t signer_seen(const struct signers *s, const char *name);

/* Notes it: true when it is above all that were seen. 'name' is a key (chain_key_valid), 'n' 1 to
 * SIGNER_N_MOST. */
bool signer_take(struct signers *s, const char *name, int64_t n);

/* The newest 'n' of that key is in the journal by another record. */
void signer_recorded(struct signers *s, const char *name);

/* A record for one whose newest 'n' the journal doesn't have, at most one each SIGNER_RECORD_MS;
 * false: none is due. */
bool signer_record_due(struct signers *s, struct mono now, struct record *ret);

/* The same for the start of a segment: key 'index' of those remembered; false past the last. */
bool signer_carry(const struct signers *s, uint32_t index, struct record *ret);

/* From either record, or a request's: their members "key" and "n". */
void signer_restore(struct signers *s, const struct record *r);

#endif
