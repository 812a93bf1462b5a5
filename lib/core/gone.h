/* What pumps gave that the configuration has no more. It counts again when one comes back within a
 * day, whatever its name is then. Private to the core (state.h includes it). */
#ifndef DOSEWRIGHT_CORE_GONE_H
#define DOSEWRIGHT_CORE_GONE_H

#include "lib/base/units.h"
#include "lib/chain/message.h"

struct core;

enum { CORE_GONE_MAX = 64 }; /* pumps that left within a day */

/* By its names and by its output. */
struct core_gone {
    char tank[CHAIN_WORD_MAX], stock[CHAIN_WORD_MAX], serial[CHAIN_WORD_MAX];
    uint32_t channel;
    struct mono ends; /* of the last of it */
    int64_t ul;       /* in the day before; with 'ms' 0: this place is free */
    int64_t ms;       /* beside that: by hand, when nobody knew how much it gives */
};

/* A pump left the configuration after it had given so much; and one has come (back). */
void core_note_gone(struct core *core, const struct core_gone *what, struct mono now);
void core_count_gone(struct core *core, uint32_t tank, uint32_t pump, struct mono now);
/* ... with its tank: how far EC and pH may still be moved isn't known for an hour. */
void core_count_gone_moves(struct core *core, uint32_t tank, struct mono now);

/* What is counted by pumps that are there again needn't be remembered beside that. */
void core_forget_gone(struct core *core);

#endif
