/* What a chain draws, and what that says: is the circulation running, has a pump stopped, is the
 * supply well? Three files, one measure: the amps in the head's beat. Where the head has none,
 * there are only its reports. */
#ifndef DOSEWRIGHT_CORE_DRAW_H
#define DOSEWRIGHT_CORE_DRAW_H

#include "lib/base/units.h"
#include "lib/chain/message.h"
#include "lib/core/action.h"

struct core;
struct supply_view;

/* --- circulation.c ---------------------------------------------------------------------------- */

/* Outputs of a chain have ended: what its newest beat says it draws is no measure any more. */
void core_doubt_amps(struct core *core, uint32_t chain, struct now now);

/* What the outputs that are known to run on a chain should draw, but for this tank's circulation.
 */
double core_running_amps(const struct core *core, uint32_t chain, uint32_t but_tank);

/* A beat has come: it is a measure again, unless it was on its way when something ended. */
void core_trust_amps(struct core *core, uint32_t chain, struct now now);

/* --- supply_watch.c --------------------------------------------------------------------------- */

/* A beat has come: does the chain draw, and have, what it should? Raises and clears the alert
 * "supply-<chain>". */
void core_watch_supply(struct core *core, uint32_t chain, struct actions *ret);

/* Is it known what runs on the chain? Not while a hand is on a switch, a dose or a circulation is
 * about to begin, or another daemon commands. */
bool core_draw_known(const struct core *core, uint32_t chain);

/* A chain's supply, planned and measured. */
void core_view_supply(const struct core *core, uint32_t chain, struct supply_view *ret);

/* What the newest beat's current is above what is known to run, A; the beat must have amps. */
double core_amps_beyond(const struct core *core, uint32_t chain);

/* --- runs_on.c -------------------------------------------------------------------------------- */

/* A pump that was told to stop, and the chain's current says that it runs on (runs_on.c). */
struct core_runs_on {
    bool has_before;
    double before_amps;   /* what the chain drew beyond what was known to run, before the dose */
    uint32_t before_flow; /* which tanks' circulation ran then, a bit each, folded */
    bool watching; /* a dose has ended, and no beat has shown yet that its current has gone */
    char serial[CHAIN_WORD_MAX];
    uint32_t channel;       /* ... of that pump */
    double draws;           /* its current, A */
    struct mono counted_to; /* what it moves is counted up to then */
    uint32_t odd;           /* beats running that show it */
    bool stands;
};

/* A dose of that pump has ended: the next beats must show it. */
void core_expect_rest(struct core *core, uint32_t tank, uint32_t pump, struct now now);

/* A beat has come. Three running that show the current of a pump that should stand still raise the
 * alert "runs-on-<chain>": the pump is told to stop once more, what it moves counts against the
 * limits, and nothing of the chain is dosed until its current has gone or somebody acknowledges. */
void core_watch_rest(struct core *core, uint32_t chain, struct now now, struct actions *ret);

/* May other pumps of this tank run? False with a sentence, also after a single odd beat. */
bool core_pumps_rest(struct core *core, uint32_t tank);

/* By the alert's name: somebody has looked, and the pumps stand still. */
void core_trust_rest(struct core *core, const char *alert);

/* From an "alert" record: does it stand? */
void core_restore_rest(struct core *core, const char *alert, bool on);

/* Alerts that stood before the restart are raised again. */
void core_raise_rest(struct core *core, struct actions *ret);

#endif
