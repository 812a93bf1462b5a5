/* The reagents of acid.h: what they are made of, and how strong a bottle is. */
#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/chem/acid.h"

/* Atomic weights: IUPAC, abridged (from memory). The pure liquids' or solids' density, g/mL, bounds
 * what a bottle can hold (CRC Handbook, from memory). */
static const struct {
    struct water ions;
    double g_per_mol, equivalents, pure_g_ml;
} reagents[REAGENT_COUNT] = {
    [REAGENT_NITRIC] = { { { [ION_NO3] = 1.0 } }, 63.012, 1.0, 1.51 },
    [REAGENT_PHOSPHORIC] = { { { [ION_PO4] = 1.0 } }, 97.994, 1.0, 1.88 },
    [REAGENT_SULFURIC] = { { { [ION_SO4] = 1.0 } }, 98.072, 2.0, 1.85 },
    [REAGENT_CITRIC] = { { { [ION_CIT] = 1.0 } }, 192.123, 3.0, 1.67 },
    [REAGENT_POTASSIUM_HYDROXIDE] = { { { [ION_K] = 1.0 } }, 56.105, 1.0, 2.04 },
    [REAGENT_POTASSIUM_CARBONATE] = { { { [ION_K] = 2.0, [ION_CO3] = 1.0 } }, 138.204, 2.0, 2.43 },
    [REAGENT_POTASSIUM_BICARBONATE] = { { { [ION_K] = 1.0, [ION_CO3] = 1.0 } }, 100.114, 1.0,
        2.17 },
};

struct water reagent_ions(enum stock_reagent reagent)
{
    INVARIANT(reagent < REAGENT_COUNT);
    return reagents[reagent].ions;
}

double reagent_g_per_mol(enum stock_reagent reagent)
{
    INVARIANT(reagent < REAGENT_COUNT);
    return reagents[reagent].g_per_mol;
}

double reagent_equivalents(enum stock_reagent reagent)
{
    INVARIANT(reagent < REAGENT_COUNT);
    return reagents[reagent].equivalents;
}

static enum err too_strong(struct problem *problem, enum stock_reagent reagent, double most_mmol_ml)
{
    char buffer[PROBLEM_TEXT_MAX];
    struct text t = text_over(buffer, sizeof buffer);
    text_add(&t, stock_reagent_word(reagent));
    text_add(&t, ": undiluted it has ");
    text_add_real(&t, most_mmol_ml, 1);
    text_add(&t, " mol/L, and this is more");
    return problem_set(problem, ERR_RANGE, "", buffer);
}

/* Grams in a millilitre, at most what the pure substance has. */
static enum err from_g_ml(
    double *ret, enum stock_reagent reagent, double g_ml, struct problem *problem)
{
    const double per_g = 1000.0 / reagents[reagent].g_per_mol;
    const double most = reagents[reagent].pure_g_ml;
    if (g_ml > most) return too_strong(problem, reagent, most * per_g);
    *ret = g_ml * per_g;
    return ERR_NONE;
}

enum err reagent_mmol_ml_by_weight(double *ret, enum stock_reagent reagent, double percent_w_w,
    double density_g_ml, struct problem *problem)
{
    INVARIANT(reagent < REAGENT_COUNT);
    if (!(percent_w_w > 0.0 && percent_w_w <= 100.0))
        return problem_set(problem, ERR_RANGE, "", "percent by weight is above 0 and at most 100");
    if (!(density_g_ml >= 0.9 && density_g_ml <= 2.5))
        return problem_set(problem, ERR_RANGE, "", "the density of a solution is 0.9 to 2.5 g/mL");
    return from_g_ml(ret, reagent, percent_w_w / 100.0 * density_g_ml, problem);
}

enum err reagent_mmol_ml_by_normality(
    double *ret, enum stock_reagent reagent, double normality, struct problem *problem)
{
    INVARIANT(reagent < REAGENT_COUNT);
    if (!(normality > 0.0 && normality <= 100.0))
        return problem_set(problem, ERR_RANGE, "", "a normality is above 0 and at most 100 eq/L");
    const double mol_l = normality / reagents[reagent].equivalents;
    return from_g_ml(ret, reagent, mol_l * reagents[reagent].g_per_mol / 1000.0, problem);
}
