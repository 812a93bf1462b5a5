/* A broker may deliver a message twice, and that proves nothing. Found by a seeded world (535),
 * where a doubled reading ended a dry spell by itself. */
#include <math.h>

#include "lib/sense/probe.h"
#include "tests/unit/support.h"

static const struct probe_config PH = { .present = true,
    .quantity = PROBE_PH,
    .unit = UNIT_PH,
    .least = 2.0,
    .most = 11.0,
    .max_age_ms = 60000,
    .jump_most = 0.3 };

static enum probe_verdict take(struct probe *p, double number, int64_t now_ms)
{
    return probe_take(p, &PH, number, false, (double)NAN, (struct mono){ now_ms });
}

START_TEST(a_reading_delivered_twice_is_one_reading)
{
    struct probe p;
    probe_init(&p);
    ck_assert_int_eq(take(&p, 6.0, 1000), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, 6.0, 1000), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, 6.0, 1000 + PROBE_DOUBLE_MS - 1), PROBE_JUMPED);
    ck_assert(!p.has_value);
    ck_assert_int_eq(take(&p, 6.0, 1000 + PROBE_DOUBLE_MS), PROBE_OK);
    ck_assert_int_eq(take(&p, 6.0, 1000 + PROBE_DOUBLE_MS), PROBE_OK); /* trusted as it was */
    ck_assert_uint_eq(p.recent_count, 2);
    ck_assert_int_eq(take(&p, 6.01, 1000 + PROBE_DOUBLE_MS), PROBE_OK); /* another number counts */
    ck_assert_uint_eq(p.recent_count, 3);
}
END_TEST

START_TEST(no_step_is_confirmed_by_itself)
{
    struct probe p;
    probe_init(&p);
    take(&p, 6.0, 1000);
    ck_assert_int_eq(take(&p, 6.0, 2000), PROBE_OK);
    for (int i = 0; i < 3; i++) {
        ck_assert_int_eq(take(&p, 9.0, 3000), PROBE_JUMPED);
    }
    ck_assert_uint_eq(p.jumps, 1);
    ck_assert_double_eq(p.value, 6.0);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("doubled");
    tcase_add_test(tc, a_reading_delivered_twice_is_one_reading);
    tcase_add_test(tc, no_step_is_confirmed_by_itself);
    return run_case(tc, "doubled");
}
