/* The steps of a tank, one by one: what each waits for, and where it goes. INV-n: safety invariants
 * in DEVELOPERS.md. */
#include "tests/unit/core/core_fixture.h"

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

static void turn(void)
{
    b.actions.count = 0;
    core_turn_tank(b.core, BASIL, b.now, &b.actions);
    keep_records();
}

/* Circulation that is seen to run for an hour. */
static void flows(void)
{
    struct core_tank *t = tank();
    t->circulation.on = t->circulation.confirmed = true;
    t->circulation.till = mono_after(b.now.mono, HOUR_MS);
    t->circulation.command.ends = mono_after(b.now.mono, HOUR_MS);
}

static void plan_of(uint32_t pump, int64_t ul)
{
    tank()->plan = (struct core_plan){ .count = 2,
        .dose = { { pump, LAW_FEED, ul, 1000, 0 }, { 1, LAW_FEED, ul, 1000, 0 } } };
    tank()->asked_law = tank()->circulation.awaited = b.now.mono;
    tank()->step = STEP_CIRCULATE;
}

/* --- CIRCULATE -------------------------------------------------------------------------------- */

START_TEST(a_planned_dose_begins_when_circulation_is_seen)
{
    bench_ready();
    plan_of(0, 2000);
    turn();
    ck_assert_ptr_null(recorded("dose"));
    ck_assert_int_eq(tank()->state, TANK_CIRCULATING);
    flows();
    pass(1000); /* motors start one after the other */
    turn();
    ck_assert_ptr_nonnull(recorded("dose"));
    ck_assert_int_eq(tank()->step, STEP_INJECT);
    ck_assert_uint_eq(tank()->plan.next, 1);
}
END_TEST

/* A configuration that waits for quiet: what is planned begins under the new one, or not. */
START_TEST(no_dose_begins_while_it_is_held_back)
{
    bench_ready();
    plan_of(0, 2000);
    flows();
    pass(1000);
    core_hold_back(b.core, true);
    turn();
    ck_assert_ptr_null(recorded("dose"));
    ck_assert_int_eq(tank()->step, STEP_CIRCULATE);
    ck_assert(core_quiet(b.core));
    core_hold_back(b.core, false);
    turn();
    ck_assert_ptr_nonnull(recorded("dose"));
}
END_TEST

/* INV-5: what the line still holds is flushed first. */
START_TEST(a_dirty_line_is_flushed_before_a_dose)
{
    bench_ready();
    plan_of(0, 2000);
    flows();
    tank()->line_dirty = true;
    turn();
    ck_assert_ptr_null(recorded("dose"));
    ck_assert_int_eq(tank()->step, STEP_FLUSH);
}
END_TEST

/* INV-1, 3: gate and limits are looked at again right before the dose. */
START_TEST(a_dose_that_may_not_begin_any_more_ends_the_plan)
{
    bench_ready();
    plan_of(0, 2000);
    flows();
    if (_i == 0)
        tank()->paused = true;
    else
        window_add(
            &tank()->pump[0].window, (struct window_entry){ b.now.mono, 59000, 0 }, b.now.mono);
    turn();
    ck_assert_ptr_null(recorded("dose"));
    ck_assert_int_eq(tank()->step, STEP_MIX);
    ck_assert_uint_eq(tank()->plan.count, 0);
}
END_TEST

/* INV-13 */
START_TEST(a_dose_waits_for_the_supply)
{
    bench_ready();
    plan_of(0, 2000);
    flows();
    b.site.chain[WEST].supply.amps = 1.2; /* 0.96 A: idle and circulation, no pump */
    turn();
    ck_assert_ptr_null(recorded("dose"));
    ck_assert_int_eq(tank()->step, STEP_CIRCULATE);
    ck_assert_str_eq(tank()->why, "the chain's supply is in use; it waits for its turn");
    b.site.chain[WEST].supply.amps = 6.0;
    turn();
    ck_assert_ptr_nonnull(recorded("dose"));
}
END_TEST

/* Another tank's pumps use the supply: a plan that waited long is made anew, unless part of it is
 * in.
 */
START_TEST(a_plan_that_waited_for_its_turn_gets_old)
{
    bench_ready();
    plan_of(0, 2000);
    if (_i == 1) tank()->plan.next = 1;
    if (_i == 2) tank()->plan.count = 0;
    b.site.chain[WEST].supply.amps = 0.5;
    turn();
    ck_assert_str_eq(tank()->why, "the chain is busy; it waits for its turn");
    ck_assert_int_eq(tank()->step, STEP_CIRCULATE);
    pass(10 * MINUTE_MS);
    tell_beat(WEST);
    tell_beat(EAST);
    b.core->tank[BASIL].ask_law = false;
    turn();
    ck_assert_int_eq(tank()->step, _i == 0 ? STEP_IDLE : STEP_CIRCULATE);
    ck_assert_int_eq(tank()->ask_law, _i == 0);
    ck_assert(!alert_stands(b.core, "no-circulation-basil")); /* no fault of the pump */
}
END_TEST

/* Where the supply carries one tank at a time, one that mixes and one that rests begin nothing new
 * while the other has waited long; a dose that is planned goes on. */
START_TEST(the_supply_is_handed_on) /* _i: mixing, resting, resting without circulation */
{
    bench_ready();
    struct core_tank *other = &b.core->tank[LETTUCE];
    tank()->step = _i == 0 ? STEP_MIX : STEP_IDLE;
    if (_i == 0) law_disturb(&tank()->law, &tank()->model, b.now.mono);
    if (_i < 2) flows();
    tank()->ask_law = true;
    b.site.chain[WEST].supply.amps = 1.6; /* 1.28 A: one circulation and a pump */
    other->plan = (struct core_plan){ .count = 1, .dose = { { 0, LAW_FEED, 2000, 1000, 0 } } };
    other->step = STEP_CIRCULATE;
    for (int n = 0; n < 601 && _i < 2; n++) {
        other->asked_law = b.now.mono;
        b.actions.count = 0;
        core_turn_tank(b.core, LETTUCE, b.now, &b.actions);
        pass(1000);
        tell_beat(WEST);
        tell_beat(EAST);
        ck_assert_str_eq(other->why, "the chain is busy; it waits for its turn");
    }
    tell_water(BASIL, 1200, 5.8);
    turn();
    const char *turns =
        "the chain's supply carries one after the other, and it is another tank's turn";
    ck_assert_int_eq(strcmp(tank()->why, turns) == 0, _i < 2);
}
END_TEST

/* Asked for, and not seen within its time: told, and tried again after a minute. */
START_TEST(circulation_that_isnt_seen_is_told)
{
    bench_ready();
    plan_of(0, 2000);
    tank()->circulation.awaited = b.now.mono;
    turn();
    pass(CIRCULATION_CONFIRM_MS + 2000);
    tell_beat(WEST);
    tell_beat(EAST);
    if (_i == 1) { /* it is reported running, and draws nothing: it ends, so that this shows */
        tank()->circulation.on = true;
        tank()->circulation.start = mono_after(b.now.mono, -CIRCULATION_CONFIRM_MS - 2000);
        tank()->circulation.till = mono_after(b.now.mono, 1000);
        make_probe(&b.tank[BASIL], PROBE_FLOW, UNIT_L_MIN);
    }
    turn();
    ck_assert(alert_stands(b.core, "no-circulation-basil"));
    const char *what = _i == 1 ? "its flow probe, which must send at least every 6 s" : "its cable";
    ck_assert_ptr_nonnull(strstr(alert_text("no-circulation-basil"), what));
    ck_assert_int_eq(tank()->step, STEP_IDLE);
    ck_assert_uint_eq(tank()->plan.count, 0);
    ck_assert_int_eq(mono_since(tank()->not_before, b.now.mono), 60000);
    int64_t run_ms = 0;
    ck_assert(record_int(recorded("circulate"), "run_ms", &run_ms));
    ck_assert_int_eq(run_ms == 1000, _i == 1);
    turn();
    ck_assert_ptr_nonnull(strstr(tank()->why, "trying again within"));
    b.tank[BASIL].probe[PROBE_FLOW].present = false;
    pass(60000);
    tell_beat(WEST);
    tell_beat(EAST);
    tell_water(BASIL, 1200, 5.8);
    flows();
    plan_of(0, 2000);
    turn();
    ck_assert(!alert_stands(b.core, "no-circulation-basil"));
}
END_TEST

/* --- INJECT and FLUSH ------------------------------------------------------------------------- */

START_TEST(after_a_dose_the_line_is_flushed_then_the_next_part_goes)
{
    bench_ready();
    plan_of(0, 2000);
    flows();
    turn();
    turn();
    ck_assert_int_eq(tank()->state, TANK_INJECTING);
    ck_assert_str_eq(tank()->why, "dosing 2.00 mL of leaf-a");
    pass(2000);
    tell_report(tank()->dose.id, CHAIN_DONE, 2000);
    turn();
    ck_assert_int_eq(tank()->step, STEP_FLUSH);
    const int64_t flush_ms = site_flush_ms(&b.tank[BASIL]);
    turn();
    ck_assert_int_eq(tank()->state, TANK_FLUSHING);
    pass(flush_ms - 1);
    turn();
    ck_assert_int_eq(tank()->step, STEP_FLUSH); /* not a millisecond too little */
    ck_assert(tank()->line_dirty);
    pass(1);
    turn();
    ck_assert(!tank()->line_dirty);
    ck_assert_ptr_nonnull(recorded("flushed"));
    ck_assert_int_eq(tank()->step, STEP_CIRCULATE);
    tank()->plan.next = tank()->plan.count; /* the last part */
    tank()->line_dirty = true;
    tank()->flushed_ms = flush_ms;
    tank()->step = STEP_FLUSH;
    turn();
    ck_assert_int_eq(tank()->step, STEP_MIX);
}
END_TEST

/* Nothing moved: a half recipe isn't followed by its other half. */
START_TEST(a_refused_dose_ends_the_plan)
{
    bench_ready();
    plan_of(0, 2000);
    flows();
    turn();
    tell_report(tank()->dose.id, CHAIN_REFUSED, 0);
    turn();
    ck_assert_int_eq(tank()->step, STEP_MIX);
    ck_assert_uint_eq(tank()->plan.count, tank()->plan.next);
}
END_TEST

START_TEST(a_dose_that_nobody_tells_of_counts_and_is_flushed)
{
    bench_ready();
    plan_of(0, 2000);
    flows();
    turn();
    b.core->chain[WEST].ledger_seen = true;
    pass(COMMAND_START_MS + 2000 + COMMAND_GRACE_MS);
    tell_beat(WEST);
    tell_beat(EAST);
    turn();
    ck_assert(!tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, 0), 2000);
    ck_assert_int_eq(tank()->step, STEP_FLUSH);
}
END_TEST

/* INV-5. Found by simulation.storm: a tick may still be on its way when its flush begins. */
START_TEST(a_flush_begins_when_a_tick_has_ended_for_certain)
{
    bench_ready();
    flows();
    ck_assert(ask_for((struct event_request){
        .kind = REQUEST_IDENTIFY, .chain = WEST, .address = { WEST, 1, 1 } }));
    tank()->step = STEP_FLUSH;
    tank()->flush_from = b.now.mono;
    turn();
    pass(COMMAND_START_MS + 100);
    tell_beat(WEST);
    tell_beat(EAST);
    turn();
    ck_assert_int_eq(tank()->flushed_ms, 0);
    pass(site_flush_ms(&b.tank[BASIL]) - 1);
    turn();
    ck_assert(tank()->line_dirty);
    pass(1);
    turn();
    ck_assert(!tank()->line_dirty);
}
END_TEST

/* INV-5: only time in which the line really flowed flushes it. */
START_TEST(a_line_that_stands_isnt_flushed)
{
    bench_ready();
    tank()->line_dirty = true;
    tank()->step = STEP_FLUSH;
    tank()->flush_from = b.now.mono;
    flows();
    turn();
    tank()->circulation.on = tank()->circulation.confirmed = false;
    tank()->circulation.awaited = b.now.mono;
    pass(1000);
    turn();
    ck_assert_int_eq(tank()->flushed_ms, 0);
    ck_assert_str_eq(tank()->why, "the line must be flushed; waiting for the circulation");
    pass(CIRCULATION_CONFIRM_MS + 2000);
    tell_beat(WEST);
    tell_beat(EAST);
    turn();
    ck_assert(alert_stands(b.core, "no-circulation-basil"));
    ck_assert(tank()->line_dirty);
    ck_assert_int_eq(tank()->step, STEP_IDLE);
}
END_TEST

/* --- MIX and IDLE ----------------------------------------------------------------------------- */

START_TEST(mixing_without_probes_ends_by_the_clock)
{
    bench_ready();
    struct core_tank *t = tank();
    t->step = STEP_MIX;
    t->law.mixing = true;
    t->pumped_at = b.now.mono;
    t->mix_owed = true;
    t->paused = true;
    flows();
    turn();
    ck_assert_int_eq(t->step, STEP_MIX);
    pass(2 * site_mix_ms(&b.tank[BASIL]));
    tell_beat(WEST);
    tell_beat(EAST);
    t->law.mixing = true;
    turn();
    ck_assert_int_eq(t->step, STEP_IDLE);
    ck_assert(!t->mix_owed);
}
END_TEST

START_TEST(what_is_mixed_is_looked_at_anew)
{
    bench_ready();
    tank()->step = STEP_MIX;
    tank()->law.mixing = false;
    tank()->mix_owed = true;
    turn();
    ck_assert_int_eq(tank()->step, STEP_IDLE);
    ck_assert(!tank()->mix_owed);
}
END_TEST

START_TEST(water_that_stands_still_doesnt_mix)
{
    bench_ready();
    struct core_tank *t = tank();
    t->step = STEP_MIX;
    t->law.mixing = true;
    t->circulation.awaited = mono_after(b.now.mono, -CIRCULATION_CONFIRM_MS - 3000);
    turn();
    ck_assert_int_eq(t->step, STEP_CIRCULATE);
}
END_TEST

/* INV-2, 5: first what was under way is found out, then the line is flushed. */
START_TEST(a_dose_of_before_is_settled_first)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, 0, 2000);
    bench_start();
    come_up();
    b.core->tank[BASIL].ask_law = true;
    turn();
    ck_assert_str_eq(tank()->why, "finding out what became of a dose that was under way");
    ck_assert_int_eq(tank()->step, STEP_IDLE);
    b.core->chain[WEST].ledger_seen = true;
    pass(mono_since(dose.ends, b.now.mono) + COMMAND_GRACE_MS);
    tell_beat(WEST);
    tell_beat(EAST);
    turn();
    ck_assert(!tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, 0), 2000);
    ck_assert_int_eq(tank()->step, STEP_CIRCULATE);
    ck_assert(tank()->line_dirty);
}
END_TEST

/* An idle tank is looked at more seldom where its probes speak more seldom, yet before they are
 * stale.
 */
START_TEST(an_idle_tank_is_looked_at_as_its_probes_speak)
{
    static const int64_t age_ms[] = { 10000, 60000, 3600000 }, look_ms[] = { 5000, 15000, 60000 };
    bench_ready();
    tank()->law.mixing = tank()->ask_law = false;
    for (int q = PROBE_EC; q <= PROBE_TEMPERATURE; q++) {
        b.tank[BASIL].probe[q].max_age_ms = age_ms[_i];
    }
    if (_i == 2) b.tank[BASIL].probe[PROBE_PH].present = false;
    turn();
    ck_assert_int_eq(mono_since(tank()->due, b.now.mono), look_ms[_i]);
}
END_TEST

START_TEST(circulation_may_be_wanted_always)
{
    bench_ready();
    tank()->law.mixing = tank()->ask_law = false;
    turn();
    ck_assert_uint_eq(count_records("circulate"), 0);
    b.tank[BASIL].circulation.when = CIRCULATE_ALWAYS;
    turn();
    ck_assert_uint_eq(count_records("circulate"), 1);
}
END_TEST

/* --- nothing may move ------------------------------------------------------------------------- */

/* What stops with a tank: the pump always; the circulation too where there is water on the floor or
 * a hand in the tank, not while only the journal is closed. */
START_TEST(what_forbids_movement_stops_what_runs)
{
    bench_ready();
    send_dose(BASIL, 0, 2000);
    tank()->plan.count = 2;
    switch (_i) {
    case 0:
        b.core->journal_ok = false;
        break;
    case 1:
        tank()->service = true;
        break;
    default:
        b.tank[BASIL].has_level_min = true;
        b.tank[BASIL].probe[PROBE_LEVEL].max_age_ms = 1000;
    }
    turn();
    ck_assert_uint_eq(count_records("stop"), _i == 0 ? 1 : 2);
    ck_assert_int_eq(tank()->step, STEP_IDLE);
    ck_assert_uint_eq(tank()->plan.count, 0);
    pass(COMMAND_START_MS + 2000 + COMMAND_GRACE_MS);
    b.core->chain[WEST].ledger_seen = true;
    turn();
    ck_assert(!tank()->dose.used && tank()->line_dirty);
    ck_assert_int_eq(used_ul(BASIL, 0), 2000);
}
END_TEST

/* --- the water's record ----------------------------------------------------------------------- */

static const struct record *water_after(int64_t ms)
{
    b.record_count = 0;
    pass(ms);
    b.actions.count = 0;
    core_look_at_water(b.core, BASIL, b.now, &b.actions);
    keep_records();
    return recorded("water");
}

/* Only what its probe is to be trusted with; nothing while no one knows the day, or nothing is
 * kept. */
START_TEST(the_water_is_recorded_as_far_as_it_is_known)
{
    bench_ready();
    double value = 0;
    ck_assert_ptr_null(water_after(1000)); /* it isn't wanted */
    b.site.water_every_ms = MINUTE_MS;
    tank()->water_due = b.now.mono;
    const struct record *r = water_after(1000);
    ck_assert(r && record_real(r, "ec_us_cm", &value) && value == 1200.0);
    ck_assert(record_real(r, "ph", &value) && record_real(r, "degc", &value));
    ck_assert_ptr_null(water_after(59999));
    b.tank[BASIL].probe[PROBE_EC].calibrated = false;
    b.tank[BASIL].probe[PROBE_PH].present = false;
    r = water_after(1);
    ck_assert(r && !record_real(r, "ec_us_cm", &value) && !record_real(r, "ph", &value));
    ck_assert(!record_real(r, "degc", &value)); /* too old by now */
    b.core->journal_ok = false;
    ck_assert_ptr_null(water_after(60000));
    b.core->journal_ok = true;
    b.now.clock = CLOCK_UNSET;
    ck_assert_ptr_null(water_after(60000));
    b.now.clock = CLOCK_FREE;
    ck_assert_ptr_nonnull(water_after(60000));
}
END_TEST

/* A pump that is neither recipe nor acid or base disturbs the water; the law learns nothing of it.
 */
START_TEST(a_stock_without_a_purpose_disturbs_the_water)
{
    bench_init();
    b.tank[BASIL].recipe_count = 1;
    bench_start();
    come_up();
    tank()->law.mixing = false;
    tank()->law.has_dosed = false;
    core_tell_law(b.core, BASIL, 1, 5000, true, b.now.mono);
    ck_assert(tank()->law.mixing && !tank()->law.watch[LAW_FEED].has_given);
    core_tell_law(b.core, BASIL, 0, 5000, true, b.now.mono);
    ck_assert(tank()->law.watch[LAW_FEED].has_given);
}
END_TEST

/* A tank without pH readings learns from EC alone. */
START_TEST(each_channel_is_shown_as_it_comes)
{
    bench_ready();
    pass(10000);
    core_look_at_water(b.core, BASIL, b.now, &b.actions);
    pass(10000);
    if (_i == 0)
        tell_probe(BASIL, PROBE_EC, 1200);
    else
        tell_probe(BASIL, PROBE_PH, 5.8);
    const struct mono ec = tank()->seen_at[0], ph = tank()->seen_at[1];
    core_look_at_water(b.core, BASIL, b.now, &b.actions);
    ck_assert_int_eq(tank()->seen_at[0].ms > ec.ms, _i == 0);
    ck_assert_int_eq(tank()->seen_at[1].ms > ph.ms, _i == 1);
}
END_TEST

/* Circulation whose time runs out is asked for again, and what has flowed meanwhile counts. */
START_TEST(a_flush_goes_on_while_circulation_is_renewed)
{
    bench_ready();
    struct core_tank *t = tank();
    t->line_dirty = true;
    t->step = STEP_FLUSH;
    t->flush_from = b.now.mono;
    flows();
    t->circulation.till = mono_after(b.now.mono, 400);
    turn();
    pass(200);
    turn();
    ck_assert_uint_eq(count_records("circulate"), 1);
    ck_assert_int_eq(t->flushed_ms, 200);
    ck_assert_str_eq(t->why, "flushing the line");
}
END_TEST

START_TEST(what_isnt_mixed_is_circulated_first) /* _i: a clean line */
{
    bench_ready();
    tank()->mix_owed = _i == 1;
    tank()->line_dirty = _i == 0;
    turn();
    ck_assert_int_eq(tank()->step, STEP_CIRCULATE);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("sequence");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, a_planned_dose_begins_when_circulation_is_seen);
    tcase_add_test(t, no_dose_begins_while_it_is_held_back);
    tcase_add_test(t, a_dirty_line_is_flushed_before_a_dose);
    tcase_add_loop_test(t, a_dose_that_may_not_begin_any_more_ends_the_plan, 0, 2);
    tcase_add_test(t, a_dose_waits_for_the_supply);
    tcase_add_loop_test(t, a_plan_that_waited_for_its_turn_gets_old, 0, 3);
    tcase_add_loop_test(t, the_supply_is_handed_on, 0, 3);
    tcase_add_loop_test(t, circulation_that_isnt_seen_is_told, 0, 2);
    tcase_add_test(t, after_a_dose_the_line_is_flushed_then_the_next_part_goes);
    tcase_add_test(t, a_flush_begins_when_a_tick_has_ended_for_certain);
    tcase_add_test(t, a_refused_dose_ends_the_plan);
    tcase_add_test(t, a_dose_that_nobody_tells_of_counts_and_is_flushed);
    tcase_add_test(t, a_line_that_stands_isnt_flushed);
    tcase_add_test(t, mixing_without_probes_ends_by_the_clock);
    tcase_add_test(t, what_is_mixed_is_looked_at_anew);
    tcase_add_test(t, water_that_stands_still_doesnt_mix);
    tcase_add_test(t, a_dose_of_before_is_settled_first);
    tcase_add_loop_test(t, an_idle_tank_is_looked_at_as_its_probes_speak, 0, 3);
    tcase_add_test(t, circulation_may_be_wanted_always);
    tcase_add_loop_test(t, what_forbids_movement_stops_what_runs, 0, 3);
    tcase_add_test(t, the_water_is_recorded_as_far_as_it_is_known);
    tcase_add_test(t, a_stock_without_a_purpose_disturbs_the_water);
    tcase_add_loop_test(t, each_channel_is_shown_as_it_comes, 0, 2);
    tcase_add_test(t, a_flush_goes_on_while_circulation_is_renewed);
    tcase_add_loop_test(t, what_isnt_mixed_is_circulated_first, 0, 2);
    return run_case(t, "sequence");
}
