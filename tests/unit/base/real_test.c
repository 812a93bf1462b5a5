/* Against the C library's long double, which has at least eleven bits more than a double. */
#include "lib/base/real.h"

#include <float.h>
#include <math.h>
#include <string.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

enum { TRIES = 400000 };

/* The distance from the right answer in units of its last place. */
static double ulps(double got, long double right)
{
    const double rounded = (double)right;
    if (isinf(rounded) || isinf(got)) return isinf(rounded) && got * rounded > 0 ? 0.0 : 1e9;
    const double next = nextafter(fabs(rounded), INFINITY);
    const long double unit = (long double)next - fabsl((long double)rounded);
    return (double)fabsl(((long double)got - right) / unit);
}

static void judge(double *worst, double got, long double right, double x)
{
    const double error = ulps(got, right);
    if (error > *worst) *worst = error;
    ck_assert_msg(error < 1.0, "at %.17g: %.17g is %.2f ulp off %.17Lg", x, got, error, right);
}

static double between(struct prng *p, double least, double most)
{
    return least + (most - least) * prng_unit(p);
}

START_TEST(exp_is_within_an_ulp)
{
    struct prng p = prng_seed(1);
    double worst = 0;
    for (int i = 0; i < TRIES; i++) {
        const double x = i % 2 ? between(&p, -745.0, 709.7) : between(&p, -2.0, 2.0);
        judge(&worst, real_exp(x), expl((long double)x), x);
    }
    ck_assert_msg(worst > 0.4 && worst < 0.8, "worst: %.3f ulp", worst);
}
END_TEST

START_TEST(log_and_log10_are_within_an_ulp)
{
    struct prng p = prng_seed(2);
    double worst = 0;
    for (int i = 0; i < TRIES; i++) {
        double x = between(&p, 0.5, 2.0);
        if (i % 3 == 0) x = ldexp(x, (int)prng_below(&p, 2000) - 1000);
        const double near = between(&p, -1.0, 1.0);
        if (i % 3 == 1) x = 1.0 + ldexp(near, -(int)prng_below(&p, 50));
        judge(&worst, real_log(x), logl((long double)x), x);
        judge(&worst, real_log10(x), log10l((long double)x), x);
    }
    ck_assert_msg(worst > 0.4 && worst < 0.8, "worst: %.3f ulp", worst);
}
END_TEST

START_TEST(powers_are_within_an_ulp)
{
    struct prng p = prng_seed(3);
    double worst = 0;
    for (int i = 0; i < TRIES; i++) {
        const double x = i % 2 ? between(&p, -15.0, 15.0) : between(&p, -307.0, 308.2);
        judge(&worst, real_pow10(x), powl(10.0L, (long double)x), x);
    }
    for (int i = 0; i < TRIES; i++) {
        const int k = (int)prng_below(&p, 40) - 20;
        const double x = ldexp(between(&p, 0.5, 1.0), k);
        const double y = between(&p, -40.0, 40.0);
        /* the long double's own error grows with the exponent: compare where it is small */
        if (fabs(y * log(x)) < 60.0)
            judge(&worst, real_pow(x, y), powl((long double)x, (long double)y), x);
    }
    ck_assert_msg(worst > 0.4 && worst < 0.8, "worst: %.3f ulp", worst);
}
END_TEST

START_TEST(what_is_exact_comes_out_exact)
{
    ck_assert(real_exp(0.0) == 1.0 && real_log(1.0) == 0.0 && real_log10(1.0) == 0.0);
    double power = 1.0;
    for (int i = 0; i <= 22; i++, power *= 10.0) { /* 1e22 is the last power that is a double */
        ck_assert_msg(real_pow10(i) == power, "10^%d", i);
        ck_assert_msg(real_log10(power) == i, "log10 of 10^%d", i);
        ck_assert_msg(real_pow(10.0, i) == power, "pow(10, %d)", i);
    }
    for (int i = -1022; i <= 1023; i++) {
        ck_assert(real_pow(2.0, i) == ldexp(1.0, i));
    }
    ck_assert(real_pow(7.0, 2.0) == 49.0 && real_pow(2.25, 0.5) == 1.5);
    ck_assert(real_pow(0.125, -2.0) == 64.0);
}
END_TEST

START_TEST(the_ends_of_the_range_behave)
{
    ck_assert(isinf(real_exp(710.0)) && isfinite(real_exp(709.78)));
    ck_assert(real_exp(-745.3) == 0.0 && real_exp(-745.0) > 0.0);
    ck_assert(real_exp(-INFINITY) == 0.0 && isinf(real_exp(INFINITY)) && isnan(real_exp(NAN)));
    ck_assert(isinf(real_pow10(308.3)) && real_pow10(-324.0) == 0.0 && isnan(real_pow10(NAN)));
    ck_assert(real_pow10(1e300) > DBL_MAX && real_pow10(-1e300) == 0.0);
    ck_assert(real_log(0.0) == -INFINITY && isnan(real_log(-1.0)) && isinf(real_log(INFINITY)));
    ck_assert(real_log10(-0.0) == -INFINITY && isnan(real_log10(NAN)) && isnan(real_log10(-5)));
    const double least = 0x1p-1074;
    ck_assert_double_eq_tol(real_log(least), -744.44007192138126, 1e-12);
    ck_assert_double_eq_tol(real_exp(-744.44007192138126) / least, 1.0, 1e-9);
    ck_assert(real_pow(0.0, 2.0) == 0.0 && isinf(real_pow(0.0, -1.0)) && real_pow(0.0, 0.0) == 1.0);
    ck_assert(isnan(real_pow(-2.0, 2.0)) && isnan(real_pow(2.0, NAN)) && isnan(real_pow(NAN, 2.0)));
    ck_assert(real_pow(NAN, 0.0) == 1.0 && real_pow(1.0, 1e305) == 1.0);
    ck_assert(real_pow(1.0, INFINITY) == 1.0 && real_pow(0.5, INFINITY) == 0.0);
    ck_assert(isinf(real_pow(2.0, INFINITY)) && real_pow(2.0, -INFINITY) == 0.0);
    ck_assert(isinf(real_pow(2.0, 1e305)) && isinf(real_pow(INFINITY, 0.5)));
    ck_assert(real_pow(INFINITY, -0.5) == 0.0 && real_pow(3.0, 1e-320) == 1.0);
}
END_TEST

static uint64_t fold(uint64_t sum, double x)
{
    uint64_t bits;
    memcpy(&bits, &x, sizeof bits);
    return (sum ^ bits) * UINT64_C(1099511628211);
}

/* The bits themselves: a number that any compiler and processor has to give. It was computed once
 * with GCC 12 on x86-64, after the tests above had passed. */
START_TEST(the_bits_are_the_same_on_every_machine)
{
    struct prng p = prng_seed(4);
    uint64_t sum = UINT64_C(14695981039346656037);
    for (int i = 0; i < 20000; i++) {
        const double x = between(&p, -20.0, 20.0), y = between(&p, 0.001, 50.0);
        sum = fold(sum, real_exp(x));
        sum = fold(sum, real_pow10(x));
        sum = fold(sum, real_log(y));
        sum = fold(sum, real_log10(y));
        sum = fold(sum, real_pow(y, x));
    }
    ck_assert_uint_eq(sum, UINT64_C(15406606708663285448));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("real");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, exp_is_within_an_ulp);
    tcase_add_test(tc, log_and_log10_are_within_an_ulp);
    tcase_add_test(tc, powers_are_within_an_ulp);
    tcase_add_test(tc, what_is_exact_comes_out_exact);
    tcase_add_test(tc, the_ends_of_the_range_behave);
    tcase_add_test(tc, the_bits_are_the_same_on_every_machine);
    return run_case(tc, "real");
}
