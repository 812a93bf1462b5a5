#include "lib/dose/rate.h"

#include <math.h>

#include "tests/unit/support.h"

START_TEST(three_runs_come_to_volume_over_time)
{
    const struct rate_run run[RATE_RUNS] = { { 40000, 40800 }, { 40000, 41200 }, { 20000, 20500 } };
    struct rate rate;
    ck_assert_int_eq(rate_judge(&rate, run), RATE_GOOD);
    ck_assert_double_eq_tol(rate.ml_per_s, 102.5 / 100.0, 1e-12);
    /* 1.02, 1.03, 1.025: worked by hand */
    ck_assert_double_eq_tol(rate.spread_percent, 100.0 * 0.01 / 1.025, 1e-9);
    ck_assert_double_eq_tol(rate.deviation_percent, 100.0 * 0.005 / 1.025, 1e-9);
}
END_TEST

/* NIST/SEMATECH e-Handbook of Statistical Methods, data set NumAcc1 (from memory): 10000001,
 * 10000003, 10000002 have mean 10000002 and a sample standard deviation of exactly 1. */
START_TEST(the_deviation_is_the_samples)
{
    const struct rate_run run[RATE_RUNS] = { { 10000, 10000001 }, { 10000, 10000003 },
        { 10000, 10000002 } };
    struct rate rate;
    ck_assert_int_eq(rate_judge(&rate, run), RATE_GOOD);
    ck_assert_double_eq_tol(rate.deviation_percent, 100.0 / 10000002.0, 1e-9);
}
END_TEST

START_TEST(five_percent_of_spread_is_the_most)
{
    struct rate_run run[RATE_RUNS] = { { 1000, 975 }, { 1000, 1000 }, { 1000, 1025 } };
    struct rate rate;
    ck_assert_int_eq(rate_judge(&rate, run), RATE_GOOD);
    run[2].ul = 1027;
    ck_assert_int_eq(rate_judge(&rate, run), RATE_UNEVEN);
}
END_TEST

START_TEST(a_run_is_held_against_what_is_expected)
{
    static const struct {
        int64_t ul;
        enum rate_verdict verdict;
    } c[] = {
        { 500, RATE_GOOD },
        { 1000, RATE_GOOD },
        { 1500, RATE_GOOD },
        { 499, RATE_FAR },
        { 1501, RATE_FAR },
        { 3000, RATE_FAR },
        { 10000, RATE_TENFOLD },
        { 8500, RATE_TENFOLD },
        { 20000, RATE_FAR },
        { 100, RATE_TENFOLD },
        { 85, RATE_TENFOLD },
        { 49, RATE_NOTHING },
        { 1, RATE_NOTHING },
    };
    const struct rate_run run = { 1000, c[_i].ul };
    ck_assert_int_eq(rate_judge_run(&run, 1.0), c[_i].verdict);
}
END_TEST

START_TEST(a_flow_is_held_against_the_files_more_widely)
{
    static const struct {
        double l_min;
        enum rate_verdict verdict;
    } c[] = {
        { 2.5, RATE_GOOD },
        { 10.0, RATE_GOOD },
        { 20.0, RATE_GOOD },
        { 2.49, RATE_FAR },
        { 20.1, RATE_FAR },
        { 1.5, RATE_TENFOLD },
        { 1.51, RATE_FAR },
        { 0.5, RATE_TENFOLD },
        { 0.49, RATE_NOTHING },
        { 70.0, RATE_TENFOLD },
        { 140.0, RATE_TENFOLD },
        { 141.0, RATE_FAR },
    };
    ck_assert_int_eq(rate_judge_flow(c[_i].l_min, 10.0), c[_i].verdict);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("rate");
    tcase_add_test(tc, three_runs_come_to_volume_over_time);
    tcase_add_test(tc, the_deviation_is_the_samples);
    tcase_add_test(tc, five_percent_of_spread_is_the_most);
    tcase_add_loop_test(tc, a_run_is_held_against_what_is_expected, 0, 13);
    tcase_add_loop_test(tc, a_flow_is_held_against_the_files_more_widely, 0, 12);
    return run_case(tc, "rate");
}
