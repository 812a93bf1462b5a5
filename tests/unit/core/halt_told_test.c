/* INV-8: a halt whose record may be lost is told by the heads that keep it. INV-n: safety
 * invariants in DEVELOPERS.md. */
#include "lib/core/limits_known.h"
#include "tests/unit/core/core_fixture.h"

static void beat(uint32_t chain, bool halted)
{
    struct event e = beat_of(chain);
    e.beat.halted = halted;
    step(&e);
    ticks();
}

static struct event_request release(void)
{
    return (struct event_request){ .kind = REQUEST_HALT, .on = false };
}

static void halt_is(const char *reason, bool on)
{
    struct record *r = put_record("request");
    record_add_text(r, "request", "halt");
    record_add_truth(r, "on", on);
    record_add_truth(r, "ok", true);
    record_add_text(r, "reason", reason);
}

static void acknowledge_all(void)
{
    static const char *const alerts[] = { "limits-unknown-west", "limits-unknown-east" };
    for (int i = 0; i < 2; i++) {
        struct record *r = put_record("request");
        record_add_text(r, "request", "acknowledge");
        record_add_text(r, "alert", alerts[i]);
        record_add_truth(r, "ok", true);
    }
}

static const struct {
    bool damage, released, acknowledged, late, halted; /* in that order; then the head's beat */
    bool taken;
} cases[] = {
    { true, false, false, false, true, true },
    { false, false, false, false, true, false }, /* a hand on that head's own switch */
    { true, false, false, false, false, false },
    { true, true, false, false, true, false }, /* what is wanted since is known */
    { true, false, true, false, true, false }, /* somebody knows what happened */
    { true, false, false, true, true, false }, /* a day later */
};

START_TEST(where_a_halt_may_be_lost_a_halted_head_halts_the_site)
{
    bench_init();
    put_record("water");
    if (cases[_i].damage) put_record("damage");
    if (cases[_i].released) halt_is("done", false);
    if (cases[_i].acknowledged) acknowledge_all();
    if (cases[_i].late) pass(DAY_MS);
    bench_start();
    come_up();
    beat(EAST, cases[_i].halted);
    ck_assert_int_eq(b.core->halted, cases[_i].taken);
    ck_assert_uint_eq(count_records("halt-taken"), cases[_i].taken);
    if (!cases[_i].taken) return;
    beat(WEST, false);
    ck_assert(b.core->chain[WEST].halt_pending); /* the other head is told, too */
}
END_TEST

START_TEST(a_chain_that_is_lost_while_running_counts_as_well)
{
    bench_ready();
    beat(EAST, true);
    ck_assert(!b.core->halted);
    b.actions.count = 0;
    core_lose_limits(b.core, WEST, b.now, &b.actions);
    keep_records();
    ticks();
    ck_assert(b.core->halted);
}
END_TEST

START_TEST(it_holds_over_a_start_and_until_somebody_releases)
{
    bench_init();
    put_record("damage");
    bench_start();
    come_up();
    beat(EAST, true);
    ck_assert(alert_stands(b.core, "halt-told"));
    bench_start();
    ck_assert(b.core->halted);
    ck_assert(ask_for(release()));
    ck_assert(!b.core->halted && !alert_stands(b.core, "halt-told"));
    beat(EAST, true); /* its switch is still on: that is a matter of this chain */
    ck_assert(!b.core->halted);
    ck_assert_uint_eq(count_records("halt-taken"), 1);
}
END_TEST

START_TEST(boards_wait_until_all_heads_have_told)
{
    char at[200];
    struct text why = text_over(at, sizeof at);
    bench_init();
    put_record("damage");
    bench_start();
    ck_assert(core_halt_untold(b.core, b.now));
    come_up();
    ck_assert(core_halt_untold(b.core, b.now)); /* what they took last wasn't heard yet */
    pass(MINUTE_MS);
    ck_assert(!core_halt_untold(b.core, b.now)); /* both were heard, and run */
    tell_beat(EAST);
    b.core->chain[WEST].has_beat = false;
    ck_assert(core_halt_untold(b.core, b.now));
    b.site.chain[EAST].plain = true;
    ck_assert(!core_chain_ready(b.core, EAST, b.now, &why));
    ck_assert_ptr_nonnull(strstr(at, "may tell of a halt"));
    b.site.chain[WEST].plain = true; /* no head: nobody can tell */
    ck_assert(!core_halt_untold(b.core, b.now));
}
END_TEST

/* The power went before the record of a halt was on disk. _i: that, or the halt is on record. */
START_TEST(a_head_lists_a_halt_that_has_no_record)
{
    bench_init();
    b.starts = 7;
    struct record *r = put_record("reign");
    record_add_text(r, "chain", "west");
    record_add_text(r, "by", "d7");
    record_add_int(r, "reign", 40);
    record_add_int(r, "n", _i == 0 ? 3 : 4);
    bench_start();
    ck_assert(core_halt_untold(b.core, b.now)); /* just started: the heads may tell */
    struct event e = { .kind = EVENT_LEDGER, .chain = WEST, .ledger = { .count = 1 } };
    text_copy(e.ledger.entry[0].id, sizeof e.ledger.entry[0].id, "d7-4");
    e.ledger.entry[0].state = CHAIN_DONE;
    step(&e);
    ck_assert(!b.core->halted);
    ck_assert(!b.core->chain[WEST].limits_unknown); /* it moved nothing */
    beat(WEST, true);
    ck_assert_int_eq(b.core->halted, _i == 0);
}
END_TEST

START_TEST(after_a_minute_nobody_waits_for_heads_that_are_not_there)
{
    bench_init();
    put_record("water");
    bench_start();
    pass(MINUTE_MS - 1);
    ck_assert(core_halt_untold(b.core, b.now));
    pass(1);
    ck_assert(!core_halt_untold(b.core, b.now));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("halt_told");
    tcase_add_loop_test(t, where_a_halt_may_be_lost_a_halted_head_halts_the_site, 0,
        (int)(sizeof cases / sizeof *cases));
    tcase_add_test(t, a_chain_that_is_lost_while_running_counts_as_well);
    tcase_add_test(t, it_holds_over_a_start_and_until_somebody_releases);
    tcase_add_loop_test(t, a_head_lists_a_halt_that_has_no_record, 0, 2);
    tcase_add_test(t, after_a_minute_nobody_waits_for_heads_that_are_not_there);
    tcase_add_test(t, boards_wait_until_all_heads_have_told);
    return run_case(t, "halt_told");
}
