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

static void put_reign_of(const char *chain, const char *by, int64_t n)
{
    struct record *r = put_record("reign");
    record_add_text(r, "chain", chain);
    record_add_text(r, "by", by);
    record_add_int(r, "reign", 40);
    record_add_int(r, "n", n);
}

static void tell_listed(const char *id)
{
    struct event e = { .kind = EVENT_LEDGER, .chain = WEST, .ledger = { .count = 1 } };
    text_copy(e.ledger.entry[0].id, sizeof e.ledger.entry[0].id, id);
    e.ledger.entry[0].state = CHAIN_DONE;
    step(&e);
}

/* The power went before the record of a halt was on disk. _i: that, or the halt is on record. */
START_TEST(a_head_lists_a_halt_that_has_no_record)
{
    bench_init();
    b.starts = 7;
    put_reign_of("west", "d7", _i == 0 ? 3 : 4);
    bench_start();
    ck_assert(core_halt_untold(b.core, b.now)); /* just started: the heads may tell */
    tell_listed("d7-4");
    ck_assert(!b.core->halted);
    ck_assert(!b.core->chain[WEST].limits_unknown); /* it moved nothing */
    beat(WEST, true);
    ck_assert_int_eq(b.core->halted, _i == 0);
}
END_TEST

/* The head was away when its halt was ended. _i: it lists that one, or one that came after, whose
 * record the power took along. */
START_TEST(a_halt_that_was_ended_before_the_start_isnt_taken_again)
{
    bench_init();
    put_record("water");
    bench_start();
    come_up();
    pass(MINUTE_MS);
    struct event_request on = { .kind = REQUEST_HALT, .on = true };
    ck_assert(ask_for(on));
    char id[2][CHAIN_WORD_MAX];
    text_copy(id[0], sizeof id[0], wanted(ACTION_STOP)->command.id);
    b.core->chain[WEST].has_beat = b.core->chain[EAST].has_beat = false;
    ck_assert(ask_for(release()));
    ck_assert_ptr_null(recorded("resume"));
    text_copy(id[1], sizeof id[1], record_text_or_empty(recorded("request"), "last"));
    ck_assert(id[1][0] != '\0');
    id[1][strlen(id[1]) - 1]++;
    bench_start();
    tell_listed(id[_i]); /* the broker keeps it: it is heard first */
    come_up();
    beat(WEST, true);
    ck_assert_int_eq(b.core->halted, _i == 1);
}
END_TEST

/* A number is only compared with those of the same daemon, and the release may not name any. */
START_TEST(a_release_tells_of_its_own_daemons_commands_only)
{
    static const char *const lasts[] = { "d7-4", "d7-3", "d6-4", "d7", "" };
    for (uint32_t i = 0; i < sizeof lasts / sizeof *lasts; i++) {
        bench_init();
        b.starts = 7;
        put_reign_of("west", "d7", 3);
        halt_is("done", true);
        halt_is("done", false);
        record_add_text(&b.record[b.record_count - 1], "last", lasts[i]);
        bench_start();
        tell_listed("d7-4");
        beat(WEST, true);
        ck_assert_msg(b.core->halted == (i > 0), "%u", i);
        bench_done();
    }
}
END_TEST

/* Seed 1641: the head was mute when the daemon before this one claimed it, so that by the journal
 * still an older one commanded it. _i: what the head lists. */
START_TEST(a_halt_of_who_commanded_another_chain_counts)
{
    static const struct {
        const char *id;
        bool taken;
    } listed[] = { { "d7-4", true }, { "d7-3", false }, { "d6-9", true }, { "d6-2", false },
        { "d5-9", false }, { "-9", false } };
    bench_init();
    b.starts = 7;
    put_reign_of("west", "d6", 2);
    put_reign_of("east", "d7", 3);
    bench_start();
    tell_listed(listed[_i].id);
    beat(WEST, true);
    ck_assert_int_eq(b.core->halted, listed[_i].taken);
    ck_assert(!b.core->chain[WEST].limits_unknown);
}
END_TEST

/* Its list is heard again with each command that it takes, that which ends its halt among them. _i:
 * another daemon had the chain since. */
START_TEST(what_was_ended_isnt_taken_again_from_the_same_list)
{
    bench_init();
    b.starts = 7;
    put_reign_of("west", "d7", 3);
    bench_start();
    tell_listed("d7-4");
    come_up();
    beat(WEST, true);
    ck_assert(b.core->halted);
    ck_assert(ask_for(release()));
    ck_assert(wants(ACTION_SEND));
    if (_i == 1) tell_claim(WEST, "stranger", 90);
    if (_i == 1) ticks();
    tell_listed("d7-4");
    ticks();
    beat(WEST, true);
    ck_assert_int_eq(b.core->halted, _i == 1);
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
    tcase_add_loop_test(t, a_halt_that_was_ended_before_the_start_isnt_taken_again, 0, 2);
    tcase_add_test(t, a_release_tells_of_its_own_daemons_commands_only);
    tcase_add_loop_test(t, a_halt_of_who_commanded_another_chain_counts, 0, 6);
    tcase_add_loop_test(t, what_was_ended_isnt_taken_again_from_the_same_list, 0, 2);
    tcase_add_test(t, after_a_minute_nobody_waits_for_heads_that_are_not_there);
    tcase_add_test(t, boards_wait_until_all_heads_have_told);
    return run_case(t, "halt_told");
}
