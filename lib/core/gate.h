/* What forbids a movement now. On no, the tank's state and its reason are filled. Private to the
 * core (state.h includes it). */
#ifndef DOSEWRIGHT_CORE_GATE_H
#define DOSEWRIGHT_CORE_GATE_H

#include "lib/base/text.h"
#include "lib/core/care.h"

struct core;

/* May anything move for this tank? Then may a dose? On no, fills state and why. */
bool core_gate_move(struct core *core, uint32_t tank, struct now now);
bool core_gate_dose(struct core *core, uint32_t tank, struct now now);

/* Does the site as a whole, or a lock, forbid all movement? May that pump run into a cup? */
bool core_gate_site(struct core *core, uint32_t tank);
bool core_gate_cup(struct core *core, uint32_t tank, uint32_t pump, struct now now);

/* May its circulation run into a bucket, on the bench? */
bool core_gate_flow(struct core *core, uint32_t tank, struct now now);

/* What a dose that somebody asked for needs beside core_gate_move: what the scheduler's needs,
 * but for the pause; and less where a line is filled. */
bool core_gate_errand(struct core *core, uint32_t tank, enum core_errand errand, struct now now);

/* The chain can be commanded now; else 'why' says what it waits for (may be NULL). */
bool core_chain_ready(const struct core *core, uint32_t chain, struct now now, struct text *why);

/* Has the inrush of the chain's last motor passed? Two that start at once would add up. */
bool core_motor_may_start(const struct core *core, uint32_t chain, struct now now);

/* Would the supply carry one more pump, or the circulation output, of this address? Beside another
 * tank's circulation it must leave room for a pump. */
bool core_supply_allows(
    const struct core *core, const struct chain_address *address, bool circulation);

#endif
