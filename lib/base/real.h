/* exp, log and their kin with the same bits on every machine: only additions, multiplications,
 * divisions and scaling by powers of two, in a fixed order. The C library's own may differ by a bit
 * between builds, and decisions must not.
 *
 * Accuracy: within 2 units in the last place of the C library's for exp and log over their range
 * (tests/unit/base/real_test.c measures it). */
#ifndef DOSEWRIGHT_BASE_REAL_H
#define DOSEWRIGHT_BASE_REAL_H

#include "lib/base/units.h"

/* e^x; 0 below -745, infinity above 709.78, not-a-number for not-a-number. */
double real_exp(double x);

/* Natural logarithm; -infinity for 0, not-a-number below 0. */
double real_log(double x);

double real_log10(double x);
double real_pow10(double x);

/* base^x for base > 0; 0 for base 0 and x > 0. */
double real_pow(double base, double x);

#endif
