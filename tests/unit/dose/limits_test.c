#include "lib/dose/limits.h"

#include "lib/base/prng.h"
#include "lib/base/text.h"
#include "tests/unit/support.h"

enum { ROOM = 400, SEEDS = 60 };

static const struct stock_limits LEAF = { 500, 40000, 200000, 800000 };

static struct mono at(int64_t ms)
{
    return (struct mono){ ms };
}

static struct dose_allowance ask(const struct stock_limits *limits, const struct dose_window *w,
    int64_t wanted_ul, int64_t now_ms)
{
    const struct dose_question question = {
        .limits = limits, .window = w, .wanted_ul = wanted_ul, .now = at(now_ms)
    };
    return limits_of_stock(&question);
}

static void gave(struct dose_window *w, int64_t ends_ms, int64_t ul)
{
    window_add(w, (struct window_entry){ at(ends_ms), ul, 0 }, at(ends_ms));
}

static void expect(
    struct dose_allowance a, int64_t most_ul, enum dose_verdict because, int64_t retry_ms)
{
    ck_assert_int_eq(a.most_ul, most_ul);
    ck_assert_str_eq(dose_verdict_phrase(a.because), dose_verdict_phrase(because));
    ck_assert_int_eq(a.retry.ms, retry_ms);
}

START_TEST(what_is_free_is_granted_whole)
{
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    expect(ask(&LEAF, &w, 500, 9), 500, DOSE_GRANTED, 9);
    expect(ask(&LEAF, &w, 40000, 9), 40000, DOSE_GRANTED, 9);
}
END_TEST

START_TEST(one_dose_is_cut_to_its_limit)
{
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    expect(ask(&LEAF, &w, 40001, 9), 40000, DOSE_OVER_DOSE, 9);
    expect(ask(&LEAF, &w, INT64_MAX, 9), 40000, DOSE_OVER_DOSE, 9);
}
END_TEST

START_TEST(the_hour_leaves_what_is_left_of_it_and_says_when_the_whole_fits)
{
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    gave(&w, 1000, 60000);
    gave(&w, 2000, 120000);
    expect(ask(&LEAF, &w, 20000, 3000), 20000, DOSE_GRANTED, 3000);
    expect(ask(&LEAF, &w, 20001, 3000), 20000, DOSE_OVER_HOUR, HOUR_MS + 1000);
    expect(ask(&LEAF, &w, 90000, 3000), 20000, DOSE_OVER_HOUR, HOUR_MS + 1000);
}
END_TEST

START_TEST(when_less_than_the_smallest_is_left_nothing_goes_until_the_smallest_fits)
{
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    gave(&w, 1000, 400);
    gave(&w, 2000, 199200);
    expect(ask(&LEAF, &w, 40000, 3000), 0, DOSE_OVER_HOUR, HOUR_MS + 1000);
    gave(&w, 4000, 400);
    expect(ask(&LEAF, &w, 500, 5000), 0, DOSE_OVER_HOUR, HOUR_MS + 2000);
    /* on that millisecond it goes, and not on the one before */
    expect(ask(&LEAF, &w, 500, HOUR_MS + 1999), 0, DOSE_OVER_HOUR, HOUR_MS + 2000);
    expect(ask(&LEAF, &w, 500, HOUR_MS + 2000), 500, DOSE_GRANTED, HOUR_MS + 2000);
}
END_TEST

START_TEST(exactly_the_smallest_left_is_enough)
{
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    gave(&w, 1000, 199500);
    expect(ask(&LEAF, &w, 40000, 3000), 500, DOSE_OVER_HOUR, HOUR_MS + 1000);
    window_init(&w, room, ROOM, DAY_MS);
    gave(&w, 1000, 199501);
    expect(ask(&LEAF, &w, 40000, 3000), 0, DOSE_OVER_HOUR, HOUR_MS + 1000);
}
END_TEST

/* A run that only a message ends may turn out to be more: the windows must leave all of that. */
START_TEST(what_a_dose_may_turn_out_to_be_must_fit)
{
    enum { FULL = 30000 };
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    struct dose_question q = {
        .limits = &LEAF, .window = &w, .wanted_ul = 5000, .now = at(3000), .full_ul = FULL
    };
    expect(limits_of_stock(&q), 5000, DOSE_GRANTED, 3000);
    gave(&w, 1000, 200000 - FULL);
    expect(limits_of_stock(&q), 5000, DOSE_GRANTED, 3000); /* just so */
    gave(&w, 2000, 1);
    expect(limits_of_stock(&q), 0, DOSE_OVER_HOUR, HOUR_MS + 1000);
    q.full_ul = 0;
    expect(limits_of_stock(&q), 5000, DOSE_GRANTED, 3000);
    q.full_ul = 200001; /* never, then */
    expect(limits_of_stock(&q), 0, DOSE_OVER_HOUR, INT64_MAX);
}
END_TEST

START_TEST(the_day_binds_when_it_leaves_less_than_the_hour)
{
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    for (int hour = 0; hour < 4; hour++) {
        gave(&w, hour * 2 * HOUR_MS, 199000);
    }
    const int64_t now_ms = 10 * HOUR_MS;
    expect(ask(&LEAF, &w, 40000, now_ms), 4000, DOSE_OVER_DAY, DAY_MS);
    gave(&w, now_ms, 4000);
    expect(ask(&LEAF, &w, 40000, now_ms), 0, DOSE_OVER_DAY, DAY_MS);
    /* the whole of the day's limit by hand, and more */
    gave(&w, now_ms, 999000);
    expect(ask(&LEAF, &w, 500, now_ms), 0, DOSE_OVER_DAY, now_ms + DAY_MS);
}
END_TEST

START_TEST(of_two_that_leave_the_same_the_one_that_holds_longer_is_named)
{
    static const struct stock_limits level = { 500, 1000, 2000, 2000 };
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    gave(&w, 1000, 2000);
    expect(ask(&level, &w, 1000, 2000), 0, DOSE_OVER_DAY, DAY_MS + 1000);
    /* the other way round: a day's old entry leaves in a minute, the hour's in 59 */
    window_init(&w, room, ROOM, DAY_MS);
    static const struct stock_limits day = { 500, 1000, 2000, 4000 };
    gave(&w, 0, 2000);
    gave(&w, DAY_MS - MINUTE_MS - 1000, 2000);
    expect(ask(&day, &w, 1000, DAY_MS - MINUTE_MS), 0, DOSE_OVER_HOUR,
        DAY_MS - MINUTE_MS - 1000 + HOUR_MS);
}
END_TEST

START_TEST(a_wish_below_the_smallest_is_too_small_whatever_is_free)
{
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    expect(ask(&LEAF, &w, 499, 9), 0, DOSE_TOO_SMALL, 9);
    expect(ask(&LEAF, &w, 1, 9), 0, DOSE_TOO_SMALL, 9);
    expect(ask(&LEAF, &w, 0, 9), 0, DOSE_TOO_SMALL, 9);
    expect(ask(&LEAF, &w, -5, 9), 0, DOSE_TOO_SMALL, 9);
    gave(&w, 1000, 200000);
    expect(ask(&LEAF, &w, 499, 2000), 0, DOSE_TOO_SMALL, HOUR_MS + 1000);
}
END_TEST

START_TEST(a_window_without_room_refuses_even_when_the_budgets_would_not)
{
    struct window_entry room[2];
    struct dose_window w;
    window_init(&w, room, 2, DAY_MS);
    gave(&w, 1000, 500);
    gave(&w, 2000, 500);
    expect(ask(&LEAF, &w, 500, 3000), 0, DOSE_TOO_MANY, DAY_MS + 1000);
}
END_TEST

START_TEST(a_lowered_limit_leaves_nothing_and_is_no_bug)
{
    static const struct stock_limits lowered = { 500, 1000, 1000, 1500 };
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    gave(&w, 1000, 40000);
    expect(ask(&lowered, &w, 40000, 2000), 0, DOSE_OVER_DAY, DAY_MS + 1000);
}
END_TEST

START_TEST(limits_that_no_dose_can_meet_refuse_for_ever)
{
    static const struct stock_limits odd = { 500, 499, 2000, 2000 };
    static const struct stock_limits odder = { 500, 500, 499, 2000 };
    struct window_entry room[ROOM];
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    expect(ask(&odd, &w, 1000, 9), 0, DOSE_OVER_DOSE, INT64_MAX);
    expect(ask(&odder, &w, 1000, 9), 0, DOSE_OVER_HOUR, INT64_MAX);
}
END_TEST

START_TEST(every_verdict_has_a_phrase_of_its_own)
{
    for (int a = 0; a < DOSE_VERDICT_COUNT; a++) {
        ck_assert_str_ne(dose_verdict_phrase((enum dose_verdict)a), "?");
        for (int b = 0; b < a; b++) {
            ck_assert_str_ne(dose_verdict_phrase((enum dose_verdict)a),
                dose_verdict_phrase((enum dose_verdict)b));
        }
    }
    ck_assert_str_eq(dose_verdict_phrase(DOSE_VERDICT_COUNT), "?");
}
END_TEST

struct given {
    int64_t ends_ms, ul;
    bool commanded;
};

static int64_t sum(const struct given *g, int count, int64_t span_ms, int64_t now_ms)
{
    int64_t total = 0;
    for (int i = 0; i < count; i++) {
        if (now_ms < g[i].ends_ms + span_ms) total += g[i].ul;
    }
    return total;
}

/* Grants, hand runs and changed limits at random, against plain sums over everything ever given. */
START_TEST(no_grant_ever_passes_a_limit_and_none_is_withheld) /* _i is the seed */
{
    static struct window_entry room[ROOM * 5];
    static struct given g[2000];
    struct prng prng = prng_seed((uint64_t)_i);
    struct stock_limits l = LEAF;
    struct dose_window w;
    window_init(&w, room, ROOM * 5, DAY_MS);
    int64_t now_ms = 0;
    int count = 0;
    for (int n = 0; n < 1500; n++) {
        now_ms += prng_below(&prng, 10 * MINUTE_MS);
        if (prng_below(&prng, 100) == 0) {
            l.dose_ul = 500 + prng_below(&prng, 60000);
            l.hour_ul = l.dose_ul + prng_below(&prng, 200000);
            l.day_ul = l.hour_ul + prng_below(&prng, 600000);
        }
        const bool by_hand = prng_below(&prng, 20) == 0;
        const int64_t wanted_ul = 1 + prng_below(&prng, 50000);
        const struct dose_allowance a = ask(&l, &w, wanted_ul, now_ms);
        const int64_t hour_ul = l.hour_ul - sum(g, count, HOUR_MS, now_ms);
        const int64_t day_ul = l.day_ul - sum(g, count, DAY_MS, now_ms);
        int64_t expected_ul = wanted_ul < l.dose_ul ? wanted_ul : l.dose_ul;
        if (hour_ul < expected_ul) expected_ul = hour_ul;
        if (day_ul < expected_ul) expected_ul = day_ul;
        if (expected_ul < l.smallest_ul) expected_ul = 0;
        ck_assert_int_eq(a.most_ul, expected_ul);
        ck_assert_int_eq(a.because == DOSE_GRANTED, a.most_ul == wanted_ul);
        ck_assert_int_ge(a.retry.ms, now_ms);

        const int64_t ul = by_hand ? wanted_ul : a.most_ul;
        if (ul == 0) continue;
        g[count] = (struct given){ now_ms + prng_below(&prng, 2 * MINUTE_MS), ul, !by_hand };
        window_add(&w, (struct window_entry){ at(g[count].ends_ms), ul, 0 }, at(now_ms));
        count++;
    }
    ck_assert_int_gt(count, 100);
}
END_TEST

START_TEST(at_retry_what_was_asked_for_is_granted_and_not_a_millisecond_before) /* seed */
{
    static struct window_entry room[ROOM];
    struct prng prng = prng_seed(500 + (uint64_t)_i);
    struct dose_window w;
    window_init(&w, room, ROOM, DAY_MS);
    int64_t now_ms = 0;
    for (int n = 0; n < 300; n++) {
        now_ms += prng_below(&prng, 5 * MINUTE_MS);
        const int64_t wanted_ul = LEAF.smallest_ul + prng_below(&prng, 39500);
        const struct dose_allowance a = ask(&LEAF, &w, wanted_ul, now_ms);
        if (a.because != DOSE_GRANTED) {
            const int64_t goal_ul = a.most_ul > 0 ? wanted_ul : LEAF.smallest_ul;
            const struct dose_allowance then = ask(&LEAF, &w, goal_ul, a.retry.ms);
            const struct dose_allowance early = ask(&LEAF, &w, goal_ul, a.retry.ms - 1);
            ck_assert_int_eq(then.because, DOSE_GRANTED);
            ck_assert_int_ne(early.because, DOSE_GRANTED);
        }
        if (a.most_ul > 0) gave(&w, now_ms, a.most_ul);
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("limits");
    tcase_add_test(tc, what_is_free_is_granted_whole);
    tcase_add_test(tc, one_dose_is_cut_to_its_limit);
    tcase_add_test(tc, the_hour_leaves_what_is_left_of_it_and_says_when_the_whole_fits);
    tcase_add_test(tc, when_less_than_the_smallest_is_left_nothing_goes_until_the_smallest_fits);
    tcase_add_test(tc, exactly_the_smallest_left_is_enough);
    tcase_add_test(tc, what_a_dose_may_turn_out_to_be_must_fit);
    tcase_add_test(tc, the_day_binds_when_it_leaves_less_than_the_hour);
    tcase_add_test(tc, of_two_that_leave_the_same_the_one_that_holds_longer_is_named);
    tcase_add_test(tc, a_wish_below_the_smallest_is_too_small_whatever_is_free);
    tcase_add_test(tc, a_window_without_room_refuses_even_when_the_budgets_would_not);
    tcase_add_test(tc, a_lowered_limit_leaves_nothing_and_is_no_bug);
    tcase_add_test(tc, limits_that_no_dose_can_meet_refuse_for_ever);
    tcase_add_test(tc, every_verdict_has_a_phrase_of_its_own);
    tcase_add_loop_test(tc, no_grant_ever_passes_a_limit_and_none_is_withheld, 0, SEEDS);
    tcase_add_loop_test(
        tc, at_retry_what_was_asked_for_is_granted_and_not_a_millisecond_before, 0, SEEDS);
    return run_case(tc, "limits");
}
