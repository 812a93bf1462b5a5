#include "lib/chem/stock.h"

#include <math.h>
#include <string.h>

#include "tests/unit/support.h"

/* The hundredfold parts of Hoagland and Arnon's solution no. 1 (California Agricultural Experiment
 * Station Circular 347, 1950; grams per litre computed from its molarities, which are from memory).
 */
static const struct stock_solution part_a = {
    .kind = STOCK_NUTRIENT, .salt_count = 1, .salt = { { "Ca(NO3)2.4H2O", 118.07 } }
};
static const struct stock_solution part_b = { .kind = STOCK_NUTRIENT,
    .salt_count = 3,
    .salt = { { "KNO3", 50.55 }, { "KH2PO4", 13.61 }, { "MgSO4.7H2O", 49.29 } } };

static struct stock_strength strength_of(const struct stock_solution *solution)
{
    struct stock_strength s;
    struct problem problem = { 0 };
    const enum err err = stock_strength_of(&s, solution, &problem);
    ck_assert_msg(err == ERR_NONE, "%s", problem.text);
    return s;
}

static struct stock_strength reagent(enum stock_reagent r, double percent, double density)
{
    const struct stock_solution solution = { .kind = r < REAGENT_POTASSIUM_HYDROXIDE ? STOCK_ACID
                                                                                     : STOCK_BASE,
        .reagent = r,
        .percent_w_w = percent,
        .density_g_ml = density };
    return strength_of(&solution);
}

/* 5 mmol/L calcium, 5 KNO3, 1 KH2PO4, 2 MgSO4 at full strength, a hundredfold in a mL per 0.01 L.
 */
START_TEST(a_recipe_has_the_molarities_that_it_was_made_from)
{
    const struct stock_strength a = strength_of(&part_a), b = strength_of(&part_b);
    ck_assert_double_eq_tol(a.calcium_mmol_ml, 0.5, 1e-4);
    ck_assert_double_eq_tol(a.cations_meq_ml, 1.0, 2e-4);
    ck_assert_double_eq_tol(b.cations_meq_ml, 1.0, 2e-4);
    ck_assert_double_eq_tol(b.phosphate_mmol_ml, 0.1, 2e-5);
    ck_assert_double_eq_tol(b.sulfate_mmol_ml, 0.2, 2e-5);
    ck_assert(a.phosphate_mmol_ml == 0 && a.sulfate_mmol_ml == 0 && b.calcium_mmol_ml == 0);
    ck_assert(a.acid_meq_ml == 0 && b.acid_meq_ml == 0 && a.ammonium_mmol_ml == 0);
    /* 1 mL of each in a litre is a tenth of 20 meq/L: 190 uS/cm by the 95-rule */
    ck_assert_double_eq_tol(stock_ec_us_cm_per_ml_l(&a) + stock_ec_us_cm_per_ml_l(&b), 190, 0.05);
}
END_TEST

START_TEST(ammonium_is_counted_and_is_a_cation)
{
    const struct stock_solution s = {
        .kind = STOCK_NUTRIENT, .salt_count = 1, .salt = { { "NH4H2PO4", 11.5026 } }
    };
    const struct stock_strength got = strength_of(&s);
    ck_assert_double_eq_tol(got.ammonium_mmol_ml, 0.1, 1e-5);
    ck_assert_double_eq_tol(got.cations_meq_ml, 0.1, 1e-5);
    ck_assert_double_eq_tol(got.phosphate_mmol_ml, 0.1, 1e-5);
}
END_TEST

/* 6 % CaO at 1.15 g/mL: 69 g/L CaO = 1.2305 mol/L; 2 % K2O: 23 g/L = 0.48835 mol/L of K. */
START_TEST(a_label_counts_oxides_by_weight)
{
    struct stock_solution s = { .kind = STOCK_NUTRIENT, .has_label = true };
    s.label = (struct stock_label){
        .n_percent = 4, .k2o_percent = 2, .cao_percent = 6, .density_g_ml = 1.15
    };
    const struct stock_strength got = strength_of(&s);
    ck_assert_double_eq_tol(got.calcium_mmol_ml, 1.2305, 1e-4);
    ck_assert_double_eq_tol(got.cations_meq_ml, 2 * 1.2305 + 0.48835, 3e-4);
    s.label = (struct stock_label){ .n_percent = 2,
        .ammonium_n_percent = 1.4007,
        .p2o5_percent = 14.1943,
        .mgo_percent = 4.0304,
        .density_g_ml = 1.0 };
    const struct stock_strength other = strength_of(&s);
    ck_assert_double_eq_tol(other.ammonium_mmol_ml, 1.0, 1e-4);
    ck_assert_double_eq_tol(other.phosphate_mmol_ml, 2.0, 1e-4);
    ck_assert_double_eq_tol(other.cations_meq_ml, 3.0, 3e-4);
}
END_TEST

START_TEST(acids_and_bases_have_their_normality)
{
    /* 5 % nitric acid at 1.026 g/mL: 51.3 g/L over 63.012 g/mol */
    ck_assert_double_eq_tol(reagent(REAGENT_NITRIC, 5, 1.026).acid_meq_ml, 0.81413, 1e-4);
    const struct stock_strength p = reagent(REAGENT_PHOSPHORIC, 9.7994, 1.0);
    ck_assert_double_eq_tol(p.acid_meq_ml, 1.0, 1e-4);
    ck_assert_double_eq_tol(p.phosphate_mmol_ml, 1.0, 1e-4);
    const struct stock_strength s = reagent(REAGENT_SULFURIC, 9.8072, 1.0);
    ck_assert_double_eq_tol(s.acid_meq_ml, 2.0, 1e-4);
    ck_assert_double_eq_tol(s.sulfate_mmol_ml, 1.0, 1e-4);
    ck_assert_double_eq_tol(reagent(REAGENT_CITRIC, 19.2123, 1.0).acid_meq_ml, 2.12, 1e-3);
    const struct stock_strength k = reagent(REAGENT_POTASSIUM_CARBONATE, 13.8204, 1.0);
    ck_assert_double_eq_tol(k.acid_meq_ml, -2.0, 1e-3);
    ck_assert_double_eq_tol(k.cations_meq_ml, 2.0, 1e-3);
    ck_assert_double_eq_tol(
        reagent(REAGENT_POTASSIUM_HYDROXIDE, 5.6105, 1.0).acid_meq_ml, -1.0, 1e-3);
    ck_assert_double_eq_tol(
        reagent(REAGENT_POTASSIUM_BICARBONATE, 10.0114, 1.0).acid_meq_ml, -1.0, 1e-3);
    ck_assert(reagent(REAGENT_NITRIC, 5, 1.026).cations_meq_ml == 0);
}
END_TEST

static void refused(const struct stock_solution *solution, enum err expected, const char *part)
{
    struct stock_strength s;
    memset(&s, 0x5a, sizeof s);
    const struct stock_strength before = s;
    struct problem problem = { 0 };
    const enum err err = stock_strength_of(&s, solution, &problem);
    ck_assert_msg(err == expected && problem.err == expected, "%d: %s", err, problem.text);
    ck_assert_msg(strstr(problem.text, part), "%s", problem.text);
    ck_assert_mem_eq(&s, &before, sizeof s);
    ck_assert_int_eq(stock_strength_of(&s, solution, NULL), expected);
}

START_TEST(what_has_no_effect_or_no_sense_is_refused)
{
    struct stock_solution s = part_b;
    s.salt[1].formula = "KH2Po4";
    refused(&s, ERR_UNKNOWN, "byte 4");
    s.salt[1].formula = "KH2PO4)";
    refused(&s, ERR_UNKNOWN, "byte 7");
    s = part_b;
    s.salt[2].g_per_l = -1;
    refused(&s, ERR_RANGE, "negative");
    s.salt[2].g_per_l = NAN;
    refused(&s, ERR_RANGE, "negative");
    s = part_a;
    s.salt[0] = (struct stock_salt){ "H3BO3", 3.0 };
    refused(&s, ERR_RANGE, "cations");
    s.salt_count = 0;
    refused(&s, ERR_RANGE, "cations");

    s.has_label = true;
    s.label = (struct stock_label){ .n_percent = 4, .k2o_percent = 5 };
    refused(&s, ERR_RANGE, "density");
    s.label.density_g_ml = INFINITY;
    refused(&s, ERR_RANGE, "density");
    s.label.density_g_ml = 1.1;
    s.label.ammonium_n_percent = 4.1;
    refused(&s, ERR_RANGE, "ammonium");
    s.label.ammonium_n_percent = 0;
    s.label.k2o_percent = 96.1;
    refused(&s, ERR_RANGE, "100 %");
    s.label.k2o_percent = -1;
    refused(&s, ERR_RANGE, "100 %");
    s.label.k2o_percent = NAN;
    refused(&s, ERR_RANGE, "100 %");
    s.label.k2o_percent = 0;
    refused(&s, ERR_RANGE, "cations");

    s = (struct stock_solution){ .kind = STOCK_ACID, .percent_w_w = 5, .density_g_ml = 1 };
    s.reagent = REAGENT_POTASSIUM_HYDROXIDE;
    refused(&s, ERR_RANGE, "isn't an acid");
    s.kind = STOCK_BASE;
    s.reagent = REAGENT_NITRIC;
    refused(&s, ERR_RANGE, "isn't a base");
    s.kind = STOCK_ACID;
    s.percent_w_w = 0;
    refused(&s, ERR_RANGE, "percent");
    s.percent_w_w = 100.1;
    refused(&s, ERR_RANGE, "percent");
    s.percent_w_w = 5;
    s.density_g_ml = 0;
    refused(&s, ERR_RANGE, "density");
}
END_TEST

START_TEST(what_precipitates_or_neutralises_is_kept_apart)
{
    const struct stock_strength a = strength_of(&part_a), b = strength_of(&part_b);
    const struct stock_strength nitric = reagent(REAGENT_NITRIC, 5, 1.03);
    const struct stock_strength phosphoric = reagent(REAGENT_PHOSPHORIC, 5, 1.03);
    const struct stock_strength sulfuric = reagent(REAGENT_SULFURIC, 5, 1.03);
    const struct stock_strength base = reagent(REAGENT_POTASSIUM_CARBONATE, 5, 1.04);
    ck_assert(stock_keep_apart(&a, &b) && stock_keep_apart(&b, &a));
    ck_assert(stock_keep_apart(&a, &phosphoric) && stock_keep_apart(&sulfuric, &a));
    ck_assert(stock_keep_apart(&nitric, &base) && stock_keep_apart(&base, &nitric));
    ck_assert(!stock_keep_apart(&a, &nitric) && !stock_keep_apart(&b, &nitric));
    ck_assert(!stock_keep_apart(&b, &phosphoric) && !stock_keep_apart(&a, &a));
    ck_assert(!stock_keep_apart(&nitric, &phosphoric));
}
END_TEST

START_TEST(reagents_have_words)
{
    for (int i = 0; i < REAGENT_COUNT; i++) {
        enum stock_reagent back = REAGENT_COUNT;
        ck_assert(stock_reagent_read(&back, stock_reagent_word((enum stock_reagent)i)));
        ck_assert_int_eq(back, i);
    }
    enum stock_reagent none = REAGENT_CITRIC;
    ck_assert(!stock_reagent_read(&none, "vinegar") && !stock_reagent_read(&none, ""));
    ck_assert_int_eq(none, REAGENT_CITRIC);
    ck_assert_str_eq(stock_reagent_word(REAGENT_POTASSIUM_CARBONATE), "potassium-carbonate");
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("stock");
    tcase_add_test(tc, a_recipe_has_the_molarities_that_it_was_made_from);
    tcase_add_test(tc, ammonium_is_counted_and_is_a_cation);
    tcase_add_test(tc, a_label_counts_oxides_by_weight);
    tcase_add_test(tc, acids_and_bases_have_their_normality);
    tcase_add_test(tc, what_has_no_effect_or_no_sense_is_refused);
    tcase_add_test(tc, what_precipitates_or_neutralises_is_kept_apart);
    tcase_add_test(tc, reagents_have_words);
    return run_case(tc, "stock");
}
