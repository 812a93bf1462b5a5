/* A laboratory's report on a source water, as a struct water that is whole and neutral.
 *
 * The hard idea: a report is never complete and never balances. What is missing is assumed, what is
 * left over in charge is closed, and every such step is kept in the answer so that it can be told.
 * The shares assumed are common practice, no source.
 *
 * - pH not given: 7.6, usual for well and mains water.
 * - Hardness without calcium and magnesium: they are as 5 to 2 in equivalents.
 * - No cation at all: calcium, magnesium and sodium are 50 : 20 : 30 of the alkalinity's charge,
 * and sodium goes with the other anions.
 * - No alkalinity: it is what closes the charges, when cations are in excess.
 * - Nothing but EC, alkalinity and pH: the rest of the EC is sodium chloride.
 * - Charge left over: made up with chloride or sodium.
 *
 * Whether a report balances is told by Standard Methods 1030 E (from memory): anions up to 3 meq/L
 * within 0.2 meq/L, up to 10 within 2 %, above within 5 % of cations and anions together. */
#ifndef DOSEWRIGHT_CHEM_ANALYSIS_H
#define DOSEWRIGHT_CHEM_ANALYSIS_H

#include "lib/base/problem.h"
#include "lib/base/text.h"
#include "lib/chem/water.h"

enum analysis_item { /* mg/L where nothing else is said */
    ANALYSIS_CA,
    ANALYSIS_MG,
    ANALYSIS_NA,
    ANALYSIS_K,
    ANALYSIS_NH4,
    ANALYSIS_NH4_N, /* the same as nitrogen; one of the two */
    ANALYSIS_FE,
    ANALYSIS_MN,
    ANALYSIS_ZN,
    ANALYSIS_CU,
    ANALYSIS_NO3,
    ANALYSIS_NO3_N,
    ANALYSIS_CL,
    ANALYSIS_SO4,
    ANALYSIS_SO4_S,
    ANALYSIS_PO4,
    ANALYSIS_PO4_P,
    ANALYSIS_B,
    ANALYSIS_SI,
    ANALYSIS_HCO3,             /* one of these three */
    ANALYSIS_ALKALINITY_CACO3, /* mg/L as CaCO3 */
    ANALYSIS_ALKALINITY,       /* meq/L */
    ANALYSIS_HARDNESS_CACO3,   /* mg/L as CaCO3 */
    ANALYSIS_PH,
    ANALYSIS_EC, /* mS/cm at 25 degC */
    ANALYSIS_ITEM_COUNT,
};

struct analysis {
    bool given[ANALYSIS_ITEM_COUNT];
    double value[ANALYSIS_ITEM_COUNT];
    double degc; /* at which the pH was measured, 0 to 50 */
};

/* bits */
enum analysis_assumed {
    ANALYSIS_ASSUMED_PH = 1,
    ANALYSIS_ASSUMED_HARDNESS_SPLIT = 2,
    ANALYSIS_ASSUMED_CATIONS = 4,
    ANALYSIS_ASSUMED_ALKALINITY = 8,
    ANALYSIS_ASSUMED_SALT = 16, /* sodium chloride for the rest of the EC */
};

enum analysis_verdict {
    ANALYSIS_BALANCED,
    ANALYSIS_UNBALANCED,
    ANALYSIS_NOT_JUDGED, /* something was assumed that closes it by itself */
};

struct analysis_report {
    double cations_meq_l, anions_meq_l; /* as given, before anything is closed */
    double percent;                     /* 100 (cations - anions) / (cations + anions) */
    enum analysis_verdict verdict;
    enum ion closed_with; /* ION_NA or ION_CL */
    double closed_meq_l;  /* how much of it was added */
    unsigned assumed;     /* analysis_assumed bits */
    unsigned missing;     /* 1 << analysis_item of the main ions that nobody gave: taken as none */
    double ph, alkalinity_meq_l;
    double ec_us_cm; /* computed, at 25 degC, of the water as closed */
};

/* "ca", "no3_n", "alkalinity" ... and the unit; and back, false when the word isn't one. */
const char *analysis_word(enum analysis_item item);
const char *analysis_unit(enum analysis_item item);
bool analysis_item_read(enum analysis_item *ret, const char *word);

/* ERR_RANGE for values outside 0 to 20000 mg/L (pH 3 to 11, alkalinity and EC 0 to 100),
 * ERR_DUPLICATE for one thing said two ways, and what equilibrium.h refuses. */
enum err analysis_read(struct water *ret_water, struct analysis_report *ret_report,
    const struct analysis *analysis, struct problem *problem) __attribute__((warn_unused_result));

/* A sentence for people: does it balance, by how much, what was assumed. */
void analysis_say(struct text *t, const struct analysis_report *report);

#endif
