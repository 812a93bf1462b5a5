#include "lib/chem/label.h"

#include <math.h>
#include <string.h>

#include "lib/chem/element.h"
#include "tests/unit/support.h"

static struct salt read_good(const struct label *label, struct label_closure *closure)
{
    struct salt s;
    struct problem problem = { 0 };
    const enum err err = label_read(&s, closure, label, &problem);
    ck_assert_msg(err == ERR_NONE, "%s", problem.text);
    return s;
}

static double charge_of(const struct salt *s)
{
    double charge = 2.0 * s->per_g.mmol_l[ION_PO4]; /* as H2PO4- */
    for (int i = 0; i < ION_COUNT; i++) {
        charge += s->per_g.mmol_l[i] * ion_charge((enum ion)i);
    }
    return charge;
}

/* 10 g of a 4-2-6 (1 % of it ammonium) with 5 % CaO, 2 % MgO: what each oxide holds, by hand. */
START_TEST(shares_become_ions)
{
    const struct label label = { .percent = { [LABEL_N] = 4,
                                     [LABEL_AMMONIUM_N] = 1,
                                     [LABEL_P2O5] = 2,
                                     [LABEL_K2O] = 6,
                                     [LABEL_CAO] = 5,
                                     [LABEL_MGO] = 2 } };
    const struct salt s = read_good(&label, NULL);
    struct solution sum = { 0 };
    salt_dissolve(&sum, &s, 10.0); /* g/L: 1 % is 100 mg/L */
    ck_assert_double_eq_tol(nutrient_mg_l(&sum, NUTRIENT_N), 400, 1e-9);
    ck_assert_double_eq_tol(nutrient_mg_l(&sum, NUTRIENT_AMMONIUM_N), 100, 1e-9);
    ck_assert_double_eq_tol(nutrient_mg_l(&sum, NUTRIENT_NITRATE_N), 300, 1e-9);
    ck_assert_double_eq_tol(nutrient_mg_l(&sum, NUTRIENT_P), 200 * 0.4364, 0.02);
    ck_assert_double_eq_tol(nutrient_mg_l(&sum, NUTRIENT_K), 600 * 0.8301, 0.05);
    ck_assert_double_eq_tol(nutrient_mg_l(&sum, NUTRIENT_CA), 500 * 0.7147, 0.05);
    ck_assert_double_eq_tol(nutrient_mg_l(&sum, NUTRIENT_MG), 200 * 0.6030, 0.05);
}
END_TEST

START_TEST(what_a_label_leaves_out_is_made_up_and_told)
{
    struct label_closure c;
    const struct label potassium = { .percent = { [LABEL_K2O] = 10 } };
    struct salt s = read_good(&potassium, &c);
    ck_assert_int_eq(c.ion, ION_SO4);
    ck_assert_double_eq_tol(c.meq_g, s.per_g.mmol_l[ION_K], 1e-12);
    ck_assert_double_eq_tol(s.per_g.mmol_l[ION_SO4], s.per_g.mmol_l[ION_K] / 2, 1e-12);
    ck_assert_double_eq_tol(c.of_total, 1.0, 1e-12);

    const struct label sulfur = { .percent = { [LABEL_K2O] = 10, [LABEL_SO3] = 1 } };
    s = read_good(&sulfur, &c);
    ck_assert_int_eq(c.ion, ION_CL);
    ck_assert_double_eq_tol(c.meq_g, s.per_g.mmol_l[ION_CL], 1e-12);

    const struct label nitrate = { .percent = { [LABEL_N] = 5, [LABEL_CA] = 3 } };
    s = read_good(&nitrate, &c);
    ck_assert_int_eq(c.ion, ION_NA);
    ck_assert_double_eq_tol(c.meq_g, s.per_g.mmol_l[ION_NA], 1e-12);
    ck_assert(c.of_total > 0 && c.of_total < 1);
}
END_TEST

START_TEST(every_label_is_neutral)
{
    for (int a = 0; a < LABEL_SHARE_COUNT; a++) {
        for (int b = 0; b < LABEL_SHARE_COUNT; b++) {
            struct label label = { .chelated = (a & 1) != 0 };
            label.percent[a] += 3;
            label.percent[b] += 2;
            if (label.percent[LABEL_AMMONIUM_N] > label.percent[LABEL_N])
                label.percent[LABEL_N] = label.percent[LABEL_AMMONIUM_N];
            const struct salt s = read_good(&label, NULL);
            ck_assert_double_eq_tol(charge_of(&s), 0, 1e-12);
            for (int i = 0; i < ION_COUNT; i++) {
                ck_assert(s.per_g.mmol_l[i] >= 0);
            }
        }
    }
}
END_TEST

START_TEST(metals_are_held_by_a_chelate_where_it_says_so)
{
    struct label label = {
        .percent = { [LABEL_FE] = 7, [LABEL_MN] = 2, [LABEL_ZN] = 1, [LABEL_CU] = 0.5 },
    };
    struct salt s = read_good(&label, NULL);
    ck_assert_double_eq_tol(s.held_mmol_g[HELD_FE], 70 / 55.845, 1e-9);
    ck_assert_double_eq_tol(s.per_g.mmol_l[ION_FEEDTA], 70 / 55.845, 1e-9);
    ck_assert_double_eq_tol(s.per_g.mmol_l[ION_MN], 20 / 54.938, 1e-9);
    label.chelated = true;
    s = read_good(&label, NULL);
    ck_assert(s.per_g.mmol_l[ION_MN] == 0 && s.per_g.mmol_l[ION_CU] == 0);
    ck_assert_double_eq_tol(s.held_mmol_g[HELD_ZN], 10 / 65.38, 1e-9);
    ck_assert_double_eq_tol(s.held_mmol_g[HELD_CU], 5 / 63.546, 1e-9);
    ck_assert_double_eq_tol(s.per_g.mmol_l[ION_FEEDTA],
        70 / 55.845 + 2 * (20 / 54.938 + 10 / 65.38 + 5 / 63.546), 1e-9);
}
END_TEST

START_TEST(what_no_label_can_say_is_refused)
{
    const struct label bad[] = { { .percent = { 0 } }, { .percent = { [LABEL_N] = -1 } },
        { .percent = { [LABEL_N] = NAN } }, { .percent = { [LABEL_K] = INFINITY } },
        { .percent = { [LABEL_N] = 60, [LABEL_P2O5] = 40.1 } },
        { .percent = { [LABEL_N] = 1, [LABEL_AMMONIUM_N] = 1.1 } },
        { .percent = { [LABEL_AMMONIUM_N] = 1 } } };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct salt s;
        struct problem problem = { 0 };
        ck_assert_int_eq(label_read(&s, NULL, &bad[i], &problem), ERR_RANGE);
        ck_assert(problem.text[0] != '\0');
    }
    const struct label full = { .percent = { [LABEL_N] = 60, [LABEL_P2O5] = 40 } };
    (void)read_good(&full, NULL);
    ck_assert_str_eq(label_share_word(LABEL_AMMONIUM_N), "ammonium_n");
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("label");
    tcase_add_test(tc, shares_become_ions);
    tcase_add_test(tc, what_a_label_leaves_out_is_made_up_and_told);
    tcase_add_test(tc, every_label_is_neutral);
    tcase_add_test(tc, metals_are_held_by_a_chelate_where_it_says_so);
    tcase_add_test(tc, what_no_label_can_say_is_refused);
    return run_case(tc, "label");
}
