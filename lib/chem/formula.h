/* Chemical formulas of salts: elements, parentheses and brackets, hydrates after a point or middle
 * dot. Molar masses in g/mol from IUPAC's standard atomic weights (abridged values, from memory).
 */
#ifndef DOSEWRIGHT_CHEM_FORMULA_H
#define DOSEWRIGHT_CHEM_FORMULA_H

#include "lib/base/problem.h"
#include "lib/base/units.h"

enum formula_element {
    ELEMENT_H,
    ELEMENT_B,
    ELEMENT_C,
    ELEMENT_N,
    ELEMENT_O,
    ELEMENT_NA,
    ELEMENT_MG,
    ELEMENT_SI,
    ELEMENT_P,
    ELEMENT_S,
    ELEMENT_CL,
    ELEMENT_K,
    ELEMENT_CA,
    ELEMENT_MN,
    ELEMENT_FE,
    ELEMENT_CU,
    ELEMENT_ZN,
    ELEMENT_MO,
    ELEMENT_COUNT,
};

enum { FORMULA_DEPTH_MAX = 4, FORMULA_ATOMS_MAX = 100000 };

struct formula {
    int64_t atoms[ELEMENT_COUNT]; /* in one formula unit, water included */
    int64_t ammonium;             /* NH4 groups among them */
    int64_t water;                /* H2O of the hydrate part */
    double g_per_mol;
};

/* Reads all of 'text': "Ca(NO3)2.4H2O", "5Ca(NO3)2.NH4NO3.10H2O", "K4[Fe(CN)6]". Counts are 1 to
 * 9999, brackets at most FORMULA_DEPTH_MAX deep, atoms at most FORMULA_ATOMS_MAX of an element.
 * ERR_UNKNOWN for an element that isn't in the table, ERR_SYNTAX otherwise; the
 * problem names the byte. */
enum err formula_read(struct formula *ret, const char *text, struct problem *problem)
    __attribute__((warn_unused_result));

/* Equivalents of cations in one mole: K, Na, NH4 once, Ca, Mg, Mn, Zn, Cu, Fe(II) twice. Iron,
 * manganese, zinc and copper in a formula with both carbon and nitrogen are taken as held by a
 * chelate (EDTA and its kin): they are part of the anion and don't count. */
double formula_cation_equivalents(const struct formula *f);

/* Of an element: its symbol ("Ca") and its molar mass. */
const char *formula_symbol(enum formula_element element);
double formula_g_per_mol(enum formula_element element);

#endif
