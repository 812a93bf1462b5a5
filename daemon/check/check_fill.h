/* How long a fresh fill takes under the limits: the rounds that the control law would ask for, with
 * the same budgets, on a tank that answers exactly as expected. */
#ifndef DOSEWRIGHT_DAEMON_CHECK_FILL_H
#define DOSEWRIGHT_DAEMON_CHECK_FILL_H

#include "daemon/check/check_derive.h"

/* False when memory is short. */
bool check_fresh_fill(struct check_fill *ret, const struct site *site, const struct site_tank *tank,
    const struct crop_target *set);

#endif
