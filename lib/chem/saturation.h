/* What would fall out of a solution: saturation indices, amounts, and crystals in the cold.
 *
 * A saturation index is log10 of (ion activity product / solubility product): 0 in balance, above 0
 * the solid can form. How fast is another matter: calcium phosphates and calcite wait for hours or
 * days at 0.5, gypsum falls within minutes at 1.
 *
 * The very soluble salts of stock tanks are another case. At several mol/kg no activity of
 * activity.h holds, so the stock is held against the saturated solution of the pure salt, whose
 * concentration is in the handbooks: the product of mol/kg of both ions over that of the saturated
 * solution. For a pure salt that is exact; in a mixture the common ion counts in full, and that
 * other ions raise or lower a solubility (by a tenth or two) is left out.
 */
#ifndef DOSEWRIGHT_CHEM_SATURATION_H
#define DOSEWRIGHT_CHEM_SATURATION_H

#include "lib/chem/equilibrium.h"

enum solid {
    SOLID_GYPSUM,         /* CaSO4.2H2O */
    SOLID_BRUSHITE,       /* CaHPO4.2H2O */
    SOLID_MONETITE,       /* CaHPO4 */
    SOLID_OCP,            /* Ca4H(PO4)3.3H2O, octacalcium phosphate */
    SOLID_HYDROXYAPATITE, /* Ca5(PO4)3OH */
    SOLID_STRUVITE,       /* MgNH4PO4.6H2O */
    SOLID_CALCITE,        /* CaCO3 */
    SOLID_BRUCITE,        /* Mg(OH)2 */
    SOLID_NITER,          /* KNO3; see salt_saturation for stocks */
    SOLID_ARCANITE,       /* K2SO4; the same */
    SOLID_EPSOMITE,       /* MgSO4.7H2O; the same */
    SOLID_COUNT
};

/* "gypsum", and "CaSO4.2H2O". */
const char *solid_word(enum solid solid);
const char *solid_formula(enum solid solid);

/* log10 of the solubility product as its source writes the reaction (saturation.c). */
double solid_log_k(enum solid solid, double degc);

#define SATURATION_NONE (-999.0) /* an ion of the solid isn't there */

/* log10 IAP/K at the equilibrium's temperature. */
double saturation_index(const struct equilibrium *e, enum solid solid);

enum { SATURATION_SOLIDS_MAX = 4, SATURATION_SWEEPS_MAX = 60 };

struct fall {
    uint32_t count; /* of solids that may form, at most SATURATION_SOLIDS_MAX */
    enum solid solid[SATURATION_SOLIDS_MAX];
    double mmol_l[SATURATION_SOLIDS_MAX]; /* how much of each, per litre of the start */
    struct water left;                    /* what stays dissolved */
    struct equilibrium end;
};

/* Lets 'ret->count' solids, 'ret->solid', form until none is oversaturated. The water that hydrates
 * take along is left out. */
enum err saturation_fall(struct fall *ret, const struct water *water, double degc,
    const struct air *air, struct problem *problem) __attribute__((warn_unused_result));

/* --- crystals in a stock tank ----------------------------------------------------------------- */

enum stock_crystal {
    CRYSTAL_KNO3,
    CRYSTAL_K2SO4,
    CRYSTAL_KH2PO4,
    CRYSTAL_NH4H2PO4,
    CRYSTAL_MGSO4, /* the heptahydrate */
    CRYSTAL_CANO3, /* Ca(NO3)2, tetrahydrate */
    CRYSTAL_MGNO3, /* Mg(NO3)2, hexahydrate */
    CRYSTAL_NH4NO3,
    CRYSTAL_NH4SO4, /* (NH4)2SO4 */
    CRYSTAL_KCL,
    CRYSTAL_K2CO3,
    CRYSTAL_KHCO3,
    CRYSTAL_H3BO3,
    CRYSTAL_COUNT
};

/* "KNO3". */
const char *crystal_word(enum stock_crystal crystal);

/* Solubility of the pure salt, g of the anhydrous salt in 100 g of water, 0 to 40 degC (CRC
 * Handbook; saturation_salt.c). */
double crystal_solubility_g_100g(enum stock_crystal crystal, double degc);

struct crystals {
    bool any;                   /* does something crystallise at that temperature? */
    enum stock_crystal crystal; /* what comes closest, or is furthest over */
    double index;               /* log10 of its ion product over that of its saturated solution */
    double share;               /* of that salt's scarcer ion that crystallises, 0 to 1 */
    double mmol_l;              /* of that salt */
    double clear_from_degc;     /* it stays clear from here up, 0 to 40; 41: not up to 40 */
};

/* Looks at a stock of this composition stored at this temperature, 0 to 40 degC. */
enum err stock_crystallises(struct crystals *ret, const struct water *stock, double degc,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
