/* Saturation indices, precipitates, constants and buffers against tables of USGS PHREEQC 3.8.9
 * (data/README.md) and published values. All rows. */
#include "lib/chem/saturation.h"

#include "lib/base/real.h"
#include "lib/chem/activity.h"
#include "tests/reference/chem/table.h"

static struct problem problem;
static const struct air closed = { .open = false, .log_pco2 = -3.4 };

static const struct {
    const char *column;
    enum solid solid;
} columns[] = { { "SI_gypsum", SOLID_GYPSUM }, { "SI_brushite", SOLID_BRUSHITE },
    { "SI_monetite", SOLID_MONETITE }, { "SI_OCP", SOLID_OCP },
    { "SI_hydroxyapatite", SOLID_HYDROXYAPATITE }, { "SI_calcite", SOLID_CALCITE },
    { "SI_niter", SOLID_NITER }, { "SI_arcanite", SOLID_ARCANITE },
    { "SI_epsomite", SOLID_EPSOMITE } };
enum { COLUMNS = sizeof columns / sizeof columns[0] };

static void compare(const struct table *t, int row, const struct equilibrium *e, struct spread *s)
{
    for (int c = 0; c < COLUMNS; c++) {
        if (table_column(t, columns[c].column) < 0) continue;
        const double wanted = table_number(t, row, columns[c].column);
        if (!isnan(wanted)) spread_add(s, saturation_index(e, columns[c].solid) - wanted, row);
    }
}

static void within(const struct spread *s, const struct table *t, const char *what, double bar)
{
    spread_print(s, what, "");
    ck_assert_msg(fabs(s->worst) <= bar, "%s: %+.4f in row %s", what, s->worst,
        table_text(t, s->worst_row, "case"));
}

START_TEST(indices_of_solutions_at_a_given_ph)
{
    struct table t = table_read("si_vs_ph.csv");
    struct spread s = { 0 }, charge = { 0 };
    for (int r = 0; r < t.rows; r++) {
        const struct water w = table_water(&t, r);
        const struct given_ph given = { table_number(&t, r, "pH"), table_number(&t, r, "T_C"),
            closed };
        struct equilibrium e;
        ck_assert_int_eq(equilibrium_at_ph(&e, &w, &given, &problem), ERR_NONE);
        compare(&t, r, &e, &s);
        spread_add(&charge, e.charge_left_meq_l, r);
    }
    ck_assert_int_eq(s.count, 8 * t.rows);
    within(&s, &t, "SI at a given pH, eight solids", 0.05);
    within(&charge, &t, "... and the charge left over, meq/L", 0.02);
    table_free(&t);
}
END_TEST

START_TEST(indices_of_nutrient_solutions)
{
    struct table t = table_read("ec_solutions.csv");
    struct spread s = { 0 };
    for (int r = 0; r < t.rows; r++) {
        const struct water w = table_water(&t, r);
        const struct air air = { strcmp(table_text(&t, r, "co2"), "open") == 0, -3.4 };
        struct equilibrium e;
        const double degc = table_number(&t, r, "T_C");
        ck_assert_int_eq(equilibrium_solve(&e, &w, degc, &air, &problem), ERR_NONE);
        compare(&t, r, &e, &s);
    }
    within(&s, &t, "SI of nutrient solutions, 5 to 35 degC", 0.05);
    table_free(&t);
}
END_TEST

/* Concentrates reach 5.5 mol/kg: the same equations far outside their range, so that this compares
 * the arithmetic, not the world. Hydrates' own water is left out here: it is part of the 5 %. */
START_TEST(concentrates_and_what_falls_out_of_them)
{
    struct table t = table_read("concentrates.csv");
    struct spread s = { 0 }, gypsum = { 0 }, phosphate = { 0 }, ph = { 0 };
    for (int r = 0; r < t.rows; r++) {
        const struct water w = table_water(&t, r);
        struct equilibrium e;
        ck_assert_int_eq(equilibrium_solve(&e, &w, 25.0, &closed, &problem), ERR_NONE);
        compare(&t, r, &e, &s);
        if (isnan(table_number(&t, r, "ppt_gypsum_mmol_L_m1"))) continue;
        static const char *const names[2][3] = { { "ppt_gypsum_mmol_L_m1", "ppt_brushite_mmol_L_m1",
                                                     "pH_after_m1" },
            { "ppt_gypsum_mmol_L_m2", "ppt_monetite_mmol_L_m2", "pH_after_m2" } };
        static const enum solid second[2] = { SOLID_BRUSHITE, SOLID_MONETITE };
        for (int m = 0; m < 2; m++) {
            struct fall fall = { .count = 2, .solid = { SOLID_GYPSUM, second[m] } };
            ck_assert_int_eq(saturation_fall(&fall, &w, 25.0, &closed, &problem), ERR_NONE);
            const double wanted = table_number(&t, r, names[m][0]);
            ck_assert((wanted > 0.0) == (fall.mmol_l[0] > 0.0));
            if (wanted > 0.0) spread_add(&gypsum, 100.0 * (fall.mmol_l[0] / wanted - 1.0), r);
            spread_add(&phosphate, fall.mmol_l[1] - table_number(&t, r, names[m][1]), r);
            spread_add(&ph, fall.end.ph - table_number(&t, r, names[m][2]), r);
        }
    }
    within(&s, &t, "SI of concentrates", 0.1);
    within(&gypsum, &t, "gypsum that falls out, %", 5.0);
    within(&phosphate, &t, "brushite or monetite that falls out, mmol/L", 0.2);
    within(&ph, &t, "pH after that", 0.03);
    table_free(&t);
}
END_TEST

/* Kilograms of water in a litre, from ions' volumes, against PHREEQC's densities. */
START_TEST(water_in_a_litre_of_salt_and_of_stock)
{
    static const char *const files[] = { "ec_salts.csv", "ec_solutions.csv", "concentrates.csv" };
    struct spread thin = { 0 }, stock = { 0 };
    for (int f = 0; f < 3; f++) {
        struct table t = table_read(files[f]);
        for (int r = 0; r < t.rows; r++) {
            const struct water w = table_water(&t, r);
            const double wanted = table_number(&t, r, "kgw_per_L25");
            const double off = 100.0 * (water_kg_per_l(&w) / wanted - 1.0);
            spread_add(water_cations_meq_l(&w) > 300.0 ? &stock : &thin, off, r);
        }
        table_free(&t);
    }
    spread_print(&thin, "kg of water in a litre, to 0.3 eq/L", "%");
    spread_print(&stock, "... of stocks", "%");
    ck_assert_double_le(fabs(thin.worst), 0.1);
    ck_assert_double_le(fabs(stock.worst), 1.5);
}
END_TEST

/* A constant as the table names it, from ours; not-a-number for what isn't one of ours. */
static double constant(const char *name, double degc)
{
    const struct kelvin k = kelvin_at(degc);
    static const struct {
        const char *name;
        enum species of, less;
        double sign;
    } map[] = { { "Kw", SP_OH, SPECIES_COUNT, 1 }, { "K2_HCO3", SP_HCO3, SPECIES_COUNT, -1 },
        { "K1_CO2", SP_CO2, SP_HCO3, -1 }, { "Ka3_HPO4", SP_HPO4, SPECIES_COUNT, -1 },
        { "Ka2_H2PO4", SP_H2PO4, SP_HPO4, -1 }, { "Ka1_H3PO4", SP_H3PO4, SP_H2PO4, -1 },
        { "Ka_NH4", SP_NH3, SPECIES_COUNT, 1 }, { "Ka_HSO4", SP_HSO4, SPECIES_COUNT, -1 },
        { "Ka3_citric", SP_HCIT, SPECIES_COUNT, -1 }, { "Ka2_citric", SP_H2CIT, SP_HCIT, -1 },
        { "Ka1_citric", SP_H3CIT, SP_H2CIT, -1 }, { "K_CaSO4", SP_CASO4, SPECIES_COUNT, 1 },
        { "K_MgSO4", SP_MGSO4, SPECIES_COUNT, 1 }, { "K_KSO4", SP_KSO4, SPECIES_COUNT, 1 },
        { "K_NaSO4", SP_NASO4, SPECIES_COUNT, 1 }, { "K_NH4SO4", SP_NH4SO4, SPECIES_COUNT, 1 },
        { "K_CaHPO4", SP_CAHPO4, SP_HPO4, 1 }, { "K_MgHPO4", SP_MGHPO4, SP_HPO4, 1 },
        { "K_CaH2PO4", SP_CAH2PO4, SP_H2PO4, 1 }, { "K_MgH2PO4", SP_MGH2PO4, SP_H2PO4, 1 },
        { "K_CaHCO3", SP_CAHCO3, SP_HCO3, 1 }, { "K_MgHCO3", SP_MGHCO3, SP_HCO3, 1 } };
    for (size_t m = 0; m < sizeof map / sizeof *map; m++) {
        if (strcmp(map[m].name, name) != 0) continue;
        double log_k = species_log_k(map[m].of, &k);
        if (map[m].less != SPECIES_COUNT) log_k -= species_log_k(map[m].less, &k);
        return map[m].sign * log_k;
    }
    static const struct {
        const char *name;
        enum solid solid;
    } solids[] = { { "Ksp_gypsum", SOLID_GYPSUM }, { "Ksp_brushite", SOLID_BRUSHITE },
        { "Ksp_monetite", SOLID_MONETITE }, { "Ksp_hydroxyapatite", SOLID_HYDROXYAPATITE },
        { "Ksp_calcite", SOLID_CALCITE } };
    for (size_t m = 0; m < sizeof solids / sizeof *solids; m++) {
        if (strcmp(solids[m].name, name) == 0) return solid_log_k(solids[m].solid, degc);
    }
    return NAN;
}

/* CO2 over a water that holds some, against Henry's constant. */
static double solubility_of_co2(double degc)
{
    struct water w = { { 0 } };
    w.mmol_l[ION_CO3] = 1.0;
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, &w, degc, &closed, &problem), ERR_NONE);
    return real_log10(e.mol_kg[SP_CO2]) - equilibrium_log_pco2(&e);
}

static double property(const char *name, const struct solvent *s)
{
    if (strcmp(name, "DH_A") == 0) return s->debye_a;
    if (strcmp(name, "DH_B") == 0) return s->debye_b;
    if (strcmp(name, "eps_r") == 0) return s->permittivity;
    if (strcmp(name, "visc_mPas") == 0) return s->viscosity_mpa_s;
    if (strcmp(name, "rho_w") == 0) return s->kg_per_l;
    return NAN;
}

/* The second constant of phosphoric acid is another than PHREEQC's on purpose (species.h): it may
 * be 0.05 off at the ends; all else is the same equation. */
START_TEST(constants_follow_the_temperature)
{
    struct table t = table_read("constants_vs_T.csv");
    int compared = 0;
    for (int r = 0; r < t.rows; r++) {
        const char *name = table_text(&t, r, "quantity");
        const double degc = table_number(&t, r, "T_C"), wanted = table_number(&t, r, "value");
        const struct solvent solvent = solvent_at(degc);
        const double physical = property(name, &solvent);
        const double log_k =
            strcmp(name, "KH_CO2") == 0 ? solubility_of_co2(degc) : constant(name, degc);
        const double bar = strcmp(name, "Ka2_H2PO4") == 0 ? 0.05 : 0.003;
        if (!isnan(physical)) {
            ck_assert_msg(fabs(physical / wanted - 1.0) < 0.003, "%s at %g: %g, not %g", name, degc,
                physical, wanted);
        } else {
            ck_assert_msg(
                fabs(log_k - wanted) <= bar, "%s at %g: %.4f, not %.4f", name, degc, log_k, wanted);
        }
        compared++;
    }
    ck_assert_int_eq(compared, t.rows);
    printf("%-58s %5d rows\n", "constants and properties of water, 0 to 50 degC", compared);
    table_free(&t);
}
END_TEST

/* NBS, IUPAC and DIN 19266 buffers of phosphate and carbonate, mol/kg (from memory). Published
 * values are by convention (Bates and Guggenheim), and our sodium carbonate pairs are another's:
 * 0.02 for phosphate, 0.02 for carbonate. */
START_TEST(standard_buffers_have_their_ph)
{
    static const struct {
        const char *name;
        enum ion acid;
        double k, na, total;
    } buffers[] = { { "phosphate_0.025_0.025m", ION_PO4, 25.0, 50.0, 50.0 },
        { "phosphate_0.008695_0.03043m", ION_PO4, 8.695, 60.86, 39.125 },
        { "carbonate_0.025_0.025m", ION_CO3, 0.0, 75.0, 50.0 } };
    struct table t = table_read("ph_buffers.csv");
    struct spread s = { 0 };
    for (int r = 0; r < t.rows; r++) {
        for (size_t b = 0; b < sizeof buffers / sizeof *buffers; b++) {
            if (strcmp(buffers[b].name, table_text(&t, r, "buffer")) != 0) continue;
            struct water w = { { 0 } };
            double kg_l = 0.997;
            for (int round = 0; round < 10; round++) {
                w.mmol_l[ION_K] = buffers[b].k * kg_l;
                w.mmol_l[ION_NA] = buffers[b].na * kg_l;
                w.mmol_l[buffers[b].acid] = buffers[b].total * kg_l;
                kg_l = water_kg_per_l(&w);
            }
            struct equilibrium e;
            const double degc = table_number(&t, r, "T_C");
            ck_assert_int_eq(equilibrium_solve(&e, &w, degc, &closed, &problem), ERR_NONE);
            spread_add(&s, e.ph - table_number(&t, r, "pH"), r);
        }
    }
    spread_print(&s, "standard buffers, 0 to 50 degC", "pH");
    ck_assert_int_eq(s.count, 33);
    ck_assert_double_le(fabs(s.worst), 0.02);
    table_free(&t);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("saturation");
    tcase_set_timeout(tc, 120);
    tcase_add_test(tc, indices_of_solutions_at_a_given_ph);
    tcase_add_test(tc, indices_of_nutrient_solutions);
    tcase_add_test(tc, concentrates_and_what_falls_out_of_them);
    tcase_add_test(tc, water_in_a_litre_of_salt_and_of_stock);
    tcase_add_test(tc, constants_follow_the_temperature);
    tcase_add_test(tc, standard_buffers_have_their_ph);
    return run_case(tc, "saturation");
}
