/* The small sums of the trade, each with the equation it rests on. Arguments outside what is said
 * give NaN, so that nothing wrong is shown as a number. */
#ifndef DOSEWRIGHT_CHEM_PRACTICE_H
#define DOSEWRIGHT_CHEM_PRACTICE_H

#include "lib/base/units.h"

/* --- water and solution ----------------------------------------------------------------------- */

/* One litre of tank brought from EC 'from' to 'to' by water of EC 'with': how many litres of it.
 * Mass balance, EC taken as additive: (from - to) / (to - with). All in one unit; needs
 * with < to <= from, or with > to >= from (stock added to raise it). */
double practice_dilution_l_per_l(double from, double to, double with);

/* Of each part, mL into 'volume_l' to raise EC from 'from' to 'to', when full strength adds
 * 'full' to the EC of the water and takes 1/factor of each part: 1000 V (to - from) / full /
 * factor. The volume added is neglected. */
double practice_parts_ml(double volume_l, double rise, double full, double factor);

/* mL inside a round tube: pi/4 d^2 length. Bore 0 to 100 mm, length 0 to 1000 m. */
double practice_tube_ml(double bore_mm, double length_m);

/* Share of the way to the mixed state after so many turnovers (flow * time / volume) of a tank that
 * is stirred well: 1 - exp(-n), the dilution law of Gage and Bidwell (1926). */
double practice_mixed_share(double turnovers);

/* And how many turnovers that takes: -ln(1 - share); share 0 to below 1. */
double practice_turnovers_for(double share);

/* --- air and light ---------------------------------------------------------------------------- */

/* Oxygen in fresh water in balance with moist air at a pressure of 'kpa' (50 to 120; 101.325 is the
 * standard atmosphere), mg/L, 0 to 40 degC. B. Benson and D. Krause, Limnol. Oceanogr. 29 (1984)
 * 620, as in Standard Methods 4500-O; its correction for pressure is from memory. */
double practice_oxygen_mg_l(double degc, double kpa);

/* Vapour pressure over water, kPa: O. Tetens (1930), as FAO Irrigation and Drainage Paper 56, eq.
 * 11 has it: 0.6108 exp(17.27 T / (T + 237.3)); -20 to 60 degC. */
double practice_vapour_kpa(double degc);

/* Deficit of air at 'degc' and 'humidity_percent' (0 to 100) against leaves of 'leaf_degc', kPa;
 * the usual figure takes the leaf at the temperature of the air. */
double practice_vpd_kpa(double degc, double humidity_percent, double leaf_degc);

/* Daily light integral, mol/m2: umol/m2/s * hours * 0.0036; 0 to 3000 umol, 0 to 24 h. */
double practice_dli_mol_m2(double umol_m2_s, double hours);

/* --- units ------------------------------------------------------------------------------------ */

#define PRACTICE_ML_PER_US_FL_OZ 29.5735295625
#define PRACTICE_L_PER_US_GAL 3.785411784
#define PRACTICE_G_PER_OZ 28.349523125
#define PRACTICE_MG_CACO3_PER_MEQ 50.0435 /* half the molar mass of CaCO3, 100.087 */

/* Ounces (weight) in 100 US gallons, as mg/L: 74.89. */
double practice_mg_l_from_oz_100_gal(double oz);

/* US fluid ounces in 100 US gallons, as mL in a litre. */
double practice_ml_l_from_fl_oz_100_gal(double fl_oz);

/* mg/L of a nutrient from a fertiliser with 'percent' of it, and back. */
double practice_nutrient_mg_l(double fertiliser_mg_l, double percent);
double practice_fertiliser_mg_l(double nutrient_mg_l, double percent);

#endif
