#include "lib/journal/recover.h"

#include <stdio.h>
#include <string.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

static struct now at(int64_t mono_ms, int64_t civil_ms, enum clock_trust clock)
{
    return (struct now){ .mono = { mono_ms }, .civil = { civil_ms }, .clock = clock };
}

START_TEST(within_a_boot_the_monotonic_clock_alone_tells)
{
    struct recover_line line;
    recover_init(&line);
    const int64_t first = recover_place(&line, "a", at(5000, 1000000, CLOCK_SYNCED));
    ck_assert_int_eq(recover_place(&line, "a", at(9000, 0, CLOCK_UNSET)) - first, 4000);
    ck_assert_int_eq(
        recover_place(&line, "a", at(9001, INT64_C(1) << 50, CLOCK_SYNCED)) - first, 4001);
    ck_assert_int_eq(recover_shift(&line, "a", at(10001, 3, CLOCK_FREE)) + first, 5000);
}
END_TEST

START_TEST(across_a_boot_downtime_counts_only_between_two_synced_clocks)
{
    static const enum clock_trust all[] = { CLOCK_UNSET, CLOCK_FREE, CLOCK_SYNCED };
    for (int i = 0; i < 9; i++) {
        struct recover_line line;
        recover_init(&line);
        const enum clock_trust before = all[i / 3], after = all[i % 3];
        const int64_t last = recover_place(&line, "a", at(7000, 1000000, before));
        const int64_t next = recover_place(&line, "b", at(300, 1000000 + HOUR_MS, after));
        const bool known = before == CLOCK_SYNCED && after == CLOCK_SYNCED;
        ck_assert_int_eq(next - last, known ? HOUR_MS : 0);
        ck_assert_int_eq(recover_place(&line, "b", at(1300, 0, after)) - next, 1000);
    }
}
END_TEST

/* INV-10: a clock that jumps never gives back a limit. */
START_TEST(a_downtime_below_zero_or_above_400_days_counts_as_none)
{
    static const struct {
        int64_t gap_ms, counts_ms;
    } rows[] = { { -1, 0 }, { -HOUR_MS, 0 }, { 0, 0 }, { 1, 1 }, { 400 * DAY_MS, 400 * DAY_MS },
        { 400 * DAY_MS + 1, 0 }, { 20000 * DAY_MS, 0 } };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct recover_line line;
        const int64_t civil_ms = 30000 * DAY_MS;
        recover_init(&line);
        const int64_t last = recover_place(&line, "a", at(50, civil_ms, CLOCK_SYNCED));
        const int64_t next =
            recover_place(&line, "b", at(0, civil_ms + rows[i].gap_ms, CLOCK_SYNCED));
        ck_assert_int_eq(next - last, rows[i].counts_ms);
    }
}
END_TEST

/* INV-10: found by simulation, seed 235 with clock-step forced. The clock went back by three hours
 * while it said that it was synced, and was set right during a stop of ten minutes. */
START_TEST(a_clock_that_is_set_right_while_nothing_runs_gives_no_time)
{
    struct recover_line line;
    const int64_t civil_ms = 30000 * DAY_MS, back_ms = 3 * HOUR_MS;
    recover_init(&line);
    recover_place(&line, "a", at(0, civil_ms, CLOCK_SYNCED));
    const int64_t dose =
        recover_place(&line, "a", at(MINUTE_MS, civil_ms + MINUTE_MS - back_ms, CLOCK_SYNCED));
    int64_t next = recover_place(&line, "b", at(0, civil_ms + 11 * MINUTE_MS, CLOCK_SYNCED));
    ck_assert_int_eq(next, dose);
    /* nobody saw that: it isn't believed in the next stop either ... */
    next = recover_place(&line, "c", at(0, civil_ms + 21 * MINUTE_MS, CLOCK_SYNCED));
    ck_assert_int_eq(next, dose);
    /* ... but it is as soon as it is seen to go ahead by what it fell behind */
    (void)recover_place(
        &line, "c", at(1000, civil_ms + 21 * MINUTE_MS + back_ms + 1000, CLOCK_SYNCED));
    next =
        recover_place(&line, "d", at(0, civil_ms + 31 * MINUTE_MS + back_ms + 1000, CLOCK_SYNCED));
    ck_assert_int_eq(next, dose + 1000 + 10 * MINUTE_MS);
}
END_TEST

/* A clock is slewed by a little: that is no reason to forget a downtime. */
START_TEST(a_clock_that_goes_back_by_seconds_loses_these)
{
    static const struct {
        int64_t back_ms, counts_ms;
    } rows[] = { { 0, 60000 }, { 1, 59999 }, { 2000, 58000 }, { 2001, 0 } };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct recover_line line;
        const int64_t civil_ms = 30000 * DAY_MS - rows[i].back_ms;
        recover_init(&line);
        (void)recover_place(&line, "a", at(0, 30000 * DAY_MS, CLOCK_SYNCED));
        const int64_t last = recover_place(&line, "a", at(5000, civil_ms + 5000, CLOCK_SYNCED));
        const int64_t next = recover_place(&line, "b", at(0, civil_ms + 65000, CLOCK_SYNCED));
        ck_assert_int_eq(next - last, rows[i].counts_ms);
    }
}
END_TEST

/* A program that starts again on a running board, and calls that another boot: its clock didn't
 * start again with it. */
START_TEST(the_time_since_the_boot_is_no_downtime)
{
    struct recover_line line;
    recover_init(&line);
    const int64_t last = recover_place(&line, "a", at(9 * DAY_MS, 0, CLOCK_FREE));
    ck_assert_int_eq(recover_place(&line, "b", at(9 * DAY_MS + 5, 5, CLOCK_FREE)), last);
}
END_TEST

START_TEST(the_shift_puts_an_old_position_on_the_running_clock)
{
    struct recover_line line;
    recover_init(&line);
    ck_assert_int_eq(recover_shift(&line, "a", at(1234, 0, CLOCK_UNSET)), 0);
    const int64_t dose = recover_place(&line, "a", at(100000, 0, CLOCK_SYNCED));
    recover_place(&line, "a", at(160000, 60000, CLOCK_SYNCED));
    struct recover_line before = line;
    /* one minute to the last record, then two of downtime; the board is up for 10 s */
    const int64_t shift = recover_shift(&line, "b", at(10000, 180000, CLOCK_SYNCED));
    ck_assert_int_eq(10000 - (dose + shift), 180000);
    /* asking changes nothing */
    ck_assert_str_eq(line.boot, before.boot);
    ck_assert_int_eq(line.last.mono.ms, before.last.mono.ms);
    ck_assert_int_eq(line.last.civil.ms, before.last.civil.ms);
    ck_assert_int_eq(line.base_ms, before.base_ms);
    ck_assert_int_eq(line.place_ms, before.place_ms);
    ck_assert_int_eq(
        10000 - (dose + recover_shift(&line, "b", at(10000, 180000, CLOCK_FREE))), 60000);
}
END_TEST

START_TEST(a_boot_whose_clock_runs_backwards_stands_still)
{
    struct recover_line line;
    recover_init(&line);
    const int64_t first = recover_place(&line, "a", at(5000, 0, CLOCK_SYNCED));
    ck_assert_int_eq(recover_place(&line, "a", at(100, 0, CLOCK_SYNCED)), first);
    ck_assert_int_eq(recover_place(&line, "a", at(150, 0, CLOCK_SYNCED)), first + 50);
}
END_TEST

START_TEST(boot_words_may_be_longer_than_what_is_kept)
{
    char a[100], b[100];
    memset(a, 'x', sizeof a);
    a[99] = '\0';
    memcpy(b, a, sizeof b);
    b[80] = 'y';
    struct recover_line line;
    recover_init(&line);
    const int64_t first = recover_place(&line, a, at(5, 0, CLOCK_FREE));
    ck_assert_int_eq(recover_place(&line, a, at(9, 0, CLOCK_FREE)), first + 4);
    ck_assert_int_eq(recover_place(&line, b, at(10, 0, CLOCK_FREE)), first + 5);
}
END_TEST

START_TEST(no_number_in_a_record_makes_the_sums_overflow)
{
    static const int64_t odd[] = { INT64_MIN, INT64_MAX, 0, -1, 1 };
    struct recover_line line;
    recover_init(&line);
    int64_t last = INT64_MIN;
    for (int i = 0; i < 625; i++) {
        const char boot[] = { (char)('a' + i % 3), '\0' };
        const int64_t place = recover_place(
            &line, boot, at(odd[i % 5], odd[i / 5 % 5], (enum clock_trust)(i / 25 % 3)));
        ck_assert_int_ge(place, last);
        last = place;
    }
}
END_TEST

/* The truth is a simulated board; the line may lag behind it (downtime that isn't known), never run
 * ahead of it while the synced clock is right, and never backwards whatever the clocks do. */
START_TEST(random_boots_gaps_and_clock_steps_never_give_time_away)
{
    struct prng prng = prng_seed((uint64_t)_i);
    const bool honest = _i % 2 == 0; /* is a synced clock right? */
    struct recover_line line;
    recover_init(&line);
    int64_t truth_ms = 0, boot_at_ms = 0, offset_ms = 0, last_place = 0, last_truth_ms = 0;
    int64_t known_ms = 0; /* the model: what must count, no more and no less */
    struct now last = at(0, 0, CLOCK_UNSET);
    char boot[16] = "boot-0";
    struct now synced = at(0, 0, CLOCK_UNSET); /* the newest record by a synced clock */
    int64_t synced_place = 0, behind_ms = 0;
    bool follows = false;
    bool booted = false;
    for (int n = 0; n < 2000; n++) {
        truth_ms += prng_below(&prng, n % 7 == 0 ? 3 * DAY_MS : MINUTE_MS);
        if (n > 0 && prng_below(&prng, 20) == 0) {
            snprintf(boot, sizeof boot, "boot-%d", n);
            boot_at_ms = truth_ms - prng_below(&prng, 1000);
            if (boot_at_ms < last_truth_ms) boot_at_ms = last_truth_ms;
            booted = true;
        }
        if (prng_below(&prng, 10) == 0)
            offset_ms = prng_below(&prng, 3000 * DAY_MS) - 1500 * DAY_MS;
        const enum clock_trust clock = (enum clock_trust)prng_below(&prng, 3);
        const int64_t wrong_ms = clock == CLOCK_SYNCED && honest ? 0 : offset_ms;
        const struct now now =
            at(truth_ms - boot_at_ms, 20000 * DAY_MS + truth_ms + wrong_ms, clock);
        const int64_t place = recover_place(&line, boot, now);
        if (n > 0) {
            int64_t step_ms = now.mono.ms - last.mono.ms;
            if (booted) {
                const int64_t civil_ms = now.civil.ms - last.civil.ms;
                const bool both = clock == CLOCK_SYNCED && last.clock == CLOCK_SYNCED;
                follows = both && civil_ms >= 0 && civil_ms <= 400 * DAY_MS && behind_ms <= 2000 &&
                          behind_ms <= civil_ms;
                step_ms = follows ? civil_ms - behind_ms : 0;
                if (honest && both) ck_assert_int_eq(step_ms, civil_ms);
            }
            known_ms += step_ms;
            ck_assert_int_ge(place, last_place);
            ck_assert_int_eq(place - last_place, step_ms);
            if (honest) ck_assert_int_le(place - last_place, truth_ms - last_truth_ms);
        }
        if (clock == CLOCK_SYNCED) {
            const int64_t rose_ms = now.civil.ms - synced.civil.ms - (place - synced_place);
            if (synced.clock == CLOCK_SYNCED && (follows || rose_ms < 0)) behind_ms -= rose_ms;
            if (behind_ms < 0) behind_ms = 0;
            synced = now;
            synced_place = place;
            follows = true;
        }
        booted = false;
        last = now;
        last_place = place;
        last_truth_ms = truth_ms;
        ck_assert_int_eq(now.mono.ms - recover_shift(&line, boot, now), place);
    }
    if (honest) ck_assert_int_le(known_ms, truth_ms);
}
END_TEST

/* ... nor within a boot, in either direction. */
START_TEST(a_monotonic_clock_from_end_to_end_stays_within_bounds)
{
    struct recover_line line;
    recover_init(&line);
    recover_place(&line, "a", at(0, 0, CLOCK_FREE));
    ck_assert_int_eq(recover_place(&line, "b", at(INT64_MAX, 0, CLOCK_FREE)), 0);
    ck_assert_int_eq(recover_place(&line, "b", at(INT64_MIN, 0, CLOCK_FREE)), 0);
    ck_assert_int_eq(recover_place(&line, "c", at(INT64_MIN, 0, CLOCK_FREE)), 0);
    ck_assert_int_eq(recover_place(&line, "c", at(INT64_MAX, 0, CLOCK_FREE)), INT64_MAX);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("recover");
    tcase_add_test(t, within_a_boot_the_monotonic_clock_alone_tells);
    tcase_add_test(t, across_a_boot_downtime_counts_only_between_two_synced_clocks);
    tcase_add_test(t, a_downtime_below_zero_or_above_400_days_counts_as_none);
    tcase_add_test(t, a_clock_that_goes_back_by_seconds_loses_these);
    tcase_add_test(t, a_clock_that_is_set_right_while_nothing_runs_gives_no_time);
    tcase_add_test(t, the_time_since_the_boot_is_no_downtime);
    tcase_add_test(t, the_shift_puts_an_old_position_on_the_running_clock);
    tcase_add_test(t, a_boot_whose_clock_runs_backwards_stands_still);
    tcase_add_test(t, boot_words_may_be_longer_than_what_is_kept);
    tcase_add_test(t, no_number_in_a_record_makes_the_sums_overflow);
    tcase_add_loop_test(t, random_boots_gaps_and_clock_steps_never_give_time_away, 0, 40);
    tcase_add_test(t, a_monotonic_clock_from_end_to_end_stays_within_bounds);
    return run_case(t, "recover");
}
