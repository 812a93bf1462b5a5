/* What the files of the virtual head share with each other, and with nobody else. */
#ifndef DOSEWRIGHT_PLANT_HEAD_INSIDE_H
#define DOSEWRIGHT_PLANT_HEAD_INSIDE_H

#include "lib/chain/address.h"
#include "lib/plant/head.h"

/* --- memory (head_memory.c) --- */

/* The outcome of an id that was seen before, as it is now; NULL if it is new. */
const struct chain_report *head_recall(struct head *h, const char *id);

/* Is there a place for one more id? A place is free again when its until_ms has passed and its run
 * has ended. */
bool head_can_remember(const struct head *h);

/* Remembers the first outcome of a command. Without a place, the command stays shut out. */
void head_remember(
    struct head *h, const struct chain_command *command, const struct chain_report *outcome);

/* A new entry at the front of the ledger; the oldest leaves. */
void head_enter(struct head *h, const struct chain_report *outcome);

/* The state of an accepted command changed: ledger, memory and a report. */
void head_outcome(struct head *h, const struct chain_report *outcome);

/* Queues a report as it is, with this boot and up_ms. */
void head_report(struct head *h, struct chain_report report);

/* --- runs (head_run.c) --- */

/* Starts a commanded run and reports it; the command is in the ledger already. */
void head_begin(struct head_run *run, const struct head *h, const struct chain_command *c);

/* Ends a commanded run in that state and reports it. Doses that need it are left to
 * head_drop_needy. */
void head_end(struct head *h, struct head_run *run, enum chain_state state, bool unsure);

/* Stops doses whose circulation doesn't run any more. */
void head_drop_needy(struct head *h);

/* Ends whatever runs on an output, by command ('stopped') or by hand. */
void head_still(struct head *h, uint32_t module, uint32_t channel);

/* Ends every commanded run of the chain; or really everything. */
void head_stop_commanded(struct head *h);
void head_stop_all(struct head *h);

/* 'manual' is new: of the hand-run output that was switched on last, or of one that just ended. */
void head_tell_hand(struct head *h);

/* By a message or by the stop switch. */
bool head_is_halted(const struct head *h);

#endif
