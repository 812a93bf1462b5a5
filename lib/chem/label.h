/* From what a label guarantees, in per cent by weight, to ions.
 *
 * The hard idea: a label doesn't close in charge. Guarantees are least contents, rounded, and the
 * label is silent about what nobody sells: the sulfate beside magnesium, the sodium beside a
 * chelate. What is missing is made up with a stated ion, and its amount is given back, so that
 * the reader sees how much of the answer is assumed: negative charge is made up with sulfate, or
 * with chloride where the label does state its sulfur; positive charge with sodium. That rounding
 * never makes an acid of a fertiliser; who has one says so by its formula (HNO3, H3PO4).
 *
 * Phosphate is taken as H2PO4-, all nitrogen that isn't ammonium's as nitrate: urea is no ion, and
 * a label that states it can't be used. Iron, and other metals where the label says "chelated", are
 * taken as EDTA's: one charge for iron, two for the others. */
#ifndef DOSEWRIGHT_CHEM_LABEL_H
#define DOSEWRIGHT_CHEM_LABEL_H

#include "lib/chem/salt.h"

enum label_share {
    LABEL_N,
    LABEL_AMMONIUM_N, /* part of LABEL_N */
    LABEL_P2O5,
    LABEL_K2O,
    LABEL_CAO,
    LABEL_MGO,
    LABEL_SO3,
    LABEL_P, /* some labels state elements */
    LABEL_K,
    LABEL_CA,
    LABEL_MG,
    LABEL_S,
    LABEL_NA,
    LABEL_CL,
    LABEL_FE,
    LABEL_MN,
    LABEL_ZN,
    LABEL_CU,
    LABEL_B,
    LABEL_MO,
    LABEL_SHARE_COUNT,
};

struct label {
    double percent[LABEL_SHARE_COUNT]; /* by weight; 0 where the label says nothing */
    bool chelated;                     /* manganese, zinc and copper as well */
};

struct label_closure {
    enum ion ion;    /* ION_SO4, ION_CL or ION_NA */
    double meq_g;    /* of it that was assumed */
    double of_total; /* that, as a share of all cations' charge, 0 to 1 */
};

/* "n", "ammonium_n", "p2o5" ... */
const char *label_share_word(enum label_share share);

/* Ions of a gram. ERR_RANGE for negative shares, more than 100 % altogether, more ammonium nitrogen
 * than nitrogen, or nothing at all. 'ret_closure' may be NULL. */
enum err label_read(struct salt *ret, struct label_closure *ret_closure, const struct label *label,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
