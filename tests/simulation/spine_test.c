/* The core against a virtual chain and simulated water, in memory: the first dose, and what must
 * never happen, judged by what the pumps really moved. INV-n: safety invariants in DEVELOPERS.md.
 */
#include <math.h>
#include <stdlib.h>

#include "lib/base/text.h"
#include "tests/simulation/world.h"
#include "tests/unit/support.h"

static struct world *made(uint64_t seed, const struct world_faults *faults)
{
    struct world *w = malloc(sizeof *w);
    ck_assert_ptr_nonnull(w);
    world_init(w, seed, faults);
    return w;
}

static void done(struct world *w)
{
    world_free(w);
    free(w);
}

static bool in_band(const struct world *w, uint32_t tank)
{
    return fabs(plant_ec_us_cm(&w->tank[tank], false) - 1200) <= 100 &&
           fabs(plant_ph(&w->tank[tank], false) - 5.8) <= 0.2;
}

START_TEST(both_tanks_are_brought_from_source_water_into_their_bands)
{
    struct world *w = made((uint64_t)_i, NULL);
    world_run(w, 12 * HOUR_MS);
    for (uint32_t i = 0; i < WORLD_TANKS; i++) {
        struct tank_view view;
        core_view_tank(w->core, i, w->now, &view);
        ck_assert_msg(in_band(w, i), "tank %u: EC %.0f pH %.2f; %s: %s", i,
            plant_ec_us_cm(&w->tank[i], false), plant_ph(&w->tank[i], false),
            tank_state_word(view.state), view.why);
    }
    world_observe(w);
    ck_assert_msg(w->broken == 0, "%s", w->what);
    done(w);
}
END_TEST

START_TEST(what_the_pumps_moved_is_what_the_journal_says)
{
    struct world *w = made((uint64_t)_i, NULL);
    world_run(w, 8 * HOUR_MS);
    for (uint32_t i = 0; i < WORLD_TANKS; i++) {
        for (uint32_t p = 0; p < WORLD_PUMPS; p++) {
            const int64_t moved = world_moved_ul(w, i, p), said = world_journal_ul(w, i, p);
            ck_assert_int_gt(moved, 0);
            ck_assert_int_le(llabs(moved - said), (long long)w->move_count); /* rounding of steps */
        }
    }
    done(w);
}
END_TEST

/* INV-1, 2, 4, 7, 8: whatever crashes, reboots, is lost, doubled or swapped. */
START_TEST(nothing_is_passed_or_run_twice_under_faults)
{
    const struct world_faults faults = { .lose_report = 10,
        .lose_command = 20,
        .double_command = 10,
        .crash = 3000,
        .reboot_head = 20000,
        .silence_probe = 10,
        .hand = 20,
        .swap = 10 };
    struct world *w = made(1000 + (uint64_t)_i, &faults);
    world_run(w, 30 * HOUR_MS);
    world_observe(w);
    ck_assert_msg(w->broken == 0, "seed %d: %s (%u times)", _i, w->what, w->broken);
    ck_assert_int_gt(world_moved_ul(w, 0, 0) + world_moved_ul(w, 1, 0), 0);
    done(w);
}
END_TEST

START_TEST(an_empty_bottle_is_noticed_after_a_bounded_volume)
{
    struct world *w = made((uint64_t)_i, NULL);
    world_run(w, 12 * HOUR_MS);
    w->empty[2] = true;
    struct site_tank *config = &w->tank_config[0];
    config->schedule.stage[0].to.ph = config->schedule.stage[0].from.ph = 5.3;
    const int64_t before = world_moved_ul(w, 0, 2);
    world_run(w, 20 * HOUR_MS);
    const int64_t wasted = world_moved_ul(w, 0, 2) - before;
    ck_assert_int_gt(wasted, 0);
    ck_assert_int_le(wasted, 4 * config->pump[2].limits.dose_ul);
    struct alert_view alert;
    bool found = false;
    for (uint32_t a = 0; core_alert(w->core, a, &alert); a++) {
        found = found || text_same(alert.id, "no-effect-basil-acid");
    }
    ck_assert(found);
    done(w);
}
END_TEST

START_TEST(halt_stops_all_survives_a_crash_and_ends_only_by_request)
{
    struct world *w = made((uint64_t)_i, NULL);
    world_run(w, 3 * MINUTE_MS + 20 * _i * SECOND_MS);
    const struct event_request halt = { .kind = REQUEST_HALT, .on = true };
    world_ask(w, &halt);
    world_run(w, 200);
    const uint32_t moves = w->move_count;
    world_crash(w);
    world_run(w, 30 * MINUTE_MS);
    ck_assert_uint_eq(w->move_count, moves);
    struct tank_view view;
    core_view_tank(w->core, 0, w->now, &view);
    ck_assert_int_eq(view.state, TANK_HALTED);
    const struct event_request release = { .kind = REQUEST_HALT, .on = false };
    world_ask(w, &release);
    world_run(w, 4 * HOUR_MS);
    ck_assert_uint_gt(w->move_count, moves);
    world_observe(w);
    ck_assert_msg(w->broken == 0, "%s", w->what);
    done(w);
}
END_TEST

/* The daemon has just started; the chain isn't its own yet, and the beat may lag behind the halt.
 */
START_TEST(a_release_before_the_chain_is_commanded_again_reaches_its_head)
{
    struct world *w = made((uint64_t)_i, NULL);
    const struct event_request halt = { .kind = REQUEST_HALT, .on = true };
    const struct event_request release = { .kind = REQUEST_HALT, .on = false };
    world_run(w, 3 * MINUTE_MS);
    world_crash(w);
    world_run(w, 150 * _i);
    world_ask(w, &halt);
    world_run(w, _i % 3 * 100);
    world_ask(w, &release);
    const uint32_t moves = w->move_count;
    world_run(w, HOUR_MS);
    struct tank_view view;
    core_view_tank(w->core, 0, w->now, &view);
    ck_assert_int_ne(view.state, TANK_HALTED);
    ck_assert_uint_gt(w->move_count, moves);
    done(w);
}
END_TEST

/* The chain's owner lives, under another site's name: it isn't taken from it, however long one
 * waits at a silent site of one's own; 15 s after its last sign of life it is. */
START_TEST(a_chain_that_another_site_commands_is_left_to_it_while_it_lives)
{
    struct world *w = made((uint64_t)_i, NULL);
    const struct chain_claim other = { .by = "stranger", .reign = 40, .site = "elsewhere" };
    head_claim(&w->head, &other);
    for (int second = 0; second < 120; second++) {
        world_run(w, SECOND_MS);
        struct event e = { .kind = EVENT_PEER_BEAT, .peer = { "stranger", _i == 1 } };
        core_step(w->core, &e, w->now, &w->actions);
    }
    ck_assert_uint_eq(w->move_count, 0);
    ck_assert_str_eq(w->head.claim.by, "stranger");
    world_run(w, 14 * SECOND_MS);
    ck_assert_str_eq(w->head.claim.by, "stranger");
    world_run(
        w, (_i == 1 ? 24 : 4) * SECOND_MS); /* of this site: first the device, then the chain */
    ck_assert_str_ne(w->head.claim.by, "stranger");
    done(w);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("spine");
    tcase_set_timeout(t, 300);
    tcase_add_loop_test(t, both_tanks_are_brought_from_source_water_into_their_bands, 0, 4);
    tcase_add_loop_test(t, what_the_pumps_moved_is_what_the_journal_says, 0, 2);
    tcase_add_loop_test(t, nothing_is_passed_or_run_twice_under_faults, 0, 6);
    tcase_add_loop_test(t, an_empty_bottle_is_noticed_after_a_bounded_volume, 0, 2);
    tcase_add_loop_test(t, halt_stops_all_survives_a_crash_and_ends_only_by_request, 0, 8);
    tcase_add_loop_test(t, a_release_before_the_chain_is_commanded_again_reaches_its_head, 0, 12);
    tcase_add_loop_test(t, a_chain_that_another_site_commands_is_left_to_it_while_it_lives, 0, 2);
    return run_case(t, "spine");
}
