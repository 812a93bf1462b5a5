/* Plain outputs as the core sees them: what a run may turn out to be, boards that don't obey, and
 * what is kept over restart and reload. The east chain of the fixture becomes basil's plain
 * outputs: its base pump is one. */
#include "lib/journal/link.h"
#include "tests/unit/core/core_fixture.h"

enum { PUMP = 3, UL = 5000, AUTO_OFF_MS = 20000, FULL_UL = 20000 };

static struct plain_output output;

static void make_plain(bool reports)
{
    bench_init();
    output = (struct plain_output){ .topic = "shed/base",
        .payload = "on",
        .off_payload = "off",
        .state_topic = reports ? "shed/state" : NULL,
        .state_pointer = "",
        .auto_off_ms = AUTO_OFF_MS,
        .step_ms = 1 };
    struct chain_config *c = &b.site.chain[EAST];
    c->key = c->device = "basil";
    c->plain = true;
    c->module[0].plain = &output;
}

/* Time for another daemon to be heard, if there is one. */
static void listened(void)
{
    pass(8000);
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_beat(c);
    }
}

/* Also the chain's head has listed what it took last. */
static void all_come_up(void)
{
    come_up();
    b.core->chain[WEST].ledger_seen = true;
}

/* A journal that is older than the outputs. */
static void ready(bool reports)
{
    make_plain(reports);
    put_record("carry");
    bench_start();
    all_come_up();
    listened();
    tell_water(BASIL, 1200, 5.8);
    tell_water(LETTUCE, 1200, 5.8);
}

static void tell_end(const char *id, enum chain_state state, bool unsure)
{
    struct event e = report_of(id, state, UL);
    e.chain = EAST;
    e.report.unsure = unsure;
    step(&e);
}

static void tell_board(enum plain_finding finding)
{
    struct event e = { .kind = EVENT_BOARD, .chain = EAST };
    e.board.position = 1;
    e.board.finding = finding;
    step(&e);
}

static bool stands(const char *id)
{
    return alert_stands(b.core, id);
}

/* --- what a run may turn out to be ------------------------------------------------------------ */

/* INV-1: "off" may be lost. What then counts, by whether the board reports and what it said. */
static const struct {
    bool reports;
    enum chain_state state;
    bool unsure;
    int64_t counts_ul;
} ends[] = {
    { false, CHAIN_DONE, false, FULL_UL },
    { false, CHAIN_STOPPED, true, FULL_UL },
    { true, CHAIN_DONE, false, UL },
    { true, CHAIN_DONE, true, FULL_UL },
    { true, CHAIN_STOPPED, true, FULL_UL },
};

START_TEST(a_switched_run_counts_as_all_that_it_may_have_been)
{
    ready(ends[_i].reports);
    const int64_t bottle = b.core->stock[BASE].remaining_ul;
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    ck_assert_int_eq(used_ul(BASIL, PUMP), FULL_UL);
    ck_assert_int_eq(mono_since(dose.ends, b.now.mono), COMMAND_START_MS + AUTO_OFF_MS);
    pass(6000);
    tell_end(dose.id, ends[_i].state, ends[_i].unsure);
    ck_assert_int_eq(used_ul(BASIL, PUMP), ends[_i].counts_ul);
    ck_assert_int_eq(bottle - b.core->stock[BASE].remaining_ul, UL);
    bench_start(); /* and the journal has it the same */
    ck_assert_int_eq(used_ul(BASIL, PUMP), ends[_i].counts_ul);
    ck_assert_int_eq(bottle - b.core->stock[BASE].remaining_ul, UL);
}
END_TEST

/* INV-1, defect: a board that was seen off late counted as if it had been off in time. */
START_TEST(one_that_was_seen_off_late_counts_until_then)
{
    ready(true);
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    pass(9000);
    struct event e = report_of(dose.id, CHAIN_DONE, UL + 3000);
    e.chain = EAST;
    step(&e);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL + 3000);
    ck_assert(!b.core->tank[BASIL].dose.used);
    bool unsure = true;
    ck_assert(record_truth(recorded("outcome"), "unsure", &unsure) && !unsure);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL + 3000);
}
END_TEST

/* INV-5, defect: the next stock was dosed while a lost "off" let the one before it run on. */
START_TEST(the_next_stock_waits_until_the_board_has_ended_it) /* _i: it reports */
{
    ready(_i == 1);
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    pass(6000);
    tell_end(dose.id, CHAIN_DONE, false);
    const struct mono till = _i == 1 ? b.now.mono : dose.ends;
    ck_assert_int_eq(mono_since(b.core->tank[BASIL].pumped_at, till), 0);
    ck_assert(b.core->tank[BASIL].line_dirty);
}
END_TEST

static void no_hash(const void *bytes, size_t count, uint8_t ret[LINK_HASH_BYTES])
{
    (void)bytes;
    (void)count;
    memset(ret, 0, LINK_HASH_BYTES);
}

/* Defect: with all its reasons such a dose had more members than a record had room for: it was
 * never written, and so never sent. */
START_TEST(the_record_of_a_dose_fits) /* _i: of a plain output */
{
    ready(false);
    struct core_tank *t = &b.core->tank[BASIL];
    t->plan.why =
        (struct law_why){ .ec_us_cm = 1234.5, .ec_sd = 10.1, .ph = 5.812, .ph_sd = 0.011 };
    t->plan.why.mix_s = 1234;
    send_dose(BASIL, _i == 1 ? PUMP : 0, UL);
    const struct record *made = recorded("dose");
    ck_assert_ptr_nonnull(made);
    struct record r = *made;
    struct link_tip tip = link_start();
    const struct link_stamp stamp = { b.now, "0b9d6a3c-6f5f-4f55-a7f4-3c86b1a1b7c2" };
    char line[RECORD_LINE_MAX];
    struct text text = text_over(line, sizeof line);
    ck_assert_int_eq(link_seal(&tip, &r, &stamp, no_hash, &text), ERR_NONE);
}
END_TEST

START_TEST(an_interrupted_one_counts_in_full_after_a_restart)
{
    ready(true);
    send_dose(BASIL, PUMP, UL);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, PUMP), FULL_UL);
    all_come_up();
    struct event ledger = { .kind = EVENT_LEDGER, .chain = EAST };
    step(&ledger);
    pass(COMMAND_START_MS + AUTO_OFF_MS + COMMAND_GRACE_MS);
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_beat(c);
    }
    ticks();
    ck_assert_str_eq(record_text_or_empty(recorded("outcome"), "state"), "unknown");
    ck_assert_int_eq(used_ul(BASIL, PUMP), FULL_UL);
}
END_TEST

START_TEST(one_that_times_itself_counts_as_itself)
{
    ready(false);
    output.payload = "${ms}";
    output.unit = PLAIN_MS;
    const struct core_command dose = *send_dose(BASIL, PUMP, UL);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
    pass(6000);
    tell_end(dose.id, CHAIN_STOPPED, true);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
}
END_TEST

static bool ask_ml(int64_t ul)
{
    return ask_for(
        (struct event_request){ .kind = REQUEST_DOSE, .tank = BASIL, .stock = BASE, .ul = ul });
}

START_TEST(the_windows_must_leave_room_for_all_of_it)
{
    ready(false);
    b.tank[BASIL].pump[PUMP].limits.hour_ul = 2 * FULL_UL + FULL_UL / 2;
    for (int n = 0; n < 2; n++) {
        const struct core_command dose = *send_dose(BASIL, PUMP, UL);
        pass(6000);
        tell_end(dose.id, CHAIN_DONE, false);
        b.core->tank[BASIL].step = STEP_IDLE;
    }
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_beat(c);
    }
    b.core->tank[BASIL].plan.count = b.core->tank[BASIL].plan.next = 0;
    b.core->tank[BASIL].acid_ended.ms = b.now.mono.ms - 3 * HOUR_MS;
    ck_assert(!ask_ml(1000)); /* 10 mL are left, and a run may be 20 */
    ck_assert_str_eq(answered(), "over-limit");
    b.tank[BASIL].pump[PUMP].limits.hour_ul = 3 * FULL_UL;
    ck_assert_msg(ask_ml(1000), "%s", answered());
}
END_TEST

START_TEST(no_run_is_asked_for_that_is_longer_than_the_boards_own_limit)
{
    ready(false);
    b.tank[BASIL].pump[PUMP].limits = (struct stock_limits){ 500, 90000, 100000, 300000 };
    ck_assert(!ask_ml(AUTO_OFF_MS + 1000));
    ck_assert_str_eq(answered(), "over-limit");
    ck_assert_msg(ask_ml(AUTO_OFF_MS), "%s", answered());
}
END_TEST

/* --- what isn't known ------------------------------------------------------------------------- */

START_TEST(with_a_new_journal_the_day_before_isnt_known)
{
    make_plain(false);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, PUMP), b.tank[BASIL].pump[PUMP].limits.day_ul);
    ck_assert_int_eq(used_ul(BASIL, 0), 0); /* a module's head would tell */
    all_come_up();
    ck_assert(stands("limits-unknown-basil"));
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, PUMP), b.tank[BASIL].pump[PUMP].limits.day_ul);
    struct event_request know = { .kind = REQUEST_ACKNOWLEDGE };
    text_copy(know.word, sizeof know.word, "limits-unknown-basil");
    all_come_up();
    ck_assert(ask_for(know));
    ck_assert_int_eq(used_ul(BASIL, PUMP), 0);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, PUMP), 0);
}
END_TEST

START_TEST(what_a_head_would_have_kept_is_given_back)
{
    struct chain_claim claim;
    ready(false);
    core_former_claim(b.core, EAST, &claim);
    ck_assert_int_eq(claim.reign, 1);
    ck_assert_str_eq(claim.by, "d1");
    struct event e = { .kind = EVENT_MANUAL, .chain = EAST };
    e.manual = (struct chain_manual){ .n = 1, .channel = 1, .count = 1 };
    text_copy(e.manual.boot, sizeof e.manual.boot, "boot-e");
    text_copy(e.manual.serial, sizeof e.manual.serial, "c91d");
    e.manual.total[0].channel = 1;
    e.manual.total[0].ms = 700;
    text_copy(e.manual.total[0].serial, sizeof e.manual.total[0].serial, "c91d");
    step(&e);
    ck_assert_int_eq(core_hand_ms(b.core, EAST, "c91d", 1), 700);
    ck_assert_int_eq(core_hand_ms(b.core, EAST, "c91d", 2), 0);
    bench_start();
    ck_assert_int_eq(core_hand_ms(b.core, EAST, "c91d", 1), 700);
    core_former_claim(b.core, EAST, &claim);
    ck_assert_str_eq(claim.by, "d1");
}
END_TEST

START_TEST(a_plain_output_cant_be_told_by_its_tick)
{
    ready(false);
    ck_assert(!ask_for((struct event_request){
        .kind = REQUEST_IDENTIFY, .address = { .chain = EAST, .position = 1, .channel = 1 } }));
    ck_assert_str_eq(answered(), "no-such-module");
}
END_TEST

START_TEST(what_they_wait_for_is_told_in_their_own_name)
{
    ready(false);
    tell_head(EAST, false);
    char words[VIEW_WHY_MAX];
    struct text t = text_over(words, sizeof words);
    ck_assert(!core_chain_ready(b.core, EAST, b.now, &t));
    ck_assert_str_eq(words, "plain outputs of basil: its head isn't there");
    struct chain_view view;
    core_view_chain(b.core, EAST, b.now, &view);
    ck_assert_uint_eq(view.plain, 1);
    ck_assert_uint_eq(view.reporting, 0);
}
END_TEST

/* INV-3, defect: a board that had gone off, unheard, was believed to circulate for as long as its
 * run was prolonged. */
START_TEST(a_boards_word_that_it_circulates_is_good_for_two_runs)
{
    ready(true);
    struct plain_output flow = output;
    flow.circulation = true;
    flow.auto_off_ms = 300000;
    b.site.chain[WEST].module[0].plain = &flow; /* basil's circulation */
    struct core_tank *t = &b.core->tank[BASIL];
    t->circulation.on = t->circulation.confirmed = true;
    t->circulation.start = b.now.mono;
    t->circulation.till = mono_after(b.now.mono, 10000);
    uint32_t prolonged = 0;
    int64_t run_ms = 0;
    for (int n = 0; n < 100; n++) {
        pass(6000);
        tell_beat(WEST);
        t->circulation.till = mono_after(b.now.mono, 10000); /* it is over any moment */
        t->circulation.command.used = false;
        b.actions.count = 0;
        (void)core_hold_circulation(b.core, BASIL, 60000, b.now, &b.actions);
        const struct action *send = wants(ACTION_SEND);
        if (!send) continue;
        run_ms = send->command.run_ms;
        if (run_ms > 60000) prolonged++;
    }
    ck_assert_uint_eq(prolonged, (2 * 300000 - 60000) / 6000);
    ck_assert_int_eq(run_ms, 1000); /* it ends, to be seen to begin anew */
}
END_TEST

/* --- boards that don't obey ------------------------------------------------------------------- */

START_TEST(one_that_ignores_its_orders_raises_an_alert_until_it_works)
{
    ready(true);
    tell_board(PLAIN_IGNORES);
    ck_assert(stands("ignores-basil-base"));
    tell_board(PLAIN_NOTHING_NEW);
    ck_assert(stands("ignores-basil-base"));
    ck_assert(core_gate_move(b.core, BASIL, b.now));
    tell_board(PLAIN_WORKS);
    ck_assert(!stands("ignores-basil-base"));
}
END_TEST

static void halted(bool is)
{
    ck_assert_int_eq(!core_gate_move(b.core, BASIL, b.now), is);
    ck_assert(core_gate_move(b.core, LETTUCE, b.now));
    if (is) ck_assert_int_eq(b.core->tank[BASIL].state, TANK_HALTED);
}

static bool acknowledge(const char *id)
{
    struct event_request request = { .kind = REQUEST_ACKNOWLEDGE };
    text_copy(request.word, sizeof request.word, id);
    return ask_for(request);
}

/* INV-8: only a person ends it. */
START_TEST(one_that_stays_on_halts_its_tank_until_somebody_has_looked)
{
    ready(true);
    halted(false);
    tell_board(PLAIN_STAYS_ON);
    ck_assert(stands("stays-on-basil-base"));
    halted(true);
    tell_board(PLAIN_WORKS); /* it went off at last */
    halted(true);
    ck_assert(!core_gate_cup(b.core, BASIL, 0, b.now));
    bench_start();
    ck_assert(stands("stays-on-basil-base"));
    all_come_up();
    listened();
    halted(true);
    ck_assert(acknowledge("stays-on-basil-base"));
    halted(false);
    bench_start();
    ck_assert(!stands("stays-on-basil-base"));
    all_come_up();
    listened();
    halted(false);
    ck_assert(!acknowledge("stays-on-basil-base"));
}
END_TEST

START_TEST(it_stays_halted_over_reload_and_a_new_segment)
{
    ready(true);
    tell_board(PLAIN_STAYS_ON);
    void *block = malloc(core_size(&b.site));
    struct core_identity identity = b.core->identity;
    struct core *fresh = core_init(block, &b.site, &identity, b.now);
    core_reload(fresh, b.core, b.now, &b.actions);
    free(b.block);
    b.block = block;
    b.core = fresh;
    ck_assert(stands("stays-on-basil-base"));
    halted(true);
    b.record_count = 0; /* nothing but what is restated is left */
    uint32_t cursor = 0;
    while (core_carry(b.core, &cursor, b.now, &b.actions)) {
        keep_records();
    }
    bench_start();
    ck_assert(stands("stays-on-basil-base"));
    all_come_up();
    halted(true);
}
END_TEST

START_TEST(a_circulation_that_stays_on_halts_its_tank_too)
{
    ready(true);
    struct event e = { .kind = EVENT_BOARD, .chain = WEST };
    e.board.position = 1;
    e.board.finding = PLAIN_STAYS_ON;
    step(&e); /* the first of several outputs there is a pump: each has its own place in truth */
    ck_assert(stands("stays-on-basil-leaf-a"));
    ck_assert_ptr_eq(core_stays_on_alert(b.core, "stays-on-basil-circulation"),
        &b.core->tank[BASIL].circulation.stays_on);
    ck_assert_ptr_null(core_stays_on_alert(b.core, "stays-on-basil-beet"));
    b.core->tank[BASIL].pump[0].stays_on = false;
    b.core->tank[BASIL].circulation.stays_on = true;
    halted(true);
    e.board.position = 9; /* nobody's */
    step(&e);
    ck_assert_uint_eq(b.actions.count, 0);
}
END_TEST

static void tell_peer(const char *by)
{
    struct event e = { .kind = EVENT_PEER_BEAT, .peer = { .same_site = true } };
    text_copy(e.peer.by, sizeof e.peer.by, by);
    step(&e);
}

static bool says(const char *part)
{
    char words[128];
    struct text t = text_over(words, sizeof words);
    return !core_chain_ready(b.core, EAST, b.now, &t) && strstr(words, part);
}

/* INV-9, defect: two daemons that both took themselves for the site's both told the boards. */
START_TEST(boards_are_left_alone_while_two_daemons_serve_them)
{
    make_plain(true);
    put_record("carry");
    bench_start();
    all_come_up();
    ck_assert(says("listening whether another daemon"));
    listened();
    ck_assert(core_chain_ready(b.core, EAST, b.now, NULL));
    ck_assert(!b.core->chain[EAST].limits_unknown);
    for (int n = 0; n < 3; n++) {
        pass(5000);
        tell_peer("d9");
        ck_assert(says("another daemon serves this site, too"));
    }
    ck_assert_uint_eq(count_records("limits-unknown"), 1); /* what the other one did isn't known */
    tell_beat(WEST);
    ck_assert(core_chain_ready(b.core, WEST, b.now, NULL)); /* its head knows whom to obey */
    pass(CLAIM_SILENCE_MS);
    listened();
    ck_assert(core_chain_ready(b.core, EAST, b.now, NULL));
    ck_assert(b.core->chain[EAST].limits_unknown);
}
END_TEST

/* INV-1, defect: who took over from another one knew nothing of what that one's boards had run. */
START_TEST(what_another_daemon_ran_isnt_known) /* _i: its journal was followed to the end */
{
    make_plain(true);
    put_record("carry");
    bench_start();
    tell_link(true);
    tell_peer("d9");
    ck_assert(recorded("other-reign"));
    if (_i == 0) bench_start(); /* it counts over a restart */
    if (_i == 1) b.core->follow = (struct core_follow){ .joined = true, .confirmed = true };
    pass(CLAIM_SILENCE_MS);
    all_come_up();
    ticks();
    ck_assert_int_eq(b.core->chain[EAST].limits_unknown, _i == 0);
}
END_TEST

/* INV-1, seed 47: it took over the site before a head had told whom it obeyed meanwhile. Seed 1385:
 * one of another site had the head last; who did before that, nobody tells (_i: 1), or none did. */
START_TEST(a_head_tells_late_who_served_the_boards)
{
    make_plain(true);
    put_record("carry");
    bench_start();
    tell_link(true);
    pass(CLAIM_SILENCE_MS);
    tick();
    ck_assert(b.core->active && !b.core->chain[EAST].limits_unknown);
    struct event e = { .kind = EVENT_CLAIM, .chain = WEST, .claim = { .by = "d9", .reign = 5 } };
    text_copy(e.claim.site, sizeof e.claim.site, _i == 0 ? "tern-hall" : "elsewhere");
    if (_i == 2) b.core->chain[WEST].former.reign = 4;
    tell_head(WEST, true);
    step(&e);
    tick();
    ck_assert_int_eq(b.core->chain[EAST].limits_unknown, _i < 2);
}
END_TEST

/* Defect: one that stood by took over the site because a head without an owner came. */
START_TEST(an_exchanged_head_is_the_living_daemons)
{
    make_plain(true);
    put_record("carry");
    bench_start();
    tell_link(true);
    tell_peer("d9");
    tell_head(WEST, true);
    tell_roll(WEST, "boot-w");
    tell_claim(WEST, "", 0);
    for (int n = 0; n < 10; n++) {
        pass(1000);
        tell_peer("d9");
        ticks();
    }
    ck_assert(!b.core->active);
}
END_TEST

START_TEST(alone_it_never_makes_the_site_stand_by)
{
    ready(false);
    tell_claim(WEST, "d9", 5); /* another daemon took the modules' chain */
    ck_assert(!b.core->active);
    /* Defect: for its boards it took over the site again after each silence, and stood by at once:
     * several connections a second. */
    tell_link(true);
    tell_head(WEST, true);
    tell_claim(WEST, "d9", 5);
    for (int n = 0; n < 60; n++) {
        pass(1000);
        ticks();
        ck_assert(!b.core->active);
    }
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_CLAIM, .chain = WEST }));
    ticks();
    ck_assert(b.core->active);
    bench_start();
    all_come_up();
    b.site.chain[WEST].plain = true; /* all of them */
    tell_claim(WEST, b.core->identity.by, b.core->chain[WEST].asked_reign);
    ck_assert(b.core->active);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("plain");
    tcase_add_checked_fixture(tc, NULL, bench_done);
    tcase_add_loop_test(
        tc, a_switched_run_counts_as_all_that_it_may_have_been, 0, sizeof ends / sizeof ends[0]);
    tcase_add_test(tc, one_that_was_seen_off_late_counts_until_then);
    tcase_add_loop_test(tc, the_next_stock_waits_until_the_board_has_ended_it, 0, 2);
    tcase_add_loop_test(tc, the_record_of_a_dose_fits, 0, 2);
    tcase_add_test(tc, an_interrupted_one_counts_in_full_after_a_restart);
    tcase_add_test(tc, one_that_times_itself_counts_as_itself);
    tcase_add_test(tc, the_windows_must_leave_room_for_all_of_it);
    tcase_add_test(tc, no_run_is_asked_for_that_is_longer_than_the_boards_own_limit);
    tcase_add_test(tc, with_a_new_journal_the_day_before_isnt_known);
    tcase_add_test(tc, what_a_head_would_have_kept_is_given_back);
    tcase_add_test(tc, what_they_wait_for_is_told_in_their_own_name);
    tcase_add_test(tc, a_plain_output_cant_be_told_by_its_tick);
    tcase_add_test(tc, a_boards_word_that_it_circulates_is_good_for_two_runs);
    tcase_add_test(tc, one_that_ignores_its_orders_raises_an_alert_until_it_works);
    tcase_add_test(tc, one_that_stays_on_halts_its_tank_until_somebody_has_looked);
    tcase_add_test(tc, it_stays_halted_over_reload_and_a_new_segment);
    tcase_add_test(tc, a_circulation_that_stays_on_halts_its_tank_too);
    tcase_add_test(tc, boards_are_left_alone_while_two_daemons_serve_them);
    tcase_add_loop_test(tc, a_head_tells_late_who_served_the_boards, 0, 3);
    tcase_add_loop_test(tc, what_another_daemon_ran_isnt_known, 0, 2);
    tcase_add_test(tc, an_exchanged_head_is_the_living_daemons);
    tcase_add_test(tc, alone_it_never_makes_the_site_stand_by);
    return run_case(tc, "plain");
}
