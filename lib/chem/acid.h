/* Acid or base to move a water from one pH to another, and what comes along with it.
 *
 * A reagent adds ions and nothing else (water.h): nitric acid is NO3, potassium hydroxide K; H+
 * follows from the charge. The dose is found exactly, by the same equations as the pH, not by
 * repeated trials. With carbon dioxide kept in ("closed": what happens at once) a dose reaches the
 * target, and then the pH creeps as the gas leaves: after an acid upwards. acid_plan_make says how
 * far, and what would hold the target for good.
 *
 * Amounts are mmol of reagent per litre of the water as it was; that the dose itself adds volume is
 * left out (a 5 % nitric acid at 1 mmol/L adds 0.12 %). Acids and bases burn, and give off heat and
 * gas: what shows these amounts to people carries the cautions. */
#ifndef DOSEWRIGHT_CHEM_ACID_H
#define DOSEWRIGHT_CHEM_ACID_H

#include "lib/chem/equilibrium.h"
#include "lib/chem/stock.h"

/* What 1 mmol of a reagent adds. */
struct water reagent_ions(enum stock_reagent reagent);

/* g/mol (IUPAC's abridged atomic weights). */
double reagent_g_per_mol(enum stock_reagent reagent);

/* Equivalents in a mole as normality is meant here: nitric 1, sulfuric 2, citric 3, KOH 1, K2CO3 2,
 * KHCO3 1, and phosphoric 1: the proton that it gives up around pH 5.8. Bottles that count all
 * three say 3 times as much. */
double reagent_equivalents(enum stock_reagent reagent);

/* mmol in a millilitre, from per cent by weight and density, or from normality (eq/L). ERR_RANGE
 * when it can't be: more than 100 %, no density, or more of it than the pure substance holds. */
enum err reagent_mmol_ml_by_weight(double *ret, enum stock_reagent reagent, double percent_w_w,
    double density_g_ml, struct problem *problem) __attribute__((warn_unused_result));
enum err reagent_mmol_ml_by_normality(double *ret, enum stock_reagent reagent, double normality,
    struct problem *problem) __attribute__((warn_unused_result));

/* A dose larger than this isn't looked for, mmol/L. */
#define ACID_DOSE_MAX_MMOL_L 500.0

struct acid_wish {
    enum stock_reagent reagent;
    double target_ph; /* 1 to 13 */
    double degc;
    struct air air; /* while dosing */
};

enum acid_verdict {
    ACID_DOSE_FOUND,
    ACID_ALREADY_THERE, /* within 1e-6: nothing to dose */
    ACID_WRONG_WAY,     /* this reagent would move it away from the target: nothing to dose */
    ACID_OUT_OF_REACH,  /* no dose up to the maximum gets there: the result is at the maximum */
};

struct acid_dose {
    enum acid_verdict verdict;
    double mmol_l; /* of reagent */
    double ph;     /* that it ends at, the target when found */
    double ph_before;
    double ec_us_cm_before, ec_us_cm; /* at the wish's temperature */
    struct water after;               /* with what the reagent brought; closed */
    int32_t rounds;                   /* sums over the species that it took */
};

/* Sums over the species that a call may take. */
enum { ACID_ROUNDS_MAX = 100 * EQUILIBRIUM_ROUNDS_MAX };

/* Finds the dose. ERR_RANGE as in equilibrium_solve, or a target outside 1 to 13. */
enum err acid_dose_to_ph(struct acid_dose *ret, const struct water *water,
    const struct acid_wish *wish, struct problem *problem) __attribute__((warn_unused_result));

/* A word for each verdict: "found", "already-there", "wrong-way", "out-of-reach". */
const char *acid_verdict_word(enum acid_verdict verdict);

struct acid_plan {
    struct acid_dose at_once; /* CO2 kept in */
    double ph_after_air;      /* that dose, then in balance with air */
    double ec_us_cm_after_air;
    struct acid_dose for_good; /* to hold the target in balance with air */
};

/* 'wish->air.log_pco2' is the air that it comes into balance with; 'open' isn't looked at. */
enum err acid_plan_make(struct acid_plan *ret, const struct water *water,
    const struct acid_wish *wish, struct problem *problem) __attribute__((warn_unused_result));

#endif
