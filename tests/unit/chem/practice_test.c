#include "lib/chem/practice.h"

#include <math.h>

#include "tests/unit/support.h"

START_TEST(dilution_keeps_what_was_there)
{
    for (double from = 1.0; from <= 3.0; from += 0.5) {
        for (double with = 0.0; with < 0.8; with += 0.2) {
            const double to = 0.9, l = practice_dilution_l_per_l(from, to, with);
            ck_assert_double_eq_tol((from + l * with) / (1 + l), to, 1e-12);
        }
    }
    ck_assert_double_eq_tol(practice_dilution_l_per_l(1.2, 1.8, 20), 0.6 / 18.2, 1e-12);
    ck_assert_double_eq_tol(practice_dilution_l_per_l(1.2, 1.2, 0.3), 0.0, 1e-12);
    ck_assert(isnan(practice_dilution_l_per_l(1.2, 0.3, 0.3))); /* never gets there */
    ck_assert(isnan(practice_dilution_l_per_l(1.2, 0.2, 0.3)));
    ck_assert(isnan(practice_dilution_l_per_l(1.2, 1.5, 0.3)));
    ck_assert(isnan(practice_dilution_l_per_l(-1, 0.5, 0.3)));
    ck_assert(isnan(practice_dilution_l_per_l(NAN, 0.5, 0.3)));
}
END_TEST

START_TEST(turnovers_and_shares_are_each_others_inverse)
{
    for (double n = 0; n < 10; n += 0.25) {
        ck_assert_double_eq_tol(practice_turnovers_for(practice_mixed_share(n)), n, 1e-9);
    }
    ck_assert(isnan(practice_turnovers_for(1.0)) && isnan(practice_turnovers_for(-0.1)));
    ck_assert(isnan(practice_mixed_share(-0.1)) && isnan(practice_mixed_share(NAN)));
}
END_TEST

START_TEST(oxygen_follows_the_pressure)
{
    const double sea = practice_oxygen_mg_l(20, 101.325);
    ck_assert(practice_oxygen_mg_l(20, 100) < sea);
    /* dry air would go as the pressure; its vapour makes it a little steeper */
    const double ratio = practice_oxygen_mg_l(20, 80) / sea;
    ck_assert(ratio < 80 / 101.325 && ratio > 0.98 * 80 / 101.325);
    ck_assert(isnan(practice_oxygen_mg_l(-1, 101.325)) && isnan(practice_oxygen_mg_l(41, 101.325)));
    ck_assert(isnan(practice_oxygen_mg_l(20, 49)) && isnan(practice_oxygen_mg_l(20, 121)));
    ck_assert(isnan(practice_oxygen_mg_l(NAN, 101.325)));
}
END_TEST

START_TEST(the_deficit_is_none_in_full_air_and_all_in_dry_air)
{
    ck_assert_double_eq_tol(practice_vpd_kpa(22, 100, 22), 0, 1e-12);
    ck_assert_double_eq_tol(practice_vpd_kpa(22, 0, 22), practice_vapour_kpa(22), 1e-12);
    ck_assert(practice_vpd_kpa(22, 60, 20) < practice_vpd_kpa(22, 60, 22));
    ck_assert(isnan(practice_vpd_kpa(22, 101, 22)) && isnan(practice_vpd_kpa(22, -1, 22)));
    ck_assert(isnan(practice_vpd_kpa(61, 50, 22)) && isnan(practice_vpd_kpa(22, 50, NAN)));
}
END_TEST

START_TEST(small_sums_refuse_what_makes_no_sense)
{
    ck_assert(isnan(practice_tube_ml(-1, 1)) && isnan(practice_tube_ml(101, 1)) &&
              isnan(practice_tube_ml(4, 1001)) && isnan(practice_tube_ml(4, NAN)));
    ck_assert_double_eq_tol(practice_dli_mol_m2(100, 10), 3.6, 1e-12);
    ck_assert_double_eq_tol(practice_parts_ml(100, 0.5, 2, 100), 250, 1e-9);
    ck_assert(isnan(practice_dli_mol_m2(-1, 12)) && isnan(practice_dli_mol_m2(200, 24.1)) &&
              isnan(practice_dli_mol_m2(3001, 12)));
    ck_assert(isnan(practice_parts_ml(100, 0.6, 0, 100)) &&
              isnan(practice_parts_ml(100, 0.6, 2, 0.5)) && isnan(practice_parts_ml(-1, 1, 1, 1)));
    ck_assert(isnan(practice_fertiliser_mg_l(150, 0)) && isnan(practice_fertiliser_mg_l(150, 101)));
    ck_assert_double_eq_tol(
        practice_nutrient_mg_l(practice_fertiliser_mg_l(150, 15.5), 15.5), 150, 1e-9);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("practice");
    tcase_add_test(tc, dilution_keeps_what_was_there);
    tcase_add_test(tc, turnovers_and_shares_are_each_others_inverse);
    tcase_add_test(tc, oxygen_follows_the_pressure);
    tcase_add_test(tc, the_deficit_is_none_in_full_air_and_all_in_dry_air);
    tcase_add_test(tc, small_sums_refuse_what_makes_no_sense);
    return run_case(tc, "practice");
}
