#include "lib/chem/stock.h"

#include <math.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/chem/formula.h"

/* Common practice, no source: EC rises by about 95 uS/cm for each meq/L of cations. */
static const double EC_US_CM_PER_MEQ_L = 95.0;

/* Equivalents that one mole gives up or takes between the pH of a tank and that of its source
 * water: phosphoric acid one (to H2PO4-), citric about two and a half near pH 5.8
 * (pKa 3.13, 4.76, 6.40). */
static const struct {
    const char *word;
    const char *formula;
    double acid_equivalents; /* < 0: a base */
} reagents[REAGENT_COUNT] = {
    [REAGENT_NITRIC] = { "nitric", "HNO3", 1.0 },
    [REAGENT_PHOSPHORIC] = { "phosphoric", "H3PO4", 1.0 },
    [REAGENT_SULFURIC] = { "sulfuric", "H2SO4", 2.0 },
    [REAGENT_CITRIC] = { "citric", "C6H8O7", 2.1 },
    [REAGENT_POTASSIUM_HYDROXIDE] = { "potassium-hydroxide", "KOH", -1.0 },
    [REAGENT_POTASSIUM_CARBONATE] = { "potassium-carbonate", "K2CO3", -2.0 },
    [REAGENT_POTASSIUM_BICARBONATE] = { "potassium-bicarbonate", "KHCO3", -1.0 },
};

/* Moles of phosphate, sulfate: each P or S of a nutrient salt stands for one. */
static void add_salt(struct stock_strength *s, const struct formula *f, double g_per_l)
{
    const double mmol_ml = g_per_l / f->g_per_mol; /* mol/L is mmol/mL */
    s->cations_meq_ml += mmol_ml * formula_cation_equivalents(f);
    s->phosphate_mmol_ml += mmol_ml * (double)f->atoms[ELEMENT_P];
    s->sulfate_mmol_ml += mmol_ml * (double)f->atoms[ELEMENT_S];
    s->calcium_mmol_ml += mmol_ml * (double)f->atoms[ELEMENT_CA];
    s->ammonium_mmol_ml += mmol_ml * (double)f->ammonium;
}

/* Oxides as labels count them: moles of cation in a mole of oxide, by its molar mass. */
static void add_label(struct stock_strength *s, const struct stock_label *l)
{
    const double mg_per_percent = l->density_g_ml * 10.0; /* of a mL of stock, in mg */
    const double k = 2.0 * l->k2o_percent / 94.195, ca = l->cao_percent / 56.077;
    const double mg = l->mgo_percent / 40.304, n = l->ammonium_n_percent / 14.007;
    s->cations_meq_ml += mg_per_percent * (k + 2.0 * ca + 2.0 * mg + n);
    s->phosphate_mmol_ml += mg_per_percent * 2.0 * l->p2o5_percent / 141.943;
    s->calcium_mmol_ml += mg_per_percent * ca;
    s->ammonium_mmol_ml += mg_per_percent * n;
}

static enum err add_reagent(
    struct stock_strength *s, const struct stock_solution *solution, struct problem *problem)
{
    struct formula f;
    const enum err err = formula_read(&f, reagents[solution->reagent].formula, problem);
    if (err != ERR_NONE) return err;
    const double mmol_ml = solution->percent_w_w * 10.0 * solution->density_g_ml / f.g_per_mol;
    s->acid_meq_ml += mmol_ml * reagents[solution->reagent].acid_equivalents;
    s->cations_meq_ml += mmol_ml * (double)f.atoms[ELEMENT_K];
    s->phosphate_mmol_ml += mmol_ml * (double)f.atoms[ELEMENT_P];
    s->sulfate_mmol_ml += mmol_ml * (double)f.atoms[ELEMENT_S];
    return ERR_NONE;
}

enum err stock_strength_of(
    struct stock_strength *ret, const struct stock_solution *solution, struct problem *problem)
{
    struct stock_strength s;
    memset(&s, 0, sizeof s);
    enum err err = ERR_NONE;
    for (uint32_t i = 0; i < solution->salt_count && err == ERR_NONE; i++) {
        struct formula f;
        err = formula_read(&f, solution->salt[i].formula, problem);
        if (err == ERR_NONE) add_salt(&s, &f, solution->salt[i].g_per_l);
    }
    if (err != ERR_NONE) return err;
    if (solution->has_label) add_label(&s, &solution->label);
    if (solution->kind != STOCK_NUTRIENT) err = add_reagent(&s, solution, problem);
    if (err != ERR_NONE) return err;
    const double effect = solution->kind == STOCK_NUTRIENT ? s.cations_meq_ml
                          : solution->kind == STOCK_ACID   ? s.acid_meq_ml
                                                           : -s.acid_meq_ml;
    if (!(effect > 0.0))
        return problem_set(problem, ERR_RANGE, "",
            "this solution would have no effect: nothing in it raises EC, or moves pH the way it "
            "should");
    *ret = s;
    return ERR_NONE;
}

double stock_ec_us_cm_per_ml_l(const struct stock_strength *strength)
{
    return EC_US_CM_PER_MEQ_L * strength->cations_meq_ml;
}

static bool clash(const struct stock_strength *a, const struct stock_strength *b)
{
    return a->calcium_mmol_ml > 0.0 && (b->phosphate_mmol_ml > 0.0 || b->sulfate_mmol_ml > 0.0);
}

bool stock_keep_apart(const struct stock_strength *a, const struct stock_strength *b)
{
    const bool neutralise = (a->acid_meq_ml > 0.0 && b->acid_meq_ml < 0.0) ||
                            (a->acid_meq_ml < 0.0 && b->acid_meq_ml > 0.0);
    return neutralise || clash(a, b) || clash(b, a);
}

const char *stock_reagent_word(enum stock_reagent reagent)
{
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
