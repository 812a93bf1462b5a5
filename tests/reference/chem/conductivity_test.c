/* EC from composition against published conductivities, and against the tables of USGS PHREEQC
 * 3.8.9 (data/README.md). All rows; each bar is the project's own promise. */
#include "lib/chem/conductivity.h"

#include "tests/reference/chem/table.h"

static struct problem problem;

static struct air air_of(bool open)
{
    return (struct air){ .open = open, .log_pco2 = -3.4 }; /* as the tables were computed */
}

static double ec_of(const struct water *w, double degc, bool open)
{
    const struct air air = air_of(open);
    double ec;
    ck_assert_msg(water_ec_us_cm(&ec, w, degc, &air, &problem) == ERR_NONE, "%s", problem.text);
    return ec;
}

static double percent_off(double value, double wanted)
{
    return 100.0 * (value / wanted - 1.0);
}

/* Five nutrient solutions of the literature at four strengths, 5 to 35 degC, with and without air.
 * EC_T_add: each ion's conductance summed by Kohlrausch's law. */
START_TEST(nutrient_solutions)
{
    struct table t = table_read("ec_solutions.csv");
    struct spread warm = { 0 }, cold = { 0 };
    for (int r = 0; r < t.rows; r++) {
        const struct water w = table_water(&t, r);
        const double degc = table_number(&t, r, "T_C");
        const bool open = strcmp(table_text(&t, r, "co2"), "open") == 0;
        const double off = percent_off(ec_of(&w, degc, open), table_number(&t, r, "EC_T_add"));
        spread_add(degc < 10.0 ? &cold : &warm, off, r);
    }
    spread_print(&warm, "EC of nutrient solutions, 10 to 35 degC", "%");
    spread_print(&cold, "EC of nutrient solutions, below 10 degC", "%");
    ck_assert_double_le(spread_rms(&warm), 1.0);
    ck_assert_double_le(fabs(warm.worst), 2.0);
    ck_assert_double_le(fabs(cold.worst), 2.5);
    table_free(&t);
}
END_TEST

enum family { NITRATES_CHLORIDES, SULFATES, PHOSPHATES, FAMILIES };

static enum family family_of(const struct water *w)
{
    if (w->mmol_l[ION_PO4] > 0.0) return PHOSPHATES;
    return w->mmol_l[ION_SO4] > 0.0 ? SULFATES : NITRATES_CHLORIDES;
}

/* One salt each, to 100 mmol/L; chlorides and nitrates to 35. */
START_TEST(single_salts)
{
    static const char *const name[] = { "chlorides, nitrates", "sulfates", "phosphates" };
    static const double bar[] = { 2.0, 3.0, 5.0 };
    struct table t = table_read("ec_salts.csv");
    struct spread s[FAMILIES] = { 0 };
    for (int r = 0; r < t.rows; r++) {
        const struct water w = table_water(&t, r);
        if (family_of(&w) == NITRATES_CHLORIDES && table_number(&t, r, "factor") > 35.0) continue;
        const bool open = strcmp(table_text(&t, r, "co2"), "open") == 0;
        const double ec = ec_of(&w, table_number(&t, r, "T_C"), open);
        spread_add(&s[family_of(&w)], percent_off(ec, table_number(&t, r, "EC_T_add")), r);
    }
    for (int f = 0; f < FAMILIES; f++) {
        spread_print(&s[f], name[f], "%");
        ck_assert_msg(fabs(s[f].worst) <= bar[f], "%s: %+.2f %% in row %s", name[f], s[f].worst,
            table_text(&t, s[f].worst_row, "case"));
    }
    table_free(&t);
}
END_TEST

static struct water potassium_chloride(double mol, bool per_kg)
{
    struct water w = { { 0 } };
    double kg_l = 1.0;
    for (int round = 0; round < 20; round++) { /* its own volume */
        w.mmol_l[ION_K] = w.mmol_l[ION_CL] = mol * 1000.0 * (per_kg ? kg_l : 1.0);
        kg_l = water_kg_per_l(&w);
    }
    return w;
}

/* Published: CRC Handbook's table after K. W. Pratt et al., Pure Appl. Chem. 73 (2001) 1783 (read
 * in a copy); the demal standards of Jones and Bradshaw, OIML R 56 (from memory), Shedlovsky's
 * molar values (from memory). From 0.001 to 1 mol/kg. */
START_TEST(potassium_chloride_standards)
{
    struct table t = table_read("kcl.csv");
    struct spread s = { 0 };
    for (int r = 0; r < t.rows; r++) {
        const double published = table_number(&t, r, "EC_T_published");
        const double mol = table_number(&t, r, "conc"), degc = table_number(&t, r, "T_C");
        if (isnan(published) || degc < 15.0 || degc > 30.0) continue;
        const bool per_kg = strcmp(table_text(&t, r, "unit"), "mol/kgw") == 0;
        const struct water w = potassium_chloride(mol, per_kg);
        spread_add(&s, percent_off(ec_of(&w, degc, false), published), r);
    }
    spread_print(&s, "KCl standards, 15 to 30 degC", "%");
    ck_assert_int_eq(s.count, 25);
    ck_assert_double_le(fabs(s.worst), 1.0);
    table_free(&t);
}
END_TEST

/* Equivalent conductances of the CRC Handbook and of Robinson and Stokes (from memory). */
START_TEST(salts_of_the_handbooks)
{
    static const struct {
        const char *salt;
        enum ion cation, anion;
        double cations, anions;
    } map[] = { { "NaCl", ION_NA, ION_CL, 1, 1 }, { "KNO3", ION_K, ION_NO3, 1, 1 },
        { "CaCl2", ION_CA, ION_CL, 1, 2 }, { "MgCl2", ION_MG, ION_CL, 1, 2 },
        { "Na2SO4", ION_NA, ION_SO4, 2, 1 }, { "NH4Cl", ION_NH4, ION_CL, 1, 1 } };
    struct table t = table_read("salts_vs_literature.csv");
    struct spread s = { 0 };
    for (int r = 0; r < t.rows; r++) {
        for (size_t m = 0; m < sizeof map / sizeof *map; m++) {
            if (strcmp(map[m].salt, table_text(&t, r, "salt")) != 0) continue;
            struct water w = { { 0 } };
            const double mmol_l = 1000.0 * table_number(&t, r, "conc_mol_L");
            w.mmol_l[map[m].cation] = map[m].cations * mmol_l;
            w.mmol_l[map[m].anion] = map[m].anions * mmol_l;
            const double ec = ec_of(&w, table_number(&t, r, "T_C"), false);
            spread_add(&s, percent_off(ec, table_number(&t, r, "EC_lit")), r);
        }
    }
    spread_print(&s, "salts of the handbooks to 0.1 eq/L, 25 degC", "%");
    ck_assert_int_eq(s.count, t.rows);
    ck_assert_double_le(fabs(s.worst), 2.0);
    table_free(&t);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("conductivity");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, nutrient_solutions);
    tcase_add_test(t, single_salts);
    tcase_add_test(t, potassium_chloride_standards);
    tcase_add_test(t, salts_of_the_handbooks);
    return run_case(t, "conductivity");
}
