/* The configuration, rearranged by what a person has adopted of its chains (lib/chain/bind.h). */
#ifndef DOSEWRIGHT_DAEMON_CONFIG_BIND_H
#define DOSEWRIGHT_DAEMON_CONFIG_BIND_H

#include "daemon/config/config.h"
#include "lib/core/core.h"

/* One chain. False, with nothing done, when the binding doesn't fit it: then no pump of it runs. */
bool config_rebind(struct config *config, uint32_t chain, const struct chain_binding *binding);

/* Every chain of 'next' for which the core, which works with 'site', has an adopted order; and the
 * calibrations that were made here. */
void config_adopt(struct config *next, const struct core *core, const struct site *site);

#endif
