/* Argument reduction and Taylor's series, with logarithms carried as the sum of two doubles.
 *
 * exp: x = k ln 2 + r, |r| <= ln 2 / 2; the series of e^r to r^13 leaves 4e-18.
 * log: x = 2^k m, m within [sqrt 1/2, sqrt 2); with s = (m - 1) / (m + 1), log m = 2 (s + s^3/3 +
 * s^5/5 ...), |s| <= 0.1716; to s^21 leaves 1e-18 of s. Its first terms are computed in double
 * double (T. J. Dekker, "A floating-point technique for extending the available precision", Numer.
 * Math. 18, 1971), so that y log x is good enough for a power. */
#include "lib/base/real.h"

#include <math.h>
#include <string.h>

#include "lib/base/units.h"

/* ln 2, log10 e, ln 10: 'high' + 'low' are good to 100 bits; 'high' of ln 2 ends in eleven zero
 * bits, so that a small integer times it is exact. Computed with 60 digits outside this program. */
static const double ln2_high = 0x1.62e42fefa3800p-1, ln2_low = 0x1.ef35793c76730p-45;
static const double log2_e = 0x1.71547652b82fep+0;
static const double log10_e_high = 0x1.bcb7b1526e50ep-2, log10_e_low = 0x1.95355baaafad3p-57;
static const double ln10_high = 0x1.26bb1bbb55516p+1, ln10_low = -0x1.f48ad494ea3e9p-53;

static const double exp_most = 709.8, exp_least = -745.2; /* beyond: infinity, 0 */

/* --- double double ---------------------------------------------------------------------------- */

struct pair { /* high + low, |low| at most half an ulp of high */
    double high, low;
};

/* |a| >= |b| */
static struct pair sum_ordered(double a, double b)
{
    const double high = a + b;
    return (struct pair){ high, b - (high - a) };
}

static struct pair sum(double a, double b)
{
    const double high = a + b, part = high - a;
    return (struct pair){ high, (a - (high - part)) + (b - part) };
}

/* Exactly, unless something over- or underflows. */
static struct pair product(double a, double b)
{
    const double split = 0x1p27 + 1.0;
    const double a_big = split * a, b_big = split * b;
    const double a1 = a_big - (a_big - a), b1 = b_big - (b_big - b);
    const double a2 = a - a1, b2 = b - b1;
    const double high = a * b;
    return (struct pair){ high, ((a1 * b1 - high) + a1 * b2 + a2 * b1) + a2 * b2 };
}

static struct pair pair_sum(struct pair a, struct pair b)
{
    const struct pair s = sum(a.high, b.high);
    return sum_ordered(s.high, s.low + (a.low + b.low));
}

static struct pair pair_product(struct pair a, struct pair b)
{
    const struct pair p = product(a.high, b.high);
    return sum_ordered(p.high, p.low + (a.high * b.low + a.low * b.high));
}

/* --- bits ------------------------------------------------------------------------------------- */

static double of_bits(uint64_t bits)
{
    double x;
    memcpy(&x, &bits, sizeof x);
    return x;
}

static double power_of_two(int64_t k) /* k from -1022 to 1023 */
{
    enum { BIAS = 1023, SHIFT = 52 };
    return of_bits((uint64_t)(k + BIAS) << SHIFT);
}

/* x times 2^k, rounded once; k from -2000 to 2000, x about 1 */
static double scale(double x, int64_t k)
{
    return x * power_of_two(k / 2) * power_of_two(k - k / 2);
}

/* --- exp -------------------------------------------------------------------------------------- */

/* e^r - 1 - r for |r| <= ln 2 / 2 */
static double exp_rest(double r)
{
    static const double one_over_factorial[] = { 1.0 / 6227020800.0, 1.0 / 479001600.0,
        1.0 / 39916800.0, 1.0 / 3628800.0, 1.0 / 362880.0, 1.0 / 40320.0, 1.0 / 5040.0, 1.0 / 720.0,
        1.0 / 120.0, 1.0 / 24.0, 1.0 / 6.0, 1.0 / 2.0 };
    double series = 0.0;
    for (size_t i = 0; i < sizeof one_over_factorial / sizeof one_over_factorial[0]; i++) {
        series = series * r + one_over_factorial[i];
    }
    return r * r * series;
}

static double exp_pair(struct pair x)
{
    if (isnan(x.high)) return x.high;
    if (x.high > exp_most) return (double)INFINITY;
    if (x.high < exp_least) return 0.0;
    const double k = floor(x.high * log2_e + 0.5);
    const struct pair r = sum(x.high - k * ln2_high, x.low - k * ln2_low);
    const struct pair one = sum_ordered(1.0, r.high);
    return scale(one.high + (one.low + (r.low + exp_rest(r.high))), (int64_t)k);
}

double real_exp(double x)
{
    return exp_pair((struct pair){ x, 0.0 });
}

double real_pow10(double x)
{
    const double beyond = 400.0;
    if (isnan(x)) return x;
    if (x > beyond) return (double)INFINITY;
    if (x < -beyond) return 0.0;
    const struct pair p = product(x, ln10_high);
    return exp_pair(sum_ordered(p.high, p.low + x * ln10_low));
}

/* --- log -------------------------------------------------------------------------------------- */

/* 2/5 + 2/7 z + 2/9 z^2 ...: log m = 2s + s z (2/3 + z times this), z = s^2 */
static double log_rest(double z)
{
    static const double two_over_odd[] = { 2.0 / 23, 2.0 / 21, 2.0 / 19, 2.0 / 17, 2.0 / 15,
        2.0 / 13, 2.0 / 11, 2.0 / 9, 2.0 / 7, 2.0 / 5 };
    double series = 0.0;
    for (size_t i = 0; i < sizeof two_over_odd / sizeof two_over_odd[0]; i++) {
        series = series * z + two_over_odd[i];
    }
    return series;
}

/* log m for m within [sqrt 1/2, sqrt 2) */
static struct pair log_mantissa(double m)
{
    static const struct pair two_thirds = { 0x1.5555555555555p-1, 0x1.5555555555555p-55 };
    const double f = m - 1.0;
    const struct pair t = sum(m, 1.0);
    const double s_high = f / t.high;
    const struct pair back = product(s_high, t.high);
    const double left = ((f - back.high) - back.low) - s_high * t.low;
    const struct pair s = sum_ordered(s_high, left / t.high);
    const struct pair z = pair_product(s, s);
    const struct pair rest = { z.high * log_rest(z.high), 0.0 };
    const struct pair series = pair_product(z, pair_sum(two_thirds, rest));
    const struct pair twice = { 2.0 * s.high, 2.0 * s.low };
    return pair_sum(twice, pair_product(s, series));
}

/* x > 0 and finite */
static struct pair log_pair(double x)
{
    const double least_normal = 0x1p-1022, root_2 = 0x1.6a09e667f3bcdp+0;
    double k = 0.0;
    if (x < least_normal) {
        x *= 0x1p54;
        k = -54.0;
    }
    uint64_t bits;
    memcpy(&bits, &x, sizeof bits);
    k += (double)((int64_t)(bits >> 52) - 1023);
    double m = of_bits((bits & UINT64_C(0xfffffffffffff)) | UINT64_C(0x3ff0000000000000));
    if (m >= root_2) {
        m *= 0.5;
        k += 1.0;
    }
    return pair_sum((struct pair){ k * ln2_high, k * ln2_low }, log_mantissa(m));
}

/* For what has no finite logarithm. */
static double log_odd(double x)
{
    if (isnan(x) || x > 0.0) return x;
    return x < 0.0 ? (double)NAN : -(double)INFINITY;
}

double real_log(double x)
{
    return x > 0.0 && isfinite(x) ? log_pair(x).high : log_odd(x);
}

double real_log10(double x)
{
    const struct pair log10_e = { log10_e_high, log10_e_low };
    return x > 0.0 && isfinite(x) ? pair_product(log_pair(x), log10_e).high : log_odd(x);
}

/* --- powers ----------------------------------------------------------------------------------- */

static double grow(bool larger)
{
    return larger ? (double)INFINITY : 0.0;
}

double real_pow(double x, double y)
{
    const double beyond = 800.0; /* e to this is infinity */
    if (isnan(y)) return y;
    if (!(fabs(y) > 0.0)) return 1.0;
    if (isnan(x)) return x;
    if (x < 0.0) return (double)NAN;
    if (!(x > 0.0)) return grow(y < 0.0);
    if (isinf(x)) return grow(y > 0.0);
    const struct pair l = log_pair(x);
    if (!(fabs(l.high) > 0.0)) return 1.0;
    if (fabs(y * l.high) > beyond) return grow((y > 0.0) == (l.high > 0.0));
    const struct pair p = product(l.high, y);
    return exp_pair(sum_ordered(p.high, p.low + l.low * y));
}
