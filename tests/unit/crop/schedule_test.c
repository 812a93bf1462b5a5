#include "lib/crop/schedule.h"

#include <math.h>

#include "lib/base/calendar.h"
#include "tests/unit/support.h"

/* Seedling 10 days, a ramp of 14, then for ever with its own nights; day 06:30 to 21:30. */
static const struct crop_schedule BASIL = { .crop = "basil",
    .count = 3,
    .stage = { { .name = "seedling", .days = 10, .from = { 800, 5.8 }, .to = { 800, 5.8 } },
        { .name = "leafing", .days = 14, .from = { 800, 5.8 }, .to = { 1400, 6.0 } },
        { .name = "picking",
            .days = 0,
            .from = { 1500, 5.8 },
            .to = { 1500, 5.8 },
            .has_night = true,
            .night = { 1600, 5.9 } } },
    .day_from_ms = 6 * HOUR_MS + 30 * MINUTE_MS,
    .day_to_ms = 21 * HOUR_MS + 30 * MINUTE_MS,
    .zone = "UTC" };

static struct civil date(const char *text)
{
    struct civil at;
    ck_assert(calendar_read_date(&at, text));
    return at;
}

/* 'offset' hours after the planting date's midnight, local time = UTC. */
static struct crop_now after(const struct crop_schedule *s, int64_t ms)
{
    const struct civil planted = date("2031-03-05");
    return crop_now_at(s, planted, (struct crop_clock){ { planted.ms + ms }, 0 });
}

static void is(struct crop_now now, uint32_t stage, int64_t day, double ec_us_cm, double ph)
{
    ck_assert_uint_eq(now.stage, stage);
    ck_assert_int_eq(now.day, day);
    ck_assert_double_eq_tol(now.target.ec_us_cm, ec_us_cm, 1e-9);
    ck_assert_double_eq_tol(now.target.ph, ph, 1e-9);
}

START_TEST(before_the_planting_date_nothing_is_planted)
{
    ck_assert(!after(&BASIL, -1).planted);
    ck_assert_int_eq(after(&BASIL, -1).day, 0);
    ck_assert(!after(&BASIL, -40 * DAY_MS).planted);
    ck_assert(after(&BASIL, 0).planted);
    is(after(&BASIL, 0), 0, 1, 800, 5.8);
}
END_TEST

START_TEST(days_are_local_days)
{
    const struct civil planted = date("2031-03-05");
    /* 23:30 UTC on the fourth is half past midnight on the fifth one hour east */
    const struct civil at = { planted.ms - 30 * MINUTE_MS };
    ck_assert(!crop_now_at(&BASIL, planted, (struct crop_clock){ at, 0 }).planted);
    ck_assert(crop_now_at(&BASIL, planted, (struct crop_clock){ at, HOUR_MS }).planted);
    ck_assert_int_eq(crop_now_at(&BASIL, planted, (struct crop_clock){ at, HOUR_MS }).day, 1);
    /* and to the west the day of planting begins later */
    const struct civil morning = { planted.ms + 4 * HOUR_MS };
    ck_assert(!crop_now_at(&BASIL, planted, (struct crop_clock){ morning, -5 * HOUR_MS }).planted);
}
END_TEST

START_TEST(a_stage_ends_with_its_last_day)
{
    is(after(&BASIL, 10 * DAY_MS - 1), 0, 10, 800, 5.8);
    is(after(&BASIL, 10 * DAY_MS), 1, 11, 800, 5.8);
    is(after(&BASIL, 24 * DAY_MS + 12 * HOUR_MS), 2, 25, 1500, 5.8);
}
END_TEST

START_TEST(a_ramp_is_straight_and_without_steps)
{
    is(after(&BASIL, 17 * DAY_MS), 1, 18, 1100, 5.9);
    is(after(&BASIL, 10 * DAY_MS + 84 * HOUR_MS), 1, 14, 950, 5.85);
    const struct crop_now last = after(&BASIL, 24 * DAY_MS - 1);
    ck_assert_uint_eq(last.stage, 1);
    ck_assert_double_eq_tol(last.target.ec_us_cm, 1400, 0.001);
    double before = 0.0;
    for (int64_t ms = 10 * DAY_MS; ms < 24 * DAY_MS; ms += 7 * MINUTE_MS) {
        const double ec = after(&BASIL, ms).target.ec_us_cm;
        ck_assert(ec > before);
        ck_assert(before < 1.0 || ec - before < 0.3);
        before = ec;
    }
}
END_TEST

START_TEST(night_begins_when_the_day_ends_to_the_millisecond)
{
    const int64_t midnight = 30 * DAY_MS;
    is(after(&BASIL, midnight), 2, 31, 1600, 5.9);
    is(after(&BASIL, midnight + BASIL.day_from_ms - 1), 2, 31, 1600, 5.9);
    is(after(&BASIL, midnight + BASIL.day_from_ms), 2, 31, 1500, 5.8);
    is(after(&BASIL, midnight + BASIL.day_to_ms - 1), 2, 31, 1500, 5.8);
    is(after(&BASIL, midnight + BASIL.day_to_ms), 2, 31, 1600, 5.9);
    /* a stage without a night has none */
    is(after(&BASIL, 3 * HOUR_MS), 0, 1, 800, 5.8);
}
END_TEST

START_TEST(a_day_may_cross_midnight)
{
    struct crop_schedule s = BASIL; /* lamps on cheap power: 20:00 to 08:00 */
    s.day_from_ms = 20 * HOUR_MS;
    s.day_to_ms = 8 * HOUR_MS;
    const int64_t midnight = 30 * DAY_MS;
    is(after(&s, midnight), 2, 31, 1500, 5.8);
    is(after(&s, midnight + 8 * HOUR_MS - 1), 2, 31, 1500, 5.8);
    is(after(&s, midnight + 8 * HOUR_MS), 2, 31, 1600, 5.9);
    is(after(&s, midnight + 20 * HOUR_MS - 1), 2, 31, 1600, 5.9);
    is(after(&s, midnight + 20 * HOUR_MS), 2, 31, 1500, 5.8);
}
END_TEST

START_TEST(equal_ends_of_the_day_mean_no_night)
{
    struct crop_schedule s = BASIL;
    s.day_from_ms = s.day_to_ms = 7 * HOUR_MS;
    for (int64_t hour = 0; hour < 24; hour++) {
        is(after(&s, 30 * DAY_MS + hour * HOUR_MS), 2, 31, 1500, 5.8);
    }
}
END_TEST

START_TEST(a_night_value_that_is_not_given_is_the_days)
{
    struct crop_schedule s = BASIL;
    s.stage[2].night.ph = (double)NAN;
    is(after(&s, 30 * DAY_MS), 2, 31, 1600, 5.8);
    s.stage[1].has_night = true;
    s.stage[1].night = (struct crop_target){ (double)NAN, 6.2 };
    is(after(&s, 17 * DAY_MS), 1, 18, 1100, 6.2); /* the ramp goes on through the night */
}
END_TEST

START_TEST(daylight_saving_moves_the_day_by_its_hour)
{
    const struct civil planted = date("2031-03-05");
    /* 06:00 UTC: winter's night, but 07:00 on the summer's clock */
    const struct civil at = { planted.ms + 40 * DAY_MS + 6 * HOUR_MS };
    is(crop_now_at(&BASIL, planted, (struct crop_clock){ at, 0 }), 2, 41, 1600, 5.9);
    is(crop_now_at(&BASIL, planted, (struct crop_clock){ at, HOUR_MS }), 2, 41, 1500, 5.8);
}
END_TEST

START_TEST(past_the_last_stage_its_end_stays)
{
    struct crop_schedule s = BASIL;
    s.count = 2;
    is(after(&s, 24 * DAY_MS), 1, 25, 1400, 6.0);
    is(after(&s, 4000 * DAY_MS), 1, 4001, 1400, 6.0);
}
END_TEST

static const struct crop_envelope ENVELOPE = { 400, 2200, 5.2, 6.8, 12, 30 };

START_TEST(an_override_lasts_until_its_end_and_not_a_millisecond_longer)
{
    const struct crop_target plan = { 1500, 5.8 };
    const struct crop_override o = { .has_ec = true, .ec_us_cm = 1800, .ec_ends = { 1000 } };
    ck_assert(crop_override_runs(&o, (struct mono){ 999 }));
    ck_assert(!crop_override_runs(&o, (struct mono){ 1000 }));
    struct crop_target t = crop_setpoint(&plan, &o, &ENVELOPE, (struct mono){ 999 });
    ck_assert_double_eq(t.ec_us_cm, 1800);
    ck_assert_double_eq(t.ph, 5.8); /* only what was moved */
    t = crop_setpoint(&plan, &o, &ENVELOPE, (struct mono){ 1000 });
    ck_assert_double_eq(t.ec_us_cm, 1500);
    const struct crop_override none = { .ec_ends = { INT64_MAX } };
    ck_assert(!crop_override_runs(&none, (struct mono){ 0 }));
}
END_TEST

/* _i: which one ends first */
START_TEST(what_was_moved_ends_each_by_itself)
{
    const struct crop_target plan = { 1500, 5.8 };
    const struct crop_override o = { true, true, 1800, 6.1, { _i == 0 ? 10 : 20 },
        { _i == 0 ? 20 : 10 } };
    const struct crop_target t = crop_setpoint(&plan, &o, &ENVELOPE, (struct mono){ 10 });
    ck_assert_double_eq(t.ec_us_cm, _i == 0 ? 1500 : 1800);
    ck_assert_double_eq(t.ph, _i == 0 ? 6.1 : 5.8);
    ck_assert(crop_override_runs(&o, (struct mono){ 19 }));
    ck_assert(!crop_override_runs(&o, (struct mono){ 20 }));
    ck_assert_int_eq(crop_override_ends(&o).ms, 20);
    const struct crop_override ec = { .has_ec = true, .ec_ends = { 5 }, .ph_ends = { 9 } };
    const struct crop_override ph = { .has_ph = true, .ec_ends = { 9 }, .ph_ends = { 5 } };
    ck_assert_int_eq(crop_override_ends(_i == 0 ? &ec : &ph).ms, 5);
}
END_TEST

START_TEST(nothing_takes_a_setpoint_out_of_the_envelope) /* I6 */
{
    static const double ec[] = { -1e300, -1, 0, 399.999, 400, 2200, 2200.001, 1e300 };
    static const double ph[] = { -1e300, 0, 5.199, 5.2, 6.8, 6.801, 14, 1e300 };
    const double odd[] = { (double)NAN, (double)INFINITY, -(double)INFINITY };
    for (size_t i = 0; i < 11; i++) {
        const struct crop_target wild = { i < 8 ? ec[i] : odd[i - 8], i < 8 ? ph[i] : odd[i - 8] };
        const struct crop_override o = { true, true, wild.ec_us_cm, wild.ph, { 10 }, { 10 } };
        const struct crop_target plain = { 1500, 5.8 };
        const struct crop_target a = crop_setpoint(&wild, &o, &ENVELOPE, (struct mono){ 11 });
        const struct crop_target b = crop_setpoint(&plain, &o, &ENVELOPE, (struct mono){ 9 });
        ck_assert(a.ec_us_cm >= 400 && a.ec_us_cm <= 2200 && a.ph >= 5.2 && a.ph <= 6.8);
        ck_assert(b.ec_us_cm >= 400 && b.ec_us_cm <= 2200 && b.ph >= 5.2 && b.ph <= 6.8);
    }
    /* what is inside is left alone */
    const struct crop_override inside = { true, true, 2199.5, 5.25, { 10 }, { 10 } };
    const struct crop_target plain = { 1500, 5.8 };
    const struct crop_target t = crop_setpoint(&plain, &inside, &ENVELOPE, (struct mono){ 9 });
    ck_assert_double_eq(t.ec_us_cm, 2199.5);
    ck_assert_double_eq(t.ph, 5.25);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("schedule");
    tcase_add_test(tc, before_the_planting_date_nothing_is_planted);
    tcase_add_test(tc, days_are_local_days);
    tcase_add_test(tc, a_stage_ends_with_its_last_day);
    tcase_add_test(tc, a_ramp_is_straight_and_without_steps);
    tcase_add_test(tc, night_begins_when_the_day_ends_to_the_millisecond);
    tcase_add_test(tc, a_day_may_cross_midnight);
    tcase_add_test(tc, equal_ends_of_the_day_mean_no_night);
    tcase_add_test(tc, a_night_value_that_is_not_given_is_the_days);
    tcase_add_test(tc, daylight_saving_moves_the_day_by_its_hour);
    tcase_add_test(tc, past_the_last_stage_its_end_stays);
    tcase_add_test(tc, an_override_lasts_until_its_end_and_not_a_millisecond_longer);
    tcase_add_loop_test(tc, what_was_moved_ends_each_by_itself, 0, 2);
    tcase_add_test(tc, nothing_takes_a_setpoint_out_of_the_envelope);
    return run_case(tc, "schedule");
}
