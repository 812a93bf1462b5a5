/* Electrical conductivity from composition.
 *
 * Each ion that the pairs leave free carries current by its own limiting conductance, lowered by
 * the drag of the cloud of other ions around it: Onsager's law for a mixture taken as one salt of
 * mean charges, with the finite size of ions in the denominators (R. A. Robinson and R. H. Stokes,
 * "Electrolyte Solutions", 2nd ed. 1959, ch. 7; equations from memory). Limiting conductances
 * change with temperature as water's viscosity does, and a little besides.
 *
 * Accuracy: docs/chemistry.md. Meant for ionic strengths to 0.2 mol/kg; a stock concentrate comes
 * out some per cent off. */
#ifndef DOSEWRIGHT_CHEM_CONDUCTIVITY_H
#define DOSEWRIGHT_CHEM_CONDUCTIVITY_H

#include "lib/chem/equilibrium.h"

/* uS/cm at the equilibrium's own temperature, not compensated. */
double equilibrium_ec_us_cm(const struct equilibrium *e);

/* Limiting conductance of a species at a temperature, S cm2 per equivalent; 0 for what carries
 * none. */
double conductivity_limiting(enum species s, double degc);

/* EC of a water at a temperature: equilibrium_solve and then the above. */
enum err water_ec_us_cm(double *ret, const struct water *water, double degc, const struct air *air,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
