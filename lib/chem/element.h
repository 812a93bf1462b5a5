/* What a grower counts: nutrients as elements in mg/L, or as ions in mmol/L. Molar masses are those
 * of formula.h. Nitrogen is nitrate's and ammonium's, iron and its kin free and held by chelates.
 */
#ifndef DOSEWRIGHT_CHEM_ELEMENT_H
#define DOSEWRIGHT_CHEM_ELEMENT_H

#include "lib/base/units.h"
#include "lib/chem/salt.h"

enum nutrient {
    NUTRIENT_N, /* both of the next two */
    NUTRIENT_NITRATE_N,
    NUTRIENT_AMMONIUM_N,
    NUTRIENT_P,
    NUTRIENT_K,
    NUTRIENT_CA,
    NUTRIENT_MG,
    NUTRIENT_S,
    NUTRIENT_NA,
    NUTRIENT_CL,
    NUTRIENT_FE,
    NUTRIENT_MN,
    NUTRIENT_ZN,
    NUTRIENT_CU,
    NUTRIENT_B,
    NUTRIENT_MO,
    NUTRIENT_SI,
    NUTRIENT_COUNT,
};

/* "N", "NO3-N", "NH4-N", "P", "K" ... */
const char *nutrient_word(enum nutrient nutrient);

/* g/mol of the element. */
double nutrient_g_per_mol(enum nutrient nutrient);

/* What counts as a nutrient when it is named as an element or as an ion: "N", "NO3-N", "Ca", and
 * "NO3", "NH4", "SO4", "PO4", "H2PO4", "P2O5", "K2O". *ret_g_per_mol is the mass of what was named
 * per mole of the nutrient, so that "SO4" in mg/L is divided by 96.06. False when the word isn't
 * one of them. */
bool nutrient_read(enum nutrient *ret, double *ret_g_per_mol, const char *word);

/* mmol/L of it. */
double nutrient_mmol_l(const struct solution *solution, enum nutrient nutrient);

/* mg/L of the element. */
double nutrient_mg_l(const struct solution *solution, enum nutrient nutrient);

/* Molar mass of an ion as analyses report it: NO3 62.00, SO4 96.06, PO4 94.97, CO3 60.01, boron and
 * silicon as the element, molybdenum, too; a chelate 0. */
double ion_g_per_mol(enum ion ion);

#endif
