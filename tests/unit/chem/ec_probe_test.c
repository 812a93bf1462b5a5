#include "lib/chem/ec_probe.h"

#include <math.h>

#include "tests/unit/support.h"

static double constant_of(double us_cm, double shown, double in_use)
{
    const struct ec_bath bath = { us_cm, shown, in_use, 1.0 };
    double constant = NAN;
    ck_assert_int_eq(ec_calibrate(&constant, &bath, NULL), ERR_NONE);
    return constant;
}

START_TEST(the_constant_is_conductivity_over_conductance)
{
    ck_assert_double_eq_tol(constant_of(1413, 1413, 1.0), 1.0, 1e-12);
    ck_assert_double_eq_tol(constant_of(1413, 1570, 1.0), 0.9, 1e-12);
    /* a meter that computed 1300 with 0.5 saw 2600 uS */
    ck_assert_double_eq_tol(constant_of(1413, 1300, 0.5), 1413.0 / 2600.0, 1e-12);
}
END_TEST

START_TEST(verdicts_change_at_their_bounds)
{
    static const struct {
        double constant;
        enum ec_verdict verdict;
    } table[] = { { 1.0, EC_GOOD }, { 1.1, EC_GOOD }, { 0.9, EC_GOOD }, { 1.101, EC_WATCH },
        { 0.899, EC_WATCH }, { 1.15, EC_WATCH }, { 0.85, EC_WATCH }, { 1.151, EC_CLEAN },
        { 0.849, EC_CLEAN }, { 1.3, EC_CLEAN }, { 0.7, EC_CLEAN }, { 1.301, EC_REFUSED },
        { 0.699, EC_REFUSED }, { 0.0, EC_REFUSED }, { NAN, EC_REFUSED } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_msg(
            ec_judge(table[i].constant, 1.0) == table[i].verdict, "%g", table[i].constant);
        ck_assert(ec_judge(10 * table[i].constant, 10.0) == table[i].verdict);
    }
    ck_assert_str_eq(ec_verdict_word(EC_CLEAN), "clean");
}
END_TEST

START_TEST(readings_that_tell_nothing_are_refused)
{
    static const struct ec_bath bad[] = { { 1413, 0, 1, 1 }, { 1413, -5, 1, 1 }, { 0, 1413, 1, 1 },
        { 1413, 1413, 0, 1 }, { 1413, 1413, 1, 0 }, { NAN, 1413, 1, 1 }, { 1413, NAN, 1, 1 },
        { 1413, 1413, NAN, 1 }, { 1413, 1413, 1, NAN }, { 1413, INFINITY, 1, 1 },
        { 1413, 1413, 1001, 1 } };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        double constant = 7;
        struct problem problem = { 0 };
        ck_assert_int_eq(ec_calibrate(&constant, &bad[i], &problem), ERR_RANGE);
        ck_assert(constant == 7 && problem.text[0] != '\0');
    }
}
END_TEST

START_TEST(standards_rise_smoothly_within_their_tables)
{
    for (int s = 0; s < EC_STANDARD_COUNT; s++) {
        const enum ec_standard standard = (enum ec_standard)s;
        double least, most;
        ec_standard_range(&least, &most, standard);
        double before = ec_standard_us_cm(standard, least);
        for (double t = least + 0.25; t <= most; t += 0.25) {
            const double rise = ec_standard_us_cm(standard, t) / before - 1.0;
            ck_assert(rise > 0.25 * 0.015 && rise < 0.25 * 0.036);
            before = ec_standard_us_cm(standard, t);
        }
        ck_assert(isnan(ec_standard_us_cm(standard, least - 0.1)));
        ck_assert(isnan(ec_standard_us_cm(standard, most + 0.1)));
        ck_assert(isnan(ec_standard_us_cm(standard, NAN)));
        enum ec_standard back;
        ck_assert(ec_standard_read(&back, ec_standard_word(standard)) && (int)back == s);
        ck_assert(ec_standard_basis(standard)[0] != '\0');
    }
    enum ec_standard back;
    ck_assert(!ec_standard_read(&back, "1414"));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("EC probe");
    tcase_add_test(tc, the_constant_is_conductivity_over_conductance);
    tcase_add_test(tc, verdicts_change_at_their_bounds);
    tcase_add_test(tc, readings_that_tell_nothing_are_refused);
    tcase_add_test(tc, standards_rise_smoothly_within_their_tables);
    return run_case(tc, "EC probe");
}
