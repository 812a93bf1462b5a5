/* INV-10: the head's own clock tells when the time of day made hours of a short time without
 * power. INV-n: safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/core_fixture.h"

enum { DOSE_UP_MS = 5000000 };

/* A dose an hour ago, by the time of day. */
static void prepare(const char *boot, int64_t up_ms)
{
    bench_init();
    struct record *r = put_record("dose");
    record_add_text(r, "id", "d7-1");
    record_add_text(r, "tank", "basil");
    record_add_text(r, "stock", "leaf-a");
    record_add_text(r, "chain", "west");
    record_add_int(r, "position", 1);
    record_add_int(r, "channel", 1);
    record_add_text(r, "serial", "a1f3");
    record_add_int(r, "ul", 5000);
    record_add_int(r, "run_ms", 5000);
    if (boot) record_add_text(r, "head_boot", boot);
    if (up_ms != 0) record_add_int(r, "head_up_ms", up_ms);
    pass(HOUR_MS);
    bench_start();
}

static void beat(uint32_t chain, const char *boot, int64_t up_ms)
{
    struct event e = { .kind = EVENT_BEAT, .chain = chain, .beat = { .up_ms = up_ms } };
    text_copy(e.beat.boot, sizeof e.beat.boot, boot);
    step(&e);
}

static const struct {
    const char *boot; /* of the dose's head; NULL: it doesn't say */
    int64_t dose_up_ms, up_ms;
    enum { NOTHING, KEPT, LOST } then;
} cases[] = {
    { "h1", DOSE_UP_MS, DOSE_UP_MS + HOUR_MS, NOTHING },
    { "h1", DOSE_UP_MS, DOSE_UP_MS + HOUR_MS - 999, NOTHING },
    { "h1", DOSE_UP_MS, DOSE_UP_MS + HOUR_MS - 1000, KEPT },
    { "h1", DOSE_UP_MS, DOSE_UP_MS + 10 * MINUTE_MS, LOST },
    { "h1", DOSE_UP_MS, DOSE_UP_MS, LOST },
    { "h1", DOSE_UP_MS, DOSE_UP_MS - 1, NOTHING },           /* that can't be */
    { "h1", DOSE_UP_MS, DOSE_UP_MS + 2 * HOUR_MS, NOTHING }, /* a clock that was put back */
    { "h1", DOSE_UP_MS, DOSE_UP_MS + HOUR_MS - 120000, KEPT },
    { "h1", DOSE_UP_MS, DOSE_UP_MS + HOUR_MS - 130000, LOST },
    { "h2", DOSE_UP_MS, DOSE_UP_MS + 10 * MINUTE_MS, NOTHING }, /* it began anew since */
    { NULL, DOSE_UP_MS, DOSE_UP_MS + 10 * MINUTE_MS, NOTHING },
    { "h1", 0, DOSE_UP_MS, NOTHING },
    { "h1", -1, DOSE_UP_MS, NOTHING },
};

START_TEST(less_time_on_the_heads_clock_keeps_limits_or_uses_them_up)
{
    prepare(cases[_i].boot, cases[_i].dose_up_ms);
    beat(EAST, "h1", cases[_i].up_ms); /* another head's clock tells nothing of this one */
    ck_assert(!b.core->chain[WEST].limits_unknown && !b.core->chain[EAST].limits_unknown);
    beat(WEST, "h1", cases[_i].up_ms);
    ck_assert_int_eq(b.core->chain[WEST].limits_unknown, cases[_i].then == LOST);
    ck_assert_int_eq(recorded("limits-unknown") != NULL, cases[_i].then == LOST);
    ck_assert_int_eq(recorded("head-clock") != NULL, cases[_i].then != NOTHING);
}
END_TEST

/* When the dose will have left the day's window. */
static int64_t free_ms(void)
{
    const struct dose_window *w = &b.core->tank[BASIL].pump[0].window;
    return window_fits_at(w, DAY_MS, 5000, 5000, b.now.mono).ms;
}

/* Seed 942: a clock put ahead by a minute while there was no power made a dose of the day's window
 * free a minute early. */
START_TEST(what_was_dosed_counts_for_so_much_longer_also_after_another_start)
{
    prepare("h1", DOSE_UP_MS);
    const int64_t thought_ms = free_ms();
    const struct mono pumped = b.core->tank[BASIL].pumped_at;
    beat(WEST, "h1", DOSE_UP_MS + HOUR_MS - MINUTE_MS);
    ck_assert_int_eq(free_ms() - thought_ms, MINUTE_MS);
    ck_assert_int_eq(mono_since(b.core->tank[BASIL].pumped_at, pumped), MINUTE_MS);
    int64_t kept_ms, up_ms;
    ck_assert(record_int(recorded("head-clock"), "kept_ms", &kept_ms) && kept_ms == MINUTE_MS);
    ck_assert(record_int(recorded("head-clock"), "head_up_ms", &up_ms));
    pass(HOUR_MS);
    bench_start();
    ck_assert_int_eq(free_ms() - thought_ms, MINUTE_MS);
    beat(WEST, "h1", up_ms + HOUR_MS); /* nothing that isn't counted already */
    ck_assert_int_eq(free_ms() - thought_ms, MINUTE_MS);
    ck_assert_uint_eq(count_records("head-clock"), 1);
}
END_TEST

/* What was lost once isn't lost again with each start until the next dose. */
START_TEST(used_up_limits_are_used_up_once)
{
    prepare("h1", DOSE_UP_MS);
    beat(WEST, "h1", DOSE_UP_MS + 10 * MINUTE_MS);
    ck_assert(b.core->chain[WEST].limits_unknown);
    pass(DAY_MS);
    bench_start();
    beat(WEST, "h1", DOSE_UP_MS + 10 * MINUTE_MS + DAY_MS);
    ck_assert_uint_eq(count_records("limits-unknown"), 1);
}
END_TEST

START_TEST(it_is_looked_at_once)
{
    prepare("h1", DOSE_UP_MS);
    beat(WEST, "h1", DOSE_UP_MS + HOUR_MS);
    beat(WEST, "h1", DOSE_UP_MS + HOUR_MS + 1);
    pass(10 * MINUTE_MS);
    beat(WEST, "h1", DOSE_UP_MS + HOUR_MS + 2); /* a clock that stands still is another matter */
    ck_assert(!b.core->chain[WEST].limits_unknown);
}
END_TEST

static const struct {
    const char *chain;
    int64_t kept_ms;
} not_kept[] = { { "west", 0 }, { "west", -5 }, { "west", DAY_MS + 1 }, { "east", MINUTE_MS } };

START_TEST(what_cannot_be_or_is_of_another_chain_keeps_nothing)
{
    prepare("h1", DOSE_UP_MS);
    const int64_t thought_ms = free_ms();
    const struct mono pumped = b.core->tank[BASIL].pumped_at;
    struct record *r = put_record("head-clock");
    record_add_text(r, "chain", not_kept[_i].chain);
    record_add_text(r, "head_boot", "h1");
    record_add_int(r, "head_up_ms", DOSE_UP_MS);
    record_add_int(r, "kept_ms", not_kept[_i].kept_ms);
    bench_start();
    ck_assert_int_eq(free_ms(), thought_ms);
    ck_assert_int_eq(b.core->tank[BASIL].pumped_at.ms, pumped.ms);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("head_clock");
    tcase_add_loop_test(t, less_time_on_the_heads_clock_keeps_limits_or_uses_them_up, 0,
        (int)(sizeof cases / sizeof *cases));
    tcase_add_test(t, it_is_looked_at_once);
    tcase_add_test(t, what_was_dosed_counts_for_so_much_longer_also_after_another_start);
    tcase_add_loop_test(t, what_cannot_be_or_is_of_another_chain_keeps_nothing, 0,
        (int)(sizeof not_kept / sizeof *not_kept));
    tcase_add_test(t, used_up_limits_are_used_up_once);
    return run_case(t, "head_clock");
}
