#include "lib/chem/species.h"

#include "lib/base/invariant.h"
#include "lib/base/real.h"

/* J/(mol K) (CODATA; PHREEQC rounds to 8.31470), ln 10, and 25 degC. */
#define LN10_R (2.302585092994046 * 8.31470e-3) /* kJ/(mol K) */
#define T_25 298.15
#define KCAL 4.184

/* log10 K at 25 degC and the reaction's enthalpy in kJ/mol, held constant (van 't Hoff). */
#define HOFF(at_25, dh)                                                                            \
    {                                                                                              \
        (at_25) + (dh) / (LN10_R * T_25), 0.0, -(dh) / LN10_R, 0.0, 0.0, 0.0                       \
    }
#define FLAT(at_25)                                                                                \
    {                                                                                              \
        (at_25), 0.0, 0.0, 0.0, 0.0, 0.0                                                           \
    }
#define COMPONENT                                                                                  \
    {                                                                                              \
        0                                                                                          \
    }

static const double sizes[SIZE_COUNT] = { 0.0, 0.59, 2.5, 3.0, 3.5, 3.63, 4.0, 4.08, 5.0, 5.4, 5.5,
    6.0, 6.5, 7.0, 9.0 };

/* b of an uncharged species for which the literature gives none (as in PHREEQC). */
#define B_NEUTRAL 0.1

/* clang-format off */
static const struct species_row rows[SPECIES_COUNT] = {
    /*              word          z  parent     ion       n   H H2O  size         b        log K */
    [ION_K]      = { "K+",         1, -1,       -1,       0,  0,  0, SIZE_3_5,    0.015,   COMPONENT },
    [ION_NA]     = { "Na+",        1, -1,       -1,       0,  0,  0, SIZE_4_08,   0.082,   COMPONENT },
    [ION_NH4]    = { "NH4+",       1, -1,       -1,       0,  0,  0, SIZE_2_5,    0.0,     COMPONENT },
    [ION_CA]     = { "Ca+2",       2, -1,       -1,       0,  0,  0, SIZE_5,      0.165,   COMPONENT },
    [ION_MG]     = { "Mg+2",       2, -1,       -1,       0,  0,  0, SIZE_5_5,    0.2,     COMPONENT },
    [ION_MN]     = { "Mn+2",       2, -1,       -1,       0,  0,  0, SIZE_6,      0.0,     COMPONENT },
    [ION_ZN]     = { "Zn+2",       2, -1,       -1,       0,  0,  0, SIZE_5,      0.0,     COMPONENT },
    [ION_CU]     = { "Cu+2",       2, -1,       -1,       0,  0,  0, SIZE_6,      0.0,     COMPONENT },
    [ION_FE]     = { "Fe+2",       2, -1,       -1,       0,  0,  0, SIZE_6,      0.0,     COMPONENT },
    [ION_NO3]    = { "NO3-",      -1, -1,       -1,       0,  0,  0, SIZE_3,      0.0,     COMPONENT },
    [ION_CL]     = { "Cl-",       -1, -1,       -1,       0,  0,  0, SIZE_3_63,   0.017,   COMPONENT },
    [ION_SO4]    = { "SO4-2",     -2, -1,       -1,       0,  0,  0, SIZE_5,     -0.04,    COMPONENT },
    [ION_PO4]    = { "PO4-3",     -3, -1,       -1,       0,  0,  0, SIZE_4,      0.0,     COMPONENT },
    [ION_CO3]    = { "CO3-2",     -2, -1,       -1,       0,  0,  0, SIZE_5_4,    0.0,     COMPONENT },
    [ION_BO3]    = { "H3BO3",      0, -1,       -1,       0,  0,  0, SIZE_DAVIES, B_NEUTRAL, COMPONENT },
    [ION_CIT]    = { "Cit-3",     -3, -1,       -1,       0,  0,  0, SIZE_DAVIES, 0.0,     COMPONENT },
    [ION_MOO4]   = { "MoO4-2",    -2, -1,       -1,       0,  0,  0, SIZE_DAVIES, 0.0,     COMPONENT },
    [ION_SIO3]   = { "H4SiO4",     0, -1,       -1,       0,  0,  0, SIZE_DAVIES, B_NEUTRAL, COMPONENT },
    [ION_FEEDTA] = { "FeEDTA-",   -1, -1,       -1,       0,  0,  0, SIZE_DAVIES, 0.0,     COMPONENT },
    [SP_H]       = { "H+",         1, -1,       -1,       0,  1,  0, SIZE_9,      0.0,     COMPONENT },
    [SP_OH]      = { "OH-",       -1, -1,       -1,       0, -1,  1, SIZE_3_5,    0.0,
        { 293.29227, 0.1360833, -10576.913, -123.73158, 0.0, -6.996455e-5 } },

    [SP_HCO3]    = { "HCO3-",     -1, ION_CO3,  -1,       0,  1,  0, SIZE_5_4,    7.8e-3,
        { 107.8871, 0.03252849, -5151.79, -38.92561, 563713.9, 0.0 } },
    [SP_CO2]     = { "CO2",        0, ION_CO3,  -1,       0,  2, -1, SIZE_DAVIES, 0.066,
        { 464.1965, 0.09344813, -26986.16, -165.75951, 2248628.9, 0.0 } },
    [SP_NH3]     = { "NH3",        0, ION_NH4,  -1,       0, -1,  0, SIZE_DAVIES, B_NEUTRAL,
        { 0.6322, -0.001225, -2835.76, 0.0, 0.0, 0.0 } }, /* R. G. Bates, G. D. Pinching 1949 */
    [SP_NH4SO4]  = { "NH4SO4-",   -1, ION_SO4,  ION_NH4,  1,  0,  0, SIZE_7,     -7.36e-2, HOFF(1.353, 3.91 * KCAL) },
    [SP_HSO4]    = { "HSO4-",     -1, ION_SO4,  -1,       0,  1,  0, SIZE_DAVIES, 0.0,
        { -56.889, 0.006473, 2307.9, 19.8858, 0.0, 0.0 } }, /* D. K. Nordstrom et al. 1990 */
    [SP_H2BO3]   = { "B(OH)4-",   -1, ION_BO3,  -1,       0, -1,  1, SIZE_DAVIES, 0.0,     HOFF(-9.24, 3.224 * KCAL) },
    [SP_H3SIO4]  = { "H3SiO4-",   -1, ION_SIO3, -1,       0, -1,  0, SIZE_4,      0.0,
        { -302.3724, -0.050698, 15669.69, 108.18466, -1119669.0, 0.0 } },
    [SP_HMOO4]   = { "HMoO4-",    -1, ION_MOO4, -1,       0,  1,  0, SIZE_DAVIES, 0.0,     HOFF(4.2988, 20.0) },

    [SP_HPO4]    = { "HPO4-2",    -2, ION_PO4,  -1,       0,  1,  0, SIZE_5,      0.0,     HOFF(12.346, -3.53 * KCAL) },
    [SP_H2PO4]   = { "H2PO4-",    -1, SP_HPO4,  -1,       0,  1,  0, SIZE_5_4,    0.0,
        { -5.3541 + 0.0065, 0.01984, 1979.5, 0.0, 0.0, 0.0 } },
    [SP_H3PO4]   = { "H3PO4",      0, SP_H2PO4, -1,       0,  1,  0, SIZE_DAVIES, B_NEUTRAL, HOFF(2.168, -10.1 + 4.52 * KCAL) },

    [SP_HCIT]    = { "HCit-2",    -2, ION_CIT,  -1,       0,  1,  0, SIZE_DAVIES, 0.0,     HOFF(6.396, 3.3472) },
    [SP_H2CIT]   = { "H2Cit-",    -1, ION_CIT,  -1,       0,  2,  0, SIZE_DAVIES, 0.0,     HOFF(11.157, 1.297) },
    [SP_H3CIT]   = { "H3Cit",      0, ION_CIT,  -1,       0,  3,  0, SIZE_DAVIES, B_NEUTRAL, HOFF(14.285, -2.7614) },

    [SP_CAOH]    = { "CaOH+",      1, ION_CA,   -1,       0, -1,  1, SIZE_DAVIES, 0.0,     FLAT(-12.78) },
    [SP_CACO3]   = { "CaCO3",      0, ION_CO3,  ION_CA,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL,
        { -1228.732, -0.29944, 35512.75, 485.818, 0.0, 0.0 } },
    [SP_CAHCO3]  = { "CaHCO3+",    1, ION_CO3,  ION_CA,   1,  1,  0, SIZE_6,      0.0,
        { 56.273, -4.1779e-2, -11194.0, 0.0, 0.0, 0.0 } },
    [SP_CASO4]   = { "CaSO4",      0, ION_SO4,  ION_CA,   1,  0,  0, SIZE_DAVIES, 4.45e-2,
        { 1.478, 8.29e-3, -538.2, 0.0, 0.0, 0.0 } },
    [SP_CAHSO4]  = { "CaHSO4+",    1, SP_HSO4,  ION_CA,   1,  0,  0, SIZE_DAVIES, 0.0,     FLAT(1.08) },
    [SP_CAPO4]   = { "CaPO4-",    -1, ION_PO4,  ION_CA,   1,  0,  0, SIZE_5_4,    0.0,     HOFF(6.459, 3.1 * KCAL) },
    [SP_CAHPO4]  = { "CaHPO4",     0, SP_HPO4,  ION_CA,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL, HOFF(2.739, 3.3 * KCAL) },
    [SP_CAH2PO4] = { "CaH2PO4+",   1, SP_H2PO4, ION_CA,   1,  0,  0, SIZE_5_4,    0.0,     HOFF(1.408, 3.4 * KCAL) },
    [SP_CACIT]   = { "CaCit-",    -1, ION_CIT,  ION_CA,   1,  0,  0, SIZE_DAVIES, 0.0,     HOFF(4.87, -8.368) },
    [SP_CAHCIT]  = { "CaHCit",     0, ION_CIT,  ION_CA,   1,  1,  0, SIZE_DAVIES, B_NEUTRAL, HOFF(9.26, -0.8368) },
    [SP_CAH2CIT] = { "CaH2Cit+",   1, ION_CIT,  ION_CA,   1,  2,  0, SIZE_DAVIES, 0.0,     FLAT(12.257) },

    [SP_MGOH]    = { "MgOH+",      1, ION_MG,   -1,       0, -1,  1, SIZE_6_5,    0.0,     HOFF(-11.44, 15.952 * KCAL) },
    [SP_MGCO3]   = { "MgCO3",      0, ION_CO3,  ION_MG,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL,
        { 0.991, 0.00667, 0.0, 0.0, 0.0, 0.0 } },
    [SP_MGHCO3]  = { "MgHCO3+",    1, ION_CO3,  ION_MG,   1,  1,  0, SIZE_4,      0.0,
        { 48.6721, 0.03252849, -2614.335, -18.00263, 563713.9, 0.0 } },
    [SP_MGSO4]   = { "MgSO4",      0, ION_SO4,  ION_MG,   1,  0,  0, SIZE_DAVIES, 0.20,
        { 0.0, 9.64e-3, -136.0, 0.0, 0.0, 0.0 } },
    [SP_MG_SO4_2] = { "Mg(SO4)2-2", -2, SP_MGSO4, ION_SO4, 1, 0,  0, SIZE_7,      0.047,
        { 0.0, -1.51e-3, 0.0, 0.0, 8.604e4, 0.0 } },
    [SP_MGPO4]   = { "MgPO4-",    -1, ION_PO4,  ION_MG,   1,  0,  0, SIZE_5_4,    0.0,     HOFF(6.589, 3.1 * KCAL) },
    [SP_MGHPO4]  = { "MgHPO4",     0, SP_HPO4,  ION_MG,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL, HOFF(2.87, 3.3 * KCAL) },
    [SP_MGH2PO4] = { "MgH2PO4+",   1, SP_H2PO4, ION_MG,   1,  0,  0, SIZE_5_4,    0.0,     HOFF(1.513, 3.4 * KCAL) },
    [SP_MGCIT]   = { "MgCit-",    -1, ION_CIT,  ION_MG,   1,  0,  0, SIZE_DAVIES, 0.0,     HOFF(4.89, 8.368) },
    [SP_MGHCIT]  = { "MgHCit",     0, ION_CIT,  ION_MG,   1,  1,  0, SIZE_DAVIES, B_NEUTRAL, HOFF(8.91, 3.3472) },
    [SP_MGH2CIT] = { "MgH2Cit+",   1, ION_CIT,  ION_MG,   1,  2,  0, SIZE_DAVIES, 0.0,     FLAT(12.2) },

    [SP_NAHCO3]  = { "NaHCO3",     0, SP_HCO3,  ION_NA,   1,  0,  0, SIZE_DAVIES, 0.151,
        { -3.589, 7.94e-3, 273.0, 0.0, 0.0, 0.0 } },
    [SP_NASO4]   = { "NaSO4-",    -1, ION_SO4,  ION_NA,   1,  0,  0, SIZE_3_5,    0.1072,
        { -0.304, 4.51e-3, -28.9, 0.0, 0.0, 0.0 } },
    [SP_NA2SO4]  = { "Na2SO4",     0, ION_SO4,  ION_NA,   2,  0,  0, SIZE_DAVIES, 8.85e-2,
        { 15.432, -5.75e-3, -4796.0, 0.0, 0.0, 0.0 } },
    [SP_NAHPO4]  = { "NaHPO4-",   -1, SP_HPO4,  ION_NA,   1,  0,  0, SIZE_5_4,    0.0,     FLAT(0.29) },
    [SP_NACIT]   = { "NaCit-2",   -2, ION_CIT,  ION_NA,   1,  0,  0, SIZE_DAVIES, 0.0,     HOFF(1.03, -2.8033) },
    [SP_KHCO3]   = { "KHCO3",      0, SP_HCO3,  ION_K,    1,  0,  0, SIZE_DAVIES, 0.1,     HOFF(-0.35, 12.0) },
    [SP_KSO4]    = { "KSO4-",     -1, ION_SO4,  ION_K,    1,  0,  0, SIZE_5_4,    0.19,
        { -3.0246, 9.986e-3, 0.0, 0.0, 1.093e5, 0.0 } },
    [SP_KHPO4]   = { "KHPO4-",    -1, SP_HPO4,  ION_K,    1,  0,  0, SIZE_5_4,    0.0,     FLAT(0.29) },
    [SP_KCIT]    = { "KCit-2",    -2, ION_CIT,  ION_K,    1,  0,  0, SIZE_DAVIES, 0.0,     HOFF(1.1, 5.4392) },

    [SP_MNOH]    = { "MnOH+",      1, ION_MN,   -1,       0, -1,  1, SIZE_5,      0.0,     HOFF(-10.59, 14.4 * KCAL) },
    [SP_MNCO3]   = { "MnCO3",      0, ION_CO3,  ION_MN,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL, FLAT(4.9) },
    [SP_MNHCO3]  = { "MnHCO3+",    1, SP_HCO3,  ION_MN,   1,  0,  0, SIZE_5,      0.0,     FLAT(1.95) },
    [SP_MNSO4]   = { "MnSO4",      0, ION_SO4,  ION_MN,   1,  0,  0, SIZE_DAVIES, -0.098,  HOFF(1.408, 21.55) },
    [SP_MNCL]    = { "MnCl+",      1, ION_CL,   ION_MN,   1,  0,  0, SIZE_5,      0.0,     FLAT(0.61) },
    [SP_ZNOH]    = { "ZnOH+",      1, ION_ZN,   -1,       0, -1,  1, SIZE_DAVIES, 0.0,     HOFF(-8.96, 13.4 * KCAL) },
    [SP_ZN_OH_2] = { "Zn(OH)2",    0, ION_ZN,   -1,       0, -2,  2, SIZE_DAVIES, B_NEUTRAL, FLAT(-16.9) },
    [SP_ZNCO3]   = { "ZnCO3",      0, ION_CO3,  ION_ZN,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL, FLAT(5.3) },
    [SP_ZNHCO3]  = { "ZnHCO3+",    1, SP_HCO3,  ION_ZN,   1,  0,  0, SIZE_DAVIES, 0.0,     FLAT(2.1) },
    [SP_ZNSO4]   = { "ZnSO4",      0, ION_SO4,  ION_ZN,   1,  0,  0, SIZE_DAVIES, 0.1,     HOFF(2.26, 16.15) },
    [SP_ZN_SO4_2] = { "Zn(SO4)2-2", -2, ION_ZN, ION_SO4,  2,  0,  0, SIZE_0_59,   0.1,     HOFF(1.15, 17.52) },
    [SP_ZNCL]    = { "ZnCl+",      1, ION_CL,   ION_ZN,   1,  0,  0, SIZE_4,      0.0,     HOFF(0.43, 7.79 * KCAL) },
    [SP_CUOH]    = { "CuOH+",      1, ION_CU,   -1,       0, -1,  1, SIZE_4,      0.0,     FLAT(-8.0) },
    [SP_CU_OH_2] = { "Cu(OH)2",    0, ION_CU,   -1,       0, -2,  2, SIZE_DAVIES, B_NEUTRAL, FLAT(-13.68) },
    [SP_CUCO3]   = { "CuCO3",      0, ION_CO3,  ION_CU,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL, FLAT(6.73) },
    [SP_CUHCO3]  = { "CuHCO3+",    1, SP_HCO3,  ION_CU,   1,  0,  0, SIZE_DAVIES, 0.0,     FLAT(2.7) },
    [SP_CUSO4]   = { "CuSO4",      0, ION_SO4,  ION_CU,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL, HOFF(2.31, 1.22 * KCAL) },
    [SP_CUCL]    = { "CuCl+",      1, ION_CL,   ION_CU,   1,  0,  0, SIZE_4,      0.0,     HOFF(0.43, 8.65 * KCAL) },
    [SP_FEOH]    = { "FeOH+",      1, ION_FE,   -1,       0, -1,  1, SIZE_5,      0.0,     HOFF(-9.5, 13.2 * KCAL) },
    [SP_FECO3]   = { "FeCO3",      0, ION_CO3,  ION_FE,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL, FLAT(4.38) },
    [SP_FEHCO3]  = { "FeHCO3+",    1, SP_HCO3,  ION_FE,   1,  0,  0, SIZE_DAVIES, 0.0,     FLAT(2.0) },
    [SP_FESO4]   = { "FeSO4",      0, ION_SO4,  ION_FE,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL, HOFF(2.25, 3.23 * KCAL) },
    [SP_FEHPO4]  = { "FeHPO4",     0, SP_HPO4,  ION_FE,   1,  0,  0, SIZE_DAVIES, B_NEUTRAL, FLAT(3.6) },
    [SP_FEH2PO4] = { "FeH2PO4+",   1, SP_H2PO4, ION_FE,   1,  0,  0, SIZE_5_4,    0.0,     FLAT(2.7) },
    [SP_FECL]    = { "FeCl+",      1, ION_CL,   ION_FE,   1,  0,  0, SIZE_DAVIES, 0.0,     FLAT(0.14) },
};
/* clang-format on */

enum { PARENTS_MAX = 4 }; /* a chain of reactions is at most this long */

struct kelvin kelvin_at(double degc)
{
    const double t = degc + 273.15;
    return (struct kelvin){ t, 1.0 / t, real_log10(t), 1.0 / (t * t), t * t };
}

double log_k_at(const struct log_k *k, const struct kelvin *kelvin)
{
    return k->a + k->b * kelvin->t + k->c * kelvin->per_t + k->d * kelvin->log_t +
           k->e * kelvin->per_t2 + k->f * kelvin->t2;
}

double ion_size_angstrom(enum ion_size size)
{
    INVARIANT(size < SIZE_COUNT);
    return sizes[size];
}

const struct species_row *species_row(enum species s)
{
    INVARIANT(s < SPECIES_COUNT);
    return &rows[s];
}

static void take(struct species_make *make, int8_t ion, int8_t count)
{
    for (int8_t i = 0; i < make->ions; i++) {
        if (make->ion[i] != ion) continue;
        make->of[i] = (int8_t)(make->of[i] + count);
        return;
    }
    INVARIANT(make->ions < 2);
    make->ion[make->ions] = ion;
    make->of[make->ions] = count;
    make->ions++;
}

struct species_make species_make(enum species s)
{
    struct species_make make = { 0 };
    int8_t at = (int8_t)s;
    for (int i = 0; i < PARENTS_MAX && at >= 0; i++) {
        const struct species_row *row = species_row((enum species)at);
        make.h = (int8_t)(make.h + row->h);
        make.h2o = (int8_t)(make.h2o + row->h2o);
        if (row->ion >= 0) take(&make, row->ion, row->ions);
        if (row->parent < 0 && at < ION_COUNT) take(&make, at, 1);
        at = row->parent;
    }
    INVARIANT(at < 0);
    return make;
}

double species_log_k(enum species s, const struct kelvin *kelvin)
{
    double log_k = 0.0;
    int8_t at = (int8_t)s;
    for (int i = 0; i < PARENTS_MAX && at >= 0; i++) {
        const struct species_row *row = species_row((enum species)at);
        log_k += log_k_at(&row->log_k, kelvin);
        at = row->parent;
    }
    return log_k;
}
