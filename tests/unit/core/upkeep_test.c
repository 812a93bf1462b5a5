/* Bottles, tubes, the strainer: what is counted, when it is told, and that it is kept. */
#include <math.h>

#include "tests/unit/core/upkeep_fixture.h"

static void begin(void)
{
    bench_init();
    b.site.stock[LEAF_A].low_ul = 500000;
    b.site.stock[LEAF_A].low_days = 3.0;
    b.tank[BASIL].pump[0].tube_run_ms = HOUR_MS;
    b.tank[BASIL].pump[2].tube_age_ms = 365 * DAY_MS;
    b.tank[BASIL].upkeep.strainer_ms = 10 * HOUR_MS;
    bench_start();
    come_up();
    tell_water(BASIL, 1200, 5.8);
    look_after(0);
}

/* --- bottles ---------------------------------------------------------------------------------- */

static double days_left(uint32_t stock)
{
    struct stock_view v;
    core_view_stock(b.core, stock, b.now, &v);
    return v.days_left;
}

/* 20 mL a day for a week: 5 L last for 250 days, less what was used. */
START_TEST(days_left_follow_the_use_of_the_last_days)
{
    begin();
    ck_assert(isnan(days_left(LEAF_A)));
    for (int day = 0; day < 8; day++) {
        give(BASIL, 0, 20000);
        pass(DAY_MS - 20000);
        const double most = day < 2 ? 700 : 330; /* of less than three days it is too many */
        ck_assert_msg(days_left(LEAF_A) > 240 && days_left(LEAF_A) < most, "day %d: %f", day,
            days_left(LEAF_A));
    }
    give(BASIL, 0, 20000);
    give(BASIL, 0, 20000);
    give(BASIL, 0, 20000); /* three times as much on one day is no three times as much for ever */
    ck_assert_msg(days_left(LEAF_A) > 110 && days_left(LEAF_A) < 190, "%f", days_left(LEAF_A));
    const double before = days_left(LEAF_A);
    bench_start(); /* it goes by when things were drawn, not by when they are read */
    ck_assert_double_eq_tol(days_left(LEAF_A), before, 2.0);
    pass(30 * DAY_MS);
    ck_assert(isnan(days_left(LEAF_A))); /* hardly anything is used any more */
    ck_assert(isnan(days_left(BASE)));
}
END_TEST

/* A day's fill isn't taken for what every day will need. */
START_TEST(one_fill_is_no_rate)
{
    begin();
    b.core->stock[LEAF_A].remaining_ul = 1000000;
    give(BASIL, 0, 20000);
    ck_assert_msg(days_left(LEAF_A) > 90 && days_left(LEAF_A) < 100, "%f", days_left(LEAF_A));
}
END_TEST

START_TEST(a_dose_that_gave_less_was_used_less)
{
    begin();
    char id[CHAIN_WORD_MAX];
    text_copy(id, sizeof id, send_dose(BASIL, 0, 20000)->id);
    tell_report(id, CHAIN_STOPPED, 0);
    ck_assert(isnan(days_left(LEAF_A)));
}
END_TEST

START_TEST(a_bottle_that_runs_low_is_told_of_and_refilled)
{
    begin();
    ck_assert(!stands("low-leaf-a"));
    b.core->stock[LEAF_A].remaining_ul = 500001;
    look_after(1000);
    ck_assert(!stands("low-leaf-a"));
    b.core->stock[LEAF_A].remaining_ul = 500000;
    look_after(1000);
    ck_assert(stands("low-leaf-a"));
    ck_assert_ptr_nonnull(strstr(said("low-leaf-a"), "about 500 mL are left"));
    ck_assert_ptr_nonnull(strstr(said("low-leaf-a"), "dosewright ask refilled leaf-a"));
    ck_assert(!stands("low-acid"));
    const uint32_t before = count_records("alert");
    look_after(10000);
    ck_assert_uint_eq(count_records("alert"), before); /* said once */
    b.core->stock[LEAF_A].remaining_ul = 0;
    look_after(10000);
    ck_assert_ptr_nonnull(strstr(said("low-leaf-a"), "should be empty"));
    ck_assert_uint_eq(count_records("alert"), before);
    ck_assert(ask_kind(REQUEST_REFILLED, 0, LEAF_A, 5000000));
    ticks();
    ck_assert(!stands("low-leaf-a"));
}
END_TEST

/* Two litres are left, after 1.6 L went in a day. */
START_TEST(few_days_left_are_told_of_and_have_some_slack)
{
    begin();
    b.core->stock[LEAF_A].remaining_ul = 2000000;
    b.core->seen = b.now.mono;
    upkeep_draw(b.core, LEAF_A, 1600000);
    ck_assert(days_left(LEAF_A) > 2.0 && days_left(LEAF_A) < 3.0);
    look_after(1000);
    ck_assert_ptr_nonnull(strstr(said("low-leaf-a"), "days at the use of the last days"));
    b.site.stock[LEAF_A].bottle_ul = 10000000;
    b.core->stock[LEAF_A].remaining_ul = 2800000; /* 3.3 days: above 3, but not well above */
    ck_assert(days_left(LEAF_A) > 3.0 && days_left(LEAF_A) < 3.7);
    look_after(1000);
    ck_assert(stands("low-leaf-a"));
    b.core->stock[LEAF_A].remaining_ul = 3700000;
    look_after(1000);
    ck_assert(!stands("low-leaf-a"));
}
END_TEST

/* A fresh fill takes 1.5 L in some hours. A person hangs another bottle when asked to, and isn't
 * asked again for that one; and a bottle that is half full isn't asked for at all. */
START_TEST(a_full_bottle_is_not_asked_for_again_in_a_fresh_fill)
{
    begin();
    b.site.stock[LEAF_A].bottle_ul = 2000000;
    b.site.stock[LEAF_A].low_ul = 200000;
    b.core->stock[LEAF_A].remaining_ul = 2000000;
    for (int i = 0; i < 50; i++) {
        give(BASIL, 0, 20000);
        look_after(MINUTE_MS);
        ck_assert_msg(!stands("low-leaf-a") || b.core->stock[LEAF_A].remaining_ul <= 1000000,
            "after %d doses", i + 1);
    }
    for (int i = 0; i < 25; i++) {
        give(BASIL, 0, 20000);
        look_after(MINUTE_MS);
    }
    ck_assert(stands("low-leaf-a"));
    ck_assert(ask_kind(REQUEST_REFILLED, 0, LEAF_A, 2000000));
    const uint32_t before = count_records("alert");
    for (int i = 0; i < 20; i++) {
        look_after(MINUTE_MS);
        ck_assert_msg(!stands("low-leaf-a"), "after %d minutes, %f days", i, days_left(LEAF_A));
        if (i < 10) give(BASIL, 0, 20000);
    }
    ck_assert_uint_eq(count_records("alert"), before + 1); /* that it is over */
}
END_TEST

START_TEST(what_a_standby_counts_is_no_reason_to_speak)
{
    begin();
    b.core->active = false;
    b.core->stock[LEAF_A].remaining_ul = 0;
    look_after(1000);
    ck_assert(!stands("low-leaf-a"));
}
END_TEST

/* --- quiet ------------------------------------------------------------------------------------ */

START_TEST(an_acknowledged_reminder_is_quiet_for_a_day_and_comes_back)
{
    begin();
    ck_assert(ask_kind(REQUEST_REFILLED, 0, LEAF_A, 1000));
    look_after(1000);
    ck_assert(acknowledge("low-leaf-a"));
    look_after(1000);
    ck_assert(!stands("low-leaf-a"));
    if (_i == 1) bench_start();
    if (_i == 2) {
        prune();
        bench_start();
    }
    if (_i == 3) reload();
    b.core->active = true;
    look_after(DAY_MS - MINUTE_MS);
    ck_assert(!stands("low-leaf-a"));
    look_after(MINUTE_MS);
    ck_assert(stands("low-leaf-a"));
}
END_TEST

/* The cause went and came again: that is news. */
START_TEST(quiet_ends_with_its_cause)
{
    begin();
    b.core->stock[LEAF_A].remaining_ul = 1000;
    look_after(1000);
    ck_assert(acknowledge("low-leaf-a"));
    b.core->stock[LEAF_A].remaining_ul = 5000000;
    look_after(1000);
    b.core->stock[LEAF_A].remaining_ul = 1000;
    look_after(1000);
    ck_assert(stands("low-leaf-a"));
}
END_TEST

START_TEST(reminders_leave_room_for_what_is_worse)
{
    begin();
    for (int i = 0; i < UPKEEP_ALERTS_MOST; i++) {
        char id[] = "other-00";
        id[6] = (char)('0' + i / 10);
        id[7] = (char)('0' + i % 10);
        alert_raise(b.core, id, -1, "x", &b.actions);
        b.actions.count = 0;
    }
    b.core->stock[LEAF_A].remaining_ul = 1000;
    look_after(1000);
    ck_assert(!stands("low-leaf-a"));
    alert_clear(b.core, "other-39", &b.actions);
    look_after(1000);
    ck_assert(stands("low-leaf-a"));
}
END_TEST

/* The one that would be quiet for the shortest time makes way. */
START_TEST(more_than_can_be_quiet_are_quiet_for_less)
{
    begin();
    for (int i = 0; i <= UPKEEP_QUIET_MAX; i++) {
        char id[] = "tube-00";
        id[5] = (char)('0' + i / 10);
        id[6] = (char)('0' + i % 10);
        upkeep_quiet_for(b.core, id, mono_after(b.now.mono, i == 7 ? -1 : i));
    }
    ck_assert_str_eq(b.core->quiet[7].id, "tube-32");
    ck_assert_str_eq(b.core->quiet[0].id, "tube-00");
}
END_TEST

/* --- tubes ------------------------------------------------------------------------------------ */

START_TEST(a_tube_is_told_of_after_its_hours_and_counted_anew)
{
    begin();
    upkeep()->tube[0].ran_ms = HOUR_MS - 20000;
    give(BASIL, 0, 19999);
    look_after(1000);
    ck_assert(!stands("tube-basil-leaf-a"));
    give(BASIL, 0, 1);
    look_after(1000);
    ck_assert_ptr_nonnull(strstr(said("tube-basil-leaf-a"), "has run for 1.00 h"));
    ck_assert_ptr_nonnull(strstr(said("tube-basil-leaf-a"), "ask tube-changed basil leaf-a"));
    ck_assert(!ask_kind(REQUEST_TUBE_CHANGED, LETTUCE, LEAF_B, 0));
    ck_assert_str_eq(answered(), "no-such-pump");
    ck_assert(ask_kind(REQUEST_TUBE_CHANGED, BASIL, LEAF_A, 0));
    ticks();
    ck_assert(!stands("tube-basil-leaf-a"));
    ck_assert_int_eq(upkeep()->tube[0].ran_ms, 0);
    ck_assert_int_eq(upkeep()->tube[0].ul, 0);
    ck_assert(upkeep()->tube[0].changed);
    ck_assert_int_eq(upkeep()->tube[0].since.ms, b.now.civil.ms);
}
END_TEST

START_TEST(a_tube_ages_on_the_shelf_too)
{
    begin();
    look_after(365 * DAY_MS - MINUTE_MS);
    ck_assert(!stands("tube-basil-acid"));
    b.now.clock = CLOCK_UNSET;
    look_after(DAY_MS);
    ck_assert(!stands("tube-basil-acid")); /* nobody knows the day */
    b.now.clock = CLOCK_FREE;
    look_after(0);
    ck_assert_ptr_nonnull(strstr(said("tube-basil-acid"), "is 365 days old"));
    ck_assert(!stands("tube-basil-leaf-a"));
}
END_TEST

START_TEST(the_age_of_what_came_without_a_clock_is_unknown)
{
    bench_init();
    b.now.clock = CLOCK_UNSET;
    bench_start();
    come_up();
    look_after(1000);
    ck_assert(ask_kind(REQUEST_TUBE_CHANGED, BASIL, LEAF_A, 0));
    ck_assert_int_eq(upkeep()->tube[0].since.ms, 0);
    b.now.clock = CLOCK_SYNCED;
    look_after(1000);
    ck_assert_int_eq(upkeep()->tube[0].since.ms, b.now.civil.ms);
    ck_assert(upkeep()->tube[0].changed);
}
END_TEST

static void tell_hand(uint32_t channel, int64_t total_ms)
{
    static struct event e;
    e = (struct event){ .kind = EVENT_MANUAL, .chain = WEST };
    text_copy(e.manual.boot, sizeof e.manual.boot, "boot-w");
    e.manual.n = total_ms + 1;
    e.manual.count = 1;
    text_copy(e.manual.total[0].serial, CHAIN_WORD_MAX, "a1f3");
    e.manual.total[0].channel = channel;
    e.manual.total[0].ms = total_ms;
    step(&e);
}

/* By a command, by hand, by a tick; over a restart, a new segment, a reload. */
START_TEST(whatever_moves_a_pump_counts_and_is_kept)
{
    begin();
    give(BASIL, 0, 12000);
    tell_hand(1, 0);
    tell_hand(1, 5000);
    upkeep_count_tube(b.core, BASIL, 1, 0, 0);
    pass(1000);
    b.actions.count = 0;
    core_send_identify(b.core, &b.tank[BASIL].pump[0].address, b.now, &b.actions);
    keep_records();
    tell_hand(CHAIN_CIRCULATION_CHANNEL, 0);
    tell_hand(CHAIN_CIRCULATION_CHANNEL, 7000);
    const struct upkeep_tube was = upkeep()->tube[0];
    ck_assert_int_eq(was.ran_ms, 17100);
    ck_assert_int_eq(was.ul, 17100);
    const int64_t circulated_ms = upkeep()->circulated_ms;
    ck_assert_int_ge(circulated_ms, 7000);
    if (_i == 0) bench_start();
    if (_i == 1) {
        prune();
        bench_start();
    }
    if (_i == 2) reload();
    ck_assert_int_eq(upkeep()->tube[0].ran_ms, was.ran_ms);
    ck_assert_int_le(upkeep()->tube[0].ul - was.ul, 1); /* a tick's last drop is rounded up */
    ck_assert_int_ge(upkeep()->tube[0].ul, was.ul);
    ck_assert_int_eq(upkeep()->tube[0].since.ms, was.since.ms);
    ck_assert_int_eq(upkeep()->tube[1].ran_ms, 0);
    /* the little that circulation ran since it was told last may be lost by a crash */
    ck_assert_int_ge(upkeep()->circulated_ms, 7000);
    if (_i > 0) ck_assert_int_eq(upkeep()->circulated_ms, circulated_ms);
}
END_TEST

START_TEST(a_dose_that_nobody_knows_of_wears_the_tube_in_full)
{
    begin();
    send_dose(BASIL, 0, 9000);
    bench_start();
    b.core->chain[WEST].ledger_seen = true;
    pass(HOUR_MS);
    b.actions.count = 0;
    core_settle_overdue(b.core, BASIL, b.now, &b.actions);
    keep_records();
    ck_assert_int_eq(upkeep()->tube[0].ran_ms, 9000);
    bench_start();
    ck_assert_int_eq(upkeep()->tube[0].ran_ms, 9000);
}
END_TEST

/* By its name, else by its output: a stock that was only renamed keeps its tube's hours. */
START_TEST(a_tube_stays_with_its_pump_over_a_reload)
{
    begin();
    upkeep()->tube[0].ran_ms = 111;
    upkeep()->tube[1].ran_ms = 222;
    static struct site was;
    static struct site_tank tanks[TANKS];
    was = b.site; /* the old core's own */
    memcpy(tanks, b.tank, sizeof tanks);
    was.tank = tanks;
    b.core->site = &was;
    if (_i == 0) b.site.stock[LEAF_A].key = "grow"; /* another name, the same output */
    if (_i == 1) {                                  /* the tubes change places, names and all */
        b.tank[BASIL].pump[0].stock = LEAF_B;
        b.tank[BASIL].pump[1].stock = LEAF_A;
    }
    reload();
    ck_assert_int_eq(upkeep()->tube[0].ran_ms, _i == 1 ? 222 : 111);
    ck_assert_int_eq(upkeep()->tube[1].ran_ms, _i == 1 ? 111 : 222);
}
END_TEST

START_TEST(reminders_of_what_has_gone_go_with_it)
{
    begin();
    b.core->stock[LEAF_A].remaining_ul = 0;
    upkeep()->tube[0].ran_ms = 2 * HOUR_MS;
    look_after(1000);
    ck_assert(stands("low-leaf-a") && stands("tube-basil-leaf-a"));
    reload();
    ck_assert(stands("low-leaf-a") && stands("tube-basil-leaf-a"));
    static struct site was;
    was = b.site;
    b.core->site = &was;
    b.site.stock[LEAF_A].key = "grow";
    reload();
    ck_assert(!stands("low-leaf-a") && !stands("tube-basil-leaf-a"));
}
END_TEST

/* --- the strainer ------------------------------------------------------------------------------
 */

static void circulate(int64_t span_ms)
{
    struct core_tank *t = &b.core->tank[BASIL];
    upkeep_count_circulation(b.core, BASIL, b.now);
    t->circulation.on = true;
    t->circulation.start = b.now.mono;
    t->circulation.till = mono_after(b.now.mono, span_ms);
    pass(span_ms / 2);
    upkeep_count_circulation(b.core, BASIL, b.now);
    pass(span_ms / 2 + HOUR_MS); /* it ended long ago when it is noticed */
    core_end_circulation(b.core, BASIL, b.now);
}

START_TEST(the_strainer_is_told_of_after_its_hours)
{
    begin();
    const int64_t before = upkeep()->circulated_ms;
    circulate(5 * HOUR_MS);
    ck_assert_int_eq(upkeep()->circulated_ms - before, 5 * HOUR_MS);
    look_after(HOUR_MS);
    ck_assert_int_eq(upkeep()->circulated_ms - before, 5 * HOUR_MS);
    ck_assert(!stands("strainer-basil"));
    circulate(6 * HOUR_MS);
    look_after(1000);
    ck_assert_ptr_nonnull(strstr(said("strainer-basil"), "run for 11 h"));
    bench_start();
    b.core->active = true;
    look_after(1000);
    ck_assert(stands("strainer-basil"));
    ck_assert(ask_kind(REQUEST_STRAINER_CLEANED, BASIL, 0, 0));
    look_after(1000);
    ck_assert(!stands("strainer-basil"));
    ck_assert_int_eq(upkeep()->circulated_ms, 0);
    bench_start();
    ck_assert_int_eq(upkeep()->circulated_ms, 0);
    ck_assert(!stands("strainer-lettuce"));
}
END_TEST

/* --- over a restart --------------------------------------------------------------------------- */

START_TEST(records_that_make_no_sense_change_nothing)
{
    begin();
    struct record *r = put_record("upkeep");
    record_add_text(r, "tank", "gone");
    r = put_record("upkeep");
    record_add_text(r, "tank", "lettuce");
    record_add_text(r, "stock", "leaf-b"); /* it has no such pump */
    record_add_int(r, "ran_ms", 5);
    r = put_record("upkeep");
    record_add_text(r, "tank", "basil");
    record_add_text(r, "stock", "leaf-a");
    record_add_int(r, "ran_ms", -5);
    record_add_text(r, "tube_since", "yesterday");
    r = put_record("upkeep");
    record_add_text(r, "alert", "supply-west"); /* no reminder: it is never quiet */
    record_add_int(r, "quiet_ms", DAY_MS);
    const struct civil since = upkeep()->tube[0].since;
    bench_start();
    ck_assert_int_eq(upkeep()->tube[0].ran_ms, 0);
    ck_assert_int_eq(upkeep()->tube[0].since.ms, since.ms);
    ck_assert_str_eq(b.core->quiet[0].id, "");
}
END_TEST

START_TEST(when_counting_began_is_written_once)
{
    begin();
    const uint32_t records = count_records("upkeep");
    ck_assert_uint_eq(records, 4 + 2 + TANKS);
    look_after(MINUTE_MS);
    bench_start();
    b.core->active = true;
    look_after(MINUTE_MS);
    ck_assert_uint_eq(count_records("upkeep"), records);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("upkeep");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, days_left_follow_the_use_of_the_last_days);
    tcase_add_test(t, one_fill_is_no_rate);
    tcase_add_test(t, a_dose_that_gave_less_was_used_less);
    tcase_add_test(t, a_bottle_that_runs_low_is_told_of_and_refilled);
    tcase_add_test(t, few_days_left_are_told_of_and_have_some_slack);
    tcase_add_test(t, a_full_bottle_is_not_asked_for_again_in_a_fresh_fill);
    tcase_add_test(t, what_a_standby_counts_is_no_reason_to_speak);
    tcase_add_loop_test(t, an_acknowledged_reminder_is_quiet_for_a_day_and_comes_back, 0, 4);
    tcase_add_test(t, quiet_ends_with_its_cause);
    tcase_add_test(t, reminders_leave_room_for_what_is_worse);
    tcase_add_test(t, more_than_can_be_quiet_are_quiet_for_less);
    tcase_add_test(t, a_tube_is_told_of_after_its_hours_and_counted_anew);
    tcase_add_test(t, a_tube_ages_on_the_shelf_too);
    tcase_add_test(t, the_age_of_what_came_without_a_clock_is_unknown);
    tcase_add_loop_test(t, whatever_moves_a_pump_counts_and_is_kept, 0, 3);
    tcase_add_test(t, a_dose_that_nobody_knows_of_wears_the_tube_in_full);
    tcase_add_loop_test(t, a_tube_stays_with_its_pump_over_a_reload, 0, 2);
    tcase_add_test(t, reminders_of_what_has_gone_go_with_it);
    tcase_add_test(t, the_strainer_is_told_of_after_its_hours);
    tcase_add_test(t, records_that_make_no_sense_change_nothing);
    tcase_add_test(t, when_counting_began_is_written_once);
    return run_case(t, "upkeep");
}
