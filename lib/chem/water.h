/* What is dissolved in a water: analytic totals, mmol per litre of solution at 25 degC.
 *
 * The hard idea: protonation is never stored. ION_PO4 counts all phosphate whether it swims as
 * H3PO4, H2PO4-, HPO4-2 or held by calcium; ION_CO3 all inorganic carbon; and so on. H+ and OH- are
 * not components: whatever charge the named ions leave over is theirs, and pH comes out of that
 * (equilibrium.h). So KH2PO4 adds K 1, PO4 1; HNO3 adds NO3 1; KOH adds K 1; K2CO3 adds K 2, CO3 1;
 * NH4H2PO4 adds NH4 1, PO4 1; H3BO3 adds BO3 1. Salts, acids, bases, dilution and mixing are then
 * sums of vectors, and mass can't be lost.
 *
 * "Per litre at 25 degC" fixes the amount of water: a solution that is warmed or cooled keeps its
 * moles per kilogram of water, and its numbers here. */
#ifndef DOSEWRIGHT_CHEM_WATER_H
#define DOSEWRIGHT_CHEM_WATER_H

#include "lib/base/units.h"

enum ion {
    ION_K,
    ION_NA,
    ION_NH4, /* with NH3 */
    ION_CA,
    ION_MG,
    ION_MN, /* free divalent metals, not what a chelate holds */
    ION_ZN,
    ION_CU,
    ION_FE, /* iron(II) */
    ION_NO3,
    ION_CL,
    ION_SO4,    /* with HSO4- */
    ION_PO4,    /* all orthophosphate */
    ION_CO3,    /* all inorganic carbon, CO2 included */
    ION_BO3,    /* all boron, as B(OH)3 and B(OH)4- */
    ION_CIT,    /* all citrate */
    ION_MOO4,   /* molybdate */
    ION_SIO3,   /* all silica: H4SiO4 and H3SiO4- */
    ION_FEEDTA, /* any metal chelate: counted as one negative charge, as FeEDTA- */
    ION_COUNT
};

struct water {
    double mmol_l[ION_COUNT]; /* each 0 or more */
};

/* The ion's short name, ASCII: "K", "NH4", "PO4". */
const char *ion_word(enum ion ion);

/* Charge of the component as it stands in equilibrium's mass balances: K 1, Ca 2, NO3 -1, SO4 -2,
 * PO4 -3, CO3 -2, CIT -3, MOO4 -2; B(OH)3 and H4SiO4 0; FEEDTA -1. */
int32_t ion_charge(enum ion ion);

/* sum += amount * part, ion by ion. */
void water_add(struct water *sum, const struct water *part, double amount);

/* 'a_l' litres of 'a' with 'b_l' litres of 'b', volumes added; both >= 0 and not both 0. */
struct water water_mix(const struct water *a, double a_l, const struct water *b, double b_l);

/* Equivalents of cations: K + Na + NH4 + 2 (Ca + Mg + Mn + Zn + Cu + Fe), meq/L. */
double water_cations_meq_l(const struct water *w);

#endif
