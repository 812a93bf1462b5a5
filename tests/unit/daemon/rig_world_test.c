/* The rig as a judge: what its ledger says must be what was moved, whatever is done to it. */
#include <math.h>

#include "tests/unit/daemon/rig_fixture.h"

#define RIG (&fixture_rig)
#define CHAIN (&fixture_rig.chain[0])
#define PUMP(tank_, stock_) (&fixture_rig.tank[tank_].pump[stock_])

static double ec(uint32_t tank)
{
    return plant_ec_us_cm(&RIG->tank[tank].water.tank, false);
}

START_TEST(a_dose_is_its_time_times_its_rate_to_the_microlitre)
{
    fixture_command("c1", 1, 0, 60000);
    fixture_command("d1", 1, 1, 1234);
    fixture_command("d2", 1, 3, 777);
    fixture_wait(2000);
    ck_assert_int_eq(fixture_count("\"id\":\"d1\"", "\"event\":\"start\""), 1);
    ck_assert_int_eq(fixture_count("\"id\":\"d1\"",
                         "\"by\":\"command\",\"id\":\"d1\",\"event\":\"end\",\"ran_ms\":1234,"
                         "\"ul\":1234,\"arrived\":true,\"arrived_ul\":1234,\"stock\":\"leaf-a\","
                         "\"tank\":\"basil-bench\"}"),
        1);
    ck_assert_int_eq(fixture_count("\"id\":\"d2\"", "\"ran_ms\":777,\"ul\":389,"), 1);
    ck_assert_double_eq_tol(PUMP(0, LEAF_A)->arrived_ul, 1234, 1e-9);
    ck_assert_double_eq_tol(PUMP(0, ACID)->moved_ul, 388.5, 1e-9);
    ck_assert_int_eq(PUMP(0, LEAF_A)->command_ms, 1234);
    ck_assert_uint_eq(PUMP(0, LEAF_A)->starts, 1);
    ck_assert(PUMP(1, LEAF_A)->moved_ul == 0);
}
END_TEST

START_TEST(what_arrives_raises_the_tanks_ec_by_its_strength)
{
    const double before = ec(0), other = ec(1);
    const double cations = RIG->tank[0].water.tank.far_water.cations;
    fixture_command("c1", 1, 0, 600000);
    fixture_command("d1", 1, 1, 6000);
    fixture_wait(120000);
    ck_assert_double_eq_tol(
        RIG->tank[0].water.tank.far_water.cations, cations + 6.0 * 2.0 / 6.0, 0.01);
    ck_assert(ec(0) > before + 150);
    ck_assert_double_eq_tol(ec(1), other, 0.5);
}
END_TEST

START_TEST(without_circulation_stock_stays_in_the_line)
{
    const double before = ec(0);
    fixture_command("d1", 1, 1, 3000);
    fixture_wait(60000);
    ck_assert_double_eq_tol(ec(0), before, 0.5);
    ck_assert_uint_gt(PUMP(0, LEAF_A)->parcel_count, 0);
    fixture_command("c1", 1, 0, 60000);
    fixture_wait(60000);
    ck_assert(ec(0) > before + 70);
    ck_assert_uint_eq(PUMP(0, LEAF_A)->parcel_count, 0);
}
END_TEST

START_TEST(an_empty_bottle_gives_nothing_and_a_new_one_is_full)
{
    fixture_words("empty:leaf-a");
    fixture_command("d1", 1, 1, 500);
    fixture_wait(1000);
    ck_assert_int_eq(
        fixture_count("\"id\":\"d1\"", "\"ul\":500,\"arrived\":false,\"arrived_ul\":0,"), 1);
    fixture_words("-empty:leaf-a");
    fixture_command("d2", 1, 1, 500);
    fixture_wait(1000);
    ck_assert_int_eq(fixture_count("\"id\":\"d2\"", "\"arrived\":true,\"arrived_ul\":500,"), 1);
}
END_TEST

START_TEST(a_bottle_runs_out_in_the_middle_of_a_dose)
{
    RIG->bottle[LEAF_A].left_ul = 300;
    fixture_command("d1", 1, 1, 500);
    fixture_wait(1000);
    ck_assert_int_eq(
        fixture_count("\"id\":\"d1\"", "\"ul\":500,\"arrived\":false,\"arrived_ul\":300,"), 1);
    ck_assert(RIG->bottle[LEAF_A].left_ul == 0);
}
END_TEST

START_TEST(a_fault_in_the_middle_of_a_dose_counts_from_its_moment)
{
    fixture_command("d1", 1, 1, 1000);
    fixture_wait(400);
    fixture_words("slow:west/1.1=0.5");
    fixture_wait(200);
    fixture_words("-slow:west/1.1 empty:leaf-a");
    fixture_wait(1000);
    ck_assert_int_eq(fixture_count("\"id\":\"d1\"", "\"ran_ms\":1000,\"ul\":900,\"arrived\":false,"
                                                    "\"arrived_ul\":500,"),
        1);
}
END_TEST

/* The loop hears a word between two of its steps: what ran until then ran as before. */
START_TEST(a_fault_between_two_steps_counts_from_its_moment_too)
{
    fixture_command("d1", 1, 1, 1000);
    fixture_wait(400);
    RIG->now.ms += 30;
    fixture_words(_i == 0 ? "slow:west/1.1=0" : "empty:leaf-a");
    fixture_wait(2000);
    ck_assert_double_eq_tol(PUMP(0, LEAF_A)->arrived_ul, 430, 1e-9);
}
END_TEST

START_TEST(acid_lowers_the_tanks_ph_and_only_that_tanks)
{
    const double before = plant_ph(&RIG->tank[0].water.tank, false);
    const double other = plant_ph(&RIG->tank[1].water.tank, false);
    fixture_command("c1", 1, 0, 60000);
    fixture_command("d1", 1, 3, 10000); /* 5 mL of 0.8 meq: 0.67 of 1.5 meq/L */
    fixture_wait(60000);
    ck_assert(plant_ph(&RIG->tank[0].water.tank, false) < before - 1.0);
    ck_assert_double_eq_tol(plant_ph(&RIG->tank[1].water.tank, false), other, 0.02);
}
END_TEST

START_TEST(a_run_by_hand_is_told_as_one)
{
    fixture_words("hand:west/2.2");
    fixture_wait(1500);
    fixture_words("-hand:west/2.2");
    ck_assert_int_eq(fixture_count("\"by\":\"hand\",\"id\":null,\"event\":\"end\"",
                         "\"ran_ms\":1500,\"ul\":1500"),
        1);
    ck_assert_int_eq(PUMP(1, LEAF_B)->hand_ms, 1500);
    ck_assert_int_eq(PUMP(1, LEAF_B)->command_ms, 0);
    ck_assert_int_eq(CHAIN->head.manual.total[0].ms, 1500);
}
END_TEST

START_TEST(a_switch_takes_a_dose_over_without_losing_a_millisecond)
{
    fixture_command("d1", 1, 1, 5000);
    fixture_wait(700);
    fixture_words("hand:west/1.1");
    fixture_wait(300);
    fixture_words("-hand:west/1.1");
    ck_assert_int_eq(fixture_count("\"id\":\"d1\",\"event\":\"end\"", "\"ran_ms\":700,"), 1);
    ck_assert_int_eq(fixture_count("\"by\":\"hand\"", "\"event\":\"end\",\"ran_ms\":300,"), 1);
    ck_assert_double_eq_tol(PUMP(0, LEAF_A)->moved_ul, 1000, 1e-9);
}
END_TEST

START_TEST(tubes_go_with_the_module_that_is_carried_elsewhere)
{
    fixture_words("order:west.1.2");
    ck_assert_str_eq(CHAIN->head.module[0].info.serial, "b77c");
    fixture_command("d1", 1, 1, 500);
    fixture_wait(1000);
    ck_assert_int_eq(
        fixture_count("\"id\":\"d1\",\"event\":\"end\"", "\"tank\":\"lettuce-wall\""), 1);
    ck_assert_int_eq(fixture_count("\"position\":1,\"serial\":\"b77c\"", "\"ul\":500"), 1);
    fixture_words("-order:west.1.2");
    ck_assert_str_eq(CHAIN->head.module[0].info.serial, "a1f3");
    fixture_command("d2", 1, 1, 400);
    fixture_wait(1000);
    ck_assert_int_eq(fixture_count("\"id\":\"d2\",\"event\":\"end\"", "\"ul\":400"), 1);
    ck_assert_double_eq_tol(PUMP(0, LEAF_A)->moved_ul, 400, 1e-9);
    ck_assert_double_eq_tol(PUMP(1, LEAF_A)->moved_ul, 500, 1e-9);
}
END_TEST

START_TEST(a_changed_chain_ends_what_ran_and_counts_all_of_it)
{
    static const char *const changes[] = { "order:west.1.2", "remove:west.1", "swap:west.1=c91d",
        "reboot:west", "stopswitch:west" };
    fixture_command("d1", 1, 1, 90000);
    fixture_command("d2", 2, 2, 90000);
    fixture_wait(630);
    fixture_words(changes[_i]);
    ck_assert_int_eq(
        fixture_count("\"id\":\"d1\",\"event\":\"end\"", "\"ran_ms\":630,\"ul\":630,"), 1);
    ck_assert_int_eq(
        fixture_count("\"id\":\"d2\",\"event\":\"end\"", "\"ran_ms\":630,\"ul\":630,"), 1);
    fixture_wait(3000);
    ck_assert_double_eq_tol(PUMP(0, LEAF_A)->moved_ul, 630, 1e-9);
    ck_assert_double_eq_tol(PUMP(1, LEAF_B)->moved_ul, 630, 1e-9);
    ck_assert(!RIG->tank[0].circulates);
}
END_TEST

START_TEST(a_removed_module_closes_the_gap_and_comes_back)
{
    fixture_words("remove:west.1");
    ck_assert_int_eq(CHAIN->head.count, 1);
    ck_assert_str_eq(CHAIN->head.module[0].info.serial, "b77c");
    ck_assert_int_eq(CHAIN->head.module[0].info.position, 1);
    fixture_words("-remove:west.1");
    ck_assert_int_eq(CHAIN->head.count, 2);
    ck_assert_str_eq(CHAIN->head.module[0].info.serial, "a1f3");
    fixture_command("d1", 1, 1, 100);
    fixture_wait(500);
    ck_assert_double_eq_tol(PUMP(0, LEAF_A)->moved_ul, 100, 1e-9);
}
END_TEST

START_TEST(stocks_that_must_not_meet_are_seen_to_meet)
{
    fixture_command("d1", 1, 1, 500);
    fixture_wait(1000);
    fixture_command("d2", 1, 3, 500); /* acid may */
    fixture_wait(1000);
    ck_assert_int_eq(fixture_count("\"kind\":\"met\"", "basil-bench"), 0);
    fixture_command("d3", 1, 2, 500);
    fixture_command("d4", 2, 2, 500); /* another tank's line */
    fixture_wait(1000);
    ck_assert_int_eq(
        fixture_count("\"kind\":\"met\"", "\"stock\":\"leaf-b\",\"other\":\"leaf-a\""), 1);
    ck_assert_int_eq(fixture_count("\"kind\":\"met\"", "lettuce-wall"), 0);
}
END_TEST

/* The line holds 20 mL and 1 L/s flows: a stock is out of it 20 ms after its pump has stopped. */
START_TEST(a_flushed_line_is_clean_and_one_moment_earlier_it_is_not)
{
    fixture_command("c1", 1, 0, 60000);
    fixture_command("d1", 1, 1, 500);
    fixture_wait(500 + (_i == 0 ? 21 : 19));
    fixture_command("d2", 1, 2, 500);
    fixture_wait(2000);
    ck_assert_int_eq(fixture_count("\"kind\":\"met\"", ""), _i == 0 ? 0 : 1);
}
END_TEST

START_TEST(two_that_run_at_once_meet_once)
{
    fixture_command("c1", 1, 0, 60000);
    fixture_wait(1000);
    fixture_command("d1", 1, 1, 3000);
    fixture_wait(1000);
    fixture_command("d2", 1, 2, 500);
    fixture_wait(5000);
    ck_assert_int_eq(fixture_count("\"kind\":\"met\"", "\"stock\":\"leaf-b\""), 1);
}
END_TEST

START_TEST(circulation_is_replaced_without_a_pause)
{
    fixture_command("c1", 1, 0, 2000);
    fixture_wait(1500);
    fixture_command("c2", 1, 0, 3000);
    fixture_wait(1000);
    ck_assert(RIG->tank[0].circulates);
    ck_assert_int_eq(
        fixture_count("\"id\":\"c1\",\"event\":\"end\"", "\"ran_ms\":1500,\"ul\":0,"), 1);
    fixture_wait(3000);
    ck_assert_int_eq(fixture_count("\"id\":\"c2\",\"event\":\"end\"", "\"ran_ms\":3000,"), 1);
    ck_assert(!RIG->tank[0].circulates);
    ck_assert_double_eq_tol(RIG->tank[0].flow_ms, 4500, 100);
}
END_TEST

START_TEST(words_wait_for_their_time)
{
    fixture_words("empty:leaf-a@2 -empty:leaf-a@4");
    fixture_wait(1900);
    ck_assert(!RIG->bottle[LEAF_A].empty);
    fixture_wait(200);
    ck_assert(RIG->bottle[LEAF_A].empty);
    fixture_wait(2000);
    ck_assert(!RIG->bottle[LEAF_A].empty);
    ck_assert_int_eq(RIG->waiting_count, 0);
}
END_TEST

START_TEST(too_many_waiting_words_are_refused)
{
    struct problem problem = { 0 };
    for (int i = 0; i < RIG_FAULTS_MAX; i++) {
        fixture_words("empty:leaf-a@1000");
    }
    ck_assert(!rig_take_words(RIG, "empty:leaf-a@1000", &problem));
    ck_assert_int_eq(problem.err, ERR_FULL);
    ck_assert(rig_take_words(RIG, "empty:leaf-a", &problem));
}
END_TEST

START_TEST(water_comes_and_goes_by_words)
{
    RIG->tank[0].water.tank.near_water.cations = RIG->tank[0].water.tank.far_water.cations = 20;
    const double source = RIG->tank[0].water.tank.config.source.cations;
    fixture_words("refill:basil-bench=6");
    ck_assert_double_eq_tol(RIG->tank[0].water.tank.volume_l, 12, 1e-9);
    ck_assert_double_eq_tol(RIG->tank[0].water.tank.far_water.cations, (20 + source) / 2, 1e-9);
    fixture_words("water-change:basil-bench=1");
    ck_assert_double_eq_tol(RIG->tank[0].water.tank.far_water.cations, source, 1e-9);
}
END_TEST

START_TEST(totals_are_the_sum_of_the_runs)
{
    fixture_command("d1", 1, 1, 300);
    fixture_wait(500);
    fixture_command("d2", 1, 1, 200);
    fixture_wait(500);
    fixture_words("hand:west/1.1");
    fixture_wait(100);
    fixture_words("-hand:west/1.1 totals");
    ck_assert_int_eq(
        fixture_count("\"kind\":\"totals\",\"tank\":\"basil-bench\",\"stock\":\"leaf-a\"",
            "\"starts\":3,\"command_ms\":500,\"hand_ms\":100,\"ul\":600,"
            "\"arrived_ul\":600}"),
        1);
    ck_assert_int_eq(
        fixture_count("\"kind\":\"tank\"", "\"tank\":\"lettuce-wall\",\"ec_us_cm\":35"), 1);
}
END_TEST

START_TEST(inexact_pumps_are_within_five_per_cent_and_seeded)
{
    fixture_options.exact = false;
    double first = 0;
    for (int i = 0; i < 3; i++) {
        free(RIG->tank);
        free(RIG->bottle);
        RIG->chance = prng_seed(i < 2 ? 5 : 6);
        ck_assert(rig_world_open(RIG));
        const double rate = PUMP(1, ACID)->ml_per_s / 0.5;
        ck_assert(rate >= 0.95 && rate <= 1.05 && fabs(rate - 1.0) > 1e-6);
        if (i == 0) first = rate;
        ck_assert((i < 2) == !(fabs(rate - first) > 0));
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("rig world");
    tcase_add_checked_fixture(tc, fixture_make, fixture_remove);
    tcase_add_test(tc, a_dose_is_its_time_times_its_rate_to_the_microlitre);
    tcase_add_test(tc, what_arrives_raises_the_tanks_ec_by_its_strength);
    tcase_add_test(tc, without_circulation_stock_stays_in_the_line);
    tcase_add_test(tc, an_empty_bottle_gives_nothing_and_a_new_one_is_full);
    tcase_add_test(tc, a_bottle_runs_out_in_the_middle_of_a_dose);
    tcase_add_test(tc, a_fault_in_the_middle_of_a_dose_counts_from_its_moment);
    tcase_add_loop_test(tc, a_fault_between_two_steps_counts_from_its_moment_too, 0, 2);
    tcase_add_test(tc, acid_lowers_the_tanks_ph_and_only_that_tanks);
    tcase_add_test(tc, a_run_by_hand_is_told_as_one);
    tcase_add_test(tc, a_switch_takes_a_dose_over_without_losing_a_millisecond);
    tcase_add_test(tc, tubes_go_with_the_module_that_is_carried_elsewhere);
    tcase_add_loop_test(tc, a_changed_chain_ends_what_ran_and_counts_all_of_it, 0, 5);
    tcase_add_test(tc, a_removed_module_closes_the_gap_and_comes_back);
    tcase_add_test(tc, stocks_that_must_not_meet_are_seen_to_meet);
    tcase_add_loop_test(tc, a_flushed_line_is_clean_and_one_moment_earlier_it_is_not, 0, 2);
    tcase_add_test(tc, two_that_run_at_once_meet_once);
    tcase_add_test(tc, circulation_is_replaced_without_a_pause);
    tcase_add_test(tc, words_wait_for_their_time);
    tcase_add_test(tc, too_many_waiting_words_are_refused);
    tcase_add_test(tc, water_comes_and_goes_by_words);
    tcase_add_test(tc, totals_are_the_sum_of_the_runs);
    tcase_add_test(tc, inexact_pumps_are_within_five_per_cent_and_seeded);
    return run_case(tc, "rig world");
}
