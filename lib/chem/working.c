#include "lib/chem/working.h"

#include <math.h>

#include "lib/chem/acid.h"
#include "lib/chem/conductivity.h"

#define DEGC 25.0
#define ML_L_MOST 500.0
#define ML_PER_L 1000.0
#define EC_NEAR 1e-6 /* relative: near enough */

/* Of a small dose: far above the solver's noise, far below a bend in the curve. */
#define SMALL_MMOL_L 0.05

static const struct air the_air = { .open = true, .log_pco2 = AIR_LOG_PCO2 };

/* What 'ml_l' millilitres of each part's share make of the source. */
static struct water fed(const struct working_wish *wish, double ml_l)
{
    struct water w = *wish->source;
    for (uint32_t i = 0; i < wish->count; i++) {
        water_add(&w, wish->part[i].stock, ml_l * wish->part[i].parts / ML_PER_L);
    }
    return w;
}

static enum err cannot(struct problem *problem)
{
    return problem_set(problem, ERR_RANGE, "", "the recipe can't bring the water to that EC");
}

/* EC rises with every dose, less and less: a secant, kept between what is too little and what is
 * too much. */
static enum err feed(struct water *ret, const struct working_wish *wish, struct problem *problem)
{
    double low = 0.0, high = ML_L_MOST, ec_low, ec;
    *ret = *wish->source;
    enum err err = water_ec_us_cm(&ec_low, ret, DEGC, &the_air, problem);
    if (err != ERR_NONE || ec_low >= wish->ec_us_cm) return err;
    double ml_l = 1.0;
    for (int round = 0; round < WORKING_ROUNDS_MAX; round++) {
        *ret = fed(wish, ml_l);
        err = water_ec_us_cm(&ec, ret, DEGC, &the_air, problem);
        if (err != ERR_NONE) return err;
        if (fabs(ec - wish->ec_us_cm) <= EC_NEAR * wish->ec_us_cm) return ERR_NONE;
        const double rise = (ec - ec_low) / (ml_l - low);
        if (!(rise > 0.0)) return cannot(problem);
        double next = ml_l + (wish->ec_us_cm - ec) / rise;
        if (ec < wish->ec_us_cm) {
            low = ml_l;
            ec_low = ec;
        } else {
            high = ml_l;
        }
        if (low >= ML_L_MOST) return cannot(problem);
        if (!(next > low && next < high)) next = low + (high - low) / 2.0;
        ml_l = next;
    }
    return ERR_NONE; /* between 'low' and 'high', which have come together */
}

static enum err bring_to_ph(struct water *w, double ph, struct problem *problem)
{
    struct acid_dose dose;
    struct acid_wish wish = {
        .reagent = REAGENT_NITRIC, .target_ph = ph, .degc = DEGC, .air = the_air
    };
    enum err err = acid_dose_to_ph(&dose, w, &wish, problem);
    if (err == ERR_NONE && dose.verdict == ACID_WRONG_WAY) {
        wish.reagent = REAGENT_POTASSIUM_HYDROXIDE;
        err = acid_dose_to_ph(&dose, w, &wish, problem);
    }
    if (err != ERR_NONE) return err;
    const struct water ions = reagent_ions(wish.reagent);
    water_add(w, &ions, dose.mmol_l);
    return ERR_NONE;
}

enum err working_water(struct water *ret, const struct working_wish *wish, struct problem *problem)
{
    const enum err err = feed(ret, wish, problem);
    return err == ERR_NONE ? bring_to_ph(ret, wish->ph, problem) : err;
}

enum err working_ec_per_ml_l(
    double *ret, const struct water *working, const struct water *stock, struct problem *problem)
{
    double sum = 0.0, before, after;
    for (int i = 0; i < ION_COUNT; i++) {
        sum += stock->mmol_l[i];
    }
    if (!(sum > 0.0)) return problem_set(problem, ERR_RANGE, "", "the stock holds no ions");
    const double ml_l = SMALL_MMOL_L * ML_PER_L / sum;
    struct water dosed = *working;
    water_add(&dosed, stock, ml_l / ML_PER_L);
    enum err err = water_ec_us_cm(&before, working, DEGC, &the_air, problem);
    if (err == ERR_NONE) err = water_ec_us_cm(&after, &dosed, DEGC, &the_air, problem);
    if (err == ERR_NONE) *ret = (after - before) / ml_l;
    return err;
}
