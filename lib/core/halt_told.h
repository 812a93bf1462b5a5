/* A halt of which the journal may have lost the record (it was damaged, or another daemon had the
 * site). Heads keep a halt; boards of plain outputs keep none. So a head that is halted is taken
 * for the halt of the site, whoever commands its chain by now, and boards wait until all heads have
 * told. */
#ifndef DOSEWRIGHT_CORE_HALT_TOLD_H
#define DOSEWRIGHT_CORE_HALT_TOLD_H

#include "lib/core/action.h"

struct core;

/* Somebody has asked for it, or ended it: it is known from now on. */
void core_know_halt(struct core *core, bool on);

/* True while a halt may stand of which a head hasn't told yet. */
bool core_halt_untold(const struct core *core);

/* Looks whether this chain's head tells of one. Then the site is halted, and it is on record. */
void core_take_halt(struct core *core, uint32_t chain, struct now now, struct actions *ret);

#endif
