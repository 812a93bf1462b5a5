/* Water as a solvent, and how ions in it see each other.
 *
 * Activity coefficients on the molal scale, WATEQ's form of Debye and Hueckel's equation:
 *   log10 gamma = -A z^2 sqrt I / (1 + B a sqrt I) + b I
 * with an ion's size a and its b where known, else Davies' (B a = 1, b = 0.3 A z^2). A. H.
 * Truesdell and B. F. Jones, J. Res. USGS 2 (1974) 233; C. W. Davies, "Ion Association", 1962 (both
 * from memory). Good to 0.1 mol/kg for Davies, to about 1 for the main ions. Beyond ACTIVITY_I_MAX
 * the ionic strength counts as that: the form has no meaning there, and its b I would run away.
 *
 * Activity of water: 1 - 0.017 sum of molalities (R. M. Garrels and C. L. Christ, 1965; as in
 * PHREEQC). */
#ifndef DOSEWRIGHT_CHEM_ACTIVITY_H
#define DOSEWRIGHT_CHEM_ACTIVITY_H

#include "lib/chem/species.h"

#define ACTIVITY_I_MAX 8.0 /* mol/kg */

struct solvent {
    double degc;
    double permittivity;    /* relative: C. G. Malmberg, A. A. Maryott, J. Res. NBS 56 (1956) 1 */
    double kg_per_l;        /* G. S. Kell, J. Chem. Eng. Data 20 (1975) 97 */
    double viscosity_mpa_s; /* J. Kestin, M. Sokolov, W. A. Wakeham, JPCRD 7 (1978) 941 */
    double debye_a;         /* of log10, sqrt(kg/mol) */
    double debye_b;         /* 1/angstrom, sqrt(kg/mol) */
};

/* Pure water at 1 atm, 0 to 50 degC. */
struct solvent solvent_at(double degc);

/* The square-root term of each ion size, sqrt I / (1 + B a sqrt I), and its slope over I. */
struct activity {
    double i;       /* the ionic strength that counts, at most ACTIVITY_I_MAX */
    double slope_i; /* 1, or 0 beyond ACTIVITY_I_MAX */
    double root[SIZE_COUNT];
    double root_slope[SIZE_COUNT];
};

/* For an ionic strength > 0. */
struct activity activity_at(const struct solvent *solvent, double ionic_strength);

/* log10 gamma of a species, and its slope over the ionic strength. */
double activity_log_gamma(
    const struct species_row *row, const struct solvent *solvent, const struct activity *activity);
double activity_log_gamma_slope(
    const struct species_row *row, const struct solvent *solvent, const struct activity *activity);

/* Activity of water over solutes of that many mol/kg in all; at least 0.3. */
double activity_of_water(double solutes_mol_kg);

#endif
