/* Buffers, standards and temperature compensation against published tables; every row. */
#include "lib/chem/ec_probe.h"
#include "lib/chem/ph_probe.h"
#include "lib/chem/tempco.h"
#include "tests/reference/chem/table.h"

/* Nernst: ln 10 * R T / F, CODATA 2018. 58.167 mV at 20 degC, 59.159 at 25, 60.15 at 30 (computed
 * outside this program). */
START_TEST(the_ideal_slope_is_59_16_mv_at_25_degrees)
{
    ck_assert_double_eq_tol(ph_nernst_mv(25), 59.159, 0.001);
    ck_assert_double_eq_tol(ph_nernst_mv(20), 58.167, 0.001);
    ck_assert_double_eq_tol(ph_nernst_mv(30), 60.15, 0.005);
    struct table t = table_read("ph_buffers.csv");
    for (int r = 0; r < t.rows; r++) {
        ck_assert_double_eq_tol(ph_nernst_mv(table_number(&t, r, "T_C")),
            table_number(&t, r, "nernst_mV_per_pH"), 1e-4);
    }
    table_free(&t);
}
END_TEST

/* tests/reference/data/ph_buffers.csv: NBS, IUPAC (Pure Appl. Chem. 74, 2002) and DIN 19266 values
 * from memory, technical ones from an instrument's manual. Its phosphates and carbonate agree with
 * PHREEQC to 0.008 between 15 and 30 degC, 0.015 for carbonate; 0.05 elsewhere. */
START_TEST(buffers_have_their_ph_at_every_tabulated_temperature)
{
    static const struct {
        const char *name;
        enum ph_buffer buffer;
    } map[BUFFER_COUNT] = { { "tetroxalate_0.05m", BUFFER_TETROXALATE },
        { "phthalate_0.05m_NBS", BUFFER_PHTHALATE_NBS },
        { "phthalate_0.05m_IUPAC", BUFFER_PHTHALATE },
        { "phosphate_0.025_0.025m", BUFFER_PHOSPHATE },
        { "phosphate_0.008695_0.03043m", BUFFER_PHOSPHATE_7_41 }, { "borax_0.01m", BUFFER_BORAX },
        { "carbonate_0.025_0.025m", BUFFER_CARBONATE }, { "technical_4.00", BUFFER_TECHNICAL_4 },
        { "technical_7.00", BUFFER_TECHNICAL_7 }, { "technical_10.01", BUFFER_TECHNICAL_10 } };
    struct table t = table_read("ph_buffers.csv");
    int rows = 0;
    for (int r = 0; r < t.rows; r++) {
        const double degc = table_number(&t, r, "T_C");
        const double model = table_number(&t, r, "pH_phreeqc");
        for (int b = 0; b < BUFFER_COUNT; b++) {
            if (strcmp(map[b].name, table_text(&t, r, "buffer")) != 0) continue;
            const double ph = ph_buffer_at(map[b].buffer, degc);
            ck_assert_double_eq_tol(ph, table_number(&t, r, "pH"), 1e-9);
            const bool mild = degc >= 15 && degc <= 30;
            const double tolerance = map[b].buffer == BUFFER_CARBONATE ? 0.015 : 0.008;
            if (!isnan(model)) ck_assert_double_eq_tol(ph, model, mild ? tolerance : 0.05);
            rows++;
        }
    }
    ck_assert_int_eq(rows, t.rows);
    table_free(&t);
}
END_TEST

/* Half-way between two points of IUPAC's tables for phosphate and phthalate, the mean of the
 * neighbours is off by their curvature, an eighth of the second difference. */
START_TEST(between_the_points_a_thousandth_is_kept)
{
    ck_assert_double_eq_tol(ph_buffer_at(BUFFER_PHOSPHATE, 22.5), (6.881 + 6.865) / 2, 0.001);
    ck_assert_double_eq_tol(ph_buffer_at(BUFFER_PHTHALATE, 22.5), (4.001 + 4.005) / 2, 0.001);
}
END_TEST

/* A sheet on offset and slope (read): -15 mV at pH 7.01 and +160 mV at 4.01 are 175 mV, good; +15
 * and +160 are 145 mV, bad. At 25 degC 175 mV are 98.6 % of 3.00 * 59.16. */
START_TEST(a_sheets_good_and_bad_electrodes_are_told_apart)
{
    struct ph_constants c;
    const struct ph_bath seven = { 7.01, -15, 25 }, four = { 4.01, 160, 25 },
                         bad = { 7.01, 15, 25 };
    ck_assert_int_eq(ph_calibrate(&c, &seven, &four, NULL), ERR_NONE);
    ck_assert_double_eq_tol(c.slope_percent, 98.6, 0.05);
    ck_assert_double_eq_tol(c.zero_mv, -14.4, 0.1);
    ck_assert_int_eq(ph_judge(&c), PH_GOOD);
    ck_assert_int_eq(ph_calibrate(&c, &bad, &four, NULL), ERR_NONE);
    ck_assert_double_eq_tol(c.slope_percent, 100 * 145 / (3 * 59.159), 0.05);
    ck_assert_int_eq(ph_judge(&c), PH_REFUSED);
    /* the sheet's bounds: 150 to 186 mV are 85 to 105 % */
    ck_assert_double_eq_tol(150 / (3 * 59.159), 0.85, 0.006);
    ck_assert_double_eq_tol(186 / (3 * 59.159), 1.05, 0.006);
}
END_TEST

/* --- EC --------------------------------------------------------------------------------------- */

/* A laboratory meter's table (read): 0.01 and 0.1 mol/L. Its 1667 uS/cm at 35 degC contradicts its
 * own coefficient (it would be 1694) and is left out. */
START_TEST(potassium_chloride_has_the_meters_values)
{
    static const double dilute[][2] = { { 5, 896 }, { 10, 1020 }, { 15, 1147 }, { 20, 1278 },
        { 25, 1413 }, { 30, 1552 } };
    static const double tenth[][2] = { { 10, 9330 }, { 15, 10480 }, { 20, 11670 }, { 25, 12880 },
        { 30, 14120 }, { 35, 15390 } };
    for (size_t i = 0; i < 6; i++) {
        ck_assert_double_eq_tol(
            ec_standard_us_cm(EC_STANDARD_1413, dilute[i][0]), dilute[i][1], 1e-9);
        ck_assert_double_eq_tol(
            ec_standard_us_cm(EC_STANDARD_12880, tenth[i][0]), tenth[i][1], 1e-9);
    }
    ck_assert_double_eq_tol(ec_standard_us_cm(EC_STANDARD_2765, 25), 2765, 5); /* or 2767, 2760 */
}
END_TEST

/* kcl.csv's published column: CRC Handbook after Pratt et al. 2001 (NIST), demal and Shedlovsky's
 * values from memory. Those of the probe standards to their digits; the trade's rounded ones within
 * 1 % of the published row next to them in strength. */
START_TEST(standards_agree_with_the_published_rows)
{
    static const struct {
        double mol;
        const char *unit;
        enum ec_standard standard;
        double tolerance;
    } map[] = { { 0.01, "mol/kgw", EC_STANDARD_0_01M, 1e-9 },
        { 0.1, "mol/kgw", EC_STANDARD_0_1M, 1e-9 }, { 0.01, "mol/L_at_T", EC_STANDARD_1413, 0.01 },
        { 0.1, "mol/L_at_T", EC_STANDARD_12880, 0.01 },
        { 0.0100041, "mol/kgw", EC_STANDARD_1413, 0.01 },
        { 0.100261, "mol/kgw", EC_STANDARD_12880, 0.01 },
        { 0.01, "mol/kgw", EC_STANDARD_1413, 0.01 }, { 0.1, "mol/kgw", EC_STANDARD_12880, 0.01 } };
    struct table t = table_read("kcl.csv");
    int rows = 0;
    for (int r = 0; r < t.rows; r++) {
        const double published = table_number(&t, r, "EC_T_published");
        for (size_t m = 0; !isnan(published) && m < sizeof map / sizeof map[0]; m++) {
            if (fabs(table_number(&t, r, "conc") - map[m].mol) > 1e-9) continue;
            if (strcmp(table_text(&t, r, "unit"), map[m].unit) != 0) continue;
            const double us_cm = ec_standard_us_cm(map[m].standard, table_number(&t, r, "T_C"));
            ck_assert_double_eq_tol(us_cm / published, 1.0, map[m].tolerance);
            rows++;
        }
    }
    ck_assert_int_ge(rows, 26);
    table_free(&t);
}
END_TEST

/* Quoted as ISO 7888:1985 by two instruments' manuals; every degree exactly, half degrees within
 * the table's own curvature. */
START_TEST(fresh_water_is_compensated_as_iso_7888_says)
{
    struct table t = table_read("iso7888_f25.csv");
    ck_assert_int_eq(t.rows, 36);
    for (int r = 0; r < t.rows; r++) {
        double ec;
        ck_assert(tempco_to_25(&ec, TEMPCO_FRESH_WATER, 0, table_number(&t, r, "T_C"), 1000));
        ck_assert_double_eq_tol(ec, 1000 * table_number(&t, r, "f25"), 1e-6);
    }
    for (int r = 1; r + 1 < t.rows; r++) { /* every second point left out: 0.1 % */
        const double skipped =
            (table_number(&t, r - 1, "f25") + table_number(&t, r + 1, "f25")) / 2;
        ck_assert_double_eq_tol(skipped / table_number(&t, r, "f25"), 1.0, 0.0012);
    }
    table_free(&t);
}
END_TEST

/* ec_solutions.csv, all rows: nutrient solutions computed with USGS PHREEQC 3.8.9. Within 1 % from
 * 10 to 35 degC (the issue asks for 15 to 30), 1.6 % at 5. The curve was fitted to the same table,
 * so this shows how far solutions differ, not that PHREEQC is right. */
START_TEST(nutrient_solutions_follow_the_nutrient_curve)
{
    struct table t = table_read("ec_solutions.csv");
    struct spread warm = { 0 }, wide = { 0 }, cold = { 0 };
    for (int r = 0; r < t.rows; r++) {
        const double degc = table_number(&t, r, "T_C");
        double ratio;
        ck_assert(tempco_ratio(&ratio, TEMPCO_NUTRIENT, 0, degc));
        const double off = 100 * (ratio / table_number(&t, r, "ratio_T_25") - 1);
        spread_add(degc < 9.9 ? &cold : degc >= 14.9 && degc <= 30.1 ? &warm : &wide, off, r);
    }
    spread_print(&warm, "nutrient curve against ratio_T_25, 15 to 30 degC", "%");
    spread_print(&wide, "nutrient curve against ratio_T_25, 10 and 35 degC", "%");
    spread_print(&cold, "nutrient curve against ratio_T_25, 5 degC", "%");
    ck_assert_int_eq(warm.count + wide.count + cold.count, t.rows);
    ck_assert_double_le(fabs(warm.worst), 0.75);
    ck_assert_double_le(fabs(wide.worst), 1.0);
    ck_assert_double_le(fabs(cold.worst), 1.6);
    table_free(&t);
}
END_TEST

/* Published potassium chloride isn't in the fit: the curve brings 0.01 mol/kg (CRC after Pratt et
 * al. 2001) at 15 to 30 degC to its value at 25 within 1.5 %, the straight line of 1.91 % within
 * 0.8. */
START_TEST(potassium_chloride_follows_a_line_of_1_9_percent)
{
    for (double degc = 15; degc <= 30; degc += 5) {
        const double raw = ec_standard_us_cm(EC_STANDARD_0_01M, degc);
        double line, curve;
        ck_assert(tempco_to_25(&line, TEMPCO_LINEAR, 1.91, degc, raw));
        ck_assert(tempco_to_25(&curve, TEMPCO_NUTRIENT, 0, degc, raw));
        ck_assert_double_eq_tol(line / 1408.23, 1.0, 0.008);
        ck_assert_double_eq_tol(curve / 1408.23, 1.0, 0.015);
    }
}
END_TEST

/* The standard that reads 1278 raw at 20 degC becomes 1420.0 with 2.0 % per degC; 11.67 mS/cm
 * becomes 12.895 with 1.90 % (readings: the meter's table; results computed outside this
 * program). 2.0 % on 0.01 mol/L is 3.1 % off at 10 degC, 1.5 at 15, 0.5 at 20, -0.15 at 30. */
START_TEST(a_line_of_two_percent_errs_as_it_must)
{
    double ec;
    ck_assert(tempco_to_25(&ec, TEMPCO_LINEAR, 2.0, 20, 1278));
    ck_assert_double_eq_tol(ec, 1420.0, 0.1);
    ck_assert(tempco_to_25(&ec, TEMPCO_LINEAR, 1.90, 20, 11.67));
    ck_assert_double_eq_tol(ec, 12.895, 0.001);
    static const double table[][2] = { { 10, 3.1 }, { 15, 1.5 }, { 20, 0.5 }, { 30, -0.15 } };
    for (size_t i = 0; i < 4; i++) {
        const double raw = ec_standard_us_cm(EC_STANDARD_1413, table[i][0]);
        ck_assert(tempco_to_25(&ec, TEMPCO_LINEAR, 2.0, table[i][0], raw));
        ck_assert_double_eq_tol(100 * (ec / 1413 - 1), table[i][1], 0.06);
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("probes");
    tcase_add_test(tc, the_ideal_slope_is_59_16_mv_at_25_degrees);
    tcase_add_test(tc, buffers_have_their_ph_at_every_tabulated_temperature);
    tcase_add_test(tc, between_the_points_a_thousandth_is_kept);
    tcase_add_test(tc, a_sheets_good_and_bad_electrodes_are_told_apart);
    tcase_add_test(tc, potassium_chloride_has_the_meters_values);
    tcase_add_test(tc, standards_agree_with_the_published_rows);
    tcase_add_test(tc, fresh_water_is_compensated_as_iso_7888_says);
    tcase_add_test(tc, nutrient_solutions_follow_the_nutrient_curve);
    tcase_add_test(tc, potassium_chloride_follows_a_line_of_1_9_percent);
    tcase_add_test(tc, a_line_of_two_percent_errs_as_it_must);
    return run_case(tc, "probes");
}
