/* Circulation: when it is seen to run, when it is asked for, and when it isn't. INV-3: no dose
 * without circulation seen. INV-n: safety invariants in DEVELOPERS.md. */
#include <math.h>

#include "tests/unit/core/core_fixture.h"

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

static struct core_circulation *flow(void)
{
    return &tank()->circulation;
}

static bool hold(int64_t left_ms)
{
    b.actions.count = 0;
    const bool held = core_hold_circulation(b.core, BASIL, left_ms, b.now, &b.actions);
    keep_records();
    return held;
}

static void amps_after(int64_t span_ms, double amps)
{
    pass(span_ms);
    tell_amps(amps);
}

/* Asked for with the current measured before, and reported running. */
static void begin(double before_amps)
{
    if (isnan(before_amps))
        tell_beat(WEST);
    else
        tell_amps(before_amps);
    ck_assert(!hold(60000));
    ck_assert(flow()->command.used);
    pass(100);
    tell_report(flow()->command.id, CHAIN_RUNNING, 0);
}

static bool confirmed(void)
{
    core_confirm_circulation(b.core, BASIL, b.now);
    return flow()->confirmed;
}

static void confirm_at(struct mono at)
{
    pass(mono_since(at, b.now.mono));
    core_confirm_circulation(b.core, BASIL, b.now);
}

static void prepare(void)
{
    bench_init();
    make_probe(&b.tank[BASIL], PROBE_FLOW, UNIT_L_MIN);
    b.tank[BASIL].probe[PROBE_FLOW].present = false;
    bench_start();
    come_up();
    tell_water(BASIL, 1200, 5.8);
    b.core->tank[BASIL].law.mixing = false; /* else it is asked for as long as that may take */
    pass(1000);
    tell_beat(WEST);
}

/* --- seen by its current ---------------------------------------------------------------------- */

/* docs/contract.md 2.11: by half of what the pump should draw (0.8 A), or more. */
START_TEST(a_current_that_rose_by_half_confirms_it)
{
    prepare();
    begin(0.5);
    ck_assert(!confirmed()); /* the newest beat is older than the start */
    amps_after(1000, 0.89);
    ck_assert(!confirmed());
    amps_after(1000, 0.90001);
    ck_assert(confirmed());
}
END_TEST

static void tell_hand(bool running, uint64_t n, uint32_t module, uint32_t channel)
{
    struct event e = { .kind = EVENT_MANUAL, .chain = WEST };
    e.manual = (struct chain_manual){ .n = n, .running = running, .channel = channel };
    text_copy(e.manual.boot, sizeof e.manual.boot, "boot-w");
    text_copy(e.manual.serial, sizeof e.manual.serial, b.site.chain[WEST].module[module].serial);
    step(&e);
}

/* A dead circulation pump isn't seen to run by what a hand switched on (seed 864). */
START_TEST(a_current_that_a_hand_changed_confirms_nothing)
{
    static const struct {
        bool running;
        uint32_t module, channel;
        bool counts;
    } rows[] = { { true, 0, 2, true }, /* the same is only said again */
        { false, 0, 2, false }, { true, 0, 3, false }, { true, 1, 2, false } };
    prepare();
    tell_hand(true, 1, 0, 2);
    pass(1000);
    begin(0.5);
    pass(500);
    tell_hand(rows[_i].running, 2, rows[_i].module, rows[_i].channel);
    amps_after(1000, 1.3);
    ck_assert(confirmed() == rows[_i].counts);
}
END_TEST

/* What was switched on before is in what was measured before. */
START_TEST(a_hand_of_before_is_in_the_measure_of_before)
{
    prepare();
    tell_hand(false, 1, 0, 2);
    pass(1000);
    tell_hand(true, 2, 0, 2);
    pass(1000);
    begin(1.3);
    amps_after(1000, 2.1);
    ck_assert(confirmed());
}
END_TEST

START_TEST(without_amps_the_report_alone_tells) /* _i: where they are missing */
{
    prepare();
    if (_i == 2) b.site.chain[WEST].module[0].power.circulation_amps = 0;
    begin(_i == 0 ? (double)NAN : 0.5);
    pass(1000);
    if (_i == 1)
        tell_beat(WEST);
    else
        tell_amps(0.5);
    ck_assert(confirmed());
}
END_TEST

/* One beat may be older than the start of a pump: two running must contradict. Until the second
 * nothing is begun. */
START_TEST(two_beats_running_that_contradict_end_the_trust)
{
    prepare();
    begin(0.5);
    amps_after(1000, 1.4);
    ck_assert(confirmed());
    amps_after(2000, 0.5);
    ck_assert(!confirmed() && flow()->seen);
    ck_assert(!confirmed() && flow()->seen); /* the same beat is no second one */
    amps_after(2000, 1.4);
    ck_assert(confirmed());
    for (int n = 0; n < 2; n++) {
        amps_after(2000, 0.5);
        core_confirm_circulation(b.core, BASIL, b.now);
    }
    ck_assert(!flow()->confirmed && !flow()->seen);
}
END_TEST

/* Found by simulation.storm (seed 31303, circulation-dead forced): a pump that stood still, and had
 * had its time, took the current of the next one that began for its own. */
START_TEST(a_current_that_rises_is_the_newcomers_first) /* _i: the newcomer runs, or was asked to */
{
    prepare();
    begin(0.5);
    pass(CIRCULATION_CONFIRM_MS + 3000);
    tell_amps(0.5);
    ck_assert(!confirmed());
    struct core_tank *other = &b.core->tank[LETTUCE];
    other->circulation.command.used = true;
    other->circulation.command.asked = b.now.mono;
    other->circulation.on = _i == 0;
    other->circulation.start = b.now.mono;
    other->circulation.till = other->circulation.command.ends = mono_after(b.now.mono, 60000);
    other->circulation.amps_before = 0.5;
    amps_after(2000, 1.3);
    ck_assert(!confirmed());
    core_confirm_circulation(b.core, LETTUCE, b.now);
    ck_assert_int_eq(other->circulation.seen, _i == 0);
    amps_after(2000, 2.1); /* it was freed */
    ck_assert(confirmed());
    flow()->seen = false; /* nor is it one of another chain */
    b.tank[LETTUCE].circulation.address.chain = EAST;
    other->circulation.seen = false;
    other->circulation.start = b.now.mono;
    amps_after(2000, 1.3);
    ck_assert(confirmed());
    b.tank[LETTUCE].circulation.address.chain = WEST;
    other->circulation.seen = true;
    amps_after(2000, 2.1);
    ck_assert(confirmed());
    /* who began first has no claim on what the first one draws */
    other->circulation.seen = false;
    other->circulation.on = true;
    other->circulation.start = mono_after(flow()->start, -1000);
    ck_assert(confirmed());
    amps_after(2000, 1.3);
    ck_assert(confirmed());
}
END_TEST

/* A flow is known of until the newest beat that agreed. */
START_TEST(a_flow_is_proven_by_the_beats_that_agree)
{
    prepare();
    begin(0.5);
    amps_after(1000, 1.3);
    const struct mono first = b.now.mono;
    ck_assert(confirmed());
    pass(1500);
    ck_assert(confirmed());
    ck_assert_int_eq(core_flow_proven(b.core, BASIL, b.now).ms, first.ms);
    amps_after(500, 1.3);
    const struct mono second = b.now.mono;
    ck_assert(confirmed());
    ck_assert_int_eq(core_flow_proven(b.core, BASIL, b.now).ms, second.ms);
    amps_after(2000, 0.5);
    ck_assert(!confirmed());
    ck_assert_int_eq(core_flow_proven(b.core, BASIL, b.now).ms, second.ms);
    tell_beat(WEST); /* no current tells: the report is all there is */
    ck_assert_int_eq(core_flow_proven(b.core, BASIL, b.now).ms, b.now.mono.ms);
}
END_TEST

/* What other outputs of the chain draw is taken off; what runs on another chain isn't. */
START_TEST(what_others_draw_isnt_taken_for_it)
{
    prepare();
    struct core_tank *lettuce = &b.core->tank[LETTUCE];
    begin(0.5);
    lettuce->circulation.on = lettuce->circulation.seen = true;
    lettuce->dose = (struct core_command){ .used = true, .running = true, .pump = 0 };
    tank()->dose = (struct core_command){ .used = true, .running = true, .pump = 3 }; /* east */
    amps_after(1000, 0.5 + 0.8 + 0.3);
    ck_assert(!confirmed());
    amps_after(1000, 0.5 + 0.8 + 0.3 + 0.8);
    ck_assert(confirmed());
    /* and a circulation on another chain doesn't count on this one */
    lettuce->circulation.on = lettuce->dose.used = false;
    b.tank[LETTUCE].circulation.address.chain = EAST;
    lettuce->circulation.on = true;
    amps_after(2000, 0.5 + 0.41);
    ck_assert(confirmed());
    ck_assert_uint_eq(flow()->amps_short, 0);
}
END_TEST

/* Found by simulation.storm (circulation-dead): of two that run one stands still, and the sum of
 * their currents doesn't tell which; the living one was doubted first, and then the dead one had
 * its current. Nobody looks at a tank while it doses but the beat does. */
START_TEST(of_two_that_run_neither_is_believed_when_one_is_missing)
{
    prepare();
    begin(0.5);
    amps_after(1000, 1.3);
    ck_assert(confirmed());
    struct core_tank *other = &b.core->tank[LETTUCE];
    other->circulation.on = other->circulation.seen = other->circulation.confirmed = true;
    other->circulation.till = flow()->till;
    other->circulation.amps_before = 0.5;
    for (int n = 0; n < 2; n++) {
        ck_assert(flow()->seen && other->circulation.seen);
        amps_after(2000, 1.3);
        ck_assert(!flow()->confirmed && !other->circulation.confirmed);
    }
    ck_assert(!flow()->seen && !other->circulation.seen);
    amps_after(2000, 1.3);
    ck_assert(!flow()->confirmed && !other->circulation.confirmed);
    core_end_circulation(b.core, BASIL, b.now); /* each from a standstill, when all have ended */
    ck_assert(!flow()->amps_doubt && other->circulation.amps_doubt);
    ck_assert(!core_circulation_may_begin(b.core, BASIL, b.now));
    core_end_circulation(b.core, LETTUCE, b.now);
    ck_assert(core_circulation_may_begin(b.core, BASIL, b.now));
}
END_TEST

START_TEST(a_flow_probe_must_show_flow)
{
    prepare();
    b.tank[BASIL].probe[PROBE_FLOW].present = true;
    begin(NAN);
    ck_assert(!confirmed());
    for (int n = 0; n < 3; n++) {
        tell_probe(BASIL, PROBE_FLOW, 0);
    }
    ck_assert(!confirmed());
    for (int n = 0; n < 3; n++) {
        tell_probe(BASIL, PROBE_FLOW, 25);
    }
    ck_assert(confirmed());
    pass(60001);
    tell_beat(WEST);
    ck_assert(!confirmed());
}
END_TEST

/* From a standstill, in the worst phase: a reading has just come. With a jump guard or without. */
static bool shows_in_time(double jump_most, double share)
{
    prepare();
    b.tank[BASIL].probe[PROBE_FLOW].present = true;
    b.tank[BASIL].probe[PROBE_FLOW].jump_most = jump_most;
    const int64_t every_ms = (int64_t)(share * (double)site_flow_every_ms(&b.tank[BASIL]));
    tell_probe(BASIL, PROBE_FLOW, 0);
    tell_probe(BASIL, PROBE_FLOW, 0);
    tell_probe(BASIL, PROBE_FLOW, 0);
    begin(NAN);
    bool seen = false;
    for (int64_t ms = 100; !seen && !core_circulation_unseen(b.core, BASIL, b.now); ms += 100) {
        pass(100);
        if (ms % 2000 == 0) tell_beat(WEST);
        if (ms % every_ms == 0) tell_probe(BASIL, PROBE_FLOW, 25);
        seen = confirmed();
    }
    bench_done();
    return seen;
}

START_TEST(a_flow_probe_that_sends_too_seldom_never_shows_it)
{
    const double jump_most = _i == 0 ? 0.0 : _i == 1 ? 40.0 : 5.0;
    ck_assert(shows_in_time(jump_most, 1.0));
    ck_assert(!shows_in_time(jump_most, 1.25));
}
END_TEST

/* Its time is up; the head has gone; the beat is old. */
START_TEST(it_is_confirmed_no_longer_than_it_runs)
{
    prepare();
    begin(NAN);
    ck_assert(confirmed());
    switch (_i) {
    case 0:
        pass(mono_since(flow()->till, b.now.mono));
        tell_beat(WEST);
        ck_assert(!confirmed() && !flow()->on);
        break;
    case 1:
        tell_head(WEST, false);
        ck_assert(!confirmed() && flow()->on);
        break;
    default:
        pass(6000);
        ck_assert(!confirmed() && flow()->on);
    }
}
END_TEST

/* --- asked for -------------------------------------------------------------------------------- */

START_TEST(it_is_asked_for_once_and_again_when_time_runs_short)
{
    prepare();
    begin(NAN);
    ck_assert(hold(60000));
    ck_assert_uint_eq(count_records("circulate"), 1);
    int64_t run_ms = 0;
    ck_assert(record_int(recorded("circulate"), "run_ms", &run_ms) && run_ms == 80000);
    pass(21000);
    tell_beat(WEST);
    ck_assert(!hold(60000));
    ck_assert_uint_eq(count_records("circulate"), 2);
    ck_assert(!hold(60000)); /* on its way */
    ck_assert_uint_eq(count_records("circulate"), 2);
    pass(COMMAND_START_MS);
    tell_beat(WEST);
    ck_assert(!hold(60000)); /* it didn't start: said again */
    ck_assert_uint_eq(count_records("circulate"), 3);
}
END_TEST

/* A head may take what was never answered even after the next one, and run on for as long as it
 * says (seed 676). */
START_TEST(what_was_never_answered_counts_until_its_latest_end)
{
    prepare();
    ck_assert(!hold(60000));
    const struct mono ends = flow()->command.ends;
    pass(COMMAND_START_MS);
    tell_beat(WEST);
    ck_assert(!hold(60000));
    ck_assert_uint_eq(count_records("circulate"), 2);
    ck_assert(flow()->lost);
    ck_assert_int_eq(flow()->lost_till.ms, ends.ms);
    tell_report(flow()->command.id, CHAIN_RUNNING, 0);
    tell_report(flow()->command.id, CHAIN_DONE, 1000);
    ck_assert(!flow()->on && !flow()->command.used && flow()->lost);
    confirm_at(mono_after(ends, -1));
    ck_assert(flow()->lost);
    confirm_at(ends);
    ck_assert(!flow()->lost);
}
END_TEST

START_TEST(of_several_that_were_never_answered_the_latest_end_counts)
{
    static const int64_t left_ms[] = { 1000, 60000, 1000, 1000 };
    struct mono latest = { 0 };
    prepare();
    for (size_t i = 0; i < sizeof left_ms / sizeof *left_ms; i++) {
        tell_beat(WEST);
        ck_assert(!hold(left_ms[i]));
        ck_assert_uint_eq(count_records("circulate"), i + 1);
        if (i > 0) ck_assert_int_eq(flow()->lost_till.ms, latest.ms);
        if (mono_since(flow()->command.ends, latest) > 0) latest = flow()->command.ends;
        pass(COMMAND_START_MS);
    }
}
END_TEST

START_TEST(what_was_answered_is_not_lost)
{
    prepare();
    begin(NAN);
    ck_assert(hold(60000));
    pass(21000);
    tell_beat(WEST);
    ck_assert(!hold(60000));
    ck_assert_uint_eq(count_records("circulate"), 2);
    ck_assert(!flow()->lost);
}
END_TEST

/* The head counts a run from its start, which is later than when it was asked for: when a longer
 * run is refused, the first one still draws when its time as asked for is over (seed 1527). */
START_TEST(what_was_seen_to_run_may_run_until_its_latest_end)
{
    prepare();
    begin(NAN);
    const struct mono till = flow()->till, ends = flow()->command.ends;
    pass(21000);
    tell_beat(WEST);
    ck_assert(!hold(60000));
    tell_report(flow()->command.id, CHAIN_REFUSED, 0);
    confirm_at(till);
    ck_assert(!flow()->on && !flow()->command.used);
    const struct chain_address *acid = &b.tank[BASIL].pump[2].address;
    b.site.chain[WEST].supply.amps = 1.4; /* 1.12 A: idle modules and a pump, or the circulation */
    ck_assert(!core_supply_allows(b.core, acid, false));
    confirm_at(mono_after(ends, -1));
    ck_assert(!core_supply_allows(b.core, acid, false));
    confirm_at(ends);
    ck_assert(core_supply_allows(b.core, acid, false));
}
END_TEST

START_TEST(what_was_reported_to_have_ended_doesnt_run) /* _i: its report, or the head began anew */
{
    prepare();
    begin(NAN);
    ck_assert(flow()->may_run);
    if (_i == 0)
        tell_report(flow()->command.id, CHAIN_DONE, 1000);
    else
        tell_roll(WEST, "boot-w2");
    ck_assert(!flow()->may_run);
}
END_TEST

/* Never for longer than the head allows, whatever is wanted. */
START_TEST(it_is_asked_for_at_most_for_what_the_head_allows)
{
    prepare();
    if (_i == 1) b.tank[BASIL].circulation.when = CIRCULATE_ALWAYS;
    ck_assert(!hold(_i == 0 ? DAY_MS : 1000));
    int64_t run_ms = 0;
    ck_assert(record_int(recorded("circulate"), "run_ms", &run_ms) && run_ms == 600000);
    pass(100);
    tell_report(flow()->command.id, CHAIN_RUNNING, 0);
    ck_assert(hold(DAY_MS)); /* more can't be had: it is covered */
}
END_TEST

START_TEST(it_isnt_asked_for_while_it_backs_off)
{
    prepare();
    tank()->not_before = mono_after(b.now.mono, 1000);
    ck_assert(!hold(60000));
    ck_assert(!flow()->command.used);
    pass(1000);
    ck_assert(!hold(60000));
    ck_assert(flow()->command.used);
}
END_TEST

/* The newest beat may still show the current of what has just ended: it isn't measured against. */
START_TEST(it_waits_for_a_beat_that_measures)
{
    prepare();
    tell_amps(0.5);
    core_doubt_amps(b.core, WEST, b.now);
    ck_assert(!hold(60000) && !flow()->command.used);
    amps_after(400, 0.5); /* on its way when it ended */
    ck_assert(!hold(60000) && !flow()->command.used);
    amps_after(100, 0.5);
    ck_assert(!hold(60000) && flow()->command.used);
}
END_TEST

/* What isn't seen to run ends by itself, so that the next try is measured from a standstill. */
START_TEST(what_isnt_seen_to_run_isnt_renewed)
{
    prepare();
    begin(0.5);
    ck_assert(!core_circulation_unseen(b.core, BASIL, b.now));
    pass(CIRCULATION_CONFIRM_MS + 2000);
    tell_amps(0.5);
    ck_assert(core_circulation_unseen(b.core, BASIL, b.now));
    amps_after(47000, 0.5);
    ck_assert(!hold(60000));
    ck_assert_uint_eq(count_records("circulate"), 1);
}
END_TEST

/* --- beside others ---------------------------------------------------------------------------- */

/* Two that start at once could be taken for each other. */
START_TEST(one_starts_after_the_other)
{
    prepare();
    struct core_tank *other = &b.core->tank[LETTUCE];
    other->circulation.awaited = b.now.mono;
    other->circulation.command.used = true;
    ck_assert(!core_circulation_may_begin(b.core, BASIL, b.now));
    ck_assert(!hold(60000) && !flow()->command.used);
    b.tank[LETTUCE].circulation.address.chain = EAST; /* on another chain it may */
    ck_assert(core_circulation_may_begin(b.core, BASIL, b.now));
    b.tank[LETTUCE].circulation.address.chain = WEST;
    other->circulation.command.used = false;
    ck_assert(core_circulation_may_begin(b.core, BASIL, b.now));
    other->circulation.on = other->circulation.confirmed = true;
    ck_assert(core_circulation_may_begin(b.core, BASIL, b.now));
    other->circulation.confirmed = false;
    other->circulation.start = b.now.mono;
    ck_assert(!core_circulation_may_begin(b.core, BASIL, b.now));
    pass(CIRCULATION_CONFIRM_MS + 2000); /* it isn't seen to run: nobody waits for it */
    tell_beat(WEST);
    ck_assert(core_circulation_may_begin(b.core, BASIL, b.now));
}
END_TEST

/* INV-13 */
START_TEST(it_waits_where_the_supply_cant_carry_it)
{
    prepare();
    b.site.chain[WEST].supply.amps = 1.0;
    ck_assert(!core_circulation_may_begin(b.core, BASIL, b.now));
    ck_assert(!hold(60000) && !flow()->command.used);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("circulation");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, a_current_that_rose_by_half_confirms_it);
    tcase_add_loop_test(t, a_current_that_a_hand_changed_confirms_nothing, 0, 4);
    tcase_add_test(t, a_hand_of_before_is_in_the_measure_of_before);
    tcase_add_loop_test(t, without_amps_the_report_alone_tells, 0, 3);
    tcase_add_test(t, two_beats_running_that_contradict_end_the_trust);
    tcase_add_test(t, what_others_draw_isnt_taken_for_it);
    tcase_add_loop_test(t, a_current_that_rises_is_the_newcomers_first, 0, 2);
    tcase_add_test(t, a_flow_is_proven_by_the_beats_that_agree);
    tcase_add_test(t, of_two_that_run_neither_is_believed_when_one_is_missing);
    tcase_add_test(t, a_flow_probe_must_show_flow);
    tcase_add_loop_test(t, a_flow_probe_that_sends_too_seldom_never_shows_it, 0, 3);
    tcase_add_loop_test(t, it_is_confirmed_no_longer_than_it_runs, 0, 3);
    tcase_add_test(t, what_was_never_answered_counts_until_its_latest_end);
    tcase_add_test(t, of_several_that_were_never_answered_the_latest_end_counts);
    tcase_add_test(t, what_was_answered_is_not_lost);
    tcase_add_test(t, what_was_seen_to_run_may_run_until_its_latest_end);
    tcase_add_loop_test(t, what_was_reported_to_have_ended_doesnt_run, 0, 2);
    tcase_add_test(t, it_is_asked_for_once_and_again_when_time_runs_short);
    tcase_add_loop_test(t, it_is_asked_for_at_most_for_what_the_head_allows, 0, 2);
    tcase_add_test(t, it_isnt_asked_for_while_it_backs_off);
    tcase_add_test(t, it_waits_for_a_beat_that_measures);
    tcase_add_test(t, what_isnt_seen_to_run_isnt_renewed);
    tcase_add_test(t, one_starts_after_the_other);
    tcase_add_test(t, it_waits_where_the_supply_cant_carry_it);
    return run_case(t, "circulation");
}
