#include "lib/forecast/twin.h"

#include <math.h>

#include "tests/unit/forecast/sites.h"
#include "tests/unit/support.h"

static struct watched w, other;

static struct tank_view view_of(struct watched *seen, uint32_t tank)
{
    struct tank_view v;
    core_view_tank(twin_core(seen->twin), tank, twin_now(seen->twin), &v);
    return v;
}

START_TEST(a_fresh_fill_reaches_its_setpoints)
{
    watched_make(&w, 1);
    watched_start(&w);
    twin_run(w.twin, 2 * DAY_MS);
    for (uint32_t i = 0; i < SITE_TANKS; i++) {
        const double ec = reservoir_ec(twin_water(w.twin, i));
        const double ph = reservoir_ph(twin_water(w.twin, i));
        ck_assert_msg(fabs(ec - 1400) < 150, "tank %u: EC %g", i, ec);
        ck_assert_msg(fabs(ph - 5.8) < 0.4, "tank %u: pH %g", i, ph);
    }
    ck_assert_uint_gt(w.doses, 8);
    watched_end(&w);
}
END_TEST

START_TEST(the_same_setup_gives_the_same_bits)
{
    watched_make(&w, 7);
    watched_make(&other, 7);
    watched_start(&w);
    watched_start(&other);
    twin_run(w.twin, 2 * DAY_MS);
    twin_run(other.twin, 2 * DAY_MS);
    ck_assert_uint_gt(w.records, 20);
    ck_assert_uint_eq(w.digest, other.digest);
    watched_end(&other);
    watched_make(&other, 8);
    watched_start(&other);
    twin_run(other.twin, 2 * DAY_MS);
    ck_assert_uint_ne(w.digest, other.digest);
    watched_end(&other);
    watched_end(&w);
}
END_TEST

START_TEST(many_short_runs_are_one_long_one)
{
    watched_make(&w, 3);
    watched_make(&other, 3);
    watched_start(&w);
    watched_start(&other);
    twin_run(w.twin, 6 * HOUR_MS);
    for (int i = 0; i < 6 * 3600 / 7; i++) {
        twin_run(other.twin, 7000);
    }
    twin_run(other.twin, 6 * HOUR_MS - INT64_C(7000) * (6 * 3600 / 7));
    ck_assert_int_eq(twin_now(w.twin).mono.ms, twin_now(other.twin).mono.ms);
    ck_assert_int_eq(twin_now(w.twin).civil.ms, twin_now(other.twin).civil.ms);
    ck_assert_uint_eq(w.records, other.records);
    ck_assert_uint_eq(w.digest, other.digest);
    watched_end(&other);
    watched_end(&w);
}
END_TEST

START_TEST(the_journal_knows_what_was_pumped)
{
    watched_make(&w, 2);
    watched_start(&w);
    twin_run(w.twin, 3 * DAY_MS);
    for (uint32_t t = 0; t < SITE_TANKS; t++) {
        for (uint32_t p = 0; p < SITE_PUMPS; p++) {
            const struct twin_given g = twin_given(w.twin, t, p);
            const double told_ml = (double)w.outcome_ul[t][p] / 1000.0;
            ck_assert_double_eq_tol(g.commanded_ml, told_ml, 0.002 * (g.doses + 1));
            ck_assert_double_eq_tol(g.delivered_ml, g.commanded_ml, 0.08 * g.commanded_ml + 0.01);
        }
    }
    watched_end(&w);
}
END_TEST

START_TEST(a_bottle_runs_empty_and_is_replaced)
{
    watched_make(&w, 4);
    w.s.site.stock[LEAF_A].bottle_ul = 60000;
    w.setup.refills = true;
    w.setup.refill_after_ms = HOUR_MS;
    watched_start(&w);
    for (int minute = 0; minute < 4 * 24 * 60 && w.refilled[LEAF_A] == 0; minute++) {
        twin_run(w.twin, MINUTE_MS);
    }
    struct stock_view told;
    core_view_stock(twin_core(w.twin), LEAF_A, twin_now(w.twin), &told);
    ck_assert_uint_eq(w.refilled[LEAF_A], 1);
    ck_assert_double_eq_tol((double)told.remaining_ul / 1000.0, 60.0, 1e-9);
    twin_run(w.twin, 4 * DAY_MS);
    ck_assert_uint_gt(w.emptied[LEAF_A], 0);
    ck_assert_uint_eq(w.emptied[LEAF_B], 0);
    ck_assert_uint_le(w.refilled[LEAF_A], w.emptied[LEAF_A]);
    ck_assert_uint_ge(w.refilled[LEAF_A] + 1, w.emptied[LEAF_A]);
    double delivered_ml = 0;
    for (uint32_t t = 0; t < SITE_TANKS; t++) {
        delivered_ml += twin_given(w.twin, t, LEAF_A).delivered_ml;
    }
    const double had_ml = 60.0 * (1 + w.refilled[LEAF_A]);
    ck_assert_double_eq_tol(had_ml - twin_bottle_ml(w.twin, LEAF_A), delivered_ml, 0.05 * had_ml);
    watched_end(&w);
}
END_TEST

START_TEST(an_empty_bottle_gives_nothing_and_somebody_notices)
{
    watched_make(&w, 5);
    watched_start(&w);
    twin_run(w.twin, 2 * DAY_MS);
    twin_set_bottle(w.twin, LEAF_A, 0);
    twin_set_bottle(w.twin, LEAF_B, 0);
    w.alerts = 0;
    const struct twin_given before = twin_given(w.twin, 0, LEAF_A);
    reservoir_change_water(twin_water(w.twin, 0), 0.4);
    twin_run(w.twin, 2 * DAY_MS);
    const struct twin_given after = twin_given(w.twin, 0, LEAF_A);
    ck_assert_double_gt(after.commanded_ml, before.commanded_ml);
    ck_assert(!(after.delivered_ml > before.delivered_ml));
    ck_assert_uint_gt(w.alerts, 0);
    watched_end(&w);
}
END_TEST

START_TEST(a_silent_probe_stops_dosing)
{
    watched_make(&w, 6);
    watched_start(&w);
    twin_silence(w.twin, 0, PROBE_EC, true);
    twin_run(w.twin, DAY_MS);
    ck_assert_uint_eq(twin_given(w.twin, 0, LEAF_A).doses, 0);
    ck_assert_uint_gt(twin_given(w.twin, 1, LEAF_A).doses, 0);
    twin_silence(w.twin, 0, PROBE_EC, false);
    twin_run(w.twin, DAY_MS);
    ck_assert_uint_gt(twin_given(w.twin, 0, LEAF_A).doses, 0);
    watched_end(&w);
}
END_TEST

START_TEST(probes_send_in_their_own_units)
{
    watched_make(&w, 9);
    struct probe_config *ec = &w.s.tank[0].probe[PROBE_EC], *ph = &w.s.tank[0].probe[PROBE_PH];
    struct probe_config *degc = &w.s.tank[0].probe[PROBE_TEMPERATURE];
    ec->unit = UNIT_MS_CM;
    ec->least = 0.01;
    ec->most = 8;
    ec->compensated = false;
    ph->unit = UNIT_MV;
    ph->least = -400;
    ph->most = 400;
    degc->unit = UNIT_DEGF;
    degc->least = 32;
    degc->most = 110;
    w.truth[0].tank.degc = 12; /* a fifth less conductance than at 25 */
    site_add_probe(&w.s.tank[0].probe[PROBE_LEVEL], PROBE_LEVEL, UNIT_PERCENT, 0, 110);
    site_add_probe(&w.s.tank[0].probe[PROBE_VOLUME], PROBE_VOLUME, UNIT_L, 0, 200);
    watched_start(&w);
    twin_run(w.twin, DAY_MS);
    const struct tank_view v = view_of(&w, 0);
    const struct reservoir *r = twin_water(w.twin, 0);
    ck_assert(v.probe[PROBE_EC].has_value && v.probe[PROBE_PH].has_value);
    ck_assert_double_eq_tol(v.probe[PROBE_EC].value, reservoir_ec(r), 0.05 * reservoir_ec(r));
    ck_assert_double_eq_tol(v.probe[PROBE_PH].value, reservoir_ph(r), 0.2);
    ck_assert_double_eq_tol(v.probe[PROBE_TEMPERATURE].value, reservoir_degc(r), 0.6);
    ck_assert_double_eq_tol(v.probe[PROBE_VOLUME].value, reservoir_volume(r), 1.0);
    ck_assert_double_eq_tol(v.probe[PROBE_LEVEL].value, 100.0, 3.0);
    watched_end(&w);
}
END_TEST

START_TEST(nothing_mixes_while_nothing_circulates)
{
    watched_make(&w, 12);
    watched_start(&w);
    twin_silence(w.twin, 0, PROBE_EC, true);
    twin_silence(w.twin, 0, PROBE_PH, true);
    twin_run(w.twin, MINUTE_MS);
    struct reservoir *r = twin_water(w.twin, 0);
    reservoir_pump(r, LEAF_A, 50.0, r->now_s);
    twin_run(w.twin, 2 * HOUR_MS);
    r = twin_water(w.twin, 0);
    const double apart = plant_ec_us_cm(&r->tank, true) - plant_ec_us_cm(&r->tank, false);
    ck_assert_double_gt(apart, 50.0);
    watched_end(&w);
}
END_TEST

START_TEST(a_person_moves_the_setpoint)
{
    watched_make(&w, 10);
    watched_start(&w);
    twin_run(w.twin, HOUR_MS);
    struct event_request request = { .kind = REQUEST_SET_EC, .tank = 0, .value = 1700 };
    ck_assert(twin_ask(w.twin, &request));
    ck_assert_double_eq_tol(view_of(&w, 0).set_ec_us_cm, 1700, 1e-9);
    request.value = 9000;
    ck_assert(!twin_ask(w.twin, &request));
    watched_end(&w);
}
END_TEST

START_TEST(a_smaller_tank_rises_further)
{
    struct reservoir_truth less, as_told;
    site_make(&w.s);
    twin_assume(&less, &w.s.site, 0, 1, 0.8, 0);
    twin_assume(&as_told, &w.s.site, 0, 1, 1.0, 0);
    ck_assert_double_eq_tol(less.tank.volume_l, 96.0, 1e-9);
    ck_assert_double_eq_tol(as_told.tank.volume_l, 120.0, 1e-9);
    less.tank.volume_l = as_told.tank.volume_l;
    struct reservoir_truth drawn_anew;
    twin_assume(&drawn_anew, &w.s.site, 0, 2, 1.0, 0);
    ck_assert(fabs(drawn_anew.pump[LEAF_A].error - as_told.pump[LEAF_A].error) > 1e-6);
    ck_assert_mem_eq(&less, &as_told, sizeof less);
    ck_assert_double_eq_tol(as_told.pump[BASE].per_ml.carbon_mmol, 0.2, 1e-9);
    ck_assert_double_eq_tol(as_told.pump[ACID].per_ml.alkalinity_meq, -0.4, 1e-9);
}
END_TEST

static int64_t summer_from(void *context, const char *zone, struct civil at)
{
    (void)zone;
    (void)context;
    return at.ms >= site_noon_ms + 10 * HOUR_MS ? HOUR_MS : 0;
}

START_TEST(zones_are_asked_for)
{
    watched_make(&w, 11);
    w.setup.ears.zone_offset_ms = summer_from;
    watched_start(&w); /* at noon: local midnight comes an hour early */
    const int64_t day = view_of(&w, 0).day;
    twin_run(w.twin, 11 * HOUR_MS + MINUTE_MS);
    ck_assert_int_eq(view_of(&w, 0).day, day + 1);
    watched_end(&w);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("twin");
    tcase_set_timeout(tc, 120);
    tcase_add_test(tc, a_fresh_fill_reaches_its_setpoints);
    tcase_add_test(tc, the_same_setup_gives_the_same_bits);
    tcase_add_test(tc, many_short_runs_are_one_long_one);
    tcase_add_test(tc, the_journal_knows_what_was_pumped);
    tcase_add_test(tc, a_bottle_runs_empty_and_is_replaced);
    tcase_add_test(tc, an_empty_bottle_gives_nothing_and_somebody_notices);
    tcase_add_test(tc, a_silent_probe_stops_dosing);
    tcase_add_test(tc, probes_send_in_their_own_units);
    tcase_add_test(tc, nothing_mixes_while_nothing_circulates);
    tcase_add_test(tc, a_person_moves_the_setpoint);
    tcase_add_test(tc, a_smaller_tank_rises_further);
    tcase_add_test(tc, zones_are_asked_for);
    return run_case(tc, "twin");
}
