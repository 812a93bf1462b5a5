#include "lib/plant/probe_model.h"

#include <math.h>

#include "tests/unit/support.h"

START_TEST(a_perfect_probe_shows_the_truth)
{
    struct probe_model m;
    probe_model_init(&m, &(struct probe_model_config){ 0 }, 1);
    ck_assert(probe_model_read(&m, 6.125, 1) == 6.125);
    ck_assert(probe_model_read(&m, 5.5, 1) == 5.5);
}
END_TEST

START_TEST(a_lag_is_a_first_order_one_and_starts_at_the_truth)
{
    struct probe_model m;
    probe_model_init(&m, &(struct probe_model_config){ .lag_s = 10 }, 1);
    ck_assert(probe_model_read(&m, 4.0, 1) == 4.0);
    for (int i = 1; i <= 30; i++) {
        const double right = 8.0 + (4.0 - 8.0) * exp(-i / 10.0);
        ck_assert_double_eq_tol(probe_model_read(&m, 8.0, 1), right, 1e-12);
    }
}
END_TEST

START_TEST(noise_has_its_deviation_and_part_of_it_lasts)
{
    enum { N = 200000 };
    struct probe_model m;
    probe_model_init(&m, &(struct probe_model_config){ .noise = 0.5 }, 7);
    double sum = 0, squares = 0, product = 0, last = 0;
    for (int i = 0; i < N; i++) {
        const double x = probe_model_read(&m, 10, 60) - 10;
        sum += x;
        squares += x * x;
        product += x * last;
        last = x;
    }
    ck_assert_double_eq_tol(sum / N, 0, 0.02);
    ck_assert_double_eq_tol(sqrt(squares / N), 0.5, 0.01);
    /* a minute apart: 0.6^2 e^(-1/15) of the variance is common */
    ck_assert_double_eq_tol(product / squares, 0.36 * exp(-60.0 / 900.0), 0.02);
}
END_TEST

START_TEST(drift_adds_up_by_the_day)
{
    struct probe_model m;
    probe_model_init(&m, &(struct probe_model_config){ .drift_per_day = -0.02 }, 1);
    double shown = 0;
    for (int i = 0; i <= 7 * 24; i++) {
        shown = probe_model_read(&m, 6.0, i == 0 ? 0 : 3600);
    }
    ck_assert_double_eq_tol(shown, 6.0 - 0.14, 1e-9);
}
END_TEST

START_TEST(readings_are_multiples_of_the_resolution)
{
    struct probe_model m;
    probe_model_init(&m, &(struct probe_model_config){ .noise = 0.02, .resolution = 0.01 }, 3);
    bool moved = false;
    for (int i = 0; i < 500; i++) {
        const double x = probe_model_read(&m, 5.8, 1);
        ck_assert_double_eq_tol(x * 100, floor(x * 100 + 0.5), 1e-9);
        moved = moved || fabs(x - 5.8) > 0.005;
    }
    ck_assert(moved);
}
END_TEST

START_TEST(a_stuck_probe_shows_the_same_digits_and_goes_on_when_let_go)
{
    struct probe_model m;
    probe_model_init(&m, &(struct probe_model_config){ .noise = 0.1 }, 3);
    probe_model_stick(&m, true); /* before it ever showed anything: nothing to stick at */
    const double first = probe_model_read(&m, 5.0, 1);
    ck_assert(first > 4.0 && first < 6.0);
    for (int i = 0; i < 100; i++) {
        ck_assert(probe_model_read(&m, 50.0 + i, 1) == first);
    }
    probe_model_stick(&m, false);
    ck_assert(probe_model_read(&m, 80.0, 1) > 79.0);
}
END_TEST

START_TEST(a_step_stays_until_it_is_taken_back)
{
    struct probe_model m;
    probe_model_init(&m, &(struct probe_model_config){ .lag_s = 5 }, 3);
    ck_assert(probe_model_read(&m, 6.0, 1) == 6.0);
    probe_model_step(&m, 1.5);
    ck_assert(probe_model_read(&m, 6.0, 1) == 7.5);
    probe_model_step(&m, -0.5);
    ck_assert(probe_model_read(&m, 6.0, 1) == 7.0);
    probe_model_unstep(&m);
    ck_assert(probe_model_read(&m, 6.0, 1) == 6.0);
}
END_TEST

START_TEST(the_same_seed_shows_the_same_and_another_does_not)
{
    const struct probe_model_config config = { .noise = 0.1, .lag_s = 3 };
    struct probe_model a, b, c;
    probe_model_init(&a, &config, 11);
    probe_model_init(&b, &config, 11);
    probe_model_init(&c, &config, 12);
    int same = 0;
    for (int i = 0; i < 100; i++) {
        const double x = probe_model_read(&a, 5, 1);
        ck_assert(x == probe_model_read(&b, 5, 1));
        same += x == probe_model_read(&c, 5, 1);
    }
    ck_assert_int_eq(same, 0);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("probe model");
    tcase_add_test(tc, a_perfect_probe_shows_the_truth);
    tcase_add_test(tc, a_lag_is_a_first_order_one_and_starts_at_the_truth);
    tcase_add_test(tc, noise_has_its_deviation_and_part_of_it_lasts);
    tcase_add_test(tc, drift_adds_up_by_the_day);
    tcase_add_test(tc, readings_are_multiples_of_the_resolution);
    tcase_add_test(tc, a_stuck_probe_shows_the_same_digits_and_goes_on_when_let_go);
    tcase_add_test(tc, a_step_stays_until_it_is_taken_back);
    tcase_add_test(tc, the_same_seed_shows_the_same_and_another_does_not);
    return run_case(tc, "probe model");
}
