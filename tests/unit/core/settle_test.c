/* What became of a dose: reports, ledger, restarts. INV-2: a dose whose outcome isn't known counts
 * in full. INV-n: safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/core_fixture.h"

enum { PUMP = 0, UL = 5000 };

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

static void tell_report_of(uint32_t chain, const char *id, enum chain_state state, const char *boot)
{
    struct event e = report_of(id, state, state == CHAIN_REFUSED ? 0 : UL);
    e.chain = chain;
    text_copy(e.report.boot, sizeof e.report.boot, boot);
    step(&e);
}

/* INV-2: each way in which a report settles, and what then counts. */
static const struct {
    enum chain_state state;
    int64_t ran_ms;
    bool unsure;
    int64_t counts_ul;
    const char *word;
} ends[] = {
    { CHAIN_DONE, UL, false, UL, "done" },
    { CHAIN_STOPPED, 1200, false, 1200, "stopped" },
    { CHAIN_STOPPED, 1200, true, UL, "stopped" }, /* nobody knows: in full */
    { CHAIN_STOPPED, 2 * UL, true, 2 * UL, "stopped" },
    { CHAIN_DONE, 3 * UL, false, 3 * UL, "done" }, /* it ran on: all that it moved */
    { CHAIN_STOPPED, 0, false, 0, "stopped" },
    { CHAIN_REFUSED, 0, false, 0, "refused" },
};

START_TEST(a_dose_counts_as_its_last_report_has_it)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    const int64_t bottle = b.core->stock[LEAF_A].remaining_ul;
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
    struct event e = report_of(dose.id, ends[_i].state, ends[_i].ran_ms);
    e.report.unsure = ends[_i].unsure;
    pass(6000);
    step(&e);
    const int64_t counts_ul = ends[_i].counts_ul;
    ck_assert(!tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, PUMP), counts_ul);
    ck_assert_int_eq(bottle + UL - b.core->stock[LEAF_A].remaining_ul, counts_ul);
    ck_assert_int_eq(tank()->line_dirty, counts_ul > 0);
    const int64_t rise = window_used(&tank()->ec_rise, HOUR_MS, b.now.mono);
    ck_assert_int_eq(rise, counts_ul > 0 ? 10000 : 0);
    ck_assert_int_eq(window_used(&tank()->ph_move, HOUR_MS, b.now.mono), counts_ul > 0 ? 20000 : 0);
    const struct record *r = recorded("outcome");
    int64_t ul = -1;
    ck_assert_str_eq(record_text_or_empty(r, "state"), ends[_i].word);
    ck_assert(record_int(r, "ul", &ul) && ul == counts_ul);
    bench_start(); /* and the journal has it the same */
    ck_assert(!tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, PUMP), counts_ul);
    ck_assert_int_eq(bottle + UL - b.core->stock[LEAF_A].remaining_ul, counts_ul);
}
END_TEST

START_TEST(what_is_only_on_its_way_settles_nothing)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    tell_report(dose.id, CHAIN_ACCEPTED, 0);
    tell_report(dose.id, CHAIN_RUNNING, 0);
    const struct mono since = tank()->dose.since;
    pass(1000);
    tell_report(dose.id, CHAIN_RUNNING, 1000);
    ck_assert(tank()->dose.used && tank()->dose.running);
    ck_assert_int_eq(tank()->dose.since.ms, since.ms);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
    ck_assert_ptr_null(recorded("outcome"));
}
END_TEST

/* INV-2: what was accepted isn't given back because a copy of it is refused. */
START_TEST(a_refusal_after_acceptance_says_nothing)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    tell_report(dose.id, CHAIN_ACCEPTED, 0);
    tell_report_of(WEST, dose.id, CHAIN_REFUSED, "boot-w");
    ck_assert(tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
}
END_TEST

/* Defect: the head ran it and restarted, all reports were lost, and a copy that came late was
 * refused under the new boot: the dose was given back. */
START_TEST(a_refusal_by_another_boot_says_nothing)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    tell_roll(WEST, "boot-w2");
    tell_report_of(WEST, dose.id, CHAIN_REFUSED, "boot-w2");
    ck_assert(tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
}
END_TEST

/* ... nor of a dose that the daemon before this one had sent to who knows which boot. */
START_TEST(a_refusal_after_a_restart_says_nothing)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    bench_start();
    come_up();
    ck_assert(tank()->dose.used && tank()->dose.restored);
    tell_report_of(WEST, dose.id, CHAIN_REFUSED, "boot-w");
    ck_assert(tank()->dose.used);
    tell_report(dose.id, CHAIN_STOPPED, 1200);
    ck_assert(!tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, PUMP), 1200);
}
END_TEST

START_TEST(reports_of_others_settle_nothing)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    core_send_circulate(b.core, BASIL, 60000, b.now, &b.actions);
    const struct core_command flow = tank()->circulation.command;
    tell_report("d9-1", CHAIN_DONE, UL);
    tell_report_of(EAST, dose.id, CHAIN_DONE, "boot-e");
    tell_report_of(EAST, flow.id, CHAIN_DONE, "boot-e");
    ck_assert(tank()->dose.used && tank()->circulation.command.used);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
}
END_TEST

/* INV-1: two entries of a full window became one, so that the dose can't be named any more: what it
 * moved beyond its grant still counts, here and after a restart. */
START_TEST(what_ran_on_counts_though_its_entry_was_merged)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    struct dose_window *w = &tank()->pump[PUMP].window;
    w->entry[w->oldest].tag = 0; /* as merging leaves it */
    tell_report(dose.id, CHAIN_DONE, 3 * UL);
    ck_assert_int_eq(used_ul(BASIL, PUMP), 3 * UL);
}
END_TEST

START_TEST(a_sure_end_below_the_grant_gives_nothing_back_without_its_entry)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    struct dose_window *w = &tank()->pump[PUMP].window;
    w->entry[w->oldest].tag = 0;
    tell_report(dose.id, CHAIN_STOPPED, 1200);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
}
END_TEST

/* --- circulation ------------------------------------------------------------------------------ */

START_TEST(circulation_follows_its_reports)
{
    bench_ready();
    struct core_tank *t = tank();
    b.actions.count = 0;
    core_send_circulate(b.core, BASIL, 60000, b.now, &b.actions);
    tell_report(t->circulation.command.id, CHAIN_ACCEPTED, 0);
    ck_assert(!t->circulation.on);
    pass(500);
    tell_report(t->circulation.command.id, CHAIN_RUNNING, 0);
    ck_assert(t->circulation.on);
    ck_assert_int_eq(t->circulation.start.ms, b.now.mono.ms);
    ck_assert_int_eq(
        mono_since(t->circulation.till, b.now.mono), 59500); /* from when it was asked */
    const struct mono start = t->circulation.start;
    pass(1000);
    tell_report(t->circulation.command.id, CHAIN_RUNNING, 1000);
    ck_assert_int_eq(t->circulation.start.ms, start.ms);
    tell_report(t->circulation.command.id, _i == 0 ? CHAIN_DONE : CHAIN_STOPPED, 1500);
    ck_assert(!t->circulation.on && !t->circulation.command.used);
}
END_TEST

/* What ran before goes on until its own end. */
START_TEST(a_refused_circulation_ends_nothing_and_is_tried_later)
{
    bench_ready();
    struct core_tank *t = tank();
    core_send_circulate(b.core, BASIL, 60000, b.now, &b.actions);
    tell_report(t->circulation.command.id, CHAIN_RUNNING, 0);
    core_send_circulate(b.core, BASIL, 60000, b.now, &b.actions);
    tell_report(t->circulation.command.id, CHAIN_REFUSED, 0);
    ck_assert(t->circulation.on && !t->circulation.command.used);
    ck_assert_int_gt(mono_since(t->not_before, b.now.mono), 0);
}
END_TEST

/* --- a head that restarts --------------------------------------------------------------------- */

/* A module starts with every output off. Defect: a restart while the link was down went unnoticed,
 * and circulation that had ended was taken to run. */
START_TEST(a_head_that_restarted_circulates_no_more) /* _i: 1 while the link was down */
{
    bench_ready();
    struct core_tank *t = tank();
    core_send_circulate(b.core, BASIL, 600000, b.now, &b.actions);
    tell_report(t->circulation.command.id, CHAIN_RUNNING, 0);
    core_confirm_circulation(b.core, BASIL, b.now);
    ck_assert(t->circulation.confirmed);
    if (_i == 1) tell_link(false);
    if (_i == 1) tell_link(true);
    tell_roll(WEST, "boot-w2");
    ck_assert(!t->circulation.on && !t->circulation.command.used && !t->circulation.confirmed);
    ck_assert_str_eq(record_text_or_empty(recorded("head-restart"), "head_boot"), "boot-w2");
}
END_TEST

START_TEST(a_head_that_says_the_same_boot_again_circulates_on)
{
    bench_ready();
    struct core_tank *t = tank();
    core_send_circulate(b.core, BASIL, 600000, b.now, &b.actions);
    tell_report(t->circulation.command.id, CHAIN_RUNNING, 0);
    tell_link(false);
    tell_link(true);
    tell_roll(WEST, "boot-w");
    tell_roll(EAST, "boot-e2"); /* not its chain */
    ck_assert(t->circulation.on);
    ck_assert_uint_eq(count_records("head-restart"), 1);
}
END_TEST

/* --- never heard of --------------------------------------------------------------------------- */

/* For a configuration that waits while the broker is away: INV-2, it counts in full. */
START_TEST(without_a_link_a_dose_that_has_ended_is_no_longer_waited_for)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    tell_link(false);
    pass(mono_since(dose.ends, b.now.mono) + COMMAND_GRACE_MS - 1);
    ck_assert(!core_settle_ended(b.core, b.now, &b.actions));
    tell_link(true);
    pass(1);
    ck_assert(!core_settle_ended(b.core, b.now, &b.actions));
    tell_link(false);
    ck_assert(!core_quiet(b.core));
    ck_assert(core_settle_ended(b.core, b.now, &b.actions));
    keep_records();
    ck_assert_str_eq(record_text_or_empty(recorded("outcome"), "state"), "unknown");
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
    ticks();
    ck_assert(tank()->line_dirty && core_quiet(b.core));
    ck_assert(!core_settle_ended(b.core, b.now, &b.actions));
}
END_TEST

START_TEST(a_dose_is_overdue_when_its_time_and_the_ledgers_have_passed)
{
    bench_ready();
    ck_assert(!core_dose_overdue(b.core, BASIL, b.now)); /* there is none */
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    b.core->chain[WEST].ledger_seen = _i == 1;
    pass(mono_since(dose.ends, b.now.mono) + COMMAND_GRACE_MS - 1);
    ck_assert(!core_dose_overdue(b.core, BASIL, b.now));
    pass(1);
    ck_assert_int_eq(core_dose_overdue(b.core, BASIL, b.now), _i == 1);
    pass(LEDGER_WAIT_MS - 1);
    ck_assert_int_eq(core_dose_overdue(b.core, BASIL, b.now), _i == 1);
    pass(1);
    b.core->link_since = mono_after(b.now.mono, -LEDGER_WAIT_MS + 1); /* the link is young */
    ck_assert_int_eq(core_dose_overdue(b.core, BASIL, b.now), _i == 1);
    b.core->link_since.ms--;
    b.core->link_up = false;
    ck_assert_int_eq(core_dose_overdue(b.core, BASIL, b.now), _i == 1);
    b.core->link_up = true;
    ck_assert(core_dose_overdue(b.core, BASIL, b.now));
    b.actions.count = 0;
    core_settle_overdue(b.core, BASIL, b.now, &b.actions);
    keep_records();
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
    ck_assert(tank()->line_dirty && !tank()->dose.used);
    ck_assert_str_eq(record_text_or_empty(recorded("outcome"), "state"), "unknown");
}
END_TEST

static void tell_unsent(uint32_t chain, const char *id)
{
    struct event e = { .kind = EVENT_UNSENT, .chain = chain };
    text_copy(e.unsent, sizeof e.unsent, id);
    step(&e);
}

START_TEST(a_command_that_never_left_counts_nothing)
{
    bench_ready();
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    core_send_circulate(b.core, BASIL, 60000, b.now, &b.actions);
    const struct core_command flow = tank()->circulation.command;
    tell_unsent(WEST, "d9-1");
    tell_unsent(EAST, flow.id);
    ck_assert(tank()->dose.used && tank()->circulation.command.used);
    tell_unsent(WEST, flow.id);
    ck_assert(!tank()->circulation.command.used);
    tell_unsent(WEST, dose.id);
    ck_assert(!tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, PUMP), 0);
    ck_assert_str_eq(record_text_or_empty(recorded("outcome"), "state"), "unsent");
}
END_TEST

START_TEST(each_failure_waits_longer_up_to_a_bound)
{
    bench_ready();
    int64_t last_ms = 0;
    for (int n = 0; n < 10; n++) {
        core_back_off(tank(), b.now);
        const int64_t ms = mono_since(tank()->not_before, b.now.mono);
        ck_assert_int_ge(ms, last_ms);
        ck_assert_int_le(ms, 5 * MINUTE_MS);
        ck_assert(n >= 6 || ms == TANK_LOOK_MS << n);
        last_ms = ms;
    }
}
END_TEST

/* --- bottles and spacings --------------------------------------------------------------------- */

START_TEST(a_bottle_holds_between_nothing_and_what_it_can)
{
    bench_ready();
    core_draw_stock(b.core, LEAF_A, 6000000);
    ck_assert_int_eq(b.core->stock[LEAF_A].remaining_ul, 0);
    core_draw_stock(b.core, LEAF_A, -9000000);
    ck_assert_int_eq(b.core->stock[LEAF_A].remaining_ul, b.site.stock[LEAF_A].bottle_ul);
}
END_TEST

/* INV-5: only acid and base begin their spacing, each its own. */
START_TEST(acid_and_base_begin_their_spacing)
{
    bench_ready();
    const struct mono acid = tank()->acid_ended, base = tank()->base_ended;
    core_pump_ran(b.core, BASIL, 0, b.now.mono);
    ck_assert(tank()->acid_ended.ms == acid.ms && tank()->base_ended.ms == base.ms);
    core_pump_ran(b.core, BASIL, 2, b.now.mono);
    ck_assert(tank()->acid_ended.ms == b.now.mono.ms && tank()->base_ended.ms == base.ms);
    core_pump_ran(b.core, BASIL, 3, b.now.mono);
    ck_assert_int_eq(tank()->base_ended.ms, b.now.mono.ms);
}
END_TEST

/* --- stopping --------------------------------------------------------------------------------- */

/* INV-11: the circulation's head has gone, and the base hangs on another one that can be told.
 * Defect: nothing was said to it, so that its pump ran on into a line that didn't flow. */
START_TEST(a_dose_on_another_chain_is_stopped_when_the_circulations_head_goes)
{
    bench_ready();
    send_dose(BASIL, 3, UL);
    tell_head(WEST, false);
    ticks();
    core_turn_tank(b.core, BASIL, b.now, &b.actions);
    const struct record *r = recorded("stop");
    ck_assert_ptr_nonnull(r);
    ck_assert_str_eq(record_text_or_empty(r, "chain"), "east");
    ck_assert_uint_eq(count_records("stop"), 1);
}
END_TEST

START_TEST(a_head_that_cant_hear_is_told_nothing)
{
    bench_ready();
    send_dose(BASIL, 0, UL);
    if (_i == 0)
        tell_head(WEST, false);
    else
        tell_link(false);
    for (int n = 0; n < 10; n++) {
        pass(STOP_AGAIN_MS);
        ticks();
    }
    ck_assert_uint_eq(count_records("stop"), 0);
}
END_TEST

/* A stop may get lost: it is said again while the pump may run, and not at every look. */
START_TEST(a_stop_is_said_again)
{
    bench_ready();
    send_dose(BASIL, 0, UL);
    b.core->tank[BASIL].service = true;
    b.core->tank[BASIL].due = b.now.mono;
    ticks();
    ck_assert_uint_eq(count_records("stop"), 2); /* the pump, and the module with its circulation */
    pass(STOP_AGAIN_MS - 1);
    b.core->tank[BASIL].due = b.now.mono;
    tell_beat(WEST);
    ticks();
    ck_assert_uint_eq(count_records("stop"), 2);
    pass(1);
    b.core->tank[BASIL].due = b.now.mono;
    ticks();
    ck_assert_uint_eq(count_records("stop"), 4);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("settle");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_loop_test(
        t, a_dose_counts_as_its_last_report_has_it, 0, (int)(sizeof ends / sizeof *ends));
    tcase_add_test(t, what_is_only_on_its_way_settles_nothing);
    tcase_add_test(t, a_refusal_after_acceptance_says_nothing);
    tcase_add_test(t, a_refusal_by_another_boot_says_nothing);
    tcase_add_test(t, a_refusal_after_a_restart_says_nothing);
    tcase_add_test(t, reports_of_others_settle_nothing);
    tcase_add_test(t, what_ran_on_counts_though_its_entry_was_merged);
    tcase_add_test(t, a_sure_end_below_the_grant_gives_nothing_back_without_its_entry);
    tcase_add_loop_test(t, circulation_follows_its_reports, 0, 2);
    tcase_add_test(t, a_refused_circulation_ends_nothing_and_is_tried_later);
    tcase_add_loop_test(t, a_head_that_restarted_circulates_no_more, 0, 2);
    tcase_add_test(t, a_head_that_says_the_same_boot_again_circulates_on);
    tcase_add_test(t, without_a_link_a_dose_that_has_ended_is_no_longer_waited_for);
    tcase_add_loop_test(t, a_dose_is_overdue_when_its_time_and_the_ledgers_have_passed, 0, 2);
    tcase_add_test(t, a_command_that_never_left_counts_nothing);
    tcase_add_test(t, each_failure_waits_longer_up_to_a_bound);
    tcase_add_test(t, a_bottle_holds_between_nothing_and_what_it_can);
    tcase_add_test(t, acid_and_base_begin_their_spacing);
    tcase_add_test(t, a_dose_on_another_chain_is_stopped_when_the_circulations_head_goes);
    tcase_add_loop_test(t, a_head_that_cant_hear_is_told_nothing, 0, 2);
    tcase_add_test(t, a_stop_is_said_again);
    return run_case(t, "settle");
}
