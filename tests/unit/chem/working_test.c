#include "lib/chem/working.h"

#include <math.h>
#include <string.h>

#include "lib/chem/analysis.h"
#include "lib/chem/bottle.h"
#include "lib/chem/conductivity.h"
#include "lib/chem/stock.h"
#include "tests/unit/support.h"

static struct problem problem;
static struct water source, a, b;

/* Tern Hall's water and stocks. */
static void prepare(void)
{
    struct analysis analysis = { .degc = 25.0 };
    struct analysis_report report;
    analysis.given[ANALYSIS_EC] = analysis.given[ANALYSIS_ALKALINITY] = true;
    analysis.value[ANALYSIS_EC] = 0.35;
    analysis.value[ANALYSIS_ALKALINITY] = 1.5;
    ck_assert_int_eq(analysis_read(&source, &report, &analysis, &problem), ERR_NONE);
    const struct stock_solution sa = { .kind = STOCK_NUTRIENT,
        .salt_count = 2,
        .salt = { { "Ca(NO3)2.4H2O", 94.0 }, { "KNO3", 25.0 } } };
    const struct stock_solution sb = { .kind = STOCK_NUTRIENT,
        .salt_count = 3,
        .salt = { { "KNO3", 35.0 }, { "KH2PO4", 13.6 }, { "MgSO4.7H2O", 49.3 } } };
    struct solution held;
    ck_assert_int_eq(bottle_holds(&held, NULL, &sa, &problem), ERR_NONE);
    a = held.water;
    ck_assert_int_eq(bottle_holds(&held, NULL, &sb, &problem), ERR_NONE);
    b = held.water;
}

static double ec_of(const struct water *w)
{
    const struct air air = { .open = true, .log_pco2 = AIR_LOG_PCO2 };
    double ec;
    ck_assert_int_eq(water_ec_us_cm(&ec, w, 25.0, &air, &problem), ERR_NONE);
    return ec;
}

static double ph_of(const struct water *w)
{
    const struct air air = { .open = true, .log_pco2 = AIR_LOG_PCO2 };
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, w, 25.0, &air, &problem), ERR_NONE);
    return e.ph;
}

static struct water at(double ec_us_cm, double ph)
{
    const struct working_part part[] = { { &a, 1 }, { &b, 1 } };
    const struct working_wish wish = { &source, 2, part, ec_us_cm, ph };
    struct water w;
    ck_assert_msg(working_water(&w, &wish, &problem) == ERR_NONE, "%s", problem.text);
    return w;
}

START_TEST(the_water_has_the_ph_and_nearly_the_ec_that_were_wished_for)
{
    static const double ec[] = { 600, 1200, 2000, 3500 };
    const struct water w = at(ec[_i], 5.8);
    ck_assert_double_eq_tol(ph_of(&w), 5.8, 1e-4);
    ck_assert_double_eq_tol(ec_of(&w), ec[_i], 0.05 * ec[_i] + 40); /* the acid comes on top */
    ck_assert_double_gt(w.mmol_l[ION_CA], source.mmol_l[ION_CA]);
}
END_TEST

START_TEST(a_water_that_is_there_already_gets_no_recipe)
{
    const struct water w = at(200, 5.8);
    ck_assert_double_eq_tol(w.mmol_l[ION_CA], source.mmol_l[ION_CA], 1e-12);
    ck_assert_double_eq_tol(ph_of(&w), 5.8, 1e-4);
}
END_TEST

/* The slope is that of a real dose, and it falls as the tank fills. */
START_TEST(a_small_dose_does_what_the_slope_says)
{
    const struct water *const stock[] = { &a, &b };
    struct water weak = at(600, 5.8), strong = at(2400, 5.8), dosed = weak;
    double slope, later;
    ck_assert_int_eq(working_ec_per_ml_l(&slope, &weak, stock[_i], &problem), ERR_NONE);
    water_add(&dosed, stock[_i], 0.2 / 1000);
    ck_assert_double_eq_tol((ec_of(&dosed) - ec_of(&weak)) / 0.2, slope, 0.01 * fabs(slope) + 0.2);
    ck_assert_int_eq(working_ec_per_ml_l(&later, &strong, stock[_i], &problem), ERR_NONE);
    ck_assert_double_lt(later, slope);
}
END_TEST

/* Common practice, no source: 95 uS/cm for each meq/L of cations, good to some 15 %. It holds for a
 * whole recipe: nitrates alone do more, sulfates and phosphates less. */
START_TEST(a_recipe_does_about_what_the_rule_of_thumb_says)
{
    const struct water w = at(1600, 5.8);
    double slope_a, slope_b;
    ck_assert_int_eq(working_ec_per_ml_l(&slope_a, &w, &a, &problem), ERR_NONE);
    ck_assert_int_eq(working_ec_per_ml_l(&slope_b, &w, &b, &problem), ERR_NONE);
    const double meq_a = water_cations_meq_l(&a) / 1000, meq_b = water_cations_meq_l(&b) / 1000;
    ck_assert_double_gt(slope_a / meq_a, 95.0);
    ck_assert_double_lt(slope_b / meq_b, slope_a / meq_a);
    ck_assert_double_eq_tol((slope_a + slope_b) / (meq_a + meq_b), 95.0, 0.15 * 95.0);
}
END_TEST

START_TEST(what_cannot_be_is_refused)
{
    const struct water nothing = { { 0 } };
    const struct working_part part[] = { { &nothing, 1 } };
    const struct working_wish wish = { &source, 1, part, 1200, 5.8 };
    struct water w;
    double slope;
    ck_assert_int_eq(working_water(&w, &wish, &problem), ERR_RANGE);
    ck_assert_ptr_nonnull(strstr(problem.text, "can't bring"));
    ck_assert_int_eq(working_ec_per_ml_l(&slope, &source, &nothing, &problem), ERR_RANGE);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("working");
    tcase_add_checked_fixture(t, prepare, NULL);
    tcase_add_loop_test(t, the_water_has_the_ph_and_nearly_the_ec_that_were_wished_for, 0, 4);
    tcase_add_test(t, a_water_that_is_there_already_gets_no_recipe);
    tcase_add_loop_test(t, a_small_dose_does_what_the_slope_says, 0, 2);
    tcase_add_test(t, a_recipe_does_about_what_the_rule_of_thumb_says);
    tcase_add_test(t, what_cannot_be_is_refused);
    return run_case(t, "working");
}
