/* A board's word that the water moves, when it is old: it isn't taken, and the run is ended so that
 * it is seen to begin anew. INV-3. INV-n: safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/core_fixture.h"

enum { RUN_MS = 300000, WANTED_MS = 60000 };

static struct plain_output flow = { .topic = "shed/flow",
    .payload = "on",
    .off_payload = "off",
    .state_topic = "shed/state",
    .state_pointer = "",
    .circulation = true,
    .auto_off_ms = RUN_MS,
    .step_ms = 1 };

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

/* Basil's water is moved by a board that said so two of its runs ago. */
static void ready(void)
{
    bench_ready();
    b.site.chain[WEST].module[0].plain = &flow;
    pass(2 * RUN_MS);
    tell_beat(WEST);
    tank()->circulation.on = tank()->circulation.confirmed = true;
    tank()->circulation.start = (struct mono){ b.now.mono.ms - 2 * RUN_MS };
    tank()->circulation.till = mono_after(b.now.mono, 10000);
}

/* How long it is asked to run; 0: it isn't asked. */
static int64_t asked_ms(void)
{
    b.actions.count = 0;
    (void)core_hold_circulation(b.core, BASIL, WANTED_MS, b.now, &b.actions);
    const struct action *send = wants(ACTION_SEND);
    return send ? send->command.run_ms : 0;
}

START_TEST(its_run_is_ended)
{
    ready();
    ck_assert_int_eq(asked_ms(), ENDS_SOON_MS);
}
END_TEST

START_TEST(what_ends_by_itself_in_a_moment_is_left_alone)
{
    ready();
    tank()->circulation.till = mono_after(b.now.mono, 2 * ENDS_SOON_MS);
    ck_assert_int_eq(asked_ms(), 0);
}
END_TEST

START_TEST(what_is_on_its_way_is_waited_for) /* _i: 1: it has been answered */
{
    ready();
    tank()->circulation.command = (struct core_command){ .used = true,
        .running = _i == 1,
        .run_ms = RUN_MS,
        .asked = b.now.mono,
        .ends = mono_after(b.now.mono, COMMAND_START_MS + RUN_MS) };
    ck_assert_int_eq(asked_ms(), _i == 1 ? ENDS_SOON_MS : 0);
}
END_TEST

/* Then the water itself is seen to move, or not. */
START_TEST(with_a_flow_probe_no_word_is_needed)
{
    ready();
    b.tank[BASIL].probe[PROBE_FLOW].present = true;
    ck_assert_int_ne(asked_ms(), ENDS_SOON_MS);
}
END_TEST

START_TEST(what_stands_still_is_asked_to_begin)
{
    ready();
    tank()->circulation.on = tank()->circulation.confirmed = false;
    tank()->circulation.command.used = false;
    ck_assert_int_ge(asked_ms(), WANTED_MS);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("old_word");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, its_run_is_ended);
    tcase_add_test(t, what_ends_by_itself_in_a_moment_is_left_alone);
    tcase_add_loop_test(t, what_is_on_its_way_is_waited_for, 0, 2);
    tcase_add_test(t, with_a_flow_probe_no_word_is_needed);
    tcase_add_test(t, what_stands_still_is_asked_to_begin);
    return run_case(t, "old_word");
}
