/* What the dissolved ions turn into: acids and their anions, and pairs of ions; the constants that
 * say how much of each, and how they depend on temperature.
 *
 * A species is made from an earlier one (its parent) and one more ion, H+ or H2O, with the constant
 * of that reaction as it stands in the literature; how many of each component it holds follows.
 * The free ions come first, in the order of enum ion.
 *
 * Sources. Constants, their temperature functions, ion sizes and b of the activity coefficients
 * are those of phreeqc.dat of PHREEQC 3.8.9 (U.S. Geological Survey, public domain), read there,
 * unless the row in species.c says otherwise. That file gives for its carbonate constants L. N.
 * Plummer and E. Busenberg, Geochim. Cosmochim. Acta 46 (1982) 1011. Citrate and molybdate:
 * minteq.v4.dat of the same program (NIST 46.2, SCD 2.62). The second constant of phosphoric acid
 * has the temperature function of R. G. Bates and S. F. Acree, J. Res. NBS 34 (1945) 373 (from
 * memory), lifted by 0.0065 to meet the database's at 25 degC: it follows the phosphate buffers of
 * NBS better below 12 and above 38 degC.
 *
 * Fit for 0 to 50 degC; pressure 1 atm. */
#ifndef DOSEWRIGHT_CHEM_SPECIES_H
#define DOSEWRIGHT_CHEM_SPECIES_H

#include "lib/chem/water.h"

enum species {
    /* 0 to ION_COUNT - 1: the free ions K+, Na+, NH4+, Ca+2 ... as in enum ion; those are PO4-3,
     * CO3-2, Cit-3, H3BO3, H4SiO4 */
    SP_H = ION_COUNT,
    SP_OH,
    SP_HCO3,
    SP_CO2,
    SP_NH3,
    SP_NH4SO4,
    SP_HSO4,
    SP_H2BO3, /* B(OH)4-, written as the databases write it */
    SP_H3SIO4,
    SP_HMOO4,
    SP_HPO4,
    SP_H2PO4,
    SP_H3PO4,
    SP_HCIT,
    SP_H2CIT,
    SP_H3CIT,
    SP_CAOH,
    SP_CACO3,
    SP_CAHCO3,
    SP_CASO4,
    SP_CAHSO4,
    SP_CAPO4,
    SP_CAHPO4,
    SP_CAH2PO4,
    SP_CACIT,
    SP_CAHCIT,
    SP_CAH2CIT,
    SP_MGOH,
    SP_MGCO3,
    SP_MGHCO3,
    SP_MGSO4,
    SP_MG_SO4_2,
    SP_MGPO4,
    SP_MGHPO4,
    SP_MGH2PO4,
    SP_MGCIT,
    SP_MGHCIT,
    SP_MGH2CIT,
    SP_NAHCO3,
    SP_NASO4,
    SP_NA2SO4,
    SP_NAHPO4,
    SP_NACIT,
    SP_KHCO3,
    SP_KSO4,
    SP_KHPO4,
    SP_KCIT,
    SP_MNOH,
    SP_MNCO3,
    SP_MNHCO3,
    SP_MNSO4,
    SP_MNCL,
    SP_ZNOH,
    SP_ZN_OH_2,
    SP_ZNCO3,
    SP_ZNHCO3,
    SP_ZNSO4,
    SP_ZN_SO4_2,
    SP_ZNCL,
    SP_CUOH,
    SP_CU_OH_2,
    SP_CUCO3,
    SP_CUHCO3,
    SP_CUSO4,
    SP_CUCL,
    SP_FEOH,
    SP_FECO3,
    SP_FEHCO3,
    SP_FESO4,
    SP_FEHPO4,
    SP_FEH2PO4,
    SP_FECL,
    SPECIES_COUNT
};

/* log10 K = a + b T + c / T + d log10 T + e / T^2 + f T^2, T in kelvin. */
struct log_k {
    double a, b, c, d, e, f;
};

/* The powers of T that every log_k needs, computed once. */
struct kelvin {
    double t, per_t, log_t, per_t2, t2;
};

/* For that temperature. */
struct kelvin kelvin_at(double degc);

/* log10 K at that temperature. */
double log_k_at(const struct log_k *k, const struct kelvin *kelvin);

/* Ion sizes of the activity coefficient: log10 gamma = -A z^2 sqrt I / (1 + B a sqrt I) + b I.
 * Davies' equation is the one with B a = 1 and b = 0.3 A z^2. Uncharged: log10 gamma = b I. */
enum ion_size {
    SIZE_DAVIES,
    SIZE_0_59,
    SIZE_2_5,
    SIZE_3,
    SIZE_3_5,
    SIZE_3_63,
    SIZE_4,
    SIZE_4_08,
    SIZE_5,
    SIZE_5_4,
    SIZE_5_5,
    SIZE_6,
    SIZE_6_5,
    SIZE_7,
    SIZE_9,
    SIZE_COUNT
};

/* In angstrom; 0 for Davies. */
double ion_size_angstrom(enum ion_size size);

struct species_row {
    const char *word; /* "CaHPO4" */
    int8_t charge;    /* -3 to 2 */
    int8_t parent;    /* an earlier species; -1: none, a component */
    int8_t ion, ions; /* that many of this ion are added; -1, 0: none */
    int8_t h, h2o;    /* H+ and H2O taken up; negative: given off */
    enum ion_size size;
    double b;           /* of the activity coefficient */
    struct log_k log_k; /* of the reaction parent + ions + h H+ + h2o H2O = this */
};

/* The row of a species; the components' rows have no reaction. */
const struct species_row *species_row(enum species s);

/* What a species is made of, all reactions down to the components added up. */
struct species_make {
    int8_t ions;   /* how many kinds, at most 2 */
    int8_t ion[2]; /* which */
    int8_t of[2];  /* and how many of each */
    int8_t h, h2o; /* H+, H2O taken up in all */
};

/* Adds them up. */
struct species_make species_make(enum species s);

/* log10 of the overall constant, from the components, at that temperature. */
double species_log_k(enum species s, const struct kelvin *kelvin);

#endif
