#include "lib/chem/bottle.h"

#include <math.h>

#include "lib/chem/element.h"
#include "tests/unit/support.h"

static struct solution holds(const struct stock_solution *stock, struct label_closure *closure)
{
    struct solution s;
    struct problem problem = { 0 };
    const enum err err = bottle_holds(&s, closure, stock, &problem);
    ck_assert_msg(err == ERR_NONE, "%s", problem.text);
    return s;
}

/* The hundredfold part B of Hoagland and Arnon's no. 1 (molarities from memory). */
START_TEST(salts_are_their_ions_in_a_litre)
{
    const struct stock_solution b = { .kind = STOCK_NUTRIENT,
        .salt_count = 3,
        .salt = { { "KNO3", 50.55 }, { "KH2PO4", 13.61 }, { "MgSO4.7H2O", 49.29 } } };
    struct label_closure closure = { .meq_g = 7 };
    const struct solution s = holds(&b, &closure);
    ck_assert_double_eq_tol(s.water.mmol_l[ION_K], 600, 0.1);
    ck_assert_double_eq_tol(s.water.mmol_l[ION_PO4], 100, 0.02);
    ck_assert_double_eq_tol(s.water.mmol_l[ION_SO4], 200, 0.03);
    ck_assert(closure.meq_g == 0);
}
END_TEST

/* 4-2-6 with 5 % CaO and 2 % MgO, 1.15 g/mL: 46 g of nitrogen in a litre. */
START_TEST(a_label_is_taken_with_its_density)
{
    const struct stock_solution grow = {
        .kind = STOCK_NUTRIENT, .has_label = true, .label = { 4, 1, 2, 6, 5, 2, 1.15 }
    };
    struct label_closure closure;
    const struct solution s = holds(&grow, &closure);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_N), 46000, 1e-6);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_AMMONIUM_N), 11500, 1e-6);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_P), 23000 * 0.4364, 2);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_K), 69000 * 0.8301, 5);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_CA), 57500 * 0.7147, 5);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_MG), 23000 * 0.6030, 5);
    ck_assert(closure.meq_g > 0);
}
END_TEST

/* 38 % nitric acid of 1.234 g/mL has 7.44 mol/L, 20 % K2CO3 of 1.19 g/mL 1.72 (computed outside).
 */
START_TEST(reagents_bring_their_ions)
{
    const struct stock_solution acid = {
        .kind = STOCK_ACID, .reagent = REAGENT_NITRIC, .percent_w_w = 38, .density_g_ml = 1.234
    };
    const struct stock_solution base = { .kind = STOCK_BASE,
        .reagent = REAGENT_POTASSIUM_CARBONATE,
        .percent_w_w = 20,
        .density_g_ml = 1.19 };
    const struct solution a = holds(&acid, NULL), b = holds(&base, NULL);
    ck_assert_double_eq_tol(a.water.mmol_l[ION_NO3], 7440, 5);
    ck_assert_double_eq_tol(b.water.mmol_l[ION_K], 3444, 3);
    ck_assert_double_eq_tol(b.water.mmol_l[ION_CO3], 1722, 2);
}
END_TEST

START_TEST(bottles_that_cant_be_are_refused)
{
    const struct stock_solution bad[] = {
        { .kind = STOCK_NUTRIENT, .salt_count = 1, .salt = { { "KNO2", 1 } } },
        { .kind = STOCK_NUTRIENT, .salt_count = 1, .salt = { { "KNO3", -1 } } },
        { .kind = STOCK_NUTRIENT, .salt_count = 1, .salt = { { "KNO3", NAN } } },
        { .kind = STOCK_NUTRIENT, .has_label = true, .label = { 4, 0, 0, 0, 0, 0, 0 } },
        { .kind = STOCK_NUTRIENT, .has_label = true, .label = { 4, 0, 0, 0, 0, 0, NAN } },
        { .kind = STOCK_NUTRIENT, .has_label = true, .label = { 4, 5, 0, 0, 0, 0, 1 } },
        { .kind = STOCK_ACID, .reagent = REAGENT_NITRIC, .percent_w_w = 101, .density_g_ml = 1 },
    };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct solution s = { .water = { { 7 } } };
        struct problem problem = { 0 };
        ck_assert_int_ne(bottle_holds(&s, NULL, &bad[i], &problem), ERR_NONE);
        ck_assert(problem.text[0] != '\0' && s.water.mmol_l[0] == 7);
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("bottle");
    tcase_add_test(tc, salts_are_their_ions_in_a_litre);
    tcase_add_test(tc, a_label_is_taken_with_its_density);
    tcase_add_test(tc, reagents_bring_their_ions);
    tcase_add_test(tc, bottles_that_cant_be_are_refused);
    return run_case(tc, "bottle");
}
