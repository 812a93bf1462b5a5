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

int main(void)
{
    TCase *t = tcase_create("clock_watch");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, a_jump_is_recorded_once_with_its_size);
    tcase_add_test(t, a_clock_that_is_slewed_is_none);
    tcase_add_test(t, a_storm_of_jumps_is_one_record_a_minute);
    return run_case(t, "clock_watch");
}
