/* A daemon that stands by counts what the one that commands has done: INV-1, INV-2, INV-9 over two
 * boards. INV-n: safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/follow_fixture.h"

/* INV-1: _i: also after a restart, and once. */
START_TEST(what_the_other_doses_counts_here)
{
    stand_by();
    hear(write_dose("o-1", 7000));
    hear(write_outcome("o-1", 6000));
    hear(write_dose("o-2", 5000));
    const struct record *copy = recorded("dose");
    int64_t of = 0;
    ck_assert(record_int(copy, "of", &of) && of == 4);
    ck_assert_str_eq(record_text_or_empty(copy, "of_hash"), other.tip.hash);
    ck_assert(!record_text_or_empty(copy, "prev")[0]);
    if (_i == 1) bench_start();
    ck_assert_int_eq(used_ul(BASIL, 0), 11000);
    ck_assert_int_eq(bottle_ul(), 5000000 - 11000);
    ck_assert(b.core->tank[BASIL].line_dirty && b.core->tank[BASIL].dose.used);
    ck_assert_int_eq(b.core->follow.tip.seq, 4);
    hear(4); /* said again */
    hear(2);
    ck_assert_int_eq(used_ul(BASIL, 0), 11000);
}
END_TEST

/* A dose of the other's is no business of this one: it isn't stopped, nor missed current looked
 * for. */
START_TEST(what_the_other_doses_is_left_alone)
{
    stand_by();
    tell_beat(WEST);
    hear(write_dose("o-1", 7000));
    for (int n = 0; n < 30; n++) {
        pass(500);
        tell_peer();
        tell_amps(n % 2 ? 0.1 : 1.5);
        ticks();
        ck_assert_ptr_null(wants(ACTION_STOP));
        if (n == 14) tell_report("o-1", CHAIN_DONE, 7000);
    }
    ck_assert_uint_eq(count_records("stop"), 0);
    ck_assert_uint_eq(count_records("ran-on"), 0);
    ck_assert_int_eq(used_ul(BASIL, 0), 7000);
    ck_assert(!b.core->tank[BASIL].dose.used);
}
END_TEST

START_TEST(locks_pauses_and_halts_come_along_and_what_is_known_of_limits_does_not)
{
    stand_by();
    struct record *r = write_down("request");
    record_add_text(r, "request", "pause");
    record_add_text(r, "tank", "basil");
    record_add_text(r, "id", "hall-1");
    record_add_truth(r, "ok", true);
    record_add_truth(r, "on", true);
    hear(seal());
    r = write_down("alert");
    record_add_text(r, "alert", "no-effect-basil-acid");
    record_add_truth(r, "on", true);
    hear(seal());
    ck_assert(b.core->tank[BASIL].paused);
    ck_assert(b.core->tank[BASIL].locked[LAW_ACID]);
    hear(write_plain("damage"));
    ck_assert(west()->limits_unknown);
    r = write_down("request");
    record_add_text(r, "request", "acknowledge");
    record_add_text(r, "alert", "limits-unknown-west");
    record_add_truth(r, "ok", true);
    hear(seal());
    ck_assert(west()->limits_unknown);
}
END_TEST

/* INV-1: a record that is missing is asked for, and nothing is taken over it. */
START_TEST(a_hole_is_asked_for_and_filled)
{
    stand_by();
    tell_peer();
    const int64_t missed = write_dose("o-1", 7000);
    (void)write_outcome("o-1", 7000);
    hear(write_dose("o-2", 5000));
    ck_assert_int_eq(wanted(ACTION_ASK)->replay.from, missed);
    ck_assert_int_eq(wanted(ACTION_ASK)->replay.to, missed + 2);
    ck_assert_int_eq(used_ul(BASIL, 0), 0);
    ck_assert(!core_follow_is_whole(b.core));
    for (int64_t seq = missed; seq <= other.tip.seq; seq++) {
        hear(seq);
    }
    ck_assert(core_follow_is_whole(b.core));
    ck_assert_int_eq(used_ul(BASIL, 0), 12000);
    ck_assert(!west()->limits_unknown);
}
END_TEST

/* Nor is it whole when the newest are missing: the tip tells. */
START_TEST(a_tip_that_is_further_is_a_hole)
{
    stand_by();
    (void)write_dose("o-1", 7000);
    hear_tip();
    ck_assert_int_eq(wanted(ACTION_ASK)->replay.from, 2);
    ck_assert(!core_follow_is_whole(b.core));
    hear(2);
    ck_assert(core_follow_is_whole(b.core));
}
END_TEST

START_TEST(a_hole_that_nobody_fills_uses_the_limits_up)
{
    stand_by();
    (void)write_dose("o-1", 7000);
    const int64_t seq = write_plain("water");
    for (int n = 0; n < FOLLOW_ASKS + 2; n++) {
        tell_peer();
        hear(seq);
        pass(FOLLOW_ASK_EVERY_MS);
    }
    ck_assert(west()->limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 200000);
    ck_assert_uint_eq(count_records("limits-unknown"), CHAINS);
    ck_assert(core_follow_is_whole(b.core)); /* from there on */
}
END_TEST

START_TEST(
    another_journal_uses_the_limits_up) /* _i: at its next record, an older one, by its tip */
{
    stand_by();
    hear(write_plain("water"));
    hear(write_plain("water"));
    other.tip = link_start();
    other.salt = 'x';
    if (_i == 0) (void)write_plain("start"), (void)write_plain("water"), (void)write_plain("water");
    const int64_t seq = write_plain("water");
    if (_i < 2) {
        hear(seq);
    } else {
        hear_tip();
        ck_assert(!core_follow_is_whole(b.core));
        pass(FOLLOW_DOUBT_MS);
        hear_tip();
        hear(seq);
    }
    ck_assert(west()->limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 200000);
}
END_TEST

/* INV-9, INV-1: it takes over with the limits of both. */
START_TEST(a_whole_journal_stands_for_what_was_dosed)
{
    stand_by();
    hear(write_dose("o-1", 7000));
    hear(write_outcome("o-1", 7000));
    take_over("o-1");
    ck_assert(!west()->limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 7000);
    ck_assert_uint_eq(count_records("limits-unknown"), 0);
}
END_TEST

/* _i: a hole; a command that nobody told of; an owner of another journal. */
START_TEST(what_is_not_known_counts_as_used_up)
{
    stand_by();
    hear(write_dose("o-1", 7000));
    hear(write_outcome("o-1", 7000));
    if (_i == 0) {
        (void)write_plain("water");
        hear_tip();
    }
    if (_i == 2) text_copy(b.core->peer, sizeof b.core->peer, "third");
    take_over(_i == 1 ? "o-2" : "o-1");
    ck_assert(west()->limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 207000);
    if (_i == 1) ck_assert(!b.core->chain[EAST].limits_unknown);
}
END_TEST

/* It was the other's predecessor: what it missed is read back to where the other took over. */
START_TEST(one_that_comes_back_learns_what_was_done_since) /* _i: 1: it took over from a third */
{
    bench_init();
    memset(&other, 0, sizeof other);
    other.tip = link_start();
    for (uint32_t c = 0; c < CHAINS; c++) {
        struct record *r = put_record("reign");
        record_add_text(r, "chain", b.site.chain[c].key);
        record_add_text(r, "by", "d0");
        record_add_int(r, "reign", 39);
    }
    (void)write_dose("of-long-ago", 9000);
    (void)write_claim("west", _i == 0 ? "d0" : "third", 40);
    (void)write_dose("o-1", 7000);
    (void)write_outcome("o-1", 7000);
    (void)write_claim("east", "d0", 40);
    bench_start();
    tell_link(true);
    tell_owner("other", 40);
    tell_peer();
    hear(write_plain("water"));
    ck_assert_int_eq(wanted(ACTION_ASK)->replay.from, 1);
    ck_assert(!core_follow_is_whole(b.core) && !west()->limits_unknown);
    for (int64_t seq = 1; seq <= other.tip.seq; seq++) {
        hear(seq);
    }
    ck_assert(core_follow_is_whole(b.core));
    ck_assert_int_eq(west()->limits_unknown, _i == 1);
    ck_assert_int_eq(used_ul(BASIL, 0), _i == 0 ? 7000 : 200000);
}
END_TEST

/* A copy that was put back, and all that was done since: nothing is unknown then, and not before.
 */
START_TEST(a_copy_is_brought_up_to_date) /* _i: 1: after a restart */
{
    bench_init();
    memset(&other, 0, sizeof other);
    other.tip = link_start();
    (void)write_plain("start");
    struct record *r = put_record("restored");
    record_add_int(r, "tip_seq", other.tip.seq);
    record_add_text(r, "tip_hash", other.tip.hash);
    (void)write_dose("o-1", 7000);
    bench_start();
    tell_link(true);
    tell_owner("other", 40);
    hear_tip();
    run_for(2000);
    ck_assert(west()->limits_unknown);
    hear(2);
    ck_assert(west()->limits_unknown); /* nobody has been heard: is it the other's last word? */
    tell_peer();
    hear_tip();
    ck_assert(!west()->limits_unknown);
    if (_i == 1) bench_start();
    ck_assert(!west()->limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 7000);
}
END_TEST

/* Its own time is what counts, where both clocks are right. _i: 1: they aren't. */
START_TEST(what_was_done_a_while_ago_counts_from_then)
{
    stand_by();
    if (_i == 1) b.now.clock = CLOCK_FREE;
    const int64_t seq = write_dose("o-1", 7000);
    (void)write_outcome("o-1", 7000);
    pass(2 * HOUR_MS);
    hear(seq);
    hear(seq + 1);
    const struct dose_window *w = &b.core->tank[BASIL].pump[0].window;
    ck_assert_int_eq(window_used(w, HOUR_MS, b.now.mono), _i == 0 ? 0 : 7000);
    bench_start();
    ck_assert_int_eq(
        window_used(&b.core->tank[BASIL].pump[0].window, HOUR_MS, b.now.mono), _i == 0 ? 0 : 7000);
    ck_assert_int_eq(used_ul(BASIL, 0), 7000);
}
END_TEST

/* Its own chain's journal is nobody else's. */
START_TEST(one_that_commands_follows_nobody)
{
    stand_by();
    take_over(NULL);
    ck_assert(!b.core->follow.joined);
    hear(write_dose("o-1", 7000));
    ck_assert(!b.core->follow.joined);
    ck_assert_ptr_null(wants(ACTION_ASK));
}
END_TEST

int main(void)
{
    TCase *follow = tcase_create("follow");
    tcase_add_loop_test(follow, what_the_other_doses_counts_here, 0, 2);
    tcase_add_test(follow, what_the_other_doses_is_left_alone);
    tcase_add_test(follow, locks_pauses_and_halts_come_along_and_what_is_known_of_limits_does_not);
    tcase_add_test(follow, a_hole_is_asked_for_and_filled);
    tcase_add_test(follow, a_tip_that_is_further_is_a_hole);
    tcase_add_test(follow, a_hole_that_nobody_fills_uses_the_limits_up);
    tcase_add_loop_test(follow, another_journal_uses_the_limits_up, 0, 3);
    tcase_add_test(follow, a_whole_journal_stands_for_what_was_dosed);
    tcase_add_loop_test(follow, what_is_not_known_counts_as_used_up, 0, 3);
    tcase_add_loop_test(follow, one_that_comes_back_learns_what_was_done_since, 0, 2);
    tcase_add_loop_test(follow, a_copy_is_brought_up_to_date, 0, 2);
    tcase_add_loop_test(follow, what_was_done_a_while_ago_counts_from_then, 0, 2);
    tcase_add_test(follow, one_that_commands_follows_nobody);
    return run_case(follow, "follow");
}
