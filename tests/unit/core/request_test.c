/* What people and programs may ask for, and what they may not. INV-n: safety invariants in
 * DEVELOPERS.md. */
#include <math.h>

#include "lib/core/limits_known.h"
#include "tests/unit/core/core_fixture.h"

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

static bool ask_tank(enum request_kind kind, bool on)
{
    return ask_for((struct event_request){ .kind = kind, .tank = BASIL, .on = on });
}

/* --- identify --------------------------------------------------------------------------------- */

static bool tick_of(uint32_t chain, uint32_t position, uint32_t channel)
{
    return ask_for((struct event_request){
        .kind = REQUEST_IDENTIFY, .chain = chain, .address = { chain, position, channel } });
}

/* INV-1, 7: it counts, it is recorded before it is sent, and its stock is in the line. */
START_TEST(a_tick_is_a_movement_like_any_other)
{
    bench_ready();
    ck_assert(tick_of(WEST, 1, 3));
    ck_assert_int_eq(b.actions.item[0].kind, ACTION_RECORD);
    ck_assert(record_is(&b.actions.item[0].record, "identify"));
    const struct chain_command *c = &wanted(ACTION_SEND)->command;
    ck_assert_int_eq(c->action, CHAIN_IDENTIFY);
    ck_assert(c->position == 1 && c->channel == 3 && c->run_ms == 100);
    ck_assert_str_eq(c->serial, "a1f3");
    ck_assert_int_eq(used_ul(BASIL, 2), 100);
    ck_assert(tank()->line_dirty && tank()->mix_owed);
    ck_assert(!b.core->tank[LETTUCE].line_dirty);
    ck_assert_int_eq(b.core->stock[ACID].remaining_ul, 5000000 - 100);
}
END_TEST

/* INV-5. Defect: a tick of the acid pump didn't keep base waiting. */
START_TEST(a_tick_of_acid_begins_the_spacing)
{
    bench_ready();
    ck_assert(tick_of(WEST, 1, 3));
    const struct core_dose base = { .pump = BASE, .stock = LAW_BASE, .ul = 1000 };
    pass(MINUTE_MS);
    ck_assert(!core_dose_fits(b.core, BASIL, &base, b.now));
}
END_TEST

/* INV-5. Defect: a tick of the acid pump ran at once after base. */
START_TEST(a_tick_of_acid_keeps_its_distance_from_base)
{
    bench_ready();
    tank()->base_ended = b.now.mono;
    ck_assert(!tick_of(WEST, 1, 3));
    ck_assert_str_eq(answered(), "too-soon");
    ck_assert_ptr_null(wants(ACTION_SEND));
    ck_assert(tick_of(WEST, 1, 1));
}
END_TEST

/* INV-1. Defect: a tick of a large pump was held against the limits as a smallest dose. */
START_TEST(a_tick_is_counted_as_large_as_it_is)
{
    bench_ready();
    b.tank[BASIL].pump[2].ml_per_s = 20.0; /* a tick of 2 mL, the smallest dose is 0.5 */
    window_add(&tank()->pump[2].window, (struct window_entry){ b.now.mono, 58001, 0 }, b.now.mono);
    ck_assert(!tick_of(WEST, 1, 3));
    ck_assert_str_eq(answered(), "over-limit");
    ck_assert_int_eq(used_ul(BASIL, 2), 58001);
    tank()->pump[2].window.count = 0;
    ck_assert(tick_of(WEST, 1, 3));
    ck_assert_int_eq(used_ul(BASIL, 2), 2000);
}
END_TEST

/* Windows have room for the smallest doses, and a run of no length is none. Found by fuzzing: a
 * prime of nothing broke an INVARIANT. */
START_TEST(less_than_the_smallest_dose_is_refused)
{
    bench_ready();
    const int64_t smallest = b.site.tank[BASIL].pump[0].limits.smallest_ul;
    const int64_t less[] = { 0, 1, smallest - 1 };
    ck_assert(
        ask_for((struct event_request){
            .kind = REQUEST_PRIME, .tank = BASIL, .stock = LEAF_A, .ul = less[_i] }) == false);
    ck_assert_str_eq(answered(), "too-small");
    ck_assert(ask_for((struct event_request){
        .kind = REQUEST_PRIME, .tank = BASIL, .stock = LEAF_A, .ul = smallest }));
}
END_TEST

START_TEST(what_no_disk_will_keep_is_done_and_said)
{
    bench_ready();
    ck_assert(ask_for((struct event_request){
        .kind = REQUEST_PRIME, .tank = BASIL, .stock = LEAF_A, .ul = 5000 }));
    b.core->journal_ok = false;
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_CANCEL, .tank = BASIL }));
    ck_assert_ptr_null(strstr(wanted(ACTION_ANSWER)->answer.text, "restart"));
    struct event_request q = { .kind = REQUEST_SERVICE, .tank = BASIL, .on = true };
    ck_assert(ask_for(q));
    ck_assert(tank()->service);
    ck_assert_ptr_nonnull(
        strstr(wanted(ACTION_ANSWER)->answer.text, "after a restart nobody knows"));
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_HALT, .on = true }));
    ck_assert_ptr_nonnull(
        strstr(wanted(ACTION_ANSWER)->answer.text, "after a restart nobody knows"));
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_JOURNAL, .from = 1, .to = 2 }));
    ck_assert_ptr_null(strstr(wanted(ACTION_ANSWER)->answer.text, "restart"));
    struct event_request ec = { .kind = REQUEST_SET_EC, .tank = BASIL, .value = 1300 };
    ck_assert(ask_for(ec));
    ck_assert_ptr_nonnull(
        strstr(wanted(ACTION_ANSWER)->answer.text, "then the schedule again; but"));
    b.core->journal_ok = true;
    q.on = false;
    ck_assert(ask_for(q));
    ck_assert_ptr_null(strstr(wanted(ACTION_ANSWER)->answer.text, "restart"));
}
END_TEST

static void halted(void)
{
    b.core->halted = true;
}

static void journal_closed(void)
{
    b.core->journal_ok = false;
}

static void chain_not_ready(void)
{
    b.core->chain[WEST].ours = false;
}

static void far_chain_not_ready(void)
{
    b.core->chain[EAST].ours = false;
}

static void service_elsewhere(void)
{
    b.core->tank[LETTUCE].service = true;
}

static void limit_used_up(void)
{
    window_add(&tank()->pump[2].window, (struct window_entry){ b.now.mono, 59501, 0 }, b.now.mono);
}

static void supply_in_use(void)
{
    b.site.chain[WEST].supply.amps = 0.4;
}

static void dose_under_way(void)
{
    send_dose(BASIL, 0, 1000);
}

static void line_dirty(void)
{
    tank()->line_dirty = true;
}

static void level_low(void)
{
    b.tank[BASIL].has_level_min = true;
    b.tank[BASIL].level_min_percent = 30;
    b.tank[BASIL].probe[PROBE_LEVEL].max_age_ms = 60000;
}

/* INV-1, 3, 5, 8, 13: interlocks hold for a tick, too. Defect: it looked neither at the interlocks
 * of the tank nor at what its line held. */
START_TEST(a_tick_keeps_every_interlock)
{
    static const struct {
        void (*change)(void);
        const char *reason;
    } cases[] = { { halted, "halted" }, { journal_closed, "not-ready" },
        { chain_not_ready, "not-ready" }, { far_chain_not_ready, "not-ready" },
        { service_elsewhere, "service" }, { limit_used_up, "over-limit" },
        { supply_in_use, "busy" }, { dose_under_way, "busy" }, { line_dirty, "busy" },
        { level_low, "not-ready" } };
    for (uint32_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        bench_ready();
        cases[i].change();
        ck_assert_msg(!tick_of(WEST, 1, 3), "%u", i);
        ck_assert_msg(text_same(answered(), cases[i].reason), "%u: %s", i, answered());
        ck_assert_ptr_null(wants(ACTION_SEND));
        ck_assert_int_eq(used_ul(BASIL, 2), cases[i].change == limit_used_up ? 59501 : 0);
        ck_assert(!b.core->tank[LETTUCE].line_dirty);
        bench_done();
    }
}
END_TEST

/* Defect: a pump that no tank uses ticked, and what it gave counted nowhere. */
START_TEST(only_outputs_that_are_configured_tick)
{
    bench_ready();
    ck_assert(!tick_of(WEST, 1, 4));
    ck_assert_str_eq(answered(), "no-such-pump");
    ck_assert(!tick_of(WEST, 3, 1));
    ck_assert_str_eq(answered(), "no-such-module");
    ck_assert(tick_of(WEST, 2, CHAIN_CIRCULATION_CHANNEL)); /* moves no stock */
    ck_assert(!b.core->tank[LETTUCE].line_dirty);
}
END_TEST

/* --- setpoints -------------------------------------------------------------------------------- */

static bool set(enum request_kind kind, double value)
{
    return ask_for((struct event_request){ .kind = kind, .tank = BASIL, .value = value });
}

/* INV-6: the ends of the envelope are in it, and what isn't a number is not. */
START_TEST(no_setpoint_leaves_the_envelope)
{
    bench_ready();
    const double ec[] = { 199.9, 2500.1, NAN, INFINITY }, ph[] = { 4.99, 7.01, NAN, -INFINITY };
    for (int i = 0; i < 4; i++) {
        ck_assert(!set(REQUEST_SET_EC, ec[i]));
        ck_assert_str_eq(answered(), "out-of-envelope");
        ck_assert_str_eq(wants(ACTION_ANSWER)->answer.text,
            "the configuration's envelope goes from EC 0.20 mS/cm to EC 2.50 mS/cm");
        ck_assert(!set(REQUEST_SET_PH, ph[i]));
    }
    ck_assert(!crop_override_runs(&tank()->override, b.now.mono));
    ck_assert(set(REQUEST_SET_EC, 200) && set(REQUEST_SET_EC, 2500));
    ck_assert(set(REQUEST_SET_PH, 5) && set(REQUEST_SET_PH, 7));
    const struct crop_target now = core_setpoint(b.core, BASIL, b.now);
    ck_assert(now.ec_us_cm == 2500.0 && now.ph == 7.0);
}
END_TEST

START_TEST(an_override_ends_and_leaves_nothing_to_the_next)
{
    bench_ready();
    ck_assert(set(REQUEST_SET_EC, 1500));
    pass(8 * HOUR_MS);
    ck_assert(set(REQUEST_SET_PH, 6.2));
    const struct crop_target now = core_setpoint(b.core, BASIL, b.now);
    ck_assert(now.ec_us_cm == 1200.0 && now.ph == 6.2);
}
END_TEST

static bool override_for(int64_t span_ms)
{
    return ask_for(
        (struct event_request){ .kind = REQUEST_OVERRIDE_FOR, .tank = BASIL, .span_ms = span_ms });
}

START_TEST(overrides_last_as_long_as_was_asked_and_allowed)
{
    bench_ready();
    ck_assert(!override_for(-1) && !override_for(72 * HOUR_MS + 1));
    ck_assert_str_eq(answered(), "too-long");
    ck_assert_ptr_nonnull(strstr(wants(ACTION_ANSWER)->answer.text, "at most 3 d"));
    ck_assert(override_for(72 * HOUR_MS) && override_for(HOUR_MS));
    ck_assert(set(REQUEST_SET_EC, 1500));
    ck_assert_str_eq(wants(ACTION_ANSWER)->answer.text,
        "EC 1.50 mS/cm holds for 60 min, then the schedule again");
    ck_assert_int_eq(mono_since(tank()->override.ec_ends, b.now.mono), HOUR_MS);
    ck_assert(override_for(0));
    ck_assert(!crop_override_runs(&tank()->override, b.now.mono));
    ck_assert_int_eq(tank()->override_for_ms, HOUR_MS);
    tank()->override_for_ms = 0;
    ck_assert(!set(REQUEST_SET_EC, 1500));
    ck_assert_str_eq(answered(), "no-span");
}
END_TEST

/* --- locks, bottles, alerts ------------------------------------------------------------------- */

START_TEST(pause_and_service_are_flags_of_one_tank)
{
    bench_ready();
    ck_assert(ask_tank(REQUEST_PAUSE, true) && tank()->paused && !tank()->service);
    ck_assert(ask_tank(REQUEST_SERVICE, true) && tank()->service);
    ck_assert(ask_tank(REQUEST_PAUSE, false) && !tank()->paused && tank()->service);
    ck_assert(ask_tank(REQUEST_SERVICE, false) && !tank()->service);
    ck_assert(!b.core->tank[LETTUCE].paused && !b.core->tank[LETTUCE].service);
    ck_assert_uint_eq(count_records("request"), 4); /* INV-7: who asked for what */
    ck_assert_str_eq(record_text_or_empty(recorded("request"), "by"), "test");
}
END_TEST

static bool pause_for(bool on, const char *what_for)
{
    struct event_request q = { .kind = REQUEST_PAUSE, .tank = BASIL, .on = on };
    text_copy(q.word, sizeof q.word, what_for);
    return ask_for(q);
}

/* What a person paused stays paused, whatever a program does that pauses for itself. */
START_TEST(a_program_ends_no_pause_but_its_own)
{
    bench_ready();
    ck_assert(pause_for(true, "the test of a supply"));
    ck_assert_str_eq(record_text_or_empty(recorded("request"), "for"), "the test of a supply");
    ck_assert(!core_gate_dose(b.core, BASIL, b.now));
    ck_assert_msg(strstr(tank()->why, "paused for the test of a supply; if nobody") != NULL, "%s",
        tank()->why);
    ck_assert_ptr_nonnull(strstr(tank()->why, "'dosewright unpause basil'"));
    ck_assert(pause_for(true, "the test of a supply")); /* taken up again */
    ck_assert(!pause_for(false, "something else") && tank()->paused);
    ck_assert_str_eq(answered(), "not-yours");
    ck_assert(pause_for(false, "the test of a supply") && !tank()->paused);
    ck_assert(pause_for(false, "the test of a supply") && !tank()->paused);

    ck_assert(pause_for(true, "the test of a supply"));
    ck_assert(ask_tank(REQUEST_PAUSE, true)); /* a person, meanwhile */
    ck_assert(!pause_for(false, "the test of a supply") && tank()->paused);
    ck_assert(!pause_for(true, "the test of a supply") && tank()->paused);
    ck_assert(!core_gate_dose(b.core, BASIL, b.now));
    ck_assert_str_eq(tank()->why, "paused; 'unpause' (or dosing/paused false) ends it");
    ck_assert(ask_tank(REQUEST_PAUSE, false) && !tank()->paused);

    ck_assert(pause_for(true, "the test of a supply"));
    ck_assert(ask_tank(REQUEST_PAUSE, false) && !tank()->paused); /* a person ends any */
}
END_TEST

START_TEST(a_bottle_is_refilled_within_its_size)
{
    bench_ready();
    struct event_request q = { .kind = REQUEST_REFILLED, .stock = ACID, .ul = 0 };
    ck_assert(!ask_for(q));
    q.ul = 5000001;
    ck_assert(!ask_for(q));
    ck_assert_str_eq(answered(), "out-of-range");
    q.ul = 4000000;
    ck_assert(ask_for(q));
    ck_assert_int_eq(b.core->stock[ACID].remaining_ul, 4000000);
}
END_TEST

static bool acknowledge(const char *word)
{
    struct event_request q = { .kind = REQUEST_ACKNOWLEDGE };
    text_copy(q.word, sizeof q.word, word);
    return ask_for(q);
}

START_TEST(an_alert_is_acknowledged_by_its_name)
{
    bench_ready();
    ck_assert(!acknowledge("limits-unknown-west"));
    ck_assert_str_eq(answered(), "no-such-alert");
    core_forget_limits(b.core, WEST, b.now.mono);
    core_forget_limits(b.core, EAST, b.now.mono);
    pass(2000);
    ticks();
    ck_assert(acknowledge("limits-unknown-west"));
    ck_assert(!b.core->chain[WEST].limits_unknown && b.core->chain[EAST].limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 0);
    ck_assert_int_eq(used_ul(BASIL, 3), 200000);
    alert_raise(b.core, "taken-over-west", -1, "text", &b.actions);
    ck_assert(acknowledge("taken-over-west"));
    ck_assert(!alert_stands(b.core, "taken-over-west"));
}
END_TEST

/* --- halting ---------------------------------------------------------------------------------- */

/* Rulings: stopping is never refused for a flag, everything else is. */
START_TEST(a_retained_request_only_ever_stops)
{
    bench_ready();
    struct event_request q = { .kind = REQUEST_HALT, .on = true };
    q.origin.retained = true;
    ck_assert(ask_for(q) && b.core->halted);
    ck_assert_int_eq(b.actions.item[WEST].kind, ACTION_STOP); /* before it is told */
    ck_assert(alert_stands(b.core, "halt-kept"));
    q.on = false;
    ck_assert(!ask_for(q) && b.core->halted);
    ck_assert_str_eq(answered(), "retained");
    ck_assert(alert_stands(b.core, "halt-kept"));
    q.origin.retained = false;
    ck_assert(ask_for(q) && !b.core->halted);
    ck_assert(!alert_stands(b.core, "halt-kept"));
    q.on = true;
    ck_assert(ask_for(q) && !alert_stands(b.core, "halt-kept"));
    q.origin.retained = true;
    q.kind = REQUEST_PAUSE;
    q.on = true;
    ck_assert(!ask_for(q) && !tank()->paused);
    ck_assert_uint_eq(b.core->refused_messages, 2);
}
END_TEST

/* One that couldn't be read is recorded with the words that say why, as far as there are any. */
START_TEST(a_request_that_wasnt_read_is_recorded_with_its_reason)
{
    bench_ready();
    struct event_request q = { .kind = REQUEST_UNREAD };
    if (_i == 1) q.refusal = (struct event_refusal){ "malformed", "byte 3: a number was due" };
    ck_assert(!ask_for(q));
    ck_assert_str_eq(answered(), _i == 1 ? "malformed" : "unknown");
    const struct record *r = recorded("request");
    ck_assert_str_eq(record_text_or_empty(r, "reason"), answered());
    ck_assert_str_eq(record_text_or_empty(r, "text"), _i == 1 ? "byte 3: a number was due" : "");
}
END_TEST

/* INV-8: the stops leave before anything is recorded, one message a chain. */
START_TEST(a_halt_reaches_every_chain_first)
{
    bench_ready();
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_HALT, .on = true }));
    ck_assert_int_eq(b.actions.item[WEST].kind, ACTION_STOP);
    ck_assert_int_eq(b.actions.item[EAST].kind, ACTION_STOP);
    ck_assert_int_eq(b.actions.item[EAST].command.action, CHAIN_HALT);
    ck_assert_uint_eq(b.actions.item[EAST].chain, EAST);
}
END_TEST

START_TEST(a_release_resumes_what_was_halted)
{
    bench_ready();
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_HALT, .on = true }));
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_HALT, .on = false }));
    ck_assert_uint_eq(count_records("resume"), 2);
    ck_assert_int_eq(wanted(ACTION_SEND)->command.action, CHAIN_RESUME);
    b.record_count = 0;
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_HALT, .on = false }));
    ck_assert_uint_eq(count_records("resume"), 0); /* nothing to end */
}
END_TEST

/* A head that can't be told yet is told later; a standby leaves it to the other daemon. */
/* The disk was slow: the command that ends the halt was too old to leave. Defect: the head stayed
 * halted, and the site didn't know. _i: nobody wants it otherwise, halted again, another command.
 */
START_TEST(a_release_that_never_left_is_said_again)
{
    bench_ready();
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_HALT, .on = true }));
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_HALT, .on = false }));
    struct event e = { .kind = EVENT_UNSENT, .chain = WEST };
    for (uint32_t i = 0; i < b.actions.count; i++) {
        const struct action *a = &b.actions.item[i];
        if (a->kind == ACTION_SEND && a->chain == WEST)
            text_copy(e.unsent, sizeof e.unsent, a->command.id);
    }
    if (_i == 1) ck_assert(ask_for((struct event_request){ .kind = REQUEST_HALT, .on = true }));
    if (_i == 2) text_copy(e.unsent, sizeof e.unsent, "d1-999");
    step(&e);
    b.record_count = 0;
    ticks();
    ck_assert_uint_eq(count_records("resume"), _i == 0);
    ck_assert(!b.core->chain[WEST].resume_owed);
}
END_TEST

START_TEST(a_release_is_owed_to_heads_that_cant_be_told)
{
    bench_ready();
    struct core_chain *c = &b.core->chain[WEST];
    c->beat.halted = true;
    c->ours = false;
    core_release_chain(b.core, WEST, b.now, &b.actions);
    ck_assert(c->resume_owed);
    c->has_beat = false;
    core_release_chain(b.core, WEST, b.now, &b.actions);
    ck_assert(c->resume_owed);
    c->ours = c->halt_pending = true; /* its clock isn't known */
    core_release_chain(b.core, WEST, b.now, &b.actions);
    ck_assert(c->resume_owed);
    c->has_beat =
        true; /* nor its boot: a command without one is malformed (found by simulation.storm) */
    c->has_roll = false;
    core_release_chain(b.core, WEST, b.now, &b.actions);
    ck_assert(c->resume_owed);
    c->has_roll = true;
    c->has_beat = false;
    b.core->has_peer = true;
    core_release_chain(b.core, WEST, b.now, &b.actions);
    ck_assert(!c->resume_owed);
    b.core->has_peer = c->halt_pending = false;
    c->has_beat = true;
    c->beat.halted = false;
    core_release_chain(b.core, WEST, b.now, &b.actions);
    ck_assert(!c->resume_owed);
}
END_TEST

START_TEST(a_chain_is_claimed_unless_it_is_ours)
{
    bench_ready();
    struct event_request q = { .kind = REQUEST_CLAIM, .chain = WEST };
    ck_assert(ask_for(q) && !b.core->chain[WEST].claim_now);
    tell_claim(WEST, "stranger", 50);
    ck_assert(b.core->chain[WEST].deposed);
    ck_assert(ask_for(q) && b.core->chain[WEST].claim_now);
    ck_assert_str_eq(record_text_or_empty(recorded("request"), "chain"), "west");
}
END_TEST

/* Motors of a chain don't start at the same moment. */
START_TEST(a_tick_waits_until_the_motor_before_it_turns)
{
    bench_ready();
    ck_assert(tick_of(WEST, 2, 1));
    ck_assert(!tick_of(WEST, 1, 3));
    ck_assert_str_eq(answered(), "busy");
    pass(1000);
    ck_assert(tick_of(WEST, 1, 3));
}
END_TEST

/* INV-8: a lock ends by a person, also where its alert found no room among too many. Defect: then
 * nobody could end it. */
START_TEST(a_lock_whose_alert_found_no_room_can_be_ended)
{
    bench_ready();
    tank()->locked[LAW_ACID] = true;
    ck_assert(acknowledge("no-effect-basil-acid"));
    ck_assert(!tank()->locked[LAW_ACID]);
    struct record *r = put_record("alert");
    record_add_text(r, "alert", "no-effect-basil-base");
    record_add_truth(r, "on", true);
    bench_start();
    alert_clear(b.core, "no-effect-basil-base", &b.actions); /* as if it had never had room */
    ck_assert(tank()->locked[LAW_BASE]);
    ck_assert(acknowledge("no-effect-basil-base"));
    ck_assert(!acknowledge("no-effect-basil-base"));
    bench_start();
    ck_assert(!tank()->locked[LAW_BASE]);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("request");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, what_no_disk_will_keep_is_done_and_said);
    tcase_add_test(t, a_tick_is_a_movement_like_any_other);
    tcase_add_test(t, a_tick_of_acid_begins_the_spacing);
    tcase_add_test(t, a_tick_of_acid_keeps_its_distance_from_base);
    tcase_add_test(t, a_tick_is_counted_as_large_as_it_is);
    tcase_add_test(t, a_tick_keeps_every_interlock);
    tcase_add_test(t, only_outputs_that_are_configured_tick);
    tcase_add_test(t, no_setpoint_leaves_the_envelope);
    tcase_add_test(t, an_override_ends_and_leaves_nothing_to_the_next);
    tcase_add_test(t, overrides_last_as_long_as_was_asked_and_allowed);
    tcase_add_test(t, pause_and_service_are_flags_of_one_tank);
    tcase_add_test(t, a_program_ends_no_pause_but_its_own);
    tcase_add_test(t, a_bottle_is_refilled_within_its_size);
    tcase_add_test(t, an_alert_is_acknowledged_by_its_name);
    tcase_add_test(t, a_retained_request_only_ever_stops);
    tcase_add_loop_test(t, a_request_that_wasnt_read_is_recorded_with_its_reason, 0, 2);
    tcase_add_test(t, a_halt_reaches_every_chain_first);
    tcase_add_test(t, a_release_resumes_what_was_halted);
    tcase_add_loop_test(t, a_release_that_never_left_is_said_again, 0, 3);
    tcase_add_test(t, a_release_is_owed_to_heads_that_cant_be_told);
    tcase_add_test(t, a_chain_is_claimed_unless_it_is_ours);
    tcase_add_test(t, a_tick_waits_until_the_motor_before_it_turns);
    tcase_add_loop_test(t, less_than_the_smallest_dose_is_refused, 0, 3);
    tcase_add_test(t, a_lock_whose_alert_found_no_room_can_be_ended);
    return run_case(t, "request");
}
