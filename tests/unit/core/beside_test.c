/* What a tank takes from the one beside it: circulation on the same chain and on another, the time
 * a plan waits; and what is carried and found of other daemons, hands and modules. */
#include <math.h>

#include "tests/unit/core/core_fixture.h"

static struct core_tank *tank(uint32_t i)
{
    return &b.core->tank[i];
}

static void turn(void)
{
    b.actions.count = 0;
    core_turn_tank(b.core, BASIL, b.now, &b.actions);
    keep_records();
}

/* Seen to run for an hour. */
static void flows(uint32_t i)
{
    struct core_tank *t = tank(i);
    t->circulation.on = t->circulation.seen = t->circulation.confirmed = true;
    t->circulation.till = t->circulation.command.ends = mono_after(b.now.mono, HOUR_MS);
}

static void put_on_east(uint32_t i)
{
    b.tank[i].circulation.address = (struct chain_address){ EAST, 1, CHAIN_CIRCULATION_CHANNEL };
}

/* --- circulation ------------------------------------------------------------------------------ */

START_TEST(circulation_draws_on_its_own_chain)
{
    bench_ready();
    flows(LETTUCE);
    ck_assert_double_eq_tol(core_running_amps(b.core, WEST, BASIL), 0.8, 1e-9);
    put_on_east(LETTUCE);
    ck_assert_double_eq(core_running_amps(b.core, WEST, BASIL), 0.0);
    ck_assert_double_eq_tol(core_running_amps(b.core, EAST, BASIL), 0.8, 1e-9);
}
END_TEST

/* INV-3. A current that is missing on one chain says nothing of the pumps on another. */
START_TEST(doubt_stays_on_its_chain)
{
    bench_ready();
    if (_i == 1) put_on_east(LETTUCE);
    flows(BASIL);
    flows(LETTUCE);
    tank(BASIL)->circulation.amps_before = 0.1;
    for (int n = 0; n < 2; n++) {
        pass(1000);
        tell_amps(0.1);
        core_confirm_circulation(b.core, BASIL, b.now);
    }
    ck_assert(tank(BASIL)->circulation.amps_doubt && !tank(BASIL)->circulation.confirmed);
    ck_assert_int_eq(tank(LETTUCE)->circulation.amps_doubt, _i == 0);
}
END_TEST

/* One that is doubted, and not seen to run for long: its end would hide what begins meanwhile. */
START_TEST(none_begins_beside_one_that_is_doubted)
{
    bench_ready();
    tank(LETTUCE)->circulation.on = tank(LETTUCE)->circulation.amps_doubt = true;
    tank(LETTUCE)->circulation.start = tank(LETTUCE)->circulation.seen_at = b.now.mono;
    tank(LETTUCE)->circulation.till = mono_after(b.now.mono, HOUR_MS);
    pass(CIRCULATION_CONFIRM_MS + 2000);
    tell_beat(WEST);
    ck_assert(core_circulation_unseen(b.core, LETTUCE, b.now));
    ck_assert(!core_circulation_may_begin(b.core, BASIL, b.now));
    tank(LETTUCE)->circulation.amps_doubt = false;
    ck_assert(core_circulation_may_begin(b.core, BASIL, b.now));
    tank(LETTUCE)->circulation.amps_doubt = true;
    put_on_east(LETTUCE);
    ck_assert(core_circulation_may_begin(b.core, BASIL, b.now));
}
END_TEST

/* INV-5: a flush counts no time at the end of which the circulation isn't seen any more. */
START_TEST(a_flush_counts_nothing_when_circulation_has_ended)
{
    bench_ready();
    tank(BASIL)->line_dirty = true;
    tank(BASIL)->step = STEP_FLUSH;
    tank(BASIL)->flush_from = b.now.mono;
    flows(BASIL);
    tank(BASIL)->circulation.till = mono_after(b.now.mono, _i == 0 ? 200 : 600);
    turn();
    pass(300);
    turn();
    ck_assert_int_eq(tank(BASIL)->circulation.confirmed, _i == 1);
    ck_assert_int_eq(tank(BASIL)->flushed_ms, _i == 0 ? 0 : 300);
    ck_assert(tank(BASIL)->line_dirty);
}
END_TEST

/* --- plans ------------------------------------------------------------------------------------ */

/* What somebody asked for is no older for having waited: its amount is his, and no reading's. */
START_TEST(what_was_asked_for_waits_and_isnt_planned_anew)
{
    bench_ready();
    tank(BASIL)->plan = (struct core_plan){ .count = 1,
        .errand = _i == 0 ? ERRAND_DOSE : ERRAND_NONE,
        .dose = { { 0, LAW_FEED, 2000, 1000, 0 } } };
    tank(BASIL)->asked_law = tank(BASIL)->circulation.awaited = b.now.mono;
    tank(BASIL)->step = STEP_CIRCULATE;
    b.site.chain[WEST].supply.amps = 0.5;
    pass(10 * MINUTE_MS);
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_beat(c);
    }
    tell_water(BASIL, 1200, 5.8);
    tank(BASIL)->step = STEP_CIRCULATE;
    turn();
    ck_assert_int_eq(tank(BASIL)->step, _i == 0 ? STEP_CIRCULATE : STEP_IDLE);
    ck_assert_uint_eq(tank(BASIL)->plan.count, _i == 0 ? 1 : 0);
}
END_TEST

/* --- what is carried, and found --------------------------------------------------------------- */

/* Another daemon's reign outlives the segment that told of it: else a head with an older claim
 * would pass for one that is known (INV-9). */
START_TEST(anothers_reign_is_carried)
{
    bench_ready();
    b.core->chain[EAST].seen_reign = 40;
    b.record_count = 0;
    uint32_t cursor = 0;
    while (core_carry(b.core, &cursor, b.now, &b.actions)) {
        keep_records();
    }
    ck_assert_uint_eq(count_records("other-reign"), 1);
    bench_start();
    ck_assert_int_eq(b.core->chain[EAST].seen_reign, 40);
    ck_assert_int_eq(b.core->chain[WEST].seen_reign, 0);
}
END_TEST

/* A reign over a chain that has gone from the file says nothing of those there are. */
START_TEST(a_reign_over_a_chain_that_has_gone_is_nobodys)
{
    bench_init();
    for (int n = 0; n < 2; n++) {
        struct record *r = put_record("other-reign");
        record_add_text(r, "chain", n == 0 ? "west" : "north");
        record_add_int(r, "reign", 40 + n);
    }
    bench_start();
    ck_assert_int_eq(b.core->chain[WEST].seen_reign, 40);
    ck_assert_int_eq(b.core->chain[EAST].seen_reign, 0);
}
END_TEST

/* INV-1. No volume was known when somebody ran it: what it gives now in that time. */
START_TEST(a_run_by_hand_without_a_volume_counts_by_its_time)
{
    bench_init();
    struct record *r = put_record("hand");
    record_add_text(r, "chain", "west");
    record_add_text(r, "serial", "a1f3");
    record_add_int(r, "channel", 3);
    record_add_int(r, "total_ms", 5000);
    if (_i != 0) record_add_int(r, "ms", _i == 1 ? 3000 : -3000);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 2), _i == 1 ? 3000 : 0);
}
END_TEST

/* A module at a place that the file doesn't have: how many volts it needs nobody has said. */
START_TEST(volts_of_a_module_without_a_place_are_nobodys)
{
    static const uint32_t position[] = { 0, 1, 3 };
    bench_ready();
    struct chain_roll *roll = &b.core->chain[WEST].roll;
    roll->module[0].has_volts = true;
    roll->module[0].volts = 1.0;
    roll->module[0].position = position[_i];
    b.site.chain[WEST].module[2].power.min_volts = 10.0; /* left there, and no module of two */
    for (int n = 0; n < 20; n++) {
        pass(2000);
        tell_beat(WEST);
    }
    ck_assert_int_eq(alert_stands(b.core, "supply-west"), _i == 1);
}
END_TEST

/* Two links of 0.1 ohm, two modules of 0.05 A at rest, a pump of 0.3 A and a circulation of 0.8 A
 * on the first: worked by hand. */
START_TEST(a_supply_is_shown_as_it_is_planned_for_what_runs)
{
    struct supply_view v;
    bench_ready();
    tell_amps(0.1);
    b.core->chain[WEST].amps_stale = false;
    for (uint32_t i = 0; i < TANKS; i++) {
        b.core->tank[i].circulation.command.used = false;
    }
    b.core->chain[WEST].roll.module[1].has_volts = true;
    b.core->chain[WEST].roll.module[1].volts = 11.5;
    core_view_supply(b.core, WEST, &v);
    ck_assert_double_eq_tol(v.amps_due, 0.1, 1e-9);
    ck_assert_double_eq_tol(v.usable_amps, 4.8, 1e-9);
    ck_assert_uint_eq(v.count, 2);
    ck_assert_double_eq_tol(v.module[1].due_volts, 12.0 - 0.01 - 0.005, 1e-9);
    struct core_tank *t = &b.core->tank[BASIL];
    t->circulation.on = t->circulation.seen = t->circulation.confirmed = true;
    t->dose = (struct core_command){ .used = true, .running = true, .pump = 0, .ul = 1000 };
    core_view_supply(b.core, WEST, &v);
    ck_assert_double_eq_tol(v.amps_due, 0.1 + 0.8 + 0.3, 1e-9);
    ck_assert_double_eq_tol(v.module[0].due_volts, 12.0 - 0.12, 1e-9);
    ck_assert_double_eq_tol(v.module[1].due_volts, 12.0 - 0.12 - 0.005, 1e-9);
    ck_assert_double_eq_tol(v.module[1].volts, 11.5, 1e-9);
    ck_assert_double_eq_tol(v.module[1].least_volts, 10.0, 1e-9);
    ck_assert(isnan(v.module[0].volts));
    t->dose.running = false; /* it may begin at any moment */
    core_view_supply(b.core, WEST, &v);
    ck_assert(isnan(v.amps_due) && isnan(v.module[0].due_volts));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("beside");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, circulation_draws_on_its_own_chain);
    tcase_add_loop_test(t, doubt_stays_on_its_chain, 0, 2);
    tcase_add_test(t, none_begins_beside_one_that_is_doubted);
    tcase_add_loop_test(t, a_flush_counts_nothing_when_circulation_has_ended, 0, 2);
    tcase_add_loop_test(t, what_was_asked_for_waits_and_isnt_planned_anew, 0, 2);
    tcase_add_test(t, anothers_reign_is_carried);
    tcase_add_test(t, a_reign_over_a_chain_that_has_gone_is_nobodys);
    tcase_add_loop_test(t, a_run_by_hand_without_a_volume_counts_by_its_time, 0, 3);
    tcase_add_test(t, a_supply_is_shown_as_it_is_planned_for_what_runs);
    tcase_add_loop_test(t, volts_of_a_module_without_a_place_are_nobodys, 0, 3);
    return run_case(t, "beside");
}
