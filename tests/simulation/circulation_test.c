/* Circulation that is seen by the current it draws: the core against a virtual chain, in memory. */
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

static bool alert_stands(const char *id)
{
    struct alert_view view;
    for (uint32_t i = 0; core_alert(w->core, i, &view); i++) {
        if (text_same(view.id, id)) return true;
    }
    return false;
}

static bool injects(uint32_t tank)
{
    struct tank_view view;
    core_view_tank(w->core, tank, w->now, &view);
    return view.state == TANK_INJECTING;
}

static bool moves_within(int64_t span_ms)
{
    const uint32_t before = w->move_count;
    for (int64_t ms = 0; ms < span_ms && w->move_count == before; ms += SECOND_MS) {
        world_run(w, SECOND_MS);
    }
    return w->move_count > before;
}

/* The newest beat still shows the current of the circulation that the halt ended: it is no measure
 * for what the next one adds. Once it was taken for one, and nothing was dosed any more. */
START_TEST(a_halt_and_its_end_within_one_beat_leave_dosing_possible) /* _i: when in the dose */
{
    for (int64_t ms = 0; ms < HOUR_MS && !injects(0); ms += 100) {
        world_run(w, 100);
    }
    ck_assert(injects(0));
    world_run(w, 300 * _i);
    const struct event_request halt = { .kind = REQUEST_HALT, .on = true };
    const struct event_request release = { .kind = REQUEST_HALT, .on = false };
    world_ask(w, &halt);
    world_ask(w, &release);
    ck_assert(moves_within(10 * MINUTE_MS));
    ck_assert(!alert_stands("no-circulation-basil"));
}
END_TEST

/* The claim of the next start stops what the former one had running. */
START_TEST(a_crash_while_it_circulates_leaves_dosing_possible)
{
    for (int64_t ms = 0; ms < HOUR_MS && !injects(0); ms += 100) {
        world_run(w, 100);
    }
    world_run(w, 200 * _i);
    world_crash(w);
    ck_assert(moves_within(15 * MINUTE_MS));
}
END_TEST

/* It is reported running, and draws nothing: nobody is left to guess why nothing is dosed. */
START_TEST(a_circulation_pump_that_stands_still_is_told)
{
    w->circulation_dead[0] = w->circulation_dead[1] = true;
    world_run(w, 3 * MINUTE_MS);
    ck_assert_uint_eq(w->move_count, 0);
    ck_assert(alert_stands("no-circulation-basil") || alert_stands("no-circulation-lettuce"));
    w->circulation_dead[0] = w->circulation_dead[1] = false;
    ck_assert(moves_within(10 * MINUTE_MS));
    world_run(w, 10 * MINUTE_MS);
    ck_assert(!alert_stands("no-circulation-basil") && !alert_stands("no-circulation-lettuce"));
}
END_TEST

/* The same while a line waits for its flush. */
START_TEST(a_circulation_pump_that_stops_before_a_flush_is_told)
{
    for (int64_t ms = 0; ms < HOUR_MS && !injects(0); ms += 100) {
        world_run(w, 100);
    }
    w->circulation_dead[0] = w->circulation_dead[1] = true;
    const struct event_request halt = { .kind = REQUEST_HALT, .on = true };
    const struct event_request release = { .kind = REQUEST_HALT, .on = false };
    world_ask(w, &halt);
    world_ask(w, &release);
    world_run(w, 10 * MINUTE_MS);
    ck_assert(alert_stands("no-circulation-basil"));
}
END_TEST

/* One of two: the other one's tank is dosed as ever, from the start or when it dies amid a run. */
START_TEST(a_pump_that_stands_still_stops_its_own_tank_only)
{
    if (_i == 1) world_run(w, 20 * MINUTE_MS);
    w->circulation_dead[0] = true;
    world_run(w, 2 * HOUR_MS); /* an hour's limits may hold dosing, so that nothing is asked */
    ck_assert(alert_stands("no-circulation-basil"));
    ck_assert(!alert_stands("no-circulation-lettuce"));
    const int64_t dead = world_moved_ul(w, 0, 0), alive = world_moved_ul(w, 1, 0);
    world_run(w, 4 * HOUR_MS);
    ck_assert_int_eq(world_moved_ul(w, 0, 0), dead);
    ck_assert_int_gt(world_moved_ul(w, 1, 0), alive - (_i == 1));
    w->circulation_dead[0] = false;
    world_run(w, 4 * HOUR_MS);
    ck_assert(!alert_stands("no-circulation-basil"));
    ck_assert_int_gt(world_moved_ul(w, 0, 0), dead);
}
END_TEST

/* It ran, and stops turning while its output stays on. */
START_TEST(a_pump_that_dies_while_it_runs_is_noticed)
{
    for (int64_t ms = 0; ms < HOUR_MS && !injects(0); ms += 100) {
        world_run(w, 100);
    }
    w->circulation_dead[0] = true;
    world_run(w, 3 * MINUTE_MS);
    ck_assert(alert_stands("no-circulation-basil"));
}
END_TEST

static void tell_link(bool up)
{
    struct event e = { .kind = EVENT_LINK };
    e.link_up = up;
    world_tell(w, &e);
}

/* Found by simulation.storm: a dose that had ended after the newest beat, or another tank's
 * circulation that wasn't confirmed yet after the connection was lost, was taken for it. */
START_TEST(what_other_outputs_draw_is_no_proof_of_circulation) /* _i: when the link is lost */
{
    w->circulation_dead[0] = true;
    world_run(w, 40 * SECOND_MS + 1700 * _i);
    for (int n = 0; n < 6; n++) {
        tell_link(false);
        world_run(w, 1000);
        w->relink = true;
        w->relink_ms = w->now.mono.ms + 100;
        world_run(w, 4 * MINUTE_MS + 1300 * _i);
    }
    ck_assert_int_eq(world_moved_ul(w, 0, 0), 0);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("circulation");
    tcase_add_loop_test(t, what_other_outputs_draw_is_no_proof_of_circulation, 0, 10);
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, a_halt_and_its_end_within_one_beat_leave_dosing_possible, 0, 10);
    tcase_add_loop_test(t, a_crash_while_it_circulates_leaves_dosing_possible, 0, 12);
    tcase_add_test(t, a_circulation_pump_that_stands_still_is_told);
    tcase_add_test(t, a_circulation_pump_that_stops_before_a_flush_is_told);
    tcase_add_loop_test(t, a_pump_that_stands_still_stops_its_own_tank_only, 0, 2);
    tcase_add_test(t, a_pump_that_dies_while_it_runs_is_noticed);
    return run_case(t, "circulation");
}
