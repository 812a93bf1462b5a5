/* What chemistry says of a tank before anything was dosed. */
#include "lib/chem/analysis.h"
#include "lib/chem/bottle.h"
#include "lib/chem/working.h"
#include "lib/core/site.h"

#define SOURCE_DEGC 25.0
#define US_CM_PER_MS_CM 1000.0

/* Nothing but EC and alkalinity is known of the source: analysis.h says what is assumed. */
static enum err read_source(
    struct water *ret, const struct site_tank *tank, struct problem *problem)
{
    struct analysis analysis = { .degc = SOURCE_DEGC };
    struct analysis_report report;
    analysis.given[ANALYSIS_EC] = analysis.given[ANALYSIS_ALKALINITY] = true;
    analysis.value[ANALYSIS_EC] = tank->source_ec_us_cm / US_CM_PER_MS_CM;
    analysis.value[ANALYSIS_ALKALINITY] = tank->source_alkalinity_meq_l;
    return analysis_read(ret, &report, &analysis, problem);
}

static enum err read_bottles(struct water ret[TANK_PUMPS_MAX], const struct site *site,
    const struct site_tank *tank, struct problem *problem)
{
    enum err err = ERR_NONE;
    for (uint32_t p = 0; p < tank->pump_count && err == ERR_NONE; p++) {
        struct solution held;
        err = bottle_holds(&held, NULL, &site->stock[tank->pump[p].stock].solution, problem);
        ret[p] = held.water;
    }
    return err;
}

static enum err make_working(struct water *ret, const struct water bottle[TANK_PUMPS_MAX],
    const struct site_tank *tank, struct problem *problem)
{
    struct water source;
    struct working_part part[TANK_PUMPS_MAX];
    const enum err err = read_source(&source, tank, problem);
    if (err != ERR_NONE) return err;
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        part[i] = (struct working_part){ &bottle[tank->recipe[i].pump], tank->recipe[i].parts };
    }
    const struct crop_envelope *e = &tank->envelope;
    const struct working_wish wish = { .source = &source,
        .count = tank->recipe_count,
        .part = part,
        .ec_us_cm = (e->ec_least_us_cm + e->ec_most_us_cm) / 2,
        .ph = (e->ph_least + e->ph_most) / 2 };
    return working_water(ret, &wish, problem);
}

enum err site_derive_ec(const struct site *site, struct site_tank *tank, struct problem *problem)
{
    struct water bottle[TANK_PUMPS_MAX], working;
    for (uint32_t p = 0; p < tank->pump_count; p++) {
        tank->pump[p].ec_us_cm_per_ml_l =
            stock_ec_us_cm_per_ml_l(&site->stock[tank->pump[p].stock].strength);
    }
    enum err err = read_bottles(bottle, site, tank, problem);
    if (err == ERR_NONE) err = make_working(&working, bottle, tank, problem);
    for (uint32_t p = 0; p < tank->pump_count && err == ERR_NONE; p++) {
        double *rise = &tank->pump[p].ec_us_cm_per_ml_l;
        err = working_ec_per_ml_l(rise, &working, &bottle[p], problem);
        if (*rise < 0.0) *rise = 0.0;
    }
    return err;
}
