#include "lib/chem/ph_probe.h"

#include <math.h>

#include "tests/unit/support.h"

START_TEST(a_calibration_finds_the_electrode_again)
{
    for (double slope = 70; slope <= 110; slope += 2.5) {
        for (double zero = -80; zero <= 80; zero += 20) {
            const struct ph_constants c = { zero, slope };
            struct ph_bath a = { .ph = 6.88, .degc = 20 }, b = { .ph = 4.01, .degc = 27 };
            a.mv = ph_to_mv(&c, a.ph, a.degc);
            b.mv = ph_to_mv(&c, b.ph, b.degc);
            struct ph_constants got;
            ck_assert_int_eq(ph_calibrate(&got, &a, &b, NULL), ERR_NONE);
            ck_assert_double_eq_tol(got.zero_mv, zero, 1e-9);
            ck_assert_double_eq_tol(got.slope_percent, slope, 1e-9);
            ck_assert_int_eq(ph_calibrate(&got, &b, &a, NULL), ERR_NONE);
            ck_assert_double_eq_tol(got.slope_percent, slope, 1e-9);
            ck_assert_double_eq_tol(ph_from_mv(&c, a.mv, a.degc), 6.88, 1e-9);
        }
    }
}
END_TEST

START_TEST(a_glass_electrode_gives_more_millivolts_in_acid)
{
    const struct ph_constants ideal = { 0, 100 };
    ck_assert_double_eq_tol(ph_to_mv(&ideal, 4.0, 25), 3 * 59.159, 0.01);
    ck_assert_double_eq_tol(ph_from_mv(&ideal, -59.159, 25), 8.0, 1e-4);
    struct ph_constants got;
    const struct ph_bath seven = { 7.0, 0, 25 }, four = { 4.0, -170, 25 };
    ck_assert_int_eq(ph_calibrate(&got, &seven, &four, NULL), ERR_NONE);
    ck_assert(got.slope_percent < 0); /* its wires are the other way round */
    ck_assert_int_eq(ph_judge(&got), PH_REFUSED);
}
END_TEST

START_TEST(verdicts_change_at_the_published_bounds)
{
    static const struct {
        double zero, slope;
        enum ph_verdict verdict;
    } table[] = { { 0, 100, PH_GOOD }, { 0, 105, PH_GOOD }, { 0, 105.1, PH_REFUSED },
        { 0, 95, PH_GOOD }, { 0, 94.9, PH_CARE_SOON }, { 0, 90, PH_CARE_SOON },
        { 0, 89.9, PH_CARE_NOW }, { 0, 85, PH_CARE_NOW }, { 0, 84.9, PH_REFUSED },
        { 30, 100, PH_GOOD }, { -30, 100, PH_GOOD }, { 30.1, 100, PH_CARE_SOON },
        { -30.1, 100, PH_CARE_SOON }, { 60, 100, PH_CARE_SOON }, { 60.1, 100, PH_REFUSED },
        { -60.1, 100, PH_REFUSED }, { 45, 87, PH_CARE_NOW }, { NAN, 100, PH_REFUSED },
        { 0, NAN, PH_REFUSED }, { 0, -100, PH_REFUSED } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const struct ph_constants c = { table[i].zero, table[i].slope };
        ck_assert_msg(
            ph_judge(&c) == table[i].verdict, "zero %g slope %g", c.zero_mv, c.slope_percent);
    }
    ck_assert_str_eq(ph_verdict_word(PH_REFUSED), "refused");
}
END_TEST

START_TEST(baths_that_tell_nothing_are_refused)
{
    static const struct ph_bath good = { 7.0, 0, 25 };
    static const struct ph_bath bad[] = { { 7.0, 100, 25 }, { 6.1, 50, 25 }, { NAN, 170, 25 },
        { 4, NAN, 25 }, { 4, 170, NAN }, { 4, 170, -0.1 }, { 4, 170, 50.1 }, { -1, 170, 25 },
        { 14.1, -400, 25 }, { 4, 2001, 25 } };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct ph_constants c = { 7, 7 };
        struct problem problem = { 0 };
        ck_assert_int_eq(ph_calibrate(&c, &good, &bad[i], &problem), ERR_RANGE);
        ck_assert(problem.text[0] != '\0' && c.zero_mv == 7);
        ck_assert_int_eq(ph_calibrate(&c, &bad[i], &good, NULL), ERR_RANGE);
    }
    struct ph_constants c;
    const struct ph_bath near = { 6.0, 58, 25 };
    ck_assert_int_eq(ph_calibrate(&c, &good, &near, NULL), ERR_NONE);
}
END_TEST

START_TEST(buffers_are_smooth_between_their_tabulated_points)
{
    for (int b = 0; b < BUFFER_COUNT; b++) {
        double before = ph_buffer_at((enum ph_buffer)b, 0.0);
        for (double t = 0.1; t <= 50.0; t += 0.1) {
            const double ph = ph_buffer_at((enum ph_buffer)b, t);
            ck_assert_double_eq_tol(ph, before, 0.006);
            before = ph;
        }
        ck_assert(isnan(ph_buffer_at((enum ph_buffer)b, -0.1)));
        ck_assert(isnan(ph_buffer_at((enum ph_buffer)b, 50.1)));
        ck_assert(isnan(ph_buffer_at((enum ph_buffer)b, NAN)));
        enum ph_buffer back;
        ck_assert(ph_buffer_read(&back, ph_buffer_word((enum ph_buffer)b)) && (int)back == b);
        ck_assert(ph_buffer_basis((enum ph_buffer)b)[0] != '\0');
    }
    enum ph_buffer back;
    ck_assert(!ph_buffer_read(&back, "") && !ph_buffer_read(&back, "vinegar"));
    ck_assert(isnan(ph_nernst_mv(-11)) && isnan(ph_nernst_mv(111)) && isnan(ph_nernst_mv(NAN)));
}
END_TEST

START_TEST(a_third_bath_shows_a_bent_electrode)
{
    const struct ph_constants c = { 3, 97 };
    struct ph_bath ten = { .ph = 10.01, .degc = 25 };
    ten.mv = ph_to_mv(&c, 9.85, 25);
    ck_assert_double_eq_tol(ph_third_bath_error(&c, &ten), -0.16, 1e-9);
    ck_assert(fabs(ph_third_bath_error(&c, &ten)) > PH_THIRD_BATH_MOST);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("pH probe");
    tcase_add_test(tc, a_calibration_finds_the_electrode_again);
    tcase_add_test(tc, a_glass_electrode_gives_more_millivolts_in_acid);
    tcase_add_test(tc, verdicts_change_at_the_published_bounds);
    tcase_add_test(tc, baths_that_tell_nothing_are_refused);
    tcase_add_test(tc, buffers_are_smooth_between_their_tabulated_points);
    tcase_add_test(tc, a_third_bath_shows_a_bent_electrode);
    return run_case(tc, "pH probe");
}
