#include "lib/chem/element.h"

#include <math.h>

#include "tests/unit/support.h"

START_TEST(each_nutrient_is_its_own_ion)
{
    static const enum ion ions[NUTRIENT_COUNT] = { ION_NO3, ION_NO3, ION_NH4, ION_PO4, ION_K,
        ION_CA, ION_MG, ION_SO4, ION_NA, ION_CL, ION_FE, ION_MN, ION_ZN, ION_CU, ION_BO3, ION_MOO4,
        ION_SIO3 };
    for (int n = 0; n < NUTRIENT_COUNT; n++) {
        struct solution s = { 0 };
        s.water.mmol_l[ions[n]] = 2;
        ck_assert_double_eq_tol(nutrient_mmol_l(&s, (enum nutrient)n), 2, 1e-12);
        ck_assert_double_eq_tol(
            nutrient_mg_l(&s, (enum nutrient)n), 2 * nutrient_g_per_mol((enum nutrient)n), 1e-9);
        for (int other = 0; other < NUTRIENT_COUNT; other++) {
            const bool nitrogen = other == NUTRIENT_N || n == NUTRIENT_N;
            if (other != n && !nitrogen) ck_assert(nutrient_mmol_l(&s, (enum nutrient)other) == 0);
        }
    }
}
END_TEST

START_TEST(nitrogen_is_both_and_iron_is_free_and_held)
{
    struct solution s = { 0 };
    s.water.mmol_l[ION_NO3] = 10;
    s.water.mmol_l[ION_NH4] = 1;
    s.water.mmol_l[ION_FE] = 0.01;
    s.held_mmol_l[HELD_FE] = 0.02;
    s.held_mmol_l[HELD_CU] = 0.5;
    ck_assert_double_eq_tol(nutrient_mmol_l(&s, NUTRIENT_N), 11, 1e-12);
    ck_assert_double_eq_tol(nutrient_mmol_l(&s, NUTRIENT_NITRATE_N), 10, 1e-12);
    ck_assert_double_eq_tol(nutrient_mmol_l(&s, NUTRIENT_FE), 0.03, 1e-12);
    ck_assert_double_eq_tol(nutrient_mmol_l(&s, NUTRIENT_CU), 0.5, 1e-12);
    ck_assert(nutrient_mmol_l(&s, NUTRIENT_ZN) == 0);
}
END_TEST

START_TEST(words_name_elements_ions_and_oxides)
{
    static const struct {
        const char *word;
        enum nutrient nutrient;
        double g_per_mol;
    } table[] = { { "N", NUTRIENT_N, 14.007 }, { "NO3-N", NUTRIENT_NITRATE_N, 14.007 },
        { "NO3", NUTRIENT_NITRATE_N, 62.004 }, { "NH4", NUTRIENT_AMMONIUM_N, 18.039 },
        { "SO4", NUTRIENT_S, 96.06 }, { "H2PO4", NUTRIENT_P, 96.986 }, { "PO4", NUTRIENT_P, 94.97 },
        { "P2O5", NUTRIENT_P, 70.97 }, { "K2O", NUTRIENT_K, 47.098 },
        { "Ca", NUTRIENT_CA, 40.078 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        enum nutrient n;
        double mass;
        ck_assert(nutrient_read(&n, &mass, table[i].word));
        ck_assert_int_eq(n, table[i].nutrient);
        ck_assert_double_eq_tol(mass, table[i].g_per_mol, 0.005);
    }
    enum nutrient n;
    double mass;
    ck_assert(!nutrient_read(&n, &mass, "ca") && !nutrient_read(&n, &mass, "") &&
              !nutrient_read(&n, &mass, "X"));
    for (int i = 0; i < NUTRIENT_COUNT; i++) {
        ck_assert(nutrient_read(&n, &mass, nutrient_word((enum nutrient)i)) && (int)n == i);
    }
}
END_TEST

START_TEST(ions_have_the_mass_that_laboratories_report)
{
    static const struct {
        enum ion ion;
        double g_per_mol;
    } table[] = { { ION_NO3, 62.00 }, { ION_SO4, 96.06 }, { ION_PO4, 94.97 }, { ION_CO3, 60.01 },
        { ION_NH4, 18.04 }, { ION_CA, 40.08 }, { ION_BO3, 10.81 }, { ION_SIO3, 28.09 },
        { ION_MOO4, 95.95 }, { ION_CIT, 189.10 }, { ION_FEEDTA, 0 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_double_eq_tol(ion_g_per_mol(table[i].ion), table[i].g_per_mol, 0.006);
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("element");
    tcase_add_test(tc, each_nutrient_is_its_own_ion);
    tcase_add_test(tc, nitrogen_is_both_and_iron_is_free_and_held);
    tcase_add_test(tc, words_name_elements_ions_and_oxides);
    tcase_add_test(tc, ions_have_the_mass_that_laboratories_report);
    return run_case(tc, "element");
}
