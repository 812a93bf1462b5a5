/* A tank at work: its source water with the recipe's stocks in it, at its pH. What a millilitre of
 * stock does to EC is worked out there, because it does less the more is dissolved already. */
#ifndef DOSEWRIGHT_CHEM_WORKING_H
#define DOSEWRIGHT_CHEM_WORKING_H

#include "lib/base/problem.h"
#include "lib/chem/water.h"

enum { WORKING_ROUNDS_MAX = 40 }; /* waters whose EC is worked out on the way */

struct working_part { /* of the recipe */
    const struct water *stock;
    double parts; /* > 0 */
};

struct working_wish {
    const struct water *source; /* whole and neutral, as analysis.h makes it */
    uint32_t count;
    const struct working_part *part;
    double ec_us_cm; /* at 25 degC */
    double ph;       /* 4 to 9 */
};

/* The source water with as much of the recipe as brings it to that EC (none, if it is there
 * already), then at that pH: nitric acid or potassium hydroxide, in balance with air. ERR_RANGE as
 * in equilibrium.h, or when the recipe can't bring it there: it has no ions, or 500 mL in a litre
 * are too few. */
enum err working_water(struct water *ret, const struct working_wish *wish, struct problem *problem)
    __attribute__((warn_unused_result));

/* The rise of EC (uS/cm at 25 degC) that 1 mL of a stock brings to a litre of this water, by its
 * slope at a small dose; < 0 for a stock that takes more charge away than it brings. ERR_RANGE as
 * in equilibrium.h. */
enum err working_ec_per_ml_l(double *ret, const struct water *working, const struct water *stock,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
