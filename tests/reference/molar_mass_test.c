/* Molar masses, shares of elements and strengths of acids against published tables. Tolerances are
 * half a unit of the last digit printed, and what the rounded atomic weights add to it. */
#include "lib/chem/formula.h"
#include "lib/chem/stock.h"

#include "tests/unit/support.h"

static struct formula read_formula(const char *text)
{
    struct formula f;
    struct problem problem = { 0 };
    const enum err err = formula_read(&f, text, &problem);
    ck_assert_msg(err == ERR_NONE, "%s", problem.text);
    return f;
}

/* CRC Handbook of Chemistry and Physics, "Physical Constants of Inorganic Compounds" (from memory),
 * two or three decimals. */
START_TEST(salts_have_the_molar_masses_of_the_handbook)
{
    static const struct {
        const char *formula;
        double g_per_mol;
    } table[] = { { "Ca(NO3)2.4H2O", 236.15 }, { "KNO3", 101.103 }, { "NH4NO3", 80.043 },
        { "KH2PO4", 136.085 }, { "NH4H2PO4", 115.026 }, { "K2SO4", 174.259 },
        { "MgSO4.7H2O", 246.475 }, { "Mg(NO3)2.6H2O", 256.407 }, { "KCl", 74.551 },
        { "CaCl2.2H2O", 147.014 }, { "H3BO3", 61.833 }, { "MnSO4.H2O", 169.015 },
        { "ZnSO4.7H2O", 287.56 }, { "CuSO4.5H2O", 249.685 }, { "Na2MoO4.2H2O", 241.95 },
        { "K2CO3", 138.206 }, { "KHCO3", 100.115 }, { "CaSO4.2H2O", 172.171 }, { "HNO3", 63.013 },
        { "H3PO4", 97.995 }, { "H2SO4", 98.079 }, { "KOH", 56.106 }, { "H2O", 18.015 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const struct formula f = read_formula(table[i].formula);
        ck_assert_msg(f.g_per_mol / table[i].g_per_mol > 1 - 1.2e-4 &&
                          f.g_per_mol / table[i].g_per_mol < 1 + 1.2e-4,
            "%s: %.4f, printed %.3f", table[i].formula, f.g_per_mol, table[i].g_per_mol);
    }
}
END_TEST

/* Conversion factors that extension services print: P2O5 to P 0.4364, P to P2O5 2.2915, K2O to K
 * 0.8301, K to K2O 1.2047 (N. Mattson's worked examples, read second hand); to 1e-4. */
START_TEST(oxides_convert_by_the_printed_factors)
{
    const struct formula p = read_formula("P2O5"), k = read_formula("K2O");
    const double phosphorus = 2 * read_formula("P").g_per_mol;
    const double potassium = 2 * read_formula("K").g_per_mol;
    ck_assert_double_eq_tol(phosphorus / p.g_per_mol, 0.4364, 1e-4);
    ck_assert_double_eq_tol(p.g_per_mol / phosphorus, 2.2915, 2e-4);
    ck_assert_double_eq_tol(potassium / k.g_per_mol, 0.8301, 1e-4);
    ck_assert_double_eq_tol(k.g_per_mol / potassium, 1.2047, 1e-4);
}
END_TEST

/* N. Mattson's example: fertiliser calcium nitrate has 15.5 % N and 19 % Ca (the question was read
 * second hand): its double salt's formula has 15.55 and 18.54. A tenth and half a per cent. */
START_TEST(the_double_salt_has_the_share_of_nitrogen_on_the_bag)
{
    const struct formula f = read_formula("5Ca(NO3)2.NH4NO3.10H2O");
    const double n = (double)f.atoms[ELEMENT_N] * read_formula("N").g_per_mol / f.g_per_mol;
    const double ca = (double)f.atoms[ELEMENT_CA] * read_formula("Ca").g_per_mol / f.g_per_mol;
    ck_assert_double_eq_tol(100 * n, 15.5, 0.1);
    ck_assert_double_eq_tol(100 * ca, 19.0, 0.5);
}
END_TEST

static double mol_per_l(enum stock_reagent reagent, double percent, double density)
{
    const struct stock_solution s = {
        .kind = reagent < REAGENT_POTASSIUM_HYDROXIDE ? STOCK_ACID : STOCK_BASE,
        .reagent = reagent,
        .percent_w_w = percent,
        .density_g_ml = density,
    };
    struct stock_strength strength;
    struct problem problem = { 0 };
    ck_assert_int_eq(stock_strength_of(&strength, &s, &problem), ERR_NONE);
    return strength.acid_meq_ml > 0 ? strength.acid_meq_ml : -strength.acid_meq_ml;
}

/* A laboratory supplier's table of concentrated reagents (read in a copy): 70 % nitric acid, 1.413:
 * 15.7 mol/L; 96 % sulfuric, 1.84: 18.0 mol/L, 36.0 eq/L; 85 % phosphoric, 1.685: 14.6 mol/L (one
 * proton counts at pH 5.8); 45 % potassium hydroxide, 1.456: 11.7. To its last digit. */
START_TEST(concentrated_reagents_have_the_printed_strength)
{
    ck_assert_double_eq_tol(mol_per_l(REAGENT_NITRIC, 70, 1.413), 15.7, 0.05);
    ck_assert_double_eq_tol(mol_per_l(REAGENT_SULFURIC, 96, 1.84), 36.0, 0.1);
    ck_assert_double_eq_tol(mol_per_l(REAGENT_PHOSPHORIC, 85, 1.685), 14.6, 0.05);
    ck_assert_double_eq_tol(mol_per_l(REAGENT_POTASSIUM_HYDROXIDE, 45, 1.456), 11.7, 0.05);
}
END_TEST

/* R. Bailey and T. Bilderback, NCSU Horticulture Leaflet 558 (1998; figures from memory): for each
 * meq/L of alkalinity, to pH 5.8, 6.6 fl oz of 67 % nitric acid, 8.1 of 75 % phosphoric and 11.0 of
 * 35 % sulfuric in 1000 US gal. With 0.776 of the alkalinity to neutralise (closed bottle, pH 7.8
 * to 5.8; tests/reference/equilibrium_test.c). Densities 1.400, 1.579, 1.26 from memory. 3 %. */
START_TEST(a_leaflets_acid_amounts_come_out)
{
    static const struct {
        enum stock_reagent reagent;
        double percent, density, fl_oz_per_1000_gal;
    } table[] = { { REAGENT_NITRIC, 67, 1.400, 6.6 }, { REAGENT_PHOSPHORIC, 75, 1.579, 8.1 },
        { REAGENT_SULFURIC, 35, 1.26, 11.0 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const double ml_per_1000_l = table[i].fl_oz_per_1000_gal * 29.5735 / 3785.41 * 1000.0;
        const double strength = mol_per_l(table[i].reagent, table[i].percent, table[i].density);
        ck_assert_double_eq_tol(0.776 / strength * 1000.0 / ml_per_1000_l, 1.0, 0.03);
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("molar mass");
    tcase_add_test(tc, salts_have_the_molar_masses_of_the_handbook);
    tcase_add_test(tc, oxides_convert_by_the_printed_factors);
    tcase_add_test(tc, the_double_salt_has_the_share_of_nitrogen_on_the_bag);
    tcase_add_test(tc, concentrated_reagents_have_the_printed_strength);
    tcase_add_test(tc, a_leaflets_acid_amounts_come_out);
    return run_case(tc, "molar mass");
}
