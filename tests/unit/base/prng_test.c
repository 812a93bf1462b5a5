#include "lib/base/prng.h"

#include <math.h>
#include <signal.h>

#include "tests/unit/support.h"

/* The first outputs for seed 0 as other implementations of splitmix64 print them (from memory). */
START_TEST(seed_0_gives_the_known_sequence)
{
    static const uint64_t known[] = { UINT64_C(0xe220a8397b1dcdaf), UINT64_C(0x6e789e6aa1b965f4),
        UINT64_C(0x06c45d188009454f), UINT64_C(0xf88bb8a8724c81ec) };
    struct prng p = prng_seed(0);
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        ck_assert_uint_eq(prng_next(&p), known[i]);
    }
}
END_TEST

START_TEST(the_same_seed_gives_the_same_numbers_and_another_does_not)
{
    struct prng a = prng_seed(7), b = prng_seed(7), c = prng_seed(8);
    int differ = 0;
    for (int i = 0; i < 100; i++) {
        const uint64_t n = prng_next(&a);
        ck_assert_uint_eq(n, prng_next(&b));
        differ += n != prng_next(&c);
    }
    ck_assert_int_eq(differ, 100);
}
END_TEST

START_TEST(numbers_stay_in_their_bounds_and_reach_them)
{
    struct prng p = prng_seed(1);
    int seen[10] = { 0 };
    double sum = 0.0, squares = 0.0;
    enum { N = 20000 };
    for (int i = 0; i < N; i++) {
        const int64_t n = prng_below(&p, 10);
        ck_assert(n >= 0 && n < 10);
        seen[n]++;
        const double u = prng_unit(&p);
        ck_assert(u >= 0.0 && u < 1.0);
        const double z = prng_normal(&p);
        ck_assert(fabs(z) <= 6.0);
        sum += z;
        squares += z * z;
        ck_assert_int_eq(prng_below(&p, 1), 0);
    }
    for (int i = 0; i < 10; i++) {
        ck_assert_int_gt(seen[i], N / 10 - 300);
        ck_assert_int_lt(seen[i], N / 10 + 300);
    }
    ck_assert_double_eq_tol(sum / N, 0.0, 0.03);
    ck_assert_double_eq_tol(squares / N, 1.0, 0.05);
}
END_TEST

START_TEST(a_bound_of_nothing_is_a_bug)
{
    struct prng p = prng_seed(1);
    prng_below(&p, 0);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("prng");
    tcase_add_test(tc, seed_0_gives_the_known_sequence);
    tcase_add_test(tc, the_same_seed_gives_the_same_numbers_and_another_does_not);
    tcase_add_test(tc, numbers_stay_in_their_bounds_and_reach_them);
    tcase_add_test_raise_signal(tc, a_bound_of_nothing_is_a_bug, SIGABRT);
    return run_case(tc, "prng");
}
