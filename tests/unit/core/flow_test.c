/* Measuring a circulation's flow: on the bench it runs into a bucket for a time, and a person says
 * what came. Basil's file has 30 L/min in 60 L. */
#include "tests/unit/core/care_fixture.h"

static bool ask_flow(int64_t span_ms)
{
    return ask_for((struct event_request){
        .kind = REQUEST_CALIBRATE_FLOW, .tank = BASIL, .span_ms = span_ms });
}

static bool say_litres(double litres, int64_t span_ms)
{
    return ask_for((struct event_request){ .kind = REQUEST_FLOW_MEASURED,
        .tank = BASIL,
        .ul = nearest(litres * 1e6),
        .span_ms = span_ms });
}

/* Lets it look around for so long; true with the command that runs the circulation. */
static bool circulate_within(int64_t span_ms, struct chain_command *ret)
{
    for (int64_t ms = 0; ms < span_ms; ms += 500) {
        pass(500);
        tell_beat(WEST);
        tell_beat(EAST);
        for (int n = 0; n < 64 && mono_since(core_wakes_at(b.core), b.now.mono) <= 0; n++) {
            tick();
            const struct chain_command *c = sent(CHAIN_CIRCULATE);
            if (!c || !text_same(c->serial, "a1f3")) continue;
            *ret = *c;
            return true;
        }
    }
    return false;
}

static struct chain_command begin_run(int64_t span_ms)
{
    struct chain_command c;
    ck_assert_msg(ask_flow(span_ms), "%s", told());
    ck_assert_msg(circulate_within(5000, &c), "no circulation: %s", basil()->why);
    tell_report(c.id, CHAIN_RUNNING, 0);
    return c;
}

static void whole_run(int64_t span_ms)
{
    const struct chain_command c = begin_run(span_ms);
    pass(span_ms);
    tell_beat(WEST);
    tell_report(c.id, CHAIN_DONE, span_ms);
}

static void on_bench(void)
{
    bench_ready();
    ck_assert(bench_tank(true));
}

START_TEST(it_runs_for_just_so_long_from_a_standstill)
{
    bench_ready();
    circulate_basil();
    ck_assert(bench_tank(true));
    ck_assert(ask_flow(20000));
    expect("about 10.0 L should come");
    struct chain_command c;
    ck_assert(!circulate_within(4000, &c)); /* it still runs for something else */
    ck_assert(basil()->circulation.command.stop_sent);
    tell_report("c-1", CHAIN_STOPPED, 4000);
    ck_assert(circulate_within(4000, &c));
    ck_assert_int_eq(c.run_ms, 20000);
    tell_report(c.id, CHAIN_RUNNING, 0);
    struct chain_command again;
    ck_assert(!circulate_within(15000, &again)); /* it isn't made longer, nor stopped */
    ck_assert(!basil()->circulation.command.stop_sent);
    ck_assert_int_eq(basil()->state, TANK_CALIBRATING);
    tell_report(c.id, CHAIN_DONE, 20000);
    ck_assert_str_eq(
        basil()->care.said, "the circulation ran for 20.0 s: say how many litres came");
    int64_t ran_ms = 0;
    ck_assert(record_int(recorded("flow-run"), "ran_ms", &ran_ms));
    ck_assert_int_eq(ran_ms, 20000);
}
END_TEST

START_TEST(litres_over_its_time_hold_from_then_on_and_over_a_restart)
{
    on_bench();
    const int64_t tag = site_law_tag(&b.site, &b.tank[BASIL]);
    whole_run(20000);
    bench_start(); /* the litres are told after a restart */
    come_up();
    ck_assert_msg(say_litres(8.0, 0), "%s", told());
    expect("24.00 L/min; it was 30.00 L/min");
    expect("turns over in");
    ck_assert_double_eq_tol(b.tank[BASIL].circulation.flow_l_min, 24.0, 1e-9);
    ck_assert_double_eq_tol(b.tank[BASIL].circulation.filed_flow_l_min, 30.0, 1e-9);
    ck_assert_double_eq_tol(basil()->model.turnover_s, 150.0, 1e-9);
    ck_assert_int_eq(site_flush_ms(&b.tank[BASIL]), 600); /* 240 mL at 24 L/min; it was 480 ms */
    ck_assert_int_eq(site_law_tag(&b.site, &b.tank[BASIL]), tag); /* else what is learned is lost */
    b.tank[BASIL].circulation.flow_l_min = 30.0;                  /* as the file has it */
    b.tank[BASIL].circulation.measured = false;
    bench_start();
    core_amend(b.core, &b.site, BASIL);
    ck_assert_double_eq_tol(b.tank[BASIL].circulation.flow_l_min, 24.0, 1e-6);
    ck_assert_int_eq(b.tank[BASIL].circulation.measured_at.ms, b.now.civil.ms);
    struct tank_view v;
    core_view_tank(b.core, BASIL, b.now, &v);
    ck_assert(v.care.flow.here && v.care.flow.measured && v.care.flow.waits_ms == 0);
    ck_assert(!say_litres(8.0, 0));
    ck_assert_str_eq(answered(), "no-run");
}
END_TEST

START_TEST(the_bucket_was_full_before_the_run_was_over)
{
    on_bench();
    whole_run(30000);
    ck_assert(!say_litres(10.0, 32000));
    ck_assert_str_eq(answered(), "out-of-range");
    expect("only 30.0 s");
    ck_assert_msg(say_litres(10.0, 24000), "%s", told());
    ck_assert_double_eq_tol(b.tank[BASIL].circulation.flow_l_min, 25.0, 1e-9);
}
END_TEST

START_TEST(mistakes_get_a_sentence_and_change_nothing)
{
    static const struct {
        double litres;
        const char *words;
    } c[] = { { 100.0, "ten times" }, { 1.0, "ten times" }, { 0.3, "next to nothing" },
        { 21.0, "beyond 0.25 to 2 times" }, { 2.4, "beyond 0.25 to 2 times" } };
    on_bench();
    whole_run(20000); /* 10 L are expected */
    ck_assert(!say_litres(c[_i].litres, 0));
    ck_assert_str_eq(answered(), "implausible");
    expect(c[_i].words);
    ck_assert_ptr_null(recorded("calibration"));
    ck_assert(say_litres(3.0, 0)); /* said again, rightly */
    expect("much less: look for a clogged strainer");
}
END_TEST

/* What was measured before is no measure of what may be believed: else it could creep. */
START_TEST(it_is_held_against_the_file)
{
    on_bench();
    whole_run(20000);
    ck_assert(say_litres(3.0, 0)); /* 9 L/min */
    whole_run(20000);
    ck_assert(!say_litres(1.2, 0)); /* 3.6: within a quarter of 9, not of 30 */
    ck_assert_str_eq(answered(), "implausible");
}
END_TEST

START_TEST(off_the_bench_and_beside_another_errand_it_is_refused)
{
    bench_ready();
    ck_assert(!ask_flow(20000));
    ck_assert_str_eq(answered(), "busy");
    expect("'bench' first");
    ck_assert(bench_tank(true));
    ck_assert(!ask_flow(601000));
    ck_assert_str_eq(answered(), "out-of-range");
    ck_assert(run_into_cup(REQUEST_PRIME, LEAF_A, 10000));
    ck_assert(!ask_flow(20000));
    ck_assert_str_eq(answered(), "busy");
}
END_TEST

/* INV-8, I11: it is stopped by what stops everything else, and by a tank that runs empty. */
START_TEST(what_stops_it)
{
    bench_init();
    make_probe(&b.tank[BASIL], PROBE_LEAK, UNIT_BOOL);
    make_probe(&b.tank[BASIL], PROBE_LEVEL, UNIT_PERCENT);
    b.tank[BASIL].has_level_min = true;
    b.tank[BASIL].level_min_percent = 40;
    bench_start();
    come_up();
    tell_probe(BASIL, PROBE_LEAK, 0);
    for (int n = 0; n < 3; n++) {
        tell_probe(BASIL, PROBE_LEVEL, 80);
    }
    ck_assert(bench_tank(true));
    const struct chain_command c = begin_run(20000);
    if (_i == 1) ck_assert(ask_for((struct event_request){ .on = true }));
    if (_i == 2) basil()->service = true;
    if (_i == 3) tell_probe(BASIL, PROBE_LEAK, 1);
    for (int n = 0; _i == 4 && n < 9; n++) {
        pass(1000);
        tell_probe(BASIL, PROBE_LEVEL, 20);
    }
    pass(1000);
    tell_beat(WEST);
    ticks();
    ck_assert_int_eq(basil()->care.errand, _i == 0 ? ERRAND_FLOW : ERRAND_NONE);
    if (_i > 0) ck_assert_ptr_nonnull(strstr(basil()->care.said, "the flow wasn't measured"));
    if (_i > 1) ck_assert(basil()->circulation.command.stop_sent);
    tell_report(c.id, CHAIN_STOPPED, 2000);
    ck_assert_int_eq(basil()->care.flow.waits_ms, _i == 0 ? 2000 : 0);
}
END_TEST

/* The head forgot how long it ran, or ran for longer than it was told, or refused, or was lost. */
START_TEST(a_run_that_nobody_timed_is_none)
{
    on_bench();
    ck_assert(ask_flow(20000));
    struct chain_command c;
    ck_assert(circulate_within(5000, &c));
    struct event e = report_of(c.id, CHAIN_STOPPED, 5000);
    if (_i == 0) e.report.unsure = true;
    if (_i == 1) e.report.ran_ms = 20001;
    if (_i == 2) e.report.ran_ms = 999;
    if (_i == 3) e = report_of(c.id, CHAIN_REFUSED, 0);
    if (_i < 4) step(&e);
    if (_i == 4) ck_assert(!circulate_within(40000, &c));
    ck_assert_int_eq(basil()->care.errand, ERRAND_NONE);
    ck_assert_ptr_nonnull(strstr(basil()->care.said, "the flow wasn't measured"));
    ck_assert_int_eq(basil()->care.flow.waits_ms, 0);
    ck_assert_ptr_null(recorded("flow-run"));
}
END_TEST

START_TEST(a_flow_is_the_modules_and_the_newer_date_wins)
{
    bench_ready();
    struct site_circulation *c = &b.tank[BASIL].circulation;
    core_find_flow(b.core, BASIL, 24.0, b.now, &b.actions);
    c->measured = true;
    c->measured_at.ms = b.now.civil.ms + 1;
    core_amend(b.core, &b.site, BASIL);
    ck_assert_double_eq_tol(c->flow_l_min, 30.0, 1e-12);
    c->measured_at.ms = b.now.civil.ms;
    c->serial = "ffff";
    core_amend(b.core, &b.site, BASIL);
    ck_assert_double_eq_tol(c->flow_l_min, 30.0, 1e-12);
    c->serial = "a1f3";
    core_amend(b.core, &b.site, BASIL);
    ck_assert_double_eq_tol(c->flow_l_min, 24.0, 1e-12);
}
END_TEST

START_TEST(a_new_segment_carries_it)
{
    bench_ready();
    core_find_flow(b.core, BASIL, 24.0, b.now, &b.actions);
    b.record_count = 0;
    uint32_t cursor = 0;
    while (core_carry(b.core, &cursor, b.now, &b.actions)) {
        keep_records();
    }
    bench_start();
    ck_assert(basil()->care.flow.has);
    ck_assert_double_eq_tol(basil()->care.flow.l_min, 24.0, 1e-9);
}
END_TEST

/* A record that anybody may have written: what it says can't reach an invariant. */
START_TEST(odd_records_are_left_out)
{
    static const double flow[] = { 0.0, -5.0, 1e-6, 1e8 };
    bench_ready();
    struct record r = { .count = 0 };
    record_start(&r, "calibration");
    record_add_text(&r, "tank", "basil");
    record_add_text(&r, "serial", "a1f3");
    record_add_real(&r, "flow_l_min", flow[_i], 6);
    record_add_int(&r, "at_ms", b.now.civil.ms);
    core_restore(b.core, &r, b.now);
    ck_assert(!basil()->care.flow.has);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("flow");
    tcase_add_checked_fixture(tc, NULL, bench_done);
    tcase_add_test(tc, it_runs_for_just_so_long_from_a_standstill);
    tcase_add_test(tc, litres_over_its_time_hold_from_then_on_and_over_a_restart);
    tcase_add_test(tc, the_bucket_was_full_before_the_run_was_over);
    tcase_add_loop_test(tc, mistakes_get_a_sentence_and_change_nothing, 0, 5);
    tcase_add_test(tc, it_is_held_against_the_file);
    tcase_add_test(tc, off_the_bench_and_beside_another_errand_it_is_refused);
    tcase_add_loop_test(tc, what_stops_it, 0, 5);
    tcase_add_loop_test(tc, a_run_that_nobody_timed_is_none, 0, 5);
    tcase_add_test(tc, a_flow_is_the_modules_and_the_newer_date_wins);
    tcase_add_test(tc, a_new_segment_carries_it);
    tcase_add_loop_test(tc, odd_records_are_left_out, 0, 4);
    return run_case(tc, "flow");
}
