/* INV-1: a journal whose newest records are gone without a trace. The head still lists commands of
 * the daemon that it was. INV-n: safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/core_fixture.h"

static void put_reign(const char *by, int64_t n)
{
    struct record *r = put_record("reign");
    record_add_text(r, "chain", "west");
    record_add_text(r, "by", by);
    record_add_int(r, "reign", 40);
    if (n > 0) record_add_int(r, "n", n);
}

static void put_command(const char *kind, const char *id)
{
    struct record *r = put_record(kind);
    record_add_text(r, "chain", "west");
    record_add_text(r, "id", id);
}

static void prepare(void)
{
    bench_init();
    b.starts = 7;
    put_reign("d7", 0);
    put_command("circulate", "d7-3");
    put_command("stop", "d7-2");
}

/* Of a later number, on the other chain. */
static void put_east(void)
{
    struct record *r = put_record("circulate");
    record_add_text(r, "chain", "east");
    record_add_text(r, "id", "d7-8");
}

static void tell_listed(const char *id, enum chain_state state, int64_t ran_ms)
{
    struct event e = { .kind = EVENT_LEDGER, .chain = WEST, .ledger = { .count = 1 } };
    text_copy(e.ledger.entry[0].id, sizeof e.ledger.entry[0].id, id);
    e.ledger.entry[0].state = state;
    e.ledger.entry[0].ran_ms = ran_ms;
    step(&e);
}

static bool is_lost(void)
{
    return b.core->chain[WEST].limits_unknown;
}

START_TEST(a_later_command_that_moved_tells_of_lost_records)
{
    static const struct {
        const char *id;
        enum chain_state state;
        int64_t ran_ms;
        bool lost;
    } cases[] = { { "d7-4", CHAIN_DONE, 900, true }, { "d7-4", CHAIN_RUNNING, 0, true },
        { "d7-4", CHAIN_ACCEPTED, 0, true }, { "d7-4", CHAIN_STOPPED, 1, true },
        { "d7-4", CHAIN_DONE, 0, false }, /* a stop leaves before its record */
        { "d7-3", CHAIN_DONE, 900, false }, { "d7-1", CHAIN_DONE, 900, false },
        { "d6-9", CHAIN_DONE, 900, false }, { "d8-9", CHAIN_DONE, 900, false },
        { "d7-4.5", CHAIN_DONE, 900, false }, { "d7", CHAIN_DONE, 900, false } };
    for (uint32_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        prepare();
        bench_start();
        tell_listed(cases[i].id, cases[i].state, cases[i].ran_ms);
        ck_assert_msg(is_lost() == cases[i].lost, "%u", i);
        ck_assert_int_eq(used_ul(BASIL, 0), cases[i].lost ? 200000 : 0);
        ck_assert_int_eq(b.core->tank[BASIL].line_dirty, cases[i].lost);
        ck_assert_int_eq(used_ul(BASIL, 3), 0); /* of the other chain */
        bench_done();
    }
}
END_TEST

/* Two heads that changed places list each other's. */
START_TEST(numbers_run_on_over_all_chains)
{
    prepare();
    put_east();
    bench_start();
    tell_listed("d7-8", CHAIN_DONE, 900);
    ck_assert(!is_lost());
    tell_listed("d7-9", CHAIN_DONE, 900);
    ck_assert(is_lost());
}
END_TEST

START_TEST(its_said_once_and_known_after_the_next_start)
{
    prepare();
    bench_start();
    tell_listed("d7-4", CHAIN_DONE, 900);
    tell_listed("d7-5", CHAIN_DONE, 900);
    ck_assert_uint_eq(count_records("limits-unknown"), 1);
    bench_start();
    ck_assert(is_lost());
}
END_TEST

/* A segment's first records restate the claim, and what came before it may have been pruned. */
START_TEST(the_last_number_is_restated_with_the_claim) /* _i: 1: nothing said it */
{
    bench_init();
    b.starts = 7;
    put_reign("d7", _i == 0 ? 9 : 0);
    bench_start();
    tell_listed("d7-9", CHAIN_DONE, 900);
    ck_assert_int_eq(is_lost(), _i == 1);
}
END_TEST

START_TEST(another_daemons_commands_arent_missed)
{
    prepare();
    put_reign("d6", 0);
    bench_start();
    tell_listed("d7-4", CHAIN_DONE, 900);
    ck_assert(!is_lost());
    tell_listed("d6-1", CHAIN_DONE, 900);
    ck_assert(is_lost());
}
END_TEST

START_TEST(what_is_carried_has_the_newest_number) /* _i: of this life, of the one before */
{
    uint32_t cursor = 0;
    int64_t n = -1;
    bool found = false;
    prepare();
    bench_start();
    b.core->next_id = 77;
    if (_i == 0) text_copy(b.core->chain[WEST].former.by, CHAIN_WORD_MAX, b.core->identity.by);
    while (core_carry(b.core, &cursor, b.now, &b.actions)) {
        for (uint32_t i = 0; i < b.actions.count; i++) {
            const struct record *r = &b.actions.item[i].record;
            if (!record_is(r, "reign")) continue;
            found = record_int(r, "n", &n);
        }
    }
    ck_assert(found);
    ck_assert_int_eq(n, _i == 0 ? 77 : 3);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("lost");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, a_later_command_that_moved_tells_of_lost_records);
    tcase_add_test(t, numbers_run_on_over_all_chains);
    tcase_add_test(t, its_said_once_and_known_after_the_next_start);
    tcase_add_loop_test(t, the_last_number_is_restated_with_the_claim, 0, 2);
    tcase_add_test(t, another_daemons_commands_arent_missed);
    tcase_add_loop_test(t, what_is_carried_has_the_newest_number, 0, 2);
    return run_case(t, "lost");
}
