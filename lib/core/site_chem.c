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

/* A tank's solution without what falls easily: what is looked for is the stocks' own doing. */
static const struct water line_water = { .mmol_l = { [ION_K] = 5.0,
                                             [ION_NA] = 1.0,
                                             [ION_CA] = 2.0,
                                             [ION_MG] = 1.0,
                                             [ION_NO3] = 9.0,
                                             [ION_CL] = 1.5,
                                             [ION_SO4] = 0.75 } };

enum err site_stocks_meet(struct keep_apart *ret, const struct site *site, uint32_t a, uint32_t b,
    struct problem *problem)
{
    struct solution of_a, of_b;
    enum err err = bottle_holds(&of_a, NULL, &site->stock[a].solution, problem);
    if (err == ERR_NONE) err = bottle_holds(&of_b, NULL, &site->stock[b].solution, problem);
    if (err != ERR_NONE) return err;
    const struct overlap overlap = {
        .a = &of_a.water, .b = &of_b.water, .line = &line_water, .degc = SITE_STORE_DEGC
    };
    return keep_apart_look(ret, &overlap, problem);
}

enum err site_stock_in_store(
    struct crystals *ret, const struct site_stock *stock, struct problem *problem)
{
    struct solution held;
    const enum err err = bottle_holds(&held, NULL, &stock->solution, problem);
    if (err != ERR_NONE) return err;
    return stock_crystallises(ret, &held.water, SITE_STORE_DEGC, problem);
}
