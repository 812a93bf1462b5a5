/* What somebody asked for is cancelled: it ends, and what it gave counts. */
#include "tests/unit/core/care_fixture.h"

static bool cancel(void)
{
    return ask_for((struct event_request){ .kind = REQUEST_CANCEL, .tank = BASIL });
}

static bool is_stopped(void)
{
    return wants(ACTION_STOP) != NULL;
}

START_TEST(a_pump_that_runs_into_the_cup_is_stopped_and_told)
{
    bench_ready();
    ck_assert(bench_tank(true));
    ck_assert(run_into_cup(REQUEST_PRIME, LEAF_A, 5000));
    const struct chain_command c = dose_now();
    tell_report(c.id, CHAIN_RUNNING, 0);
    ck_assert(cancel());
    ck_assert(is_stopped());
    expect("leaf-a is stopped; what it gave counts");
    tell_report(c.id, CHAIN_STOPPED, 1000);
    ck_assert(basil()->care.errand == ERRAND_NONE && basil()->care.bench);
    ck_assert_ptr_nonnull(strstr(basil()->care.said, "given, in 1.00 s"));
    struct chain_command again;
    ck_assert(!dose_within(10000, &again));
}
END_TEST

START_TEST(what_has_not_begun_never_begins)
{
    bench_ready();
    ck_assert(into_tank(_i == 0 ? REQUEST_DOSE : REQUEST_PRIME, LEAF_A, 2000));
    ck_assert(cancel());
    ck_assert(!is_stopped());
    expect("nothing was given of leaf-a: it was cancelled");
    basil()->paused = true; /* else the scheduler might */
    circulate_basil();
    struct chain_command dose;
    ck_assert(!dose_within(60000, &dose));
    ck_assert_int_eq(basil()->state, TANK_PAUSED);
}
END_TEST

START_TEST(a_dose_under_way_is_stopped_and_flushed)
{
    bench_ready();
    circulate_basil();
    ck_assert(into_tank(REQUEST_DOSE, LEAF_A, 2000));
    const struct chain_command c = dose_now();
    tell_report(c.id, CHAIN_RUNNING, 0);
    ck_assert(cancel());
    ck_assert(is_stopped());
    tell_report(c.id, CHAIN_STOPPED, 500);
    ck_assert(basil()->line_dirty && basil()->care.errand == ERRAND_NONE);
}
END_TEST

/* The scheduler's own isn't anybody's to cancel: a pause or a halt is for that. */
START_TEST(the_schedulers_dose_goes_on)
{
    bench_ready();
    basil()->dose = (struct core_command){ .used = true, .id = "s-1", .run_ms = 5000 };
    ck_assert(cancel());
    ck_assert(!is_stopped());
    expect("nothing that was asked for is under way");
}
END_TEST

START_TEST(circulation_and_bath_are_cancelled_too)
{
    bench_ready();
    ck_assert(ask_for(
        (struct event_request){ .kind = REQUEST_CIRCULATE, .tank = BASIL, .span_ms = 600000 }));
    ck_assert(cancel());
    expect("ends within seconds");
    ck_assert_int_le(mono_since(basil()->care.circulate_till, b.now.mono), 0);
    ck_assert(cancel());
    expect("nothing that was asked for is under way");
    ck_assert(bench_tank(true));
    struct event_request bath = {
        .kind = REQUEST_CALIBRATE_PROBE, .tank = BASIL, .quantity = PROBE_PH, .degc = 25
    };
    text_copy(bath.word, sizeof bath.word, "technical-7");
    ck_assert_msg(ask_for(bath), "%s", told());
    ck_assert(cancel() && !basil()->care.listening.on);
    expect("the bath isn't waited for");
}
END_TEST

START_TEST(a_run_into_the_bucket_is_cancelled)
{
    bench_ready();
    ck_assert(bench_tank(true));
    ck_assert(ask_for(
        (struct event_request){ .kind = REQUEST_CALIBRATE_FLOW, .tank = BASIL, .span_ms = 20000 }));
    for (int n = 0; n < 20 && !basil()->circulation.command.used; n++) {
        pass(500);
        tell_beat(WEST);
        ticks();
    }
    ck_assert(basil()->circulation.command.used);
    tell_report(basil()->circulation.command.id, CHAIN_RUNNING, 0);
    ck_assert(cancel());
    expect("the flow wasn't measured: it was cancelled");
    pass(500);
    ticks();
    ck_assert(basil()->circulation.command.stop_sent);
    tell_report(basil()->circulation.command.id, CHAIN_STOPPED, 3000);
    ck_assert_int_eq(basil()->care.flow.waits_ms, 0);
    ck_assert_ptr_null(recorded("flow-run"));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("cancel");
    tcase_add_checked_fixture(tc, NULL, bench_done);
    tcase_add_test(tc, a_pump_that_runs_into_the_cup_is_stopped_and_told);
    tcase_add_loop_test(tc, what_has_not_begun_never_begins, 0, 2);
    tcase_add_test(tc, a_dose_under_way_is_stopped_and_flushed);
    tcase_add_test(tc, the_schedulers_dose_goes_on);
    tcase_add_test(tc, circulation_and_bath_are_cancelled_too);
    tcase_add_test(tc, a_run_into_the_bucket_is_cancelled);
    return run_case(tc, "cancel");
}
