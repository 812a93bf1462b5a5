/* The curve of alkalinity over pH: its inverse, its slope, its parts. */
#include "lib/control/buffer.h"

#include <math.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

static const struct buffer waters[] = { { 0.0, 0.0 }, { 0.03, 0.02 }, { 0.5, 0.0 }, { 2.0, 0.0 },
    { 0.0, 1.3 }, { 0.8, 1.2 }, { 2.03, 0.02 }, { 6.0, 2.0 }, { 20.0, 4.0 } };
enum { WATERS = sizeof waters / sizeof waters[0] };

START_TEST(the_alkalinity_of_a_ph_leads_back_to_it) /* _i is the water */
{
    static const double guess[] = { 0.0, 2.0, 4.4, 6.5, 9.0, 12.0, 14.0, NAN };
    const struct buffer *b = &waters[_i];
    for (double ph = 2.05; ph < 12.0; ph += 0.05) {
        const double alkalinity = buffer_alkalinity(b, ph);
        for (size_t g = 0; g < sizeof guess / sizeof guess[0]; g++) {
            ck_assert_double_eq_tol(buffer_ph(b, alkalinity, guess[g]), ph, 1e-5);
        }
    }
}
END_TEST

START_TEST(the_slope_is_that_between_two_near_points)
{
    const double d = 1e-4;
    const struct buffer *b = &waters[_i];
    for (double ph = 0.5; ph < 13.6; ph += 0.1) {
        const double slope =
            (buffer_alkalinity(b, ph + d) - buffer_alkalinity(b, ph - d)) / (2.0 * d);
        ck_assert_double_eq_tol(buffer_slope(b, ph) / slope, 1.0, 1e-6);
        ck_assert_double_gt(buffer_slope(b, ph), 0.0);
    }
}
END_TEST

START_TEST(alkalinity_rises_with_ph_carbon_and_phosphate)
{
    const struct buffer *b = &waters[_i];
    const struct buffer more_carbon = { b->carbon + 0.1, b->phosphate },
                        more_phosphate = { b->carbon, b->phosphate + 0.1 };
    for (double ph = 0.0; ph <= 14.0; ph += 0.01) {
        const double here = buffer_alkalinity(b, ph);
        ck_assert_double_lt(here, buffer_alkalinity(b, ph + 0.01));
        ck_assert_double_lt(here, buffer_alkalinity(&more_carbon, ph));
        ck_assert_double_lt(here, buffer_alkalinity(&more_phosphate, ph));
    }
}
END_TEST

/* Where phosphate is overestimated the law sets carbon below 0, down to -0.16 of it. */
START_TEST(the_curve_still_rises_with_the_least_carbon_that_the_law_sets)
{
    for (double phosphate = 0.02; phosphate <= 4.0; phosphate *= 1.5) {
        const struct buffer b = { -0.16 * phosphate, phosphate };
        for (double ph = 3.0; ph <= 10.0; ph += 0.01) {
            ck_assert_double_gt(buffer_slope(&b, ph), 0.0);
        }
    }
}
END_TEST

START_TEST(the_parts_add_up)
{
    struct prng p = prng_seed((uint64_t)_i);
    for (int n = 0; n < 1000; n++) {
        const struct buffer b = { 10.0 * prng_unit(&p), 3.0 * prng_unit(&p) };
        const double ph = 14.0 * prng_unit(&p);
        const struct buffer_parts parts = buffer_parts_at(b.phosphate, ph);
        const double sum = b.carbon * parts.share + parts.rest;
        ck_assert_double_ge(parts.share, 0.0);
        ck_assert_double_le(parts.share, 1.0);
        ck_assert_double_eq_tol(sum, buffer_alkalinity(&b, ph), 1e-12 * (1.0 + fabs(sum)));
    }
}
END_TEST

/* Deep in acid nothing is bicarbonate and protons are all; high up all of it is, and of phosphate
 * the second proton is gone. */
START_TEST(the_ends_of_the_curve_are_what_they_must_be)
{
    ck_assert_double_lt(buffer_parts_at(0.0, 3.0).share, 1e-3);
    ck_assert_double_gt(buffer_parts_at(0.0, 9.5).share, 0.999);
    const struct buffer none = { 0.0, 0.0 };
    ck_assert_double_eq_tol(buffer_alkalinity(&none, 3.0), -1.1, 1e-3);
    ck_assert_double_eq_tol(buffer_ph(&none, 0.0, 6.0), 7.0, 0.01);
    const struct buffer b = { 2.0, 1.0 };
    ck_assert_double_eq_tol(buffer_alkalinity(&b, 9.5) - buffer_alkalinity(&none, 9.5), 3.0, 0.01);
}
END_TEST

START_TEST(what_lies_outside_is_at_the_ends)
{
    const struct buffer *b = &waters[_i];
    ck_assert_double_eq_tol(buffer_ph(b, -1e6, 6.0), 2.0, 1e-4);
    ck_assert_double_eq_tol(buffer_ph(b, 1e6, 6.0), 12.0, 1e-4);
    ck_assert_double_eq_tol(buffer_ph(b, buffer_alkalinity(b, 1.0), 6.0), 2.0, 1e-4);
    ck_assert_double_eq_tol(buffer_ph(b, buffer_alkalinity(b, 13.0), 6.0), 12.0, 1e-4);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("buffer");
    tcase_add_loop_test(t, the_alkalinity_of_a_ph_leads_back_to_it, 0, WATERS);
    tcase_add_loop_test(t, the_slope_is_that_between_two_near_points, 0, WATERS);
    tcase_add_loop_test(t, alkalinity_rises_with_ph_carbon_and_phosphate, 0, WATERS);
    tcase_add_test(t, the_curve_still_rises_with_the_least_carbon_that_the_law_sets);
    tcase_add_loop_test(t, the_parts_add_up, 0, 4);
    tcase_add_test(t, the_ends_of_the_curve_are_what_they_must_be);
    tcase_add_loop_test(t, what_lies_outside_is_at_the_ends, 0, WATERS);
    return run_case(t, "buffer");
}
