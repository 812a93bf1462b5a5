/* From a salt's formula to the ions that a gram of it sets free.
 *
 * The hard idea: a formula is taken apart into the ions of water.h, water, and H+ or OH-. Every
 * atom has to find a place and the charges have to close to the last electron, so a formula of
 * something else (a nitrite, a sulfite, hypochlorite, urea, iron(III)) can't pass for a salt known
 * here.
 *
 *     KH2PO4            K+  PO4(-3)  2 H+
 *     KOH               K+  OH-
 *     Na2B4O7.10H2O     2 Na+  4 B(OH)3  2 OH-  and water
 *     C10H12FeN2NaO8    Na+ and a chelate of one charge that holds iron
 *
 * A chelate is a formula with carbon, nitrogen and one of Fe, Mn, Zn, Cu; what K, Na and NH4 stand
 * beside it give its charge, and ION_FEEDTA counts charges, so that solutions stay neutral. The
 * metal it holds is kept apart, as it isn't a free ion. */
#ifndef DOSEWRIGHT_CHEM_SALT_H
#define DOSEWRIGHT_CHEM_SALT_H

#include "lib/base/problem.h"
#include "lib/chem/formula.h"
#include "lib/chem/water.h"

enum held_metal { HELD_FE, HELD_MN, HELD_ZN, HELD_CU, HELD_COUNT };

/* A gram of this in a litre gives so many mmol/L. */
struct salt {
    struct water per_g;
    double held_mmol_g[HELD_COUNT]; /* metals in chelates */
    double g_per_mol;               /* of the formula as written; 0 for what has none */
};

/* What is dissolved, with what the chelates hold; mmol/L. */
struct solution {
    struct water water;
    double held_mmol_l[HELD_COUNT];
};

/* What a person must be told before handling it; bits. */
enum salt_hazard {
    SALT_OXIDISER = 1, /* nitrates feed fire */
    SALT_CAUSTIC = 2,  /* hydroxides, carbonates, silicates; not bicarbonates */
    SALT_ACID = 4,     /* an acid: lowers pH */
    SALT_BORON = 8,    /* boric acid and borates: may harm fertility and the unborn */
    SALT_METAL = 16,   /* manganese, zinc, copper: harmful when swallowed, toxic to water life */
};

/* A formula or one of salt_name's words. ERR_UNKNOWN or ERR_SYNTAX as formula_read says, ERR_RANGE
 * when it can't be taken apart into ions. */
enum err salt_read(struct salt *ret, const char *text, struct problem *problem)
    __attribute__((warn_unused_result));

/* sum += g_per_l of the salt. */
void salt_dissolve(struct solution *sum, const struct salt *salt, double g_per_l);

/* sum += amount * part. */
void solution_add(struct solution *sum, const struct solution *part, double amount);

/* salt_hazard bits. An acid or a caustic is told by the charge that its ions leave over. */
unsigned salt_hazards(const struct salt *salt);

/* Trade names for formulas: "calcium-nitrate". The formula, or NULL when the word isn't one. */
const char *salt_named(const char *word);

/* The list of them, by index from 0; NULL beyond its end. */
const char *salt_name(size_t index, const char **ret_formula);

#endif
