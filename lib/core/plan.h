/* The next doses of a tank: what limits, spacings and locks leave, and what the law wants of it.
 * Private to the core (state.h includes it). */
#ifndef DOSEWRIGHT_CORE_PLAN_H
#define DOSEWRIGHT_CORE_PLAN_H

#include "lib/control/law_inside.h"
#include "lib/core/care.h"
#include "lib/core/site.h"

struct core;
struct core_tank;

struct core_dose { /* one entry of a plan */
    uint32_t pump;
    enum law_stock stock;
    int64_t ul;
    int64_t ec_milli; /* expected EC rise, thousandths of uS/cm */
    int64_t ph_micro; /* expected pH move, millionths, > 0 */
};

struct core_plan {
    uint32_t count, next;
    struct core_dose dose[TANK_PUMPS_MAX];
    struct law_why why;      /* what led to it */
    enum core_errand errand; /* ERRAND_NONE: the law wants it */
};

/* Looks at the water and fills the tank's plan; false when nothing is to be done (state and why are
 * filled then). */
bool core_plan(struct core *core, uint32_t tank, struct now now);

/* The longest run that the pump's head, or its plain output, allows. */
int64_t core_run_most_ms(const struct core *core, const struct site_pump *pump);

/* Do the pump's limits still leave this dose of the plan? A hand may have run the pump since. */
bool core_dose_fits(
    const struct core *core, uint32_t tank, const struct core_dose *dose, struct now now);

/* Nobody's override lasts longer than the configuration allows. */
void core_bound_override(struct core_tank *t, const struct site_tank *config, struct now now);

/* What the crop should have now. */
struct crop_now core_crop_now(const struct core *core, uint32_t tank, struct now now);
struct crop_target core_setpoint(const struct core *core, uint32_t tank, struct now now);

#endif
