/* What a chain's limits are known to hold. Where something may have been dosed of which there is no
 * record, they count as used up until the longest of their spans has passed, or until somebody
 * knows better. */
#ifndef DOSEWRIGHT_CORE_LIMITS_KNOWN_H
#define DOSEWRIGHT_CORE_LIMITS_KNOWN_H

#include "lib/core/action.h"

struct core;

/* What was dosed through this chain isn't known: the limits of its tanks count as used up until
 * their spans have passed, and acid and base as given last at 'at'. */
void core_forget_limits(struct core *core, uint32_t chain, struct mono at);

/* It is known after all. */
void core_know_limits(struct core *core, uint32_t chain, struct mono now);

/* All that the chain moved was 'ms' (>= 0) later than was thought. */
void core_keep_limits(struct core *core, uint32_t chain, int64_t ms);

/* What the lines of its tanks hold isn't known: they are flushed first. */
void core_doubt_lines(struct core *core, uint32_t chain);

/* Neither limits nor lines are known from now on, and it is on record; nor whether a halt was asked
 * for. */
void core_lose_limits(struct core *core, uint32_t chain, struct now now, struct actions *ret);

/* Alerts as long as limits aren't known, and ends that after a day. */
void core_turn_limits(struct core *core, uint32_t chain, struct now now, struct actions *ret);

#endif
