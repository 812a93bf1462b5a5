/* Probe conversions against published values. Each check names where its number comes from. */
#include <math.h>

#include "lib/sense/convert.h"
#include "tests/unit/support.h"

static double converted(const struct probe_config *config, double number, double degc)
{
    double value = (double)NAN;
    ck_assert_int_eq(convert_number(&value, config, number, degc), PROBE_OK);
    return value;
}

/* Nernst: ln 10 * R T / F with R and F of CODATA 2018 (both exact since the SI of 2019). 59.16 mV
 * at 25 degC is the figure of every textbook and of IUPAC, "Measurement of pH", Pure Appl. Chem. 74
 * (2002) 2169 (from memory); the other temperatures are computed from the same constants, by hand,
 * outside this program. */
START_TEST(the_ideal_electrode_gives_59_16_mv_at_25_degrees)
{
    ck_assert_double_eq_tol(convert_nernst_mv(25.0), 59.16, 0.005);
}
END_TEST

START_TEST(its_slope_rises_with_the_absolute_temperature)
{
    static const double table[][2] = { { 0, 54.1988 }, { 5, 55.1909 }, { 10, 56.1830 },
        { 15, 57.1751 }, { 20, 58.1672 }, { 25, 59.1593 }, { 30, 60.1515 }, { 35, 61.1436 },
        { 40, 62.1357 }, { 50, 64.1199 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_double_eq_tol(convert_nernst_mv(table[i][0]), table[i][1], 0.0001);
    }
}
END_TEST

/* A worked two-point calibration (read in a copy of "How to calculate offset and slope", a
 * laboratory sheet): -15 mV in buffer 7.01 and +160 mV in buffer 4.01, together 175 mV, is a good
 * electrode. 175 mV over 3.00 pH is 98.6 % of the ideal slope at 25 degC. */
START_TEST(a_worked_calibration_gives_both_its_buffers_back)
{
    const double slope = 175.0 / 3.0 / 59.1593 * 100.0;
    ck_assert_double_eq_tol(slope, 98.6, 0.05);
    const struct probe_config config = { .quantity = PROBE_PH,
        .unit = UNIT_MV,
        .zero_mv = -15.0 + 0.01 * 175.0 / 3.0,
        .slope_percent = slope };
    ck_assert_double_eq_tol(converted(&config, -15.0, 25.0), 7.01, 0.001);
    ck_assert_double_eq_tol(converted(&config, 160.0, 25.0), 4.01, 0.001);
}
END_TEST

START_TEST(acid_is_positive_and_alkali_negative_millivolts)
{
    const struct probe_config ideal = {
        .quantity = PROBE_PH, .unit = UNIT_MV, .slope_percent = 100.0
    };
    ck_assert_double_eq_tol(converted(&ideal, 59.16, 25.0), 6.0, 0.001);
    ck_assert_double_eq_tol(converted(&ideal, -59.16, 25.0), 8.0, 0.001);
    /* the same 100 mV mean more acid in the cold */
    ck_assert_double_eq_tol(converted(&ideal, 100.0, 10.0), 7.0 - 100.0 / 56.1830, 0.0001);
}
END_TEST

static const struct probe_config LINEAR = {
    .quantity = PROBE_EC, .unit = UNIT_MS_CM, .compensation_percent = 1.9
};

/* 0.1 mol/kg KCl, uS/cm: CRC Handbook, "Standard solutions for calibrating conductivity cells",
 * after K. W. Pratt et al., Pure Appl. Chem. 73 (2001) 1783 (read in a copy of the table). The line
 * of 1.9 % per degC is a chord of a curve: it holds to 0.2 % from 20 to 30 degC and to 0.6 % at 15.
 */
START_TEST(potassium_chloride_is_brought_to_25_degrees_by_1_9_percent_a_degree)
{
    static const struct {
        double degc, us_cm, tolerance;
    } table[] = { { 15, 10437.1, 0.006 }, { 20, 11615.9, 0.002 }, { 25, 12824.6, 1e-9 },
        { 30, 14059.2, 0.002 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const double ec25 = converted(&LINEAR, table[i].us_cm / 1000.0, table[i].degc);
        ck_assert_double_eq_tol(ec25, 12824.6, 12824.6 * table[i].tolerance);
    }
}
END_TEST

/* The 0.1 mol/L standard on the table that laboratory meters carry (read in a copy): 11.67 mS/cm at
 * 20 and 12.88 at 25 degC, with 1.90 % per degC beside them. 11.67 / 0.905 = 12.895 by hand. */
START_TEST(the_standard_of_12_88_comes_out_within_its_own_rounding)
{
    ck_assert_double_eq_tol(converted(&LINEAR, 11.67, 20.0), 12895.0, 0.5);
    ck_assert_double_eq_tol(converted(&LINEAR, 11.67, 20.0), 12880.0, 12880.0 * 0.002);
}
END_TEST

/* 1413 uS/cm standard, 1278 at 20 degC (same table): with 2.0 % per degC 1278 / 0.9 = 1420.0. */
START_TEST(another_coefficient_is_taken_as_it_is_given)
{
    struct probe_config config = LINEAR;
    config.unit = UNIT_US_CM;
    config.compensation_percent = 2.0;
    ck_assert_double_eq_tol(converted(&config, 1278.0, 20.0), 1420.0, 0.1);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("sense");
    tcase_add_test(tc, the_ideal_electrode_gives_59_16_mv_at_25_degrees);
    tcase_add_test(tc, its_slope_rises_with_the_absolute_temperature);
    tcase_add_test(tc, a_worked_calibration_gives_both_its_buffers_back);
    tcase_add_test(tc, acid_is_positive_and_alkali_negative_millivolts);
    tcase_add_test(tc, potassium_chloride_is_brought_to_25_degrees_by_1_9_percent_a_degree);
    tcase_add_test(tc, the_standard_of_12_88_comes_out_within_its_own_rounding);
    tcase_add_test(tc, another_coefficient_is_taken_as_it_is_given);
    return run_case(tc, "sense");
}
