/* The operators of the simulated tank against what they must do exactly. Each tolerance is far
 * above the error that a right model has, and far below what a wrong one would show. */
#include "lib/plant/tank.h"

#include <math.h>
#include <signal.h>

#include "lib/plant/water.h"
#include "tests/unit/support.h"

static const struct plant_tank_config calm = { .volume_l = 100,
    .near_share = 0.3,
    .flow_l_min = 5,
    .mixing_factor = 0.6,
    .degc = 25,
    .co2_ppm = 400,
    .source = { .cations = 4, .alkalinity = 2, .carbon = 2.1, .phosphate = 0.5, .ammonium = 0.2 } };

static const double seconds_a_day = 86400.0;

static double held(const struct plant_tank *t)
{
    const double share = t->config.near_share;
    return t->volume_l * (share * t->near_water.cations + (1 - share) * t->far_water.cations);
}

START_TEST(a_dose_raises_the_mean_by_its_amount_over_the_volume)
{
    struct plant_tank t;
    plant_tank_init(&t, &calm);
    const struct plant_dose dose = { 2.0, -0.8, 0.3, 0.1, 0.05 };
    plant_tank_dose(&t, &dose, 35.0);
    ck_assert_double_eq_tol(t.near_water.cations, 4 + 2.0 * 35 / 30.0, 1e-12);
    ck_assert(t.far_water.cations == 4);
    for (int i = 0; i < 1000; i++) {
        plant_tank_step(&t, 60, true, 0);
    }
    ck_assert_double_eq_tol(t.far_water.cations, 4 + 2.0 * 35 / 100.0, 1e-6);
    ck_assert_double_eq_tol(t.near_water.alkalinity, 2 - 0.8 * 35 / 100.0, 1e-6);
    ck_assert_double_eq_tol(t.near_water.carbon, 2.1 + 0.3 * 35 / 100.0, 1e-6);
    ck_assert_double_eq_tol(t.far_water.phosphate, 0.5 + 0.1 * 35 / 100.0, 1e-6);
    ck_assert_double_eq_tol(t.far_water.ammonium, 0.2 + 0.05 * 35 / 100.0, 1e-6);
    ck_assert_double_eq_tol(held(&t), 400 + 70, 1e-6);
}
END_TEST

START_TEST(zones_mix_with_their_time_constant_and_only_while_water_moves)
{
    struct plant_tank t;
    plant_tank_init(&t, &calm);
    plant_tank_dose(&t, &(struct plant_dose){ .cations_meq = 1 }, 30);
    const double before = t.near_water.cations - t.far_water.cations;
    for (int i = 0; i < 100; i++) {
        plant_tank_step(&t, 20, false, 0);
    }
    ck_assert(t.near_water.cations - t.far_water.cations == before);
    const double tau_s = 100.0 / 5.0 * 60.0 * 0.6;
    for (int i = 1; i <= 90; i++) {
        plant_tank_step(&t, 20, true, 0);
        const double right = before * exp(-20.0 * i / tau_s);
        ck_assert_double_eq_tol(t.near_water.cations - t.far_water.cations, right, 1e-9);
    }
    ck_assert_double_eq_tol(held(&t), 430, 1e-9);
}
END_TEST

START_TEST(a_water_change_dilutes_by_its_share)
{
    struct plant_tank t;
    plant_tank_init(&t, &calm);
    t.near_water.cations = 20;
    t.far_water.cations = 18;
    t.far_water.ammonium = 3;
    plant_tank_change_water(&t, 0.35);
    ck_assert_double_eq_tol(t.near_water.cations, 0.65 * 20 + 0.35 * 4, 1e-9);
    ck_assert_double_eq_tol(t.far_water.cations, 0.65 * 18 + 0.35 * 4, 1e-9);
    ck_assert_double_eq_tol(t.far_water.ammonium, 0.65 * 3 + 0.35 * 0.2, 1e-9);
    ck_assert(t.volume_l == 100);
    plant_tank_change_water(&t, 1.0);
    ck_assert_double_eq_tol(t.near_water.cations, 4, 1e-12);
}
END_TEST

START_TEST(source_water_adds_what_it_holds)
{
    struct plant_tank t;
    plant_tank_init(&t, &calm);
    t.near_water.cations = t.far_water.cations = 20;
    plant_tank_add_source(&t, 25);
    ck_assert_double_eq_tol(t.volume_l, 125, 1e-12);
    ck_assert_double_eq_tol(t.near_water.cations, (20 * 100 + 4 * 25) / 125.0, 1e-9);
    plant_tank_add_source(&t, 0);
    ck_assert_double_eq_tol(t.volume_l, 125, 1e-12);
}
END_TEST

/* Dilution in small steps is the washout of a stirred tank: c = c_src + (c0 - c_src) e^(-Q t / V).
 */
START_TEST(small_changes_add_up_to_a_washout)
{
    struct plant_tank t;
    plant_tank_init(&t, &calm);
    t.near_water.cations = t.far_water.cations = 20;
    const double q_l_s = 5.0 / 60.0, step_s = 0.01;
    const int steps = 3 * 3600 * 100;
    const double share = 1 - exp(-q_l_s * step_s / 100.0);
    for (int i = 0; i < steps; i++) {
        plant_tank_change_water(&t, share);
    }
    const double right = 4 + 16 * exp(-q_l_s * 3 * 3600 / 100.0);
    ck_assert_double_eq_tol(t.near_water.cations, right, 1e-9);
}
END_TEST

START_TEST(plants_drink_water_and_leave_the_salts)
{
    struct plant_tank_config config = calm;
    config.drink_share_per_day = 0.05;
    struct plant_tank t;
    plant_tank_init(&t, &config);
    for (int i = 0; i < 4320; i++) {
        plant_tank_step(&t, 20, false, 1.0);
    }
    ck_assert_double_eq_tol(t.volume_l, 95, 1e-4);
    ck_assert_double_eq_tol(held(&t), 400, 400 * 1e-9);
    struct plant_tank dark;
    plant_tank_init(&dark, &config);
    plant_tank_step(&dark, 60, false, 0.0);
    ck_assert(dark.volume_l == 100);
    plant_tank_step(&dark, 60, false, 0.5);
    ck_assert_double_eq_tol(dark.volume_l, 100 - 0.5 * 5.0 * 60 / seconds_a_day, 1e-9);
}
END_TEST

START_TEST(plants_take_cations_with_the_water_ammonium_first)
{
    struct plant_tank_config config = calm;
    config.drink_share_per_day = 0.05;
    config.uptake_meq_per_l = 20;
    config.source.ammonium = 50; /* far more than they take */
    struct plant_tank t;
    plant_tank_init(&t, &config);
    for (int i = 0; i < 4320; i++) {
        plant_tank_step(&t, 20, false, 1.0);
    }
    /* 5 L with 20 meq each; 0.06 mmol of phosphate and 0.08 mmol of ammonium go with a meq */
    ck_assert_double_eq_tol(held(&t), 400 - 100, 1e-6);
    ck_assert_double_eq_tol(t.far_water.phosphate * t.volume_l, 50 - 6, 1e-6);
    ck_assert_double_eq_tol(t.far_water.ammonium * t.volume_l, 5000 - 8, 1e-6);
    ck_assert_double_eq_tol(t.far_water.alkalinity * t.volume_l, 200 - 8, 1e-6);
}
END_TEST

START_TEST(nothing_goes_below_zero_and_a_tank_never_runs_dry)
{
    struct plant_tank_config config = calm;
    config.drink_share_per_day = 0.2;
    config.uptake_meq_per_l = 500;
    struct plant_tank t;
    plant_tank_init(&t, &config);
    for (int i = 0; i < 20 * 1440; i++) {
        plant_tank_step(&t, 60, true, 1.0);
    }
    ck_assert_double_eq_tol(t.volume_l, 5, 1e-6);
    ck_assert(t.near_water.cations >= 0 && t.far_water.cations >= 0);
    ck_assert(t.near_water.phosphate >= 0 && t.far_water.ammonium >= 0);
    const double ph = plant_ph(&t, false);
    ck_assert(isfinite(ph) && isfinite(plant_ec_us_cm(&t, true)));
}
END_TEST

START_TEST(a_float_valve_restores_the_volume)
{
    struct plant_tank_config config = calm;
    config.drink_share_per_day = 0.06;
    config.float_valve = true;
    struct plant_tank t;
    plant_tank_init(&t, &config);
    for (int i = 0; i < 1440; i++) {
        plant_tank_step(&t, 60, true, 1.0);
        ck_assert_double_eq_tol(t.volume_l, 100, 1e-9);
    }
    /* 6 L a day of source water left all that they brought */
    ck_assert_double_eq_tol(held(&t), 400 + 6 * 4, 1e-6);
}
END_TEST

START_TEST(a_dose_is_seen_near_before_it_is_seen_far)
{
    struct plant_tank t;
    plant_tank_init(&t, &calm);
    const double ec = plant_ec_us_cm(&t, false), ph = plant_ph(&t, false);
    ck_assert_double_eq_tol(plant_ec_us_cm(&t, true), ec, 1e-6);
    plant_tank_dose(&t, &(struct plant_dose){ 2.0, -0.5, 0, 0.1, 0 }, 20);
    ck_assert(plant_ec_us_cm(&t, true) > ec + 50);
    ck_assert(plant_ph(&t, true) < ph - 0.05);
    ck_assert_double_eq_tol(plant_ec_us_cm(&t, false), ec, 1e-6);
    ck_assert_double_eq_tol(plant_ph(&t, false), ph, 1e-9);
}
END_TEST

START_TEST(source_water_has_the_ec_and_the_alkalinity_that_were_asked_for)
{
    static const double alkalinity[] = { 0.0, 0.5, 1.5, 2.1, 4.0 };
    for (size_t i = 0; i < sizeof alkalinity / sizeof alkalinity[0]; i++) {
        const struct plant_water w = plant_source(350, alkalinity[i], 20, 420);
        ck_assert(w.alkalinity == alkalinity[i]);
        const struct water_constants k = water_constants_at(20, w.cations);
        const double ph = plant_water_ph(&w, 20);
        ck_assert_double_eq_tol(water_rough_ec_us_cm(&w, &k, ph), 350, 0.01);
        const double co2 = w.carbon * water_co2_share(&k, ph);
        ck_assert_double_eq_tol(co2 / water_co2_balance(20, 420), 1.0, 1e-6);
        ck_assert(ph > 5.5 && ph < 9.0);
    }
}
END_TEST

/* Left alone for ten days, water of 1 meq/L comes to the pH of the open system. */
START_TEST(carbon_comes_into_balance_with_the_air)
{
    static const double start[] = { 0.9, 1.5, 3.0 };
    for (size_t i = 0; i < sizeof start / sizeof start[0]; i++) {
        struct plant_tank_config config = calm;
        config.co2_per_hour = 0.3;
        config.source = (struct plant_water){ .alkalinity = 1.0, .carbon = start[i] };
        struct plant_tank t;
        plant_tank_init(&t, &config);
        for (int m = 0; m < 10 * 1440; m++) {
            plant_tank_step(&t, 60, true, 0);
        }
        const struct water_constants k = water_constants_at(25, 0);
        const double co2_mol = water_co2_balance(25, 400) / 1000.0;
        const double right = -log10(k.k1 * co2_mol / 0.001);
        ck_assert_double_eq_tol(plant_ph(&t, false), right, 5e-2);
    }
}
END_TEST

START_TEST(the_same_steps_give_the_same_bits)
{
    struct plant_tank t[2];
    for (int n = 0; n < 2; n++) {
        struct plant_tank_config config = calm;
        config.co2_per_hour = 0.2;
        config.drink_share_per_day = 0.04;
        config.uptake_meq_per_l = 15;
        plant_tank_init(&t[n], &config);
        for (int i = 0; i < 500; i++) {
            if (i % 50 == 0) plant_tank_dose(&t[n], &(struct plant_dose){ 2, -0.4, 0, 0.1, 0 }, 5);
            plant_tank_step(&t[n], 20, i % 3 != 0, 0.7);
            /* looking changes nothing */
            if (n == 1) ck_assert(plant_ph(&t[n], true) > 0 && plant_ec_us_cm(&t[n], false) > 0);
        }
    }
    ck_assert_mem_eq(&t[0].near_water, &t[1].near_water, sizeof t[0].near_water);
    ck_assert_mem_eq(&t[0].far_water, &t[1].far_water, sizeof t[0].far_water);
    ck_assert(plant_ph(&t[0], false) == plant_ph(&t[1], false));
}
END_TEST

START_TEST(a_step_of_more_than_a_minute_is_a_bug)
{
    struct plant_tank t;
    plant_tank_init(&t, &calm);
    plant_tank_step(&t, 60.5, true, 0);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("tank");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, a_dose_raises_the_mean_by_its_amount_over_the_volume);
    tcase_add_test(tc, zones_mix_with_their_time_constant_and_only_while_water_moves);
    tcase_add_test(tc, a_water_change_dilutes_by_its_share);
    tcase_add_test(tc, source_water_adds_what_it_holds);
    tcase_add_test(tc, small_changes_add_up_to_a_washout);
    tcase_add_test(tc, plants_drink_water_and_leave_the_salts);
    tcase_add_test(tc, plants_take_cations_with_the_water_ammonium_first);
    tcase_add_test(tc, nothing_goes_below_zero_and_a_tank_never_runs_dry);
    tcase_add_test(tc, a_float_valve_restores_the_volume);
    tcase_add_test(tc, a_dose_is_seen_near_before_it_is_seen_far);
    tcase_add_test(tc, source_water_has_the_ec_and_the_alkalinity_that_were_asked_for);
    tcase_add_test(tc, carbon_comes_into_balance_with_the_air);
    tcase_add_test(tc, the_same_steps_give_the_same_bits);
    tcase_add_test_raise_signal(tc, a_step_of_more_than_a_minute_is_a_bug, SIGABRT);
    return run_case(tc, "tank");
}
