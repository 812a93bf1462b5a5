/* A tank's circulation: the pump that moves its water past the injection points. Nothing is dosed
 * unless it is seen to run. Private to the core (state.h includes it).
 *
 * Its life: a command is sent ('command', from a standstill with the chain's current noted before);
 * a report says that it runs ('on', from 'start' at least to 'till'); the chain's current agrees,
 * as far as it was measured ('seen'); the flow agrees, too, no hand is on its switch, and the chain
 * can be commanded ('confirmed'). While it is needed another command renews the run; else it ends
 * by itself. A command that nobody answered may still arrive ('lost'), and what was reported
 * running may run to the command's own end ('may_run'): both keep their share of the supply till
 * then. */
#ifndef DOSEWRIGHT_CORE_CIRCULATION_H
#define DOSEWRIGHT_CORE_CIRCULATION_H

#include "lib/core/command.h"

enum {
    CIRCULATION_SPARE_MS = 5000, /* left of circulation after a dose and its flush */
    ENDS_SOON_MS = 1000,         /* a run that is to end is shortened to so much */
};

struct core_circulation {
    struct core_command command; /* the newest */
    bool lost, may_run, on, seen, confirmed;
    bool stays_on;         /* its plain output stayed on after its time: the tank is halted */
    struct mono lost_till; /* what is lost has ended by then */
    struct mono ends;      /* ... and what may run */
    struct mono start;     /* when it was first reported running, without a break since */
    struct mono till;      /* it runs at least until then */
    struct mono seen_at;   /* when it was last seen, with its flow */
    struct mono awaited;   /* since when whoever needs it waits to see it */
    bool flowed;           /* it was confirmed at some time since the law was shown readings */
    /* Its current among that of the whole chain. */
    double amps_before; /* of the chain, beside what else ran; NaN: not measured */
    struct mono amps_before_at, amps_looked; /* by which beat; the one last held against it */
    struct mono amps_proven;                 /* the newest beat that agreed with it */
    uint32_t amps_short;                     /* beats running that contradict it */
    bool amps_doubt; /* a pump of its chain stands still, and may be this one: until this run has
                        ended */
    struct mono turn_from, turn_seen; /* the supply had no room for it, from .. to */
};

/* Is the tank's circulation seen to run, with this much time left? Asks for it when not. */
bool core_hold_circulation(
    struct core *core, uint32_t tank, int64_t left_ms, struct now now, struct actions *ret);

/* One run of it from a standstill, for so long and no longer; false: not now, ask again. */
bool core_begin_circulation(
    struct core *core, uint32_t tank, int64_t run_ms, struct now now, struct actions *ret);

/* May it be running, whether it is seen to or not? */
bool core_may_circulate(const struct core *core, uint32_t tank);

/* Looks again whether circulation is confirmed. */
void core_confirm_circulation(struct core *core, uint32_t tank, struct now now);

/* Until when it is known that what is seen to run ran: the newest beat that agreed with it; now,
 * where no current tells. */
struct mono core_flow_proven(const struct core *core, uint32_t tank, struct now now);

/* It had the time to be seen running, and wasn't. */
bool core_circulation_unseen(const struct core *core, uint32_t tank, struct now now);
/* Would it be confirmed if its flow probe showed flow? */
bool core_flow_unseen(const struct core *core, uint32_t tank, struct now now);

/* May its output be switched on beside what else runs on the chain? */
bool core_circulation_may_begin(const struct core *core, uint32_t tank, struct now now);

/* A tank's circulation has ended, as far as is known. */
void core_end_circulation(struct core *core, uint32_t tank, struct now now);

#endif
