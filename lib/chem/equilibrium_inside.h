/* The equations of equilibrium.h, for equilibrium*.c and acid.c only. */
#ifndef DOSEWRIGHT_CHEM_EQUILIBRIUM_INSIDE_H
#define DOSEWRIGHT_CHEM_EQUILIBRIUM_INSIDE_H

#include "lib/chem/activity.h"
#include "lib/chem/equilibrium.h"

enum { PART_COMPONENTS_MAX = 3 };
enum { SYSTEM_UNKNOWNS_MAX = ION_COUNT + 2 }; /* the ions, H+ or a dose, the ionic strength */

/* One species of a system: ln of its molality is
 * log_k + sum of[i] x[at[i]] + h x_h + h2o ln(a water) - ln gamma. */
struct part {
    double log_k;
    double a_z2, b; /* of the activity coefficient, natural logarithm */
    double half_z2;
    double of[PART_COMPONENTS_MAX];
    double h, h2o;
    int8_t species, size;
    int8_t count; /* components, H+ not counted */
    int8_t terms; /* with H+, which comes last: of[count] is h then, at[count] its place */
    int8_t at[PART_COMPONENTS_MAX]; /* places in the system's list, ascending */
};

/* A water as a set of equations, reduced to what is in it. */
struct system {
    struct solvent solvent;
    int32_t ions;            /* components other than H+ */
    int8_t ion[ION_COUNT];   /* which, in the order of enum ion */
    double total[ION_COUNT]; /* mol/kg, in the order of the list */
    double total_h;          /* what H+ must add up to for the charges to balance */
    double dose[ION_COUNT];  /* what a unit of dose adds to each total, and to total_h */
    double dose_h;
    int32_t parts;
    struct part part[SPECIES_COUNT];
    double kg_water_l;
    bool open;
    double log_a_co2; /* ln of the activity of CO2 in balance with air */
};

/* Where a solver stands. */
struct state {
    double x[ION_COUNT]; /* ln of the activity of each component */
    double x_h;          /* and of H+ */
    double i;            /* ionic strength */
    double log_a_w;      /* ln of the activity of water */
    double dose;         /* in the setting's unit */
    int32_t rounds;      /* sums over the species so far */
};

enum unknown { UNKNOWN_PH, UNKNOWN_DOSE, UNKNOWN_NONE /* pH given, charge left over */ };

struct setting {
    const struct water *water;
    const struct water *per_dose; /* what a unit of dose adds, mmol/L; NULL: no dose */
    double degc;
    const struct air *air;
};

/* Checks the range and sets up the equations. */
enum err system_init(struct system *ret, const struct setting *setting, struct problem *problem)
    __attribute__((warn_unused_result));

/* A start: acids as at a pH that balances charges roughly, or at exp(x_h) when that is given. The
 * state's dose counts. */
void system_guess(const struct system *system, struct state *state, bool ph_given);

/* The dose that about balances the charges at the given x_h. */
double system_guess_dose(const struct system *system, const struct state *state);

/* A component's total with the state's dose, mol/kg; never quite 0, so that its logarithm has a
 * place to be. */
static inline double system_total(const struct system *s, const struct state *state, int32_t i)
{
    const double least = 1e-18, total = s->total[i] + state->dose * s->dose[i];
    return total > least ? total : least;
}

/* Newton's method from where the state stands; false when it doesn't settle in the rounds that it
 * may take, the state is then unusable. */
bool system_newton(const struct system *system, struct state *state, enum unknown unknown);

/* The slow way that can't fail; for UNKNOWN_PH and UNKNOWN_NONE. False only if a bound is met. */
bool system_bisect(const struct system *system, struct state *state, enum unknown unknown);

/* Guess, Newton's method, and bisection when that fails. */
bool system_solve(const struct system *system, struct state *state, enum unknown unknown);

/* Molalities and all else, from a settled state. */
void system_report(const struct system *system, const struct state *state, struct equilibrium *ret);

#endif
