/* The day of a tank in one record, once a day, at a time of its own zone. */
#include <stdio.h>
#include <string.h>

#include "tests/unit/core/core_fixture.h"

enum { SEVEN_MS = 7 * HOUR_MS };

static int64_t local_day(void)
{
    return b.now.civil.ms / DAY_MS;
}

/* The shell tells the zone's offset each minute. */
static const struct record *zone_told(int64_t offset_ms)
{
    b.record_count = 0;
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_ZONES;
    e.zone.tank = BASIL;
    e.zone.offset_ms = offset_ms;
    step(&e);
    return recorded("summary");
}

/* To that time of day, UTC, of this day or the next. */
static void until(int64_t time_ms)
{
    const int64_t at = b.now.civil.ms % DAY_MS;
    pass(time_ms > at ? time_ms - at : time_ms + DAY_MS - at);
}

static void ready(void)
{
    bench_init();
    b.site.has_summary = true;
    b.site.summary_at_ms = SEVEN_MS;
    bench_start();
    come_up();
    b.now.clock = CLOCK_SYNCED;
}

static double number_in(const struct record *r, const char *key)
{
    double value = -1;
    ck_assert_msg(record_real(r, key, &value), "%s", key);
    return value;
}

START_TEST(it_comes_once_a_day_at_its_time)
{
    ready();
    until(SEVEN_MS - 1);
    ck_assert_ptr_null(zone_told(0)); /* the day that it was started in */
    pass(1);
    const struct record *r = zone_told(0);
    ck_assert_ptr_nonnull(r);
    ck_assert_str_eq(record_text_or_empty(r, "tank"), b.tank[BASIL].key);
    ck_assert_ptr_null(zone_told(0));
    pass(DAY_MS - 1);
    ck_assert_ptr_null(zone_told(0));
    pass(1);
    ck_assert_ptr_nonnull(zone_told(0));
    bench_done();
}
END_TEST

START_TEST(its_time_is_that_of_the_tanks_zone)
{
    ready();
    until(6 * HOUR_MS - 1);
    ck_assert_ptr_null(zone_told(HOUR_MS));
    pass(1);
    ck_assert_ptr_nonnull(zone_told(HOUR_MS));
    pass(HOUR_MS); /* seven in UTC, and the day is summed up already */
    ck_assert_ptr_null(zone_told(HOUR_MS));
    bench_done();
}
END_TEST

/* Summer time ends: the hour comes twice. */
START_TEST(an_hour_that_comes_twice_has_one_summary)
{
    ready();
    until(6 * HOUR_MS);
    (void)zone_told(0);
    until(6 * HOUR_MS);
    ck_assert_ptr_nonnull(zone_told(HOUR_MS)); /* seven */
    pass(1);
    ck_assert_ptr_null(zone_told(0)); /* six */
    pass(HOUR_MS);
    ck_assert_ptr_null(zone_told(0)); /* seven once more */
    pass(DAY_MS);
    ck_assert_ptr_nonnull(zone_told(0));
    bench_done();
}
END_TEST

START_TEST(it_tells_ranges_what_was_given_and_alerts)
{
    ready();
    (void)zone_told(0);
    until(SEVEN_MS - 10 * MINUTE_MS);
    (void)zone_told(0);
    summary_see(&b.core->tank[BASIL].summary, SUMMARY_EC, 1100);
    summary_see(&b.core->tank[BASIL].summary, SUMMARY_EC, 1300);
    summary_see(&b.core->tank[BASIL].summary, SUMMARY_EC, 1200);
    alert_raise(b.core, "one", BASIL, "one", &b.actions);
    alert_raise(b.core, "two", BASIL, "two", &b.actions);
    alert_raise(b.core, "two", BASIL, "two again", &b.actions);
    alert_raise(b.core, "other", -1, "of the site", &b.actions);
    alert_clear(b.core, "one", &b.actions);
    b.core->stock[b.tank[BASIL].pump[0].stock].remaining_ul = 1000;
    b.site.stock[b.tank[BASIL].pump[0].stock].low_ul = 2000;
    b.actions.count = 0;
    until(SEVEN_MS);
    const struct record *r = zone_told(0);
    ck_assert_ptr_nonnull(r);
    ck_assert_double_eq(number_in(r, "ec_least_us_cm"), 1100);
    ck_assert_double_eq(number_in(r, "ec_most_us_cm"), 1300);
    ck_assert_double_eq(number_in(r, "alerts_raised"), 2);
    ck_assert_double_eq(number_in(r, "alerts_standing"), 1);
    const char *text = record_text_or_empty(r, "text");
    ck_assert_msg(strstr(text, "EC 1.10 to 1.30 mS/cm; pH ") == text, "%s", text);
    ck_assert_msg(strstr(text, "alerts: 2 came, 1 stands") != NULL, "%s", text);
    ck_assert_msg(strstr(text, "bottles low: leaf-a") != NULL, "%s", text);
    until(SEVEN_MS); /* the next day, of which nothing was seen */
    r = zone_told(0);
    ck_assert_ptr_nonnull(r);
    double value;
    ck_assert(!record_real(r, "ec_least_us_cm", &value));
    ck_assert_double_eq(number_in(r, "alerts_raised"), 0);
    ck_assert_double_eq(number_in(r, "alerts_standing"), 1);
    text = record_text_or_empty(r, "text");
    ck_assert_msg(strstr(text, "EC wasn't to be trusted; ") == text, "%s", text);
    ck_assert_msg(strstr(text, "nothing given in 24 h") != NULL, "%s", text);
    bench_done();
}
END_TEST

START_TEST(a_restart_neither_repeats_nor_forgets_it)
{
    ready();
    struct core_summary *s = &b.core->tank[BASIL].summary;
    until(SEVEN_MS - MINUTE_MS);
    struct record r;
    record_start(&r, "summary");
    record_add_text(&r, "tank", b.tank[BASIL].key);
    record_add_int(&r, "day", local_day() - 1);
    core_restore(b.core, &r, b.now);
    record_start(&r, "water");
    record_add_text(&r, "tank", b.tank[BASIL].key);
    record_add_real(&r, "ec_us_cm", 1234, 1);
    core_restore(b.core, &r, b.now);
    ck_assert(s->has_day && s->day == local_day() - 1);
    ck_assert_ptr_null(zone_told(0));
    pass(3 * HOUR_MS); /* it was off at seven */
    const struct record *told = zone_told(0);
    ck_assert_ptr_nonnull(told);
    ck_assert_double_eq(number_in(told, "ec_least_us_cm"), 1234);
    ck_assert_ptr_null(zone_told(0));
    bench_done();
}
END_TEST

START_TEST(a_clock_that_was_wrong_is_no_day)
{
    ready();
    until(SEVEN_MS);
    (void)zone_told(0);
    b.core->tank[BASIL].summary.day = local_day() + 400;
    ck_assert_ptr_null(zone_told(0));
    pass(DAY_MS);
    ck_assert_ptr_nonnull(zone_told(0));
    b.now.clock = CLOCK_UNSET;
    pass(DAY_MS);
    ck_assert_ptr_null(zone_told(0));
    b.now.clock = CLOCK_FREE;
    b.core->journal_ok = false;
    ck_assert_ptr_null(zone_told(0));
    b.core->journal_ok = true;
    b.site.has_summary = false;
    ck_assert_ptr_null(zone_told(0));
    b.site.has_summary = true;
    ck_assert_ptr_nonnull(zone_told(0));
    bench_done();
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("summary");
    tcase_add_test(t, it_comes_once_a_day_at_its_time);
    tcase_add_test(t, its_time_is_that_of_the_tanks_zone);
    tcase_add_test(t, an_hour_that_comes_twice_has_one_summary);
    tcase_add_test(t, it_tells_ranges_what_was_given_and_alerts);
    tcase_add_test(t, a_restart_neither_repeats_nor_forgets_it);
    tcase_add_test(t, a_clock_that_was_wrong_is_no_day);
    return run_case(t, "summary");
}
