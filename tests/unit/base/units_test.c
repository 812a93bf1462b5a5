#include "lib/base/units.h"

#include <math.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

START_TEST(nearest_rounds_to_the_nearest_and_halves_away_from_zero)
{
    static const struct {
        double value;
        int64_t expected;
    } table[] = { { 0.0, 0 }, { 0.4, 0 }, { 0.5, 1 }, { 1.5, 2 }, { 2.5, 3 }, { -0.4, 0 },
        { -0.5, -1 }, { -2.5, -3 }, { 0.49999999999999994, 0 }, { -0.49999999999999994, 0 },
        { 4503599627370497.0, 4503599627370497 }, { -4503599627370497.0, -4503599627370497 },
        { 9007199254740991.0, 9007199254740991 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_int_eq(nearest(table[i].value), table[i].expected);
    }
}
END_TEST

START_TEST(nearest_saturates_and_takes_no_number_for_zero)
{
    ck_assert_int_eq(nearest(1e19), INT64_C(9000000000000000000));
    ck_assert_int_eq(nearest(-1e19), -INT64_C(9000000000000000000));
    ck_assert_int_eq(nearest((double)INFINITY), INT64_C(9000000000000000000));
    ck_assert_int_eq(nearest(-(double)INFINITY), -INT64_C(9000000000000000000));
    ck_assert_int_eq(nearest((double)NAN), 0);
}
END_TEST

START_TEST(a_dose_is_rounded_down_and_a_measure_to_the_nearest)
{
    ck_assert_int_eq(ul_from_ml(1.2345), 1235);
    ck_assert_int_eq(ul_from_ml(1.2344), 1234);
    ck_assert_int_eq(ul_from_ml_down(1.2349), 1234);
    ck_assert_int_eq(ul_from_ml_down(0.0009), 0);
    ck_assert_int_eq(ul_from_ml_down(-0.0001), -1);
    ck_assert_int_eq(ul_from_ml_down((double)NAN), 0);
    ck_assert_int_eq(ul_from_ml(1e300), INT64_C(9000000000000000000));
}
END_TEST

START_TEST(every_whole_microlitre_comes_back_from_millilitres)
{
    for (int64_t ul = 0; ul < 2000000; ul += 7) {
        const double ml = (double)ul / 1000.0;
        if (ul_from_ml_down(ml) != ul || ul_from_ml(ml) != ul) ck_abort_msg("%lld", (long long)ul);
    }
}
END_TEST

START_TEST(rounding_down_never_gives_more_than_was_wanted) /* _i is the seed */
{
    struct prng prng = prng_seed((uint64_t)_i);
    for (int n = 0; n < 10000; n++) {
        const double ml = prng_unit(&prng) * 1000.0;
        const int64_t ul = ul_from_ml_down(ml);
        ck_assert((double)ul <= ml * 1000.0 + 1e-5 && (double)ul > ml * 1000.0 - 1.0);
    }
}
END_TEST

START_TEST(spans_are_whole_and_signed)
{
    ck_assert_int_eq(DAY_MS, 86400000);
    ck_assert_int_eq(mono_since((struct mono){ 5 }, (struct mono){ 8 }), -3);
    ck_assert_int_eq(mono_after((struct mono){ -5 }, 8).ms, 3);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("units");
    tcase_add_test(tc, nearest_rounds_to_the_nearest_and_halves_away_from_zero);
    tcase_add_test(tc, nearest_saturates_and_takes_no_number_for_zero);
    tcase_add_test(tc, a_dose_is_rounded_down_and_a_measure_to_the_nearest);
    tcase_add_test(tc, every_whole_microlitre_comes_back_from_millilitres);
    tcase_add_loop_test(tc, rounding_down_never_gives_more_than_was_wanted, 0, 5);
    tcase_add_test(tc, spans_are_whole_and_signed);
    return run_case(tc, "units");
}
