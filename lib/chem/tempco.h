/* Bringing a conductivity to 25 degC.
 *
 * A line: EC25 = EC / (1 + a (T - 25)); a between 1.9 and 2.0 % per degC suits nutrient solutions
 * and potassium chloride near 25 degC.
 *
 * The nutrient curve: EC25 = EC / (1 + 0.0202 d + 3.8e-5 d^2) with d = T - 25. It was fitted here
 * to 230 nutrient solutions, a quarter to twice the usual strength, computed with USGS
 * PHREEQC 3.8.9 at 5 to 35 degC: within 0.7 % of each from 15 to 30 degC, 1 % at 10 and 35, 1.6 %
 * at 5.
 *
 * Fresh water: EC25 = EC * f25(T) of ISO 7888:1985 (EN 27888), for ground and surface water of 60
 * to 1000 uS/cm. The table is from two instruments' manuals that quote it and agree; between whole
 * degrees a straight line, 0.04 % off at most. */
#ifndef DOSEWRIGHT_CHEM_TEMPCO_H
#define DOSEWRIGHT_CHEM_TEMPCO_H

#include "lib/base/units.h"

enum tempco { TEMPCO_LINEAR, TEMPCO_NUTRIENT, TEMPCO_FRESH_WATER };

/* Where they hold. */
#define TEMPCO_LINEAR_LEAST_DEGC 0.0
#define TEMPCO_LINEAR_MOST_DEGC 50.0
#define TEMPCO_NUTRIENT_LEAST_DEGC 2.0
#define TEMPCO_NUTRIENT_MOST_DEGC 38.0
#define TEMPCO_FRESH_LEAST_DEGC 0.0
#define TEMPCO_FRESH_MOST_DEGC 35.0

/* EC at 'degc' is this many times the EC at 25. 'percent_per_degc' (0 to 4) is for TEMPCO_LINEAR
 * only. False outside the temperatures and coefficients named, and for what isn't a number. */
bool tempco_ratio(double *ret, enum tempco kind, double percent_per_degc, double degc);

/* A reading at 'degc', brought to 25. False as above. */
bool tempco_to_25(
    double *ret_us_cm, enum tempco kind, double percent_per_degc, double degc, double us_cm);

#endif
