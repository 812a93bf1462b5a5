#include "lib/chem/analysis.h"

#include <math.h>
#include <string.h>

#include "lib/chem/conductivity.h"
#include "lib/chem/equilibrium.h"
#include "tests/unit/support.h"

static void give(struct analysis *a, enum analysis_item item, double value)
{
    a->given[item] = true;
    a->value[item] = value;
}

struct read {
    struct water water;
    struct analysis_report report;
    char said[600];
};

static struct read read_good(const struct analysis *a)
{
    struct read r;
    struct problem problem = { 0 };
    const enum err err = analysis_read(&r.water, &r.report, a, &problem);
    ck_assert_msg(err == ERR_NONE, "%s", problem.text);
    struct text t = text_over(r.said, sizeof r.said);
    analysis_say(&t, &r.report);
    ck_assert(!t.cut);
    return r;
}

static struct equilibrium solved(const struct water *w)
{
    static const struct air closed = { 0 };
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, w, 25, &closed, NULL), ERR_NONE);
    return e;
}

/* A whole report that balances within 0.2 meq/L: 3.92 of cations, 3.85 of anions. */
static struct analysis whole(void)
{
    struct analysis a = { .degc = 25 };
    give(&a, ANALYSIS_CA, 52);
    give(&a, ANALYSIS_MG, 8);
    give(&a, ANALYSIS_NA, 14);
    give(&a, ANALYSIS_K, 2);
    give(&a, ANALYSIS_CL, 21);
    give(&a, ANALYSIS_SO4, 24);
    give(&a, ANALYSIS_NO3, 10);
    give(&a, ANALYSIS_ALKALINITY, 2.6);
    give(&a, ANALYSIS_PH, 7.4);
    return a;
}

START_TEST(a_balanced_report_says_so_and_keeps_its_numbers)
{
    const struct analysis a = whole();
    const struct read r = read_good(&a);
    ck_assert_int_eq(r.report.verdict, ANALYSIS_BALANCED);
    ck_assert_uint_eq(r.report.assumed, 0);
    ck_assert_double_eq_tol(
        r.report.cations_meq_l, 2 * 52 / 40.078 + 2 * 8 / 24.305 + 14 / 22.990 + 2 / 39.098, 1e-9);
    ck_assert_double_eq_tol(
        r.report.anions_meq_l, 21 / 35.45 + 2 * 24 / 96.056 + 10 / 62.004 + 2.6, 2e-3);
    ck_assert_double_eq_tol(r.water.mmol_l[ION_NO3], 10 / 62.004, 1e-9);
    ck_assert_double_eq_tol(r.water.mmol_l[ION_CA], 52 / 40.078, 1e-9);
    ck_assert_ptr_nonnull(strstr(r.said, "balanced"));
    ck_assert_ptr_null(strstr(r.said, "NOT"));
    ck_assert_uint_eq(r.report.missing, 0);
    ck_assert_ptr_null(strstr(r.said, "not given"));
}
END_TEST

START_TEST(the_water_has_the_ph_and_the_alkalinity_of_the_report)
{
    static const double phs[] = { 6.2, 7.0, 7.8, 8.4 }, alkalinities[] = { 0.3, 1.0, 2.6, 6.0 };
    for (int i = 0; i < 4; i++) {
        for (int k = 0; k < 4; k++) {
            struct analysis a = whole();
            give(&a, ANALYSIS_PH, phs[i]);
            give(&a, ANALYSIS_ALKALINITY, alkalinities[k]);
            const struct read r = read_good(&a);
            const struct equilibrium e = solved(&r.water);
            ck_assert_double_eq_tol(e.ph, phs[i], 0.01);
            ck_assert_double_eq_tol(equilibrium_alkalinity_meq_l(&e), alkalinities[k], 0.005);
        }
    }
}
END_TEST

START_TEST(a_report_that_doesnt_balance_says_which_way)
{
    struct analysis a = whole();
    give(&a, ANALYSIS_CL, 90);
    struct read r = read_good(&a);
    ck_assert_int_eq(r.report.verdict, ANALYSIS_UNBALANCED);
    ck_assert_ptr_nonnull(strstr(r.said, "NOT balanced"));
    ck_assert_ptr_nonnull(strstr(r.said, "cation is missing"));
    ck_assert_int_eq(r.report.closed_with, ION_NA);
    ck_assert(r.report.percent < -10 && r.report.closed_meq_l > 1.5);
    a = whole();
    give(&a, ANALYSIS_CA, 120);
    r = read_good(&a);
    ck_assert_int_eq(r.report.closed_with, ION_CL);
    ck_assert_ptr_nonnull(strstr(r.said, "anion is missing"));
    ck_assert_double_eq_tol(r.water.mmol_l[ION_CL], 21 / 35.45 + r.report.closed_meq_l, 1e-6);
}
END_TEST

/* Standard Methods 1030 E: 0.2 meq/L below 3 meq/L of anions, 2 % below 10, 5 % above. */
START_TEST(the_balance_is_judged_by_the_strength_of_the_water)
{
    static const struct {
        double anions, off;
        enum analysis_verdict verdict;
    } table[] = { { 2, 0.19, ANALYSIS_BALANCED }, { 2, 0.21, ANALYSIS_UNBALANCED },
        { 2, -0.19, ANALYSIS_BALANCED }, { 2, -0.21, ANALYSIS_UNBALANCED },
        { 8, 0.30, ANALYSIS_BALANCED }, { 8, 0.35, ANALYSIS_UNBALANCED },
        { 20, 2.0, ANALYSIS_BALANCED }, { 20, 2.2, ANALYSIS_UNBALANCED } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct analysis a = { .degc = 25 };
        give(&a, ANALYSIS_CL, table[i].anions * 35.45);
        give(&a, ANALYSIS_NA, (table[i].anions + table[i].off) * 22.990);
        give(&a, ANALYSIS_ALKALINITY, 0);
        const struct read r = read_good(&a);
        ck_assert_msg(r.report.verdict == table[i].verdict, "row %zu", i);
    }
}
END_TEST

START_TEST(units_mean_the_same_water)
{
    struct analysis a = whole(), b = whole();
    memset(b.given, 0, sizeof b.given);
    give(&b, ANALYSIS_CA, 52);
    give(&b, ANALYSIS_HARDNESS_CACO3, (52 / 40.078 + 8 / 24.305) * 100.087);
    give(&b, ANALYSIS_NA, 14);
    give(&b, ANALYSIS_K, 2);
    give(&b, ANALYSIS_CL, 21);
    give(&b, ANALYSIS_SO4_S, 24 * 32.06 / 96.056);
    give(&b, ANALYSIS_NO3_N, 10 * 14.007 / 62.004);
    give(&b, ANALYSIS_ALKALINITY_CACO3, 2.6 * 50.0435);
    give(&b, ANALYSIS_PH, 7.4);
    const struct read x = read_good(&a), y = read_good(&b);
    for (int i = 0; i < ION_COUNT; i++) {
        ck_assert_double_eq_tol(x.water.mmol_l[i], y.water.mmol_l[i], 1e-4);
    }
    b.given[ANALYSIS_ALKALINITY_CACO3] = false;
    give(&b, ANALYSIS_HCO3, 2.6 * 61.016);
    ck_assert_double_eq_tol(read_good(&b).water.mmol_l[ION_CO3], x.water.mmol_l[ION_CO3], 1e-4);
}
END_TEST

START_TEST(what_is_missing_is_assumed_and_told)
{
    struct analysis a = { .degc = 25 };
    give(&a, ANALYSIS_ALKALINITY, 2.0);
    struct read r = read_good(&a);
    ck_assert_uint_eq(r.report.assumed, ANALYSIS_ASSUMED_PH | ANALYSIS_ASSUMED_CATIONS);
    ck_assert_int_eq(r.report.verdict, ANALYSIS_NOT_JUDGED);
    ck_assert_double_eq_tol(r.water.mmol_l[ION_CA], 0.5, 1e-9);
    ck_assert_double_eq_tol(r.water.mmol_l[ION_MG], 0.2, 1e-9);
    ck_assert_double_eq_tol(r.water.mmol_l[ION_NA], 0.6, 0.01);
    ck_assert_double_eq_tol(solved(&r.water).ph, 7.6, 0.01);
    ck_assert_ptr_nonnull(strstr(r.said, "7.6 assumed"));
    ck_assert_ptr_nonnull(strstr(r.said, "taken as none: no3, cl, so4"));

    struct analysis salty = a;
    give(&salty, ANALYSIS_CL, 35.45);
    r = read_good(&salty);
    ck_assert_double_eq_tol(r.water.mmol_l[ION_NA], 1.6, 0.01);
    ck_assert(r.report.closed_meq_l < 0.02);

    give(&a, ANALYSIS_HARDNESS_CACO3, 100.087);
    r = read_good(&a);
    ck_assert_uint_eq(r.report.assumed, ANALYSIS_ASSUMED_PH | ANALYSIS_ASSUMED_HARDNESS_SPLIT);
    ck_assert_double_eq_tol(r.water.mmol_l[ION_CA], 5.0 / 7, 1e-6);
    ck_assert_double_eq_tol(r.water.mmol_l[ION_CA] + r.water.mmol_l[ION_MG], 1, 1e-6);

    a = whole();
    a.given[ANALYSIS_NA] = a.given[ANALYSIS_SO4] = false;
    r = read_good(&a);
    ck_assert_uint_eq(r.report.missing, 1U << ANALYSIS_NA | 1U << ANALYSIS_SO4);

    a = whole();
    a.given[ANALYSIS_ALKALINITY] = false;
    r = read_good(&a);
    ck_assert_uint_eq(r.report.assumed, ANALYSIS_ASSUMED_ALKALINITY);
    ck_assert_double_eq_tol(r.report.alkalinity_meq_l, 2.67, 0.05);
}
END_TEST

START_TEST(an_ec_alone_becomes_salt)
{
    for (double ec = 0.05; ec < 4; ec *= 2) {
        struct analysis a = { .degc = 20 };
        give(&a, ANALYSIS_EC, ec);
        const struct read r = read_good(&a);
        ck_assert_double_eq_tol(r.report.ec_us_cm / (1000 * ec), 1, 1e-4);
        ck_assert((r.report.assumed & ANALYSIS_ASSUMED_SALT) != 0);
        ck_assert_double_eq_tol(r.water.mmol_l[ION_NA], r.water.mmol_l[ION_CL], 1e-6);
    }
    struct analysis a = { .degc = 20 };
    give(&a, ANALYSIS_EC, 0.35);
    give(&a, ANALYSIS_ALKALINITY, 2.1);
    const struct read r = read_good(&a);
    ck_assert_double_eq_tol(r.report.ec_us_cm, 350, 0.1);
    ck_assert(r.water.mmol_l[ION_CL] > 0.5);
    /* more alkalinity than the EC has room for: nothing is taken away */
    give(&a, ANALYSIS_EC, 0.1);
    const struct read low = read_good(&a);
    ck_assert(low.report.ec_us_cm > 150 && (low.report.assumed & ANALYSIS_ASSUMED_SALT) == 0);
}
END_TEST

START_TEST(pure_water_is_pure)
{
    const struct analysis a = { .degc = 25 };
    const struct read r = read_good(&a);
    for (int i = 0; i < ION_COUNT; i++) {
        ck_assert(r.water.mmol_l[i] == 0);
    }
    ck_assert(r.report.ec_us_cm < 0.1 && r.said[0] != '\0');
}
END_TEST

START_TEST(nonsense_is_refused_by_name)
{
    static const struct {
        enum analysis_item item;
        double value;
    } bad[] = { { ANALYSIS_CA, -1 }, { ANALYSIS_CA, 20001 }, { ANALYSIS_PH, 2.9 },
        { ANALYSIS_PH, 11.1 }, { ANALYSIS_ALKALINITY, 101 }, { ANALYSIS_EC, NAN },
        { ANALYSIS_NO3, INFINITY } };
    struct water w;
    struct analysis_report report;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct analysis a = whole();
        struct problem problem = { 0 };
        give(&a, bad[i].item, bad[i].value);
        ck_assert_int_eq(analysis_read(&w, &report, &a, &problem), ERR_RANGE);
        ck_assert_msg(
            strstr(problem.text, analysis_word(bad[i].item)) == problem.text, "%s", problem.text);
        ck_assert_ptr_nonnull(strstr(problem.text, "allowed"));
    }
    struct analysis a = whole();
    give(&a, ANALYSIS_HCO3, 100);
    ck_assert_int_eq(analysis_read(&w, &report, &a, NULL), ERR_DUPLICATE);
    a = whole();
    give(&a, ANALYSIS_NO3_N, 1);
    ck_assert_int_eq(analysis_read(&w, &report, &a, NULL), ERR_DUPLICATE);
    a = whole();
    a.degc = 51;
    ck_assert_int_eq(analysis_read(&w, &report, &a, NULL), ERR_RANGE);
}
END_TEST

START_TEST(words_read_back)
{
    for (int i = 0; i < ANALYSIS_ITEM_COUNT; i++) {
        enum analysis_item item;
        ck_assert(analysis_item_read(&item, analysis_word((enum analysis_item)i)));
        ck_assert_int_eq(item, i);
        ck_assert_ptr_nonnull(analysis_unit(item));
    }
    enum analysis_item item;
    ck_assert(!analysis_item_read(&item, "calcium"));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("analysis");
    tcase_add_test(tc, a_balanced_report_says_so_and_keeps_its_numbers);
    tcase_add_test(tc, the_water_has_the_ph_and_the_alkalinity_of_the_report);
    tcase_add_test(tc, a_report_that_doesnt_balance_says_which_way);
    tcase_add_test(tc, the_balance_is_judged_by_the_strength_of_the_water);
    tcase_add_test(tc, units_mean_the_same_water);
    tcase_add_test(tc, what_is_missing_is_assumed_and_told);
    tcase_add_test(tc, an_ec_alone_becomes_salt);
    tcase_add_test(tc, pure_water_is_pure);
    tcase_add_test(tc, nonsense_is_refused_by_name);
    tcase_add_test(tc, words_read_back);
    return run_case(tc, "analysis");
}
