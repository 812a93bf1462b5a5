#include "lib/chem/practice.h"

#include <math.h>

#include "lib/base/real.h"

#define ZERO_DEGC_K 273.15
#define KPA_PER_ATM 101.325
#define QUARTER_PI 0.78539816339744830962
#define NOT_A_NUMBER ((double)NAN)

static bool is_within(double x, double least, double most)
{
    return x >= least && x <= most; /* false for NaN */
}

/* --- water and solution ----------------------------------------------------------------------- */

double practice_dilution_l_per_l(double from, double to, double with)
{
    if (!(from >= 0.0 && to >= 0.0 && with >= 0.0)) return NOT_A_NUMBER;
    const bool down = with < to && to <= from, up = with > to && to >= from;
    return down || up ? (from - to) / (to - with) : NOT_A_NUMBER;
}

double practice_parts_ml(double volume_l, double rise, double full, double factor)
{
    if (!(volume_l >= 0.0 && rise >= 0.0 && full > 0.0 && factor >= 1.0)) return NOT_A_NUMBER;
    return 1000.0 * volume_l * rise / full / factor;
}

double practice_tube_ml(double bore_mm, double length_m)
{
    if (!is_within(bore_mm, 0.0, 100.0) || !is_within(length_m, 0.0, 1000.0)) return NOT_A_NUMBER;
    return QUARTER_PI * bore_mm * bore_mm * length_m; /* mm2 times m is mL */
}

double practice_mixed_share(double turnovers)
{
    return turnovers >= 0.0 ? 1.0 - real_exp(-turnovers) : NOT_A_NUMBER;
}

double practice_turnovers_for(double share)
{
    return share >= 0.0 && share < 1.0 ? 0.0 - real_log(1.0 - share) : NOT_A_NUMBER;
}

/* --- air and light ---------------------------------------------------------------------------- */

/* Ratio to the standard atmosphere: P ((1 - Pw/P)(1 - tP)) / ((1 - Pw)(1 - t)), P in atm. */
static double oxygen_pressure_factor(double degc, double atm)
{
    const double k = degc + ZERO_DEGC_K;
    const double water = real_exp(11.8571 - 3840.70 / k - 216961.0 / (k * k));
    const double t = 0.000975 - 1.426e-5 * degc + 6.436e-8 * degc * degc;
    return (atm - water) * (1.0 - t * atm) / ((1.0 - water) * (1.0 - t));
}

double practice_oxygen_mg_l(double degc, double kpa)
{
    if (!is_within(degc, 0.0, 40.0) || !is_within(kpa, 50.0, 120.0)) return NOT_A_NUMBER;
    const double k = degc + ZERO_DEGC_K;
    const double ln =
        -139.34411 + (1.575701e5 + (-6.642308e7 + (1.243800e10 - 8.621949e11 / k) / k) / k) / k;
    return real_exp(ln) * oxygen_pressure_factor(degc, kpa / KPA_PER_ATM);
}

double practice_vapour_kpa(double degc)
{
    if (!is_within(degc, -20.0, 60.0)) return NOT_A_NUMBER;
    return 0.6108 * real_exp(17.27 * degc / (degc + 237.3));
}

double practice_vpd_kpa(double degc, double humidity_percent, double leaf_degc)
{
    if (!is_within(humidity_percent, 0.0, 100.0)) return NOT_A_NUMBER;
    return practice_vapour_kpa(leaf_degc) - practice_vapour_kpa(degc) * humidity_percent / 100.0;
}

double practice_dli_mol_m2(double umol_m2_s, double hours)
{
    if (!is_within(umol_m2_s, 0.0, 3000.0) || !is_within(hours, 0.0, 24.0)) return NOT_A_NUMBER;
    return umol_m2_s * hours * 3600.0 / 1e6;
}

/* --- units ------------------------------------------------------------------------------------ */

double practice_mg_l_from_oz_100_gal(double oz)
{
    return oz * PRACTICE_G_PER_OZ * 1000.0 / (100.0 * PRACTICE_L_PER_US_GAL);
}

double practice_ml_l_from_fl_oz_100_gal(double fl_oz)
{
    return fl_oz * PRACTICE_ML_PER_US_FL_OZ / (100.0 * PRACTICE_L_PER_US_GAL);
}

double practice_nutrient_mg_l(double fertiliser_mg_l, double percent)
{
    return fertiliser_mg_l * percent / 100.0;
}

double practice_fertiliser_mg_l(double nutrient_mg_l, double percent)
{
    return percent > 0.0 && percent <= 100.0 ? nutrient_mg_l * 100.0 / percent : NOT_A_NUMBER;
}
