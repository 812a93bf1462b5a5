/* Runs of a pump that are measured: which belong together, and what holds afterwards. */
#include <string.h>

#include "tests/unit/core/care_fixture.h"

static void ready(void)
{
    bench_ready();
    ck_assert(bench_tank(true));
}

static void restore_measured(int64_t number, int64_t ul)
{
    struct record r;
    record_start(&r, "rate-measured");
    record_add_text(&r, "tank", "basil");
    record_add_text(&r, "stock", "leaf-a");
    record_add_int(&r, "ran_ms", 10000);
    record_add_int(&r, "ul", ul);
    if (number > 0) record_add_int(&r, "run", number);
    core_restore(b.core, &r, b.now);
}

/* Defect: what was left of an uneven row, whose first run had left the journal, became the
 * beginning of the next one. */
START_TEST(runs_whose_first_left_the_journal_begin_no_row)
{
    ready();
    restore_measured(2, 10000);
    restore_measured(3, 11000);
    (void)run_whole(REQUEST_CALIBRATE_PUMP, LEAF_A, 10000);
    ck_assert(measured(LEAF_A, 10000));
    expect("run 1 of 3");
}
END_TEST

START_TEST(a_row_goes_on_after_a_restart)
{
    ready();
    restore_measured(_i == 0 ? 1 : 0, 10000);
    restore_measured(_i == 0 ? 2 : 0, 10000); /* a former journal doesn't number them */
    (void)run_whole(REQUEST_CALIBRATE_PUMP, LEAF_A, 10000);
    ck_assert(measured(LEAF_A, 10000));
    expect("It holds from now on");
}
END_TEST

/* Defect: where nobody knew how long a run took, its volume was taken for that of the run before.
 */
START_TEST(a_new_run_ends_the_wait_for_the_former_ones_volume)
{
    ready();
    (void)run_whole(REQUEST_CALIBRATE_PUMP, LEAF_A, 10000);
    ck_assert(run_into_cup(REQUEST_CALIBRATE_PUMP, LEAF_A, 12000));
    (void)dose_now();
    if (_i == 1) bench_start();
    ck_assert(!measured(LEAF_A, 12000));
    ck_assert_str_eq(answered(), "no-run");
}
END_TEST

/* Defect: one that was found while the clock was ahead was newer than all that came after it. They
 * were said to hold, and didn't. */
START_TEST(a_calibration_holds_though_the_clock_was_put_back)
{
    ready();
    const struct site_pump *pump = &b.tank[BASIL].pump[0];
    struct rate rate = { .ml_per_s = 1.2, .spread_percent = 1.0 };
    core_find_rate(b.core, BASIL, 0, &rate, b.now, &b.actions);
    core_amend(b.core, &b.site, BASIL);
    b.now.civil.ms -= HOUR_MS;
    rate.ml_per_s = 1.1;
    core_find_rate(b.core, BASIL, 0, &rate, b.now, &b.actions);
    core_amend(b.core, &b.site, BASIL);
    ck_assert_double_eq_tol(pump->ml_per_s, 1.1, 1e-12);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("calibrate_pump");
    tcase_add_test(tc, runs_whose_first_left_the_journal_begin_no_row);
    tcase_add_loop_test(tc, a_row_goes_on_after_a_restart, 0, 2);
    tcase_add_loop_test(tc, a_new_run_ends_the_wait_for_the_former_ones_volume, 0, 2);
    tcase_add_test(tc, a_calibration_holds_though_the_clock_was_put_back);
    return run_case(tc, "calibrate_pump");
}
