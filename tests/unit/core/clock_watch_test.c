/* A time of day that jumps, on record. INV-10 in docs/safety-case.md. */
#include "tests/unit/core/core_fixture.h"

static void jump(int64_t by_ms)
{
    b.now.civil.ms += by_ms;
    tick();
}

static int64_t told_by(void)
{
    int64_t by_ms = 0;
    ck_assert(record_int(recorded("clock"), "by_ms", &by_ms));
    return by_ms;
}

START_TEST(a_jump_is_recorded_once_with_its_size)
{
    static const int64_t jumps[] = { HOUR_MS, -HOUR_MS, 30 * DAY_MS, -50 * 365 * DAY_MS, 2001,
        -2001 };
    bench_ready();
    for (size_t i = 0; i < sizeof jumps / sizeof *jumps; i++) {
        pass(MINUTE_MS);
        tick();
        b.record_count = 0;
        jump(jumps[i]);
        ck_assert_int_eq(told_by(), jumps[i]);
        ck_assert_uint_eq(count_records("clock"), 1);
        pass(MINUTE_MS);
        tick();
        ck_assert_uint_eq(count_records("clock"), 1);
    }
}
END_TEST

START_TEST(a_clock_that_is_slewed_is_none)
{
    bench_ready();
    for (int i = 0; i < 50; i++) {
        pass(1000);
        jump(i % 2 ? 500 : 1900);
    }
    ck_assert_uint_eq(count_records("clock"), 0);
}
END_TEST

/* What jumps all the time is told once a minute, as the sum since. */
START_TEST(a_storm_of_jumps_is_one_record_a_minute)
{
    bench_ready();
    jump(HOUR_MS);
    ck_assert_int_eq(told_by(), HOUR_MS);
    b.record_count = 0;
    for (int i = 0; i < 59; i++) {
        pass(1000);
        jump(MINUTE_MS);
    }
    ck_assert_uint_eq(count_records("clock"), 0);
    pass(1000);
    tick();
    ck_assert_uint_eq(count_records("clock"), 1);
    ck_assert_int_eq(told_by(), 59 * MINUTE_MS);
}
END_TEST

static void tell_journal(bool ok)
{
    const struct event e = { .kind = EVENT_JOURNAL, .journal = { .ok = ok, .why = "no room" } };
    step(&e);
}

/* With a journal that can't be written nothing is on record. The first record afterwards comes at
 * once, for a power cut may come before the next one. */
START_TEST(a_jump_while_nothing_is_written_is_told_once_it_can_be)
{
    bench_ready();
    tell_journal(false);
    jump(HOUR_MS);
    pass(DAY_MS);
    tick();
    ck_assert_uint_eq(count_records("clock"), 0);
    tell_journal(true);
    tick();
    ck_assert_uint_eq(count_records("clock"), 1);
    ck_assert_int_eq(told_by(), HOUR_MS);
}
END_TEST

/* The disk failed just then: is the record of the jump on it? _i: long after, it is. */
START_TEST(a_jump_whose_record_may_be_lost_is_told_again)
{
    bench_ready();
    jump(HOUR_MS);
    ck_assert_uint_eq(count_records("clock"), 1);
    pass(_i == 0 ? 30000 : HOUR_MS);
    tick();
    tell_journal(false);
    tick();
    tell_journal(true);
    tick();
    ck_assert_uint_eq(count_records("clock"), _i == 0 ? 2 : 1);
    ck_assert_int_eq(told_by(), HOUR_MS);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("clock_watch");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, a_jump_is_recorded_once_with_its_size);
    tcase_add_test(t, a_clock_that_is_slewed_is_none);
    tcase_add_test(t, a_storm_of_jumps_is_one_record_a_minute);
    tcase_add_test(t, a_jump_while_nothing_is_written_is_told_once_it_can_be);
    tcase_add_loop_test(t, a_jump_whose_record_may_be_lost_is_told_again, 0, 2);
    return run_case(t, "clock_watch");
}
