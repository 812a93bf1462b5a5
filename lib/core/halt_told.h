/* A halt of which the journal may have lost the record: it was damaged, another daemon had the
 * site, or the power went before the record was on disk. Heads keep a halt; boards of plain outputs
 * keep none. So a head that is halted is then taken for the halt of the site, whoever commands its
 * chain by now, and boards wait until all heads have told. */
#ifndef DOSEWRIGHT_CORE_HALT_TOLD_H
#define DOSEWRIGHT_CORE_HALT_TOLD_H

#include "lib/core/action.h"

struct core;

struct core_halt_told {
    bool doubted; /* what was asked for isn't known, as long as limits aren't */
    bool settled; /* this daemon was told since it started, and nobody else commanded since */
    bool missed;  /* a head lists a halt or stop of before this start without a record */
    struct mono started; /* this daemon */
};

/* Somebody has asked for it, or ended it, by the journal: it is known from then on. */
void core_know_halt(struct core *core, bool on);
/* ... this daemon: nothing that came before counts any more, whatever a head lists of it. */
void core_hear_halt(struct core *core, bool on);

/* True while a halt may stand of which a head hasn't told yet. After a start a head that isn't
 * there is waited for a minute only; where limits aren't known, as long as they aren't. */
bool core_halt_untold(const struct core *core, struct now now);

/* Looks whether this chain's head tells of one. Then the site is halted, and it is on record. */
void core_take_halt(struct core *core, uint32_t chain, struct now now, struct actions *ret);

#endif
