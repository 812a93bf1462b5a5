/* The door: events in, and what each wakes. INV-n: safety invariants in DEVELOPERS.md. */
#include <math.h>

#include "tests/unit/core/core_fixture.h"

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

/* --- readings --------------------------------------------------------------------------------- */

static void tell_reading(struct event_reading r)
{
    struct event e = { .kind = EVENT_READING };
    e.reading = r;
    step(&e);
}

/* INV-3: what is no number renews nothing, and is counted. */
START_TEST(a_payload_without_a_number_is_no_reading)
{
    bench_ready();
    const struct mono at = tank()->probe[PROBE_PH].at;
    const uint64_t refused = tank()->probe[PROBE_PH].refused;
    pass(1000);
    tell_reading((struct event_reading){
        .tank = BASIL, .quantity = PROBE_PH, .verdict = PROBE_NOT_A_NUMBER, .number = 5.8 });
    ck_assert_int_eq(tank()->probe[PROBE_PH].at.ms, at.ms);
    ck_assert_uint_eq(tank()->probe[PROBE_PH].refused, refused + 1);
    ck_assert_int_eq(tank()->probe[PROBE_PH].last, PROBE_NOT_A_NUMBER);
}
END_TEST

START_TEST(a_retained_reading_is_old)
{
    bench_ready();
    const struct mono at = tank()->probe[PROBE_PH].at;
    pass(1000);
    tell_reading((struct event_reading){
        .tank = BASIL, .quantity = PROBE_PH, .retained = true, .number = 5.8 });
    ck_assert_int_eq(tank()->probe[PROBE_PH].at.ms, at.ms);
}
END_TEST

/* Water is looked at when the tank waits; a leak or a level at once, whatever it does. */
START_TEST(a_reading_wakes_the_tank_that_waits_for_it)
{
    static const struct {
        enum tank_step step;
        enum probe_quantity quantity;
        bool wakes;
    } cases[] = { { STEP_IDLE, PROBE_EC, true }, { STEP_MIX, PROBE_EC, true },
        { STEP_INJECT, PROBE_EC, false }, { STEP_FLUSH, PROBE_PH, false },
        { STEP_INJECT, PROBE_LEVEL, true }, { STEP_INJECT, PROBE_LEAK, true } };
    bench_init();
    make_probe(&b.tank[BASIL], PROBE_LEVEL, UNIT_PERCENT);
    make_probe(&b.tank[BASIL], PROBE_LEAK, UNIT_BOOL);
    bench_start();
    for (int n = 0; n < 3; n++) {
        tell_probe(BASIL, PROBE_EC, 1200);
        tell_probe(BASIL, PROBE_PH, 5.8);
        tell_probe(BASIL, PROBE_LEVEL, 1);
        tell_probe(BASIL, PROBE_LEAK, 0);
    }
    for (uint32_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        tank()->step = cases[i].step;
        tank()->due = mono_after(b.now.mono, HOUR_MS);
        tell_probe(BASIL, cases[i].quantity, cases[i].quantity == PROBE_EC ? 1200 : 1);
        ck_assert_int_eq(mono_since(tank()->due, b.now.mono) == 0, cases[i].wakes);
    }
}
END_TEST

/* EC is brought to 25 degC by the tank's own water, and by none that isn't good. */
START_TEST(a_conductivity_waits_for_a_good_temperature)
{
    bench_init();
    b.tank[BASIL].probe[PROBE_EC].compensated = false;
    b.tank[BASIL].probe[PROBE_EC].compensation = TEMPCO_LINEAR;
    b.tank[BASIL].probe[PROBE_EC].compensation_percent = 2.0;
    bench_start();
    for (int n = 0; n < 3; n++) {
        tell_probe(BASIL, PROBE_EC, 1000);
    }
    ck_assert(!tank()->probe[PROBE_EC].has_value);
    tell_water(BASIL, 1000, 5.8); /* 20 degC */
    tell_water(BASIL, 1000, 5.8);
    tell_probe(BASIL, PROBE_EC, 1000);
    ck_assert(fabs(tank()->probe[PROBE_EC].value - 1000.0 / 0.9) < 0.01);
}
END_TEST

/* --- the link, peers, zones ------------------------------------------------------------------- */

START_TEST(a_link_that_goes_takes_all_that_was_known_of_heads)
{
    bench_ready();
    const uint32_t before = count_records("link");
    tell_link(true);
    ck_assert_uint_eq(count_records("link"), before); /* nothing new */
    tank()->due = mono_after(b.now.mono, HOUR_MS);
    tell_link(false);
    ck_assert_uint_eq(count_records("link"), before + 1);
    const struct core_chain *c = &b.core->chain[WEST];
    ck_assert(!c->head_ready && !c->has_roll && !c->has_beat && !c->has_claim && !c->ours);
    ck_assert_int_eq(tank()->due.ms, b.now.mono.ms);
    ck_assert_int_eq(c->due.ms, b.now.mono.ms);
}
END_TEST

/* While it was away the one that it follows may have come to be another. */
START_TEST(a_link_that_goes_leaves_the_followed_to_be_confirmed) /* _i: active */
{
    bench_ready();
    b.core->active = _i == 1;
    b.core->follow.confirmed = true;
    tell_link(false);
    ck_assert(b.core->follow.confirmed == (_i == 1));
}
END_TEST

START_TEST(a_peer_is_another_daemon_of_this_site)
{
    bench_ready();
    struct event e = { .kind = EVENT_PEER_BEAT, .peer = { .same_site = true } };
    text_copy(e.peer.by, sizeof e.peer.by, b.core->identity.by);
    step(&e);
    ck_assert(!b.core->has_peer);
    text_copy(e.peer.by, sizeof e.peer.by, "stranger");
    e.peer.same_site = false;
    step(&e);
    ck_assert(!b.core->has_peer);
    const struct mono far = b.core->chain[WEST].owner_at;
    e.peer.same_site = true;
    step(&e);
    ck_assert(b.core->has_peer);
    ck_assert_str_eq(b.core->peer, "stranger");
    ck_assert_int_eq(b.core->chain[WEST].owner_at.ms, far.ms); /* it commands no chain */
    tell_claim(WEST, "stranger", 9);
    b.core->chain[EAST].has_claim = false;
    step(&e);
    ck_assert_int_eq(b.core->chain[WEST].owner_at.ms, b.now.mono.ms);
    ck_assert_int_eq(b.core->chain[EAST].owner_at.ms, far.ms);
}
END_TEST

START_TEST(a_zones_offset_moves_the_crops_day)
{
    bench_ready();
    struct event e = { .kind = EVENT_ZONES };
    e.zone.tank = BASIL;
    e.zone.offset_ms = 2 * HOUR_MS;
    step(&e);
    ck_assert_int_eq(tank()->zone_offset_ms, 2 * HOUR_MS);
    ck_assert_int_eq(b.core->tank[LETTUCE].zone_offset_ms, 0);
}
END_TEST

/* --- the journal ------------------------------------------------------------------------------ */

static void tell_journal(bool ok, const char *why)
{
    struct event e = { .kind = EVENT_JOURNAL };
    e.journal.ok = ok;
    text_copy(e.journal.why, sizeof e.journal.why, why);
    step(&e);
}

/* INV-11: nothing moves without it, and it goes on by itself. */
START_TEST(a_journal_that_cant_be_written_stops_dosing_until_it_can)
{
    bench_ready();
    ck_assert(core_gate_move(b.core, BASIL, b.now));
    tell_journal(true, "");
    ck_assert_uint_eq(b.actions.count, 0); /* nothing new */
    tank()->due = mono_after(b.now.mono, HOUR_MS);
    tell_journal(false, "disk full");
    ck_assert(alert_stands(b.core, "journal"));
    ck_assert_int_eq(tank()->due.ms, b.now.mono.ms);
    ck_assert(!core_gate_move(b.core, BASIL, b.now));
    ck_assert_str_eq(tank()->why, "the journal can't be written: disk full");
    tell_journal(true, "");
    ck_assert(!alert_stands(b.core, "journal"));
    ck_assert(core_gate_move(b.core, BASIL, b.now));
}
END_TEST

/* --- ticks ------------------------------------------------------------------------------------ */

START_TEST(a_tick_looks_after_what_has_waited_longest)
{
    bench_ready();
    for (uint32_t c = 0; c < CHAINS; c++) {
        b.core->chain[c].due = mono_after(b.now.mono, 100);
    }
    tank()->due = mono_after(b.now.mono, -1);
    b.core->tank[LETTUCE].due = mono_after(b.now.mono, -2);
    ck_assert_int_eq(core_wakes_at(b.core).ms, b.now.mono.ms - 2);
    tick();
    ck_assert_int_gt(b.core->tank[LETTUCE].due.ms, b.now.mono.ms);
    ck_assert_int_eq(core_wakes_at(b.core).ms, b.now.mono.ms - 1);
    tick();
    ck_assert_int_gt(tank()->due.ms, b.now.mono.ms);
    tick(); /* nothing is due */
    ck_assert_uint_eq(b.actions.count, 0);
    ck_assert_int_eq(core_wakes_at(b.core).ms, b.now.mono.ms + 100);
}
END_TEST

START_TEST(a_site_without_tanks_ticks)
{
    bench_init();
    b.site.tank_count = 0;
    bench_start();
    for (int n = 0; n < 3; n++) {
        tick();
    }
    ck_assert_int_gt(core_wakes_at(b.core).ms, b.now.mono.ms);
}
END_TEST

/* --- bugs end the program --------------------------------------------------------------------- */

START_TEST(an_index_that_is_none_is_a_bug)
{
    bench_ready();
    if (_i == 0) tell_probe(TANKS, PROBE_EC, 1200);
    if (_i == 1) tell_beat(CHAINS);
    if (_i == 2) ask_for((struct event_request){ .kind = REQUEST_COUNT });
}
END_TEST

/* --- chains ----------------------------------------------------------------------------------- */

START_TEST(an_event_of_another_kind_is_none_of_a_chains)
{
    bench_ready();
    const struct event e = { .kind = EVENT_TICK };
    b.actions.count = 0;
    core_on_chain(b.core, &e, b.now, &b.actions);
    ck_assert_uint_eq(b.actions.count, 0);
    ck_assert(core_chain_ready(b.core, WEST, b.now, NULL));
}
END_TEST

/* INV-4: an exchange is told until it is undone. */
START_TEST(a_chain_in_another_order_is_told_and_moves_nothing)
{
    bench_ready();
    struct event e = roll_of(WEST, "boot-w");
    e.roll.module[0] = e.roll.module[1];
    e.roll.module[0].position = 1;
    step(&e);
    ck_assert(alert_stands(b.core, "roll-call-west"));
    ck_assert(!core_gate_move(b.core, BASIL, b.now));
    tell_roll(WEST, "boot-w");
    ck_assert(!alert_stands(b.core, "roll-call-west"));
    ck_assert(core_gate_move(b.core, BASIL, b.now));
}
END_TEST

/* The ledger settles what no report told, the oldest entry first. */
START_TEST(a_ledger_settles_what_was_under_way)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, 0, 5000);
    struct event e = { .kind = EVENT_LEDGER, .chain = WEST };
    e.ledger.count = 2;
    for (uint32_t i = 0; i < 2; i++) {
        struct chain_report *r = &e.ledger.entry[i];
        text_copy(r->id, sizeof r->id, i == 0 ? "d9-9" : dose.id);
        r->state = CHAIN_STOPPED;
        r->ran_ms = 1500;
    }
    ck_assert(!b.core->chain[WEST].ledger_seen);
    step(&e);
    ck_assert(b.core->chain[WEST].ledger_seen && !tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, 0), 1500);
}
END_TEST

/* A beat may confirm the circulation that its own chain's tank waits for. */
START_TEST(a_beat_wakes_the_tank_that_waits_for_circulation)
{
    bench_ready();
    b.tank[LETTUCE].circulation.address.chain = EAST;
    for (int i = 0; i < TANKS; i++) {
        b.core->tank[i].step = STEP_CIRCULATE;
        b.core->tank[i].due = mono_after(b.now.mono, HOUR_MS);
    }
    tell_beat(WEST);
    ck_assert_int_eq(tank()->due.ms, b.now.mono.ms);
    ck_assert_int_gt(b.core->tank[LETTUCE].due.ms, b.now.mono.ms);
    tank()->step = STEP_INJECT;
    tank()->due = mono_after(b.now.mono, HOUR_MS);
    tell_beat(WEST);
    ck_assert_int_gt(tank()->due.ms, b.now.mono.ms);
}
END_TEST

/* --- commands --------------------------------------------------------------------------------- */

/* docs/contract.md 2.6: what each command of this daemon carries. */
START_TEST(a_dose_names_its_claim_its_roll_call_and_its_need)
{
    bench_ready();
    pass(500);
    b.actions.count = 0;
    send_dose(BASIL, _i == 0 ? 0 : 3, 5000);
    ck_assert_int_eq(b.actions.item[0].kind, ACTION_RECORD); /* INV-7: before it is sent */
    const struct action *send = wanted(ACTION_SEND);
    const struct chain_command *c = &send->command;
    const uint32_t chain = _i == 0 ? WEST : EAST;
    ck_assert_uint_eq(send->chain, chain);
    ck_assert_str_eq(c->by, b.core->identity.by);
    ck_assert_int_eq(c->reign, b.core->chain[chain].claim.reign);
    ck_assert_str_eq(c->boot, _i == 0 ? "boot-w" : "boot-e");
    ck_assert_str_eq(c->serial, _i == 0 ? "a1f3" : "c91d");
    ck_assert(c->position == 1 && c->channel == 1 && c->run_ms == 5000 && c->ul == 5000);
    ck_assert_int_eq(c->until_ms, b.core->chain[chain].beat.up_ms + 500 + COMMAND_START_MS);
    ck_assert_uint_eq(c->needs.position, _i == 0 ? 1 : 0); /* a head can't look at another chain */
    ck_assert_str_eq(c->needs.serial, _i == 0 ? "a1f3" : "");
    ck_assert_str_eq(record_text_or_empty(recorded("dose"), "id"), c->id);
}
END_TEST

START_TEST(no_name_of_an_entry_is_zero)
{
    ck_assert_uint_ne(core_tag("d1-1"), core_tag("d1-2"));
    ck_assert_uint_ne(core_tag(""), 0);
    ck_assert_uint_eq(core_tag("!0IC=VloaY"), 1); /* whose sum is 0 */
}
END_TEST

/* What is stopped with a tank: its dose always, its circulation where that must stand still. */
START_TEST(circulation_is_stopped_where_nothing_may_move)
{
    bench_ready();
    tank()->circulation.on = _i != 1;
    if (_i == 2) b.core->chain[WEST].has_beat = false;
    b.actions.count = 0;
    core_stop_tank(b.core, BASIL, _i != 0, b.now, &b.actions);
    const struct action *stop = wants(ACTION_STOP);
    ck_assert_int_eq(stop != NULL, _i == 3);
    if (stop == NULL) return;
    ck_assert(stop->command.channel == 0);
    ck_assert_str_eq(stop->command.serial, "a1f3");
}
END_TEST

/* --- alerts ----------------------------------------------------------------------------------- */

/* Sixty-four stand: one more has no room, and those that stand stay. */
START_TEST(more_alerts_than_can_stand_are_left_out)
{
    bench_ready();
    b.actions.count = 0;
    for (int64_t n = 0; n < CORE_ALERTS_MAX + 3; n++) {
        char key[CHAIN_WORD_MAX], id[ALERT_ID_MAX];
        struct text t = text_over(key, sizeof key);
        text_add_int(&t, n);
        alert_name(id, "test", key, NULL);
        alert_raise(b.core, id, -1, "text", &b.actions);
        ck_assert_int_eq(alert_stands(b.core, id), n < CORE_ALERTS_MAX);
        keep_records();
        b.actions.count = 0;
    }
    ck_assert_uint_eq(count_records("alert"), CORE_ALERTS_MAX);
    alert_clear(b.core, "test-5", &b.actions);
    alert_clear(b.core, "test-5", &b.actions); /* it has gone */
    alert_raise(b.core, "late", -1, "text", &b.actions);
    ck_assert(alert_stands(b.core, "late") && !alert_stands(b.core, "test-5"));
}
END_TEST

/* A step's actions have room for so many: the rest is raised no more, and can be ended all the
 * same. */
START_TEST(alerts_of_locks_fill_no_more_than_a_step_holds)
{
    bench_ready();
    tank()->locked[LAW_ACID] = true;
    b.actions.count = ACTIONS_MAX / 2;
    core_raise_locks(b.core, &b.actions);
    ck_assert_uint_eq(b.actions.count, ACTIONS_MAX / 2);
    b.actions.count = ACTIONS_MAX / 2 - 1;
    core_raise_locks(b.core, &b.actions);
    ck_assert(alert_stands(b.core, "no-effect-basil-acid"));
}
END_TEST

/* What must be said again is said in portions, each within one step's actions. */
START_TEST(what_is_carried_comes_in_portions)
{
    bench_ready();
    b.core->chain[EAST].former.by[0] = '\0'; /* never commanded */
    for (uint32_t i = 0; i < CHAIN_TOTALS_MAX; i++) {
        ck_assert_ptr_nonnull(core_total_of(b.core, WEST, "a1f3", i));
    }
    b.record_count = 0;
    uint32_t cursor = 0, portions = 0;
    while (core_carry(b.core, &cursor, b.now, &b.actions)) {
        ck_assert_uint_le(b.actions.count, ACTIONS_MAX / 2 + 2);
        keep_records();
        portions++;
    }
    ck_assert_uint_gt(portions, 1);
    ck_assert_uint_eq(count_records("hand-base"), CHAIN_TOTALS_MAX);
    ck_assert_uint_eq(count_records("reign"), 1);
    ck_assert_uint_eq(count_records("carry"), 1 + STOCKS + TANKS);
    ck_assert_uint_eq(count_records("learned"), 2 * TANKS);
}
END_TEST

START_TEST(a_chain_without_a_roll_call_is_in_no_order)
{
    bench_init();
    bench_start();
    b.actions.count = 0;
    core_look_at_roll(b.core, WEST, b.now, &b.actions);
    ck_assert_uint_eq(b.actions.count, 0);
    ck_assert(!b.core->chain[WEST].matches);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("step");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, a_payload_without_a_number_is_no_reading);
    tcase_add_test(t, a_retained_reading_is_old);
    tcase_add_test(t, a_reading_wakes_the_tank_that_waits_for_it);
    tcase_add_test(t, a_conductivity_waits_for_a_good_temperature);
    tcase_add_test(t, a_link_that_goes_takes_all_that_was_known_of_heads);
    tcase_add_loop_test(t, a_link_that_goes_leaves_the_followed_to_be_confirmed, 0, 2);
    tcase_add_test(t, a_peer_is_another_daemon_of_this_site);
    tcase_add_test(t, a_zones_offset_moves_the_crops_day);
    tcase_add_test(t, a_journal_that_cant_be_written_stops_dosing_until_it_can);
    tcase_add_test(t, a_tick_looks_after_what_has_waited_longest);
    tcase_add_test(t, a_site_without_tanks_ticks);
    tcase_add_loop_test_raise_signal(t, an_index_that_is_none_is_a_bug, 6, 0, 3);
    tcase_add_test(t, an_event_of_another_kind_is_none_of_a_chains);
    tcase_add_test(t, a_chain_in_another_order_is_told_and_moves_nothing);
    tcase_add_test(t, a_ledger_settles_what_was_under_way);
    tcase_add_test(t, a_beat_wakes_the_tank_that_waits_for_circulation);
    tcase_add_loop_test(t, a_dose_names_its_claim_its_roll_call_and_its_need, 0, 2);
    tcase_add_test(t, no_name_of_an_entry_is_zero);
    tcase_add_loop_test(t, circulation_is_stopped_where_nothing_may_move, 0, 4);
    tcase_add_test(t, more_alerts_than_can_stand_are_left_out);
    tcase_add_test(t, alerts_of_locks_fill_no_more_than_a_step_holds);
    tcase_add_test(t, what_is_carried_comes_in_portions);
    tcase_add_test(t, a_chain_without_a_roll_call_is_in_no_order);
    return run_case(t, "step");
}
