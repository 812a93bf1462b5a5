/* A backup that was put back: what was dosed since it was made isn't in it, and its claim proves
 * nothing. INV-n: safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/core_fixture.h"

static void put_claim(const char *kind, int64_t reign)
{
    struct record *r = put_record(kind);
    record_add_text(r, "chain", "west");
    record_add_text(r, "by", "d0");
    record_add_int(r, "reign", reign);
}

static void acknowledge(const char *alert)
{
    struct record *r = put_record("request");
    record_add_text(r, "request", "acknowledge");
    record_add_truth(r, "ok", true);
    record_add_text(r, "alert", alert);
}

static void put_copy(void)
{
    bench_init();
    b.starts = 7;
    put_claim("reign", 40);
    put_claim("claim", 41);
    record_add_text(put_record("flushed"), "tank", "basil");
}

static void run_for(int64_t span_ms)
{
    for (int64_t ms = 0; ms < span_ms; ms += 500) {
        pass(500);
        ticks();
    }
}

/* INV-1: the hour is empty by the copy. */
START_TEST(
    every_limit_counts_as_used_up_until_somebody_knows) /* _i: nothing, restored, and known */
{
    put_copy();
    if (_i > 0) put_record("restored");
    if (_i == 2) acknowledge("limits-unknown-west");
    if (_i == 2) acknowledge("journal-restored");
    bench_start();
    ck_assert_int_eq(b.core->chain[WEST].limits_unknown, _i == 1);
    ck_assert_int_eq(b.core->chain[EAST].limits_unknown, _i > 0);
    ck_assert_int_eq(used_ul(BASIL, 0), _i == 1 ? 200000 : 0);
    ck_assert_int_eq(b.core->tank[BASIL].line_dirty, _i > 0);
    ck_assert_int_eq(alert_stands(b.core, "journal-restored"), _i == 1);
}
END_TEST

START_TEST(a_day_later_limits_are_open_and_the_alert_still_stands)
{
    put_copy();
    put_record("restored");
    pass(DAY_MS + 1000);
    bench_start();
    run_for(1000);
    ck_assert(!b.core->chain[WEST].limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 0);
    ck_assert(alert_stands(b.core, "journal-restored"));
}
END_TEST

/* INV-9: the claim in force is the copy's own, and its owner may live on another board. */
START_TEST(
    it_isnt_taken_for_the_owner_that_the_copy_was) /* _i: restored; the claim that was asked */
{
    const bool restored = _i % 2 == 1;
    put_copy();
    if (restored) put_record("restored");
    bench_start();
    tell_link(true);
    tell_head(WEST, true);
    tell_claim(WEST, "d0", _i < 2 ? 40 : 41);
    run_for(5000);
    ck_assert_int_eq(b.core->active, !restored);
    run_for(2 * CLAIM_SILENCE_MS);
    ck_assert(b.core->active); /* nobody was heard */
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("restored");
    tcase_add_loop_test(t, every_limit_counts_as_used_up_until_somebody_knows, 0, 3);
    tcase_add_test(t, a_day_later_limits_are_open_and_the_alert_still_stands);
    tcase_add_loop_test(t, it_isnt_taken_for_the_owner_that_the_copy_was, 0, 4);
    return run_case(t, "restored");
}
