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

int main(void)
{
    TCase *t = tcase_create("renamed");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_loop_test(t, a_dose_counts_at_the_output_that_ran_too, 0, 4);
    tcase_add_test(t, what_the_head_tells_later_counts_at_both);
    tcase_add_loop_test(t, ticks_and_hands_count_at_the_output_that_ran_too, 0, 2);
    tcase_add_loop_test(t, a_line_is_clean_by_its_own_flush_only, 0, 6);
    return run_case(t, "renamed");
}
