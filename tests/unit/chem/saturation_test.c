#include "lib/chem/saturation.h"

#include <math.h>
#include <string.h>

#include "tests/unit/support.h"

static struct problem problem;
static const struct air closed = { .open = false };

static struct water of_salt(enum ion a, double of_a, enum ion b, double of_b)
{
    struct water w = { { 0.0 } };
    w.mmol_l[a] += of_a;
    w.mmol_l[b] += of_b;
    return w;
}

static double index_of(const struct water *w, enum solid solid, double degc)
{
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, w, degc, &closed, &problem), ERR_NONE);
    return saturation_index(&e, solid);
}

/* Gypsum dissolves to 2.4 g/L of the dihydrate, 15.2 mmol/L, at 25 degC (CRC Handbook, from memory;
 * 2.0 to 2.1 g/L as CaSO4): 4 %. */
START_TEST(gypsum_dissolves_to_its_solubility)
{
    double low = 1.0, high = 60.0;
    for (int i = 0; i < 40; i++) {
        const double middle = 0.5 * (low + high);
        const struct water w = of_salt(ION_CA, middle, ION_SO4, middle);
        if (index_of(&w, SOLID_GYPSUM, 25.0) > 0.0)
            high = middle;
        else
            low = middle;
    }
    ck_assert_double_eq_tol(low, 15.2, 0.6);
}
END_TEST

START_TEST(a_solid_without_its_ions_has_no_index)
{
    const struct water w = of_salt(ION_K, 1.0, ION_NO3, 1.0);
    ck_assert_double_eq(index_of(&w, SOLID_GYPSUM, 20.0), SATURATION_NONE);
    ck_assert_double_eq(index_of(&w, SOLID_BRUSHITE, 20.0), SATURATION_NONE);
    ck_assert_double_gt(index_of(&w, SOLID_NITER, 20.0), -8.0);
    struct water calcium = of_salt(ION_CA, 1.0, ION_CL, 2.0);
    ck_assert_double_eq(index_of(&calcium, SOLID_BRUSHITE, 20.0), SATURATION_NONE);
}
END_TEST

/* All that falls and all that stays is what there was; what fell is in balance with what stayed. */
START_TEST(what_falls_and_what_stays_is_what_there_was)
{
    struct water w = { { 0.0 } };
    w.mmol_l[ION_CA] = 60.0;
    w.mmol_l[ION_NO3] = 100.0;
    w.mmol_l[ION_K] = 80.0;
    w.mmol_l[ION_SO4] = 40.0;
    w.mmol_l[ION_PO4] = 10.0;
    struct fall fall = { .count = 3, .solid = { SOLID_GYPSUM, SOLID_BRUSHITE, SOLID_STRUVITE } };
    ck_assert_int_eq(saturation_fall(&fall, &w, 20.0, &closed, &problem), ERR_NONE);
    ck_assert_double_gt(fall.mmol_l[0], 5.0);
    ck_assert_double_gt(fall.mmol_l[1], 0.05);
    ck_assert_double_eq(fall.mmol_l[2], 0.0);
    ck_assert_double_eq_tol(
        fall.left.mmol_l[ION_CA] + fall.mmol_l[0] + fall.mmol_l[1], 60.0, 60e-9);
    ck_assert_double_eq_tol(fall.left.mmol_l[ION_SO4] + fall.mmol_l[0], 40.0, 40e-9);
    ck_assert_double_eq_tol(fall.left.mmol_l[ION_PO4] + fall.mmol_l[1], 10.0, 10e-9);
    ck_assert_double_eq_tol(saturation_index(&fall.end, SOLID_GYPSUM), 0.0, 1e-6);
    ck_assert_double_eq_tol(saturation_index(&fall.end, SOLID_BRUSHITE), 0.0, 1e-6);
}
END_TEST

START_TEST(nothing_falls_from_a_thin_solution)
{
    const struct water w = of_salt(ION_CA, 4.0, ION_SO4, 2.0);
    struct fall fall = { .count = 1, .solid = { SOLID_GYPSUM } };
    ck_assert_int_eq(saturation_fall(&fall, &w, 20.0, &closed, &problem), ERR_NONE);
    ck_assert_double_eq(fall.mmol_l[0], 0.0);
    ck_assert(memcmp(&fall.left, &w, sizeof w) == 0);
    const struct water none = of_salt(ION_K, 4.0, ION_CL, 4.0);
    ck_assert_int_eq(saturation_fall(&fall, &none, 20.0, &closed, &problem), ERR_NONE);
    ck_assert_double_eq(fall.mmol_l[0], 0.0);
}
END_TEST

static const struct pure_salt {
    enum stock_crystal crystal;
    enum ion a, b;
    double of_a, of_b, g_mol;
} pure_salts[] = { { CRYSTAL_KNO3, ION_K, ION_NO3, 1, 1, 101.10 },
    { CRYSTAL_K2SO4, ION_K, ION_SO4, 2, 1, 174.25 },
    { CRYSTAL_KH2PO4, ION_K, ION_PO4, 1, 1, 136.08 },
    { CRYSTAL_NH4H2PO4, ION_NH4, ION_PO4, 1, 1, 115.03 },
    { CRYSTAL_MGSO4, ION_MG, ION_SO4, 1, 1, 120.36 }, { CRYSTAL_KCL, ION_K, ION_CL, 1, 1, 74.55 } };

/* The salt alone at a share of what dissolves at that temperature. */
static struct water solution_of(const struct pure_salt *salt, double degc, double share)
{
    const double mol_kg = crystal_solubility_g_100g(salt->crystal, degc) * 10.0 / salt->g_mol;
    struct water w = { { 0.0 } };
    double kg_l = 0.9;
    for (int round = 0; round < 20; round++) { /* its own volume */
        const double mmol_l = mol_kg * kg_l * share * 1000.0;
        w.mmol_l[salt->a] = salt->of_a * mmol_l;
        w.mmol_l[salt->b] = salt->of_b * mmol_l;
        kg_l = water_kg_per_l(&w);
    }
    return w;
}

/* A pure salt's saturated solution is at 0 by construction, at each of the table's temperatures and
 * between: 2 % more is over, 2 % less is clear. */
START_TEST(a_pure_salt_crystallises_at_its_solubility) /* _i is the salt */
{
    const struct pure_salt *salt = &pure_salts[_i];
    for (double degc = 0.0; degc <= 30.0; degc += 5.0) {
        const struct water over = solution_of(salt, degc, 1.02);
        const struct water under = solution_of(salt, degc, 0.98);
        struct crystals c;
        ck_assert_int_eq(stock_crystallises(&c, &over, degc, &problem), ERR_NONE);
        ck_assert_msg(c.any, "%s at %g", crystal_word(salt->crystal), degc);
        ck_assert_int_eq(c.crystal, salt->crystal);
        ck_assert_double_gt(c.share, 0.01);
        ck_assert_double_gt(c.clear_from_degc, degc);
        ck_assert_int_eq(stock_crystallises(&c, &under, degc, &problem), ERR_NONE);
        ck_assert_msg(!c.any, "%s at %g", crystal_word(salt->crystal), degc);
        ck_assert_double_le(c.clear_from_degc, degc);
    }
}
END_TEST

/* KNO3 saturated at 20 degC (31.6 g in 100 g) leaves 20.9 at 10 degC
 * and 13.3 at 0: a third and 58 % come out (CRC Handbook). A few per cent, as volumes change. */
START_TEST(saltpetre_saturated_at_20_degrees_loses_a_third_at_10)
{
    const struct water w = solution_of(&pure_salts[0], 20.0, 1.0);
    struct crystals c;
    ck_assert_int_eq(stock_crystallises(&c, &w, 10.0, &problem), ERR_NONE);
    ck_assert(c.any);
    ck_assert_double_eq_tol(c.share, 0.34, 0.04);
    ck_assert_double_eq_tol(c.clear_from_degc, 20.0, 0.1);
    ck_assert_int_eq(stock_crystallises(&c, &w, 0.0, &problem), ERR_NONE);
    ck_assert_double_eq_tol(c.share, 0.58, 0.05);
}
END_TEST

/* More potassium makes KNO3 less soluble. */
START_TEST(a_common_ion_counts)
{
    struct water w = of_salt(ION_K, 1500.0, ION_NO3, 1500.0);
    struct crystals alone, with;
    ck_assert_int_eq(stock_crystallises(&alone, &w, 5.0, &problem), ERR_NONE);
    w.mmol_l[ION_K] += 1000.0;
    w.mmol_l[ION_CL] += 1000.0;
    ck_assert_int_eq(stock_crystallises(&with, &w, 5.0, &problem), ERR_NONE);
    ck_assert(!alone.any);
    ck_assert(with.any);
    ck_assert_int_eq(with.crystal, CRYSTAL_KNO3);
    ck_assert_int_eq(stock_crystallises(&with, &w, 41.0, &problem), ERR_RANGE);
}
END_TEST

/* With twice as much potassium the phosphate is HPO4-2, and KH2PO4 far away. */
START_TEST(the_phosphate_that_crystallises_is_the_one_with_two_protons)
{
    const struct water acid = of_salt(ION_K, 1600.0, ION_PO4, 1600.0);
    const struct water basic = of_salt(ION_K, 3200.0, ION_PO4, 1600.0);
    struct crystals c;
    ck_assert_int_eq(stock_crystallises(&c, &acid, 5.0, &problem), ERR_NONE);
    ck_assert(c.any);
    ck_assert_int_eq(c.crystal, CRYSTAL_KH2PO4);
    ck_assert_int_eq(stock_crystallises(&c, &basic, 5.0, &problem), ERR_NONE);
    ck_assert(!c.any);
    ck_assert_double_lt(c.index, -1.0);
}
END_TEST

START_TEST(solubilities_are_the_tables_and_between)
{
    ck_assert_double_eq_tol(crystal_solubility_g_100g(CRYSTAL_KNO3, 0.0), 13.3, 1e-12);
    ck_assert_double_eq_tol(crystal_solubility_g_100g(CRYSTAL_KNO3, 20.0), 31.6, 1e-12);
    ck_assert_double_eq_tol(crystal_solubility_g_100g(CRYSTAL_KNO3, 25.0), 38.7, 1e-12);
    ck_assert_double_eq_tol(crystal_solubility_g_100g(CRYSTAL_KNO3, 40.0), 63.9, 1e-12);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("saturation");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, gypsum_dissolves_to_its_solubility);
    tcase_add_test(tc, a_solid_without_its_ions_has_no_index);
    tcase_add_test(tc, what_falls_and_what_stays_is_what_there_was);
    tcase_add_test(tc, nothing_falls_from_a_thin_solution);
    tcase_add_loop_test(tc, a_pure_salt_crystallises_at_its_solubility, 0, 6);
    tcase_add_test(tc, saltpetre_saturated_at_20_degrees_loses_a_third_at_10);
    tcase_add_test(tc, a_common_ion_counts);
    tcase_add_test(tc, the_phosphate_that_crystallises_is_the_one_with_two_protons);
    tcase_add_test(tc, solubilities_are_the_tables_and_between);
    return run_case(tc, "saturation");
}
