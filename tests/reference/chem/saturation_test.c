/* What falls out, against tables of USGS PHREEQC 3.8.9 (data/README.md) and against handbooks. */
#include "lib/chem/saturation.h"

#include "lib/chem/bottle.h"
#include "lib/chem/keep_apart.h"
#include "tests/reference/chem/table.h"

static struct problem problem;
static const struct air closed = { .open = false };

static const struct {
    const char *column;
    enum solid solid;
} indices[] = { { "SI_gypsum", SOLID_GYPSUM }, { "SI_brushite", SOLID_BRUSHITE },
    { "SI_monetite", SOLID_MONETITE }, { "SI_OCP", SOLID_OCP },
    { "SI_hydroxyapatite", SOLID_HYDROXYAPATITE }, { "SI_niter", SOLID_NITER },
    { "SI_arcanite", SOLID_ARCANITE }, { "SI_epsomite", SOLID_EPSOMITE } };

enum { INDICES = sizeof indices / sizeof *indices };

/* Five solutions at pH 5 to 7 and 15 to 25 degC. Apatite counts nine ions, octacalcium phosphate
 * eight: their errors are several times a single ion's. */
START_TEST(indices_of_working_solutions)
{
    struct table t = table_read("si_vs_ph.csv");
    struct spread s[INDICES] = { 0 };
    for (int r = 0; r < t.rows; r++) {
        const struct water w = table_water(&t, r);
        const struct given_ph given = { table_number(&t, r, "pH"), table_number(&t, r, "T_C"),
            closed };
        struct equilibrium e;
        ck_assert_int_eq(equilibrium_at_ph(&e, &w, &given, &problem), ERR_NONE);
        for (int i = 0; i < INDICES; i++) {
            const double wanted = table_number(&t, r, indices[i].column);
            if (!isnan(wanted))
                spread_add(&s[i], saturation_index(&e, indices[i].solid) - wanted, r);
        }
    }
    for (int i = 0; i < INDICES; i++) {
        const bool many = indices[i].solid == SOLID_OCP || indices[i].solid == SOLID_HYDROXYAPATITE;
        spread_print(&s[i], indices[i].column, "");
        ck_assert_int_gt(s[i].count, 0);
        ck_assert_double_le(fabs(s[i].worst), many ? 0.2 : 0.05);
    }
    table_free(&t);
}
END_TEST

/* Stock tanks of a hundred and two hundred times: ionic strengths of 1 to 4, where the activities
 * of both models are a guess. What falls out of A and B in one tank must be told all the same. */
START_TEST(stock_tanks_that_must_not_be_one)
{
    struct table t = table_read("concentrates.csv");
    struct spread gypsum = { 0 };
    int falling = 0;
    for (int r = 0; r < t.rows; r++) {
        const struct water w = table_water(&t, r);
        struct equilibrium e;
        ck_assert_int_eq(
            equilibrium_solve(&e, &w, table_number(&t, r, "T_C"), &closed, &problem), ERR_NONE);
        const double index = saturation_index(&e, SOLID_GYPSUM);
        const double wanted = table_number(&t, r, "SI_gypsum");
        const double falls = table_number(&t, r, "ppt_gypsum_mmol_L_m1");
        if (!isnan(wanted)) spread_add(&gypsum, index - wanted, r);
        if (!(falls > 0.0)) continue;
        falling++;
        struct fall fall = { .count = 2, .solid = { SOLID_GYPSUM, SOLID_BRUSHITE } };
        ck_assert_int_eq(saturation_fall(&fall, &w, 25.0, &closed, &problem), ERR_NONE);
        ck_assert_msg(fabs(fall.mmol_l[0] - falls) <= 0.1 * falls + 3.0,
            "%s: %.1f, not %.1f mmol/L of gypsum", table_text(&t, r, "case"), fall.mmol_l[0],
            falls);
    }
    spread_print(&gypsum, "gypsum's index in stock tanks", "");
    ck_assert_int_ge(falling, 10);
    ck_assert_double_le(fabs(gypsum.worst), 0.3);
    table_free(&t);
}
END_TEST

/* Each recipe's A and B of the same table: apart they are clear of gypsum, together not. */
START_TEST(stocks_a_and_b_are_kept_apart)
{
    struct table t = table_read("concentrates.csv");
    int pairs = 0;
    for (int a = 0; a + 1 < t.rows; a++) {
        if (strcmp(table_text(&t, a, "part"), "A") != 0) continue;
        const int b = a + 1;
        ck_assert_str_eq(table_text(&t, b, "part"), "B");
        const struct water wa = table_water(&t, a), wb = table_water(&t, b);
        const struct water line = { { [ION_NA] = 1.0, [ION_CL] = 1.0 } };
        struct keep_apart found, back, itself;
        const struct overlap ab = { &wa, &wb, &line, 20.0 }, ba = { &wb, &wa, &line, 20.0 };
        const struct overlap aa = { &wa, &wa, &line, 20.0 };
        ck_assert_int_eq(keep_apart_look(&found, &ab, &problem), ERR_NONE);
        ck_assert(found.apart && found.falls);
        ck_assert_double_gt(found.clear_parts, 2.0);
        ck_assert_int_eq(keep_apart_look(&back, &ba, &problem), ERR_NONE);
        ck_assert_double_eq_tol(back.clear_parts, found.clear_parts, 1e-6 * found.clear_parts);
        ck_assert_int_eq(keep_apart_look(&itself, &aa, &problem), ERR_NONE);
        ck_assert(!itself.falls);
        pairs++;
    }
    ck_assert_int_eq(pairs, 10);
    table_free(&t);
}
END_TEST

static struct water stock_of(const char *formula, double g_per_l, const char *other, double more)
{
    struct stock_solution s = {
        .kind = STOCK_NUTRIENT, .salt_count = other ? 2 : 1, .salt = { { formula, g_per_l } }
    };
    if (other) s.salt[1] = (struct stock_salt){ other, more };
    struct solution held;
    ck_assert_msg(bottle_holds(&held, NULL, &s, &problem) == ERR_NONE, "%s", problem.text);
    return held.water;
}

static struct crystals crystals_of(const struct water *w, double degc)
{
    struct crystals c;
    ck_assert_int_eq(stock_crystallises(&c, w, degc, &problem), ERR_NONE);
    return c;
}

/* Potassium nitrate loses 34 % of its solubility from 20 to 10 degC (CRC Handbook: 31.6 and 20.9 g
 * in 100 g of water): a stock that is just clear at 20 drops a third of it in a cold shed. */
START_TEST(a_saturated_nitre_stock_drops_a_third_of_it_at_ten_degrees)
{
    double g_l = 250.0; /* such that 31.6 g stand against 100 g of the water that is left */
    for (int i = 0; i < 50; i++) {
        const struct water w = stock_of("KNO3", g_l, NULL, 0.0);
        g_l = 316.0 * water_kg_per_l(&w);
    }
    const struct water w = stock_of("KNO3", g_l, NULL, 0.0);
    ck_assert_double_eq_tol(crystals_of(&w, 20.0).index, 0.0, 1e-4);
    ck_assert(!crystals_of(&w, 21.0).any);
    const struct crystals cold = crystals_of(&w, 10.0);
    ck_assert(cold.any);
    ck_assert_int_eq(cold.crystal, CRYSTAL_KNO3);
    ck_assert_double_eq_tol(cold.share, 1.0 - 20.9 / 31.6, 0.03); /* a litre is kept, not a kg */
    ck_assert_double_eq_tol(cold.clear_from_degc, 20.0, 0.05);
}
END_TEST

/* Knott's Handbook (Lorenz and Maynard, 2nd ed. 1980), cold water: 108 lb of potassium nitrate in
 * 100 US gallons, 129 g/L, stay dissolved. */
START_TEST(a_handbooks_cold_limit_is_clear_in_the_cold)
{
    const struct water w = stock_of("KNO3", 129.0, NULL, 0.0);
    ck_assert(!crystals_of(&w, 2.0).any);
    const struct water more = stock_of("KNO3", 129.0 * 1.2, NULL, 0.0);
    ck_assert(crystals_of(&more, 2.0).any);
}
END_TEST

/* The common ion: potassium of another salt brings potassium sulfate down. */
START_TEST(a_common_ion_counts)
{
    const struct water alone = stock_of("K2SO4", 80.0, NULL, 0.0);
    ck_assert(!crystals_of(&alone, 15.0).any);
    const struct water both = stock_of("K2SO4", 80.0, "KNO3", 60.0);
    const struct crystals c = crystals_of(&both, 15.0);
    ck_assert(c.any);
    ck_assert_int_eq(c.crystal, CRYSTAL_K2SO4);
    ck_assert_double_gt(c.clear_from_degc, 15.0);
}
END_TEST

/* Each salt at nine tenths of its solubility is clear and at eleven is not, whatever its anion. The
 * most soluble hold more than equilibrium.h takes: that is said, not guessed. */
START_TEST(each_salt_by_itself_crystallises_at_its_solubility)
{
    static const char *const formula[CRYSTAL_COUNT] = { "KNO3", "K2SO4", "KH2PO4", "NH4H2PO4",
        "MgSO4", "Ca(NO3)2", "Mg(NO3)2", "NH4NO3", "(NH4)2SO4", "KCl", "K2CO3", "KHCO3", "H3BO3" };
    const enum stock_crystal crystal = (enum stock_crystal)_i;
    const double g_100g = crystal_solubility_g_100g(crystal, 15.0);
    for (int high = 0; high < 2; high++) {
        double g_l = 100.0;
        struct water w = { { 0 } };
        for (int i = 0; i < 200; i++) {
            w = stock_of(formula[_i], g_l, NULL, 0.0);
            g_l = 0.5 * g_l + 0.5 * 10.0 * g_100g * (high ? 1.1 : 0.9) * water_kg_per_l(&w);
        }
        struct crystals c;
        const enum err err = stock_crystallises(&c, &w, 15.0, &problem);
        double most = 0.0;
        for (int i = 0; i < ION_COUNT; i++) {
            most = fmax(most, w.mmol_l[i]);
        }
        ck_assert_int_eq(err, most > EQUILIBRIUM_MMOL_L_MAX ? ERR_RANGE : ERR_NONE);
        if (err != ERR_NONE) continue;
        ck_assert_msg(c.any == (high == 1), "%s: index %.3f of %s", formula[_i], c.index,
            crystal_word(c.crystal));
        if (high) ck_assert_int_eq(c.crystal, crystal);
    }
}
END_TEST

START_TEST(a_store_hotter_or_colder_than_the_tables_is_refused)
{
    const struct water w = stock_of("KNO3", 100.0, NULL, 0.0);
    struct crystals c;
    ck_assert_int_eq(stock_crystallises(&c, &w, -0.1, &problem), ERR_RANGE);
    ck_assert_int_eq(stock_crystallises(&c, &w, 40.1, &problem), ERR_RANGE);
    ck_assert_int_eq(stock_crystallises(&c, &w, (double)NAN, &problem), ERR_RANGE);
    ck_assert_ptr_nonnull(strstr(problem.text, "0 to 40"));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("saturation");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, indices_of_working_solutions);
    tcase_add_test(t, stock_tanks_that_must_not_be_one);
    tcase_add_test(t, stocks_a_and_b_are_kept_apart);
    tcase_add_test(t, a_saturated_nitre_stock_drops_a_third_of_it_at_ten_degrees);
    tcase_add_test(t, a_handbooks_cold_limit_is_clear_in_the_cold);
    tcase_add_test(t, a_common_ion_counts);
    tcase_add_loop_test(t, each_salt_by_itself_crystallises_at_its_solubility, 0, CRYSTAL_COUNT);
    tcase_add_test(t, a_store_hotter_or_colder_than_the_tables_is_refused);
    return run_case(t, "saturation");
}
