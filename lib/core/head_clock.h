/* A second clock: the head's own. How long nothing ran between two starts is told by the time of
 * day (lib/journal/recover.h), and one that was put ahead while nothing could be recorded makes
 * more of it than it was, so that limits were free too early. Each dose keeps what the head's clock
 * said; a head that has run on since tells at the next start how long it was. */
#ifndef DOSEWRIGHT_CORE_HEAD_CLOCK_H
#define DOSEWRIGHT_CORE_HEAD_CLOCK_H

#include "lib/chain/message.h"
#include "lib/core/action.h"

struct core;

struct core_head_clock {       /* at the newest dose, or the newest comparison, of the journal */
    char boot[CHAIN_WORD_MAX]; /* "": not known, or looked at already */
    int64_t up_ms;             /* >= 0 */
    struct mono at;
};

/* Adds what the chain's head's clock says: 'head_boot' and 'head_up_ms'. */
void core_record_head_clock(
    struct record *r, const struct core *core, uint32_t chain, struct now now);

/* A dose or a 'head-clock' that the journal brings back, at 'at'; one without these members tells
 * nothing. */
void core_recall_head_clock(
    struct core *core, uint32_t chain, const struct record *r, struct mono at);

/* The head is heard for the first time since the start. When less time has passed on its clock, all
 * that the chain moved counts for so much longer; when less by more than two clocks may differ, the
 * chain's limits count as used up. Either is on record, as 'head-clock'. */
void core_compare_head_clock(
    struct core *core, uint32_t chain, struct now now, struct actions *ret);

#endif
