/* A pump that was told to stop, and doesn't: seen by the chain's current. INV-1 (what it moves
 * counts), INV-3 (nothing is dosed beside it). */
#include "tests/unit/core/core_fixture.h"

enum { ODD = 3 };

static const double rest = 0.9, stuck = 1.2; /* A: two modules, a circulation; a pump's 0.3 more */
static const char alert[] = "runs-on-west";

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

/* Circulation is seen, and a beat has told what the chain draws then. */
static void prepare(void)
{
    bench_ready();
    struct core_tank *t = tank();
    t->circulation.on = t->circulation.seen = t->circulation.confirmed = true;
    t->circulation.till = t->circulation.command.ends = mono_after(b.now.mono, HOUR_MS);
    t->circulation.amps_before = 0.1;
    pass(2000);
    tell_amps(rest);
}

/* A dose of 5 mL from its start to its end. */
static void dose(void)
{
    char id[CHAIN_WORD_MAX];
    (void)text_copy(id, sizeof id, send_dose(BASIL, 0, 5000)->id);
    pass(100);
    tell_report(id, CHAIN_RUNNING, 0);
    pass(2000);
    tell_amps(stuck);
    pass(3000);
    tell_report(id, CHAIN_DONE, 5000);
    tank()->step = STEP_MIX; /* nothing new begins by itself */
}

static void beats(int count, double amps)
{
    for (int n = 0; n < count; n++) {
        pass(2000);
        tell_amps(amps);
    }
}

static bool may_dose(void)
{
    tell_water(BASIL, 1200, 5.8);
    return core_gate_dose(b.core, BASIL, b.now);
}

static bool stops(void) /* does the newest step tell that pump to stop? */
{
    const struct action *stop = wants(ACTION_STOP);
    return stop && stop->command.action == CHAIN_STOP && stop->command.channel == 1 &&
           text_same(stop->command.serial, "a1f3");
}

START_TEST(a_pump_that_stands_is_nothing_to_speak_of)
{
    prepare();
    dose();
    ck_assert(may_dose());
    beats(10, rest + 0.14); /* less than half a pump's current */
    ck_assert(may_dose() && !alert_stands(b.core, alert));
    ck_assert_ptr_null(recorded("ran-on"));
}
END_TEST

START_TEST(three_odd_beats_running_say_that_it_runs_on)
{
    prepare();
    dose();
    const int64_t given = used_ul(BASIL, 0);
    beats(1, stuck);
    ck_assert(!may_dose() && tank()->state == TANK_WAITING);
    beats(ODD - 2, stuck);
    ck_assert(!may_dose() && !alert_stands(b.core, alert));
    beats(1, stuck);
    ck_assert(stops() && alert_stands(b.core, alert));
    ck_assert(!may_dose() && tank()->state == TANK_LOCKED);
    /* the other tank of the chain isn't dosed either */
    tell_water(LETTUCE, 1200, 5.8);
    ck_assert(!core_gate_dose(b.core, LETTUCE, b.now));
    ck_assert(!core_gate_errand(b.core, LETTUCE, ERRAND_PRIME, b.now));
    ck_assert(!core_gate_cup(b.core, LETTUCE, 0, b.now));
    /* it has moved 1 mL a second since its end */
    ck_assert_int_eq(used_ul(BASIL, 0) - given, ODD * 2000);
    beats(4, stuck);
    ck_assert_int_eq(used_ul(BASIL, 0) - given, ODD * 2000);
    beats(1, stuck);
    ck_assert_int_eq(used_ul(BASIL, 0) - given, (ODD + 5) * 2000);
    ck_assert_uint_eq(count_records("ran-on"), 2);
    beats(1, rest);
    ck_assert_int_eq(used_ul(BASIL, 0) - given, (ODD + 6) * 2000);
    ck_assert(may_dose() && !alert_stands(b.core, alert));
    const struct record *r = recorded("ran-on");
    int64_t ms = 0, channel = 0;
    ck_assert(record_int(r, "ms", &ms) && ms == 2000 && record_int(r, "channel", &channel));
    ck_assert_int_eq(channel, 1);
    ck_assert_str_eq(record_text_or_empty(r, "stock"), "leaf-a");
    ck_assert(tank()->line_dirty);
}
END_TEST

START_TEST(an_odd_beat_or_two_pass)
{
    prepare();
    dose();
    beats(ODD - 1, stuck);
    beats(1, rest);
    ck_assert(may_dose());
    dose();
    beats(ODD - 1, stuck); /* counted anew */
    ck_assert(!alert_stands(b.core, alert));
}
END_TEST

/* Another circulation begins or ends: the two currents can't be compared. */
START_TEST(other_water_that_runs_now_makes_it_unknown)
{
    prepare();
    dose();
    beats(1, stuck);
    ck_assert(!may_dose());
    struct core_tank *other = &b.core->tank[LETTUCE];
    other->circulation.on = other->circulation.seen = other->circulation.confirmed = true;
    other->circulation.till = other->circulation.command.ends = mono_after(b.now.mono, HOUR_MS);
    beats(ODD + 2, stuck + 0.8);
    ck_assert(may_dose() && !alert_stands(b.core, alert));
}
END_TEST

START_TEST(where_no_current_is_measured_nothing_is_said) /* _i: from when on */
{
    prepare();
    if (_i == 0) {
        tell_beat(WEST);
        dose();
        tell_beat(WEST);
    } else {
        dose();
        beats(1, stuck);
        ck_assert(!may_dose());
    }
    for (int n = 0; n < 5; n++) {
        pass(2000);
        tell_beat(WEST);
    }
    ck_assert(may_dose() && !alert_stands(b.core, alert));
}
END_TEST

/* Nor of a dose that the head refused. */
START_TEST(what_never_ran_needs_no_rest)
{
    prepare();
    const struct core_command *c = send_dose(BASIL, 0, 5000);
    tell_report(c->id, CHAIN_REFUSED, 0);
    tank()->step = STEP_MIX;
    beats(ODD + 2, stuck);
    ck_assert(!alert_stands(b.core, alert));
}
END_TEST

START_TEST(who_has_looked_may_end_it)
{
    prepare();
    dose();
    beats(ODD, stuck);
    ck_assert(!may_dose());
    ck_assert(
        ask_for((struct event_request){ .kind = REQUEST_ACKNOWLEDGE, .word = "runs-on-west" }));
    ck_assert(may_dose() && !alert_stands(b.core, alert));
    beats(ODD + 2, stuck); /* that is what the chain draws at rest, then */
    ck_assert(may_dose() && !alert_stands(b.core, alert));
    dose();
    beats(ODD, stuck + 0.3);
    ck_assert(alert_stands(b.core, alert));
}
END_TEST

/* A restart doesn't make the relay let go. */
START_TEST(it_stands_over_a_restart_until_the_chain_is_at_rest)
{
    prepare();
    dose();
    beats(ODD, stuck);
    const int64_t used = used_ul(BASIL, 0);
    bench_start();
    come_up();
    ck_assert(alert_stands(b.core, alert) && !may_dose());
    ck_assert_int_eq(used_ul(BASIL, 0), used);
    beats(1, 0.1 + 0.3);
    ck_assert(alert_stands(b.core, alert));
    beats(1, 0.1 + 0.1);
    ck_assert(!alert_stands(b.core, alert) && may_dose());
    bench_start();
    come_up();
    ck_assert(!alert_stands(b.core, alert));
}
END_TEST

START_TEST(a_record_without_a_time_counts_nothing) /* _i: what it says of the time */
{
    prepare();
    struct record *r = put_record("ran-on");
    record_add_text(r, "chain", "west");
    record_add_text(r, "serial", "a1f3");
    record_add_int(r, "channel", 1);
    if (_i > 0) record_add_int(r, "ms", _i == 1 ? 0 : 1000);
    record_add_text(r, "tank", "basil");
    record_add_text(r, "stock", "leaf-a");
    if (_i > 0) record_add_int(r, "ul", 1000);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 0), _i == 2 ? 1000 : 0);
}
END_TEST

START_TEST(it_stands_over_a_reload)
{
    prepare();
    dose();
    beats(ODD, stuck);
    void *block = malloc(core_size(&b.site));
    struct core *fresh = core_init(block, &b.site, &b.core->identity, b.now);
    core_reload(fresh, b.core, b.now, &b.actions);
    ck_assert(alert_stands(fresh, alert));
    free(block);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("runs_on");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, a_pump_that_stands_is_nothing_to_speak_of);
    tcase_add_test(t, three_odd_beats_running_say_that_it_runs_on);
    tcase_add_test(t, an_odd_beat_or_two_pass);
    tcase_add_test(t, other_water_that_runs_now_makes_it_unknown);
    tcase_add_loop_test(t, where_no_current_is_measured_nothing_is_said, 0, 2);
    tcase_add_test(t, what_never_ran_needs_no_rest);
    tcase_add_test(t, who_has_looked_may_end_it);
    tcase_add_test(t, it_stands_over_a_restart_until_the_chain_is_at_rest);
    tcase_add_loop_test(t, a_record_without_a_time_counts_nothing, 0, 3);
    tcase_add_test(t, it_stands_over_a_reload);
    return run_case(t, "runs_on");
}
