/* A reservoir with its crop, refills and pumps, against sums done by hand. Its probes:
 * reservoir_probe_test.c; drawn worlds and faults: reservoir_world_test.c. */
#include "lib/plant/reservoir.h"

#include <math.h>
#include <signal.h>
#include <string.h>

#include "lib/plant/reservoir_inside.h"
#include "lib/plant/water.h"
#include "tests/unit/support.h"

static const double day_s = 86400.0;

/* Nothing happens in it: no crop, no gas, pumps that do as they are told. */
static struct reservoir_truth still(void)
{
    struct reservoir_truth t;
    reservoir_typical(&t);
    t.tank.co2_per_hour = 0;
    t.tank.drink_share_per_day = 0;
    t.tank.uptake_meq_per_l = 0;
    t.tank.alkali_meq_l_day = 0;
    t.tank.float_valve = false;
    t.refill_days = 0;
    t.pump_count = 3;
    t.pump[RESERVOIR_FEED] = (struct reservoir_pump_truth){
        .per_ml = { 2.5, -0.02, 0.0, 0.16, 0.03 }, .strength = 1, .error = 1, .delay_s = 30
    };
    t.pump[RESERVOIR_ACID] = (struct reservoir_pump_truth){
        .per_ml = { .alkalinity_meq = -1.0 }, .strength = 1, .error = 1, .delay_s = 7
    };
    t.pump[RESERVOIR_BASE] = (struct reservoir_pump_truth){
        .per_ml = { 0.5, 0.5, 0.25, 0, 0 }, .strength = 1, .error = 1, .delay_s = 60
    };
    return t;
}

static double held(const struct reservoir *r)
{
    return plant_mixed(&r->tank).cations * r->tank.volume_l;
}

static void pass_minutes(struct reservoir *r, int minutes)
{
    for (int i = 0; i < minutes; i++) {
        reservoir_advance(r, 60, true);
    }
}

/* --- doses ------------------------------------------------------------------------------------ */

START_TEST(a_dose_arrives_after_its_run_and_its_tube_and_raises_the_tank_by_its_amount)
{
    struct reservoir_truth t = still();
    t.pump[RESERVOIR_FEED].strength = 1.08;
    t.pump[RESERVOIR_FEED].error = 0.93;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    const double before = held(&r);
    reservoir_pump(&r, RESERVOIR_FEED, 40, 100.0);
    reservoir_advance(&r, 129.0, true);
    ck_assert_double_eq_tol(held(&r), before, 1e-9);
    reservoir_advance(&r, 1.0, true);
    const double amount = 40 * 0.93 * 1.08 * 2.5;
    ck_assert_double_eq_tol((held(&r) - before) / amount, 1.0, 1e-6);
    ck_assert_double_eq_tol(r.given_ml[RESERVOIR_FEED], 40 * 0.93, 1e-9);
    pass_minutes(&r, 1440);
    ck_assert_double_eq_tol(plant_mixed(&r.tank).cations, before / 200 + amount / 200, 1e-6);
    ck_assert_double_eq_tol(plant_mixed(&r.tank).phosphate, amount / 2.5 * 0.16 / 200, 1e-6);
}
END_TEST

START_TEST(a_dose_mixes_from_the_moment_it_arrives)
{
    struct reservoir_truth t = still();
    struct reservoir a, b;
    reservoir_init(&a, &t, 1);
    reservoir_init(&b, &t, 1);
    reservoir_pump(&a, RESERVOIR_ACID, 40, 3);
    reservoir_pump(&b, RESERVOIR_ACID, 40, 3);
    reservoir_advance(&a, 60, true);
    reservoir_advance(&b, 10, true);
    reservoir_advance(&b, 50, true);
    ck_assert_double_eq_tol(a.tank.near_water.alkalinity, b.tank.near_water.alkalinity, 1e-9);
    ck_assert(a.tank.far_water.alkalinity < t.tank.source.alkalinity - 0.005);
}
END_TEST

START_TEST(doses_of_all_pumps_together_bring_what_they_hold)
{
    struct reservoir_truth t = still();
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    const double cations = held(&r), alkalinity = reservoir_alkalinity(&r) * 200;
    for (int i = 0; i < 3000; i++) { /* far more than the tubes hold at once */
        reservoir_pump(&r, (uint32_t)(i % 3), 0.5, r.now_s + i % 7);
        if (i % 50 == 0) reservoir_advance(&r, 20, i % 2 == 0);
    }
    reservoir_advance(&r, 200, true);
    ck_assert_double_eq_tol(held(&r) - cations, 500 * 2.5 + 500 * 0.5, 1e-6);
    const double moved = reservoir_alkalinity(&r) * 200 - alkalinity;
    ck_assert_double_eq_tol(moved, 500 * (-0.02 - 1.0 + 0.5), 1e-6);
}
END_TEST

START_TEST(a_pump_wears_evenly_and_repeats_within_its_deviation)
{
    struct reservoir_truth t = still();
    t.pump[0].wear = 0.08;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    reservoir_pump(&r, 0, 10, 14 * day_s);
    ck_assert_double_eq_tol(r.given_ml[0], 10 * 0.96, 1e-9);
    reservoir_pump(&r, 0, 10, 28 * day_s);
    ck_assert_double_eq_tol(r.given_ml[0], 10 * 0.96 + 10 * 0.92, 1e-9);
    t.pump[1].repeat = 0.02;
    reservoir_init(&r, &t, 1);
    double sum = 0, squares = 0, last = 0;
    enum { DOSES = 20000 };
    for (int i = 0; i < DOSES; i++) {
        reservoir_pump(&r, 1, 1.0, 0);
        const double off = r.given_ml[1] - last - 1.0;
        last = r.given_ml[1];
        sum += off;
        squares += off * off;
        reservoir_land(&r);
        r.parcel_count = 0;
    }
    ck_assert_double_eq_tol(sum / DOSES, 0, 0.0006);
    ck_assert_double_eq_tol(sqrt(squares / DOSES), 0.02, 0.0005);
}
END_TEST

START_TEST(a_bottle_gives_its_last_drop_and_no_more_until_there_is_a_new_one)
{
    struct reservoir_truth t = still();
    t.pump[0].bottle_ml = 25;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    const double before = held(&r);
    reservoir_pump(&r, 0, 20, 0);
    ck_assert(reservoir_delivers(&r, 0));
    reservoir_pump(&r, 0, 20, 0);
    ck_assert(!reservoir_delivers(&r, 0) && reservoir_delivers(&r, 1));
    reservoir_pump(&r, 0, 20, 0);
    reservoir_advance(&r, 60, true);
    ck_assert_double_eq_tol(held(&r) - before, 25 * 2.5, 1e-9);
    reservoir_new_bottle(&r, 0);
    ck_assert(reservoir_delivers(&r, 0));
    reservoir_pump(&r, 0, 10, r.now_s);
    reservoir_advance(&r, 60, true);
    ck_assert_double_eq_tol(held(&r) - before, 35 * 2.5, 1e-9);
}
END_TEST

START_TEST(a_dose_into_the_past_is_a_bug)
{
    struct reservoir_truth t = still();
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    reservoir_advance(&r, 60, true);
    reservoir_pump(&r, 0, 1, 59);
}
END_TEST

/* --- sun and crop ----------------------------------------------------------------------------- */

START_TEST(the_wave_is_a_sine)
{
    for (double x = -3; x < 40; x += 0.00731) {
        ck_assert_double_eq_tol(reservoir_wave(x), sin(2 * M_PI * x), 1e-12);
    }
}
END_TEST

START_TEST(plants_drink_their_share_in_a_day_most_at_noon_and_next_to_nothing_at_midnight)
{
    struct reservoir_truth t = still();
    t.tank.drink_share_per_day = 0.05;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    const double before = held(&r);
    reservoir_advance(&r, 3600, true);
    ck_assert_double_eq_tol(200 - r.tank.volume_l, 10.0 / 24 * 0.1103, 0.0005);
    reservoir_advance(&r, 11 * 3600, true);
    const double noon_l = r.tank.volume_l;
    reservoir_advance(&r, 3600, true);
    ck_assert_double_eq_tol(noon_l - r.tank.volume_l, 10.0 / 24 * 1.8897, 0.0005);
    reservoir_advance(&r, 11 * 3600, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 190, 200 * 1e-6);
    ck_assert_double_eq_tol(held(&r) / before, 1.0, 1e-9);
    reservoir_init(&r, &t, 1);
    reservoir_advance(&r, 5.5 * 3600, true);
    const double dawn_l = r.tank.volume_l;
    reservoir_advance(&r, 3600, true); /* as much as on average: rising evenly about six */
    ck_assert_double_eq_tol(dawn_l - r.tank.volume_l, 10.0 / 24, 1e-4);
    t.starts_s = day_s / 2;
    reservoir_init(&r, &t, 1);
    reservoir_advance(&r, 3600, true);
    ck_assert_double_eq_tol(200 - r.tank.volume_l, 10.0 / 24 * 1.8897, 0.0005);
}
END_TEST

/* What a float valve lets in, doses bring and plants take adds up over a month. */
START_TEST(salt_is_conserved_with_doses_uptake_and_a_float_valve)
{
    struct reservoir_truth t = still();
    t.tank.co2_per_hour = 0.3;
    t.tank.drink_share_per_day = 0.05;
    t.tank.uptake_meq_per_l = 20;
    t.tank.alkali_meq_l_day = 0.06;
    t.tank.float_valve = true;
    t.pump[0].repeat = 0.02;
    struct reservoir r;
    reservoir_init(&r, &t, 4);
    const double source = t.tank.source.cations;
    double before = held(&r);
    for (int day = 0; day < 28; day++) {
        for (int i = 0; i < 24; i++) {
            reservoir_pump(&r, RESERVOIR_FEED, 4.0, r.now_s + 600);
            reservoir_advance(&r, 3600, true);
            ck_assert_double_eq_tol(r.tank.volume_l, 200, 1e-9);
        }
    }
    const double drunk_l = 28 * 10.0;
    const double right = before + r.given_ml[0] * 2.5 + drunk_l * source - drunk_l * 20;
    ck_assert_double_eq_tol(held(&r) / right, 1.0, 1e-6);
}
END_TEST

START_TEST(nitrate_excess_raises_alkalinity_by_its_rate)
{
    static const double rate[] = { 0.1, -0.05 };
    for (int i = 0; i < 2; i++) {
        struct reservoir_truth t = still();
        t.tank.drink_share_per_day = 0.001;
        t.tank.alkali_meq_l_day = rate[i];
        struct reservoir r;
        reservoir_init(&r, &t, 1);
        const double before = reservoir_alkalinity(&r) * 200;
        pass_minutes(&r, 1440);
        const double after = reservoir_alkalinity(&r) * r.tank.volume_l;
        ck_assert_double_eq_tol((after - before) / 200, rate[i], 1e-3 * fabs(rate[i]));
    }
}
END_TEST

START_TEST(the_water_is_warmest_at_three_in_the_afternoon)
{
    struct reservoir_truth t = still();
    t.degc_swing = 2;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    double most = 0, least = 100, most_s = 0;
    for (int i = 0; i < 1440; i++) {
        reservoir_advance(&r, 60, true);
        const double degc = reservoir_degc(&r);
        ck_assert_double_eq_tol(r.tank.config.degc, degc, 0.06);
        if (degc > most) most_s = r.now_s;
        most = fmax(most, degc);
        least = fmin(least, degc);
    }
    ck_assert_double_eq_tol(most, 24, 1e-4);
    ck_assert_double_eq_tol(least, 20, 1e-4);
    ck_assert_double_eq_tol(most_s / 3600, 15, 0.05);
}
END_TEST

/* --- water ------------------------------------------------------------------------------------ */

START_TEST(a_changed_share_dilutes_as_it_should_within_ten_minutes)
{
    struct reservoir_truth t = still();
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    reservoir_pump(&r, 0, 800, 0);
    pass_minutes(&r, 2 * 1440);
    const double before = plant_mixed(&r.tank).cations, source = t.tank.source.cations;
    reservoir_change_water(&r, 0.3);
    ck_assert_double_eq_tol(r.tank.volume_l, 140, 1e-9);
    reservoir_advance(&r, 300, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 170, 1e-6);
    reservoir_advance(&r, 301, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 200, 1e-9);
    ck_assert_double_eq_tol(plant_mixed(&r.tank).cations, 0.7 * before + 0.3 * source, 1e-9);
    pass_minutes(&r, 60);
    ck_assert_double_eq_tol(r.tank.volume_l, 200, 1e-9);
}
END_TEST

START_TEST(a_change_of_water_comes_when_it_was_drawn_also_with_a_float_valve)
{
    struct reservoir_truth t = still();
    t.tank.float_valve = true;
    t.change.at_s = 5000.5;
    t.change.share = 0.25;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    reservoir_pump(&r, 0, 800, 0);
    reservoir_advance(&r, 5000.5, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 200, 1e-9);
    const double before = held(&r) / 200, source = t.tank.source.cations;
    reservoir_advance(&r, 60, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 155, 1e-6);
    reservoir_advance(&r, 541, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 200, 1e-9);
    ck_assert_double_eq_tol(held(&r) / 200, 0.75 * before + 0.25 * source, 1e-9);
    reservoir_advance(&r, 80000, true);
    ck_assert_double_eq_tol(held(&r) / 200, 0.75 * before + 0.25 * source, 1e-9);
    reservoir_init(&r, &t, 1); /* to the second also within one long step */
    reservoir_advance(&r, 5060.5, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 155, 1e-6);
}
END_TEST

START_TEST(a_float_valve_works_again_after_a_change_of_water)
{
    struct reservoir_truth t = still();
    t.tank.drink_share_per_day = 0.05;
    t.tank.float_valve = true;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    reservoir_change_water(&r, 0.2);
    reservoir_advance(&r, 400, true);
    ck_assert_double_lt(r.tank.volume_l, 190);
    reservoir_advance(&r, 80000, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 200, 1e-9);
}
END_TEST

START_TEST(hands_refill_after_their_days)
{
    struct reservoir_truth t = still();
    t.tank.drink_share_per_day = 0.04;
    t.refill_days = 3;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    reservoir_advance(&r, day_s, true);
    reservoir_advance(&r, day_s, true);
    reservoir_advance(&r, day_s, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 176, 1e-3);
    reservoir_advance(&r, 300, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 188, 0.1);
    reservoir_advance(&r, 360, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 200, 0.01);
    reservoir_advance(&r, day_s, true);
    ck_assert_double_eq_tol(r.tank.volume_l, 192, 0.05);
    ck_assert_double_eq_tol(held(&r), 224 * t.tank.source.cations, 0.1);
    for (int i = 0; i < 2; i++) { /* the next time, too */
        reservoir_advance(&r, day_s, true);
    }
    ck_assert_double_eq_tol(r.tank.volume_l, 200, 0.1);
}
END_TEST

START_TEST(hands_refill_when_a_quarter_is_gone)
{
    struct reservoir_truth t = still();
    t.tank.drink_share_per_day = 0.1;
    t.refill_days = 7;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    double least_l = 200;
    for (int i = 0; i < 6 * 1440; i++) {
        reservoir_advance(&r, 60, true);
        least_l = fmin(least_l, r.tank.volume_l);
    }
    ck_assert_double_eq_tol(least_l, 150, 0.05);
    ck_assert(r.tank.volume_l > 150);
}
END_TEST

/* --- time ------------------------------------------------------------------------------------- */

/* However the time is cut, the water is nearly the same: 0.002 pH, 1 uS/cm. */
START_TEST(longer_steps_are_as_good_as_short_ones)
{
    for (uint64_t seed = 1; seed <= 6; seed++) {
        struct reservoir_truth t;
        reservoir_draw(&t, seed, true);
        static struct reservoir fine, coarse;
        reservoir_init(&fine, &t, seed);
        reservoir_init(&coarse, &t, seed);
        for (int hour = 0; hour < 7 * 24; hour++) {
            const double feed_ml = reservoir_ec(&fine) < 1800 ? 0.4 * t.tank.volume_l : 0.0;
            const double acid_ml = reservoir_ph(&fine) > 6.0 ? 0.05 * t.tank.volume_l : 0.0;
            reservoir_pump(&fine, RESERVOIR_FEED, feed_ml, fine.now_s);
            reservoir_pump(&coarse, RESERVOIR_FEED, feed_ml, coarse.now_s);
            reservoir_pump(&fine, RESERVOIR_ACID, acid_ml, fine.now_s);
            reservoir_pump(&coarse, RESERVOIR_ACID, acid_ml, coarse.now_s);
            for (int i = 0; i < 360; i++) {
                reservoir_advance(&fine, 10, true);
            }
            reservoir_advance(&coarse, 3600, true);
            const struct plant_sight a = reservoir_mixed(&fine), b = reservoir_mixed(&coarse);
            ck_assert_double_eq_tol(a.ph, b.ph, 0.002);
            ck_assert_double_eq_tol(a.ec_us_cm, b.ec_us_cm, 1.0);
        }
    }
}
END_TEST

START_TEST(without_circulation_nothing_mixes)
{
    struct reservoir_truth t = still();
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    const double far_before = r.tank.far_water.cations;
    reservoir_pump(&r, 0, 50, 0);
    reservoir_advance(&r, 7200, false);
    ck_assert(r.tank.far_water.cations == far_before);
    reservoir_advance(&r, 7200, true);
    ck_assert(r.tank.far_water.cations > far_before + 0.3);
}
END_TEST

START_TEST(the_setpoint_steps_when_it_should)
{
    struct reservoir_truth t = still();
    t.target.step_s = 600;
    t.target.step_ec_us_cm = 2100;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    ck_assert(reservoir_set_ec(&r) == 1800);
    reservoir_advance(&r, 600, true);
    ck_assert(reservoir_set_ec(&r) == 2100);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("reservoir");
    tcase_set_timeout(tc, 120);
    tcase_add_test(tc, a_dose_arrives_after_its_run_and_its_tube_and_raises_the_tank_by_its_amount);
    tcase_add_test(tc, a_dose_mixes_from_the_moment_it_arrives);
    tcase_add_test(tc, doses_of_all_pumps_together_bring_what_they_hold);
    tcase_add_test(tc, a_pump_wears_evenly_and_repeats_within_its_deviation);
    tcase_add_test(tc, a_bottle_gives_its_last_drop_and_no_more_until_there_is_a_new_one);
    tcase_add_test_raise_signal(tc, a_dose_into_the_past_is_a_bug, SIGABRT);
    tcase_add_test(tc, the_wave_is_a_sine);
    tcase_add_test(
        tc, plants_drink_their_share_in_a_day_most_at_noon_and_next_to_nothing_at_midnight);
    tcase_add_test(tc, salt_is_conserved_with_doses_uptake_and_a_float_valve);
    tcase_add_test(tc, nitrate_excess_raises_alkalinity_by_its_rate);
    tcase_add_test(tc, the_water_is_warmest_at_three_in_the_afternoon);
    tcase_add_test(tc, a_changed_share_dilutes_as_it_should_within_ten_minutes);
    tcase_add_test(tc, a_change_of_water_comes_when_it_was_drawn_also_with_a_float_valve);
    tcase_add_test(tc, a_float_valve_works_again_after_a_change_of_water);
    tcase_add_test(tc, hands_refill_after_their_days);
    tcase_add_test(tc, hands_refill_when_a_quarter_is_gone);
    tcase_add_test(tc, longer_steps_are_as_good_as_short_ones);
    tcase_add_test(tc, without_circulation_nothing_mixes);
    tcase_add_test(tc, the_setpoint_steps_when_it_should);
    return run_case(tc, "reservoir");
}
