#include "tests/unit/chain/plain_fixture.h"

#include "lib/base/prng.h"

START_TEST(the_roll_call_lists_each_output_as_a_module)
{
    struct chain_roll roll;
    start();
    plain_head_roll(&h, &roll);
    ck_assert_uint_eq(roll.count, LINES);
    ck_assert_int_eq(roll.max_run_ms, PLAIN_LONGEST_MS);
    ck_assert_int_eq(roll.max_circulate_ms, 120000);
    ck_assert(roll.module[FLOW].circulation && !roll.module[TIMED].circulation);
    char words[200];
    struct text why = text_over(words, sizeof words);
    for (uint32_t i = 0; i < LINES; i++) {
        config.module[i].channels = 1;
        config.module[i].circulation = i == FLOW;
    }
    ck_assert_msg(chain_roll_matches(&config, &roll, &why), "%s", words);
}
END_TEST

START_TEST(a_dose_that_times_itself_is_done_when_its_time_is_over)
{
    start();
    circulate();
    const struct chain_command c = dose(TIMED, 4200);
    ck_assert_uint_eq(give(&c), TIMED);
    plain_head_advance(&h, 1);
    expect(CHAIN_RUNNING);
    ck_assert_int_eq(plain_head_due_ms(&h), 3000); /* the start's second "off" of another output */
    plain_head_advance(&h, 4199);
    expect_nothing();
    plain_head_advance(&h, 4300);
    const struct chain_report r = expect(CHAIN_DONE);
    ck_assert_str_eq(r.id, c.id);
    ck_assert_int_eq(r.ran_ms, 4200);
    ck_assert(!r.unsure && !off_due(TIMED));
    plain_head_advance(&h, 4300 + PLAIN_TIMED_SLACK_MS);
    ck_assert(off_due(TIMED));
}
END_TEST

START_TEST(one_that_is_switched_and_reports_waits_for_off)
{
    start();
    circulate();
    const struct chain_command c = dose(SEEN, 4000);
    ck_assert_uint_eq(give(&c), SEEN);
    plain_head_hear(&h, SEEN, true);
    expect(CHAIN_RUNNING);
    plain_head_advance(&h, 4000);
    expect_nothing();
    ck_assert(off_due(SEEN));
    const struct chain_command soon = dose(SEEN, 4000);
    (void)give(&soon);
    ck_assert_int_eq(expect(CHAIN_REFUSED).reason, CHAIN_BUSY);
    plain_head_hear(&h, SEEN, false);
    ck_assert(!expect(CHAIN_DONE).unsure);
}
END_TEST

/* INV-1, defect: that a run ended late, for network or daemon stood still, counted for nothing. */
static const struct {
    int64_t said_ms, seen_ms, ran_ms;
} lates[] = { { 4000, 4003, 4003 }, { 4000, 7999, 7999 }, { 60000, 60001, 20000 } };

START_TEST(one_that_is_seen_off_late_ran_until_then)
{
    start();
    circulate();
    const struct chain_command c = dose(SEEN, 4000);
    (void)give(&c);
    plain_head_hear(&h, SEEN, true);
    expect(CHAIN_RUNNING);
    plain_head_advance(&h, lates[_i].said_ms);
    plain_head_advance(&h, lates[_i].seen_ms);
    plain_head_hear(&h, SEEN, false);
    ck_assert_int_eq(expect(CHAIN_DONE).ran_ms, lates[_i].ran_ms);
}
END_TEST

START_TEST(one_that_never_says_off_is_unsure)
{
    start();
    circulate();
    const struct chain_command c = dose(SEEN, 4000);
    (void)give(&c);
    plain_head_hear(&h, SEEN, true);
    expect(CHAIN_RUNNING);
    plain_head_advance(&h, 4000);
    plain_head_advance(&h, 4000 + PLAIN_CONFIRM_MS - 1);
    expect_nothing();
    plain_head_advance(&h, 4000 + PLAIN_CONFIRM_MS);
    ck_assert(expect(CHAIN_DONE).unsure);
}
END_TEST

START_TEST(one_that_never_says_on_is_unsure)
{
    start();
    circulate();
    const struct chain_command c = dose(SEEN, 4000);
    (void)give(&c);
    plain_head_advance(&h, 1);
    expect(CHAIN_RUNNING);
    plain_head_advance(&h, 4000);
    plain_head_advance(&h, 4000 + PLAIN_CONFIRM_MS);
    ck_assert(expect(CHAIN_DONE).unsure);
}
END_TEST

START_TEST(a_stop_says_off_and_nobody_knows_how_long_it_ran)
{
    start();
    circulate();
    const struct chain_command c = dose(TIMED, 4200);
    (void)give(&c);
    plain_head_advance(&h, 1000);
    expect(CHAIN_RUNNING);
    const struct chain_command stop = command(CHAIN_STOP, TIMED, 0);
    ck_assert_uint_eq(give(&stop), CHAIN_MODULES_MAX);
    const struct chain_report r = expect(CHAIN_STOPPED);
    ck_assert_str_eq(r.id, c.id);
    ck_assert(r.unsure && off_due(TIMED) && !off_due(FLOW));
    plain_head_advance(&h, 10000);
    expect_nothing();
}
END_TEST

START_TEST(a_halt_says_off_to_all_and_latches)
{
    start();
    circulate();
    const struct chain_command c = dose(SEEN, 4000);
    (void)give(&c);
    plain_head_advance(&h, 1);
    expect(CHAIN_RUNNING);
    plain_head_advance(&h, 4000); /* its end is waited for */
    struct chain_command halt = command(CHAIN_HALT, FLOW, 0);
    halt.serial[0] = '\0';
    (void)give(&halt);
    ck_assert(h.halted);
    for (uint32_t i = 0; i < LINES; i++) {
        ck_assert(off_due(i));
    }
    expect(CHAIN_STOPPED);
    ck_assert(expect(CHAIN_DONE).unsure);
    const struct chain_command next = command(CHAIN_CIRCULATE, FLOW, 5000);
    ck_assert_uint_eq(give(&next), CHAIN_MODULES_MAX);
    ck_assert_int_eq(expect(CHAIN_REFUSED).reason, CHAIN_HALTED);
    struct chain_command resume = command(CHAIN_RESUME, FLOW, 0);
    resume.reign = 2;
    (void)give(&resume);
    ck_assert(h.halted);
    resume.reign = 3;
    (void)give(&resume);
    ck_assert(!h.halted);
}
END_TEST

START_TEST(a_dose_ends_with_its_circulation)
{
    start();
    circulate();
    const struct chain_command c = dose(BLIND, 9000);
    (void)give(&c);
    plain_head_advance(&h, 1000);
    expect(CHAIN_RUNNING);
    plain_head_hear(&h, FLOW, false);
    plain_head_advance(&h, 1000 + PLAIN_LOST_MS);
    expect(CHAIN_STOPPED);
    const struct chain_report r = expect(CHAIN_STOPPED);
    ck_assert_str_eq(r.id, c.id);
    ck_assert(r.unsure && off_due(BLIND) && off_due(FLOW));
}
END_TEST

START_TEST(what_couldnt_be_sent_hasnt_run)
{
    start();
    circulate();
    const struct chain_command c = dose(TIMED, 4200);
    ck_assert_uint_eq(give(&c), TIMED);
    plain_head_unsent(&h, TIMED);
    plain_head_advance(&h, 10000);
    expect_nothing();
}
END_TEST

START_TEST(what_was_under_way_when_the_broker_went_is_unsure)
{
    start();
    circulate();
    const struct chain_command c = dose(TIMED, 4200);
    (void)give(&c);
    plain_head_advance(&h, 1000);
    expect(CHAIN_RUNNING);
    plain_head_lost(&h);
    for (int n = 0; n < 2; n++) {
        ck_assert(expect(CHAIN_STOPPED).unsure);
    }
    for (uint32_t i = 0; i < LINES; i++) {
        ck_assert(off_due(i));
    }
}
END_TEST

/* Each refusal, by one change of a command that would be taken. */
static const struct {
    enum chain_reason reason;
    int what;
} refusals[] = { { CHAIN_OTHER_REIGN, 0 }, { CHAIN_OTHER_REIGN, 1 }, { CHAIN_OTHER_BOOT, 2 },
    { CHAIN_EXPIRED, 3 }, { CHAIN_NO_MODULE, 4 }, { CHAIN_NO_MODULE, 5 }, { CHAIN_OTHER_SERIAL, 6 },
    { CHAIN_NO_CHANNEL, 7 }, { CHAIN_NO_CHANNEL, 8 }, { CHAIN_TOO_LONG, 9 },
    { CHAIN_NO_CIRCULATION, 10 }, { CHAIN_NO_CIRCULATION, 12 }, { CHAIN_BUSY, 11 } };

static void spoil(struct chain_command *c, int what)
{
    if (what == 0) c->reign = 4;
    if (what == 1) (void)text_copy(c->by, sizeof c->by, "d2");
    if (what == 2) (void)text_copy(c->boot, sizeof c->boot, "boot-0");
    if (what == 3) c->until_ms = h.up_ms - 1;
    if (what == 4) c->position = 0;
    if (what == 5) c->position = LINES + 1;
    if (what == 6) (void)text_copy(c->serial, sizeof c->serial, config.module[SEEN].serial);
    if (what == 7) c->action = CHAIN_CIRCULATE;
    if (what == 8) c->action = CHAIN_IDENTIFY;
    if (what == 9) c->run_ms = 10001;
    if (what == 10) c->needs.position = SEEN + 1;
    if (what == 12) c->needs.position = LINES + 1;
}

START_TEST(it_refuses_as_a_head_does)
{
    start();
    circulate();
    plain_head_advance(&h, 1000);
    struct chain_command c = dose(BLIND, 9000);
    if (refusals[_i].what == 11) {
        ck_assert_uint_eq(give(&c), BLIND);
        c = dose(BLIND, 9000);
    } else {
        spoil(&c, refusals[_i].what);
    }
    ck_assert_uint_eq(give(&c), CHAIN_MODULES_MAX);
    const struct chain_report r = expect(CHAIN_REFUSED);
    ck_assert_str_eq(r.id, c.id);
    ck_assert_str_eq(chain_reason_word(r.reason), chain_reason_word(refusals[_i].reason));
    ck_assert(refusals[_i].what == 11 || !h.line[BLIND].running);
}
END_TEST

/* Whose water moves by a dosing pump stands still. */
START_TEST(a_dosing_pump_is_no_circulation)
{
    start();
    circulate();
    struct chain_command c = dose(SEEN, 9000);
    ck_assert_uint_eq(give(&c), SEEN);
    c = dose(BLIND, 9000);
    c.needs.position = SEEN + 1;
    ck_assert_uint_eq(give(&c), CHAIN_MODULES_MAX);
    ck_assert_int_eq(expect(CHAIN_REFUSED).reason, CHAIN_NO_CIRCULATION);
}
END_TEST

START_TEST(a_run_by_hand_is_told_and_counted)
{
    struct chain_manual m;
    start();
    h.line[SEEN].hand_ms = 7000; /* of before this start */
    plain_head_advance(&h, 10000);
    plain_head_hear(&h, SEEN, true);
    plain_head_advance(&h, 10000 + PLAIN_LATE_MS - 1);
    ck_assert(!h.manual_changed);
    plain_head_advance(&h, 10000 + PLAIN_LATE_MS);
    ck_assert(h.manual_changed);
    plain_head_manual(&h, &m);
    ck_assert(m.running && m.channel == 1 && m.n == 1);
    ck_assert_str_eq(m.serial, config.module[SEEN].serial);
    ck_assert_uint_eq(m.count, 1);
    ck_assert_int_eq(m.total[0].ms, 7000 + PLAIN_LATE_MS); /* also the time that was waited */
    const struct chain_command c = dose(SEEN, 1000);
    circulate();
    (void)give(&c);
    ck_assert_int_eq(expect(CHAIN_REFUSED).reason, CHAIN_BUSY);
    h.manual_changed = false;
    plain_head_advance(&h, h.hand_told_ms + PLAIN_HAND_TELL_MS);
    ck_assert(h.manual_changed); /* again and again */
    plain_head_advance(&h, 30000);
    plain_head_hear(&h, SEEN, false);
    plain_head_manual(&h, &m);
    ck_assert(!m.running);
    ck_assert_int_eq(m.total[0].ms, 7000 + 20000);
}
END_TEST

START_TEST(of_two_runs_by_hand_the_one_that_goes_on_is_told)
{
    struct chain_manual m;
    start();
    plain_head_hear(&h, SEEN, true);
    plain_head_hear(&h, FLOW, true);
    plain_head_advance(&h, PLAIN_LATE_MS);
    plain_head_hear(&h, SEEN, false);
    plain_head_manual(&h, &m);
    ck_assert(m.running && m.channel == CHAIN_CIRCULATION_CHANNEL);
    ck_assert_str_eq(m.serial, config.module[FLOW].serial);
    ck_assert_uint_eq(m.count, 2);
    plain_head_hear(&h, FLOW, false);
    plain_head_manual(&h, &m);
    ck_assert(!m.running);
}
END_TEST

START_TEST(reports_that_nobody_takes_are_bounded)
{
    start();
    for (int n = 0; n < 3 * PLAIN_REPORTS_MAX; n++) {
        const struct chain_command c = dose(TIMED, 1000);
        (void)give(&c);
    }
    int taken = 0;
    struct chain_report r;
    while (plain_head_take(&h, &r)) {
        taken++;
    }
    ck_assert_int_eq(taken, PLAIN_REPORTS_MAX);
}
END_TEST

/* --- whatever comes, in whatever order ---------------------------------------------------------
 */

static struct { /* what was said to the board's outputs, and what that makes of one that obeys */
    bool on;
    int64_t ends_ms; /* by its own time or limit */
} board[LINES];

static void say_offs(bool sent)
{
    for (uint32_t i = 0; i < LINES; i++) {
        if (!off_due(i)) continue;
        plain_watch_told_off(&h.line[i].watch, sent, h.up_ms);
        if (sent) board[i].on = false;
    }
}

/* An output that runs has been told to, and for no longer than it may; one that doesn't has been
 * told to be off, or will be within a moment. */
static void judge(void)
{
    for (uint32_t i = 0; i < LINES; i++) {
        const struct plain_line *line = &h.line[i];
        const int64_t off_ms = line->watch.off_due_ms;
        ck_assert_int_le(line->running ? line->run_ms : 0, plain_longest_ms(line->output));
        ck_assert(!(line->running && h.halted));
        ck_assert(!(line->running && line->needs > 0) || h.line[line->needs - 1].running);
        if (line->running) {
            ck_assert(board[i].on);
        } else if (board[i].on) {
            ck_assert_int_le(off_ms, h.up_ms + PLAIN_OFF_AGAIN_MS);
        }
    }
}

static void command_at_random(struct prng *p)
{
    static const enum chain_action actions[] = { CHAIN_DOSE, CHAIN_DOSE, CHAIN_CIRCULATE,
        CHAIN_CIRCULATE, CHAIN_STOP, CHAIN_HALT, CHAIN_RESUME, CHAIN_RESUME, CHAIN_IDENTIFY };
    const uint32_t line = (uint32_t)prng_below(p, LINES);
    const enum chain_action action = actions[prng_below(p, 9)];
    struct chain_command c = command(action, line, prng_below(p, 130000));
    if (prng_below(p, 2) == 0) c.needs.position = FLOW + 1;
    if (prng_below(p, 16) == 0) spoil(&c, (int)prng_below(p, 11));
    if (c.action == CHAIN_CIRCULATE && prng_below(p, 4) > 0) {
        c.position = FLOW + 1;
        (void)text_copy(c.serial, sizeof c.serial, config.module[FLOW].serial);
    }
    const uint32_t starts = give(&c);
    if (starts == CHAIN_MODULES_MAX) return;
    ck_assert_uint_eq(starts, c.position - 1);
    if (prng_below(p, 8) == 0) {
        plain_head_unsent(&h, starts);
        return;
    }
    board[starts].on = true;
    board[starts].ends_ms = h.up_ms + c.run_ms;
}

START_TEST(no_order_leaves_an_output_on) /* _i is the seed */
{
    struct prng p = prng_seed((uint64_t)_i);
    struct chain_report r;
    start();
    memset(board, 0, sizeof board);
    for (int n = 0; n < 1000; n++) {
        const int64_t what = prng_below(&p, 16);
        if (what < 7) command_at_random(&p);
        if (what == 7) plain_head_hear(&h, prng_below(&p, 2) ? FLOW : SEEN, prng_below(&p, 2) == 0);
        if (what == 8) plain_head_hear(&h, FLOW, h.line[FLOW].running);
        if (what == 9 && prng_below(&p, 8) == 0) plain_head_lost(&h);
        if (what == 10 && prng_below(&p, 8) == 0)
            plain_head_claim(&h, &(struct chain_claim){ .by = "d1", .reign = 3 });
        if (what > 10) plain_head_advance(&h, h.up_ms + prng_below(&p, 6000));
        judge();
        say_offs(prng_below(&p, 8) > 0);
        judge();
        while (plain_head_take(&h, &r)) {
            ck_assert(r.state != CHAIN_STOPPED || r.unsure);
        }
        for (uint32_t i = 0; i < LINES; i++) {
            while (plain_watch_find(&h.line[i].watch, h.up_ms) != PLAIN_NOTHING_NEW) {
            }
        }
        plain_head_advance(&h, h.up_ms);
        say_offs(true);
        ck_assert_int_gt(plain_head_due_ms(&h), h.up_ms); /* nobody is woken for nothing */
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("plain_head");
    tcase_add_test(tc, the_roll_call_lists_each_output_as_a_module);
    tcase_add_test(tc, a_dose_that_times_itself_is_done_when_its_time_is_over);
    tcase_add_test(tc, one_that_is_switched_and_reports_waits_for_off);
    tcase_add_loop_test(
        tc, one_that_is_seen_off_late_ran_until_then, 0, sizeof lates / sizeof lates[0]);
    tcase_add_test(tc, one_that_never_says_off_is_unsure);
    tcase_add_test(tc, one_that_never_says_on_is_unsure);
    tcase_add_test(tc, a_stop_says_off_and_nobody_knows_how_long_it_ran);
    tcase_add_test(tc, a_halt_says_off_to_all_and_latches);
    tcase_add_test(tc, a_dose_ends_with_its_circulation);
    tcase_add_test(tc, what_couldnt_be_sent_hasnt_run);
    tcase_add_test(tc, what_was_under_way_when_the_broker_went_is_unsure);
    tcase_add_loop_test(tc, it_refuses_as_a_head_does, 0, sizeof refusals / sizeof refusals[0]);
    tcase_add_test(tc, a_dosing_pump_is_no_circulation);
    tcase_add_test(tc, a_run_by_hand_is_told_and_counted);
    tcase_add_test(tc, of_two_runs_by_hand_the_one_that_goes_on_is_told);
    tcase_add_test(tc, reports_that_nobody_takes_are_bounded);
    tcase_add_loop_test(tc, no_order_leaves_an_output_on, 0, 60);
    return run_case(tc, "plain_head");
}
