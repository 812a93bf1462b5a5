/* Runs by the switch on a module: what counts, from where, over restarts of daemon and head. INV-1:
 * runs by hand are liquid like any other. INV-n: safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/core_fixture.h"

enum { PUMP = 0, CHANNEL = 1 }; /* leaf-a of basil, on a1f3 */

static struct chain_manual manual;

static void prepare(void)
{
    bench_init();
    bench_start();
    come_up();
    memset(&manual, 0, sizeof manual);
    text_copy(manual.boot, sizeof manual.boot, "boot-w");
}

static void tell(void)
{
    struct event e = { .kind = EVENT_MANUAL, .chain = WEST };
    manual.n++;
    e.manual = manual;
    step(&e);
}

static void total(const char *serial, uint32_t channel, int64_t ms)
{
    for (uint32_t i = 0; i < manual.count; i++) {
        if (manual.total[i].channel != channel || !text_same(manual.total[i].serial, serial))
            continue;
        manual.total[i].ms = ms;
        return;
    }
    text_copy(manual.total[manual.count].serial, CHAIN_WORD_MAX, serial);
    manual.total[manual.count].channel = channel;
    manual.total[manual.count++].ms = ms;
}

static void switched(bool on, const char *serial, uint32_t channel, int64_t ran_ms)
{
    manual.running = on;
    text_copy(manual.serial, sizeof manual.serial, serial);
    manual.channel = channel;
    manual.ran_ms = ran_ms;
}

START_TEST(what_a_total_grew_by_counts_and_leaves_its_stock_in_the_line)
{
    prepare();
    total("a1f3", CHANNEL, 84000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 0); /* before this journal */
    ck_assert(!b.core->tank[BASIL].line_dirty);
    const int64_t bottle = b.core->stock[LEAF_A].remaining_ul;
    total("a1f3", CHANNEL, 89000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 5000);
    ck_assert_int_eq(bottle - b.core->stock[LEAF_A].remaining_ul, 5000);
    ck_assert(b.core->tank[BASIL].line_dirty && b.core->tank[BASIL].mix_owed);
    ck_assert(!b.core->tank[LETTUCE].line_dirty);
    const struct record *r = recorded("hand");
    int64_t ul = 0;
    ck_assert(record_int(r, "ul", &ul) && ul == 5000);
    ck_assert_str_eq(record_text_or_empty(r, "stock"), "leaf-a");
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 5000); /* the same again is no run */
}
END_TEST

/* INV-5: acid by hand keeps base waiting. */
START_TEST(acid_by_hand_begins_the_spacing)
{
    prepare();
    tell();
    total("a1f3", 3, 2000);
    tell();
    ck_assert_int_eq(b.core->tank[BASIL].acid_ended.ms, b.now.mono.ms);
    const struct core_dose base = { .pump = BASE, .stock = LAW_BASE, .ul = 1000 };
    ck_assert(!core_dose_fits(b.core, BASIL, &base, b.now));
    pass(2 * HOUR_MS);
    ck_assert(core_dose_fits(b.core, BASIL, &base, b.now));
}
END_TEST

/* Defect: with sixteen totals and more in the first message, all of the next one was taken for the
 * base, too, and a run by hand between them counted nowhere. */
START_TEST(a_run_after_a_first_message_of_many_totals_is_no_base) /* _i: how many */
{
    prepare();
    total("a1f3", CHANNEL, 1000);
    for (int64_t i = 1; i < _i; i++) {
        char serial[CHAIN_WORD_MAX];
        struct text t = text_over(serial, sizeof serial);
        text_add(&t, "other-");
        text_add_int(&t, i);
        total(serial, 1, 1000 * i);
    }
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 0);
    total("a1f3", CHANNEL, 8000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 7000);
}
END_TEST

/* Defect: when the first message had nothing to count from, the journal didn't tell that counting
 * had started; after a restart the first run by hand was taken for the base. */
START_TEST(a_run_while_the_daemon_is_down_is_no_base) /* _i: an output that never ran is listed */
{
    prepare();
    if (_i == 1) total("a1f3", CHANNEL, 0);
    tell();
    bench_start();
    come_up();
    total("a1f3", CHANNEL, 6000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 6000);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 6000);
    total("a1f3", CHANNEL, 6500);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 6500);
}
END_TEST

static void carry_over(void)
{
    uint32_t cursor = 0;
    struct actions carried;
    while (core_carry(b.core, &cursor, b.now, &carried)) {
        b.actions = carried;
        keep_records();
    }
}

/* ... and so does the start of a new segment, when the old one is pruned. */
START_TEST(a_new_segment_says_that_counting_has_started)
{
    prepare();
    tell();
    b.record_count = 0;
    carry_over();
    bench_start();
    total("a1f3", CHANNEL, 6000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 6000);
}
END_TEST

/* INV-1. Defect: what was run by hand while the disk was full had no record, the next segment's
 * base was the total after it, and a restart forgot it. _i: 0 another run follows; 1 the journal
 * goes on with a new segment; 2 as 1, and a new head's totals began anew meanwhile. */
START_TEST(runs_whose_records_are_lost_count_by_the_next_total)
{
    prepare();
    total("a1f3", CHANNEL, 9000);
    tell();
    const uint32_t kept = b.record_count;
    total("a1f3", CHANNEL, _i == 2 ? 4000 : 13000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 4000);
    b.record_count = kept;
    if (_i == 0) {
        total("a1f3", CHANNEL, 15000);
        tell();
    } else {
        carry_over();
    }
    const int64_t used = used_ul(BASIL, PUMP), bottle = b.core->stock[LEAF_A].remaining_ul;
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, PUMP), used);
    ck_assert(b.core->tank[BASIL].line_dirty);
    if (_i == 0) ck_assert_int_eq(b.core->stock[LEAF_A].remaining_ul, bottle);
    carry_over(); /* and it isn't counted again */
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, PUMP), used);
}
END_TEST

/* Defect: a pump that was running by hand when this journal began was base up to then. */
START_TEST(
    a_run_under_way_at_the_first_message_counts) /* _i: how it may not be the one that runs */
{
    prepare();
    total("a1f3", CHANNEL, 84000);
    switch (_i) {
    case 0:
        switched(true, "a1f3", CHANNEL, 9000);
        break;
    case 1:
        switched(true, "a1f3", CHANNEL, 99000); /* longer than it has ever run: all of it */
        break;
    case 2:
        switched(false, "a1f3", CHANNEL, 9000); /* it went off, who knows when */
        break;
    case 3:
        switched(true, "b77c", CHANNEL, 9000);
        break;
    default:
        switched(true, "a1f3", CHANNEL + 1, 9000);
    }
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), _i == 0 ? 9000 : _i == 1 ? 84000 : 0);
    bench_start();
    total("a1f3", CHANNEL, 85000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), _i == 0 ? 10000 : _i == 1 ? 85000 : 1000);
}
END_TEST

/* Defect: totals that began anew at zero hid what was run since. */
START_TEST(a_head_that_lost_its_totals_hides_no_run)
{
    prepare();
    total("a1f3", CHANNEL, 84000);
    tell();
    text_copy(manual.boot, sizeof manual.boot, "boot-w2");
    manual.n = 0;
    total("a1f3", CHANNEL, 4000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 4000);
    total("a1f3", CHANNEL, 0); /* and again, with nothing run yet */
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 4000);
    bench_start();
    total("a1f3", CHANNEL, 5000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 9000);
}
END_TEST

/* Another head in its place counts from nothing, and has run longer by hand than the former one
 * ever had: its lower reign tells, whichever of its messages comes first. Found by simulation.storm
 * (head-replaced). */
START_TEST(
    a_head_that_was_replaced_hides_no_run) /* _i: the claim first; then; without a roll-call */
{
    prepare();
    total("a1f3", CHANNEL, 3000);
    total("a1f3", 2, 0);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 0);
    tell_head(WEST, false);
    if (_i == 2) b.core->chain[WEST].has_roll = false;
    if (_i != 2) tell_roll(WEST, "boot-x");
    text_copy(manual.boot, sizeof manual.boot, "boot-x");
    manual.n = 0;
    total("a1f3", CHANNEL, 8000);
    if (_i == 0) tell_claim(WEST, "", 0);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), _i == 0 ? 8000 : 5000);
    tell_claim(WEST, "", 0);
    ck_assert_int_eq(used_ul(BASIL, PUMP), 8000);
    tell_claim(WEST, "", 0); /* told again, it is no other head */
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 8000);
    total("a1f3", CHANNEL, 9000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 9000);
}
END_TEST

/* Another head that was never run by hand lists nothing. What it runs later is new, whatever the
 * former one had counted (seed 1630). */
START_TEST(what_a_head_doesnt_list_is_counted_from_nothing)
{
    prepare();
    total("a1f3", 2, 100);
    tell();
    total("a1f3", CHANNEL, 6000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 6000);
    tell_head(WEST, false);
    tell_roll(WEST, "boot-x");
    text_copy(manual.boot, sizeof manual.boot, "boot-x");
    manual.n = 0;
    manual.count = 0;
    tell();
    tell_claim(WEST, "", 0);
    ck_assert_int_eq(used_ul(BASIL, PUMP), 6000);
    total("a1f3", CHANNEL, 8000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 14000);
}
END_TEST

/* A message that another one has overtaken isn't a lost memory. */
START_TEST(an_overtaken_message_counts_nothing)
{
    prepare();
    total("a1f3", CHANNEL, 1000);
    tell();
    const struct chain_manual old = manual;
    total("a1f3", CHANNEL, 3000);
    switched(true, "a1f3", CHANNEL, 2000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 2000);
    struct event e = { .kind = EVENT_MANUAL, .chain = WEST };
    e.manual = old;
    step(&e);
    ck_assert_int_eq(used_ul(BASIL, PUMP), 2000);
    ck_assert(b.core->chain[WEST].hand_running);
}
END_TEST

/* Modules come and go: those that have gone make room, and nothing of ours goes uncounted. */
START_TEST(totals_of_modules_that_have_gone_make_room)
{
    prepare();
    for (int round = 0; round < 2; round++) {
        manual.count = 0;
        for (int64_t i = 0; i < CHAIN_TOTALS_MAX; i++) {
            char serial[CHAIN_WORD_MAX];
            struct text t = text_over(serial, sizeof serial);
            text_add(&t, round == 0 ? "gone-" : "new-");
            text_add_int(&t, i);
            total(serial, 1, 1000);
        }
        tell();
    }
    manual.count = 0;
    total("a1f3", CHANNEL, 6000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 6000);
    bench_start();
    total("a1f3", CHANNEL, 7000);
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 7000);
}
END_TEST

/* Ninety-six outputs of modules that are there: one more isn't counted, and hurts nothing. */
START_TEST(more_outputs_than_a_head_may_list_are_left_out)
{
    prepare();
    for (uint32_t i = 0; i < CHAIN_TOTALS_MAX; i++) {
        total("a1f3", i + 2, 1000);
    }
    tell();
    manual.count = 0;
    total("b77c", 1, 6000);
    tell();
    ck_assert_int_eq(used_ul(LETTUCE, 0), 0);
    ck_assert_uint_eq(b.core->chain[WEST].total_count, CHAIN_TOTALS_MAX);
    bench_start();
    struct record *r = put_record("hand");
    record_add_text(r, "chain", "west");
    record_add_text(r, "serial", "b77c");
    record_add_int(r, "channel", 1);
    record_add_int(r, "total_ms", 6000);
    record_add_int(r, "ul", 6000);
    bench_start();
    ck_assert_int_eq(used_ul(LETTUCE, 0), 6000); /* what the journal says of a run counts anyhow */
}
END_TEST

/* Circulation by hand moves no stock; and a pump that no tank uses has no limit. */
START_TEST(outputs_without_a_stock_are_only_told)
{
    prepare();
    tell();
    total("a1f3", CHAIN_CIRCULATION_CHANNEL, 60000);
    total("a1f3", 4, 5000);
    total("ffff", CHANNEL, 5000);
    tell();
    ck_assert_uint_eq(count_records("hand"), 3);
    for (uint32_t p = 0; p < b.tank[BASIL].pump_count; p++) {
        ck_assert_int_eq(used_ul(BASIL, p), 0);
    }
    ck_assert(!b.core->tank[BASIL].line_dirty);
}
END_TEST

START_TEST(a_hand_on_a_switch_is_told_as_long_as_it_is_there)
{
    prepare();
    switched(true, "a1f3", CHANNEL, 0);
    tell();
    ck_assert(alert_stands(b.core, "hand-west"));
    ck_assert(!core_gate_dose(b.core, BASIL, b.now));
    switched(false, "a1f3", CHANNEL, 3000);
    tell();
    ck_assert(!alert_stands(b.core, "hand-west"));
}
END_TEST

/* The alert says whose output it is. */
START_TEST(a_plain_output_by_hand_is_told_as_one)
{
    prepare();
    b.site.chain[WEST].plain = true;
    switched(true, "a1f3", CHANNEL, 0);
    tell();
    ck_assert_ptr_nonnull(strstr(alert_text("hand-west"), "a plain output of tank west"));
    ck_assert_ptr_nonnull(strstr(alert_text("hand-west"), "(leaf-a, basil)"));
}
END_TEST

/* docs/contract.md 2.11: circulation that is switched by hand isn't confirmed. */
START_TEST(circulation_by_hand_confirms_nothing) /* _i: 0 that output; else another */
{
    prepare();
    struct core_tank *t = &b.core->tank[BASIL];
    t->circulation.on = true;
    t->circulation.till = mono_after(b.now.mono, HOUR_MS);
    t->circulation.command.ends = t->circulation.till;
    core_confirm_circulation(b.core, BASIL, b.now);
    ck_assert(t->circulation.confirmed);
    switched(true, _i == 1 ? "b77c" : "a1f3", _i == 2 ? CHANNEL : CHAIN_CIRCULATION_CHANNEL, 0);
    tell();
    core_confirm_circulation(b.core, BASIL, b.now);
    ck_assert_int_eq(t->circulation.confirmed, _i != 0);
}
END_TEST

/* One output twice in the first message: what the second total has more isn't where counting
 * starts. */
START_TEST(a_total_told_twice_is_told_once)
{
    prepare();
    total("a1f3", CHANNEL, 84000);
    manual.total[manual.count] = manual.total[0];
    manual.total[manual.count++].ms = 84500;
    tell();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 500);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("hand");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, what_a_total_grew_by_counts_and_leaves_its_stock_in_the_line);
    tcase_add_test(t, acid_by_hand_begins_the_spacing);
    tcase_add_loop_test(
        t, a_run_after_a_first_message_of_many_totals_is_no_base, 1, CHAIN_TOTALS_MAX + 1);
    tcase_add_loop_test(t, a_run_while_the_daemon_is_down_is_no_base, 0, 2);
    tcase_add_loop_test(t, runs_whose_records_are_lost_count_by_the_next_total, 0, 3);
    tcase_add_test(t, a_new_segment_says_that_counting_has_started);
    tcase_add_loop_test(t, a_run_under_way_at_the_first_message_counts, 0, 5);
    tcase_add_test(t, a_head_that_lost_its_totals_hides_no_run);
    tcase_add_test(t, an_overtaken_message_counts_nothing);
    tcase_add_test(t, totals_of_modules_that_have_gone_make_room);
    tcase_add_test(t, more_outputs_than_a_head_may_list_are_left_out);
    tcase_add_test(t, outputs_without_a_stock_are_only_told);
    tcase_add_test(t, a_hand_on_a_switch_is_told_as_long_as_it_is_there);
    tcase_add_test(t, a_plain_output_by_hand_is_told_as_one);
    tcase_add_loop_test(t, circulation_by_hand_confirms_nothing, 0, 3);
    tcase_add_loop_test(t, a_head_that_was_replaced_hides_no_run, 0, 3);
    tcase_add_test(t, what_a_head_doesnt_list_is_counted_from_nothing);
    tcase_add_test(t, a_total_told_twice_is_told_once);
    return run_case(t, "hand");
}
