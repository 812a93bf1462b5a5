/* A journal whose names are other outputs' by now: keys were exchanged in the file while the daemon
 * was stopped. What ran counts where it ran. INV-n: safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/core_fixture.h"

enum { UL = 5000 };

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

static struct record *put_for(const char *kind, const char *tank_key, const char *stock)
{
    struct record *r = put_record(kind);
    record_add_text(r, "tank", tank_key);
    if (stock) record_add_text(r, "stock", stock);
    return r;
}

/* Of lettuce, by its name; of the first pump of basil, by its output. */
static void put_dose(void)
{
    bench_init();
    b.starts = 7;
    struct record *r = put_for("dose", "lettuce", "acid");
    record_add_text(r, "id", "d1-1");
    record_add_int(r, "ul", UL);
    record_add_text(r, "serial", "a1f3");
    record_add_int(r, "channel", 1);
    record_add_int(r, "ec_milli", 10000);
    record_add_int(r, "ph_micro", 20000);
}

/* INV-1, 5: the names are another output's now. The dose counts by its names, and at the output
 * that ran. */
START_TEST(
    a_dose_counts_at_the_output_that_ran_too) /* _i: unknown, done, done and flushed, refused */
{
    put_dose();
    if (_i > 0) {
        struct record *r = put_for("outcome", "lettuce", "acid");
        record_add_text(r, "id", "d1-1");
        record_add_int(r, "ul", _i == 3 ? 0 : 3000);
        record_add_truth(r, "unsure", false);
    }
    if (_i == 2) record_add_text(put_for("flushed", "basil", NULL), "serial", "b77c");
    bench_start();
    const int64_t left = _i == 0 ? UL : _i == 3 ? 0 : 3000;
    ck_assert_int_eq(used_ul(LETTUCE, 1), left);
    ck_assert_int_eq(used_ul(BASIL, 0), left);
    ck_assert_int_eq(used_ul(BASIL, 1) + used_ul(LETTUCE, 0), 0);
    ck_assert_int_eq(window_used(&tank()->ec_rise, HOUR_MS, b.now.mono), _i == 3 ? 0 : 10000);
    ck_assert(b.core->tank[LETTUCE].line_dirty && tank()->line_dirty);
}
END_TEST

START_TEST(what_the_head_tells_later_counts_at_both)
{
    put_dose();
    bench_start();
    const struct chain_report report = { .id = "d1-1", .state = CHAIN_DONE, .ran_ms = 2000 };
    core_settle_report(b.core, WEST, &report, b.now, &b.actions);
    ck_assert_int_eq(used_ul(LETTUCE, 1), 2000);
    ck_assert_int_eq(used_ul(BASIL, 0), 2000);
}
END_TEST

START_TEST(ticks_and_hands_count_at_the_output_that_ran_too)
{
    bench_init();
    struct record *r = put_for(_i == 0 ? "hand" : "ran-on", "lettuce", "acid");
    record_add_text(r, "chain", "west");
    record_add_text(r, "serial", "a1f3");
    record_add_int(r, "channel", 1);
    record_add_int(r, "ms", 700);
    record_add_int(r, "total_ms", 700);
    record_add_int(r, "ul", 700);
    bench_start();
    ck_assert_int_eq(used_ul(LETTUCE, 1), 700);
    ck_assert_int_eq(used_ul(BASIL, 0), 700);
    ck_assert(tank()->line_dirty);
}
END_TEST

/* INV-5: another line hangs on this tank now. */
START_TEST(
    a_line_is_clean_by_its_own_flush_only) /* _i % 3: not told, its own, another; _i / 3: carry */
{
    static const char *const serials[] = { NULL, "a1f3", "b77c" };
    put_dose();
    struct record *r = put_for(_i < 3 ? "flushed" : "carry", "basil", NULL);
    if (_i >= 3) record_add_truth(r, "line_dirty", false);
    if (serials[_i % 3]) record_add_text(r, "serial", serials[_i % 3]);
    bench_start();
    ck_assert_int_eq(tank()->line_dirty, _i % 3 == 2);
}
END_TEST

/* A tick has no outcome: it counts as given, at both. */
START_TEST(a_tick_counts_at_the_output_that_ran_too) /* _i: its names' own output, another */
{
    bench_init();
    struct record *r = put_for("identify", "lettuce", "acid");
    record_add_text(r, "serial", _i == 0 ? "b77c" : "a1f3");
    record_add_int(r, "channel", _i == 0 ? 3 : 1);
    record_add_int(r, "run_ms", 700);
    bench_start();
    ck_assert_int_eq(used_ul(LETTUCE, 1), 701);
    ck_assert_int_eq(used_ul(BASIL, 0), _i == 0 ? 0 : 701);
}
END_TEST

/* Two stocks of one tank changed places: one water, which was moved once. */
START_TEST(within_a_tank_the_water_is_moved_once)
{
    bench_init();
    struct record *r = put_for("dose", "basil", "leaf-a");
    record_add_text(r, "id", "d1-1");
    record_add_int(r, "ul", UL);
    record_add_text(r, "serial", "a1f3");
    record_add_int(r, "channel", 2);
    record_add_int(r, "ec_milli", 10000);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 0), UL);
    ck_assert_int_eq(used_ul(BASIL, 1), UL);
    ck_assert_int_eq(window_used(&tank()->ec_rise, HOUR_MS, b.now.mono), 10000);
}
END_TEST

/* INV-1: a record that contradicts itself counts as the larger. */
START_TEST(what_it_counts_for_in_full_is_no_less_than_the_dose)
{
    bench_init();
    struct record *r = put_for("dose", "basil", "leaf-a");
    record_add_text(r, "id", "d1-1");
    record_add_int(r, "ul", UL);
    record_add_int(r, "full_ul", UL - 1);
    record_add_text(r, "serial", "a1f3"); /* without a channel it says nothing */
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 0), UL);
    ck_assert_int_eq(used_ul(BASIL, 1), 0);
}
END_TEST

/* INV-10: another daemon's clock that can't be right takes nothing out of the window. */
START_TEST(
    an_age_beyond_reason_counts_as_none) /* _i: a right one, ahead of time, older than a day */
{
    static const int64_t ages_ms[] = { HOUR_MS, -1, DAY_MS + 1 };
    bench_init();
    struct record *r = put_for("dose", "basil", "leaf-a");
    record_add_text(r, "id", "d1-1");
    record_add_int(r, "ul", UL);
    record_add_int(r, "of", 5);
    record_add_int(r, "age_ms", ages_ms[_i]);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 0), UL);
    const struct core_command *dose = &tank()->dose;
    ck_assert_int_eq(mono_since(b.now.mono, dose->asked) >= HOUR_MS, _i == 0);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("renamed");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_loop_test(t, a_dose_counts_at_the_output_that_ran_too, 0, 4);
    tcase_add_test(t, what_the_head_tells_later_counts_at_both);
    tcase_add_loop_test(t, ticks_and_hands_count_at_the_output_that_ran_too, 0, 2);
    tcase_add_loop_test(t, a_line_is_clean_by_its_own_flush_only, 0, 6);
    tcase_add_loop_test(t, a_tick_counts_at_the_output_that_ran_too, 0, 2);
    tcase_add_test(t, within_a_tank_the_water_is_moved_once);
    tcase_add_test(t, what_it_counts_for_in_full_is_no_less_than_the_dose);
    tcase_add_loop_test(t, an_age_beyond_reason_counts_as_none, 0, 3);
    return run_case(t, "renamed");
}
