#include "lib/base/calendar.h"

#include <time.h>

#include "lib/base/prng.h"
#include "lib/base/text.h"
#include "tests/unit/support.h"

START_TEST(dates_are_numbered_from_1970)
{
    static const struct {
        int64_t year, month, day, number;
    } table[] = { { 1970, 1, 1, 0 }, { 1970, 12, 31, 364 }, { 1972, 2, 29, 789 },
        { 2000, 2, 29, 11016 }, { 2000, 3, 1, 11017 }, { 2031, 3, 5, 22343 },
        { 9999, 12, 31, 2932896 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        int64_t number;
        ck_assert(calendar_day_number(&number, table[i].year, table[i].month, table[i].day));
        ck_assert_int_eq(number, table[i].number);
    }
}
END_TEST

START_TEST(there_are_no_such_dates)
{
    static const int64_t bad[][3] = { { 1969, 12, 31 }, { 10000, 1, 1 }, { 2031, 0, 1 },
        { 2031, 13, 1 }, { 2031, 1, 0 }, { 2031, 1, 32 }, { 2031, 2, 29 }, { 2100, 2, 29 },
        { 2031, 4, 31 }, { 2031, -1, 1 }, { 2031, INT64_MAX, 1 }, { INT64_MIN, 1, 1 } };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        int64_t number = -7;
        ck_assert(!calendar_day_number(&number, bad[i][0], bad[i][1], bad[i][2]));
        ck_assert_int_eq(number, -7);
    }
}
END_TEST

START_TEST(days_of_1970_to_9999_go_both_ways)
{
    /* every 31st, so that all days of all months come by */
    for (int64_t day = 0; day <= 2932896; day += 31) {
        struct calendar c;
        int64_t back = -1;
        const bool same = calendar_from_civil(&c, (struct civil){ day * DAY_MS + DAY_MS - 1 }) &&
                          calendar_day_number(&back, c.year, c.month, c.day) && back == day &&
                          c.hour == 23 && c.minute == 59 && c.second == 59 && c.millisecond == 999;
        ck_assert_msg(same, "day %lld came back as %lld", (long long)day, (long long)back);
    }
    struct calendar c;
    ck_assert(!calendar_from_civil(&c, (struct civil){ -1 }));
    ck_assert(!calendar_from_civil(&c, (struct civil){ 2932897 * DAY_MS }));
    ck_assert(!calendar_from_civil(&c, (struct civil){ INT64_MIN }));
    ck_assert(!calendar_from_civil(&c, (struct civil){ INT64_MAX }));
}
END_TEST

START_TEST(it_agrees_with_the_c_library) /* _i is the seed */
{
    struct prng prng = prng_seed((uint64_t)_i);
    for (int n = 0; n < 2000; n++) {
        const time_t s = (time_t)prng_below(&prng, 2932897 * INT64_C(86400));
        struct tm tm;
        ck_assert_ptr_nonnull(gmtime_r(&s, &tm));
        struct calendar c;
        ck_assert(calendar_from_civil(&c, (struct civil){ (int64_t)s * 1000 + 7 }));
        ck_assert_int_eq(c.year, tm.tm_year + 1900);
        ck_assert_int_eq(c.month, tm.tm_mon + 1);
        ck_assert_int_eq(c.day, tm.tm_mday);
        ck_assert_int_eq(c.hour, tm.tm_hour);
        ck_assert_int_eq(c.minute, tm.tm_min);
        ck_assert_int_eq(c.second, tm.tm_sec);
        ck_assert_int_eq(c.millisecond, 7);
    }
}
END_TEST

START_TEST(dates_are_read_in_full_or_not_at_all)
{
    struct civil at = { -7 };
    static const char *const bad[] = { "", "2031-03-5", "2031-3-05", "2031/03/05", "2031-03-05 ",
        " 031-03-05", "2031-02-29", "2031-13-01", "20310-3-05", "2031-03-0a", "-031-03-05",
        "2031-03-05T00:00:00.000Z" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        ck_assert_msg(!calendar_read_date(&at, bad[i]), "%s is taken", bad[i]);
        ck_assert_int_eq(at.ms, -7);
    }
    ck_assert(calendar_read_date(&at, "2031-03-05"));
    ck_assert_int_eq(at.ms, 22343 * DAY_MS);
}
END_TEST

START_TEST(instants_are_read_as_they_are_written)
{
    struct prng prng = prng_seed(1);
    for (int n = 0; n < 5000; n++) {
        const struct civil at = { prng_below(&prng, 2932897 * DAY_MS) };
        char line[40];
        struct text t = text_over(line, sizeof line);
        text_add_civil(&t, at);
        struct civil back;
        ck_assert(calendar_read_civil(&back, line));
        ck_assert_int_eq(back.ms, at.ms);
    }
    struct civil at;
    ck_assert(calendar_read_civil(&at, "2031-04-02T05:06:07.089Z"));
    static const char *const bad[] = { "2031-04-02T05:06:07Z", "2031-04-02T05:06:07.089z",
        "2031-04-02 05:06:07.089Z", "2031-04-02T24:00:00.000Z", "2031-04-02T05:60:07.089Z",
        "2031-04-02T05:06:60.089Z", "2031-04-02T05:06:07,089Z", "2031-04-02T05:06:07.08aZ",
        "2031-04-02T05-06:07.089Z", "2031-04-31T05:06:07.089Z", "2031-04-02T05:06:07.089+" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        ck_assert_msg(!calendar_read_civil(&at, bad[i]), "%s is taken", bad[i]);
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("calendar");
    tcase_add_test(tc, dates_are_numbered_from_1970);
    tcase_add_test(tc, there_are_no_such_dates);
    tcase_add_test(tc, days_of_1970_to_9999_go_both_ways);
    tcase_add_loop_test(tc, it_agrees_with_the_c_library, 0, 10);
    tcase_add_test(tc, dates_are_read_in_full_or_not_at_all);
    tcase_add_test(tc, instants_are_read_as_they_are_written);
    return run_case(tc, "calendar");
}
