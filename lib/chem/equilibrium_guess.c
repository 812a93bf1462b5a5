/* Where the solver starts: no pairs of ions, rough activities, constants of 25 degC. */
#include <math.h>
#include <string.h>

#include "lib/base/real.h"
#include "lib/chem/equilibrium_inside.h"

/* An acid's anion and its constants of taking up protons, one after the other; 'loses' is the
 * constant of giving one off. Rounded from species.c: a guess needs no more. */
static const struct protons {
    int8_t ion;
    int8_t count, charge;
    double takes[3];
    double loses;
} acids[] = {
    { ION_PO4, 3, 3, { 2.2e12, 1.6e7, 148.0 }, 0.0 },
    { ION_CO3, 2, 2, { 2.1e10, 2.2e6, 0.0 }, 0.0 },
    { ION_CIT, 3, 3, { 2.5e6, 5.8e4, 1300.0 }, 0.0 },
    { ION_SO4, 1, 2, { 97.0, 0.0, 0.0 }, 0.0 },
    { ION_MOO4, 1, 2, { 2.0e4, 0.0, 0.0 }, 0.0 },
    { ION_NH4, 0, 1, { 0.0, 0.0, 0.0 }, 5.7e-10 },
    { ION_BO3, 0, 1, { 0.0, 0.0, 0.0 }, 5.8e-10 },
    { ION_SIO3, 0, 1, { 0.0, 0.0, 0.0 }, 1.5e-10 },
};
enum { ACIDS = sizeof acids / sizeof acids[0] };

static const double water_product = 1e-14, k1_carbonic = 4.5e-7, k1_k2_carbonic = 2.1e-17;

/* The share that is the free component, and the mean number of protons on it, at this H+. */
struct shares {
    double free, protons;
};

/* 'gamma' is a singly charged ion's activity coefficient; by Debye and Hueckel's law z^2 of them
 * make one of charge z, so that an anion's constants grow weaker by odd powers of it. */
static struct shares shares_at(const struct protons *acid, double h, double gamma)
{
    if (acid->count == 0) {
        const double free = h / (h + acid->loses);
        return (struct shares){ free, free - 1.0 };
    }
    double term = 1.0, sum = 1.0, protons = 0.0, weaker = gamma;
    for (int i = 1; i < acid->charge; i++) {
        weaker *= gamma * gamma;
    }
    for (int i = 0; i < acid->count; i++) {
        term *= acid->takes[i] * h * weaker;
        weaker /= gamma * gamma;
        sum += term;
        protons += (i + 1) * term;
    }
    return (struct shares){ 1.0 / sum, protons / sum };
}

/* What the start is found from. */
struct start {
    double total[ACIDS]; /* mol/kg; 0 for those that aren't there */
    double total_h;
    double a_co2;              /* 0: closed */
    double gamma;              /* of a singly charged ion */
    int8_t acid_of[ION_COUNT]; /* by place in the system's list; -1: none */
};

/* Charge with which an ion counts for a first ionic strength. */
static double usual_charge(int8_t ion)
{
    if (ion == ION_PO4 || ion == ION_CO3) return 1.0;
    return ion == ION_CIT ? 2.0 : (double)ion_charge((enum ion)ion);
}

static double rough_gamma(double strength)
{
    const double most = 0.3, davies = 1.17; /* A ln 10 at 25 degC */
    const double i = strength < most ? strength : most, root = sqrt(i);
    return real_exp(-davies * (root / (1.0 + root) - 0.3 * i));
}

static void begin(const struct system *s, const struct state *state, struct start *start)
{
    *start = (struct start){ .total_h = s->total_h + state->dose * s->dose_h };
    if (s->open) start->a_co2 = real_exp(s->log_a_co2);
    double strength = 0.0;
    for (int32_t i = 0; i < s->ions; i++) {
        const double total = system_total(s, state, i), z = usual_charge(s->ion[i]);
        strength += 0.5 * total * z * z;
        start->acid_of[i] = -1;
        for (int a = 0; a < ACIDS; a++) {
            if (acids[a].ion != s->ion[i]) continue;
            start->acid_of[i] = (int8_t)a;
            start->total[a] = total;
        }
    }
    start->gamma = rough_gamma(strength);
}

/* Charge of H+ less OH- and what comes of the air's CO2, mol/kg. */
static double water_charge(const struct start *start, double h)
{
    return (h - water_product / h - start->a_co2 * (k1_carbonic + 2.0 * k1_k2_carbonic / h) / h) /
           start->gamma;
}

static double protons_over(const struct start *start, double h)
{
    double sum = water_charge(start, h) - start->total_h;
    for (int a = 0; a < ACIDS; a++) {
        if (start->total[a] > 0.0)
            sum += start->total[a] * shares_at(&acids[a], h, start->gamma).protons;
    }
    return sum;
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

/* Natural logarithm of x > 0 to 0.06: the exponent, and a line for what is left. */
static double rough_log(double x)
{
    enum { BIAS = 1023, SHIFT = 52 };
    uint64_t bits;
    memcpy(&bits, &x, sizeof bits);
    const double exponent = (double)(int64_t)(bits >> SHIFT) - BIAS;
    const double left = (double)(bits & ((UINT64_C(1) << SHIFT) - 1)) * 0x1p-52;
    return 0.6931471805599453 * (exponent + left + 0.043);
}

void system_guess(const struct system *s, struct state *state, bool ph_given)
{
    const double paired = 0.9; /* of the ionic strength is left by pairs */
    struct start start;
    begin(s, state, &start);
    const double h = ph_given ? real_exp(state->x_h) : find_h(&start);
    double strength = 0.5 * (h + water_product / h + start.a_co2 * k1_carbonic / h);
    for (int32_t i = 0; i < s->ions; i++) {
        double amount = system_total(s, state, i), z = ion_charge((enum ion)s->ion[i]);
        const double total = amount;
        if (start.acid_of[i] >= 0) {
            const struct shares shares = shares_at(&acids[start.acid_of[i]], h, start.gamma);
            amount *= shares.free;
            z += shares.protons;
        }
        state->x[i] = rough_log(amount);
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
    struct start start;
    begin(s, state, &start);
    const double h = real_exp(state->x_h);
    double have = water_charge(&start, h) - s->total_h, per_dose = -s->dose_h;
    for (int32_t i = 0; i < s->ions; i++) {
        if (start.acid_of[i] < 0) continue;
        const double protons = shares_at(&acids[start.acid_of[i]], h, start.gamma).protons;
        have += s->total[i] * protons;
        per_dose += s->dose[i] * protons;
    }
    return -have / per_dose;
}
