/* A pause that nobody ends is told of after a day. */
#include "tests/unit/core/upkeep_fixture.h"

static const char id[] = "paused-basil";

static void begin(void)
{
    bench_init();
    bench_start();
    come_up();
    tell_water(BASIL, 1200, 5.8);
    look_after(0);
}

/* By a program over the broker, where 'what_for' isn't "". */
static bool pause(bool on, const char *what_for)
{
    struct event_request q = { .kind = REQUEST_PAUSE, .tank = BASIL, .on = on };
    text_copy(q.word, sizeof q.word, what_for);
    return ask_for(q);
}

/* Nobody hears of the chain meanwhile, which is told, too. */
static uint32_t times_told(void)
{
    uint32_t n = 0;
    for (uint32_t i = 0; i < b.record_count; i++) {
        n += record_is(&b.record[i], "alert") &&
             text_same(record_text_or_empty(&b.record[i], "alert"), id);
    }
    return n;
}

START_TEST(a_pause_of_a_day_is_told_and_its_end_clears_it)
{
    static const char *const words[] = {
        "basil: paused since 2031-02-27T23:06:42.000Z (asked for by test), for a trial: nothing is",
        "basil: paused since 2031-02-27T23:06:42.000Z (asked for by test): nothing is dosed.",
    };
    begin();
    ck_assert(pause(true, _i == 0 ? "a trial" : ""));
    look_after(DAY_MS - 1);
    ck_assert(!stands(id));
    look_after(1);
    ck_assert_msg(strstr(said(id), words[_i]), "%s", said(id));
    ck_assert_ptr_nonnull(strstr(said(id), "'dosewright unpause basil'"));
    ck_assert_uint_eq(times_told(), 1);
    look_after(DAY_MS);
    ck_assert_uint_eq(times_told(), 1);
    ck_assert(!stands("paused-lettuce"));
    ck_assert(pause(false, ""));
    ticks();
    ck_assert(!stands(id));
}
END_TEST

START_TEST(the_same_pause_once_more_began_when_it_did_and_another_begins_anew)
{
    begin();
    ck_assert(pause(true, "a trial"));
    look_after(DAY_MS / 2);
    ck_assert(pause(true, _i == 0 ? "a trial" : ""));
    look_after(DAY_MS / 2);
    ck_assert(stands(id) == (_i == 0));
    look_after(DAY_MS / 2);
    ck_assert(stands(id));
    ck_assert(pause(false, "") && pause(true, ""));
    look_after(0);
    ck_assert(!stands(id)); /* what stood was of the pause before */
}
END_TEST

START_TEST(acknowledged_it_is_quiet_for_a_week)
{
    begin();
    ck_assert(pause(true, "a trial"));
    look_after(DAY_MS);
    ck_assert(acknowledge(id));
    look_after(7 * DAY_MS - 1);
    ck_assert(!stands(id));
    look_after(1);
    ck_assert(stands(id));
}
END_TEST

/* By the request's record, by what is carried on alone, or by a new configuration. */
START_TEST(it_is_counted_over_restarts)
{
    begin();
    ck_assert(pause(true, "a trial"));
    const int64_t since_ms = b.now.civil.ms;
    look_after(DAY_MS / 2);
    if (_i == 1) prune();
    if (_i < 2) {
        bench_start();
        come_up();
    } else {
        reload();
    }
    look_after(since_ms + DAY_MS - 1 - b.now.civil.ms);
    ck_assert(!stands(id));
    look_after(1);
    ck_assert_ptr_nonnull(strstr(said(id), "since 2031-02-27T23:06:42.000Z (asked for by test)"));
}
END_TEST

/* An older journal's pause, or one made while nobody knew the time: it counts from when it is seen.
 */
START_TEST(where_its_begin_isnt_known_it_counts_from_now)
{
    begin();
    b.now.clock = CLOCK_UNSET;
    ck_assert(pause(true, "a trial"));
    look_after(2 * DAY_MS);
    ck_assert(!stands(id));
    if (_i == 1) prune();
    if (_i == 1) bench_start();
    if (_i == 1) come_up();
    b.now.clock = CLOCK_SYNCED;
    look_after(0);
    look_after(DAY_MS - 1);
    ck_assert(!stands(id));
    look_after(1);
    ck_assert(stands(id));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("pause");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_loop_test(t, a_pause_of_a_day_is_told_and_its_end_clears_it, 0, 2);
    tcase_add_loop_test(
        t, the_same_pause_once_more_began_when_it_did_and_another_begins_anew, 0, 2);
    tcase_add_test(t, acknowledged_it_is_quiet_for_a_week);
    tcase_add_loop_test(t, it_is_counted_over_restarts, 0, 3);
    tcase_add_loop_test(t, where_its_begin_isnt_known_it_counts_from_now, 0, 2);
    return run_case(t, "upkeep_pause");
}
