/* Drawn worlds: ranges, how often what happens, faults that do what they say, and the same bits for
 * the same seed. */
#include <math.h>
#include <string.h>

#include "lib/plant/reservoir.h"
#include "lib/plant/water.h"
#include "tests/unit/support.h"

enum { WORLDS = 2000 };

static const double day_s = 86400.0;

static void is_within(double x, double least, double most)
{
    ck_assert_double_ge(x, least - 1e-12);
    ck_assert_double_le(x, most + 1e-12);
}

/* A share of WORLDS, within five deviations. */
static void is_share(int count, double of, double share)
{
    const double deviation = sqrt(share * (1 - share) / of);
    ck_assert_double_eq_tol(count / of, share, 5 * deviation);
}

START_TEST(every_tank_is_within_its_ranges)
{
    for (uint64_t seed = 0; seed < WORLDS; seed++) {
        struct reservoir_truth t;
        reservoir_draw(&t, seed, true);
        is_within(t.tank.volume_l, 20, 1000);
        is_within(t.tank.near_share, 0.2, 0.5);
        is_within(t.tank.volume_l / t.tank.flow_l_min, 5, 60);
        is_within(t.tank.mixing_factor, 0.3, 1.0);
        is_within(t.tank.degc, 18, 26);
        is_within(t.degc_swing, 0.5, 2);
        is_within(t.tank.co2_per_hour, 0.02, 0.5);
        is_within(t.tank.co2_ppm, 400, 1200);
        is_within(t.tank.drink_share_per_day, 0.02, 0.06);
        is_within(t.tank.uptake_meq_per_l * t.tank.drink_share_per_day, 0.275, 1.65);
        is_within(t.tank.alkali_meq_l_day, -0.05, 0.1);
        is_within(t.refill_days, 2, 7);
        const struct plant_water *w = &t.tank.source;
        is_within(w->alkalinity, 0.5, 4);
        is_within(plant_water_ph(w, 25), 7.4999, 8.1001);
        ck_assert(w->cations >= 1.05 * w->alkalinity && w->cations <= 5.6 + 1e-9);
        is_within(t.tells.alkalinity_meq_l / w->alkalinity, 0.9, 1.1);
        is_within(t.tells.source_ec_us_cm / plant_water_ec_us_cm(w), 0.95, 1.05);
    }
}
END_TEST

START_TEST(every_stock_and_probe_is_within_its_ranges)
{
    for (uint64_t seed = 0; seed < WORLDS; seed++) {
        struct reservoir_truth t;
        reservoir_draw(&t, seed, true);
        const struct plant_dose *feed = &t.pump[RESERVOIR_FEED].per_ml;
        is_within(feed->cations_meq, 1.5, 3.5);
        is_within(feed->phosphate_mmol / feed->cations_meq, 0.055, 0.075);
        is_within(feed->ammonium_mmol / feed->cations_meq, 0, 0.03);
        is_within(feed->alkalinity_meq / feed->cations_meq, -0.02, 0);
        ck_assert_double_eq_tol(t.tells.feed_us_cm_per_ml_l, 85 * feed->cations_meq, 1e-9);
        const struct plant_dose *acid = &t.pump[RESERVOIR_ACID].per_ml;
        is_within(-acid->alkalinity_meq, 0.0, 1.6);
        is_within(-0.5 * acid->alkalinity_meq / t.tank.volume_l, 0, 0.02);
        ck_assert(acid->phosphate_mmol == 0 || acid->phosphate_mmol == -acid->alkalinity_meq);
        for (uint32_t i = 0; i < t.pump_count; i++) {
            is_within(t.pump[i].strength, 0.9, 1.1);
            is_within(t.pump[i].error, 0.9, 1.1);
            is_within(t.pump[i].wear, 0, 0.1);
            is_within(t.pump[i].delay_s, 5, 60);
            ck_assert(t.pump[i].repeat == 0.02 && t.pump[i].bottle_ml == 0);
        }
        is_within(t.ec_degc_off, -0.5, 0.5);
        is_within(t.ec_tempco_off, -0.002, 0.002);
        is_within(t.probe[RESERVOIR_EC].noise, 0.005, 0.01);
        is_within(t.probe[RESERVOIR_EC].drift_per_week, -0.01, 0.01);
        is_within(t.probe[RESERVOIR_PH].noise, 0.01, 0.03);
        is_within(fabs(t.probe[RESERVOIR_PH].drift_per_week), 0.02, 0.05);
        is_within(t.probe[RESERVOIR_PH].lag_s, 10, 60);
    }
}
END_TEST

START_TEST(what_happens_is_as_frequent_as_it_should_be)
{
    int valves = 0, near = 0, bases = 0, changes = 0, steps = 0, anew = 0, falling = 0;
    int outages = 0, acid_out = 0, stuck = 0, noisy = 0, asking = 0, stuck_ec = 0;
    for (uint64_t seed = 0; seed < WORLDS; seed++) {
        struct reservoir_truth t;
        reservoir_draw(&t, seed, true);
        valves += t.tank.float_valve;
        near += t.probes_near;
        bases += t.pump_count == 3;
        changes += t.change.share > 0;
        steps += t.target.step_s > 0;
        anew += t.probe[RESERVOIR_EC].recalibrated_s > 0;
        falling += t.tank.alkali_meq_l_day < 0;
        outages += t.outage.to_s > 0;
        acid_out += t.outage.to_s > 0 && t.outage.pump == RESERVOIR_ACID;
        stuck += t.stuck.to_s > 0;
        noisy += t.stuck.to_s > 0 && t.stuck.noisy;
        stuck_ec += t.stuck.to_s > 0 && t.stuck.channel == RESERVOIR_EC;
        asking += t.stuck.to_s > 0 && t.stuck.off != 0;
        if (t.change.share > 0) is_within(t.change.share, 0.15, 0.35);
        if (t.outage.to_s > 0)
            ck_assert_double_eq_tol(t.outage.to_s - t.outage.from_s, 129600, 1e-6);
        if (t.stuck.to_s > 0) ck_assert_double_eq_tol(t.stuck.to_s - t.stuck.from_s, 86400, 1e-6);
        ck_assert(
            t.stuck.off == 0 || t.stuck.off == (t.stuck.channel == RESERVOIR_EC ? -200.0 : 0.4));
        ck_assert(!(t.outage.to_s > 0 && t.stuck.to_s > 0));
    }
    is_share(valves, WORLDS, 0.5);
    is_share(near, WORLDS, 0.3);
    is_share(bases, WORLDS, 0.5);
    is_share(changes, WORLDS, 0.5);
    is_share(steps, WORLDS, 0.4);
    is_share(anew, WORLDS, 0.5);
    is_share(falling, WORLDS, 0.15);
    is_share(outages, WORLDS, 0.5);
    is_share(acid_out, outages, 0.5);
    is_share(stuck, WORLDS, 0.2);
    is_share(noisy, stuck, 0.5);
    is_share(asking, stuck, 0.5);
    is_share(stuck_ec, stuck, 0.5);
}
END_TEST

/* Each group of numbers has a chance of its own: a large tank says nothing about its water. */
START_TEST(groups_are_drawn_apart)
{
    double sum[3] = { 0, 0, 0 };
    for (uint64_t seed = 0; seed < WORLDS; seed++) {
        struct reservoir_truth t;
        reservoir_draw(&t, seed, true);
        const double tank = log(t.tank.volume_l / 20) / log(50.0) - 0.5;
        sum[0] += tank * ((t.tank.source.alkalinity - 0.5) / 3.5 - 0.5);
        sum[1] += tank * ((t.pump[RESERVOIR_FEED].per_ml.cations_meq - 1.5) / 2.0 - 0.5);
        sum[2] += tank * (t.change.at_s / day_s - 14) / 18;
    }
    for (int i = 0; i < 3; i++) { /* 1/12 if they were the same */
        ck_assert_double_le(fabs(sum[i] / WORLDS), 0.01);
    }
}
END_TEST

START_TEST(typical_values_are_in_the_middle_and_live_for_a_month)
{
    struct reservoir_truth t;
    reservoir_typical(&t);
    is_within(t.tank.drink_share_per_day, 0.03, 0.05);
    is_within(t.tank.uptake_meq_per_l, 15, 30);
    is_within(plant_water_ph(&t.tank.source, 25), 7.5, 8.1);
    ck_assert_double_eq_tol(plant_water_ec_us_cm(&t.tank.source), 400, 5);
    ck_assert(t.pump_count == 0 && t.change.share == 0 && t.outage.to_s == 0);
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    for (int day = 0; day < RESERVOIR_DAYS; day++) {
        reservoir_advance(&r, day_s, true);
        const struct plant_sight mixed = reservoir_mixed(&r);
        ck_assert(isfinite(mixed.ec_us_cm) && mixed.ph > 7 && mixed.ph < 9);
    }
}
END_TEST

/* --- the same bits ---------------------------------------------------------------------------- */

struct trail {
    struct reservoir_look look;
    struct plant_sight mixed;
    double volume_l;
};

static struct trail live(struct reservoir *r, uint64_t seed, bool faults, int hours)
{
    struct reservoir_truth t;
    reservoir_draw(&t, seed, faults);
    reservoir_init(r, &t, seed);
    struct trail last = { { 0, 0, 0 }, { 0, 0 }, 0 };
    for (int i = 0; i < hours * 60; i++) {
        if (i % 97 == 0) reservoir_pump(r, 0, 0.1 * t.tank.volume_l, r->now_s + 13);
        if (i % 131 == 0) reservoir_pump(r, 1, 0.01 * t.tank.volume_l, r->now_s + 5);
        reservoir_advance(r, 60, i % 500 > 20);
        last.look = reservoir_read(r);
    }
    last.mixed = reservoir_mixed(r);
    last.volume_l = reservoir_volume(r);
    return last;
}

static bool is_same(const struct trail *a, const struct trail *b)
{
    return a->look.ec_us_cm == b->look.ec_us_cm && a->look.ph == b->look.ph &&
           a->look.degc == b->look.degc && a->mixed.ec_us_cm == b->mixed.ec_us_cm &&
           a->mixed.ph == b->mixed.ph && a->volume_l == b->volume_l;
}

START_TEST(one_seed_is_one_world_bit_for_bit)
{
    static struct reservoir r;
    for (uint64_t seed = 1; seed <= 5; seed++) {
        const struct trail a = live(&r, seed, true, 240), b = live(&r, seed, true, 240);
        ck_assert(is_same(&a, &b));
        const struct trail other = live(&r, seed + 1, true, 240);
        ck_assert(!is_same(&a, &other));
    }
}
END_TEST

START_TEST(looking_at_the_truth_changes_nothing)
{
    static struct reservoir r[2];
    struct reservoir_truth t;
    reservoir_draw(&t, 9, true);
    for (int k = 0; k < 2; k++) {
        reservoir_init(&r[k], &t, 9);
        for (int i = 0; i < 3000; i++) {
            reservoir_advance(&r[k], 60, true);
            reservoir_read(&r[k]);
            if (k == 1) ck_assert(reservoir_ec(&r[k]) > 0 && reservoir_ph(&r[k]) > 0);
        }
    }
    const struct plant_sight a = reservoir_mixed(&r[0]), b = reservoir_mixed(&r[1]);
    ck_assert(a.ec_us_cm == b.ec_us_cm && a.ph == b.ph);
}
END_TEST

/* Until the fault begins. */
START_TEST(a_world_is_the_same_with_and_without_faults)
{
    static struct reservoir r;
    int with = 0;
    for (uint64_t seed = 1; seed <= 12; seed++) {
        const struct trail a = live(&r, seed, true, 70);
        with += r.truth.outage.to_s > 0 || r.truth.stuck.to_s > 0;
        const struct trail b = live(&r, seed, false, 70);
        ck_assert(r.truth.outage.to_s == 0 && r.truth.stuck.to_s == 0);
        ck_assert(is_same(&a, &b));
    }
    ck_assert_int_gt(with, 3);
}
END_TEST

/* --- faults ----------------------------------------------------------------------------------- */

static bool seed_with_outage(struct reservoir_truth *t, uint32_t pump)
{
    for (uint64_t seed = 0; seed < 100; seed++) {
        reservoir_draw(t, seed, true);
        if (t->outage.to_s > 0 && t->outage.pump == pump) return true;
    }
    return false;
}

START_TEST(a_dose_into_an_outage_has_no_effect_the_other_pump_works)
{
    for (uint32_t pump = 0; pump < 2; pump++) {
        struct reservoir_truth t;
        ck_assert(seed_with_outage(&t, pump));
        t.outage.from_s = 3600;
        t.outage.to_s = 3600 + 129600;
        struct reservoir r;
        reservoir_init(&r, &t, 1);
        reservoir_pump(&r, pump, 5, 3599); /* just in time */
        const double before = r.given_ml[pump];
        ck_assert_double_gt(before, 3);
        reservoir_advance(&r, 3600, true);
        ck_assert(!reservoir_delivers(&r, pump) && reservoir_delivers(&r, 1 - pump));
        reservoir_pump(&r, pump, 50, r.now_s);
        ck_assert(r.given_ml[pump] == before);
        reservoir_pump(&r, 1 - pump, 50, r.now_s);
        ck_assert_double_gt(r.given_ml[1 - pump], 30);
        reservoir_advance(&r, 86400, true);
        reservoir_advance(&r, 43200 - 1, true);
        ck_assert(!reservoir_delivers(&r, pump));
        reservoir_advance(&r, 1, true);
        ck_assert(reservoir_delivers(&r, pump));
        reservoir_pump(&r, pump, 50, r.now_s);
        ck_assert_double_gt(r.given_ml[pump], before + 30);
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("reservoir_world");
    tcase_set_timeout(tc, 120);
    tcase_add_test(tc, every_tank_is_within_its_ranges);
    tcase_add_test(tc, every_stock_and_probe_is_within_its_ranges);
    tcase_add_test(tc, what_happens_is_as_frequent_as_it_should_be);
    tcase_add_test(tc, groups_are_drawn_apart);
    tcase_add_test(tc, typical_values_are_in_the_middle_and_live_for_a_month);
    tcase_add_test(tc, one_seed_is_one_world_bit_for_bit);
    tcase_add_test(tc, looking_at_the_truth_changes_nothing);
    tcase_add_test(tc, a_world_is_the_same_with_and_without_faults);
    tcase_add_test(tc, a_dose_into_an_outage_has_no_effect_the_other_pump_works);
    return run_case(tc, "reservoir_world");
}
