#include "lib/chem/water.h"

#include "lib/base/invariant.h"

static const struct {
    const char *word;
    int32_t charge;
} ions[ION_COUNT] = {
    [ION_K] = { "K", 1 },
    [ION_NA] = { "Na", 1 },
    [ION_NH4] = { "NH4", 1 },
    [ION_CA] = { "Ca", 2 },
    [ION_MG] = { "Mg", 2 },
    [ION_MN] = { "Mn", 2 },
    [ION_ZN] = { "Zn", 2 },
    [ION_CU] = { "Cu", 2 },
    [ION_FE] = { "Fe", 2 },
    [ION_NO3] = { "NO3", -1 },
    [ION_CL] = { "Cl", -1 },
    [ION_SO4] = { "SO4", -2 },
    [ION_PO4] = { "PO4", -3 },
    [ION_CO3] = { "CO3", -2 },
    [ION_BO3] = { "BO3", 0 },
    [ION_CIT] = { "Cit", -3 },
    [ION_MOO4] = { "MoO4", -2 },
    [ION_SIO3] = { "SiO3", 0 },
    [ION_FEEDTA] = { "FeEDTA", -1 },
};

const char *ion_word(enum ion ion)
{
    INVARIANT(ion < ION_COUNT);
    return ions[ion].word;
}

int32_t ion_charge(enum ion ion)
{
    INVARIANT(ion < ION_COUNT);
    return ions[ion].charge;
}

void water_add(struct water *sum, const struct water *part, double amount)
{
    for (int i = 0; i < ION_COUNT; i++) {
        sum->mmol_l[i] += amount * part->mmol_l[i];
    }
}

struct water water_mix(const struct water *a, double a_l, const struct water *b, double b_l)
{
    INVARIANT(a_l >= 0.0 && b_l >= 0.0 && a_l + b_l > 0.0);
    struct water mix;
    for (int i = 0; i < ION_COUNT; i++) {
        mix.mmol_l[i] = (a->mmol_l[i] * a_l + b->mmol_l[i] * b_l) / (a_l + b_l);
    }
    return mix;
}

double water_cations_meq_l(const struct water *w)
{
    double sum = 0.0;
    for (int i = 0; i < ION_COUNT; i++) {
        if (ions[i].charge > 0) sum += ions[i].charge * w->mmol_l[i];
    }
    return sum;
}
