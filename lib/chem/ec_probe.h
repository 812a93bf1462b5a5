/* An EC cell on the bench: its cell constant from a potassium chloride standard of known
 * conductivity at the bath's temperature, and whether that is still plausible.
 *
 *     constant = conductivity of the standard at the bath's temperature / conductance measured
 *
 * The reading must be a raw one, without temperature compensation; a meter that compensates is told
 * to stop, or its bath is held at 25 degC.
 *
 * Acceptance (common practice, no source; the constant of a sound cell doesn't move): within 10 %
 * of the nominal constant good, within 15 % worth watching, beyond 15 % coated or half dry: clean
 * it and look again, beyond 30 % refused. */
#ifndef DOSEWRIGHT_CHEM_EC_PROBE_H
#define DOSEWRIGHT_CHEM_EC_PROBE_H

#include "lib/base/problem.h"

enum ec_standard {
    EC_STANDARD_1413,  /* 0.01 mol/L: 1413 uS/cm at 25 degC; 5 to 30 degC */
    EC_STANDARD_2765,  /* 0.02 mol/L: 2765; 5 to 30 degC */
    EC_STANDARD_12880, /* 0.1 mol/L: 12880; 10 to 35 degC */
    EC_STANDARD_0_01M, /* 0.01 mol/kg of water: 1408.2, NIST; 10 to 30 degC */
    EC_STANDARD_0_1M,  /* 0.1 mol/kg: 12825, NIST; 10 to 30 degC */
    EC_STANDARD_COUNT,
};

/* "1413", "2765", "12880", "0.01-mol-kg", "0.1-mol-kg"; and back, false when the word isn't one. */
const char *ec_standard_word(enum ec_standard standard);
bool ec_standard_read(enum ec_standard *ret, const char *word);

/* Where its table comes from, in a few words. */
const char *ec_standard_basis(enum ec_standard standard);

/* The temperatures its table has. */
void ec_standard_range(double *ret_least_degc, double *ret_most_degc, enum ec_standard standard);

/* uS/cm at the bath's temperature, not compensated; NaN outside the table. Steps of 5 degC, a
 * parabola through the three nearest between them. */
double ec_standard_us_cm(enum ec_standard standard, double degc);

enum ec_verdict { EC_GOOD, EC_WATCH, EC_CLEAN, EC_REFUSED };

/* "good", "watch", "clean", "refused". */
const char *ec_verdict_word(enum ec_verdict verdict);

struct ec_bath {
    double us_cm;    /* true conductivity at the bath's temperature, > 0 */
    double shown;    /* uS, or uS/cm as the meter computed it */
    double constant; /* that the reading was computed with, 1/cm; 1 for a bare conductance */
    double nominal;  /* of the cell, 1/cm, > 0 */
};

/* The cell constant, 1/cm. ERR_RANGE for readings and constants that aren't above 0. */
enum err ec_calibrate(double *ret_constant, const struct ec_bath *bath, struct problem *problem)
    __attribute__((warn_unused_result));

/* Against the nominal constant. */
enum ec_verdict ec_judge(double constant, double nominal);

#endif
