/* Who commands a chain, and when a daemon asks for it. INV-9. INV-n: safety invariants in
 * DEVELOPERS.md. */
#include "lib/core/limits_known.h"
#include "tests/unit/core/claim_fixture.h"

static bool asked(void)
{
    return recorded("claim") != NULL;
}

START_TEST(a_chain_that_nobody_commands_is_asked_for_at_once)
{
    prepare();
    listen_to("", 0);
    ticks();
    ck_assert(b.core->active && !b.core->link_up); /* until the link is made with the site's will */
    listen_to("", 0);
    run_for(2000);
    ck_assert_int_eq(west()->asked_reign, 1);
    ck_assert(!west()->limits_unknown);
    ck_assert_str_eq(record_text_or_empty(recorded("claim"), "by"), b.core->identity.by);
}
END_TEST

/* INV-9, 1: a stranger's chain is left to it for 15 s without a sign of life; then what it dosed
 * isn't known here. */
START_TEST(a_strangers_chain_is_taken_after_its_silence_with_limits_used_up)
{
    prepare();
    listen_to("stranger", 40);
    run_for(CLAIM_SILENCE_MS - 1000);
    ck_assert(!b.core->active);
    run_for(2000);
    ck_assert(b.core->active);
    listen_to("stranger", 40);
    run_for(CLAIM_SILENCE_MS - 1000);
    ck_assert(!west()->asked_reign);
    run_for(3000);
    ck_assert_int_eq(west()->asked_reign, 41);
    ck_assert(west()->limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 200000);
    ck_assert_int_eq(used_ul(BASIL, 3), 200000);
    ck_assert_uint_eq(count_records("limits-unknown"), 2);
    ck_assert(alert_stands(b.core, "limits-unknown-west"));
}
END_TEST

/* INV-5: nor what the line holds of it, nor whether it was acid just now; whatever somebody says of
 * the limits. _i: after a restart. */
START_TEST(what_a_stranger_dosed_is_flushed_first)
{
    prepare();
    b.core->active = true;
    listen_to("stranger", 40);
    run_for(CLAIM_SILENCE_MS + 3000);
    ck_assert(west()->limits_unknown);
    const struct mono took = b.now.mono;
    if (_i == 1) bench_start();
    core_know_limits(b.core, WEST, b.now.mono);
    const struct core_tank *t = &b.core->tank[BASIL];
    ck_assert(t->line_dirty && t->mix_owed);
    ck_assert_int_lt(mono_since(took, t->acid_ended), 3000);
    ck_assert_int_lt(mono_since(took, t->base_ended), 3000);
}
END_TEST

/* A deposed one that a person tells to claim connects as the site and asks: the other's claim,
 * which it reads again then, doesn't make it stand by again. */
START_TEST(a_deposed_one_that_is_told_to_claim_does)
{
    prepare();
    listen_to("", 0);
    ticks();
    listen_to("", 0);
    run_for(2000);
    listen_to(b.core->identity.by, 1);
    ck_assert(west()->ours);
    listen_to("stranger", 2);
    ck_assert(!b.core->active && west()->deposed);
    for (uint32_t c = 0; c < CHAINS; c++) {
        ck_assert(ask_for((struct event_request){ .kind = REQUEST_CLAIM, .chain = c }));
    }
    listen_to("stranger", 2);
    run_for(2000);
    ck_assert(b.core->active);
    listen_to("stranger", 2);
    run_for(2000);
    ck_assert(b.core->active);
    ck_assert_int_eq(west()->asked_reign, 3);
}
END_TEST

/* Rulings: that owner was its former self. */
START_TEST(ones_own_former_claim_is_taken_over_at_once) /* _i: as it stood, or was asked for */
{
    prepare();
    struct record *r = put_record(_i == 0 ? "reign" : "claim");
    record_add_text(r, "chain", "west");
    record_add_text(r, "by", "d0");
    record_add_int(r, "reign", 40);
    bench_start();
    listen_to("d0", 40);
    ticks();
    ck_assert(b.core->active);
    listen_to("d0", 40);
    run_for(2000);
    ck_assert_int_eq(west()->asked_reign, 41);
    ck_assert(!west()->limits_unknown);
}
END_TEST

START_TEST(another_reign_or_name_than_the_journals_is_a_strangers)
{
    prepare();
    struct record *r = put_record("reign");
    record_add_text(r, "chain", "west");
    record_add_text(r, "by", "d0");
    record_add_int(r, "reign", 40);
    bench_start();
    listen_to(_i == 0 ? "d0" : "d9", _i == 0 ? 41 : 40);
    run_for(5000);
    ck_assert(!b.core->active && !asked());
}
END_TEST

/* Each sign of life counts from its own moment. */
START_TEST(an_owner_that_is_heard_keeps_its_chain) /* _i: of this site */
{
    prepare();
    listen_to("stranger", 40);
    for (int n = 0; n < 60; n++) {
        if (!b.core->link_up) listen_to("stranger", 40); /* it has become the site's device */
        tell_peer("stranger", _i == 1);
        tell_peer(b.core->identity.by, true); /* its own echo */
        run_for(1000);
    }
    ck_assert(!asked());
    ck_assert_int_eq(b.core->has_peer, _i == 1);
    ck_assert_int_eq(b.core->active, _i == 0); /* nobody serves the site: the device is its own */
    run_for(2 * CLAIM_SILENCE_MS);
    ck_assert(b.core->active && !b.core->has_peer);
    ck_assert_int_eq(asked(), _i == 0); /* else the link is to be made anew first */
}
END_TEST

START_TEST(a_claim_isnt_asked_of_a_head_that_isnt_there)
{
    prepare();
    tell_link(true);
    b.core->active = true;
    tell_head(WEST, _i != 0);
    if (_i != 1) tell_claim(WEST, "", 0);
    run_for(1000);
    ck_assert_int_eq(west()->asked_reign > 0, _i == 2);
}
END_TEST

START_TEST(nothing_is_asked_without_a_journal_or_a_link)
{
    prepare();
    b.core->active = true;
    listen_to("", 0);
    if (_i == 0)
        b.core->journal_ok = false;
    else
        b.core->link_up = false;
    run_for(3000);
    ck_assert(!asked());
}
END_TEST

/* A claim may get lost: it is asked for again, with the same reign, and not at every look. */
START_TEST(a_claim_without_an_answer_is_asked_for_again)
{
    prepare();
    b.core->active = true;
    listen_to("", 0);
    run_for(500);
    ck_assert_uint_eq(count_records("claim"), 2); /* each chain */
    run_for(CLAIM_RETRY_MS - 1000);
    ck_assert_uint_eq(count_records("claim"), 2);
    run_for(2000);
    ck_assert_uint_eq(count_records("claim"), 4);
    ck_assert_int_eq(west()->asked_reign, 1);
}
END_TEST

/* --- losing it -------------------------------------------------------------------------------- */

START_TEST(a_chain_taken_by_another_is_left_to_it)
{
    bench_ready();
    tell_claim(WEST, "stranger", 9);
    ck_assert(west()->deposed && !west()->ours);
    ck_assert(b.core->active); /* it has the other one */
    ck_assert(alert_stands(b.core, "taken-over-west"));
    tell_claim(WEST, "stranger", 9);
    const uint32_t claims = count_records("claim");
    run_for(60000);
    ck_assert_uint_eq(count_records("claim"), claims);
    tell_claim(EAST, "stranger", 9);
    ck_assert(!b.core->active && !b.core->link_up);
    ck_assert_ptr_nonnull(wants(ACTION_STAND_BY));
    listen_to("stranger", 9);
    tell_claim(EAST, "stranger", 9);
    run_for(60000);
    ck_assert(!b.core->active); /* until somebody says 'claim' */
    ck_assert_uint_eq(count_records("claim"), claims);
    ck_assert_ptr_null(wants(ACTION_STAND_BY));
}
END_TEST

START_TEST(somebody_who_says_claim_gets_it_back)
{
    bench_ready();
    tell_claim(WEST, "stranger", 9);
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_CLAIM, .chain = WEST }));
    run_for(CLAIM_RETRY_MS);
    ck_assert_int_eq(west()->asked_reign, 10);
    ck_assert(west()->limits_unknown);
    tell_claim(WEST, b.core->identity.by, 10);
    ck_assert(west()->ours && !alert_stands(b.core, "taken-over-west"));
}
END_TEST

/* What isn't a takeover: nobody's claim, its own of another reign, a chain it never had. */
START_TEST(other_claims_are_no_takeover)
{
    bench_ready();
    tell_claim(WEST, _i == 0 ? "" : b.core->identity.by, _i == 0 ? 0 : 99);
    ck_assert(!west()->deposed && !west()->ours);
    bench_start();
    tell_link(true);
    tell_claim(WEST, "stranger", 9);
    ck_assert(!west()->deposed);
}
END_TEST

/* Its own claim of before the link broke: asked for anew, and nothing was dosed by others. */
START_TEST(ones_own_claim_of_another_reign_leaves_the_limits_known)
{
    bench_ready();
    tell_claim(WEST, b.core->identity.by, 99);
    run_for(CLAIM_SILENCE_MS + 2000);
    ck_assert_int_eq(west()->asked_reign, 100);
    ck_assert(!west()->limits_unknown);
}
END_TEST

static void put_claim(const char *kind, const char *by, int64_t reign)
{
    struct record *r = put_record(kind);
    record_add_text(r, "chain", "west");
    record_add_text(r, "by", by);
    record_add_int(r, "reign", reign);
}

/* Found by simulation.storm (head-replaced): a head that was exchanged while this daemon didn't
 * run, or couldn't write, took with it what nobody else knows. _i: who had commanded the old one;
 * this one, another, both by turns. */
START_TEST(a_head_exchanged_before_the_start_leaves_the_limits_unknown)
{
    prepare();
    if (_i != 1) put_claim("reign", "d0", 40);
    if (_i != 0) put_claim("other-reign", "d7", 41);
    bench_start();
    listen_to("", 0);
    ticks();
    listen_to("", 0);
    run_for(2000);
    ck_assert_int_eq(west()->asked_reign, 1);
    ck_assert(west()->limits_unknown && !b.core->chain[EAST].limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 200000);
    ck_assert_uint_eq(count_records("limits-unknown"), 1);
    tell_claim(WEST, b.core->identity.by, 1);
    ck_assert_int_eq(west()->seen_reign, 0);
}
END_TEST

/* ... once: what came after it is in the journal. And one that is exchanged while it is listened to
 * has told all. */
START_TEST(a_head_that_is_known_leaves_the_limits_known)
{
    prepare();
    put_claim("other-reign", "d7", 41);
    put_claim("reign", "d0", 1);
    bench_start();
    listen_to("d0", 1);
    ticks();
    listen_to("d0", 1);
    run_for(2000);
    ck_assert_int_eq(west()->asked_reign, 2);
    tell_claim(WEST, b.core->identity.by, 2);
    ck_assert(west()->held);
    listen_to("", 0);
    run_for(CLAIM_RETRY_MS + 2000);
    ck_assert_int_eq(west()->asked_reign, 1);
    ck_assert(!west()->limits_unknown);
}
END_TEST

START_TEST(another_ones_claim_is_recorded_once)
{
    prepare();
    listen_to("stranger", 40);
    run_for(3000);
    tell_claim(WEST, "stranger", 40);
    run_for(3000);
    ck_assert_uint_eq(count_records("other-reign"), CHAINS);
    tell_claim(WEST, "stranger", 41);
    run_for(3000);
    ck_assert_uint_eq(count_records("other-reign"), CHAINS + 1);
}
END_TEST

/* --- limits that aren't known ----------------------------------------------------------------- */

START_TEST(unknown_limits_are_known_again_after_a_day)
{
    bench_ready();
    core_forget_limits(b.core, WEST, b.now.mono);
    core_forget_limits(b.core, WEST, b.now.mono); /* twice is once */
    ck_assert_int_eq(used_ul(BASIL, 0), 200000);
    pass(DAY_MS - 1);
    tell_beat(WEST);
    ticks();
    ck_assert(west()->limits_unknown && alert_stands(b.core, "limits-unknown-west"));
    pass(1);
    tell_beat(WEST);
    ticks();
    ck_assert(!west()->limits_unknown && !alert_stands(b.core, "limits-unknown-west"));
    ck_assert_int_eq(used_ul(BASIL, 0), 0);
}
END_TEST

/* --- the halt at the heads -------------------------------------------------------------------- */

static uint32_t halts_in(int64_t span_ms)
{
    uint32_t n = 0;
    for (int64_t ms = 0; ms < span_ms; ms += 500) {
        pass(500);
        for (int k = 0; k < 64 && mono_since(core_wakes_at(b.core), b.now.mono) <= 0; k++) {
            tick();
            const struct action *stop = wants(ACTION_STOP);
            n += stop && stop->chain == WEST && stop->command.action == CHAIN_HALT;
        }
    }
    return n;
}

/* INV-8: a halt holds at each head, also at one that comes back later; said again until it shows.
 */
START_TEST(a_halt_is_said_until_the_head_shows_it)
{
    bench_ready();
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_HALT, .on = true }));
    ck_assert_uint_eq(halts_in(2500), 0);
    ck_assert_uint_eq(halts_in(6000), 2);
    struct event e = beat_of(WEST);
    e.beat.halted = true;
    step(&e);
    ck_assert(!west()->halt_pending);
    ck_assert_uint_eq(halts_in(6000), 0);
    tell_roll(WEST, "boot-w2");           /* it restarted, and has forgotten */
    ck_assert_uint_eq(halts_in(6000), 0); /* ... and was not heard since */
    tell_beat(WEST);
    ck_assert_uint_gt(halts_in(6000), 0);
    tell_head(WEST, false);
    ck_assert_uint_eq(halts_in(6000), 0);
    tell_head(WEST, true);
    tell_beat(WEST);
    ck_assert_uint_gt(halts_in(6000), 0);
    tell_link(false);
    ck_assert_uint_eq(halts_in(6000), 0);
}
END_TEST

START_TEST(a_resume_that_is_owed_goes_out_when_the_chain_is_ours)
{
    bench_ready();
    west()->resume_owed = true;
    west()->beat.halted = true;
    west()->has_beat = false;
    run_for(2000);
    ck_assert_uint_eq(count_records("resume"), 0);
    west()->has_beat = true;
    west()->ours = false;
    west()->deposed = true;
    run_for(2000);
    ck_assert_uint_eq(count_records("resume"), 0);
    west()->ours = true;
    run_for(2000);
    ck_assert_uint_eq(count_records("resume"), 1);
    ck_assert(!west()->resume_owed);
}
END_TEST

/* Somebody else ended it: nothing is owed any more, but for a halt that is still on its way. */
START_TEST(a_beat_without_a_halt_settles_what_was_owed)
{
    bench_ready();
    west()->resume_owed = west()->halt_pending = true;
    tell_beat(WEST);
    ck_assert(west()->resume_owed);
    west()->halt_pending = false;
    tell_beat(WEST);
    ck_assert(!west()->resume_owed);
}
END_TEST

/* What was refused under a halt says nothing of the time after it. */
START_TEST(the_end_of_a_halt_forgets_failures)
{
    bench_ready();
    struct event e = beat_of(WEST);
    e.beat.halted = true;
    step(&e);
    b.core->tank[BASIL].failures = b.core->tank[LETTUCE].failures = 5;
    b.tank[LETTUCE].circulation.address.chain = EAST;
    b.core->tank[BASIL].not_before = mono_after(b.now.mono, HOUR_MS);
    tell_beat(EAST);
    ck_assert_uint_eq(b.core->tank[BASIL].failures, 5);
    tell_beat(WEST);
    ck_assert_uint_eq(b.core->tank[BASIL].failures, 0);
    ck_assert_uint_eq(b.core->tank[LETTUCE].failures, 5); /* on another chain */
    ck_assert_int_eq(b.core->tank[BASIL].not_before.ms, b.now.mono.ms);
}
END_TEST

/* Its owner is silent, but another daemon of this site lives: it will see to it. */
START_TEST(a_silent_chain_is_left_to_a_peer_that_lives)
{
    prepare();
    b.core->active = true;
    listen_to("stranger", 40);
    for (int n = 0; n < 30; n++) {
        tell_peer("third", true);
        run_for(1000);
    }
    ck_assert(!asked());
    run_for(CLAIM_SILENCE_MS + 2000);
    ck_assert(asked());
}
END_TEST

/* There is no higher one to ask for. */
START_TEST(no_reign_beyond_the_last_is_asked_for)
{
    prepare();
    b.core->active = true;
    listen_to("", RECORD_INTEGER_MOST);
    run_for(3000);
    ck_assert(!asked());
}
END_TEST

/* A claim that an overtaken message hid: the chain is its own all the while. */
START_TEST(a_chain_that_turns_out_to_be_ours_makes_it_active)
{
    bench_ready();
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_claim(c, "stranger", 9);
    }
    ck_assert(!b.core->active);
    tell_link(true);
    tell_head(WEST, true);
    tell_roll(WEST, "boot-w");
    tell_claim(WEST, b.core->identity.by, west()->asked_reign);
    ck_assert(west()->ours);
    ticks();
    ck_assert(b.core->active);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("claim");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, a_chain_that_nobody_commands_is_asked_for_at_once);
    tcase_add_test(t, a_strangers_chain_is_taken_after_its_silence_with_limits_used_up);
    tcase_add_loop_test(t, ones_own_former_claim_is_taken_over_at_once, 0, 2);
    tcase_add_loop_test(t, another_reign_or_name_than_the_journals_is_a_strangers, 0, 2);
    tcase_add_loop_test(t, an_owner_that_is_heard_keeps_its_chain, 0, 2);
    tcase_add_loop_test(t, a_claim_isnt_asked_of_a_head_that_isnt_there, 0, 3);
    tcase_add_loop_test(t, nothing_is_asked_without_a_journal_or_a_link, 0, 2);
    tcase_add_test(t, a_claim_without_an_answer_is_asked_for_again);
    tcase_add_test(t, a_chain_taken_by_another_is_left_to_it);
    tcase_add_test(t, somebody_who_says_claim_gets_it_back);
    tcase_add_loop_test(t, other_claims_are_no_takeover, 0, 2);
    tcase_add_test(t, ones_own_claim_of_another_reign_leaves_the_limits_known);
    tcase_add_loop_test(t, what_a_stranger_dosed_is_flushed_first, 0, 2);
    tcase_add_loop_test(t, a_head_exchanged_before_the_start_leaves_the_limits_unknown, 0, 3);
    tcase_add_test(t, a_head_that_is_known_leaves_the_limits_known);
    tcase_add_test(t, another_ones_claim_is_recorded_once);
    tcase_add_test(t, a_deposed_one_that_is_told_to_claim_does);
    tcase_add_test(t, unknown_limits_are_known_again_after_a_day);
    tcase_add_test(t, a_halt_is_said_until_the_head_shows_it);
    tcase_add_test(t, a_resume_that_is_owed_goes_out_when_the_chain_is_ours);
    tcase_add_test(t, a_beat_without_a_halt_settles_what_was_owed);
    tcase_add_test(t, the_end_of_a_halt_forgets_failures);
    tcase_add_test(t, a_silent_chain_is_left_to_a_peer_that_lives);
    tcase_add_test(t, no_reign_beyond_the_last_is_asked_for);
    tcase_add_test(t, a_chain_that_turns_out_to_be_ours_makes_it_active);
    return run_case(t, "claim");
}
