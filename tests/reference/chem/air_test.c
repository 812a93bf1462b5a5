/* How thirsty the air is, against published values. */
#include "lib/chem/air.h"

#include <math.h>

#include "tests/unit/support.h"

/* R. G. Allen and others, FAO Irrigation and Drainage Paper 56, 1998, example 3: read in a
 * documentation of the function that repeats it. */
START_TEST(saturation_is_that_of_fao_56)
{
    ck_assert_double_eq_tol(air_saturation_kpa(15.0), 1.70535, 0.000005);
    ck_assert_double_eq_tol(air_saturation_kpa(24.5), 3.07465, 0.000005);
}
END_TEST

/* Vapour pressure of water as measured: CRC Handbook of Chemistry and Physics, from memory. The
 * formula is an approximation of these. */
static const struct {
    double degc, kpa;
} measured[] = { { 10.0, 1.2282 }, { 20.0, 2.3393 }, { 25.0, 3.1699 }, { 30.0, 4.2470 },
    { 35.0, 5.6290 }, { 40.0, 7.3849 } };

START_TEST(it_is_near_what_was_measured)
{
    const double kpa = air_saturation_kpa(measured[_i].degc);
    ck_assert_double_eq_tol(kpa / measured[_i].kpa, 1.0, 0.0015);
}
END_TEST

/* Computed from equation 11 with other means (a pocket calculator's exp). */
static const struct {
    double degc, percent, kpa;
} deficits[] = { { 20, 50, 1.169 }, { 22, 70, 0.793 }, { 24, 65, 1.044 }, { 25, 60, 1.267 },
    { 28, 55, 1.701 }, { 30, 40, 2.546 }, { 25, 100, 0.0 }, { 25, 0, 3.168 } };

START_TEST(what_is_missing_to_it_is_the_deficit)
{
    ck_assert_double_eq_tol(
        air_vpd_kpa(deficits[_i].degc, deficits[_i].percent), deficits[_i].kpa, 0.001);
}
END_TEST

START_TEST(what_cannot_be_is_not_a_number)
{
    ck_assert(isnan(air_saturation_kpa(-30.1)) && isnan(air_saturation_kpa(60.1)));
    ck_assert(isnan(air_saturation_kpa((double)NAN)));
    ck_assert(isnan(air_vpd_kpa(25.0, -0.1)) && isnan(air_vpd_kpa(25.0, 100.1)));
    ck_assert(isnan(air_vpd_kpa(25.0, (double)NAN)) && isnan(air_vpd_kpa((double)NAN, 50.0)));
    ck_assert(!isnan(air_saturation_kpa(-30.0)) && !isnan(air_saturation_kpa(60.0)));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("air");
    tcase_add_test(t, saturation_is_that_of_fao_56);
    tcase_add_loop_test(t, it_is_near_what_was_measured, 0, sizeof measured / sizeof *measured);
    tcase_add_loop_test(
        t, what_is_missing_to_it_is_the_deficit, 0, sizeof deficits / sizeof *deficits);
    tcase_add_test(t, what_cannot_be_is_not_a_number);
    return run_case(t, "air");
}
