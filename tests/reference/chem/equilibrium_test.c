/* pH, acid doses and what becomes of them in air, against tables of USGS PHREEQC 3.8.9
 * (data/README.md). All rows; each bar is the project's own promise. */
#include "lib/chem/equilibrium.h"

#include "lib/chem/acid.h"
#include "tests/reference/chem/table.h"

static struct problem problem;

static struct air air_of(bool open)
{
    return (struct air){ .open = open, .log_pco2 = -3.4 }; /* as the tables were computed */
}

static bool is_open(const struct table *t, int row)
{
    return strcmp(table_text(t, row, "system"), "open") == 0;
}

static enum stock_reagent reagent_of(const char *name)
{
    static const struct {
        const char *name;
        enum stock_reagent reagent;
    } map[] = { { "HNO3", REAGENT_NITRIC }, { "H3PO4", REAGENT_PHOSPHORIC },
        { "H2SO4", REAGENT_SULFURIC }, { "citric", REAGENT_CITRIC },
        { "KOH", REAGENT_POTASSIUM_HYDROXIDE }, { "K2CO3", REAGENT_POTASSIUM_CARBONATE } };
    for (size_t m = 0; m < sizeof map / sizeof *map; m++) {
        if (strcmp(map[m].name, name) == 0) return map[m].reagent;
    }
    ck_abort_msg("no reagent '%s'", name);
    return REAGENT_COUNT;
}

static void add(struct water *w, enum stock_reagent reagent, double mmol_l)
{
    const struct water ions = reagent_ions(reagent);
    water_add(w, &ions, mmol_l);
}

static double ph_of(const struct water *w, double degc, bool open)
{
    const struct air air = air_of(open);
    struct equilibrium e;
    ck_assert_msg(equilibrium_solve(&e, w, degc, &air, &problem) == ERR_NONE, "%s", problem.text);
    ck_assert_int_le(e.rounds, EQUILIBRIUM_ROUNDS_MAX);
    return e.ph;
}

/* Where the water holds its pH, pH itself is judged; where it doesn't, the acid that the error is
 * worth. */
struct judged {
    struct spread ph, meq;
};

static void judge(struct judged *j, const struct table *t, int row, double ph)
{
    const double off = ph - table_number(t, row, "pH");
    const double beta = table_number(t, row, "beta_mmol_L_pH");
    if (beta > 0.3)
        spread_add(&j->ph, off, row);
    else
        spread_add(&j->meq, off * beta, row);
}

static void judged_within(const struct judged *j, const struct table *t, const char *what)
{
    spread_print(&j->ph, what, "pH");
    spread_print(&j->meq, "  ... where it has little buffer", "meq/L");
    ck_assert_msg(
        fabs(j->ph.worst) <= 0.03, "%+.4f pH in row %d", j->ph.worst, j->ph.worst_row + 2);
    ck_assert_msg(
        fabs(j->meq.worst) <= 0.03, "%+.4f meq/L in row %d", j->meq.worst, j->meq.worst_row + 2);
    ck_assert_int_eq(j->ph.count + j->meq.count, t->rows);
}

START_TEST(bicarbonate_waters_titrated_with_four_acids)
{
    struct table t = table_read("titration_water.csv");
    struct judged j = { 0 };
    for (int r = 0; r < t.rows; r++) {
        struct water w = table_water(&t, r);
        add(&w, reagent_of(table_text(&t, r, "acid")), table_number(&t, r, "acid_mmol_L"));
        judge(&j, &t, r, ph_of(&w, table_number(&t, r, "T_C"), is_open(&t, r)));
    }
    judged_within(&j, &t, "pH of source waters with acid");
    table_free(&t);
}
END_TEST

START_TEST(nutrient_solutions_titrated_with_acids_and_bases)
{
    struct table t = table_read("titration_nutrient.csv");
    struct judged j = { 0 };
    for (int r = 0; r < t.rows; r++) {
        struct water w = table_water(&t, r);
        add(&w, REAGENT_NITRIC, table_number(&t, r, "pre_HNO3_mmol_L"));
        add(&w, reagent_of(table_text(&t, r, "reagent")), table_number(&t, r, "reagent_mmol_L"));
        judge(&j, &t, r, ph_of(&w, table_number(&t, r, "T_C"), is_open(&t, r)));
    }
    judged_within(&j, &t, "pH of nutrient solutions with acid or base");
    table_free(&t);
}
END_TEST

START_TEST(doses_that_reach_a_target)
{
    struct table t = table_read("dose_water.csv");
    struct spread percent = { 0 }, citric = { 0 };
    for (int r = 0; r < t.rows; r++) {
        const struct water w = table_water(&t, r);
        const char *acid = table_text(&t, r, "acid");
        const double wanted = table_number(&t, r, "dose_mmol_L");
        const struct acid_wish wish = { .reagent = reagent_of(acid),
            .target_ph = table_number(&t, r, "target_pH"),
            .degc = table_number(&t, r, "T_C"),
            .air = air_of(is_open(&t, r)) };
        struct acid_dose dose;
        ck_assert_int_eq(acid_dose_to_ph(&dose, &w, &wish, &problem), ERR_NONE);
        ck_assert_int_eq(dose.verdict, ACID_DOSE_FOUND);
        ck_assert_int_le(dose.rounds, ACID_ROUNDS_MAX);
        const bool is_citric = wish.reagent == REAGENT_CITRIC;
        const double off = dose.mmol_l - wanted, bar = is_citric ? 0.015 : 0.01;
        ck_assert_msg(fabs(off) <= fmax(bar * wanted, 0.01), "row %d: %.5f, not %.5f mmol/L", r + 2,
            dose.mmol_l, wanted);
        if (fabs(off) > 0.01) spread_add(is_citric ? &citric : &percent, 100 * off / wanted, r);
        if (percent.count == 0) spread_add(&percent, 0.0, r);
        if (citric.count == 0) spread_add(&citric, 0.0, r);
    }
    spread_print(&percent, "acid doses that are off by over 0.01 mmol/L", "%");
    spread_print(&citric, "... of citric acid", "%");
    table_free(&t);
}
END_TEST

START_TEST(where_the_ph_ends_when_the_gas_has_left)
{
    struct table t = table_read("degassing.csv");
    struct spread s = { 0 }, dose = { 0 };
    for (int r = 0; r < t.rows; r++) {
        struct water w = table_water(&t, r);
        const double degc = table_number(&t, r, "T_C");
        const struct acid_wish wish = { .reagent = REAGENT_NITRIC,
            .target_ph = table_number(&t, r, "target_pH"),
            .degc = degc,
            .air = { .log_pco2 = -3.4 } };
        struct acid_plan plan;
        ck_assert_int_eq(acid_plan_make(&plan, &w, &wish, &problem), ERR_NONE);
        spread_add(&s, plan.ph_after_air - table_number(&t, r, "pH_after_degassing"), r);
        spread_add(&dose, plan.at_once.mmol_l - table_number(&t, r, "HNO3_closed_mmol_L"), r);
    }
    spread_print(&s, "pH after the gas has left", "pH");
    spread_print(&dose, "... and the dose before", "mmol/L");
    ck_assert_double_le(fabs(s.worst), 0.05);
    ck_assert_double_le(fabs(dose.worst), 0.05);
    table_free(&t);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("equilibrium");
    tcase_set_timeout(t, 120);
    tcase_add_test(t, bicarbonate_waters_titrated_with_four_acids);
    tcase_add_test(t, nutrient_solutions_titrated_with_acids_and_bases);
    tcase_add_test(t, doses_that_reach_a_target);
    tcase_add_test(t, where_the_ph_ends_when_the_gas_has_left);
    return run_case(t, "equilibrium");
}
