/* A probe out of the water; light, enclosure and the air. */
#include <math.h>

#include "tests/unit/core/upkeep_fixture.h"

static void begin(void)
{
    bench_init();
    struct site_tank *t = &b.tank[BASIL];
    make_probe(t, PROBE_LIGHT, UNIT_LX);
    make_probe(t, PROBE_ENCLOSURE, UNIT_DEGC);
    make_probe(t, PROBE_AIR_TEMPERATURE, UNIT_DEGC);
    make_probe(t, PROBE_HUMIDITY, UNIT_PERCENT);
    t->probe[PROBE_LIGHT].most = 200000;
    t->upkeep.light_on_lx = 1000;
    t->upkeep.light_differs_ms = 30 * MINUTE_MS;
    t->upkeep.enclosure_most_degc = 50;
    t->schedule.day_from_ms = 6 * HOUR_MS;
    t->schedule.day_to_ms = 22 * HOUR_MS;
    b.now.civil.ms = b.now.civil.ms / DAY_MS * DAY_MS + 12 * HOUR_MS; /* noon */
    bench_start();
    come_up();
    tell_water(BASIL, 1200, 5.8);
    look_after(0);
}

static void tell(enum probe_quantity q, double value)
{
    for (int i = 0; i < 3; i++) {
        tell_probe(BASIL, q, value);
    }
}

static struct tank_view view(void)
{
    struct tank_view v;
    core_view_tank(b.core, BASIL, b.now, &v);
    return v;
}

/* --- a probe in the air ------------------------------------------------------------------------
 */

/* Source water has 350 uS/cm here: less than 30 % of it is no water of this tank. */
START_TEST(a_probe_in_the_air_is_not_believed)
{
    begin();
    tell(PROBE_EC, 105.1);
    ck_assert(!upkeep()->dry);
    tell(PROBE_EC, 104.9);
    ck_assert(upkeep()->dry);
    ck_assert(!core_gate_dose(b.core, BASIL, b.now));
    ck_assert_int_eq(b.core->tank[BASIL].state, TANK_INTERLOCKED);
    ck_assert_ptr_nonnull(strstr(b.core->tank[BASIL].why, "are the probes in the water?"));
    look_after(29000);
    ck_assert(!stands("dry-probe-basil")); /* a bubble passes */
    tell(PROBE_EC, 3.0);
    tell(PROBE_PH, 5.8);
    if (_i == 1) tell(PROBE_PH, 6.2);
    if (_i == 2) tell(PROBE_PH, 5.9);
    look_after(1000);
    ck_assert(stands("dry-probe-basil") && view().upkeep.dry);
    ck_assert_int_eq(strstr(said("dry-probe-basil"), "pH wanders") != NULL, _i == 1);
    ck_assert_int_eq(strstr(said("dry-probe-basil"), "pH stands still") != NULL, _i == 0);
    ck_assert(acknowledge("dry-probe-basil"));
    look_after(1000);
    ck_assert(stands("dry-probe-basil")); /* its cause stands */
    tell_water(BASIL, 1200, 5.8);
    look_after(1000);
    ck_assert(!stands("dry-probe-basil") && !upkeep()->dry);
    ck_assert(core_gate_dose(b.core, BASIL, b.now));
}
END_TEST

/* Below its range it gives no reading at all; above it, it isn't dry. */
START_TEST(a_number_below_the_range_is_dry_too)
{
    begin();
    b.tank[BASIL].probe[PROBE_EC].least = 20;
    tell_probe(BASIL, PROBE_EC, _i == 0 ? 0.0 : 9000.0);
    ck_assert_int_eq(upkeep()->dry, _i == 0);
    tell_probe(BASIL, PROBE_EC, 1200);
    ck_assert(!upkeep()->dry);
}
END_TEST

START_TEST(pure_source_water_is_water)
{
    begin();
    b.tank[BASIL].source_ec_us_cm = 0;
    tell(PROBE_EC, 5);
    ck_assert(!upkeep()->dry);
    tell(PROBE_EC, 2.9);
    ck_assert(upkeep()->dry);
}
END_TEST

START_TEST(the_law_isnt_shown_what_a_dry_probe_reads)
{
    begin();
    tell(PROBE_EC, 50);
    tell(PROBE_PH, 7.5);
    pass(60000);
    const struct mono seen = b.core->tank[BASIL].seen_at[0];
    b.actions.count = 0;
    core_look_at_water(b.core, BASIL, b.now, &b.actions);
    ck_assert_int_eq(b.core->tank[BASIL].seen_at[0].ms, seen.ms);
    ck_assert_int_eq(mono_since(b.core->tank[BASIL].seen_at[1], b.now.mono) < 0, 1);
}
END_TEST

/* A dry probe says nothing of the temperature, which is looked at first. */
START_TEST(a_temperature_that_is_missing_is_told_of_before_a_dry_probe)
{
    begin();
    pass(60001);
    b.core->seen = b.now.mono;
    tell_beat(WEST);
    tell_beat(EAST);
    tell(PROBE_EC, 50);
    tell(PROBE_PH, 5.8);
    ck_assert(upkeep()->dry && !core_gate_dose(b.core, BASIL, b.now));
    ck_assert_ptr_nonnull(strstr(b.core->tank[BASIL].why, "the temperature probe can't be used"));
}
END_TEST

/* Nor does the record of the water have it; a dry probe's temperature is one all the same. */
START_TEST(what_a_dry_probe_reads_isnt_recorded_as_water)
{
    begin();
    b.site.water_every_ms = 60000;
    for (int dry = 0; dry < 2; dry++) {
        double value = 0.0;
        tell_water(BASIL, dry ? 50 : 1200, 5.8);
        b.core->tank[BASIL].water_due = b.now.mono;
        b.actions.count = 0;
        core_look_at_water(b.core, BASIL, b.now, &b.actions);
        keep_records();
        ck_assert_uint_eq(count_records("water"), (unsigned)dry + 1);
        const struct record *r = recorded("water");
        ck_assert_int_eq(record_real(r, "ec_us_cm", &value), !dry);
        ck_assert_int_eq(record_real(r, "ph", &value), !dry);
        ck_assert(record_real(r, "degc", &value) && value == 20.0);
        pass(60000);
    }
}
END_TEST

START_TEST(an_old_message_says_nothing_of_where_the_probe_is)
{
    begin();
    b.tank[BASIL].probe[PROBE_EC].least = 20;
    struct event e = { .kind = EVENT_READING };
    e.reading = (struct event_reading){
        .tank = BASIL, .quantity = PROBE_EC, .number = 0.0, .retained = true
    };
    step(&e);
    ck_assert(!upkeep()->dry);
}
END_TEST

START_TEST(on_the_bench_a_probe_may_hang_in_the_air)
{
    begin();
    tell(PROBE_EC, 50);
    ck_assert(upkeep()->dry);
    b.core->tank[BASIL].care.bench = true;
    tell(PROBE_EC, 50);
    look_after(MINUTE_MS);
    ck_assert(!upkeep()->dry && !stands("dry-probe-basil"));
    b.core->tank[BASIL].care.bench = false;
    tell(PROBE_EC, 50);
    ck_assert(upkeep()->dry);
}
END_TEST

START_TEST(another_probe_begins_wet)
{
    begin();
    tell(PROBE_EC, 50);
    reload();
    ck_assert(upkeep()->dry);
    static struct site was;
    static struct site_tank tanks[TANKS];
    was = b.site;
    memcpy(tanks, b.tank, sizeof tanks);
    was.tank = tanks;
    b.core->site = &was;
    b.tank[BASIL].probe[PROBE_EC].topic = "another";
    reload();
    ck_assert(!upkeep()->dry);
}
END_TEST

/* --- light ------------------------------------------------------------------------------------ */

static void light_for(double lx, int64_t span_ms)
{
    for (int64_t ms = 0; ms < span_ms; ms += 30000) {
        tell(PROBE_LIGHT, lx);
        look_after(30000);
    }
}

START_TEST(lights_that_stay_off_by_day_are_told_of)
{
    begin();
    light_for(12000, HOUR_MS);
    ck_assert(!stands("lights-basil"));
    ck_assert(view().upkeep.light == LIGHT_ON && view().upkeep.light_due == LIGHT_ON);
    light_for(999, 29 * MINUTE_MS);
    ck_assert(view().upkeep.light == LIGHT_OFF);
    ck_assert(!stands("lights-basil"));
    light_for(1000, MINUTE_MS); /* a moment of light: it begins anew */
    light_for(999, 29 * MINUTE_MS);
    ck_assert(!stands("lights-basil"));
    light_for(999, 2 * MINUTE_MS);
    ck_assert_ptr_nonnull(strstr(said("lights-basil"), "it is dark, and day by the schedule"));
    light_for(5000, MINUTE_MS);
    ck_assert(!stands("lights-basil"));
}
END_TEST

START_TEST(lights_that_stay_on_by_night_are_told_of)
{
    begin();
    pass(11 * HOUR_MS);
    light_for(12000, 31 * MINUTE_MS);
    ck_assert_ptr_nonnull(strstr(said("lights-basil"), "it is light, and night by the schedule"));
    ck_assert(view().upkeep.light_due == LIGHT_OFF);
    b.core->tank[BASIL].zone_offset_ms = -2 * HOUR_MS; /* half past nine there */
    light_for(12000, MINUTE_MS);
    ck_assert(!stands("lights-basil"));
}
END_TEST

START_TEST(what_the_light_should_be_isnt_always_known)
{
    begin();
    if (_i == 0) b.tank[BASIL].schedule.day_to_ms = 6 * HOUR_MS; /* no night */
    if (_i == 1) b.now.clock = CLOCK_UNSET;
    if (_i == 2) b.tank[BASIL].upkeep.light_differs_ms = 0; /* daylight comes in */
    light_for(0, HOUR_MS);
    ck_assert(!stands("lights-basil"));
}
END_TEST

START_TEST(a_silent_light_probe_is_neither_light_nor_dark)
{
    begin();
    light_for(0, 20 * MINUTE_MS);
    look_after(20 * MINUTE_MS);
    ck_assert(view().upkeep.light == LIGHT_UNKNOWN);
    ck_assert(!stands("lights-basil"));
    light_for(0, 20 * MINUTE_MS);
    ck_assert(!stands("lights-basil"));
}
END_TEST

START_TEST(a_light_switch_is_a_light_probe)
{
    begin();
    b.tank[BASIL].probe[PROBE_LIGHT].unit = UNIT_BOOL;
    tell(PROBE_LIGHT, 0);
    ck_assert(view().upkeep.light == LIGHT_OFF);
    tell(PROBE_LIGHT, 1);
    ck_assert(view().upkeep.light == LIGHT_ON);
}
END_TEST

/* --- enclosure and air ------------------------------------------------------------------------ */

START_TEST(a_hot_enclosure_is_told_of_until_it_is_well_cooler)
{
    begin();
    tell(PROBE_ENCLOSURE, 50.0);
    look_after(1000);
    ck_assert(!stands("enclosure-hot-basil"));
    tell(PROBE_ENCLOSURE, 50.6);
    look_after(1000);
    ck_assert_ptr_nonnull(strstr(said("enclosure-hot-basil"), "has 51 degrees C, more than 50"));
    tell(PROBE_ENCLOSURE, 47.0);
    look_after(1000);
    ck_assert(stands("enclosure-hot-basil"));
    tell(PROBE_ENCLOSURE, 46.9);
    look_after(70000);
    ck_assert(stands("enclosure-hot-basil")); /* that is too old to believe */
    tell(PROBE_ENCLOSURE, 46.9);
    look_after(1000);
    ck_assert(!stands("enclosure-hot-basil"));
    tell(PROBE_ENCLOSURE, 60.0);
    look_after(1000);
    ck_assert(stands("enclosure-hot-basil"));
    tell(PROBE_ENCLOSURE, 30.0);
    look_after(1000);
    ck_assert(!stands("enclosure-hot-basil"));
    tell_probe(BASIL, PROBE_ENCLOSURE, 101.0); /* the probe's range ends at 100 */
    look_after(1000);
    ck_assert_ptr_nonnull(strstr(said("enclosure-hot-basil"), "more than its probe's range goes"));
    b.tank[BASIL].upkeep.enclosure_most_degc = 0;
    look_after(1000);
    ck_assert(!stands("enclosure-hot-basil"));
}
END_TEST

/* 25 degC and 60 %: 1.267 kPa (computed from FAO 56's equation 11). */
START_TEST(the_air_is_as_dry_as_it_is)
{
    begin();
    ck_assert(isnan(view().upkeep.vpd_kpa));
    tell(PROBE_AIR_TEMPERATURE, 25.0);
    ck_assert(isnan(view().upkeep.vpd_kpa));
    tell(PROBE_HUMIDITY, 60.0);
    ck_assert_double_eq_tol(view().upkeep.vpd_kpa, 1.267, 0.001);
    pass(70000);
    ck_assert(isnan(view().upkeep.vpd_kpa));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("upkeep_air");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_loop_test(t, a_probe_in_the_air_is_not_believed, 0, 3);
    tcase_add_loop_test(t, a_number_below_the_range_is_dry_too, 0, 2);
    tcase_add_test(t, pure_source_water_is_water);
    tcase_add_test(t, the_law_isnt_shown_what_a_dry_probe_reads);
    tcase_add_test(t, a_temperature_that_is_missing_is_told_of_before_a_dry_probe);
    tcase_add_test(t, what_a_dry_probe_reads_isnt_recorded_as_water);
    tcase_add_test(t, an_old_message_says_nothing_of_where_the_probe_is);
    tcase_add_test(t, on_the_bench_a_probe_may_hang_in_the_air);
    tcase_add_test(t, another_probe_begins_wet);
    tcase_add_test(t, lights_that_stay_off_by_day_are_told_of);
    tcase_add_test(t, lights_that_stay_on_by_night_are_told_of);
    tcase_add_loop_test(t, what_the_light_should_be_isnt_always_known, 0, 3);
    tcase_add_test(t, a_silent_light_probe_is_neither_light_nor_dark);
    tcase_add_test(t, a_light_switch_is_a_light_probe);
    tcase_add_test(t, a_hot_enclosure_is_told_of_until_it_is_well_cooler);
    tcase_add_test(t, the_air_is_as_dry_as_it_is);
    return run_case(t, "upkeep_air");
}
