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

/* --- acid that is base by now ----------------------------------------------------------------- */

/* Stocks changed over at the same output: what was acid is base. */
static void turn_acid_to_base(void)
{
    b.tank[BASIL].pump[2].stock = BASE;
    b.tank[BASIL].pump_count = 3;
    b.tank[BASIL].lowers_ph = -1;
    b.tank[BASIL].raises_ph = 2;
}

static bool base_fits(void)
{
    const struct core_dose dose = { .pump = 2, .stock = LAW_BASE, .ul = 500 };
    return core_dose_fits(b.core, BASIL, &dose, b.now);
}

/* INV-5. Defect: what the output gave as acid was taken for base once the file called it that. */
START_TEST(base_waits_for_acid_that_the_same_output_gave) /* _i: what the record tells of it */
{
    static const struct {
        const char *kind, *stock, *member, *liquid;
        bool waits;
    } cases[] = {
        { "dose", "acid", "purpose", "acid", true },
        { "dose", "base", "purpose", "acid", true }, /* the key stayed, its kind didn't */
        { "dose", "base", "liquid", "acid", true },
        { "dose", "acid", NULL, NULL, true },
        { "dose", "acid", "purpose", "base", false },
        { "dose", "base", NULL, NULL, false },
        { "identify", NULL, "liquid", "acid", true },
        { "hand", "acid", NULL, NULL, true },
        { "hand", "base", NULL, NULL, false },
        { "ran-on", "base", "liquid", "acid", true },
    };
    bench_init();
    b.starts = 7;
    struct record *r = put_for(cases[_i].kind, "basil", cases[_i].stock);
    record_add_text(r, "chain", "west");
    record_add_text(r, "serial", "a1f3");
    record_add_int(r, "channel", 3);
    record_add_int(r, "run_ms", 700);
    record_add_int(r, "ms", 700);
    record_add_int(r, "total_ms", 700);
    record_add_int(r, "ul", 700);
    if (cases[_i].member) record_add_text(r, cases[_i].member, cases[_i].liquid);
    turn_acid_to_base();
    pass(2 * HOUR_MS - MINUTE_MS);
    bench_start();
    ck_assert_int_eq(base_fits(), !cases[_i].waits);
    pass(2 * MINUTE_MS);
    ck_assert(base_fits());
}
END_TEST

/* Every run tells what it was of: nothing is left to guess. */
START_TEST(what_runs_tells_what_it_is_of)
{
    bench_ready();
    const struct chain_address acid = { WEST, 1, 3 };
    core_send_identify(b.core, &acid, b.now, &b.actions);
    keep_records();
    ck_assert_str_eq(record_text_or_empty(recorded("identify"), "liquid"), "acid");
    const struct core_run run = { EAST, "c91d", 1, 700 };
    b.actions.count = 0;
    ck_assert(core_count_beside(b.core, &run, b.now, emit_record(&b.actions, "hand")));
    keep_records();
    ck_assert_str_eq(record_text_or_empty(recorded("hand"), "liquid"), "base");
    b.core->tank[BASIL].plan.errand = ERRAND_DOSE;
    (void)send_dose(BASIL, 2, 700);
    ck_assert_str_eq(record_text_or_empty(recorded("dose"), "liquid"), "acid");
}
END_TEST

/* --- a pump that has left the file ------------------------------------------------------------ */

/* INV-1, 5. Defect: the line that it had filled counted as clean, its acid as never given, and the
 * water as not moved. */
START_TEST(what_a_pump_gave_that_has_left_stays_in_line_and_water)
{
    bench_init();
    b.starts = 7;
    struct record *r = put_for("dose", "basil", "acid");
    record_add_text(r, "id", "d1-1");
    record_add_int(r, "ul", UL);
    record_add_text(r, "serial", "zzzz");
    record_add_int(r, "channel", 3);
    record_add_int(r, "ends_ms", 13000);
    record_add_int(r, "ph_micro", 20000);
    record_add_text(r, "purpose", "acid");
    b.tank[BASIL].pump[2].stock = BASE;
    b.tank[BASIL].pump_count = 3;
    b.tank[BASIL].lowers_ph = -1;
    b.tank[BASIL].raises_ph = 2;
    bench_start();
    ck_assert(tank()->line_dirty && tank()->mix_owed && !base_fits());
    ck_assert(!b.core->tank[LETTUCE].line_dirty);
    ck_assert_int_eq(window_used(&tank()->ph_move, HOUR_MS, b.now.mono), 20000);
}
END_TEST

/* INV-1. Defect: the ticks of a pump that left the file were forgotten when it came back. */
START_TEST(ticks_of_a_pump_that_comes_back_count)
{
    bench_init();
    struct record *r = put_for("identify", "basil", NULL);
    record_add_text(r, "serial", "a1f3");
    record_add_int(r, "channel", 1);
    record_add_int(r, "run_ms", 700);
    b.tank[BASIL].pump[0].address.channel = 4;
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 0), 0);
    b.tank[BASIL].pump[0].address.channel = 1;
    core_count_gone(b.core, BASIL, 0, b.now.mono);
    ck_assert_int_eq(used_ul(BASIL, 0), 700);
}
END_TEST

/* --- a chain that is called something else ---------------------------------------------------- */

/* INV-1. Defect: a chain was renamed, and what was run by hand on it, and that its limits weren't
 * known, went with the name at the next start. */
START_TEST(what_a_renamed_chain_was_run_by_hand_counts) /* _i: its own name, another */
{
    bench_init();
    struct record *r = put_record("hand");
    record_add_text(r, "chain", "west");
    record_add_text(r, "serial", "a1f3");
    record_add_int(r, "channel", 1);
    record_add_int(r, "ms", 700);
    record_add_int(r, "total_ms", 900);
    b.site.chain[WEST].key = _i == 0 ? "west" : "north";
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 0), 700);
}
END_TEST

START_TEST(unknown_limits_outlast_the_name_of_their_chain) /* _i: its own name, another, gone */
{
    bench_init();
    record_add_text(put_record("limits-unknown"), "chain", _i == 2 ? "south" : "west");
    b.site.chain[WEST].key = _i == 1 ? "north" : "west";
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 0), 200000);
    ck_assert(b.core->chain[WEST].limits_unknown && tank()->line_dirty);
    ck_assert_int_eq(b.core->chain[EAST].limits_unknown, _i > 0);
    ck_assert_int_eq(b.core->gone_lost, _i > 0);
}
END_TEST

/* --- locks of a tank that is called something else -------------------------------------------- */

static bool locked_by(uint32_t which, uint32_t i)
{
    const struct core_tank *t = &b.core->tank[i];
    return which == 0 ? t->service : which == 1 ? t->paused : t->care.bench;
}

/* Defect: a service lock went with the tank's name at the next start, and pumps ran while somebody
 * worked on it. */
START_TEST(locks_outlast_the_name_of_their_tank) /* _i % 3: which; _i / 3: renamed, exchanged */
{
    static const enum request_kind kinds[] = { REQUEST_SERVICE, REQUEST_PAUSE, REQUEST_BENCH };
    const uint32_t which = (uint32_t)_i % 3;
    bench_ready();
    struct event_request q = { .kind = kinds[which], .tank = BASIL, .on = true };
    ck_assert(ask_for(q));
    const bool exchanged = _i / 3 == 1;
    b.tank[BASIL].key = exchanged ? "lettuce" : "mint";
    if (exchanged) b.tank[LETTUCE].key = "basil";
    bench_start();
    ck_assert(locked_by(which, BASIL));
    ck_assert_int_eq(locked_by(which, LETTUCE), exchanged); /* whose name it is now */
    uint32_t cursor = 0;
    static struct actions carried;
    b.record_count = 0;
    while (core_carry(b.core, &cursor, b.now, &carried)) {
        b.actions = carried;
        keep_records();
    }
    b.tank[BASIL].key = "thyme";
    bench_start();
    ck_assert(locked_by(which, BASIL));
    come_up();
    q.on = false;
    ck_assert(ask_for(q));
    bench_start();
    ck_assert(!locked_by(which, BASIL));
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
    tcase_add_loop_test(t, base_waits_for_acid_that_the_same_output_gave, 0, 10);
    tcase_add_test(t, what_runs_tells_what_it_is_of);
    tcase_add_test(t, what_a_pump_gave_that_has_left_stays_in_line_and_water);
    tcase_add_test(t, ticks_of_a_pump_that_comes_back_count);
    tcase_add_loop_test(t, what_a_renamed_chain_was_run_by_hand_counts, 0, 2);
    tcase_add_loop_test(t, unknown_limits_outlast_the_name_of_their_chain, 0, 3);
    tcase_add_loop_test(t, locks_outlast_the_name_of_their_tank, 0, 6);
    return run_case(t, "renamed");
}
