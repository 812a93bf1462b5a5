/* Where the solver starts: no pairs of ions, no activities, constants of 25 degC. */
#include <math.h>

#include "lib/base/real.h"
#include "lib/chem/equilibrium_inside.h"

/* An acid's anion and its constants of taking up protons, one after the other; 'loses' is the
 * constant of giving one off. Rounded from species.c: a guess needs no more. */
static const struct protons {
    int8_t ion;
    int8_t count;
    double takes[3];
    double loses;
} acids[] = {
    { ION_PO4, 3, { 2.2e12, 1.6e7, 148.0 }, 0.0 },
    { ION_CO3, 2, { 2.1e10, 2.2e6, 0.0 }, 0.0 },
    { ION_CIT, 3, { 2.5e6, 5.8e4, 1300.0 }, 0.0 },
    { ION_SO4, 1, { 97.0, 0.0, 0.0 }, 0.0 },
    { ION_MOO4, 1, { 2.0e4, 0.0, 0.0 }, 0.0 },
    { ION_NH4, 0, { 0.0, 0.0, 0.0 }, 5.7e-10 },
    { ION_BO3, 0, { 0.0, 0.0, 0.0 }, 5.8e-10 },
    { ION_SIO3, 0, { 0.0, 0.0, 0.0 }, 1.5e-10 },
};
enum { ACIDS = sizeof acids / sizeof acids[0] };

static const double water_product = 1e-14, k1_carbonic = 4.5e-7, k1_k2_carbonic = 2.1e-17;

/* The share that is the free component, and the mean number of protons on it, at this H+. */
struct shares {
    double free, protons;
};

static struct shares shares_at(const struct protons *acid, double h)
{
    if (acid->count == 0) {
        const double free = h / (h + acid->loses);
        return (struct shares){ free, free - 1.0 };
    }
    double term = 1.0, sum = 1.0, protons = 0.0;
    for (int i = 0; i < acid->count; i++) {
        term *= acid->takes[i] * h;
        sum += term;
        protons += (i + 1) * term;
    }
    return (struct shares){ 1.0 / sum, protons / sum };
}

/* Amounts of the acids, mol/kg, 0 for those that aren't there; and protons to be had in all. */
struct start {
    double total[ACIDS];
    double total_h;
    double a_co2; /* 0: closed */
};

static double protons_over(const struct start *start, double h)
{
    double sum = h - water_product / h - start->total_h;
    for (int a = 0; a < ACIDS; a++) {
        if (start->total[a] > 0.0) sum += start->total[a] * shares_at(&acids[a], h).protons;
    }
    return sum - start->a_co2 * (k1_carbonic + 2.0 * k1_k2_carbonic / h) / h;
}

/* H+ by bisection of its logarithm between 1e-15 and 10. */
static double find_h(const struct start *start)
{
    static const double factor[] = { 1e4, 1e2, 10.0, 3.1623, 1.7783, 1.3335, 1.1548, 1.0746 };
    double h = 1e-7;
    for (size_t i = 0; i < sizeof factor / sizeof factor[0]; i++) {
        h = protons_over(start, h) > 0.0 ? h / factor[i] : h * factor[i];
    }
    return h;
}

void system_guess(const struct system *s, struct state *state, bool ph_given)
{
    const double paired = 0.9; /* of the ionic strength is left by pairs */
    struct start start = { .total_h = s->total_h + state->dose * s->dose_h };
    if (s->open) start.a_co2 = real_exp(s->log_a_co2);
    int8_t acid_of[ION_COUNT];
    for (int32_t i = 0; i < s->ions; i++) {
        acid_of[i] = -1;
        for (int8_t a = 0; a < ACIDS; a++) {
            if (acids[a].ion != s->ion[i]) continue;
            acid_of[i] = a;
            start.total[a] = system_total(s, state, i);
        }
    }
    const double h = ph_given ? real_exp(state->x_h) : find_h(&start);
    double strength = 0.5 * (h + water_product / h + start.a_co2 * k1_carbonic / h);
    for (int32_t i = 0; i < s->ions; i++) {
        double amount = system_total(s, state, i), z = ion_charge((enum ion)s->ion[i]);
        const double total = amount;
        if (acid_of[i] >= 0) {
            const struct shares shares = shares_at(&acids[acid_of[i]], h);
            amount *= shares.free;
            z += shares.protons;
        }
        state->x[i] = real_log(amount);
        strength += 0.5 * total * z * z;
    }
    state->i = paired * strength;
    state->log_a_w = 0.0;
    if (!ph_given) state->x_h = real_log(h);
    const struct activity activity = activity_at(&s->solvent, state->i);
    for (int32_t i = 0; i < s->ions; i++) { /* the free ions come first among the parts */
        state->x[i] += s->part[i].b * activity.i - s->part[i].a_z2 * activity.root[s->part[i].size];
    }
}

double system_guess_dose(const struct system *s, const struct state *state)
{
    const double h = real_exp(state->x_h);
    double have = h - water_product / h - s->total_h, per_dose = -s->dose_h;
    for (int32_t i = 0; i < s->ions; i++) {
        for (int a = 0; a < ACIDS; a++) {
            if (acids[a].ion != s->ion[i]) continue;
            const double protons = shares_at(&acids[a], h).protons;
            have += s->total[i] * protons;
            per_dose += s->dose[i] * protons;
        }
    }
    if (s->open) have -= real_exp(s->log_a_co2) * (k1_carbonic + 2.0 * k1_k2_carbonic / h) / h;
    return -have / per_dose;
}
