/* Probes in baths: when a reading stands still, and what a bath says of the probe. */
#include "lib/sense/bath.h"

#include <math.h>

#include "tests/unit/support.h"

static const struct probe_config electrode = {
    .present = true, .quantity = PROBE_PH, .unit = UNIT_MV, .zero_mv = 0.0, .slope_percent = 100.0
};
static const struct probe_config cell = { .present = true,
    .quantity = PROBE_EC,
    .unit = UNIT_US,
    .cell_constant = 1.0,
    .cell_nominal = 1.0 };

static bool settles(const double *number, int count, int64_t every_ms, double *ret)
{
    struct bath_watch w;
    bool settled = false;
    bath_begin(&w);
    for (int i = 0; i < count; i++) {
        settled = bath_settles(ret, &w, &electrode, number[i], (struct mono){ i * every_ms });
    }
    return settled;
}

/* The sixth reading completes the fifth mean. */
START_TEST(five_means_that_stand_still)
{
    const double still[] = { 3.0, 3.4, 3.1, 3.9, 3.6, 9.9 };
    double mv;
    ck_assert(settles(still, 6, 5000, &mv));
    ck_assert_double_eq_tol(mv, 3.4, 1e-9);
    ck_assert(!settles(still, 6, 4999, &mv));
    ck_assert(!settles(still, 5, 60000, &mv));
}
END_TEST

/* Noise of 0.5 mV each half second: single readings differ by more than 1 mV, means of ten don't.
 */
START_TEST(many_readings_make_a_mean)
{
    double noisy[51], mv;
    for (int i = 0; i < 51; i++) {
        noisy[i] = i % 2 ? 2.9 : 4.1;
    }
    ck_assert(settles(noisy, 51, 500, &mv));
    ck_assert_double_eq_tol(mv, 3.5, 1e-9);
}
END_TEST

START_TEST(a_reading_that_creeps_has_not_settled)
{
    double creeping[13], mv;
    for (int i = 0; i < 13; i++) {
        creeping[i] = 0.3 * i;
    }
    ck_assert(!settles(creeping, 13, 10000, &mv));
    for (int i = 0; i < 13; i++) {
        creeping[i] = i < 7 ? 20.0 * i : 177.5;
    }
    ck_assert(!settles(creeping, 12, 10000, &mv));
    ck_assert(settles(creeping, 13, 10000, &mv));
}
END_TEST

/* 0.02 pH, or 1 % of what an EC probe shows; means that fall count as those that rise. */
START_TEST(each_unit_has_its_own_stillness)
{
    static const struct {
        enum probe_unit unit;
        double from, step;
        bool settles;
    } c[] = { { UNIT_PH, 7.0, -0.004, true }, { UNIT_PH, 7.0, -0.006, false },
        { UNIT_US_CM, 1413.0, -3.0, true }, { UNIT_US_CM, 1413.0, -4.0, false } };
    const struct probe_config config = { .unit = c[_i].unit };
    struct bath_watch w;
    double mean;
    bool settled = false;
    bath_begin(&w);
    for (int n = 0; n < 6; n++) {
        settled = bath_settles(
            &mean, &w, &config, c[_i].from + n * c[_i].step, (struct mono){ n * 5000 });
    }
    ck_assert(settled == c[_i].settles);
}
END_TEST

START_TEST(points_are_buffers_standards_or_a_ph)
{
    struct bath_point p;
    ck_assert(bath_point_read(&p, PROBE_PH, "technical-7"));
    ck_assert(p.buffer && p.which_buffer == BUFFER_TECHNICAL_7);
    ck_assert(bath_point_read(&p, PROBE_PH, "4.01"));
    ck_assert(!p.buffer);
    ck_assert_double_eq_tol(p.ph, 4.01, 1e-12);
    ck_assert(bath_point_read(&p, PROBE_EC, "1413"));
    ck_assert_int_eq(p.standard, EC_STANDARD_1413);
    ck_assert(!bath_point_read(&p, PROBE_PH, "vinegar"));
    ck_assert(!bath_point_read(&p, PROBE_PH, "14.5"));
    ck_assert(!bath_point_read(&p, PROBE_PH, "0.5"));
    ck_assert(!bath_point_read(&p, PROBE_EC, "7.00"));
    ck_assert(!bath_point_read(&p, PROBE_TEMPERATURE, "7.00"));
}
END_TEST

/* The bath's own pH at its temperature counts, not the number on the bottle. Phthalate 4.005 at
 * 25 degC and phosphate 6.865: IUPAC Recommendations 2002, Pure Appl. Chem. 74, 2169, table 2 (as
 * quoted in lib/chem's tables); KCl 0.01 mol/L 1413 uS/cm at 25 degC, 1278 at 20: the table of
 * lib/chem/ec_probe.h. */
START_TEST(the_truth_is_the_tables_at_the_baths_temperature)
{
    struct bath_point p;
    ck_assert(bath_point_read(&p, PROBE_PH, "phthalate"));
    ck_assert_double_eq_tol(bath_truth(&p, &electrode, 25.0), 4.005, 0.002);
    ck_assert(bath_point_read(&p, PROBE_PH, "phosphate"));
    ck_assert_double_eq_tol(bath_truth(&p, &electrode, 25.0), 6.865, 0.002);
    ck_assert(!isfinite(bath_truth(&p, &electrode, 60.0)));
    ck_assert(bath_point_read(&p, PROBE_EC, "1413"));
    ck_assert_double_eq_tol(bath_truth(&p, &cell, 25.0), 1413.0, 0.5);
    ck_assert_double_eq_tol(bath_truth(&p, &cell, 20.0), 1278.0, 3.0);
    struct probe_config compensates = cell;
    compensates.compensated = true;
    ck_assert_double_eq_tol(bath_truth(&p, &compensates, 12.0), 1413.0, 0.5);
}
END_TEST

/* A Nernstian electrode shows +177.5 mV at pH 4 and 0 at pH 7, 25 degC: 59.16 mV a pH. */
static struct ph_bath bath_at(double ph, double mv)
{
    return (struct ph_bath){ .ph = ph, .mv = mv, .degc = 25.0 };
}

START_TEST(two_baths_give_zero_and_slope)
{
    struct bath_row row = { 0 };
    struct bath_found f;
    struct ph_bath a = bath_at(7.0, 5.0), c = bath_at(4.0, 5.0 + 0.96 * 177.48);
    ck_assert_int_eq(bath_judge(&f, &row, &electrode, &a), BATH_TAKEN);
    ck_assert_int_eq(bath_judge(&f, &row, &electrode, &c), BATH_CALIBRATED);
    ck_assert_double_eq_tol(f.zero_mv, 5.0, 0.01);
    ck_assert_double_eq_tol(f.slope_percent, 96.0, 0.02);
    ck_assert_int_eq(f.ph_verdict, PH_GOOD);
    struct ph_bath third = bath_at(10.0, 5.0 - 0.96 * 177.48);
    ck_assert_int_eq(bath_judge(&f, &row, &electrode, &third), BATH_VERIFIED);
    third.mv += 0.15 * 59.16;
    ck_assert_int_eq(bath_judge(&f, &row, &electrode, &third), BATH_THIRD_OFF);
    ck_assert_double_gt(fabs(f.off), 0.1);
}
END_TEST

START_TEST(the_wrong_buffer_is_seen)
{
    struct bath_row row = { 0 };
    struct bath_found f;
    const struct ph_bath said_7_is_4 = bath_at(7.0, 177.5);
    ck_assert_int_eq(bath_judge(&f, &row, &electrode, &said_7_is_4), BATH_OTHER);
    ck_assert_double_eq_tol(f.shown, 4.0, 0.01);
    ck_assert_uint_eq(row.count, 0);
}
END_TEST

START_TEST(a_worn_electrode_and_two_baths_alike_are_refused)
{
    struct bath_row row = { 0 };
    struct bath_found f;
    struct ph_bath a = bath_at(7.0, 0.0), c = bath_at(4.0, 0.80 * 177.5), near = bath_at(6.8, 11.0);
    ck_assert_int_eq(bath_judge(&f, &row, &electrode, &a), BATH_TAKEN);
    ck_assert_int_eq(bath_judge(&f, &row, &electrode, &near), BATH_TOO_NEAR);
    ck_assert_int_eq(bath_judge(&f, &row, &electrode, &c), BATH_WORN);
    ck_assert_uint_eq(row.count, 1);
}
END_TEST

START_TEST(a_probe_in_finished_units_is_verified_not_changed)
{
    const struct probe_config meter = { .quantity = PROBE_PH, .unit = UNIT_PH };
    struct bath_row row = { 0 };
    struct bath_found f;
    struct ph_bath a = bath_at(7.0, 7.1), c = bath_at(4.0, 3.9), off = bath_at(4.0, 4.2);
    ck_assert_int_eq(bath_judge(&f, &row, &meter, &off), BATH_OFF);
    ck_assert_int_eq(bath_judge(&f, &row, &meter, &a), BATH_TAKEN);
    struct ph_bath other = bath_at(7.0, 4.0), near = bath_at(6.5, 6.5);
    ck_assert_int_eq(bath_judge(&f, &row, &meter, &other), BATH_OTHER);
    ck_assert_int_eq(bath_judge(&f, &row, &meter, &near), BATH_TOO_NEAR);
    ck_assert_int_eq(bath_judge(&f, &row, &meter, &c), BATH_VERIFIED);
}
END_TEST

START_TEST(a_cell_gets_its_constant)
{
    static const struct {
        double shown;
        enum bath_verdict verdict;
    } c[] = {
        { 1345.7, BATH_CALIBRATED }, /* 1413 / 1345.7 = 1.05 */
        { 2.0, BATH_DRY }, { 12880.0, BATH_OTHER }, { 1000.0, BATH_WORN }, { 600.0, BATH_OTHER },
        { 1e9, BATH_OTHER }, /* more than any water: no constant comes of it */
    };
    struct bath_row row = { 0 };
    struct bath_found f;
    const struct ph_bath bath = { .ph = 1413.0, .mv = c[_i].shown, .degc = 25.0 };
    ck_assert_int_eq(bath_judge(&f, &row, &cell, &bath), c[_i].verdict);
    if (_i == 0) ck_assert_double_eq_tol(f.cell_constant, 1.05, 0.001);
}
END_TEST

START_TEST(a_meter_for_ec_is_verified)
{
    const struct probe_config meter = { .quantity = PROBE_EC, .unit = UNIT_MS_CM };
    static const struct {
        double shown;
        enum bath_verdict verdict;
    } c[] = { { 1.40, BATH_VERIFIED }, { 1.55, BATH_OFF }, { 12.9, BATH_OTHER },
        { 0.0, BATH_DRY } };
    struct bath_row row = { 0 };
    struct bath_found f;
    struct ph_bath bath = { .ph = 1413.0, .mv = c[_i].shown, .degc = 25.0 };
    ck_assert_int_eq(bath_judge(&f, &row, &meter, &bath), c[_i].verdict);
    const struct probe_config fine = { .quantity = PROBE_EC, .unit = UNIT_US_CM };
    bath.mv *= 1000.0;
    ck_assert_int_eq(bath_judge(&f, &row, &fine, &bath), c[_i].verdict);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("bath");
    tcase_add_test(tc, five_means_that_stand_still);
    tcase_add_test(tc, many_readings_make_a_mean);
    tcase_add_test(tc, a_reading_that_creeps_has_not_settled);
    tcase_add_loop_test(tc, each_unit_has_its_own_stillness, 0, 4);
    tcase_add_test(tc, points_are_buffers_standards_or_a_ph);
    tcase_add_test(tc, the_truth_is_the_tables_at_the_baths_temperature);
    tcase_add_test(tc, two_baths_give_zero_and_slope);
    tcase_add_test(tc, the_wrong_buffer_is_seen);
    tcase_add_test(tc, a_worn_electrode_and_two_baths_alike_are_refused);
    tcase_add_test(tc, a_probe_in_finished_units_is_verified_not_changed);
    tcase_add_loop_test(tc, a_cell_gets_its_constant, 0, 6);
    tcase_add_loop_test(tc, a_meter_for_ec_is_verified, 0, 4);
    return run_case(tc, "bath");
}
