/* Water changes; calibrations that are due by age and by evidence. */
#include <math.h>

#include "tests/unit/core/upkeep_fixture.h"

static void begin(void)
{
    bench_init();
    make_probe(&b.tank[BASIL], PROBE_VOLUME, UNIT_L);
    b.tank[BASIL].upkeep.water_ms = 21 * DAY_MS;
    b.tank[BASIL].upkeep.water_l = 180.0;
    bench_start();
    come_up();
    tell_water(BASIL, 1200, 5.8);
    look_after(0);
}

/* Three readings are what trust takes. */
static void tell_volume(double l)
{
    for (int i = 0; i < 3; i++) {
        tell_probe(BASIL, PROBE_VOLUME, l);
    }
    look_after(1000);
}

static double topped_l(void)
{
    struct tank_view v;
    core_view_tank(b.core, BASIL, b.now, &v);
    return v.upkeep.topped_l;
}

/* --- water ------------------------------------------------------------------------------------ */

START_TEST(what_rises_above_the_lowest_water_was_topped_up)
{
    begin();
    tell_volume(60.0);
    ck_assert_double_eq_tol(topped_l(), 0.0, 1e-9);
    tell_volume(52.0);
    tell_volume(52.8); /* waves */
    tell_volume(52.0);
    ck_assert_double_eq_tol(topped_l(), 0.0, 1e-9);
    tell_volume(56.0);
    tell_volume(60.0);
    ck_assert_double_eq_tol(topped_l(), 8.0, 1e-9);
    tell_volume(50.0);
    bench_start();
    b.core->active = true;
    tell_volume(60.0); /* nobody saw the ebb: what was, counts */
    ck_assert_double_eq_tol(topped_l(), 8.0, 1e-9);
    tell_volume(50.0);
    tell_volume(60.0);
    ck_assert_double_eq_tol(topped_l(), 18.0, 1e-9);
}
END_TEST

START_TEST(a_level_probe_tells_as_well_and_none_tells_nothing)
{
    begin();
    b.tank[BASIL].probe[PROBE_VOLUME].present = false;
    ck_assert(isnan(topped_l()));
    make_probe(&b.tank[BASIL], PROBE_LEVEL, UNIT_PERCENT);
    for (int i = 0; i < 6; i++) {
        tell_probe(BASIL, PROBE_LEVEL, i < 3 ? 50.0 : 75.0);
        if (i % 3 == 2) look_after(1000);
    }
    ck_assert_double_eq_tol(topped_l(), 15.0, 1e-9); /* a quarter of 60 L */
}
END_TEST

START_TEST(much_topped_up_asks_for_new_water)
{
    begin();
    upkeep()->topped_ul = 170000000;
    tell_volume(50.0);
    ck_assert(!stands("water-change-basil"));
    tell_volume(60.0);
    ck_assert_ptr_nonnull(strstr(said("water-change-basil"), "180 L were topped up"));
    ck_assert_ptr_nonnull(strstr(said("water-change-basil"), "ask water-changed basil"));
    ck_assert(!ask_kind(REQUEST_WATER_CHANGED, BASIL, 0, 60000001));
    ck_assert_str_eq(answered(), "out-of-range");
    ck_assert(!ask_kind(REQUEST_WATER_CHANGED, BASIL, 0, -1));
    ck_assert(stands("water-change-basil"));
    ck_assert(ask_kind(REQUEST_WATER_CHANGED, BASIL, 0, _i == 0 ? 0 : 15000000));
    ticks();
    ck_assert(!stands("water-change-basil"));
    ck_assert_double_eq_tol(topped_l(), _i == 0 ? 0.0 : 135.0, 1e-6); /* a quarter left with it */
    ck_assert(upkeep()->water_changed);
    const int64_t since_ms = upkeep()->water.ms;
    if (_i == 1) prune();
    bench_start();
    ck_assert_double_eq_tol(topped_l(), _i == 0 ? 0.0 : 135.0, 1e-6);
    ck_assert(upkeep()->water_changed);
    ck_assert_int_eq(upkeep()->water.ms, since_ms);
}
END_TEST

START_TEST(old_water_asks_for_new)
{
    begin();
    look_after(21 * DAY_MS - MINUTE_MS);
    ck_assert(!stands("water-change-basil"));
    look_after(MINUTE_MS);
    ck_assert_ptr_nonnull(strstr(said("water-change-basil"), "the water is 21 days old"));
    ck_assert(!stands("water-change-lettuce"));
    ck_assert(acknowledge("water-change-basil"));
    look_after(6 * DAY_MS);
    ck_assert(!stands("water-change-basil"));
    look_after(DAY_MS);
    ck_assert(stands("water-change-basil"));
}
END_TEST

/* --- calibrations by age ---------------------------------------------------------------------- */

static void calibrated_days_ago(int64_t days)
{
    struct site_pump *p = &b.tank[BASIL].pump[0];
    p->calibrate_every_ms = 30 * DAY_MS;
    p->calibrated_at.ms = b.now.civil.ms - days * DAY_MS;
    struct probe_config *probe = &b.tank[BASIL].probe[PROBE_PH];
    probe->calibrate_every_ms = 14 * DAY_MS;
    probe->calibrated_at.ms = b.now.civil.ms - days * DAY_MS;
}

START_TEST(old_calibrations_are_due)
{
    begin();
    calibrated_days_ago(13);
    look_after(0);
    ck_assert(!stands("calibrate-basil-ph") && !stands("pump-basil-leaf-a"));
    calibrated_days_ago(14);
    look_after(0);
    ck_assert_ptr_nonnull(strstr(said("calibrate-basil-ph"), "was calibrated 14 days ago"));
    ck_assert(!stands("calibrate-basil-ec"));
    calibrated_days_ago(29);
    look_after(0);
    ck_assert(!stands("pump-basil-leaf-a"));
    calibrated_days_ago(30);
    look_after(0);
    ck_assert_ptr_nonnull(strstr(said("pump-basil-leaf-a"), "was calibrated 30 days ago"));
    ck_assert(!stands("pump-basil-leaf-b"));
    struct tank_view v;
    core_view_tank(b.core, BASIL, b.now, &v);
    ck_assert(v.pump[0].calibration_due && !v.pump[1].calibration_due);
    ck_assert(v.probe[PROBE_PH].calibration_due && !v.probe[PROBE_EC].calibration_due);
    calibrated_days_ago(0);
    look_after(0);
    ck_assert(!stands("calibrate-basil-ph") && !stands("pump-basil-leaf-a"));
}
END_TEST

START_TEST(ages_need_a_clock_and_a_date)
{
    begin();
    calibrated_days_ago(400);
    b.now.clock = CLOCK_UNSET;
    look_after(0);
    ck_assert(!stands("calibrate-basil-ph") && !stands("pump-basil-leaf-a"));
    b.now.clock = CLOCK_FREE;
    b.tank[BASIL].pump[0].calibrated = false; /* nothing is dosed with it, that is told elsewhere */
    b.tank[BASIL].probe[PROBE_PH].calibrated_at.ms = 0;
    look_after(0);
    ck_assert(!stands("calibrate-basil-ph") && !stands("pump-basil-leaf-a"));
}
END_TEST

/* A file's calibration has a day, not a moment: a tube of that day may be the one it was done with.
 */
START_TEST(an_old_flow_is_due_and_one_without_a_date_is_not)
{
    begin();
    struct site_circulation *c = &b.tank[BASIL].circulation;
    c->measure_every_ms = 365 * DAY_MS;
    look_after(0);
    ck_assert(!stands("flow-basil"));
    c->measured = true;
    c->measured_at.ms = b.now.civil.ms - 365 * DAY_MS + 1;
    look_after(0);
    ck_assert(!stands("flow-basil"));
    c->measured_at.ms--;
    look_after(0);
    ck_assert_ptr_nonnull(strstr(said("flow-basil"), "was measured 365 days ago"));
    struct tank_view v;
    core_view_tank(b.core, BASIL, b.now, &v);
    ck_assert(v.care.flow.due && !v.care.flow.here);
    ck_assert(acknowledge("flow-basil"));
    look_after(6 * DAY_MS);
    ck_assert(!stands("flow-basil"));
    look_after(DAY_MS);
    ck_assert(stands("flow-basil"));
    c->measure_every_ms = 0;
    look_after(0);
    ck_assert(!stands("flow-basil"));
}
END_TEST

START_TEST(a_new_tube_wants_a_new_calibration)
{
    begin();
    struct civil *at = &b.tank[BASIL].pump[0].calibrated_at;
    *at = (struct civil){ b.now.civil.ms / DAY_MS * DAY_MS };
    ck_assert(ask_kind(REQUEST_TUBE_CHANGED, BASIL, LEAF_A, 0));
    look_after(0);
    ck_assert(!stands("pump-basil-leaf-a"));
    at->ms -= DAY_MS;
    look_after(0);
    ck_assert_ptr_nonnull(strstr(said("pump-basil-leaf-a"), "has another tube"));
    at->ms = b.now.civil.ms + 1; /* done here, after it */
    look_after(0);
    ck_assert(!stands("pump-basil-leaf-a"));
    at->ms = b.now.civil.ms - 1;
    look_after(0);
    ck_assert(stands("pump-basil-leaf-a"));
}
END_TEST

/* --- calibrations by evidence ----------------------------------------------------------------- */

/* Limits: lib/chem/ph_probe.h, where the sources stand. */
static const struct {
    double slope_percent, zero_mv;
    const char *words;
} electrodes[] = { { 97, 4, "" }, { 94, 0, "clean and soak it" }, { 98, 31, "clean and soak it" },
    { 84, 0, "Replace it" }, { 98, -61, "Replace it" } };

START_TEST(a_worn_electrode_is_told_of_whatever_its_age)
{
    begin();
    struct probe_config *probe = &b.tank[BASIL].probe[PROBE_PH];
    probe->zero_mv = electrodes[_i].zero_mv;
    probe->slope_percent = electrodes[_i].slope_percent;
    look_after(0);
    ck_assert(!stands("calibrate-basil-ph")); /* one in pH has its constants within */
    probe->unit = UNIT_MV;
    look_after(0);
    ck_assert_int_eq(stands("calibrate-basil-ph"), _i > 0);
    ck_assert_ptr_nonnull(strstr(said("calibrate-basil-ph"), electrodes[_i].words));
}
END_TEST

static void know_feed(double gain, double sd)
{
    struct law *law = &b.core->tank[BASIL].law;
    memset(law->weight, 0, sizeof law->weight);
    law->weight[0] = 1.0;
    law->mixing = false;
    filter_set(&law->pair[0].ec, EC_STATES, EC_GAIN, gain, sd * sd);
}

static void feed_doses(int n)
{
    for (int i = 0; i < n; i++) {
        upkeep_count_tube(b.core, BASIL, 0, 1000, 1000);
        upkeep_count_tube(b.core, BASIL, 1, 1000, 1000);
    }
}

START_TEST(feed_that_does_less_than_it_did_is_told_of_after_some_doses)
{
    begin();
    know_feed(1.30, 0.2); /* not known yet */
    look_after(0);
    ck_assert(!(upkeep()->feed_gain > 0.0));
    know_feed(1.30, 0.05); /* the tank is smaller than it was said to be: no drift */
    look_after(0);
    ck_assert_double_eq(upkeep()->feed_gain, 1.30);
    feed_doses(5);
    look_after(0);
    know_feed(1.06, 0.05);
    look_after(0);
    feed_doses(5);
    look_after(0);
    ck_assert(!stands("drift-basil")); /* 82 % */
    know_feed(1.03, 0.05);
    feed_doses(2);
    look_after(0);
    ck_assert(!stands("drift-basil"));
    feed_doses(1);
    look_after(0);
    ck_assert_ptr_nonnull(strstr(said("drift-basil"), "feed does 79 % of what it did"));
    know_feed(1.03, 0.2); /* unsure: nothing new is said */
    look_after(0);
    ck_assert(stands("drift-basil"));
    know_feed(1.20, 0.05);
    look_after(0);
    ck_assert(!stands("drift-basil"));
}
END_TEST

/* It is kept, and begins anew where pumps were calibrated, tubes changed, or the tank is another.
 */
START_TEST(what_feed_did_holds_until_something_was_changed)
{
    begin();
    know_feed(1.0, 0.05);
    look_after(0);
    if (_i == 0) bench_start();
    if (_i == 1) reload();
    if (_i == 2) b.tank[BASIL].pump[1].calibrated_at.ms += DAY_MS;
    if (_i == 3) ck_assert(ask_kind(REQUEST_TUBE_CHANGED, BASIL, LEAF_B, 0));
    if (_i == 4) b.tank[BASIL].volume_l = 55;
    if (_i == 5) ck_assert(ask_kind(REQUEST_TUBE_CHANGED, BASIL, ACID, 0)); /* no part of it */
    b.core->active = true;
    know_feed(0.7, 0.04);
    look_after(0);
    const bool holds = _i < 2 || _i == 5;
    ck_assert_double_eq(upkeep()->feed_gain, holds ? 1.0 : 0.7);
    feed_doses(3);
    look_after(0);
    ck_assert_int_eq(stands("drift-basil"), holds);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("upkeep_water");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, what_rises_above_the_lowest_water_was_topped_up);
    tcase_add_test(t, a_level_probe_tells_as_well_and_none_tells_nothing);
    tcase_add_loop_test(t, much_topped_up_asks_for_new_water, 0, 2);
    tcase_add_test(t, old_water_asks_for_new);
    tcase_add_test(t, old_calibrations_are_due);
    tcase_add_test(t, ages_need_a_clock_and_a_date);
    tcase_add_test(t, an_old_flow_is_due_and_one_without_a_date_is_not);
    tcase_add_test(t, a_new_tube_wants_a_new_calibration);
    tcase_add_loop_test(
        t, a_worn_electrode_is_told_of_whatever_its_age, 0, sizeof electrodes / sizeof *electrodes);
    tcase_add_test(t, feed_that_does_less_than_it_did_is_told_of_after_some_doses);
    tcase_add_loop_test(t, what_feed_did_holds_until_something_was_changed, 0, 6);
    return run_case(t, "upkeep_water");
}
