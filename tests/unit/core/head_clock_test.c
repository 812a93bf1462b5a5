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
    bool lost;
} cases[] = {
    { "h1", DOSE_UP_MS, DOSE_UP_MS + HOUR_MS, false },
    { "h1", DOSE_UP_MS, DOSE_UP_MS + 10 * MINUTE_MS, true },
    { "h1", DOSE_UP_MS, DOSE_UP_MS, true },
    { "h1", DOSE_UP_MS, DOSE_UP_MS - 1, false },                /* that can't be */
    { "h1", DOSE_UP_MS, DOSE_UP_MS + 2 * HOUR_MS, false },      /* a clock that was put back */
    { "h1", DOSE_UP_MS, DOSE_UP_MS + HOUR_MS - 120000, false }, /* two clocks differ */
    { "h1", DOSE_UP_MS, DOSE_UP_MS + HOUR_MS - 130000, true },
    { "h2", DOSE_UP_MS, DOSE_UP_MS + 10 * MINUTE_MS, false }, /* it began anew since */
    { NULL, DOSE_UP_MS, DOSE_UP_MS + 10 * MINUTE_MS, false },
    { "h1", 0, DOSE_UP_MS, false },
    { "h1", -1, DOSE_UP_MS, false },
};

START_TEST(less_time_on_the_heads_clock_uses_the_limits_up)
{
    prepare(cases[_i].boot, cases[_i].dose_up_ms);
    beat(EAST, "h1", cases[_i].up_ms); /* another head's clock tells nothing of this one */
    ck_assert(!b.core->chain[WEST].limits_unknown && !b.core->chain[EAST].limits_unknown);
    beat(WEST, "h1", cases[_i].up_ms);
    ck_assert_int_eq(b.core->chain[WEST].limits_unknown, cases[_i].lost);
    ck_assert_int_eq(recorded("limits-unknown") != NULL, cases[_i].lost);
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

int main(void)
{
    TCase *t = tcase_create("head_clock");
    tcase_add_loop_test(
        t, less_time_on_the_heads_clock_uses_the_limits_up, 0, (int)(sizeof cases / sizeof *cases));
    tcase_add_test(t, it_is_looked_at_once);
    return run_case(t, "head_clock");
}
