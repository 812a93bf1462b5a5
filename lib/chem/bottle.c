#include "lib/chem/bottle.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/chem/acid.h"

#define ML_PER_L 1000.0

static enum err add_label(struct solution *sum, struct label_closure *closure,
    const struct stock_label *given, struct problem *problem)
{
    const struct label label = { .percent = {
                                     [LABEL_N] = given->n_percent,
                                     [LABEL_AMMONIUM_N] = given->ammonium_n_percent,
                                     [LABEL_P2O5] = given->p2o5_percent,
                                     [LABEL_K2O] = given->k2o_percent,
                                     [LABEL_CAO] = given->cao_percent,
                                     [LABEL_MGO] = given->mgo_percent,
                                 } };
    struct salt salt;
    if (!isfinite(given->density_g_ml) || !(given->density_g_ml > 0.0))
        return problem_set(problem, ERR_RANGE, "", "a label needs a density above 0 g/mL");
    const enum err err = label_read(&salt, closure, &label, problem);
    if (err == ERR_NONE) salt_dissolve(sum, &salt, given->density_g_ml * ML_PER_L);
    return err;
}

static enum err add_salts(
    struct solution *sum, const struct stock_solution *stock, struct problem *problem)
{
    INVARIANT(stock->salt_count <= STOCK_SALTS_MAX);
    for (uint32_t i = 0; i < stock->salt_count; i++) {
        struct salt salt;
        const double g_per_l = stock->salt[i].g_per_l;
        const enum err err = salt_read(&salt, stock->salt[i].formula, problem);
        if (err != ERR_NONE) return err;
        if (!isfinite(g_per_l) || g_per_l < 0.0)
            return problem_set(problem, ERR_RANGE, "", "grams per litre can't be negative");
        salt_dissolve(sum, &salt, g_per_l);
    }
    return ERR_NONE;
}

static enum err add_reagent(
    struct solution *sum, const struct stock_solution *stock, struct problem *problem)
{
    double mmol_ml;
    const struct water ions = reagent_ions(stock->reagent);
    const enum err err = reagent_mmol_ml_by_weight(
        &mmol_ml, stock->reagent, stock->percent_w_w, stock->density_g_ml, problem);
    if (err == ERR_NONE) water_add(&sum->water, &ions, mmol_ml * ML_PER_L);
    return err;
}

enum err bottle_holds(struct solution *ret, struct label_closure *ret_closure,
    const struct stock_solution *stock, struct problem *problem)
{
    struct solution sum = { 0 };
    struct label_closure closure = { 0 };
    enum err err = ERR_NONE;
    if (stock->kind != STOCK_NUTRIENT) {
        err = add_reagent(&sum, stock, problem);
    } else {
        if (stock->has_label) err = add_label(&sum, &closure, &stock->label, problem);
        if (err == ERR_NONE) err = add_salts(&sum, stock, problem);
    }
    if (err != ERR_NONE) return err;
    if (ret_closure) *ret_closure = closure;
    *ret = sum;
    return ERR_NONE;
}
