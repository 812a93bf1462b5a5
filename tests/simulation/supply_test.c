/* What a chain draws and has, held against what it should: the core against a virtual chain. */
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "tests/simulation/world.h"
#include "tests/unit/support.h"

static struct world *w;

static void setup(void)
{
    w = malloc(sizeof *w);
    ck_assert_ptr_nonnull(w);
    world_init(w, 1, NULL);
}

static void teardown(void)
{
    world_observe(w);
    ck_assert_msg(w->broken == 0, "%s", w->what);
    world_free(w);
    free(w);
}

static const char *alert_text(void)
{
    static struct alert_view view;
    for (uint32_t i = 0; core_alert(w->core, i, &view); i++) {
        if (text_same(view.id, "supply-west")) return view.text;
    }
    return NULL;
}

static void expect_told(const char *words)
{
    ck_assert_msg(alert_text() != NULL, "no alert stands");
    ck_assert_msg(strstr(alert_text(), words) != NULL, "'%s' isn't in: %s", words, alert_text());
}

START_TEST(a_day_of_dosing_is_nothing_odd)
{
    for (int64_t ms = 0; ms < DAY_MS; ms += MINUTE_MS) {
        world_run(w, MINUTE_MS);
        ck_assert_msg(alert_text() == NULL, "%s", alert_text());
    }
    ck_assert_uint_gt(w->move_count, 0);
}
END_TEST

/* Told after a few beats, not after one; and over when it is over. */
START_TEST(a_motor_that_jams_is_told)
{
    world_run(w, HOUR_MS);
    w->jam_amps = 1.5;
    world_run(w, 4 * SECOND_MS);
    ck_assert(alert_text() == NULL);
    world_run(w, 10 * MINUTE_MS);
    expect_told(" A are due. Look for a motor that jams");
    w->jam_amps = 0.0;
    world_run(w, 10 * MINUTE_MS);
    ck_assert(alert_text() == NULL);
}
END_TEST

/* The head says so of a supply, and a module of itself. */
START_TEST(too_few_volts_are_told)
{
    world_run(w, HOUR_MS);
    struct event beat = { .kind = EVENT_BEAT };
    text_copy(beat.beat.boot, sizeof beat.beat.boot, w->head.boot);
    beat.beat.has_volts = true;
    beat.beat.volts = _i == 0 ? 10.7 : 12.0;
    struct event roll = { .kind = EVENT_ROLL };
    head_roll(&w->head, &roll.roll);
    roll.roll.module[0].has_volts = true;
    roll.roll.module[0].volts = _i == 1 ? 9.9 : 11.5;
    world_tell(w, &roll);
    for (int i = 0; i < 5; i++) {
        ck_assert(alert_text() == NULL);
        beat.beat.up_ms = w->head.up_ms + i;
        world_tell(w, &beat);
    }
    if (_i == 2) {
        ck_assert(alert_text() == NULL);
        return;
    }
    expect_told(_i == 0 ? "its supply gives 10.70 V where 12.00 V are configured"
                        : " has 9.90 V and needs 10.00 V");
}
END_TEST

/* How many outputs began to run since the last look. */
static uint32_t begun(bool ran[WORLD_TANKS][WORLD_PUMPS + 1])
{
    uint32_t count = 0;
    for (uint32_t i = 0; i < WORLD_TANKS * (WORLD_PUMPS + 1); i++) {
        const uint32_t m = i / (WORLD_PUMPS + 1), c = i % (WORLD_PUMPS + 1);
        const bool runs = head_runs(&w->head, m, c);
        if (runs && !ran[m][c]) count++;
        ran[m][c] = runs;
    }
    return count;
}

/* Two motors that start at once draw the inrush of both. */
START_TEST(motors_of_a_chain_start_half_a_second_apart)
{
    uint32_t starts = 0;
    int64_t last_ms = -HOUR_MS;
    bool ran[WORLD_TANKS][WORLD_PUMPS + 1] = { { false } };
    for (int64_t ms = 0; ms < 6 * HOUR_MS; ms += 100) {
        world_run(w, 100);
        const uint32_t now = begun(ran);
        if (now == 0) continue;
        ck_assert_uint_eq(now, 1);
        ck_assert_int_ge(ms - last_ms, 400); /* by steps of 100 ms */
        last_ms = ms;
        starts++;
    }
    ck_assert_uint_gt(starts, 10);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("supply");
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_set_timeout(t, 120);
    tcase_add_test(t, a_day_of_dosing_is_nothing_odd);
    tcase_add_test(t, a_motor_that_jams_is_told);
    tcase_add_loop_test(t, too_few_volts_are_told, 0, 3);
    tcase_add_test(t, motors_of_a_chain_start_half_a_second_apart);
    return run_case(t, "supply");
}
