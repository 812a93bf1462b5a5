#include "lib/chem/tempco.h"

#include <math.h>

#include "tests/unit/support.h"

static const enum tempco kinds[] = { TEMPCO_LINEAR, TEMPCO_NUTRIENT, TEMPCO_FRESH_WATER };

START_TEST(at_25_degrees_nothing_changes)
{
    for (int k = 0; k < 3; k++) {
        double ec = 0;
        ck_assert(tempco_to_25(&ec, kinds[k], 2.0, 25.0, 1234.5));
        ck_assert_double_eq_tol(ec, 1234.5, 1e-9);
    }
}
END_TEST

START_TEST(warm_water_conducts_better)
{
    for (int k = 0; k < 3; k++) {
        double before = 0;
        for (double t = 2.0; t <= 35.0; t += 0.25) {
            double ratio = 0;
            ck_assert(tempco_ratio(&ratio, kinds[k], 1.9, t));
            ck_assert(ratio > before);
            before = ratio;
        }
    }
}
END_TEST

START_TEST(the_line_is_a_line)
{
    double ratio = 0;
    ck_assert(tempco_ratio(&ratio, TEMPCO_LINEAR, 2.0, 20.0));
    ck_assert_double_eq_tol(ratio, 0.9, 1e-12);
    ck_assert(tempco_ratio(&ratio, TEMPCO_LINEAR, 0.0, 5.0));
    ck_assert_double_eq_tol(ratio, 1.0, 1e-12);
}
END_TEST

START_TEST(outside_its_range_there_is_no_answer)
{
    static const struct {
        enum tempco kind;
        double percent, degc;
    } bad[] = { { TEMPCO_LINEAR, 2, -0.1 }, { TEMPCO_LINEAR, 2, 50.1 }, { TEMPCO_LINEAR, -0.1, 20 },
        { TEMPCO_LINEAR, 4.1, 20 }, { TEMPCO_LINEAR, NAN, 20 }, { TEMPCO_LINEAR, 2, NAN },
        { TEMPCO_LINEAR, 4, 0 }, { TEMPCO_NUTRIENT, 2, 1.9 }, { TEMPCO_NUTRIENT, 2, 38.1 },
        { TEMPCO_NUTRIENT, 2, NAN }, { TEMPCO_FRESH_WATER, 2, -0.1 },
        { TEMPCO_FRESH_WATER, 2, 35.1 }, { TEMPCO_FRESH_WATER, 2, NAN } };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        double ec = 7;
        ck_assert_msg(
            !tempco_to_25(&ec, bad[i].kind, bad[i].percent, bad[i].degc, 1000), "row %zu", i);
        ck_assert(ec == 7);
    }
    double ec = 7;
    ck_assert(!tempco_to_25(&ec, TEMPCO_NUTRIENT, 2, 20, NAN));
    ck_assert(!tempco_to_25(&ec, TEMPCO_NUTRIENT, 2, 20, -1));
    ck_assert(tempco_to_25(&ec, TEMPCO_FRESH_WATER, 2, 35, 1000));
    ck_assert_double_eq_tol(ec, 822, 1e-9);
    ck_assert(tempco_to_25(&ec, TEMPCO_FRESH_WATER, 2, 0, 1000));
    ck_assert_double_eq_tol(ec, 1918, 1e-9);
    ck_assert(tempco_to_25(&ec, TEMPCO_NUTRIENT, NAN, 20, 1000)); /* isn't looked at */
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("tempco");
    tcase_add_test(tc, at_25_degrees_nothing_changes);
    tcase_add_test(tc, warm_water_conducts_better);
    tcase_add_test(tc, the_line_is_a_line);
    tcase_add_test(tc, outside_its_range_there_is_no_answer);
    return run_case(tc, "tempco");
}
