#include "lib/chain/plain_watch.h"

#include "tests/unit/support.h"

static struct plain_watch w;

/* "off" is due: it is said, and arrives. */
static void say_off(int64_t now_ms)
{
    ck_assert(plain_watch_off_due(&w, now_ms));
    plain_watch_told_off(&w, true, now_ms);
}

/* A board that was told to be off after the start, and said that it is. */
static void start(bool reports)
{
    plain_watch_init(&w, reports, 0);
    say_off(0);
    say_off(PLAIN_OFF_AGAIN_MS);
    if (reports) plain_watch_hear(&w, false, 5000);
    ck_assert(!plain_watch_off_due(&w, 1000000));
}

START_TEST(off_is_the_first_thing_said_and_said_twice)
{
    plain_watch_init(&w, false, 7000);
    ck_assert_int_eq(plain_watch_due_ms(&w, 7000), 7000);
    say_off(7000);
    ck_assert(!plain_watch_off_due(&w, 7000 + PLAIN_OFF_AGAIN_MS - 1));
    say_off(7000 + PLAIN_OFF_AGAIN_MS);
    ck_assert_int_eq(plain_watch_due_ms(&w, 20000), PLAIN_NEVER_MS);
}
END_TEST

START_TEST(what_couldnt_be_sent_is_said_again)
{
    plain_watch_init(&w, false, 0);
    plain_watch_told_off(&w, false, 0);
    ck_assert(!plain_watch_off_due(&w, 1));
    say_off(PLAIN_OFF_AGAIN_MS);
    say_off(2 * PLAIN_OFF_AGAIN_MS);
    ck_assert(!plain_watch_off_due(&w, 100000));
}
END_TEST

/* INV-3, defect: its old word counted as the new run's. */
START_TEST(who_was_told_to_be_off_says_on_anew)
{
    start(true);
    plain_watch_begin(&w, 10000);
    plain_watch_hear(&w, true, 10010);
    plain_watch_begin(&w, 15000); /* prolonged: there is nothing new to say */
    ck_assert(!plain_watch_lacks(&w, 15000 + PLAIN_ANSWER_MS));
    plain_watch_end(&w, false, 20000);
    say_off(20000);
    plain_watch_begin(&w, 20001);
    ck_assert(w.on && w.awaited);
    ck_assert(plain_watch_lacks(&w, 20001 + PLAIN_ANSWER_MS));
    plain_watch_hear(&w, false, 20100);
    plain_watch_hear(&w, true, 20110);
    ck_assert(!w.awaited && !plain_watch_lacks(&w, 20001 + PLAIN_ANSWER_MS));
}
END_TEST

/* INV-3, seed 966: "off" wasn't told yet, and the board was long gone. */
START_TEST(the_word_of_a_run_that_has_ended_isnt_the_next_ones)
{
    start(true);
    plain_watch_begin(&w, 10000);
    plain_watch_hear(&w, true, 10010);
    plain_watch_end(&w, true, 20000);
    plain_watch_begin(&w, 20000);
    ck_assert(w.on && w.awaited);
    ck_assert(plain_watch_lacks(&w, 20000 + PLAIN_ANSWER_MS));
    plain_watch_end(&w, true, 26000);
    plain_watch_hear(&w, false, 26010);
    plain_watch_hear(&w, true, 26020); /* it speaks, and of now */
    plain_watch_begin(&w, 26030);
    ck_assert(!w.awaited && !plain_watch_lacks(&w, 26030 + PLAIN_ANSWER_MS));
}
END_TEST

START_TEST(a_run_ends_with_off_at_once_or_soon)
{
    start(false);
    plain_watch_begin(&w, 10000);
    ck_assert(!plain_watch_off_due(&w, 19999));
    plain_watch_end(&w, false, 20000);
    say_off(20000);
    plain_watch_begin(&w, 21000); /* the second one would end this run */
    ck_assert(!plain_watch_off_due(&w, 29999));
    plain_watch_end(&w, true, 30000);
    ck_assert(!plain_watch_off_due(&w, 30000 + PLAIN_TIMED_SLACK_MS - 1));
    say_off(30000 + PLAIN_TIMED_SLACK_MS);
}
END_TEST

START_TEST(without_reports_nothing_is_found_and_nothing_lacks)
{
    int64_t since_ms;
    start(false);
    plain_watch_begin(&w, 10000);
    ck_assert(!plain_watch_lacks(&w, 10000000));
    ck_assert_int_eq(plain_watch_find(&w, 10000000), PLAIN_NOTHING_NEW);
    plain_watch_end(&w, false, 20000);
    ck_assert(!plain_watch_by_hand(&w, 10000000, &since_ms));
    ck_assert_int_eq(plain_watch_find(&w, 10000000), PLAIN_NOTHING_NEW);
}
END_TEST

START_TEST(one_that_doesnt_answer_is_told_once_until_it_works)
{
    start(true);
    plain_watch_begin(&w, 10000);
    ck_assert_int_eq(plain_watch_due_ms(&w, 10000), 10000 + PLAIN_ANSWER_MS);
    ck_assert_int_eq(plain_watch_find(&w, 10000 + PLAIN_ANSWER_MS - 1), PLAIN_NOTHING_NEW);
    plain_watch_end(&w, true, 11000); /* a short run is no excuse */
    ck_assert_int_eq(plain_watch_find(&w, 10000 + PLAIN_ANSWER_MS), PLAIN_IGNORES);
    ck_assert_int_eq(plain_watch_find(&w, 10000 + PLAIN_ANSWER_MS), PLAIN_NOTHING_NEW);
    plain_watch_begin(&w, 30000);
    ck_assert_int_eq(plain_watch_find(&w, 40000), PLAIN_NOTHING_NEW);
    plain_watch_hear(&w, false, 40000); /* that is no answer */
    ck_assert_int_eq(plain_watch_find(&w, 40000), PLAIN_NOTHING_NEW);
    plain_watch_hear(&w, true, 41000);
    ck_assert_int_eq(plain_watch_find(&w, 41000), PLAIN_WORKS);
    ck_assert_int_eq(plain_watch_find(&w, 41000), PLAIN_NOTHING_NEW);
}
END_TEST

START_TEST(a_run_lacks_what_never_began_or_has_ended)
{
    start(true);
    plain_watch_begin(&w, 10000);
    ck_assert(!plain_watch_lacks(&w, 10000 + PLAIN_ANSWER_MS - 1));
    ck_assert(plain_watch_lacks(&w, 10000 + PLAIN_ANSWER_MS));
    plain_watch_hear(&w, true, 16000);
    ck_assert(!plain_watch_lacks(&w, 1000000));
    plain_watch_begin(&w, 50000); /* renewed: some boards are off for a moment */
    plain_watch_hear(&w, false, 50100);
    ck_assert(!plain_watch_lacks(&w, 50100 + PLAIN_LOST_MS - 1));
    plain_watch_hear(&w, true, 50300);
    ck_assert(!plain_watch_lacks(&w, 1000000));
    plain_watch_hear(&w, false, 60000);
    ck_assert(plain_watch_lacks(&w, 60000 + PLAIN_LOST_MS));
}
END_TEST

START_TEST(one_that_stays_on_is_told_again_and_found)
{
    start(true);
    plain_watch_begin(&w, 10000);
    plain_watch_hear(&w, true, 10100);
    plain_watch_end(&w, false, 20000);
    say_off(20000);
    say_off(20000 + PLAIN_OFF_AGAIN_MS);
    say_off(20000 + PLAIN_OFF_AGAIN_MS + PLAIN_OFF_STUCK_MS);
    ck_assert_int_eq(plain_watch_find(&w, 20000 + PLAIN_STAYS_MS - 1), PLAIN_NOTHING_NEW);
    ck_assert_int_eq(plain_watch_find(&w, 20000 + PLAIN_STAYS_MS), PLAIN_STAYS_ON);
    ck_assert_int_eq(plain_watch_find(&w, 90000), PLAIN_NOTHING_NEW);
    say_off(20000 + PLAIN_OFF_AGAIN_MS + 2 * PLAIN_OFF_STUCK_MS); /* on and on */
    plain_watch_hear(&w, false, 100000);
    say_off(100000);
    ck_assert(!plain_watch_off_due(&w, 1000000));
    ck_assert_int_eq(plain_watch_find(&w, 1000000), PLAIN_NOTHING_NEW);
}
END_TEST

START_TEST(a_late_report_of_off_is_no_fault)
{
    int64_t since_ms;
    start(true);
    plain_watch_begin(&w, 10000);
    plain_watch_hear(&w, true, 10100);
    plain_watch_end(&w, false, 20000);
    say_off(20000);
    ck_assert(!plain_watch_by_hand(&w, 20000 + PLAIN_LATE_MS - 1, &since_ms));
    plain_watch_hear(&w, false, 20000 + PLAIN_LATE_MS - 1);
    ck_assert(!plain_watch_by_hand(&w, 1000000, &since_ms));
    ck_assert_int_eq(plain_watch_find(&w, 1000000), PLAIN_NOTHING_NEW);
}
END_TEST

START_TEST(what_runs_without_a_command_runs_by_hand_and_isnt_stuck)
{
    int64_t since_ms = 0;
    start(true);
    plain_watch_hear(&w, true, 50000);
    ck_assert(!plain_watch_by_hand(&w, 50000 + PLAIN_LATE_MS - 1, &since_ms));
    ck_assert(plain_watch_by_hand(&w, 50000 + PLAIN_LATE_MS, &since_ms));
    ck_assert_int_eq(since_ms, 50000);
    ck_assert(!plain_watch_off_due(&w, 1000000)); /* nobody fights the person at the switch */
    ck_assert_int_eq(plain_watch_find(&w, 1000000), PLAIN_NOTHING_NEW);
    plain_watch_end(&w, false, 60000); /* but a halt does */
    say_off(60000);
    ck_assert_int_eq(plain_watch_find(&w, 60000 + PLAIN_STAYS_MS), PLAIN_STAYS_ON);
}
END_TEST

START_TEST(one_that_is_on_at_the_start_is_told_to_be_off)
{
    plain_watch_init(&w, true, 0);
    say_off(0);
    say_off(PLAIN_OFF_AGAIN_MS);
    plain_watch_hear(&w, true, 4000); /* its kept word */
    say_off(4000);                    /* it may have come late, and heard nothing of that */
    ck_assert_int_eq(plain_watch_find(&w, 4000 + PLAIN_STAYS_MS - 1), PLAIN_NOTHING_NEW);
    ck_assert_int_eq(plain_watch_find(&w, 4000 + PLAIN_STAYS_MS), PLAIN_STAYS_ON);
}
END_TEST

START_TEST(after_the_broker_was_away_nothing_is_known)
{
    int64_t since_ms;
    start(true);
    plain_watch_begin(&w, 10000);
    plain_watch_hear(&w, true, 10100);
    plain_watch_lost(&w, 15000);
    ck_assert(!plain_watch_by_hand(&w, 1000000, &since_ms));
    ck_assert_int_eq(plain_watch_find(&w, 1000000), PLAIN_NOTHING_NEW);
    say_off(40000);
    plain_watch_hear(&w, true, 40010);
    say_off(40010);
    ck_assert_int_eq(plain_watch_find(&w, 40010 + PLAIN_STAYS_MS), PLAIN_STAYS_ON);
}
END_TEST

/* A person may have looked at it then; whether it obeys now isn't known either. */
START_TEST(what_stayed_on_before_that_is_found_anew)
{
    plain_watch_init(&w, true, 0);
    say_off(0);
    say_off(PLAIN_OFF_AGAIN_MS);
    plain_watch_hear(&w, true, 4000);
    say_off(4000);
    ck_assert_int_eq(plain_watch_find(&w, 4000 + PLAIN_STAYS_MS), PLAIN_STAYS_ON);
    ck_assert_int_eq(plain_watch_find(&w, 1000000), PLAIN_NOTHING_NEW);
    plain_watch_lost(&w, 2000000);
    say_off(2000000);
    plain_watch_hear(&w, true, 2000010);
    say_off(2000020);
    ck_assert_int_eq(plain_watch_find(&w, 2000020 + PLAIN_STAYS_MS), PLAIN_STAYS_ON);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("plain_watch");
    tcase_add_test(tc, what_stayed_on_before_that_is_found_anew);
    tcase_add_test(tc, off_is_the_first_thing_said_and_said_twice);
    tcase_add_test(tc, what_couldnt_be_sent_is_said_again);
    tcase_add_test(tc, who_was_told_to_be_off_says_on_anew);
    tcase_add_test(tc, the_word_of_a_run_that_has_ended_isnt_the_next_ones);
    tcase_add_test(tc, a_run_ends_with_off_at_once_or_soon);
    tcase_add_test(tc, without_reports_nothing_is_found_and_nothing_lacks);
    tcase_add_test(tc, one_that_doesnt_answer_is_told_once_until_it_works);
    tcase_add_test(tc, a_run_lacks_what_never_began_or_has_ended);
    tcase_add_test(tc, one_that_stays_on_is_told_again_and_found);
    tcase_add_test(tc, a_late_report_of_off_is_no_fault);
    tcase_add_test(tc, what_runs_without_a_command_runs_by_hand_and_isnt_stuck);
    tcase_add_test(tc, one_that_is_on_at_the_start_is_told_to_be_off);
    tcase_add_test(tc, after_the_broker_was_away_nothing_is_known);
    return run_case(tc, "plain_watch");
}
