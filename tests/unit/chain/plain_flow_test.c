/* Circulation by a plain output. */
#include "tests/unit/chain/plain_fixture.h"

START_TEST(circulation_runs_when_the_board_says_so)
{
    start();
    const struct chain_command c = command(CHAIN_CIRCULATE, FLOW, 100000);
    ck_assert_uint_eq(give(&c), FLOW);
    plain_head_advance(&h, 1000);
    expect_nothing();
    plain_head_hear(&h, FLOW, true);
    ck_assert_str_eq(expect(CHAIN_RUNNING).id, c.id);
    plain_head_advance(&h, 50000);
    const struct chain_command again = command(CHAIN_CIRCULATE, FLOW, 100000);
    ck_assert_uint_eq(give(&again), FLOW); /* renewed without a pause */
    ck_assert(!off_due(FLOW));
    ck_assert_str_eq(expect(CHAIN_DONE).id, c.id);
    plain_head_advance(&h, 50001);
    ck_assert_str_eq(expect(CHAIN_RUNNING).id, again.id);
    plain_head_advance(&h, 150000);
    ck_assert_str_eq(expect(CHAIN_DONE).id, again.id);
    ck_assert(off_due(FLOW));
}
END_TEST

START_TEST(circulation_without_reports_runs_by_its_order_alone)
{
    static const struct plain_output silent = { "f/set", "on", "off", NULL, "", PLAIN_SWITCHED,
        true, 120000, 1 };
    start();
    config.module[FLOW].plain = &silent; /* a flow probe must tell then */
    plain_head_init(&h, &config, "boot-1");
    plain_head_claim(&h, &(struct chain_claim){ .by = "d1", .reign = 3 });
    const struct chain_command c = command(CHAIN_CIRCULATE, FLOW, 100000);
    ck_assert_uint_eq(give(&c), FLOW);
    plain_head_advance(&h, 1);
    ck_assert_str_eq(expect(CHAIN_RUNNING).id, c.id);
}
END_TEST

/* INV-3, seed 966: so that it says on anew when the next one begins. */
START_TEST(circulation_that_times_itself_is_told_off_at_its_end)
{
    static const struct plain_output timed = { "f/set", "${seconds}", "off", "f/is", "",
        PLAIN_SECONDS, true, 120000, 1 };
    start();
    config.module[FLOW].plain = &timed;
    plain_head_init(&h, &config, "boot-1");
    plain_head_claim(&h, &(struct chain_claim){ .by = "d1", .reign = 3 });
    plain_watch_told_off(&h.line[FLOW].watch, true, 0);
    plain_head_hear(&h, FLOW, false);
    circulate();
    plain_head_advance(&h, 99999);
    ck_assert(!off_due(FLOW));
    plain_head_advance(&h, 100000);
    expect(CHAIN_DONE);
    ck_assert(off_due(FLOW));
}
END_TEST

START_TEST(circulation_that_isnt_seen_has_stopped)
{
    start();
    const struct chain_command c = command(CHAIN_CIRCULATE, FLOW, 100000);
    (void)give(&c);
    plain_head_advance(&h, PLAIN_ANSWER_MS - 1);
    expect_nothing();
    plain_head_advance(&h, PLAIN_ANSWER_MS);
    ck_assert_str_eq(expect(CHAIN_STOPPED).id, c.id);
    ck_assert(off_due(FLOW));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("plain_flow");
    tcase_add_test(tc, circulation_runs_when_the_board_says_so);
    tcase_add_test(tc, circulation_without_reports_runs_by_its_order_alone);
    tcase_add_test(tc, circulation_that_times_itself_is_told_off_at_its_end);
    tcase_add_test(tc, circulation_that_isnt_seen_has_stopped);
    return run_case(tc, "plain_flow");
}
