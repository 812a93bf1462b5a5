/* Standard solutions, salts and fertiliser sums against what is printed of them. Published figures
 * that contradict themselves are left out, and named where they would stand. */
#include <math.h>
#include <string.h>

#include "lib/chem/element.h"
#include "lib/chem/label.h"
#include "lib/chem/practice.h"
#include "tests/unit/support.h"

enum { SALTS_MAX = 12 };

struct recipe_row {
    const char *formula;
    double mg_l;
};

struct content {
    enum nutrient nutrient;
    double mg_l;
};

static struct solution dissolve(const struct recipe_row *rows)
{
    struct solution sum = { 0 };
    for (size_t i = 0; i < SALTS_MAX && rows[i].formula; i++) {
        struct salt salt;
        struct problem problem = { 0 };
        const enum err err = salt_read(&salt, rows[i].formula, &problem);
        ck_assert_msg(err == ERR_NONE, "%s", problem.text);
        salt_dissolve(&sum, &salt, rows[i].mg_l / 1000.0);
    }
    return sum;
}

/* What is printed, and how far off: a share of it or half a unit of its last digit, the larger. */
struct tolerance {
    double share, digit;
};
static const struct tolerance tenth_of_a_percent = { 1e-3, 0.05 };

static void check_contents(
    const char *what, const struct solution *s, const struct content *contents, struct tolerance t)
{
    for (size_t i = 0; contents[i].mg_l > 0; i++) {
        const double got = nutrient_mg_l(s, contents[i].nutrient);
        const double off = fabs(got - contents[i].mg_l);
        ck_assert_msg(off <= t.share * contents[i].mg_l || off <= t.digit,
            "%s: %s is %.3f, printed %.3f", what, nutrient_word(contents[i].nutrient), got,
            contents[i].mg_l);
    }
}

/* D. Hoagland and D. Arnon, California Agricultural Experiment Station Circular 347 (1950), no. 2:
 * its recipe read in a second-hand sheet, 606.6, 944.6, 115.0, 492.9 mg/L; mg/L of the elements
 * computed outside this program. 0.1 %. */
START_TEST(hoagland_and_arnon_no_2_has_its_elements)
{
    const struct recipe_row rows[SALTS_MAX] = { { "KNO3", 606.6 }, { "Ca(NO3)2.4H2O", 944.6 },
        { "NH4H2PO4", 115.0 }, { "MgSO4.7H2O", 492.9 } };
    const struct content contents[] = { { NUTRIENT_N, 210.1 }, { NUTRIENT_AMMONIUM_N, 14.0 },
        { NUTRIENT_P, 31.0 }, { NUTRIENT_K, 234.6 }, { NUTRIENT_CA, 160.3 }, { NUTRIENT_MG, 48.6 },
        { NUTRIENT_S, 64.1 }, { 0 } };
    const struct solution s = dissolve(rows);
    check_contents("Hoagland 2", &s, contents, tenth_of_a_percent);
    ck_assert_double_eq_tol(water_cations_meq_l(&s.water), 19.0, 0.02);
}
END_TEST

/* The same circular's no. 1, and A. Steiner's universal solution (1961, 1984): molarities from
 * memory, salts and elements computed from them outside this program. 0.1 %. */
START_TEST(hoagland_no_1_and_steiner_have_their_elements)
{
    const struct recipe_row hoagland[SALTS_MAX] = { { "Ca(NO3)2.4H2O", 1180.7 }, { "KNO3", 505.5 },
        { "KH2PO4", 136.1 }, { "MgSO4.7H2O", 492.9 } };
    const struct content h[] = { { NUTRIENT_N, 210.1 }, { NUTRIENT_P, 31.0 }, { NUTRIENT_K, 234.6 },
        { NUTRIENT_CA, 200.4 }, { NUTRIENT_MG, 48.6 }, { NUTRIENT_S, 64.1 }, { 0 } };
    const struct recipe_row steiner[SALTS_MAX] = { { "Ca(NO3)2.4H2O", 1062.7 }, { "KNO3", 303.3 },
        { "KH2PO4", 136.1 }, { "K2SO4", 261.4 }, { "MgSO4.7H2O", 492.9 } };
    const struct content st[] = { { NUTRIENT_N, 168.1 }, { NUTRIENT_P, 31.0 },
        { NUTRIENT_K, 273.7 }, { NUTRIENT_CA, 180.4 }, { NUTRIENT_MG, 48.6 }, { NUTRIENT_S, 112.2 },
        { 0 } };
    struct solution s = dissolve(hoagland);
    check_contents("Hoagland 1", &s, h, tenth_of_a_percent);
    ck_assert_double_eq_tol(water_cations_meq_l(&s.water), 20.0, 0.02);
    s = dissolve(steiner);
    check_contents("Steiner", &s, st, tenth_of_a_percent);
    ck_assert_double_eq_tol(water_cations_meq_l(&s.water), 20.0, 0.02);
}
END_TEST

/* A. Cooper, The ABC of NFT (1979): grams per 1000 L from memory, macro elements computed outside
 * this program (0.1 %). The book prints N 200 P 60 K 300 Ca 170 Mg 50, Fe 12, Mn 2, Zn 0.1, Cu 0.1,
 * B 0.3, Mo 0.2 (from memory): 2 %, the last to a digit's half. Its 79 g of iron chelate have 15.2
 * % Fe (anhydrous): 12.0. */
START_TEST(cooper_has_its_elements)
{
    const struct recipe_row rows[SALTS_MAX] = { { "Ca(NO3)2.4H2O", 1003 }, { "KNO3", 583 },
        { "KH2PO4", 263 }, { "MgSO4.7H2O", 513 }, { "MnSO4.H2O", 6.1 }, { "H3BO3", 1.7 },
        { "CuSO4.5H2O", 0.39 }, { "ZnSO4.7H2O", 0.44 }, { "(NH4)6Mo7O24.4H2O", 0.37 },
        { "C10H12FeN2NaO8", 79 } };
    const struct content exact[] = { { NUTRIENT_NITRATE_N, 199.8 }, { NUTRIENT_P, 59.9 },
        { NUTRIENT_K, 301.0 }, { NUTRIENT_CA, 170.2 }, { NUTRIENT_MG, 50.6 }, { 0 } };
    const struct content printed[] = { { NUTRIENT_N, 200 }, { NUTRIENT_P, 60 }, { NUTRIENT_K, 300 },
        { NUTRIENT_CA, 170 }, { NUTRIENT_MG, 50 }, { NUTRIENT_FE, 12 }, { NUTRIENT_MN, 2 },
        { NUTRIENT_ZN, 0.1 }, { NUTRIENT_CU, 0.1 }, { NUTRIENT_B, 0.3 }, { NUTRIENT_MO, 0.2 },
        { 0 } };
    const struct solution s = dissolve(rows);
    check_contents("Cooper", &s, exact, tenth_of_a_percent);
    check_contents("Cooper as printed", &s, printed, (struct tolerance){ 0.02, 0.005 });
}
END_TEST

/* C. Sonneveld and W. Voogt, Plant Nutrition of Greenhouse Crops (2009), tomato in a closed system:
 * mmol/L from memory; grams from those. 0.1 %. */
START_TEST(the_closed_tomato_recipe_has_its_elements)
{
    const struct recipe_row rows[SALTS_MAX] = { { "Ca(NO3)2.4H2O", 649.4 }, { "NH4NO3", 80.0 },
        { "KNO3", 429.7 }, { "KH2PO4", 170.1 }, { "K2SO4", 87.1 }, { "MgSO4.7H2O", 246.5 } };
    const struct content contents[] = { { NUTRIENT_N, 164.6 }, { NUTRIENT_AMMONIUM_N, 14.0 },
        { NUTRIENT_P, 38.7 }, { NUTRIENT_K, 254.1 }, { NUTRIENT_CA, 110.2 }, { NUTRIENT_MG, 24.3 },
        { NUTRIENT_S, 48.1 }, { 0 } };
    const struct solution s = dissolve(rows);
    check_contents("tomato, closed", &s, contents, tenth_of_a_percent);
    ck_assert_double_eq_tol(water_cations_meq_l(&s.water), 15.0, 0.02);
}
END_TEST

/* The same book's mmol/L of five closed and open systems (from memory), elements computed outside
 * this program, one decimal. */
START_TEST(mmol_and_mg_agree_for_the_greenhouse_recipes)
{
    static const struct {
        double no3, nh4, k, ca, mg, po4, so4;
        double n, p, k_mg, ca_mg, mg_mg, s;
    } table[] = { { 10.75, 1.0, 6.5, 2.75, 1.0, 1.25, 1.5, 164.6, 38.7, 254.1, 110.2, 24.3, 48.1 },
        { 19, 1.25, 11, 4.5, 1.0, 2.0, 1.125, 283.6, 61.9, 430.1, 180.4, 24.3, 36.1 },
        { 16, 1.25, 8, 4, 1.375, 1.25, 1.375, 241.6, 38.7, 312.8, 160.3, 33.4, 44.1 },
        { 15.5, 1.25, 6.5, 4.75, 1.5, 1.25, 1.75, 234.6, 38.7, 254.1, 190.4, 36.5, 56.1 },
        { 16, 1.2, 9.5, 5.4, 2.4, 1.5, 4.4, 240.9, 46.5, 371.4, 216.4, 58.3, 141.1 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct solution s = { 0 };
        double *n = s.water.mmol_l;
        n[ION_NO3] = table[i].no3, n[ION_NH4] = table[i].nh4, n[ION_K] = table[i].k;
        n[ION_CA] = table[i].ca, n[ION_MG] = table[i].mg, n[ION_PO4] = table[i].po4;
        n[ION_SO4] = table[i].so4;
        const struct content contents[] = { { NUTRIENT_N, table[i].n }, { NUTRIENT_P, table[i].p },
            { NUTRIENT_K, table[i].k_mg }, { NUTRIENT_CA, table[i].ca_mg },
            { NUTRIENT_MG, table[i].mg_mg }, { NUTRIENT_S, table[i].s }, { 0 } };
        check_contents("greenhouse recipe", &s, contents, tenth_of_a_percent);
        /* each balances in charge, phosphate once */
        const double anions = n[ION_NO3] + n[ION_PO4] + 2 * n[ION_SO4];
        ck_assert_double_eq_tol(water_cations_meq_l(&s.water), anions, 0.011);
    }
}
END_TEST

/* N. Mattson and C. Peters, A Recipe for Hydroponic Success (2014): targets read second hand, grams
 * per 100 US gal from memory, with the fertiliser's double salt (15.5 % N): 0.5 %,
 * or half a mg/L as the targets are whole. */
START_TEST(a_recipe_per_100_gallons_comes_out)
{
    const double per_l = 1000.0 / (100 * PRACTICE_L_PER_US_GAL); /* grams to mg/L */
    const struct recipe_row rows[SALTS_MAX] = { { "5Ca(NO3)2.NH4NO3.10H2O", 184.0 * per_l },
        { "NH4NO3", 14.4 * per_l }, { "KNO3", 167.3 * per_l }, { "KH2PO4", 51.5 * per_l },
        { "MgSO4.7H2O", 93.1 * per_l } };
    const struct content contents[] = { { NUTRIENT_N, 150 }, { NUTRIENT_P, 31 },
        { NUTRIENT_K, 210 }, { NUTRIENT_CA, 90 }, { NUTRIENT_MG, 24 }, { NUTRIENT_S, 32 }, { 0 } };
    const struct solution s = dissolve(rows);
    check_contents("Mattson and Peters", &s, contents, (struct tolerance){ 0.005, 0.5 });
}
END_TEST

/* Hoagland's micro stock, 1 mL/L (the sheet above): B 0.50, Mn 0.50, Zn 0.05, Cu 0.02 mg/L; iron as
 * 0.25 mL/L of 24.9 g/L FeSO4.7H2O: 1.25 mg/L. To the digit printed. */
START_TEST(hoaglands_micro_nutrients_come_out)
{
    const struct recipe_row rows[SALTS_MAX] = { { "H3BO3", 2.86 }, { "MnCl2.4H2O", 1.81 },
        { "ZnSO4.7H2O", 0.22 }, { "CuSO4.5H2O", 0.08 }, { "H2MoO4.H2O", 0.02 },
        { "FeSO4.7H2O", 24900 * 0.25 / 1000 } };
    const struct solution s = dissolve(rows);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_B), 0.50, 0.005);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_MN), 0.50, 0.005);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_ZN), 0.05, 0.005);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_CU), 0.02, 0.005);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_FE), 1.25, 0.005);
}
END_TEST

/* Shares of elements, per cent by weight, computed from atomic weights outside this program; two
 * decimals. Calcium nitrate's and the double salt's agree with bags (15.5 % N, 19 % Ca). */
START_TEST(salts_have_their_shares_of_elements)
{
    static const struct {
        const char *formula;
        double g_per_mol;
        struct {
            enum nutrient nutrient;
            double percent;
        } share[3];
    } table[] = { { "Ca(NO3)2.4H2O", 236.15, { { NUTRIENT_CA, 16.97 }, { NUTRIENT_N, 11.86 } } },
        { "5Ca(NO3)2.NH4NO3.10H2O", 1080.62, { { NUTRIENT_CA, 18.54 }, { NUTRIENT_N, 15.55 } } },
        { "KNO3", 101.10, { { NUTRIENT_K, 38.67 }, { NUTRIENT_N, 13.85 } } },
        { "NH4NO3", 80.04, { { NUTRIENT_N, 35.00 } } },
        { "KH2PO4", 136.08, { { NUTRIENT_K, 28.73 }, { NUTRIENT_P, 22.76 } } },
        { "NH4H2PO4", 115.03, { { NUTRIENT_N, 12.18 }, { NUTRIENT_P, 26.93 } } },
        { "K2SO4", 174.25, { { NUTRIENT_K, 44.88 }, { NUTRIENT_S, 18.40 } } },
        { "MgSO4.7H2O", 246.47, { { NUTRIENT_MG, 9.86 }, { NUTRIENT_S, 13.01 } } },
        { "Mg(NO3)2.6H2O", 256.40, { { NUTRIENT_MG, 9.48 }, { NUTRIENT_N, 10.93 } } },
        { "KCl", 74.55, { { NUTRIENT_K, 52.45 } } },
        { "CaCl2.2H2O", 147.01, { { NUTRIENT_CA, 27.26 } } },
        { "H3BO3", 61.83, { { NUTRIENT_B, 17.48 } } },
        { "MnSO4.H2O", 169.01, { { NUTRIENT_MN, 32.51 } } },
        { "ZnSO4.7H2O", 287.54, { { NUTRIENT_ZN, 22.74 } } },
        { "CuSO4.5H2O", 249.68, { { NUTRIENT_CU, 25.45 } } },
        { "Na2MoO4.2H2O", 241.96, { { NUTRIENT_MO, 39.66 } } },
        { "C10H12FeN2NaO8.3H2O", 421.09, { { NUTRIENT_FE, 13.26 } } },
        { "KHCO3", 100.11, { { NUTRIENT_K, 39.05 } } },
        { "K2CO3", 138.20, { { NUTRIENT_K, 56.58 } } },
        { "CaSO4.2H2O", 172.17, { { NUTRIENT_CA, 23.28 } } } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct salt salt;
        ck_assert_int_eq(salt_read(&salt, table[i].formula, NULL), ERR_NONE);
        ck_assert_double_eq_tol(salt.g_per_mol, table[i].g_per_mol, 0.02);
        struct solution s = { 0 };
        salt_dissolve(&s, &salt, 0.1); /* so that mg/L are per cent */
        for (size_t k = 0; k < 3 && table[i].share[k].percent > 0; k++) {
            const double got = nutrient_mg_l(&s, table[i].share[k].nutrient);
            ck_assert_msg(fabs(got - table[i].share[k].percent) < 0.0101, "%s: %s %.4f",
                table[i].formula, nutrient_word(table[i].share[k].nutrient), got);
        }
    }
}
END_TEST

/* Molar masses against an independent library: mf-parser 3.9.3 of the npm registry, asked once. Its
 * atomic weights have more digits than IUPAC's abridged ones, and its sodium molybdate an older
 * molybdenum: 1e-4. */
START_TEST(molar_masses_agree_with_another_library)
{
    static const struct {
        const char *formula;
        double g_per_mol;
    } table[] = { { "Ca(NO3)2.4H2O", 236.1490 }, { "KNO3", 101.1032 }, { "NH4NO3", 80.0434 },
        { "KH2PO4", 136.0856 }, { "NH4H2PO4", 115.0257 }, { "K2SO4", 174.2590 },
        { "MgSO4.7H2O", 246.4745 }, { "Mg(NO3)2.6H2O", 256.4066 }, { "KCl", 74.5512 },
        { "CaCl2.2H2O", 147.0145 }, { "H3BO3", 61.8331 }, { "MnSO4.H2O", 169.0157 },
        { "ZnSO4.7H2O", 287.5472 }, { "CuSO4.5H2O", 249.6849 }, { "FeSO4.7H2O", 278.0146 },
        { "Na2MoO4.2H2O", 241.9675 }, { "(NH4)6Mo7O24.4H2O", 1235.9962 }, { "K2CO3", 138.2056 },
        { "KHCO3", 100.1152 }, { "KOH", 56.1056 }, { "HNO3", 63.0129 }, { "H3PO4", 97.9952 },
        { "H2SO4", 98.0783 }, { "C6H8O7", 192.1238 }, { "C10H12FeN2NaO8.3H2O", 421.0921 },
        { "Na2B4O7.10H2O", 381.3723 }, { "K2SiO3", 154.2803 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct salt salt;
        ck_assert_int_eq(salt_read(&salt, table[i].formula, NULL), ERR_NONE);
        ck_assert_msg(fabs(salt.g_per_mol / table[i].g_per_mol - 1) < 1e-4, "%s: %.4f",
            table[i].formula, salt.g_per_mol);
    }
}
END_TEST

/* NO3 to N 0.2259, NH4 to N 0.7765, SO4 to S 0.3338 (computed outside), P2O5 0.4364, K2O 0.8301 (N.
 * Mattson's worked examples, read second hand); 1e-4. 12 % P2O5 are 5.24 % P. */
START_TEST(ions_and_oxides_convert_by_the_printed_factors)
{
    static const struct {
        const char *word;
        double factor;
    } table[] = { { "NO3", 0.2259 }, { "NH4", 0.7765 }, { "SO4", 0.3338 }, { "P2O5", 0.4364 },
        { "K2O", 0.8301 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        enum nutrient n;
        double mass;
        ck_assert(nutrient_read(&n, &mass, table[i].word));
        ck_assert_double_eq_tol(nutrient_g_per_mol(n) / mass, table[i].factor, 1e-4);
    }
    const struct label label = { .percent = { [LABEL_P2O5] = 12 } };
    struct salt salt;
    struct solution s = { 0 };
    ck_assert_int_eq(label_read(&salt, NULL, &label, NULL), ERR_NONE);
    salt_dissolve(&s, &salt, 0.1);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_P), 5.24, 0.005);
}
END_TEST

/* Texas A&M's greenhouse guide (read): an ounce of calcium nitrate (15 % N) in 100 gal is 11.25 ppm
 * N, by the rule "per cent / 100 * 75" (exactly 74.89); 250 ppm take 22 oz, 150 ppm 13 oz, rounded.
 * Left out: its ammonium nitrate, 0.33 * 75, is printed as 29.75 (it is 24.75), and the answers of
 * 5 and 7 oz that follow from it. */
START_TEST(an_ounce_in_100_gallons_is_75_ppm)
{
    const double ppm_of_an_ounce = practice_nutrient_mg_l(practice_mg_l_from_oz_100_gal(1), 15);
    ck_assert_double_eq_tol(practice_mg_l_from_oz_100_gal(1), 74.89, 0.005);
    ck_assert_double_eq_tol(ppm_of_an_ounce, 11.25, 0.03);
    ck_assert_double_eq_tol(250 / ppm_of_an_ounce, 22, 0.5);
    ck_assert_double_eq_tol(150 / ppm_of_an_ounce, 13.35, 0.05); /* 13.3 to 13.4; printed 13 */
    ck_assert_double_eq_tol(practice_fertiliser_mg_l(150, 15), 1000, 10);
    /* a pound in 100 gal is 1.198 g/L */
    ck_assert_double_eq_tol(practice_mg_l_from_oz_100_gal(16) / 1000, 1.198, 0.0005);
}
END_TEST

/* N. Mattson, Fertilizer calculation basics for hydroponics (2018; set-up read, answer computed):
 * 100 ppm N from 15.5 % N, 19 % Ca: 645 mg/L, with 122.6 ppm Ca. */
START_TEST(a_hundred_ppm_of_nitrogen_bring_calcium_along)
{
    const double mg_l = practice_fertiliser_mg_l(100, 15.5);
    ck_assert_double_eq_tol(mg_l, 645, 0.5);
    ck_assert_double_eq_tol(practice_nutrient_mg_l(mg_l, 19), 122.6, 0.05);
    const struct label bag = { .percent = {
                                   [LABEL_N] = 15.5, [LABEL_AMMONIUM_N] = 1.1, [LABEL_CA] = 19 } };
    struct salt salt;
    struct solution s = { 0 };
    ck_assert_int_eq(label_read(&salt, NULL, &bag, NULL), ERR_NONE);
    salt_dissolve(&s, &salt, mg_l / 1000);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_N), 100, 1e-6);
    ck_assert_double_eq_tol(nutrient_mg_l(&s, NUTRIENT_CA), 122.6, 0.05);
}
END_TEST

/* Steiner's hundredfold parts, full strength EC 2.09: 100 L from 1.20 to 1.80 mS/cm take 287 mL of
 * each (computed outside; the volume added is neglected). 1 %. */
START_TEST(parts_for_a_rise_of_ec_come_out)
{
    ck_assert_double_eq_tol(practice_parts_ml(100, 1.80 - 1.20, 2.09, 100), 287, 2.87);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("solutions");
    tcase_add_test(tc, hoagland_and_arnon_no_2_has_its_elements);
    tcase_add_test(tc, hoagland_no_1_and_steiner_have_their_elements);
    tcase_add_test(tc, cooper_has_its_elements);
    tcase_add_test(tc, the_closed_tomato_recipe_has_its_elements);
    tcase_add_test(tc, mmol_and_mg_agree_for_the_greenhouse_recipes);
    tcase_add_test(tc, a_recipe_per_100_gallons_comes_out);
    tcase_add_test(tc, hoaglands_micro_nutrients_come_out);
    tcase_add_test(tc, salts_have_their_shares_of_elements);
    tcase_add_test(tc, molar_masses_agree_with_another_library);
    tcase_add_test(tc, ions_and_oxides_convert_by_the_printed_factors);
    tcase_add_test(tc, an_ounce_in_100_gallons_is_75_ppm);
    tcase_add_test(tc, a_hundred_ppm_of_nitrogen_bring_calcium_along);
    tcase_add_test(tc, parts_for_a_rise_of_ec_come_out);
    return run_case(tc, "solutions");
}
