#include "lib/chem/label.h"

#include <math.h>

#include "lib/base/invariant.h"

/* What is weighed, and how many moles of the ion it holds. */
static const struct share {
    const char *word, *formula;
    enum ion ion;
    double moles;
} shares[LABEL_SHARE_COUNT] = {
    [LABEL_N] = { "n", "N", ION_NO3, 1 },
    [LABEL_AMMONIUM_N] = { "ammonium_n", "N", ION_NH4, 1 },
    [LABEL_P2O5] = { "p2o5", "P2O5", ION_PO4, 2 },
    [LABEL_K2O] = { "k2o", "K2O", ION_K, 2 },
    [LABEL_CAO] = { "cao", "CaO", ION_CA, 1 },
    [LABEL_MGO] = { "mgo", "MgO", ION_MG, 1 },
    [LABEL_SO3] = { "so3", "SO3", ION_SO4, 1 },
    [LABEL_P] = { "p", "P", ION_PO4, 1 },
    [LABEL_K] = { "k", "K", ION_K, 1 },
    [LABEL_CA] = { "ca", "Ca", ION_CA, 1 },
    [LABEL_MG] = { "mg", "Mg", ION_MG, 1 },
    [LABEL_S] = { "s", "S", ION_SO4, 1 },
    [LABEL_NA] = { "na", "Na", ION_NA, 1 },
    [LABEL_CL] = { "cl", "Cl", ION_CL, 1 },
    [LABEL_FE] = { "fe", "Fe", ION_FE, 1 },
    [LABEL_MN] = { "mn", "Mn", ION_MN, 1 },
    [LABEL_ZN] = { "zn", "Zn", ION_ZN, 1 },
    [LABEL_CU] = { "cu", "Cu", ION_CU, 1 },
    [LABEL_B] = { "b", "B", ION_BO3, 1 },
    [LABEL_MO] = { "mo", "Mo", ION_MOO4, 1 },
};

const char *label_share_word(enum label_share share)
{
    INVARIANT(share < LABEL_SHARE_COUNT);
    return shares[share].word;
}

static enum err refuse(struct problem *problem, const char *what)
{
    return problem_set(problem, ERR_RANGE, "", what);
}

static enum err check(const struct label *label, struct problem *problem)
{
    double sum = 0.0;
    for (int s = 0; s < LABEL_SHARE_COUNT; s++) {
        const double percent = label->percent[s];
        if (!isfinite(percent) || percent < 0.0)
            return refuse(problem, "a label's shares are 0 to 100 % by weight");
        if (s != LABEL_AMMONIUM_N) sum += percent;
    }
    if (sum > 100.0)
        return refuse(problem, "a label's shares are 100 % by weight together at most");
    if (!(sum > 0.0)) return refuse(problem, "a label without any share says nothing");
    if (label->percent[LABEL_AMMONIUM_N] > label->percent[LABEL_N])
        return refuse(problem, "more nitrogen as ammonium than nitrogen altogether");
    return ERR_NONE;
}

/* mmol in a gram. */
static double mmol_g(const struct label *label, enum label_share share)
{
    struct formula f;
    const enum err err = formula_read(&f, shares[share].formula, NULL);
    INVARIANT(err == ERR_NONE);
    return label->percent[share] / 100.0 * 1000.0 / f.g_per_mol * shares[share].moles;
}

static void hold(struct salt *salt, enum ion metal, enum held_metal held, double charges)
{
    const double mmol = salt->per_g.mmol_l[metal];
    salt->per_g.mmol_l[metal] = 0.0;
    salt->held_mmol_g[held] = mmol;
    salt->per_g.mmol_l[ION_FEEDTA] += charges * mmol;
}

/* Charge of a gram, phosphate as H2PO4-. */
static double charge_of(const struct salt *salt)
{
    double charge = 2.0 * salt->per_g.mmol_l[ION_PO4];
    for (int i = 0; i < ION_COUNT; i++) {
        charge += salt->per_g.mmol_l[i] * ion_charge((enum ion)i);
    }
    return charge;
}

static struct label_closure close_charge(struct salt *salt, const struct label *label)
{
    const bool sulfur = label->percent[LABEL_SO3] > 0.0 || label->percent[LABEL_S] > 0.0;
    const double charge = charge_of(salt);
    struct label_closure c = { .ion = ION_NA, .meq_g = fabs(charge) };
    if (charge > 0.0) c.ion = sulfur ? ION_CL : ION_SO4;
    salt->per_g.mmol_l[c.ion] += c.meq_g / fabs((double)ion_charge(c.ion));
    const double cations = water_cations_meq_l(&salt->per_g);
    if (cations > 0.0) c.of_total = c.meq_g / cations;
    return c;
}

enum err label_read(struct salt *ret, struct label_closure *ret_closure, const struct label *label,
    struct problem *problem)
{
    const enum err err = check(label, problem);
    if (err != ERR_NONE) return err;
    struct salt salt = { 0 };
    for (int s = 0; s < LABEL_SHARE_COUNT; s++) {
        salt.per_g.mmol_l[shares[s].ion] += mmol_g(label, (enum label_share)s);
    }
    salt.per_g.mmol_l[ION_NO3] -= mmol_g(label, LABEL_AMMONIUM_N);
    if (salt.per_g.mmol_l[ION_NO3] < 0.0) salt.per_g.mmol_l[ION_NO3] = 0.0; /* rounding */
    hold(&salt, ION_FE, HELD_FE, 1.0);
    if (label->chelated) {
        hold(&salt, ION_MN, HELD_MN, 2.0);
        hold(&salt, ION_ZN, HELD_ZN, 2.0);
        hold(&salt, ION_CU, HELD_CU, 2.0);
    }
    const struct label_closure closure = close_charge(&salt, label);
    if (ret_closure) *ret_closure = closure;
    *ret = salt;
    return ERR_NONE;
}
