/* The sums of the trade against published tables and figures. */
#include "lib/chem/practice.h"

#include <math.h>

#include "lib/chain/supply.h"
#include "tests/unit/support.h"

/* B. Benson and D. Krause, Limnol. Oceanogr. 29 (1984) 620, as in Standard Methods 4500-O, mg/L in
 * fresh water at 1 atm. Seven of these are EN 25814's
 * (read: 14.6, 12.8, 11.3, 10.1, 9.09, 8.26, 7.56 at 0, 5, 10, 15, 20, 25, 30 degC); the rest
 * computed outside this program. 0.01. */
START_TEST(oxygen_is_saturated_as_benson_and_krause_say)
{
    static const double table[][2] = { { 0, 14.62 }, { 5, 12.77 }, { 10, 11.29 }, { 15, 10.08 },
        { 18, 9.47 }, { 20, 9.09 }, { 22, 8.74 }, { 25, 8.26 }, { 28, 7.83 }, { 30, 7.56 },
        { 35, 6.95 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_double_eq_tol(practice_oxygen_mg_l(table[i][0], 101.325), table[i][1], 0.01);
    }
}
END_TEST

/* O. Tetens (1930) as FAO Irrigation and Drainage Paper 56 (Allen et al. 1998), equation 11: its
 * example has es(15) = 1.705 and es(24.5) = 3.075 kPa (read); the others computed from the equation
 * outside this program. 0.001. */
START_TEST(vapour_pressure_is_as_the_fao_paper_has_it)
{
    static const double table[][2] = { { 10, 1.228 }, { 15, 1.705 }, { 20, 2.338 }, { 24.5, 3.075 },
        { 25, 3.168 }, { 30, 4.243 }, { 35, 5.623 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_double_eq_tol(practice_vapour_kpa(table[i][0]), table[i][1], 0.001);
    }
    /* another equation's value: ASHRAE has 3.169 kPa at 25 degC (from memory) */
    ck_assert_double_eq_tol(practice_vapour_kpa(25), 3.169, 0.002);
}
END_TEST

/* Another equation in another hand: psychrolib 1.1.1 of the npm registry (ASHRAE's, after Hyland
 * and Wexler), asked once. 0.1 %. */
START_TEST(vapour_pressure_agrees_with_another_library)
{
    static const double table[][2] = { { 10, 1.2280 }, { 15, 1.7054 }, { 20, 2.3388 },
        { 25, 3.1692 }, { 30, 4.2460 }, { 35, 5.6278 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_double_eq_tol(practice_vapour_kpa(table[i][0]) / table[i][1], 1, 0.001);
    }
}
END_TEST

/* From the same equation, computed outside this program. 0.001. */
START_TEST(deficits_are_those_of_the_table)
{
    static const double table[][3] = { { 20, 50, 1.169 }, { 22, 70, 0.793 }, { 24, 65, 1.044 },
        { 25, 60, 1.267 }, { 28, 55, 1.701 }, { 30, 40, 2.546 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_double_eq_tol(
            practice_vpd_kpa(table[i][0], table[i][1], table[i][0]), table[i][2], 0.001);
    }
}
END_TEST

/* umol times seconds of a day: 200 x 16 h 11.5, 250 x 18 16.2, 295 x 16 17.0, 400 x 16 23.0 mol. */
START_TEST(light_adds_up_over_the_day)
{
    static const double table[][3] = { { 200, 16, 11.5 }, { 250, 18, 16.2 }, { 295, 16, 17.0 },
        { 400, 16, 23.0 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_double_eq_tol(practice_dli_mol_m2(table[i][0], table[i][1]), table[i][2], 0.05);
    }
}
END_TEST

/* The dilution law of Gage and Bidwell (1926): 63.2, 86.5, 95.0, 98.2 % after 1 to 4 turnovers. A
 * page on turnover (read) has 95 to 98 % for 3 to 4. */
START_TEST(four_turnovers_mix_98_percent)
{
    static const double table[][2] = { { 1, 63.2 }, { 2, 86.5 }, { 3, 95.0 }, { 4, 98.2 },
        { 4.6, 99.0 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_double_eq_tol(100 * practice_mixed_share(table[i][0]), table[i][1], 0.05);
    }
    ck_assert_double_eq_tol(practice_turnovers_for(0.95) * 15, 45, 0.1); /* 100 L at 400 L/h */
}
END_TEST

/* pi/4 d^2: 12.566 mL in a metre of 4 mm; the others to the digit of the table; 1.5 m of 4 mm 18.8
 * mL; 2 m of 16 mm 402 mL. */
START_TEST(tubes_hold_what_their_bore_says)
{
    static const double table[][2] = { { 1, 0.79 }, { 1.6, 2.01 }, { 2, 3.14 }, { 2.4, 4.52 },
        { 3, 7.07 }, { 3.2, 8.04 }, { 6, 28.3 }, { 16, 201 } };
    ck_assert_double_eq_tol(practice_tube_ml(4, 1), 12.566, 0.001);
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_double_eq_tol(practice_tube_ml(table[i][0], 1) / table[i][1], 1, 0.0062);
    }
    ck_assert_double_eq_tol(practice_tube_ml(4, 1.5), 18.8, 0.05);
    ck_assert_double_eq_tol(practice_tube_ml(16, 2), 402, 0.5);
}
END_TEST

/* AWG 20 and 24: 33.3 and 84.2 mOhm/m (ASTM B258's geometry, 1.7241e-8 Ohm m of IEC 60028). 0.2 %;
 * the whole table is in tests/reference/supply_test.c. */
START_TEST(copper_wire_has_its_resistance)
{
    ck_assert_double_eq_tol(supply_cable_ohm(20, 1.0) / 2 * 1000 / 33.3, 1, 0.002);
    ck_assert_double_eq_tol(supply_cable_ohm(24, 1.0) / 2 * 1000 / 84.2, 1, 0.002);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("practice");
    tcase_add_test(tc, oxygen_is_saturated_as_benson_and_krause_say);
    tcase_add_test(tc, vapour_pressure_is_as_the_fao_paper_has_it);
    tcase_add_test(tc, vapour_pressure_agrees_with_another_library);
    tcase_add_test(tc, deficits_are_those_of_the_table);
    tcase_add_test(tc, light_adds_up_over_the_day);
    tcase_add_test(tc, four_turnovers_mix_98_percent);
    tcase_add_test(tc, tubes_hold_what_their_bore_says);
    tcase_add_test(tc, copper_wire_has_its_resistance);
    return run_case(tc, "practice");
}
