/* What is in a bottle, and by the field's rule of thumb what a millilitre of it does: EC rises 95
 * uS/cm for each meq/L of cations (common practice, no source), acids and bases go by their
 * normality. EC and pairs to keep apart are computed from the ions as well (lib/chem/working.h,
 * keep_apart.h); the rule of thumb is what stands where that can't tell. */
#ifndef DOSEWRIGHT_CHEM_STOCK_H
#define DOSEWRIGHT_CHEM_STOCK_H

#include "lib/base/problem.h"
#include "lib/base/units.h"

enum stock_kind { STOCK_NUTRIENT, STOCK_ACID, STOCK_BASE };

enum stock_reagent { /* of an acid or base file */
    REAGENT_NITRIC,
    REAGENT_PHOSPHORIC,
    REAGENT_SULFURIC,
    REAGENT_CITRIC,
    REAGENT_POTASSIUM_HYDROXIDE,
    REAGENT_POTASSIUM_CARBONATE,
    REAGENT_POTASSIUM_BICARBONATE,
    REAGENT_COUNT,
};

enum { STOCK_SALTS_MAX = 24, STOCK_FORMULA_MAX = 64 };

struct stock_salt {
    const char *formula; /* "Ca(NO3)2.4H2O" */
    double g_per_l;      /* of stock */
};

/* The label's guarantees, % by weight; all 0 where not given. */
struct stock_label {
    double n_percent, ammonium_n_percent, p2o5_percent, k2o_percent, cao_percent, mgo_percent;
    double density_g_ml; /* > 0 when a label is given */
};

struct stock_solution {
    enum stock_kind kind;
    uint32_t salt_count;
    struct stock_salt salt[STOCK_SALTS_MAX];
    bool has_label;
    struct stock_label label;
    enum stock_reagent reagent; /* acid, base */
    double percent_w_w, density_g_ml;
};

/* What one millilitre brings. */
struct stock_strength {
    double cations_meq_ml; /* nutrient, base */
    double acid_meq_ml;    /* > 0: an acid, takes up alkalinity; < 0: a base, brings it */
    double phosphate_mmol_ml;
    double ammonium_mmol_ml;
    double calcium_mmol_ml, sulfate_mmol_ml; /* for keeping stocks apart */
};

/* Works it out. ERR_UNKNOWN names a formula that can't be read, with the byte at fault; ERR_RANGE a
 * solution without effect. */
enum err stock_strength_of(struct stock_strength *ret, const struct stock_solution *solution,
    struct problem *problem) __attribute__((warn_unused_result));

/* EC rise in uS/cm of a litre of tank for each millilitre of stock: 95 * cations. */
double stock_ec_us_cm_per_ml_l(const struct stock_strength *strength);

/* Must these never meet undiluted? Calcium with phosphate or sulfate, acid with base: common
 * practice. */
bool stock_keep_apart(const struct stock_strength *a, const struct stock_strength *b);

const char *stock_reagent_word(enum stock_reagent reagent); /* "nitric" */

/* And back; false when the word isn't one of them. */
bool stock_reagent_read(enum stock_reagent *ret, const char *word);

#endif
