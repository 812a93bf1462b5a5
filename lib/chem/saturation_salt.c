/* Crystals in stock tanks: held against the saturated solution of the pure salt. */
#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/real.h"
#include "lib/chem/saturation.h"

enum { TABLE_POINTS = 5, SATURATED_ROUNDS = 12, SHARE_HALVINGS = 40, DEGC_HALVINGS = 12 };

#define STORE_DEGC_MIN 0.0
#define STORE_DEGC_MAX 40.0
#define TABLE_STEP_DEGC 10.0

/* Solubility at 0, 10, 20, 30, 40 degC, g of anhydrous salt in 100 g of water: CRC Handbook of
 * Chemistry and Physics (from memory). 'counted': so soluble that activities mean nothing; then
 * amounts are compared, free or not. */
static const struct {
    const char *word;
    int8_t ion[2], of[2]; /* ION_COUNT: none */
    int8_t h, h2o;        /* protons on the anion as it stands in struct water; water of crystals */
    bool counted;
    double g_per_mol;
    double g_100g[TABLE_POINTS];
} salts[CRYSTAL_COUNT] = {
    [CRYSTAL_KNO3] = { "KNO3", { ION_K, ION_NO3 }, { 1, 1 }, 0, 0, false, 101.10,
        { 13.3, 20.9, 31.6, 45.8, 63.9 } },
    [CRYSTAL_K2SO4] = { "K2SO4", { ION_K, ION_SO4 }, { 2, 1 }, 0, 0, false, 174.25,
        { 7.4, 9.3, 11.1, 13.0, 14.8 } },
    [CRYSTAL_KH2PO4] = { "KH2PO4", { ION_K, ION_PO4 }, { 1, 1 }, 2, 0, false, 136.08,
        { 14.8, 18.3, 22.6, 28.0, 33.5 } },
    [CRYSTAL_NH4H2PO4] = { "NH4H2PO4", { ION_NH4, ION_PO4 }, { 1, 1 }, 2, 0, false, 115.03,
        { 22.7, 29.5, 37.4, 46.4, 56.7 } },
    [CRYSTAL_MGSO4] = { "MgSO4.7H2O", { ION_MG, ION_SO4 }, { 1, 1 }, 0, 7, false, 120.36,
        { 22.0, 28.2, 33.7, 38.9, 44.5 } },
    [CRYSTAL_CANO3] = { "Ca(NO3)2.4H2O", { ION_CA, ION_NO3 }, { 1, 2 }, 0, 0, true, 164.09,
        { 102.0, 115.0, 129.0, 149.0, 189.0 } },
    [CRYSTAL_MGNO3] = { "Mg(NO3)2.6H2O", { ION_MG, ION_NO3 }, { 1, 2 }, 0, 0, true, 148.31,
        { 62.1, 66.0, 69.5, 73.6, 78.9 } },
    [CRYSTAL_NH4NO3] = { "NH4NO3", { ION_NH4, ION_NO3 }, { 1, 1 }, 0, 0, true, 80.04,
        { 118.0, 150.0, 192.0, 242.0, 297.0 } },
    [CRYSTAL_NH4SO4] = { "(NH4)2SO4", { ION_NH4, ION_SO4 }, { 2, 1 }, 0, 0, true, 132.13,
        { 70.6, 73.0, 75.4, 78.0, 81.0 } },
    [CRYSTAL_KCL] = { "KCl", { ION_K, ION_CL }, { 1, 1 }, 0, 0, false, 74.55,
        { 28.0, 31.2, 34.2, 37.2, 40.1 } },
    [CRYSTAL_K2CO3] = { "K2CO3", { ION_K, ION_CO3 }, { 2, 1 }, 0, 0, true, 138.20,
        { 105.0, 109.0, 111.0, 114.0, 117.0 } },
    [CRYSTAL_KHCO3] = { "KHCO3", { ION_K, ION_CO3 }, { 1, 1 }, 1, 0, false, 100.11,
        { 22.5, 27.4, 33.7, 39.9, 47.5 } },
    [CRYSTAL_H3BO3] = { "H3BO3", { ION_BO3, ION_COUNT }, { 1, 0 }, 0, 0, false, 61.83,
        { 2.67, 3.73, 5.04, 6.72, 8.72 } },
};

const char *crystal_word(enum stock_crystal crystal)
{
    INVARIANT(crystal < CRYSTAL_COUNT);
    return salts[crystal].word;
}

double crystal_solubility_g_100g(enum stock_crystal crystal, double degc)
{
    INVARIANT(crystal < CRYSTAL_COUNT && degc >= STORE_DEGC_MIN && degc <= STORE_DEGC_MAX);
    int at = (int)floor(degc / TABLE_STEP_DEGC);
    if (at > TABLE_POINTS - 2) at = TABLE_POINTS - 2;
    const double share = degc / TABLE_STEP_DEGC - at;
    const double *table = salts[crystal].g_100g;
    return table[at] + share * (table[at + 1] - table[at]);
}

/* A solution with what it takes to compare it. */
struct solved {
    struct water water;
    struct equilibrium e;
};

static bool has(const struct water *water, enum stock_crystal crystal)
{
    for (int i = 0; i < 2; i++) {
        const int8_t ion = salts[crystal].ion[i];
        if (ion != ION_COUNT && !(water->mmol_l[ion] > 1e-6)) return false;
    }
    return true;
}

/* log10 of the ion product, by activities or by amounts. */
static double log_product(const struct solved *s, enum stock_crystal crystal)
{
    double sum = 0.0;
    if (!salts[crystal].counted)
        sum = salts[crystal].h2o * real_log10(s->e.water_activity) - salts[crystal].h * s->e.ph;
    const double kg_l = water_kg_per_l(&s->water);
    for (int i = 0; i < 2; i++) {
        const int8_t ion = salts[crystal].ion[i];
        if (ion == ION_COUNT) continue;
        const double log_a = salts[crystal].counted
                                 ? real_log10(s->water.mmol_l[ion] / 1000.0 / kg_l)
                                 : s->e.log_activity[ion];
        sum += salts[crystal].of[i] * log_a;
    }
    return sum;
}

static enum err solve(struct solved *s, double degc, struct problem *problem)
{
    const struct air closed = { .open = false };
    return equilibrium_solve(&s->e, &s->water, degc, &closed, problem);
}

/* log10 of the ion product of the pure salt's saturated solution. */
static enum err saturated_product(
    double *ret, enum stock_crystal crystal, double degc, struct problem *problem)
{
    const double mol_kg =
        crystal_solubility_g_100g(crystal, degc) * 10.0 / salts[crystal].g_per_mol;
    if (salts[crystal].counted) {
        *ret = 0.0;
        for (int i = 0; i < 2; i++) {
            *ret += salts[crystal].of[i] * real_log10(salts[crystal].of[i] * mol_kg);
        }
        return ERR_NONE;
    }
    struct solved s = { .water = { { 0.0 } } };
    double kg_l = 0.9;
    for (int round = 0; round < SATURATED_ROUNDS; round++) { /* its own volume */
        for (int i = 0; i < 2; i++) {
            if (salts[crystal].ion[i] == ION_COUNT) continue;
            s.water.mmol_l[salts[crystal].ion[i]] = salts[crystal].of[i] * mol_kg * kg_l * 1000.0;
        }
        kg_l = water_kg_per_l(&s.water);
    }
    const enum err err = solve(&s, degc, problem);
    if (err == ERR_NONE) *ret = log_product(&s, crystal);
    return err;
}

/* The salt that is furthest over, or closest; false when the stock holds none of them. */
static enum err find_worst(
    struct crystals *ret, const struct solved *stock, double degc, struct problem *problem)
{
    ret->index = SATURATION_NONE;
    for (int c = 0; c < CRYSTAL_COUNT; c++) {
        const enum stock_crystal crystal = (enum stock_crystal)c;
        if (!has(&stock->water, crystal)) continue;
        double saturated = 0.0;
        const enum err err = saturated_product(&saturated, crystal, degc, problem);
        if (err != ERR_NONE) return err;
        const double index = log_product(stock, crystal) - saturated;
        if (index <= ret->index) continue;
        ret->index = index;
        ret->crystal = crystal;
    }
    ret->any = ret->index > 0.0;
    return ERR_NONE;
}

static void take_out(struct water *water, enum stock_crystal crystal, double mmol_l)
{
    for (int i = 0; i < 2; i++) {
        if (salts[crystal].ion[i] == ION_COUNT) continue;
        water->mmol_l[salts[crystal].ion[i]] -= salts[crystal].of[i] * mmol_l;
    }
}

/* How much of the worst salt has to go until the rest is just saturated. */
static enum err find_share(
    struct crystals *ret, const struct water *stock, double degc, struct problem *problem)
{
    double saturated = 0.0, most = HUGE_VAL;
    enum err err = saturated_product(&saturated, ret->crystal, degc, problem);
    for (int i = 0; i < 2; i++) {
        const int8_t ion = salts[ret->crystal].ion[i];
        if (ion == ION_COUNT) continue;
        const double can = stock->mmol_l[ion] / salts[ret->crystal].of[i];
        if (can < most) most = can;
    }
    double low = 0.0, high = most * (1.0 - 1e-9);
    for (int i = 0; err == ERR_NONE && i < SHARE_HALVINGS; i++) {
        const double middle = 0.5 * (low + high);
        struct solved left = { .water = *stock };
        take_out(&left.water, ret->crystal, middle);
        err = solve(&left, degc, problem);
        if (err == ERR_NONE && log_product(&left, ret->crystal) > saturated)
            low = middle;
        else
            high = middle;
    }
    ret->mmol_l = high;
    ret->share = high / most;
    return err;
}

static enum err is_clear(bool *ret, const struct water *stock, double degc, struct problem *problem)
{
    struct crystals trial = { .any = false };
    struct solved s = { .water = *stock };
    enum err err = solve(&s, degc, problem);
    if (err == ERR_NONE) err = find_worst(&trial, &s, degc, problem);
    *ret = !trial.any;
    return err;
}

static enum err find_clear(double *ret, const struct water *stock, struct problem *problem)
{
    bool clear = false;
    enum err err = is_clear(&clear, stock, STORE_DEGC_MAX, problem);
    *ret = STORE_DEGC_MAX + 1.0;
    if (err != ERR_NONE || !clear) return err;
    err = is_clear(&clear, stock, STORE_DEGC_MIN, problem);
    *ret = STORE_DEGC_MIN;
    if (err != ERR_NONE || clear) return err;
    double low = STORE_DEGC_MIN, high = STORE_DEGC_MAX;
    for (int i = 0; err == ERR_NONE && i < DEGC_HALVINGS; i++) {
        const double middle = 0.5 * (low + high);
        err = is_clear(&clear, stock, middle, problem);
        if (clear)
            high = middle;
        else
            low = middle;
    }
    *ret = high;
    return err;
}

enum err stock_crystallises(
    struct crystals *ret, const struct water *stock, double degc, struct problem *problem)
{
    if (!(degc >= STORE_DEGC_MIN && degc <= STORE_DEGC_MAX))
        return problem_set(problem, ERR_RANGE, "", "a stock's temperature can be 0 to 40 degC");
    *ret = (struct crystals){ .any = false };
    struct solved s = { .water = *stock };
    enum err err = solve(&s, degc, problem);
    if (err == ERR_NONE) err = find_worst(ret, &s, degc, problem);
    if (err == ERR_NONE && ret->any) err = find_share(ret, stock, degc, problem);
    if (err == ERR_NONE) err = find_clear(&ret->clear_from_degc, stock, problem);
    return err;
}
