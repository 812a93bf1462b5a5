/* What a reservoir's probes show: each of their errors by itself, and their faults. */
#include <math.h>

#include "lib/plant/reservoir.h"
#include "tests/unit/support.h"

enum { EC = RESERVOIR_EC, PH = RESERVOIR_PH };

static const double day_s = 86400.0, week_s = 604800.0;

/* Water that stays as it is, probes without a fault. */
static struct reservoir_truth still(void)
{
    struct reservoir_truth t;
    reservoir_typical(&t);
    t.tank.co2_per_hour = 0;
    t.tank.drink_share_per_day = 0;
    t.degc_swing = 0;
    t.probe[EC] = t.probe[PH] = (struct reservoir_probe_truth){ 0 };
    t.pump_count = 1;
    t.pump[0] = (struct reservoir_pump_truth){
        .per_ml = { .cations_meq = 2, .alkalinity_meq = -1 }, .strength = 1, .error = 1
    };
    return t;
}

static struct reservoir_look look_after(struct reservoir *r, double seconds)
{
    double left_s = seconds;
    while (left_s > 0.0) { /* a month is more than one call may take */
        const double step_s = left_s < day_s ? left_s : day_s;
        reservoir_advance(r, step_s, true);
        left_s -= step_s;
    }
    return reservoir_read(r);
}

START_TEST(perfect_probes_show_the_truth)
{
    struct reservoir_truth t = still();
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    const struct reservoir_look l = look_after(&r, 60);
    ck_assert_double_eq_tol(l.ec_us_cm, reservoir_ec(&r), 1e-9);
    ck_assert_double_eq_tol(l.ph, reservoir_ph(&r), 1e-6);
    ck_assert_double_eq_tol(l.degc, 22, 1e-9);
    ck_assert_double_eq_tol(reservoir_shown_ec(&r, 1234), 1234, 1e-9);
    ck_assert_double_eq_tol(reservoir_shown_ph(&r, 5.5), 5.5, 1e-12);
}
END_TEST

START_TEST(what_is_shown_is_rounded_to_the_display)
{
    struct reservoir_truth t = still();
    t.probe[EC] = (struct reservoir_probe_truth){ .noise = 0.01, .resolution = 10 };
    t.probe[PH] = (struct reservoir_probe_truth){ .noise = 0.03, .resolution = 0.01 };
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    for (int i = 0; i < 500; i++) {
        const struct reservoir_look l = look_after(&r, 60);
        ck_assert_double_eq_tol(l.ec_us_cm / 10, floor(l.ec_us_cm / 10 + 0.5), 1e-9);
        ck_assert_double_eq_tol(l.ph * 100, floor(l.ph * 100 + 0.5), 1e-9);
    }
}
END_TEST

START_TEST(drift_adds_up_until_the_probe_is_calibrated_again)
{
    struct reservoir_truth t = still();
    t.probe[EC].drift_per_week = -0.01;
    t.probe[PH].drift_per_week = 0.05;
    t.probe[EC].recalibrated_s = t.probe[PH].recalibrated_s = 14 * day_s;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    const double ec = reservoir_ec(&r), ph = reservoir_ph(&r);
    struct reservoir_look l = look_after(&r, 2 * week_s - 60);
    ck_assert_double_eq_tol(l.ec_us_cm / ec, 0.98, 1e-5);
    ck_assert_double_eq_tol(l.ph - ph, 0.10, 1e-4);
    l = look_after(&r, 60);
    ck_assert_double_eq_tol(l.ec_us_cm / ec, 1.0, 1e-9);
    ck_assert_double_eq_tol(l.ph - ph, 0.0, 1e-6);
    l = look_after(&r, week_s);
    ck_assert_double_eq_tol(l.ec_us_cm / ec, 0.99, 1e-5);
    ck_assert_double_eq_tol(l.ph - ph, 0.05, 1e-4);
    ck_assert_double_eq_tol(reservoir_shown_ec(&r, 1000), 990, 1e-6);
    ck_assert_double_eq_tol(reservoir_shown_ph(&r, 6), 6.05, 1e-6);
}
END_TEST

START_TEST(ec_errs_with_its_thermometer_and_its_compensation)
{
    struct reservoir_truth t = still();
    t.ec_degc_off = 0.4;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    const double ec = reservoir_ec(&r);
    struct reservoir_look l = look_after(&r, 60);
    ck_assert_double_eq_tol(l.ec_us_cm / ec, 1.008, 1e-9);
    ck_assert_double_eq_tol(l.degc, 22.4, 1e-9);
    t.ec_degc_off = 0;
    t.ec_tempco_off = 0.002;
    reservoir_init(&r, &t, 1);
    l = look_after(&r, 60);
    ck_assert_double_eq_tol(l.ec_us_cm / ec, 1 - 3 * 0.002, 1e-9);
}
END_TEST

struct moments {
    double mean, deviation, next; /* next: correlation with the following reading */
};

static struct moments moments_of(const double *x, int count)
{
    double sum = 0, squares = 0, products = 0;
    for (int i = 0; i < count; i++) {
        sum += x[i];
    }
    const double mean = sum / count;
    for (int i = 0; i < count; i++) {
        squares += (x[i] - mean) * (x[i] - mean);
        if (i > 0) products += (x[i] - mean) * (x[i - 1] - mean);
    }
    return (struct moments){ mean, sqrt(squares / count), products / squares };
}

/* 0.36 of the variance is remembered with 15 minutes: after one minute 0.36 e^(-1/15) = 0.337. */
START_TEST(noise_has_its_deviation_and_its_memory)
{
    enum { READINGS = 60000 };
    static double ec[READINGS], ph[READINGS];
    struct reservoir_truth t = still();
    t.probe[EC].noise = 0.008;
    t.probe[PH].noise = 0.02;
    struct reservoir r;
    reservoir_init(&r, &t, 5);
    const double ec_true = reservoir_ec(&r), ph_true = reservoir_ph(&r);
    for (int i = 0; i < READINGS; i++) {
        const struct reservoir_look l = look_after(&r, 60);
        ec[i] = l.ec_us_cm / ec_true - 1;
        ph[i] = l.ph - ph_true;
    }
    const struct moments e = moments_of(ec, READINGS), p = moments_of(ph, READINGS);
    ck_assert_double_eq_tol(e.mean, 0, 0.0003);
    ck_assert_double_eq_tol(e.deviation, 0.008, 0.0002);
    ck_assert_double_eq_tol(e.next, 0.337, 0.02);
    ck_assert_double_eq_tol(p.mean, 0, 0.0008);
    ck_assert_double_eq_tol(p.deviation, 0.02, 0.0005);
    ck_assert_double_eq_tol(p.next, 0.337, 0.02);
}
END_TEST

START_TEST(spikes_come_once_a_day_for_one_reading_either_way)
{
    struct reservoir_truth t = still();
    t.probe[EC].spikes_per_day = 1;
    t.probe[EC].spike = 0.4;
    t.probe[PH].spikes_per_day = 1;
    t.probe[PH].spike = 2;
    struct reservoir r;
    reservoir_init(&r, &t, 2);
    const double ec = reservoir_ec(&r), ph = reservoir_ph(&r);
    int up[2] = { 0, 0 }, down[2] = { 0, 0 };
    enum { DAYS = 200 };
    for (int i = 0; i < DAYS * 1440; i++) {
        const struct reservoir_look l = look_after(&r, 60);
        const double off[2] = { (l.ec_us_cm / ec - 1) / 0.4, (l.ph - ph) / 2 };
        for (int c = 0; c < 2; c++) {
            if (fabs(off[c]) < 1e-4) continue;
            ck_assert_double_eq_tol(fabs(off[c]), 1.0, 1e-4);
            if (off[c] > 0)
                up[c]++;
            else
                down[c]++;
        }
    }
    for (int c = 0; c < 2; c++) { /* 100 each, 4 deviations */
        ck_assert_int_ge(up[c], 60);
        ck_assert_int_le(up[c], 140);
        ck_assert_int_ge(down[c], 60);
        ck_assert_int_le(down[c], 140);
    }
}
END_TEST

START_TEST(a_ph_probe_lags)
{
    struct reservoir_truth t = still();
    t.tank.mixing_factor = 0; /* mixed at once */
    t.probe[PH].lag_s = 40;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    const double before = look_after(&r, 60).ph;
    reservoir_pump(&r, 0, 100, r.now_s);
    reservoir_advance(&r, 0, true);
    reservoir_advance(&r, 20, true);
    const double shown = reservoir_read(&r).ph, now = reservoir_ph(&r);
    ck_assert(now < before - 0.2);
    ck_assert_double_eq_tol((shown - now) / (before - now), exp(-0.5), 1e-3);
    ck_assert_double_eq_tol(look_after(&r, 400).ph, now, 1e-3);
}
END_TEST

START_TEST(probes_near_the_injection_see_more_than_the_tank_has_far_ones_less)
{
    for (int near = 0; near < 2; near++) {
        struct reservoir_truth t = still();
        t.probes_near = near == 1;
        struct reservoir r;
        reservoir_init(&r, &t, 1);
        reservoir_pump(&r, 0, 100, 0);
        const double shown = look_after(&r, 120).ec_us_cm, mixed = reservoir_ec(&r);
        ck_assert(near == 1 ? shown > mixed + 20 : shown < mixed - 20);
        const double later = look_after(&r, 12 * 3600).ec_us_cm;
        ck_assert_double_eq_tol(later, mixed, 1.0);
    }
}
END_TEST

/* --- faults ----------------------------------------------------------------------------------- */

START_TEST(a_stuck_probe_shows_one_value_to_its_last_digit_the_other_goes_on)
{
    struct reservoir_truth t = still();
    t.probe[EC] = (struct reservoir_probe_truth){ .noise = 0.01, .resolution = 1 };
    t.probe[PH] = (struct reservoir_probe_truth){ .noise = 0.02, .resolution = 0.01 };
    t.stuck.channel = RESERVOIR_EC;
    t.stuck.from_s = 3600;
    t.stuck.to_s = 3600 + day_s;
    t.stuck.off = -200;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    reservoir_pump(&r, 0, 1500, 0);
    look_after(&r, 3540);
    const double first = look_after(&r, 60).ec_us_cm;
    ck_assert_double_eq_tol(first, reservoir_ec(&r) - 200, 40);
    int moved = 0;
    double ph = 0;
    for (int i = 1; i < 1440; i++) {
        const struct reservoir_look l = look_after(&r, 60);
        ck_assert(l.ec_us_cm == first);
        if (l.ph != ph) moved++;
        ph = l.ph;
    }
    ck_assert_int_gt(moved, 1000);
    ck_assert_double_eq_tol(look_after(&r, 60).ec_us_cm, reservoir_ec(&r), 100);
}
END_TEST

START_TEST(a_dead_probe_shows_its_mean_with_noise_on_top)
{
    enum { READINGS = 1439 };
    static double ph[READINGS];
    struct reservoir_truth t = still();
    t.probe[PH].noise = 0.02;
    t.stuck.channel = RESERVOIR_PH;
    t.stuck.from_s = 60;
    t.stuck.to_s = 60 + day_s;
    t.stuck.noisy = true;
    t.stuck.off = 0.4;
    struct reservoir r;
    reservoir_init(&r, &t, 1);
    const double before = reservoir_ph(&r);
    reservoir_read(&r);
    look_after(&r, 60);
    reservoir_pump(&r, 0, 300, r.now_s);
    for (int i = 0; i < READINGS; i++) {
        ph[i] = look_after(&r, 60).ph;
    }
    const struct moments m = moments_of(ph, READINGS);
    ck_assert(reservoir_ph(&r) < before - 0.5);
    ck_assert_double_eq_tol(m.mean, before + 0.4, 0.01);
    ck_assert_double_eq_tol(m.deviation, 0.02, 0.002);
    ck_assert_double_eq_tol(look_after(&r, 60).ph, reservoir_ph(&r), 0.1);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("reservoir_probe");
    tcase_set_timeout(tc, 120);
    tcase_add_test(tc, perfect_probes_show_the_truth);
    tcase_add_test(tc, what_is_shown_is_rounded_to_the_display);
    tcase_add_test(tc, drift_adds_up_until_the_probe_is_calibrated_again);
    tcase_add_test(tc, ec_errs_with_its_thermometer_and_its_compensation);
    tcase_add_test(tc, noise_has_its_deviation_and_its_memory);
    tcase_add_test(tc, spikes_come_once_a_day_for_one_reading_either_way);
    tcase_add_test(tc, a_ph_probe_lags);
    tcase_add_test(tc, probes_near_the_injection_see_more_than_the_tank_has_far_ones_less);
    tcase_add_test(tc, a_stuck_probe_shows_one_value_to_its_last_digit_the_other_goes_on);
    tcase_add_test(tc, a_dead_probe_shows_its_mean_with_noise_on_top);
    return run_case(tc, "reservoir_probe");
}
