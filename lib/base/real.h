/* exp, log, log10, powers: the same bits on every machine. The C library's own differ between
 * versions and processors by an ulp, which is enough to turn a decision; these use only the IEEE
 * 754 operations + - * /, rounded to nearest and never fused (-ffp-contract=off).
 *
 * Errors, measured by tests/unit/base/real_test.c against the C library's long double: at most
 * 0.75 ulp (exp), 0.66 (powers), 0.51 (logarithms); 1 is promised and tested. A result that is
 * exactly a double is exact (pow10(3) is 1000). Results below 2.3e-308 lose digits as IEEE 754's
 * subnormals do.
 *
 * Not-a-number gives not-a-number; too large gives infinity, too small 0. */
#ifndef DOSEWRIGHT_BASE_REAL_H
#define DOSEWRIGHT_BASE_REAL_H

/* e to the x, and 10 to the x. */
double real_exp(double x);
double real_pow10(double x);

/* Natural and decimal logarithm; of 0: minus infinity, of less: not a number. */
double real_log(double x);
double real_log10(double x);

/* x to the y for x >= 0; not a number for x < 0. As in C: anything to the 0 is 1, 0 to a negative
 * power is infinity. */
double real_pow(double x, double y);

#endif
