/* The inside of the core: one room for each chain (chain.h) and each tank (tank.h), all in one
 * block. Only files of lib/core (and their tests) include this, and with it all headers that are
 * private to the core. What decides about a dose is in gate.h, plan.h, circulation.h, command.h and
 * settle.h. */
#ifndef DOSEWRIGHT_CORE_STATE_H
#define DOSEWRIGHT_CORE_STATE_H

#include "lib/base/text.h"
#include "lib/control/law_inside.h"
#include "lib/core/alerts.h"
#include "lib/core/asked.h"
#include "lib/core/care.h"
#include "lib/core/chain.h"
#include "lib/core/circulation.h"
#include "lib/core/clock_watch.h"
#include "lib/core/command.h"
#include "lib/core/core.h"
#include "lib/core/draw.h"
#include "lib/core/emit.h"
#include "lib/core/follow.h"
#include "lib/core/gate.h"
#include "lib/core/gone.h"
#include "lib/core/halt_told.h"
#include "lib/core/head_clock.h"
#include "lib/core/left.h"
#include "lib/core/mute.h"
#include "lib/core/plain.h"
#include "lib/core/plan.h"
#include "lib/core/settle.h"
#include "lib/core/signer.h"
#include "lib/core/summary.h"
#include "lib/core/tank.h"
#include "lib/core/trust.h"
#include "lib/core/upkeep.h"

struct core_stock {
    int64_t remaining_ul;
    struct upkeep_stock use;
};

struct core {
    const struct site *site;
    struct core_identity identity;
    uint64_t next_id; /* number of the newest command */
    bool link_up;
    struct mono link_since; /* up or down */
    bool active;            /* this daemon serves the site; else it stands by */
    bool held_back;         /* a new configuration waits: no dose is begun */
    bool journal_ok;
    char journal_why[128]; /* why it can't be written */
    bool halted;           /* everything is: by a person, or as a head tells it */
    struct core_halt_told halt_told;
    bool has_peer; /* another daemon of this site was heard */
    struct mono peer_at;
    char peer[CHAIN_WORD_MAX];
    uint64_t refused_messages;
    struct asked asked;
    struct core_follow follow;
    struct signers signers;
    struct mutes mutes;
    struct core_clock clock;
    bool damaged; /* the journal was found damaged */
    bool copied;  /* it is a copy that was put back, and nobody has acknowledged that */
    struct core_chain chain[SITE_CHAINS_MAX];
    struct core_stock stock[SITE_STOCKS_MAX];
    struct core_gone gone[CORE_GONE_MAX];
    bool gone_lost; /* there was no room for all of it */
    struct mono gone_lost_at;
    struct left_tanks left;
    struct core_alert alert[CORE_ALERTS_MAX];
    struct upkeep_quiet quiet[UPKEEP_QUIET_MAX];
    struct mono seen; /* the newest instant: of this step, or of the record that is restored */
    struct core_tank *tank;
};

static inline uint32_t tank_chain(const struct core *core, uint32_t tank)
{
    return core->site->tank[tank].circulation.address.chain;
}

/* --- step.c ----------------------------------------------------------------------------------- */

/* All chains, or all tanks, are looked at with the next ticks. */
void core_wake_chains(struct core *core, struct now now);
void core_wake_tanks(struct core *core, struct now now);

/* Nothing seen before says anything about now: it all comes again, retained. */
void core_lose_link(struct core *core, struct now now);

/* --- on_request.c ----------------------------------------------------------------------------- */

void core_on_request(
    struct core *core, const struct event_request *request, struct now now, struct actions *ret);

#endif
