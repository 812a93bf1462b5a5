#include "lib/chem/conductivity.h"

#include <math.h>

#include "tests/unit/support.h"

static struct problem problem;
static const struct air closed = { .open = false };

static double ec_of(const struct water *w, double degc)
{
    double ec = 0.0;
    ck_assert_int_eq(water_ec_us_cm(&ec, w, degc, &closed, &problem), ERR_NONE);
    return ec;
}

/* R. A. Robinson and R. H. Stokes, "Electrolyte Solutions", appendix 6.2 (from memory): half a per
 * cent, sodium one. */
START_TEST(limiting_conductances_follow_the_handbook)
{
    static const double degc[] = { 5.0, 15.0, 25.0, 35.0 };
    static const double potassium[] = { 46.75, 59.66, 73.50, 88.21 };
    static const double sodium[] = { 30.30, 39.77, 50.10, 61.54 };
    static const double chloride[] = { 47.51, 61.41, 76.35, 92.21 };
    static const double hydrogen[] = { 250.1, 300.6, 349.8, 397.0 };
    for (int i = 0; i < 4; i++) {
        const double t = degc[i];
        ck_assert_double_eq_tol(
            conductivity_limiting((enum species)ION_K, t) / potassium[i], 1.0, 0.005);
        ck_assert_double_eq_tol(
            conductivity_limiting((enum species)ION_NA, t) / sodium[i], 1.0, 0.015);
        ck_assert_double_eq_tol(
            conductivity_limiting((enum species)ION_CL, t) / chloride[i], 1.0, 0.01);
        ck_assert_double_eq_tol(conductivity_limiting(SP_H, t) / hydrogen[i], 1.0, 0.01);
    }
    ck_assert(!(conductivity_limiting(SP_CO2, 25.0) > 0.0));
    ck_assert(!(conductivity_limiting(SP_CASO4, 25.0) > 0.0));
}
END_TEST

/* 0.055 uS/cm at 25 degC (ASTM D5391 and textbooks). */
START_TEST(pure_water_hardly_conducts)
{
    const struct water w = { { 0.0 } };
    ck_assert_double_eq_tol(ec_of(&w, 25.0), 0.055, 0.0005);
}
END_TEST

START_TEST(ec_rises_with_salt_and_warmth)
{
    double before = 0.0;
    for (double mmol_l = 0.01; mmol_l < 100.0; mmol_l *= 1.2) {
        const struct water w = { { [ION_CA] = mmol_l, [ION_NO3] = 2.0 * mmol_l } };
        const double ec = ec_of(&w, 20.0);
        ck_assert_double_gt(ec, before);
        ck_assert_double_gt(ec_of(&w, 21.0), ec * 1.015); /* about 2 % a degree */
        ck_assert_double_lt(ec_of(&w, 21.0), ec * 1.03);
        before = ec;
    }
}
END_TEST

/* By Kohlrausch, in thin solutions: two salts together conduct as much as both alone. */
START_TEST(thin_solutions_add_up)
{
    const struct water a = { { [ION_K] = 0.02, [ION_CL] = 0.02 } };
    const struct water b = { { [ION_CA] = 0.01, [ION_NO3] = 0.02 } };
    struct water both = a;
    water_add(&both, &b, 1.0);
    const double water = 0.055;
    ck_assert_double_eq_tol(
        ec_of(&both, 25.0) / (ec_of(&a, 25.0) + ec_of(&b, 25.0) - water), 1.0, 0.005);
}
END_TEST

START_TEST(what_equilibrium_refuses_has_no_ec)
{
    const struct water w = { { [ION_K] = -1.0 } };
    double ec = 0.0;
    ck_assert_int_eq(water_ec_us_cm(&ec, &w, 25.0, &closed, &problem), ERR_RANGE);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("conductivity");
    tcase_add_test(tc, limiting_conductances_follow_the_handbook);
    tcase_add_test(tc, pure_water_hardly_conducts);
    tcase_add_test(tc, ec_rises_with_salt_and_warmth);
    tcase_add_test(tc, thin_solutions_add_up);
    tcase_add_test(tc, what_equilibrium_refuses_has_no_ec);
    return run_case(tc, "conductivity");
}
