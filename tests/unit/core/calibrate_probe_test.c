/* A probe under calibration: baths while its tank is on the bench. */
#include <math.h>

#include "tests/unit/core/care_fixture.h"

static bool bath(const char *word, double degc)
{
    struct event_request q = {
        .kind = REQUEST_CALIBRATE_PROBE, .tank = BASIL, .quantity = PROBE_PH, .degc = degc
    };
    text_copy(q.word, sizeof q.word, word);
    return ask_for(q);
}

static void hang_in(double mv)
{
    for (int n = 0; n < 6; n++) {
        pass(5000);
        tell_probe(BASIL, PROBE_PH, mv);
    }
}

static void with_electrode(void)
{
    bench_init();
    struct probe_config *ph = &b.tank[BASIL].probe[PROBE_PH];
    ph->unit = UNIT_MV;
    ph->least = -420;
    ph->most = 420;
    ph->slope_percent = 100;
    ph->calibrated = false;
    bench_start();
    come_up();
}

START_TEST(two_buffers_calibrate_an_electrode_and_a_restart_keeps_it)
{
    with_electrode();
    ck_assert(bench_tank(true));
    ck_assert_msg(bath("7.00", 25.0), "%s", told());
    hang_in(5.0);
    ck_assert_msg(strstr(basil()->care.said, "taken"), "%s", basil()->care.said);
    bench_start(); /* in the middle */
    come_up();
    ck_assert(bath("4.00", 25.0));
    hang_in(5.0 + 0.95 * 177.48);
    ck_assert_msg(
        strstr(basil()->care.said, "zero 5.0 mV, slope 95.0 %: good"), "%s", basil()->care.said);
    struct probe_config *ph = &b.tank[BASIL].probe[PROBE_PH];
    ck_assert(ph->calibrated);
    ck_assert_double_eq_tol(ph->slope_percent, 95.0, 0.05);
    ph->calibrated = false;
    ph->slope_percent = 100.0;
    bench_start();
    core_amend(b.core, &b.site, BASIL);
    ck_assert(ph->calibrated);
    ck_assert_double_eq_tol(ph->slope_percent, 95.0, 0.05);
}
END_TEST

START_TEST(a_bath_is_heard_only_on_the_bench)
{
    with_electrode();
    ck_assert(!bath("7.00", 25.0));
    ck_assert_str_eq(answered(), "busy");
    ck_assert(bench_tank(true));
    ck_assert(!bath("soup", 25.0));
    ck_assert_str_eq(answered(), "no-such-bath");
    ck_assert(bath("7.00", 25.0));
    ck_assert(bench_tank(false));
    hang_in(5.0);
    ck_assert_ptr_null(recorded("bath"));
}
END_TEST

START_TEST(a_bath_needs_its_temperature_and_patience_ends)
{
    with_electrode();
    ck_assert(bench_tank(true));
    ck_assert(bath("7.00", (double)NAN));
    hang_in(5.0);
    ck_assert_msg(strstr(basil()->care.said, "temperature"), "%s", basil()->care.said);
    ck_assert(bath("7.00", (double)NAN));
    for (int n = 0; n < 3; n++) {
        tell_probe(BASIL, PROBE_TEMPERATURE, 25.0);
    }
    hang_in(5.0);
    ck_assert_msg(strstr(basil()->care.said, "taken"), "%s", basil()->care.said);
    ck_assert(bath("4.00", 25.0));
    pass(BATH_PATIENCE_MS);
    ticks();
    ck_assert_msg(strstr(basil()->care.said, "no reading came"), "%s", basil()->care.said);
}
END_TEST

START_TEST(the_wrong_buffer_gets_a_sentence)
{
    with_electrode();
    ck_assert(bench_tank(true));
    ck_assert(bath("7.00", 25.0));
    hang_in(177.5);
    ck_assert_msg(strstr(basil()->care.said, "reads like pH 4.00. Is that the bath you named?"),
        "%s", basil()->care.said);
    ck_assert_ptr_null(recorded("calibration"));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("bath");
    tcase_add_checked_fixture(tc, NULL, bench_done);
    tcase_add_test(tc, two_buffers_calibrate_an_electrode_and_a_restart_keeps_it);
    tcase_add_test(tc, a_bath_is_heard_only_on_the_bench);
    tcase_add_test(tc, a_bath_needs_its_temperature_and_patience_ends);
    tcase_add_test(tc, the_wrong_buffer_gets_a_sentence);
    return run_case(tc, "bath");
}
