#include "lib/chem/equilibrium.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/chem/equilibrium_inside.h"

#define LN_10 2.302585092994046

static enum err unsettled(struct problem *problem)
{
    return problem_set(problem, ERR_RANGE, "",
        "no equilibrium was found for this water: it is far from any real solution");
}

enum err equilibrium_solve(struct equilibrium *ret, const struct water *water, double degc,
    const struct air *air, struct problem *problem)
{
    struct system system;
    const struct setting setting = { water, NULL, degc, air };
    const enum err err = system_init(&system, &setting, problem);
    if (err != ERR_NONE) return err;
    struct state state = { .rounds = 0 };
    if (!system_solve(&system, &state, UNKNOWN_PH)) return unsettled(problem);
    system_report(&system, &state, ret);
    return ERR_NONE;
}

enum err equilibrium_at_ph(struct equilibrium *ret, const struct water *water,
    const struct given_ph *given, struct problem *problem)
{
    if (!(given->ph >= -1.0 && given->ph <= 15.0))
        return problem_set(problem, ERR_RANGE, "", "a pH can be -1 to 15");
    struct system system;
    const struct setting setting = { water, NULL, given->degc, &given->air };
    const enum err err = system_init(&system, &setting, problem);
    if (err != ERR_NONE) return err;
    struct state state = { .x_h = -LN_10 * given->ph };
    if (!system_solve(&system, &state, UNKNOWN_NONE)) return unsettled(problem);
    system_report(&system, &state, ret);
    return ERR_NONE;
}

/* --- what can be read from it ----------------------------------------------------------------- */

static double per_litre(const struct equilibrium *e) /* mmol/L of a mol/kg */
{
    return 1000.0 * e->kg_water_l;
}

double equilibrium_total_mmol_l(const struct equilibrium *e, enum ion ion)
{
    double sum = 0.0;
    for (int i = 0; i < SPECIES_COUNT; i++) {
        const struct species_make make = species_make((enum species)i);
        for (int c = 0; c < make.ions; c++) {
            if (make.ion[c] == (int8_t)ion) sum += make.of[c] * e->mol_kg[i];
        }
    }
    return sum * per_litre(e);
}

double equilibrium_charge_meq_l(const struct equilibrium *e)
{
    double sum = 0.0;
    for (int i = 0; i < SPECIES_COUNT; i++) {
        sum += species_row((enum species)i)->charge * e->mol_kg[i];
    }
    return sum * per_litre(e);
}

/* Protons that a component can take up until it is what it is at pH 4.5. */
static int alkalinity_of(int8_t ion)
{
    return ion == ION_CO3 || ion == ION_PO4 || ion == ION_CIT ? 2 : 0;
}

double equilibrium_alkalinity_meq_l(const struct equilibrium *e)
{
    double sum = 0.0;
    for (int i = 0; i < SPECIES_COUNT; i++) {
        const struct species_make make = species_make((enum species)i);
        int takes = -make.h;
        for (int c = 0; c < make.ions; c++) {
            takes += make.of[c] * alkalinity_of(make.ion[c]);
        }
        sum += takes * e->mol_kg[i];
    }
    return sum * per_litre(e);
}

enum err equilibrium_buffer_mmol_l_ph(double *ret, const struct water *water, double degc,
    const struct air *air, struct problem *problem)
{
    const double by = 0.005;
    struct equilibrium at = { 0 }, below = { 0 }, above = { 0 };
    enum err err = equilibrium_solve(&at, water, degc, air, problem);
    if (err != ERR_NONE) return err;
    const struct given_ph low = { at.ph - by, degc, *air }, high = { at.ph + by, degc, *air };
    err = equilibrium_at_ph(&below, water, &low, problem);
    if (err == ERR_NONE) err = equilibrium_at_ph(&above, water, &high, problem);
    if (err != ERR_NONE) return err;
    *ret = (below.charge_left_meq_l - above.charge_left_meq_l) / (2.0 * by);
    return ERR_NONE;
}

/* --- source waters ---------------------------------------------------------------------------- */

enum { ALKALINITY_ROUNDS_MAX = 40 };

enum err water_from_alkalinity(struct water *water, double alkalinity_meq_l,
    const struct given_ph *given, double *charge_left_meq_l, struct problem *problem)
{
    const struct given_ph closed = { given->ph, given->degc, { .open = false } };
    struct water trial = *water;
    struct equilibrium e = { 0 };
    trial.mmol_l[ION_CO3] = 0.0;
    enum err err = equilibrium_at_ph(&e, &trial, &closed, problem);
    double alkalinity = err == ERR_NONE ? equilibrium_alkalinity_meq_l(&e) : 0.0;
    double carbonate = alkalinity_meq_l - alkalinity; /* a first guess */
    if (err == ERR_NONE && !(carbonate >= 0.0))
        return problem_set(problem, ERR_RANGE, "",
            "at this pH the water has more alkalinity than that without any carbonate");
    for (int round = 0; err == ERR_NONE && round < ALKALINITY_ROUNDS_MAX; round++) {
        trial.mmol_l[ION_CO3] = carbonate;
        err = equilibrium_at_ph(&e, &trial, &closed, problem);
        if (err != ERR_NONE || carbonate <= 0.0) break;
        const double without = equilibrium_alkalinity_meq_l(&e) - alkalinity;
        const double left = alkalinity_meq_l - alkalinity - without;
        if (fabs(left) <= 1e-11 * (1.0 + alkalinity_meq_l)) break;
        if (!(without > 1e-12 * carbonate)) {
            return problem_set(problem, ERR_RANGE, "",
                "at this pH carbonate is carbonic acid and has no alkalinity to give");
        }
        carbonate *= (carbonate > 0.0) ? 1.0 + left / without : 1.0;
    }
    if (err != ERR_NONE) return err;
    *water = trial;
    if (charge_left_meq_l) *charge_left_meq_l = e.charge_left_meq_l;
    return ERR_NONE;
}

void water_close_charge(struct water *water, double charge_left_meq_l)
{
    if (charge_left_meq_l > 0.0)
        water->mmol_l[ION_CL] += charge_left_meq_l;
    else
        water->mmol_l[ION_NA] -= charge_left_meq_l;
}
