#include "lib/chem/stock.h"

#include <math.h>
#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/chem/formula.h"

#define EC_US_CM_PER_MEQ_L 95.0 /* common practice, no source */

/* Citric acid at pH 5.8 has let go of this many of its three protons: computed from its constants
 * pK 3.128, 4.761, 6.396 (25 degC, infinite dilution; from memory, NIST 46). */
#define CITRIC_PROTONS 2.120

/* What a mole does around pH 5.8: protons taken in count as alkalinity's loss. Phosphoric acid
 * gives one there: its second belongs to the water's buffer, and sulfuric acid gives both. */
static const struct reagent {
    const char *word, *formula;
    double protons; /* < 0: takes them up */
    double cations, phosphate, sulfate;
    enum stock_kind kind;
} reagents[REAGENT_COUNT] = {
    [REAGENT_NITRIC] = { "nitric", "HNO3", 1, 0, 0, 0, STOCK_ACID },
    [REAGENT_PHOSPHORIC] = { "phosphoric", "H3PO4", 1, 0, 1, 0, STOCK_ACID },
    [REAGENT_SULFURIC] = { "sulfuric", "H2SO4", 2, 0, 0, 1, STOCK_ACID },
    [REAGENT_CITRIC] = { "citric", "C6H8O7", CITRIC_PROTONS, 0, 0, 0, STOCK_ACID },
    [REAGENT_POTASSIUM_HYDROXIDE] = { "potassium-hydroxide", "KOH", -1, 1, 0, 0, STOCK_BASE },
    [REAGENT_POTASSIUM_CARBONATE] = { "potassium-carbonate", "K2CO3", -2, 2, 0, 0, STOCK_BASE },
    [REAGENT_POTASSIUM_BICARBONATE] = { "potassium-bicarbonate", "KHCO3", -1, 1, 0, 0, STOCK_BASE },
};

static bool is_amount(double x)
{
    return isfinite(x) && x >= 0.0;
}

/* Grams in a litre are milligrams in a millilitre; by g/mol that is mmol in a millilitre. */
static double mmol_ml(double g_per_l, double g_per_mol)
{
    return g_per_l / g_per_mol;
}

/* --- nutrients -------------------------------------------------------------------------------- */

static enum err add_salt(
    struct stock_strength *sum, const struct stock_salt *salt, struct problem *problem)
{
    struct formula f;
    const enum err err = formula_read(&f, salt->formula, problem);
    if (err != ERR_NONE) {
        if (problem) problem->err = ERR_UNKNOWN;
        return ERR_UNKNOWN;
    }
    if (!is_amount(salt->g_per_l))
        return problem_set(problem, ERR_RANGE, "", "grams per litre can't be negative");
    const double mmol = mmol_ml(salt->g_per_l, f.g_per_mol);
    sum->cations_meq_ml += mmol * formula_cation_equivalents(&f);
    sum->phosphate_mmol_ml += mmol * (double)f.atoms[ELEMENT_P];
    sum->sulfate_mmol_ml += mmol * (double)f.atoms[ELEMENT_S];
    sum->calcium_mmol_ml += mmol * (double)f.atoms[ELEMENT_CA];
    sum->ammonium_mmol_ml += mmol * (double)f.ammonium;
    return ERR_NONE;
}

/* mmol in a millilitre of what stands on a label as per cent by weight; 'atoms' in a formula. */
struct guarantee {
    double percent;
    const char *formula;
    int64_t atoms;
};

static double guaranteed(const struct guarantee *g, double density_g_ml)
{
    struct formula f;
    const enum err err = formula_read(&f, g->formula, NULL);
    INVARIANT(err == ERR_NONE);
    return mmol_ml(g->percent / 100.0 * density_g_ml * 1000.0, f.g_per_mol) * (double)g->atoms;
}

static enum err add_label(
    struct stock_strength *sum, const struct stock_label *label, struct problem *problem)
{
    const struct guarantee ammonium = { label->ammonium_n_percent, "N", 1 };
    const struct guarantee phosphate = { label->p2o5_percent, "P2O5", 2 };
    const struct guarantee potassium = { label->k2o_percent, "K2O", 2 };
    const struct guarantee calcium = { label->cao_percent, "CaO", 1 };
    const struct guarantee magnesium = { label->mgo_percent, "MgO", 1 };
    const struct guarantee *all[] = { &ammonium, &phosphate, &potassium, &calcium, &magnesium };
    bool good = is_amount(label->n_percent);
    double percent = label->n_percent;
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        good = good && is_amount(all[i]->percent);
        if (i > 0) percent += all[i]->percent; /* [0] is part of n_percent */
    }
    if (!good || percent > 100.0)
        return problem_set(problem, ERR_RANGE, "", "a label's shares are 0 to 100 % together");
    if (label->ammonium_n_percent > label->n_percent)
        return problem_set(
            problem, ERR_RANGE, "", "more nitrogen as ammonium than nitrogen altogether");
    const double density = label->density_g_ml;
    if (!isfinite(density) || density <= 0.0)
        return problem_set(problem, ERR_RANGE, "", "a label needs a density above 0 g/mL");
    const double calcium_mmol = guaranteed(&calcium, density);
    sum->ammonium_mmol_ml = guaranteed(&ammonium, density);
    sum->phosphate_mmol_ml = guaranteed(&phosphate, density);
    sum->calcium_mmol_ml = calcium_mmol;
    sum->cations_meq_ml = sum->ammonium_mmol_ml + guaranteed(&potassium, density) +
                          2.0 * (calcium_mmol + guaranteed(&magnesium, density));
    return ERR_NONE;
}

static enum err nutrient_strength(
    struct stock_strength *sum, const struct stock_solution *solution, struct problem *problem)
{
    INVARIANT(solution->salt_count <= STOCK_SALTS_MAX);
    enum err err = ERR_NONE;
    if (solution->has_label) err = add_label(sum, &solution->label, problem);
    for (uint32_t i = 0; err == ERR_NONE && i < solution->salt_count; i++) {
        err = add_salt(sum, &solution->salt[i], problem);
    }
    if (err == ERR_NONE && !(sum->cations_meq_ml > 0.0))
        err = problem_set(problem, ERR_RANGE, "",
            "no cations are in this solution: it would not raise EC, so it can't be dosed by EC");
    return err;
}

/* --- acids and bases -------------------------------------------------------------------------- */

static enum err reagent_strength(
    struct stock_strength *sum, const struct stock_solution *solution, struct problem *problem)
{
    INVARIANT(solution->reagent < REAGENT_COUNT);
    const struct reagent *r = &reagents[solution->reagent];
    if (r->kind != solution->kind)
        return problem_set(problem, ERR_RANGE, "",
            solution->kind == STOCK_ACID ? "this reagent isn't an acid"
                                         : "this reagent isn't a base");
    const double percent = solution->percent_w_w, density = solution->density_g_ml;
    if (!(percent > 0.0 && percent <= 100.0) || !isfinite(density) || !(density > 0.0))
        return problem_set(problem, ERR_RANGE, "",
            "percent by weight is above 0 and at most 100, density above 0 g/mL");
    struct formula f;
    const enum err err = formula_read(&f, r->formula, problem);
    INVARIANT(err == ERR_NONE);
    const double mmol = mmol_ml(percent / 100.0 * density * 1000.0, f.g_per_mol);
    sum->acid_meq_ml = mmol * r->protons;
    sum->cations_meq_ml = mmol * r->cations;
    sum->phosphate_mmol_ml = mmol * r->phosphate;
    sum->sulfate_mmol_ml = mmol * r->sulfate;
    return ERR_NONE;
}

enum err stock_strength_of(
    struct stock_strength *ret, const struct stock_solution *solution, struct problem *problem)
{
    struct stock_strength sum = { 0 };
    enum err err = ERR_NONE;
    switch (solution->kind) {
    case STOCK_NUTRIENT:
        err = nutrient_strength(&sum, solution, problem);
        break;
    case STOCK_ACID:
    case STOCK_BASE:
        err = reagent_strength(&sum, solution, problem);
        break;
    }
    if (err == ERR_NONE) *ret = sum;
    return err;
}

/* --- what follows ----------------------------------------------------------------------------- */

double stock_ec_us_cm_per_ml_l(const struct stock_strength *strength)
{
    return EC_US_CM_PER_MEQ_L * strength->cations_meq_ml;
}

static bool precipitates(const struct stock_strength *a, const struct stock_strength *b)
{
    return a->calcium_mmol_ml > 0.0 && (b->phosphate_mmol_ml > 0.0 || b->sulfate_mmol_ml > 0.0);
}

bool stock_keep_apart(const struct stock_strength *a, const struct stock_strength *b)
{
    if (precipitates(a, b) || precipitates(b, a)) return true;
    return (a->acid_meq_ml > 0.0 && b->acid_meq_ml < 0.0) ||
           (a->acid_meq_ml < 0.0 && b->acid_meq_ml > 0.0);
}

const char *stock_reagent_word(enum stock_reagent reagent)
{
    INVARIANT(reagent < REAGENT_COUNT);
    return reagents[reagent].word;
}

bool stock_reagent_read(enum stock_reagent *ret, const char *word)
{
    for (int i = 0; i < REAGENT_COUNT; i++) {
        if (!text_same(reagents[i].word, word)) continue;
        *ret = (enum stock_reagent)i;
        return true;
    }
    return false;
}
