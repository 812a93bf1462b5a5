#include "lib/chem/keep_apart.h"

#include "tests/unit/support.h"

static struct problem problem;

/* Hoagland and Arnon's no. 1 (1950; from memory) as stocks of 100 times. */
static struct water stock_a(void)
{
    return (struct water){ { [ION_CA] = 500, [ION_NO3] = 1000, [ION_FEEDTA] = 4, [ION_NA] = 4 } };
}

static struct water stock_b(void)
{
    return (struct water){
        { [ION_K] = 600, [ION_NO3] = 500, [ION_PO4] = 100, [ION_MG] = 200, [ION_SO4] = 200 }
    };
}

static struct water tank(void)
{
    const struct water a = stock_a(), b = stock_b();
    struct water w = { { 0.0 } };
    water_add(&w, &a, 0.01);
    water_add(&w, &b, 0.01);
    return w;
}

static struct keep_apart look(const struct water *a, const struct water *b)
{
    const struct water line = tank();
    const struct overlap overlap = { a, b, &line, 20.0 };
    struct keep_apart ret;
    ck_assert_msg(keep_apart_look(&ret, &overlap, &problem) == ERR_NONE, "%s", problem.text);
    return ret;
}

static double gypsum_index(double parts)
{
    const struct water a = stock_a(), b = stock_b(), line = tank();
    struct water mix = { { 0.0 } };
    water_add(&mix, &a, 1.0 / parts);
    water_add(&mix, &b, 1.0 / parts);
    water_add(&mix, &line, (parts - 2.0) / parts);
    const struct air closed = { .open = false };
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, &mix, 20.0, &closed, &problem), ERR_NONE);
    return saturation_index(&e, SOLID_GYPSUM);
}

START_TEST(calcium_and_sulfate_fall_out_and_the_water_between_is_found)
{
    const struct water a = stock_a(), b = stock_b();
    const struct keep_apart k = look(&a, &b), other = look(&b, &a);
    ck_assert(k.apart && k.falls);
    ck_assert(!k.acid_base && !k.chelate && !k.ammonia && !k.crystals);
    ck_assert_int_eq(k.solid, SOLID_GYPSUM);
    ck_assert_double_eq_tol(k.index, gypsum_index(2.0), 1e-9);
    ck_assert_int_eq(k.last, SOLID_GYPSUM);
    ck_assert_double_le(gypsum_index(k.clear_parts), 0.0); /* just clear here, just not before */
    ck_assert_double_gt(gypsum_index(k.clear_parts * 0.999), 0.0);
    ck_assert_double_eq_tol(k.clear_parts, other.clear_parts, 1e-9);
}
END_TEST

START_TEST(the_same_stock_or_two_of_one_side_may_meet)
{
    const struct water b = stock_b();
    const struct water potash = { { [ION_K] = 1000, [ION_NO3] = 1000 } };
    const struct keep_apart k = look(&b, &potash);
    ck_assert(!k.apart);
    ck_assert_double_eq(k.clear_parts, 2.0);
    const struct water a = stock_a();
    ck_assert(!look(&a, &potash).apart);
}
END_TEST

START_TEST(acid_and_base_must_not_meet_even_when_nothing_falls)
{
    const struct water acid = { { [ION_NO3] = 13000 } }; /* stronger than the equations take */
    const struct water base = { { [ION_K] = 2000, [ION_CO3] = 1000 } };
    const struct keep_apart k = look(&acid, &base), other = look(&base, &acid);
    ck_assert(k.apart && k.acid_base);
    ck_assert(other.apart && other.acid_base);
    const struct water weak = { { [ION_NO3] = 50 } };
    ck_assert(!look(&acid, &weak).acid_base);
}
END_TEST

START_TEST(acid_frees_iron_and_base_frees_ammonia)
{
    const struct water acid = { { [ION_NO3] = 800 } }, base = { { [ION_K] = 500 } };
    const struct water a = stock_a();
    ck_assert(look(&acid, &a).chelate);
    ck_assert(look(&a, &acid).chelate);
    const struct water feed = { { [ION_NH4] = 100, [ION_NO3] = 100 } };
    ck_assert(look(&base, &feed).ammonia);
    ck_assert(look(&feed, &base).ammonia);
    ck_assert(!look(&acid, &feed).apart);
}
END_TEST

START_TEST(carbonate_with_calcium_gives_calcite)
{
    const struct water base = { { [ION_K] = 1000, [ION_CO3] = 500 } }, a = stock_a();
    const struct keep_apart k = look(&base, &a);
    ck_assert(k.falls);
    ck_assert_int_eq(k.solid, SOLID_CALCITE);
}
END_TEST

/* Ammonium sulfate and potassium chloride, both strong, give potassium sulfate: an old
 * warning of growers (common practice), K2SO4 11.1 g in 100 g at 20 degC (CRC Handbook). */
START_TEST(potassium_sulfate_crystallises_from_two_clear_stocks)
{
    const struct water sulfate = { { [ION_NH4] = 6000, [ION_SO4] = 3000 } };
    const struct water chloride = { { [ION_K] = 3400, [ION_CL] = 3400 } };
    struct crystals alone;
    ck_assert_int_eq(stock_crystallises(&alone, &chloride, 20.0, &problem), ERR_NONE);
    ck_assert(!alone.any);
    const struct keep_apart k = look(&sulfate, &chloride);
    ck_assert(k.apart && k.crystals);
    ck_assert_int_eq(k.crystal, CRYSTAL_K2SO4);
}
END_TEST

START_TEST(a_temperature_out_of_range_is_refused)
{
    const struct water a = stock_a(), b = stock_b();
    const struct overlap overlap = { &a, &b, &a, 60.0 };
    struct keep_apart ret;
    ck_assert_int_eq(keep_apart_look(&ret, &overlap, &problem), ERR_RANGE);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("keep_apart");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, calcium_and_sulfate_fall_out_and_the_water_between_is_found);
    tcase_add_test(tc, the_same_stock_or_two_of_one_side_may_meet);
    tcase_add_test(tc, acid_and_base_must_not_meet_even_when_nothing_falls);
    tcase_add_test(tc, acid_frees_iron_and_base_frees_ammonia);
    tcase_add_test(tc, carbonate_with_calcium_gives_calcite);
    tcase_add_test(tc, potassium_sulfate_crystallises_from_two_clear_stocks);
    tcase_add_test(tc, a_temperature_out_of_range_is_refused);
    return run_case(tc, "keep_apart");
}
