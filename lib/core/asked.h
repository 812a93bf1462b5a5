/* What was asked over the broker: the ids that were answered, so that none is acted on twice, and
 * how much of it may be done, recorded and answered in a time. Pure.
 *
 * Requests that were done and requests that were refused are remembered apart, 256 of each: a flood
 * of refusals can't push out the id of something that was done. Of the refused ones only those come
 * back after a restart that the journal has a record of; nothing was done under the others. */
#ifndef DOSEWRIGHT_CORE_ASKED_H
#define DOSEWRIGHT_CORE_ASKED_H

#include "lib/base/units.h"
#include "lib/chain/message.h"
#include "lib/journal/record.h"

enum {
    ASKED_MAX = 256,
    ASKED_DO_BURST = 60, /* requests at once ... */
    ASKED_DO_MS = 500,   /* ... and one more for each of these */
    ASKED_RECORD_BURST = 20,
    ASKED_RECORD_MS = 3000,
    ASKED_ANSWER_BURST = 60,
    ASKED_ANSWER_MS = 50,
};

/* The reason of a refusal after which the same id may be tried again. */
#define ASKED_PUT_OFF "too-many"

struct asked_answer { /* the first answer to an id */
    char id[CHAIN_WORD_MAX];
    char reason[CHAIN_WORD_MAX];
};

struct asked_ring {
    uint32_t next, count; /* 'next' is the oldest once it is full */
    struct asked_answer item[ASKED_MAX];
};

/* So many at once, and one more each so many milliseconds. */
struct asked_pace {
    int64_t saved_ms;
    struct mono at;
};

struct asked {
    struct asked_ring done, refused;
    struct asked_pace doing, recording, answering;
    uint64_t unrecorded; /* refusals since the last one that was recorded */
};

/* Nothing was asked yet, and every pace has its burst. */
void asked_init(struct asked *a, struct mono now);

/* The first answer to this id; NULL when it isn't remembered. */
const struct asked_answer *asked_find(const struct asked *a, const char *id, bool *ret_ok);

/* An id was answered; one that is remembered already keeps its first answer. "" is none, and what
 * was put off (ASKED_PUT_OFF) isn't answered yet. */
void asked_note(struct asked *a, const char *id, bool ok, const char *reason);

/* May one more request be acted on; one more refusal be recorded; one more be answered? Each yes
 * uses some up. */
bool asked_may_do(struct asked *a, struct mono now);
bool asked_may_record(struct asked *a, struct mono now);
bool asked_may_answer(struct asked *a, struct mono now);

/* The ids of what was done, said again so that they outlive the oldest segment: part 0, 1, ... of
 * them, oldest first, into a record; false past the last. */
bool asked_carry(const struct asked *a, uint32_t part, struct record *ret);

/* How many parts there are. */
uint32_t asked_parts(const struct asked *a);

/* From such a record. */
void asked_restore(struct asked *a, const struct record *r);

#endif
