/* The simulated water's chemistry against handbooks, a worked closed form, and PHREEQC. */
#include <math.h>

#include "lib/plant/water.h"
#include "tests/unit/support.h"

/* W. Stumm and J. J. Morgan, "Aquatic Chemistry", and the CRC Handbook (both from memory), at 25
 * degC and infinite dilution; half a hundredth, water and ammonium a hundredth. */
START_TEST(constants_at_25_degrees_are_the_handbooks)
{
    const struct water_constants k = water_constants_at(25, 0);
    ck_assert_double_eq_tol(-log10(k.k1), 6.352, 0.005);
    ck_assert_double_eq_tol(-log10(k.k2), 10.329, 0.005);
    ck_assert_double_eq_tol(-log10(k.p1), 2.148, 0.005);
    ck_assert_double_eq_tol(-log10(k.p2), 7.198, 0.005);
    ck_assert_double_eq_tol(-log10(k.p3), 12.35, 0.005);
    ck_assert_double_eq_tol(-log10(k.kn), 9.245, 0.01);
    ck_assert_double_eq_tol(-log10(k.kw), 13.995, 0.01);
}
END_TEST

/* K1 and K2 of carbonic acid, Kw and KH as PHREEQC 3.8.9 (U.S. Geological Survey) evaluates
 * phreeqc.dat: Plummer and Busenberg 1982 for carbon. Computed with it; 0.01 of a logarithm. */
START_TEST(constants_follow_the_temperature_as_phreeqc_has_them)
{
    static const struct {
        double degc, k1, k2, kw, kh;
    } table[] = { { 10, -6.46334, -10.4879, -14.5314, -1.26948 },
        { 15, -6.4188, -10.4284, -14.3433, -1.34101 },
        { 20, -6.38187, -10.3756, -14.1646, -1.40709 },
        { 25, -6.35186, -10.3289, -13.9948, -1.46817 },
        { 30, -6.32815, -10.2879, -13.8333, -1.52462 },
        { 35, -6.31016, -10.2523, -13.6796, -1.57681 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const struct water_constants k = water_constants_at(table[i].degc, 0);
        ck_assert_double_eq_tol(log10(k.k1), table[i].k1, 0.01);
        ck_assert_double_eq_tol(log10(k.k2), table[i].k2, 0.01);
        ck_assert_double_eq_tol(log10(k.kw), table[i].kw, 0.01);
        const double kh = water_co2_balance(table[i].degc, 1e6) / 1000.0;
        ck_assert_double_eq_tol(log10(kh), table[i].kh, 0.01);
    }
}
END_TEST

/* Closed forms: half-neutralised carbonate sits at pK1, an equimolar phosphate pair at pK2, pure
 * water at half pKw, a millimole of strong acid at 3. */
START_TEST(plain_waters_have_the_ph_of_their_closed_form)
{
    const struct plant_water half = { .alkalinity = 0.5, .carbon = 1.0 };
    ck_assert_double_eq_tol(plant_water_ph(&half, 25), 6.352, 5e-3);
    const struct plant_water pair = { .alkalinity = 1.0, .phosphate = 2.0 };
    ck_assert_double_eq_tol(plant_water_ph(&pair, 25), 7.20, 2e-3);
    const struct plant_water pure = { 0 };
    ck_assert_double_eq_tol(plant_water_ph(&pure, 25), 7.00, 3e-3);
    const struct plant_water acid = { .alkalinity = -1.0 };
    ck_assert_double_eq_tol(plant_water_ph(&acid, 25), 3.00, 1e-3);
    const struct plant_water base = { .alkalinity = 1.0 };
    ck_assert_double_eq_tol(plant_water_ph(&base, 25), 10.995, 2e-3);
    const struct plant_water ammonium = { .alkalinity = 5.0, .ammonium = 10.0 };
    ck_assert_double_eq_tol(plant_water_ph(&ammonium, 25), 9.245, 1e-2);
}
END_TEST

/* The buffer intensity is the slope of alkalinity over pH: central differences. */
START_TEST(the_buffer_is_the_slope_of_the_alkalinity)
{
    const struct plant_water w = { 12, 0.7, 1.3, 1.1, 0.6 };
    const struct water_constants k = water_constants_at(21, w.cations);
    for (double ph = 3.0; ph <= 11.0; ph += 0.25) {
        const double d = 1e-4;
        const double slope =
            (water_alkalinity_at(&w, &k, ph + d) - water_alkalinity_at(&w, &k, ph - d)) / (2 * d);
        ck_assert_double_eq_tol(water_buffer_at(&w, &k, ph) / slope, 1.0, 1e-6);
    }
}
END_TEST

START_TEST(the_ph_found_is_the_one_at_which_charges_balance)
{
    static const double alkalinity[] = { -30, -1, -0.01, 0, 0.3, 2, 9, 40 };
    static const double guess[] = { 0.5, 4, 7, 10, 13.5, -3, NAN };
    for (size_t i = 0; i < sizeof alkalinity / sizeof alkalinity[0]; i++) {
        const struct plant_water w = { 15, alkalinity[i], 1.2, 1.0, 0.3 };
        const struct water_constants k = water_constants_at(18, w.cations);
        const double first = water_ph(&w, &k, 7);
        ck_assert_double_eq_tol(water_alkalinity_at(&w, &k, first), alkalinity[i], 1e-7);
        for (size_t g = 0; g < sizeof guess / sizeof guess[0]; g++) {
            ck_assert_double_eq_tol(water_ph(&w, &k, guess[g]), first, 1e-9);
        }
    }
}
END_TEST

/* Water of 2 meq/L alkalinity, pH 7.8 at 25 degC, nitric acid, CO2 kept in: computed with PHREEQC
 * 3.8.9, phreeqc.dat. Its ion pairs and ionic strength differ a little: 0.03, near the end point,
 * where a hundredth of a meq is a tenth of pH, 0.06. */
START_TEST(nitric_acid_takes_water_down_as_phreeqc_computes)
{
    static const struct {
        double acid_meq_l, ph, tolerance;
    } table[] = { { 0, 7.8, 0.03 }, { 0.5, 6.75793, 0.03 }, { 1, 6.30376, 0.03 },
        { 1.5, 5.83565, 0.03 }, { 1.8, 5.37003, 0.03 }, { 2, 4.52115, 0.06 },
        { 2.2, 3.71074, 0.06 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const struct plant_water w = {
            .cations = 2, .alkalinity = 2 - table[i].acid_meq_l, .carbon = 2.05433
        };
        ck_assert_double_eq_tol(plant_water_ph(&w, 25), table[i].ph, table[i].tolerance);
    }
}
END_TEST

/* From pH 8.0 to 5.8 in a closed bottle 0.78 of the alkalinity has to be neutralised, to 5.2 0.94,
 * to 6.2 0.58: computed from pK1 6.352 and pK2 10.329 (from memory), the model that B. Whipker et
 * al. describe (HortScience 31, 1996; abstract read). A hundredth. */
START_TEST(the_share_of_alkalinity_to_neutralise_comes_out)
{
    static const double to_ph[] = { 6.2, 5.8, 5.2 }, share[] = { 0.58, 0.78, 0.94 };
    const struct water_constants k = water_constants_at(25, 0);
    struct plant_water w = { .alkalinity = 2.0, .carbon = 2.0 };
    for (int i = 0; i < 50; i++) { /* the carbon that goes with pH 8.0 */
        w.carbon *= w.alkalinity / water_alkalinity_at(&w, &k, 8.0);
    }
    for (size_t i = 0; i < 3; i++) {
        const double left = water_alkalinity_at(&w, &k, to_ph[i]);
        ck_assert_double_eq_tol((2.0 - left) / 2.0, share[i], 0.01);
    }
}
END_TEST

/* Phosphate buffer 0.025 + 0.025 mol/kg: pH 6.865 at 25 degC (NBS, IUPAC, DIN 19266; from memory).
 * Davies' activities at 0.1 mol/kg, and an ionic strength that is only estimated: 0.1. */
START_TEST(the_phosphate_standard_is_near_its_ph)
{
    const struct plant_water w = { .cations = 75, .alkalinity = 25, .phosphate = 50 };
    ck_assert_double_eq_tol(plant_water_ph(&w, 25), 6.865, 0.1);
}
END_TEST

/* EC of full-strength Hoagland and Steiner solutions, 20 meq/L of cations: about 1.9 to 2.1 mS/cm.
 * Sonneveld et al. 1999: EC = 0.095 cations + 0.19 (from memory). 12 %, from 10 meq/L up. */
START_TEST(ec_is_near_the_line_that_growers_use)
{
    for (double n = 10; n <= 26; n += 2) {
        const struct plant_water w = { .cations = n, .phosphate = 1 };
        const double line = 95.0 * n + 190.0;
        ck_assert_double_eq_tol(plant_water_ec_us_cm(&w) / line, 1.0, 0.12);
    }
    const struct plant_water twenty = { .cations = 20 };
    ck_assert_double_eq_tol(plant_water_ec_us_cm(&twenty), 1900, 5);
}
END_TEST

START_TEST(ec_rises_with_every_salt_even_absurdly)
{
    double before = -1;
    for (double n = 0; n <= 1000; n += 5) {
        const struct plant_water w = { .cations = n };
        const double ec = plant_water_ec_us_cm(&w);
        ck_assert(ec > before);
        before = ec;
    }
    const struct plant_water soda = { .alkalinity = 5, .carbon = 5 };
    ck_assert(plant_water_ec_us_cm(&soda) == 0.0);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("equilibrium");
    tcase_add_test(tc, constants_at_25_degrees_are_the_handbooks);
    tcase_add_test(tc, constants_follow_the_temperature_as_phreeqc_has_them);
    tcase_add_test(tc, plain_waters_have_the_ph_of_their_closed_form);
    tcase_add_test(tc, the_buffer_is_the_slope_of_the_alkalinity);
    tcase_add_test(tc, the_ph_found_is_the_one_at_which_charges_balance);
    tcase_add_test(tc, nitric_acid_takes_water_down_as_phreeqc_computes);
    tcase_add_test(tc, the_share_of_alkalinity_to_neutralise_comes_out);
    tcase_add_test(tc, the_phosphate_standard_is_near_its_ph);
    tcase_add_test(tc, ec_is_near_the_line_that_growers_use);
    tcase_add_test(tc, ec_rises_with_every_salt_even_absurdly);
    return run_case(tc, "equilibrium");
}
