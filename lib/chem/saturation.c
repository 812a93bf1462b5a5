#include "lib/chem/saturation.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/real.h"

#define LN10_R (2.302585092994046 * 8.31470e-3) /* kJ/(mol K) */
#define T_25 298.15
#define KCAL 4.184
#define HOFF(at_25, dh)                                                                            \
    {                                                                                              \
        (at_25) + (dh) / (LN10_R * T_25), 0.0, -(dh) / LN10_R, 0.0, 0.0, 0.0                       \
    }

enum { PARTS_MAX = 3 };

/* The reaction from the solid to components, HPO4-2, H+ and water. */
static const struct {
    const char *word, *formula;
    int8_t ion[PARTS_MAX]; /* ION_COUNT: none */
    int8_t of[PARTS_MAX];
    int8_t hpo4, h, h2o;
    struct log_k log_k;
} solids[SOLID_COUNT] = {
    /* phreeqc.dat of PHREEQC 3.8.9: a fit to the data in C. A. J. Appelo, Appl. Geochem. 55 (2015)
     */
    [SOLID_GYPSUM] = { "gypsum", "CaSO4.2H2O", { ION_CA, ION_SO4, ION_COUNT }, { 1, 1, 0 }, 0, 0, 2,
        { 72.244, -1.474e-2, -4040.0, -23.7823, 0.0, 0.0 } },
    /* minteq.v4.dat (NIST 46), written with HPO4-2 */
    [SOLID_BRUSHITE] = { "brushite", "CaHPO4.2H2O", { ION_CA, ION_COUNT, ION_COUNT }, { 1, 0, 0 },
        1, 0, 2, HOFF(-6.62, 8.0) },
    [SOLID_MONETITE] = { "monetite", "CaHPO4", { ION_CA, ION_COUNT, ION_COUNT }, { 1, 0, 0 }, 1, 0,
        0, HOFF(-6.90, 16.0) },
    [SOLID_OCP] = { "octacalcium phosphate", "Ca4H(PO4)3.3H2O", { ION_CA, ION_PO4, ION_COUNT },
        { 4, 3, 0 }, 0, 1, 3, HOFF(-47.08, 0.0) },
    /* phreeqc.dat */
    [SOLID_HYDROXYAPATITE] = { "hydroxyapatite", "Ca5(PO4)3OH", { ION_CA, ION_COUNT, ION_COUNT },
        { 5, 0, 0 }, 3, -4, 1, HOFF(-3.421, -36.155 * KCAL) },
    /* K. N. Ohlinger, T. M. Young, E. D. Schroeder, Water Res. 32 (1998) 3607; enthalpy: M. I. H.
     * Bhuiyan et al., Environ. Technol. 28 (2007) 1015 (both from memory) */
    [SOLID_STRUVITE] = { "struvite", "MgNH4PO4.6H2O", { ION_MG, ION_NH4, ION_PO4 }, { 1, 1, 1 }, 0,
        0, 6, HOFF(-13.26, 24.23) },
    /* phreeqc.dat: Plummer and Busenberg 1982, refitted */
    [SOLID_CALCITE] = { "calcite", "CaCO3", { ION_CA, ION_CO3, ION_COUNT }, { 1, 1, 0 }, 0, 0, 0,
        { -67.87, -5.1813e-2, 0.0, 30.25746, 0.0, 0.0 } },
    /* minteq.v4.dat */
    [SOLID_BRUCITE] = { "brucite", "Mg(OH)2", { ION_MG, ION_COUNT, ION_COUNT }, { 1, 0, 0 }, 0, -2,
        2, HOFF(16.844, -113.996) },
    /* llnl.dat: known to call a solution saturated at half of the real solubility */
    [SOLID_NITER] = { "niter", "KNO3", { ION_K, ION_NO3, ION_COUNT }, { 1, 1, 0 }, 0, 0, 0,
        { -65.607, -2.8165e-2, -401.31, 30.361, -6.2425, 0.0 } },
    /* phreeqc.dat */
    [SOLID_ARCANITE] = { "arcanite", "K2SO4", { ION_K, ION_SO4, ION_COUNT }, { 2, 1, 0 }, 0, 0, 0,
        { 674.142, 0.30423, -18037.0, -280.236, 0.0, -1.44055e-4 } },
    [SOLID_EPSOMITE] = { "epsomite", "MgSO4.7H2O", { ION_MG, ION_SO4, ION_COUNT }, { 1, 1, 0 }, 0,
        0, 7, { -3.59, 6.21e-3, 0.0, 0.0, 0.0, 0.0 } },
};

const char *solid_word(enum solid solid)
{
    INVARIANT(solid < SOLID_COUNT);
    return solids[solid].word;
}

const char *solid_formula(enum solid solid)
{
    INVARIANT(solid < SOLID_COUNT);
    return solids[solid].formula;
}

double solid_log_k(enum solid solid, double degc)
{
    INVARIANT(solid < SOLID_COUNT);
    const struct kelvin kelvin = kelvin_at(degc);
    return log_k_at(&solids[solid].log_k, &kelvin);
}

double saturation_index(const struct equilibrium *e, enum solid solid)
{
    const struct kelvin kelvin = kelvin_at(e->degc);
    const int8_t h = (int8_t)(solids[solid].h + solids[solid].hpo4);
    double sum = solids[solid].h2o * real_log10(e->water_activity) - h * e->ph;
    for (int i = 0; i < PARTS_MAX; i++) {
        if (solids[solid].ion[i] == ION_COUNT) continue;
        const double log_a = e->log_activity[solids[solid].ion[i]];
        if (log_a <= SATURATION_NONE) return SATURATION_NONE;
        sum += solids[solid].of[i] * log_a;
    }
    if (solids[solid].hpo4 > 0) {
        if (e->log_activity[ION_PO4] <= SATURATION_NONE) return SATURATION_NONE;
        const double log_k_hpo4 = species_log_k(SP_HPO4, &kelvin);
        sum += solids[solid].hpo4 * (e->log_activity[ION_PO4] + log_k_hpo4);
    }
    return sum - log_k_at(&solids[solid].log_k, &kelvin);
}

/* --- amounts ---------------------------------------------------------------------------------- */

/* What a mmol of solid takes along; protons take care of themselves. */
static struct water ions_of(enum solid solid)
{
    struct water w = { { 0.0 } };
    for (int i = 0; i < PARTS_MAX; i++) {
        if (solids[solid].ion[i] != ION_COUNT) w.mmol_l[solids[solid].ion[i]] = solids[solid].of[i];
    }
    w.mmol_l[ION_PO4] += solids[solid].hpo4;
    return w;
}

/* The most that can come out of what is left, less a trace that stays. */
static double most_of(const struct water *left, const struct water *ions)
{
    const double trace = 1e-12;
    double most = HUGE_VAL;
    for (int i = 0; i < ION_COUNT; i++) {
        if (!(ions->mmol_l[i] > 0.0)) continue;
        const double can = left->mmol_l[i] * (1.0 - trace) / ions->mmol_l[i];
        if (can < most) most = can;
    }
    return most;
}

struct falling {
    enum solid solid;
    struct water ions;
    struct water with; /* everything of this solid dissolved again */
    double degc;
    const struct air *air;
    struct problem *problem;
};

/* Saturation index with this much of the solid out. */
static enum err index_at(
    const struct falling *f, double mmol_l, struct equilibrium *e, double *index)
{
    struct water left = f->with;
    water_add(&left, &f->ions, -mmol_l);
    const enum err err = equilibrium_solve(e, &left, f->degc, f->air, f->problem);
    if (err == ERR_NONE) *index = saturation_index(e, f->solid);
    return err;
}

enum { FALL_ROUNDS_MAX = 100 };

/* The amount at which the index is 0, between 0 (index above 0) and 'most' (below). */
static enum err balance(const struct falling *f, double most, double *mmol_l)
{
    double low = 0.0, high = most, f_low = 0.0, f_high = 0.0;
    struct equilibrium e;
    enum err err = index_at(f, low, &e, &f_low);
    if (err != ERR_NONE || f_low <= 0.0) {
        *mmol_l = 0.0;
        return err;
    }
    err = index_at(f, high, &e, &f_high);
    *mmol_l = high;
    for (int i = 0; err == ERR_NONE && i < FALL_ROUNDS_MAX && f_high < 0.0; i++) {
        double middle = (low * f_high - high * f_low) / (f_high - f_low);
        if (i % 2 == 1 || !(middle > low && middle < high)) middle = 0.5 * (low + high);
        double index = 0.0;
        err = index_at(f, middle, &e, &index);
        *mmol_l = middle;
        if (fabs(index) < 1e-11 || high - low < 1e-13 * most) break;
        if (index > 0.0) {
            low = middle;
            f_low = index;
        } else {
            high = middle;
            f_high = index;
        }
    }
    return err;
}

static double larger(double a, double b)
{
    return a > b ? a : b;
}

/* Sets one solid's amount, with the others as they are; says by how much it changed. */
static enum err adjust(struct fall *ret, uint32_t at, struct falling *f, double *change)
{
    f->solid = ret->solid[at];
    f->ions = ions_of(f->solid);
    f->with = ret->left;
    water_add(&f->with, &f->ions, ret->mmol_l[at]);
    double mmol_l = 0.0;
    const double most = most_of(&f->with, &f->ions);
    if (most > 0.0) {
        const enum err err = balance(f, most, &mmol_l);
        if (err != ERR_NONE) return err;
    }
    *change = larger(*change, fabs(mmol_l - ret->mmol_l[at]));
    ret->mmol_l[at] = mmol_l;
    ret->left = f->with;
    water_add(&ret->left, &f->ions, -mmol_l);
    return ERR_NONE;
}

enum err saturation_fall(struct fall *ret, const struct water *water, double degc,
    const struct air *air, struct problem *problem)
{
    INVARIANT(ret->count <= SATURATION_SOLIDS_MAX);
    const double settled = 1e-7;
    struct falling f = { .degc = degc, .air = air, .problem = problem };
    ret->left = *water;
    for (uint32_t i = 0; i < ret->count; i++) {
        ret->mmol_l[i] = 0.0;
    }
    double change = HUGE_VAL;
    for (int sweep = 0; sweep < SATURATION_SWEEPS_MAX && change > settled; sweep++) {
        change = 0.0;
        for (uint32_t i = 0; i < ret->count; i++) {
            const enum err err = adjust(ret, i, &f, &change);
            if (err != ERR_NONE) return err;
        }
    }
    if (change > settled)
        return problem_set(problem, ERR_RANGE, "", "the solids that form don't settle");
    return equilibrium_solve(&ret->end, &ret->left, degc, air, problem);
}
