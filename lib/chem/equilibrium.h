/* What a water turns into: the amount of every species at equilibrium, and with it the pH.
 *
 * Charge balance decides: the ions of a struct water leave a charge over, H+ and OH- make up for
 * it, and every acid, anion and pair of ions takes its share (species.h) at activities (activity.h)
 * that depend on the ionic strength that comes out. No oxidation or reduction takes place, nothing
 * precipitates (saturation.h says whether it would), ammonia doesn't escape. Carbon dioxide is kept
 * in ("closed") or in balance with air ("open").
 *
 * Method: Newton's on the logarithms of the components' activities and the ionic strength at once;
 * if that doesn't settle, bisection over the ionic strength around a convex minimum, which can't
 * fail. Both are bounded: EQUILIBRIUM_ROUNDS_MAX sums over the species at most.
 *
 * Range: 0 to 50 degC, each ion 0 to 6000 mmol/L, together 15000. Meant for 5 to 35 degC and an
 * ionic strength below 0.5 mol/kg; what docs/chemistry.md says of its accuracy was measured there.
 */
#ifndef DOSEWRIGHT_CHEM_EQUILIBRIUM_H
#define DOSEWRIGHT_CHEM_EQUILIBRIUM_H

#include "lib/base/problem.h"
#include "lib/chem/species.h"

/* Sums over the species that any call below may take; typical: 6 to 9. */
enum { EQUILIBRIUM_ROUNDS_MAX = 800 };

#define EQUILIBRIUM_DEGC_MIN 0.0
#define EQUILIBRIUM_DEGC_MAX 50.0
#define EQUILIBRIUM_MMOL_L_MAX 6000.0
#define EQUILIBRIUM_SUM_MMOL_L_MAX 15000.0

/* 420 ppm of carbon dioxide, log10 of the partial pressure in atm (from memory: about 2023's
 * mean at Mauna Loa, 421 ppm). */
#define AIR_LOG_PCO2 (-3.377)

struct air {
    bool open;       /* in balance with air: the water's own ION_CO3 is ignored, and replaced */
    double log_pco2; /* log10 of atm, -8 to 0; only looked at when open */
};

struct equilibrium {
    double degc;
    double ph;             /* -log10 of the activity of H+ */
    double ionic_strength; /* mol/kg */
    double water_activity;
    double kg_water_l;        /* kilograms of water in a litre at 25 degC */
    double charge_left_meq_l; /* at a given pH: charge that the given ions have too much of (> 0:
                                 an anion is missing); 0 when the pH was free */
    double mol_kg[SPECIES_COUNT];
    double log_activity[ION_COUNT]; /* log10 of the free ion's; -999 where there is none */
    int32_t rounds;                 /* sums over the species that it took */
};

/* The pH comes out. ERR_RANGE when something is outside the range above. */
enum err equilibrium_solve(struct equilibrium *ret, const struct water *water, double degc,
    const struct air *air, struct problem *problem) __attribute__((warn_unused_result));

struct given_ph {
    double ph; /* -1 to 15 */
    double degc;
    struct air air;
};

/* The same at a given pH: says what charge is left over, so that a source water known by pH and
 * alkalinity can be closed. */
enum err equilibrium_at_ph(struct equilibrium *ret, const struct water *water,
    const struct given_ph *given, struct problem *problem) __attribute__((warn_unused_result));

/* Analytic total of an ion as the species hold it, mmol per litre at 25 degC. With open air ION_CO3
 * is what came in. */
double equilibrium_total_mmol_l(const struct equilibrium *e, enum ion ion);

/* Charge of all species together, meq/L: as good as 0 unless the pH was given. */
double equilibrium_charge_meq_l(const struct equilibrium *e);

/* Acid-neutralising capacity down to H2CO3, H2PO4-, H2Cit-, SO4-2, NH4+, B(OH)3, H4SiO4, meq/L:
 * what a titration to about pH 4.5 finds. */
double equilibrium_alkalinity_meq_l(const struct equilibrium *e);

/* log10 of the partial pressure of carbon dioxide, atm, that would stand over it; -999 without. */
double equilibrium_log_pco2(const struct equilibrium *e);

/* Strong base for one unit of pH, mmol/L, at the pH that the water has. */
enum err equilibrium_buffer_mmol_l_ph(double *ret, const struct water *water, double degc,
    const struct air *air, struct problem *problem) __attribute__((warn_unused_result));

/* Sets the water's ION_CO3 so that at that pH it has this alkalinity (as above), kept closed.
 * 'given->air' isn't looked at. ERR_RANGE when no carbonate gives it. The charge that is left over
 * then (an analysis never balances quite) goes to '*charge_left_meq_l' unless that is NULL. */
enum err water_from_alkalinity(struct water *water, double alkalinity_meq_l,
    const struct given_ph *given, double *charge_left_meq_l, struct problem *problem)
    __attribute__((warn_unused_result));

/* Makes up for charge left over: chloride where an anion is missing (> 0), else sodium. */
void water_close_charge(struct water *water, double charge_left_meq_l);

/* Kilograms of water in a litre of this solution at 25 degC: from the volumes of the ions, with
 * Redlich's square-root term. Within 0.05 % of PHREEQC's to 0.3 eq/L, 1.4 % in stocks. */
double water_kg_per_l(const struct water *water);

#endif
