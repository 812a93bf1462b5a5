#include "lib/dose/window.h"

#include <signal.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

enum { MODEL_MAX = 4000, SEEDS = 60, SMALL = 5, LARGE = 2000 };

static struct mono at(int64_t ms)
{
    return (struct mono){ ms };
}

static void add(
    struct dose_window *w, int64_t ends_ms, int64_t amount, uint64_t tag, int64_t now_ms)
{
    window_add(w, (struct window_entry){ at(ends_ms), amount, tag }, at(now_ms));
}

/* The model forgets nothing and sorts nothing: tag n is entry n - 1. */
struct model {
    uint32_t count;
    struct window_entry entry[MODEL_MAX];
};

static int64_t model_used(const struct model *m, int64_t span_ms, int64_t now_ms)
{
    int64_t sum = 0;
    for (uint32_t i = 0; i < m->count; i++) {
        if (now_ms < m->entry[i].ends.ms + span_ms) sum += m->entry[i].amount;
    }
    return sum;
}

START_TEST(a_fresh_window_is_all_free)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(0)), 0);
    ck_assert_int_eq(window_free(&w, HOUR_MS, 60000, at(0)), 60000);
    ck_assert(window_has_room(&w, at(0)));
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 60000, 60000, at(7)).ms, 7);
    ck_assert_int_eq(window_room_at(&w, at(7)).ms, 7);
}
END_TEST

START_TEST(an_entry_leaves_exactly_one_span_after_its_end)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    /* granted at 0, still able to run at two minutes */
    add(&w, 2 * MINUTE_MS, 500, 1, 0);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(0)), 500);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS)), 500);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + 2 * MINUTE_MS - 1)), 500);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + 2 * MINUTE_MS)), 0);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(DAY_MS + 2 * MINUTE_MS - 1)), 500);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(DAY_MS + 2 * MINUTE_MS)), 0);
}
END_TEST

START_TEST(the_full_hour_brings_no_second_budget)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    add(&w, 59 * MINUTE_MS, 60000, 1, 59 * MINUTE_MS);
    ck_assert_int_eq(window_free(&w, HOUR_MS, 60000, at(61 * MINUTE_MS)), 0);
    ck_assert_int_eq(window_free(&w, HOUR_MS, 60000, at(119 * MINUTE_MS - 1)), 0);
    ck_assert_int_eq(window_free(&w, HOUR_MS, 60000, at(119 * MINUTE_MS)), 60000);
}
END_TEST

START_TEST(over_its_budget_nothing_is_free_and_nothing_breaks)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    add(&w, 1000, 50000, 0, 1000); /* by hand */
    ck_assert_int_eq(window_free(&w, HOUR_MS, 40000, at(2000)), 0);
    ck_assert_int_eq(window_free(&w, HOUR_MS, 50000, at(2000)), 0);
    ck_assert_int_eq(window_free(&w, HOUR_MS, 50001, at(2000)), 1);
    ck_assert_int_eq(window_free(&w, HOUR_MS, 0, at(2000)), 0);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 40000, 1, at(2000)).ms, HOUR_MS + 1000);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 40000, 0, at(2000)).ms, HOUR_MS + 1000);
}
END_TEST

START_TEST(what_is_more_than_the_budget_never_fits)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 100, 101, at(5)).ms, INT64_MAX);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 100, 100, at(5)).ms, 5);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, -1, 0, at(5)).ms, INT64_MAX);
}
END_TEST

START_TEST(it_fits_when_enough_of_the_oldest_has_left_and_not_before)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    add(&w, 100, 10, 1, 0);
    add(&w, 200, 20, 2, 0);
    add(&w, 300, 30, 3, 0);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 60, 0, at(400)).ms, 400);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 60, 1, at(400)).ms, HOUR_MS + 100);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 60, 10, at(400)).ms, HOUR_MS + 100);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 60, 11, at(400)).ms, HOUR_MS + 200);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 60, 31, at(400)).ms, HOUR_MS + 300);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 60, 60, at(400)).ms, HOUR_MS + 300);
}
END_TEST

START_TEST(a_settled_entry_counts_what_it_was_from_when_it_ended)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    add(&w, 60000, 100, 7, 0);
    add(&w, 50000, 10, 8, 0);
    ck_assert(window_settle(&w, 7, 40, at(20000)));
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(0)), 50);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + 20000 - 1)), 50);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + 20000)), 10);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + 50000)), 0);
    /* and again, to more and to later */
    ck_assert(window_settle(&w, 7, 900, at(70000)));
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + 70000 - 1)), 900);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + 70000)), 0);
}
END_TEST

START_TEST(an_unknown_tag_and_tag_0_settle_nothing)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    add(&w, 1000, 100, 0, 0);
    add(&w, 1000, 100, 5, 0);
    ck_assert(!window_settle(&w, 0, 0, at(0)));
    ck_assert(!window_settle(&w, 6, 0, at(0)));
    ck_assert_int_eq(window_used(&w, DAY_MS, at(0)), 200);
}
END_TEST

START_TEST(a_full_window_says_so_until_the_first_entry_leaves)
{
    struct window_entry room[3];
    struct dose_window w;
    window_init(&w, room, 3, DAY_MS);
    add(&w, 10, 1, 1, 0);
    add(&w, 20, 1, 2, 0);
    ck_assert(window_has_room(&w, at(30)));
    add(&w, 30, 1, 3, 0);
    ck_assert(!window_has_room(&w, at(30)));
    ck_assert_int_eq(window_room_at(&w, at(30)).ms, DAY_MS + 10);
    ck_assert(!window_has_room(&w, at(DAY_MS + 9)));
    ck_assert(window_has_room(&w, at(DAY_MS + 10)));
}
END_TEST

START_TEST(what_was_nothing_takes_no_room)
{
    struct window_entry room[2];
    struct dose_window w;
    window_init(&w, room, 2, DAY_MS);
    add(&w, 10, 5, 1, 0);
    add(&w, 20, 5, 2, 0);
    ck_assert(window_settle(&w, 2, 0, at(20))); /* refused by the chain head */
    ck_assert(window_has_room(&w, at(20)));
    add(&w, 30, 5, 3, 20);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(30)), 10);
    ck_assert(window_settle(&w, 1, 4, at(10))); /* neither was merged */
    ck_assert(window_settle(&w, 3, 4, at(30)));
    ck_assert(!window_settle(&w, 2, 4, at(30)));
}
END_TEST

START_TEST(beyond_full_the_nearest_two_become_one_with_the_later_end)
{
    struct window_entry room[3];
    struct dose_window w;
    window_init(&w, room, 3, DAY_MS);
    add(&w, 100, 1, 1, 0);
    add(&w, 200, 2, 2, 0);
    add(&w, 230, 4, 3, 0);
    add(&w, 400, 8, 4, 0); /* 200 and 230 join */
    ck_assert_int_eq(window_used(&w, DAY_MS, at(0)), 15);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(DAY_MS + 100)), 14);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(DAY_MS + 229)), 14);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(DAY_MS + 230)), 8);
    /* what was joined has lost its name: settling one can't take the other with it */
    ck_assert(!window_settle(&w, 2, 0, at(0)));
    ck_assert(!window_settle(&w, 3, 0, at(0)));
    ck_assert(window_settle(&w, 4, 8, at(400)));
    add(&w, 110, 16, 5, 0); /* the new one joins an old one */
    ck_assert_int_eq(window_used(&w, DAY_MS, at(0)), 31);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(DAY_MS + 109)), 31);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(DAY_MS + 110)), 14);
}
END_TEST

START_TEST(a_window_of_one_entry_remembers_all_in_it)
{
    struct window_entry room[1];
    struct dose_window w;
    window_init(&w, room, 1, DAY_MS);
    add(&w, 100, 1, 1, 0);
    add(&w, 50, 2, 2, 0);
    add(&w, 500, 4, 3, 0);
    add(&w, INT64_MIN + DAY_MS, 8, 4, INT64_MIN);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(DAY_MS + 499)), 15);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(DAY_MS + 500)), 0);
}
END_TEST

START_TEST(old_records_of_before_this_boot_count_by_their_negative_times)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    add(&w, -HOUR_MS, 100, 0, 0);    /* an hour ago: counts in the day only */
    add(&w, -HOUR_MS + 1, 10, 0, 0); /* a millisecond less */
    add(&w, -DAY_MS, 1000, 0, 0);    /* gone */
    add(&w, -DAY_MS + 1, 1, 0, 0);   /* just not gone */
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(0)), 10);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(0)), 111);
    ck_assert_int_eq(window_used(&w, DAY_MS, at(1)), 110);
}
END_TEST

START_TEST(what_ended_later_than_was_thought_counts_for_longer)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    add(&w, 10, 500, 1, 0);
    add(&w, INT64_MAX - 10, 70, 0, 0);
    window_postpone(&w, MINUTE_MS);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + MINUTE_MS + 9)), 570);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + MINUTE_MS + 10)), 70);
    ck_assert(window_settle(&w, 1, 400, at(20))); /* the end that is known in truth */
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + 19)), 470);
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(HOUR_MS + 20)), 70);
}
END_TEST

START_TEST(absurd_totals_and_instants_never_wrap_round)
{
    struct window_entry room[SMALL];
    struct dose_window w;
    window_init(&w, room, SMALL, DAY_MS);
    for (int i = 0; i < 3 * SMALL; i++) {
        add(&w, INT64_MAX - i, INT64_MAX, 0, 0);
    }
    ck_assert_int_eq(window_used(&w, HOUR_MS, at(0)), INT64_MAX);
    ck_assert_int_eq(window_free(&w, HOUR_MS, INT64_MAX, at(0)), 0);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 1000, 1, at(0)).ms, INT64_MAX);
    window_init(&w, room, SMALL, DAY_MS);
    add(&w, 10, INT64_MAX, 0, 0);
    add(&w, 20, INT64_MAX, 0, 0);
    add(&w, 30, 5, 0, 0);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 10, 6, at(0)).ms, HOUR_MS + 30);
    ck_assert_int_eq(window_fits_at(&w, HOUR_MS, 10, 5, at(0)).ms, HOUR_MS + 20);
}
END_TEST

/* Compares every answer with the model's, spans and budgets at random. */
static void compare(
    const struct dose_window *w, const struct model *m, struct prng *prng, int64_t now_ms)
{
    const int64_t span_ms = 1 + prng_below(prng, DAY_MS);
    const int64_t budget = prng_below(prng, 200000);
    const int64_t used = model_used(m, span_ms, now_ms);
    ck_assert_int_eq(window_used(w, span_ms, at(now_ms)), used);
    ck_assert_int_eq(
        window_free(w, span_ms, budget, at(now_ms)), used > budget ? 0 : budget - used);

    const int64_t amount = prng_below(prng, budget + 1);
    const int64_t fits_ms = window_fits_at(w, span_ms, budget, amount, at(now_ms)).ms;
    ck_assert_int_ge(fits_ms, now_ms);
    ck_assert_int_le(model_used(m, span_ms, fits_ms) + amount, budget);
    if (fits_ms > now_ms) {
        ck_assert_int_gt(model_used(m, span_ms, fits_ms - 1) + amount, budget);
    }
}

START_TEST(it_answers_as_a_model_that_forgets_nothing) /* _i is the seed */
{
    static struct window_entry room[LARGE];
    static struct model m;
    struct prng prng = prng_seed((uint64_t)_i);
    struct dose_window w;
    window_init(&w, room, LARGE, DAY_MS);
    m.count = 0;
    int64_t now_ms = -prng_below(&prng, 3 * DAY_MS);
    for (int n = 0; n < 600; n++) {
        now_ms += prng_below(&prng, 12 * MINUTE_MS);
        const bool settle = m.count > 0 && prng_below(&prng, 3) == 0;
        const uint32_t which =
            settle ? m.count - 1 - (uint32_t)prng_below(&prng, m.count < 8 ? m.count : 8) : m.count;
        struct window_entry *e = &m.entry[which];
        /* earlier or later than now, and than before; sometimes at the same instant as another */
        e->ends.ms = prng_below(&prng, 4) == 0 && m.count > 0
                         ? m.entry[prng_below(&prng, m.count)].ends.ms
                         : now_ms - HOUR_MS + prng_below(&prng, 2 * HOUR_MS);
        e->amount = prng_below(&prng, 6) == 0 ? 0 : prng_below(&prng, 9000);
        if (settle) {
            /* the window may have dropped one that had left for good; one that comes back to life
             * is not what a chain head can report, so the model lets it go too */
            if (!window_settle(&w, which + 1, e->amount, e->ends)) e->amount = 0;
        } else {
            m.count++;
            add(&w, e->ends.ms, e->amount, which + 1, now_ms);
        }
        compare(&w, &m, &prng, now_ms);
    }
}
END_TEST

START_TEST(a_window_that_is_far_too_small_never_says_less_than_the_truth) /* _i is the seed */
{
    static struct window_entry room[SMALL];
    static struct model m;
    struct prng prng = prng_seed(1000 + (uint64_t)_i);
    struct dose_window w;
    const uint32_t capacity = 1 + (uint32_t)_i % SMALL;
    window_init(&w, room, capacity, DAY_MS);
    m.count = 0;
    int64_t now_ms = 0;
    for (int n = 0; n < 2000; n++) {
        now_ms += prng_below(&prng, 20 * MINUTE_MS);
        if (m.count > 0 && prng_below(&prng, 2) == 0) {
            /* the truth is never more, nor later, than what was granted */
            const uint32_t which =
                m.count - 1 - (uint32_t)prng_below(&prng, m.count < 4 ? m.count : 4);
            struct window_entry *e = &m.entry[which];
            e->amount = prng_below(&prng, e->amount + 1);
            e->ends.ms -= prng_below(&prng, 5 * MINUTE_MS);
            window_settle(&w, which + 1, e->amount, e->ends);
        } else {
            struct window_entry *e = &m.entry[m.count++];
            *e = (struct window_entry){ at(now_ms - prng_below(&prng, 10 * MINUTE_MS) +
                                            prng_below(&prng, 5 * MINUTE_MS)),
                1 + prng_below(&prng, 9000), m.count };
            window_add(&w, *e, at(now_ms));
        }
        const int64_t span_ms = 1 + prng_below(&prng, DAY_MS);
        ck_assert_int_ge(window_used(&w, span_ms, at(now_ms)), model_used(&m, span_ms, now_ms));
        ck_assert_uint_le(w.count, capacity);
    }
    /* and after a day it has let go of everything */
    ck_assert_int_eq(window_used(&w, DAY_MS, at(now_ms + DAY_MS + HOUR_MS)), 0);
}
END_TEST

START_TEST(a_negative_amount_is_a_bug)
{
    struct window_entry room[1];
    struct dose_window w;
    window_init(&w, room, 1, DAY_MS);
    add(&w, 0, -1, 1, 0);
}
END_TEST

START_TEST(a_span_longer_than_is_kept_is_a_bug)
{
    struct window_entry room[1];
    struct dose_window w;
    window_init(&w, room, 1, HOUR_MS);
    window_used(&w, HOUR_MS + 1, at(0));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("window");
    tcase_add_test(tc, a_fresh_window_is_all_free);
    tcase_add_test(tc, an_entry_leaves_exactly_one_span_after_its_end);
    tcase_add_test(tc, the_full_hour_brings_no_second_budget);
    tcase_add_test(tc, over_its_budget_nothing_is_free_and_nothing_breaks);
    tcase_add_test(tc, what_is_more_than_the_budget_never_fits);
    tcase_add_test(tc, it_fits_when_enough_of_the_oldest_has_left_and_not_before);
    tcase_add_test(tc, a_settled_entry_counts_what_it_was_from_when_it_ended);
    tcase_add_test(tc, an_unknown_tag_and_tag_0_settle_nothing);
    tcase_add_test(tc, a_full_window_says_so_until_the_first_entry_leaves);
    tcase_add_test(tc, what_was_nothing_takes_no_room);
    tcase_add_test(tc, beyond_full_the_nearest_two_become_one_with_the_later_end);
    tcase_add_test(tc, a_window_of_one_entry_remembers_all_in_it);
    tcase_add_test(tc, old_records_of_before_this_boot_count_by_their_negative_times);
    tcase_add_test(tc, what_ended_later_than_was_thought_counts_for_longer);
    tcase_add_test(tc, absurd_totals_and_instants_never_wrap_round);
    tcase_add_loop_test(tc, it_answers_as_a_model_that_forgets_nothing, 0, SEEDS);
    tcase_add_loop_test(
        tc, a_window_that_is_far_too_small_never_says_less_than_the_truth, 0, SEEDS);
    tcase_add_test_raise_signal(tc, a_negative_amount_is_a_bug, SIGABRT);
    tcase_add_test_raise_signal(tc, a_span_longer_than_is_kept_is_a_bug, SIGABRT);
    return run_case(tc, "window");
}
