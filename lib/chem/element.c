#include "lib/chem/element.h"

#include "lib/base/invariant.h"
#include "lib/base/text.h"

enum { NOT_HELD = -1 };

static const struct row {
    const char *word;
    enum formula_element element;
    enum ion ion;
    int held; /* held_metal, or NOT_HELD */
} rows[NUTRIENT_COUNT] = {
    [NUTRIENT_N] = { "N", ELEMENT_N, ION_NO3, NOT_HELD },
    [NUTRIENT_NITRATE_N] = { "NO3-N", ELEMENT_N, ION_NO3, NOT_HELD },
    [NUTRIENT_AMMONIUM_N] = { "NH4-N", ELEMENT_N, ION_NH4, NOT_HELD },
    [NUTRIENT_P] = { "P", ELEMENT_P, ION_PO4, NOT_HELD },
    [NUTRIENT_K] = { "K", ELEMENT_K, ION_K, NOT_HELD },
    [NUTRIENT_CA] = { "Ca", ELEMENT_CA, ION_CA, NOT_HELD },
    [NUTRIENT_MG] = { "Mg", ELEMENT_MG, ION_MG, NOT_HELD },
    [NUTRIENT_S] = { "S", ELEMENT_S, ION_SO4, NOT_HELD },
    [NUTRIENT_NA] = { "Na", ELEMENT_NA, ION_NA, NOT_HELD },
    [NUTRIENT_CL] = { "Cl", ELEMENT_CL, ION_CL, NOT_HELD },
    [NUTRIENT_FE] = { "Fe", ELEMENT_FE, ION_FE, HELD_FE },
    [NUTRIENT_MN] = { "Mn", ELEMENT_MN, ION_MN, HELD_MN },
    [NUTRIENT_ZN] = { "Zn", ELEMENT_ZN, ION_ZN, HELD_ZN },
    [NUTRIENT_CU] = { "Cu", ELEMENT_CU, ION_CU, HELD_CU },
    [NUTRIENT_B] = { "B", ELEMENT_B, ION_BO3, NOT_HELD },
    [NUTRIENT_MO] = { "Mo", ELEMENT_MO, ION_MOO4, NOT_HELD },
    [NUTRIENT_SI] = { "Si", ELEMENT_SI, ION_SIO3, NOT_HELD },
};

/* Other names of the same things: what is weighed for one mole of the nutrient. */
static const struct alias {
    const char *word, *formula;
    enum nutrient nutrient;
    double moles; /* of the nutrient in the formula */
} aliases[] = {
    { "NO3", "NO3", NUTRIENT_NITRATE_N, 1 },
    { "NH4", "NH4", NUTRIENT_AMMONIUM_N, 1 },
    { "SO4", "SO4", NUTRIENT_S, 1 },
    { "PO4", "PO4", NUTRIENT_P, 1 },
    { "H2PO4", "H2PO4", NUTRIENT_P, 1 },
    { "P2O5", "P2O5", NUTRIENT_P, 2 },
    { "K2O", "K2O", NUTRIENT_K, 2 },
};

const char *nutrient_word(enum nutrient nutrient)
{
    INVARIANT(nutrient < NUTRIENT_COUNT);
    return rows[nutrient].word;
}

double nutrient_g_per_mol(enum nutrient nutrient)
{
    INVARIANT(nutrient < NUTRIENT_COUNT);
    return formula_g_per_mol(rows[nutrient].element);
}

static double mass_of(const char *formula)
{
    struct formula f;
    const enum err err = formula_read(&f, formula, NULL);
    INVARIANT(err == ERR_NONE);
    return f.g_per_mol;
}

bool nutrient_read(enum nutrient *ret, double *ret_g_per_mol, const char *word)
{
    for (int n = 0; n < NUTRIENT_COUNT; n++) {
        if (!text_same(rows[n].word, word)) continue;
        *ret = (enum nutrient)n;
        *ret_g_per_mol = formula_g_per_mol(rows[n].element);
        return true;
    }
    for (size_t i = 0; i < sizeof aliases / sizeof aliases[0]; i++) {
        if (!text_same(aliases[i].word, word)) continue;
        *ret = aliases[i].nutrient;
        *ret_g_per_mol = mass_of(aliases[i].formula) / aliases[i].moles;
        return true;
    }
    return false;
}

double nutrient_mmol_l(const struct solution *solution, enum nutrient nutrient)
{
    INVARIANT(nutrient < NUTRIENT_COUNT);
    const struct row *row = &rows[nutrient];
    double mmol = solution->water.mmol_l[row->ion];
    if (nutrient == NUTRIENT_N) mmol += solution->water.mmol_l[ION_NH4];
    if (row->held != NOT_HELD) mmol += solution->held_mmol_l[row->held];
    return mmol;
}

double nutrient_mg_l(const struct solution *solution, enum nutrient nutrient)
{
    return nutrient_mmol_l(solution, nutrient) * nutrient_g_per_mol(nutrient);
}

double ion_g_per_mol(enum ion ion)
{
    static const char *const formulas[ION_COUNT] = {
        [ION_K] = "K",
        [ION_NA] = "Na",
        [ION_NH4] = "NH4",
        [ION_CA] = "Ca",
        [ION_MG] = "Mg",
        [ION_MN] = "Mn",
        [ION_ZN] = "Zn",
        [ION_CU] = "Cu",
        [ION_FE] = "Fe",
        [ION_NO3] = "NO3",
        [ION_CL] = "Cl",
        [ION_SO4] = "SO4",
        [ION_PO4] = "PO4",
        [ION_CO3] = "CO3",
        [ION_BO3] = "B",
        [ION_CIT] = "C6H5O7",
        [ION_MOO4] = "Mo",
        [ION_SIO3] = "Si",
    };
    INVARIANT(ion < ION_COUNT);
    return formulas[ion] ? mass_of(formulas[ion]) : 0.0;
}
