#include "lib/base/real.h"

#include <math.h>
#include <string.h>

/* ln 2 in two parts: the first has its low 32 bits clear, so that n * LN2_HIGH is exact for |n| up
 * to 2^20 (W. J. Cody, W. Waite, "Software manual for the elementary functions", 1980; from
 * memory). */
static const double LN2_HIGH = 6.93147180369123816490e-01;
static const double LN2_LOW = 1.90821492927058770002e-10;
static const double LN10 = 2.302585092994045684018;

enum { EXPONENT_BIAS = 1023, SERIES_TERMS = 13, LOG_TERMS = 12 };

/* 2^n for n in the normal range. */
static double power_of_two(int n)
{
    const uint64_t bits = (uint64_t)(n + EXPONENT_BIAS) << 52;
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

/* x * 2^n in two steps, so that results below the normal range are reached too. */
static double scale(double x, int n)
{
    if (n > 1023) return x * power_of_two(1023) * power_of_two(n - 1023);
    if (n < -1022) return x * power_of_two(-1022) * power_of_two(n + 1022);
    return x * power_of_two(n);
}

/* x = n ln 2 + r with |r| at most half of ln 2; e^r by its series, highest term first. */
double real_exp(double x)
{
    if (isnan(x)) return x;
    if (x > 709.78) return HUGE_VAL;
    if (x < -745.0) return 0.0;
    const int n = (int)floor(x / (LN2_HIGH + LN2_LOW) + 0.5);
    const double r = (x - n * LN2_HIGH) - n * LN2_LOW;
    double sum = 0.0;
    for (int k = SERIES_TERMS; k >= 2; k--) {
        sum = (sum + 1.0) * r / k;
    }
    return scale(1.0 + (r + r * sum), n);
}

/* x = 2^n m with m between sqrt(1/2) and sqrt(2); ln m = 2 artanh((m - 1) / (m + 1)). */
double real_log(double x)
{
    if (isnan(x) || x < 0.0) return (double)NAN;
    if (x <= 0.0) return -HUGE_VAL;
    if (isinf(x)) return x;
    int n = 0;
    if (x < 0x1p-1000) { /* out of the subnormal range */
        x *= 0x1p100;
        n = -100;
    }
    uint64_t bits;
    memcpy(&bits, &x, sizeof bits);
    n += (int)(bits >> 52) - EXPONENT_BIAS;
    bits = (bits & UINT64_C(0x000fffffffffffff)) | ((uint64_t)EXPONENT_BIAS << 52);
    double m;
    memcpy(&m, &bits, sizeof m);
    if (m > 1.4142135623730951) {
        m *= 0.5;
        n++;
    }
    const double f = m - 1.0;
    const double s = f / (2.0 + f);
    const double z = s * s;
    double sum = 0.0;
    for (int k = LOG_TERMS; k >= 1; k--) {
        sum = (sum + 1.0 / (2 * k + 1)) * z;
    }
    return n * LN2_HIGH + (2.0 * s + (2.0 * s * sum + n * LN2_LOW));
}

double real_log10(double x)
{
    return real_log(x) / LN10;
}

double real_pow10(double x)
{
    return real_exp(x * LN10);
}

double real_pow(double base, double x)
{
    if (base <= 0.0) return base < 0.0 ? (double)NAN : 0.0;
    return real_exp(x * real_log(base));
}
