/* The chain contract's messages: read, written whole, and the same after both. */
#include "lib/plant/head.h"
#include "tests/unit/daemon/messages.h"

START_TEST(a_roll_call_is_read)
{
    ck_assert_int_eq(read_text(ROLL, good_roll), ERR_NONE);
    const struct chain_roll *r = &value.roll;
    ck_assert_str_eq(r->boot, "9c1f4a7e");
    ck_assert_int_eq(r->epoch, 4);
    ck_assert_int_eq(r->beat_ms, 2000);
    ck_assert_int_eq(r->max_run_ms, 120000);
    ck_assert_int_eq(r->max_circulate_ms, 600000);
    ck_assert_uint_eq(r->count, 2);
    ck_assert_uint_eq(r->module[0].position, 1);
    ck_assert_str_eq(r->module[0].serial, "a1f3");
    ck_assert_uint_eq(r->module[0].channels, 4);
    ck_assert(r->module[0].circulation);
    ck_assert_str_eq(r->module[0].firmware, "1.2.0");
    ck_assert(r->module[0].has_volts);
    ck_assert_double_eq(r->module[0].volts, 11.8);
    ck_assert_str_eq(r->module[1].serial, "b77c");
    ck_assert_uint_eq(r->module[1].channels, 3);
    ck_assert(!r->module[1].circulation && !r->module[1].has_volts);
    ck_assert_str_eq(r->module[1].firmware, "");
}
END_TEST

START_TEST(a_beat_a_claim_and_a_report_are_read)
{
    ck_assert_int_eq(read_text(BEAT, good_beat), ERR_NONE);
    ck_assert_str_eq(value.beat.boot, "9c1f4a7e");
    ck_assert_int_eq(value.beat.up_ms, 123456);
    ck_assert(!value.beat.halted && value.beat.has_amps && value.beat.has_volts);
    ck_assert_int_eq(value.beat.dropped, 7);
    ck_assert_double_eq(value.beat.amps, 0.42);
    ck_assert_double_eq(value.beat.volts, 11.9);

    ck_assert_int_eq(read_text(CLAIM, good_claim), ERR_NONE);
    ck_assert_str_eq(value.claim.by, "9f2c41d0");
    ck_assert_int_eq(value.claim.reign, 7);
    ck_assert_str_eq(value.claim.site, "tern-hall");
    ck_assert_int_eq(read_text(CLAIM, "{\"by\":\"\",\"reign\":0,\"site\":\"\"}"), ERR_NONE);

    ck_assert_int_eq(read_text(REPORT, good_report), ERR_NONE);
    ck_assert_str_eq(value.report.id, "9f2c41d0-17");
    ck_assert_int_eq(value.report.state, CHAIN_REFUSED);
    ck_assert_int_eq(value.report.reason, CHAIN_NO_CIRCULATION);
    ck_assert_int_eq(value.report.up_ms, 123999);
    ck_assert(!value.report.unsure);
}
END_TEST

START_TEST(a_ledger_and_runs_by_hand_are_read)
{
    ck_assert_int_eq(read_text(LEDGER, good_ledger), ERR_NONE);
    ck_assert_uint_eq(value.ledger.count, 2);
    ck_assert_int_eq(value.ledger.entry[0].state, CHAIN_RUNNING);
    ck_assert_str_eq(value.ledger.entry[1].id, "d-1");
    ck_assert_str_eq(value.ledger.entry[1].boot, "7d00aa01");
    ck_assert_int_eq(value.ledger.entry[1].ran_ms, 4100);
    ck_assert(value.ledger.entry[1].unsure);

    ck_assert_int_eq(read_text(MANUAL, good_manual), ERR_NONE);
    ck_assert_int_eq(value.manual.n, 17);
    ck_assert(value.manual.running);
    ck_assert_str_eq(value.manual.serial, "b77c");
    ck_assert_uint_eq(value.manual.channel, 3);
    ck_assert_int_eq(value.manual.ran_ms, 1500);
    ck_assert_uint_eq(value.manual.count, 2);
    ck_assert_int_eq(value.manual.total[0].ms, 84000);
    ck_assert_uint_eq(value.manual.total[1].channel, 0);
}
END_TEST

START_TEST(a_dose_is_read)
{
    ck_assert_int_eq(read_text(COMMAND, good_command), ERR_NONE);
    const struct chain_command *c = &value.command;
    ck_assert_str_eq(c->id, "9f2c41d0-18");
    ck_assert_str_eq(c->by, "9f2c41d0");
    ck_assert_int_eq(c->reign, 7);
    ck_assert_str_eq(c->boot, "9c1f4a7e");
    ck_assert_int_eq(c->epoch, 4);
    ck_assert_int_eq(c->until_ms, 131456);
    ck_assert_int_eq(c->action, CHAIN_DOSE);
    ck_assert_uint_eq(c->position, 2);
    ck_assert_str_eq(c->serial, "b77c");
    ck_assert_uint_eq(c->channel, 3);
    ck_assert_int_eq(c->run_ms, 4200);
    ck_assert_int_eq(c->ul, 3500);
    ck_assert_uint_eq(c->needs.position, 1);
    ck_assert_str_eq(c->needs.serial, "a1f3");
}
END_TEST

START_TEST(each_good_message_comes_back_the_same)
{
    for (enum message m = ROLL; m < MESSAGES; m++) {
        ck_assert_int_eq(read_text(m, good[m]), ERR_NONE);
        round_trip(m);
    }
}
END_TEST

START_TEST(words_keep_to_their_alphabet_and_length)
{
    static const char *const ids[] = { "\"A-z-09\"", "\"01234567890123456789012345678901\"" };
    for (size_t i = 0; i < 2; i++) {
        ck_assert_int_eq(read_text(COMMAND, with_value(good_command, "id", ids[i])), ERR_NONE);
        ck_assert_int_eq(read_text(COMMAND, with_value(good_command, "by", ids[i])), ERR_NONE);
        ck_assert_int_eq(read_text(BEAT, with_value(good_beat, "boot", ids[i])), ERR_NONE);
    }
    ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "serial", ids[0])), ERR_SYNTAX);
    ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "serial", ids[1])), ERR_NONE);
    ck_assert_int_eq(
        read_text(ROLL, with_value(good_roll, "firmware", "\"v1 (beta) \\\"x\\\" ~\"")), ERR_NONE);
    ck_assert_str_eq(value.roll.module[0].firmware, "v1 (beta) \"x\" ~");
    round_trip(ROLL);
    ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "firmware", "\"\\t\"")), ERR_SYNTAX);
    ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "firmware", "\"\\u00e9\"")), ERR_SYNTAX);
}
END_TEST

START_TEST(counts_reach_exactly_2_to_the_53_less_1)
{
    ck_assert_int_eq(read_text(BEAT, with_value(good_beat, "up_ms", "9007199254740991")), ERR_NONE);
    ck_assert_int_eq(value.beat.up_ms, INT64_C(9007199254740991));
    round_trip(BEAT);
    ck_assert_int_eq(
        read_text(BEAT, with_value(good_beat, "up_ms", "9007199254740992")), ERR_RANGE);
    ck_assert_int_eq(read_text(BEAT, with_value(good_beat, "up_ms", "0123")), ERR_SYNTAX);
}
END_TEST

START_TEST(beats_come_every_tenth_of_a_second_to_every_minute)
{
    static const struct {
        const char *text;
        int64_t ms;
    } table[] = { { "0.1", 100 }, { "0.25", 250 }, { "1.234", 1234 }, { "2.0", 2000 },
        { "60", 60000 }, { "0.099", 0 }, { "0", 0 }, { "-2", 0 }, { "60.001", 0 }, { "0.0999", 0 },
        { "0.2505", 0 }, { "2e0", 0 }, { "\"2\"", 0 }, { "null", 0 }, { "[2]", 0 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const enum err err = read_text(ROLL, with_value(good_roll, "beat_s", table[i].text));
        ck_assert_msg((err == ERR_NONE) == (table[i].ms > 0), "%s", table[i].text);
        if (err == ERR_NONE) {
            ck_assert_int_eq(value.roll.beat_ms, table[i].ms);
            round_trip(ROLL);
        }
    }
    ck_assert_int_eq(read_text(ROLL, edited(good_roll, "beat_s", "")), ERR_MISSING);
    ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "profile", "2")), ERR_UNKNOWN);
}
END_TEST

START_TEST(modules_are_1_to_16_and_stand_at_different_positions)
{
    static const char *const off[] = { "0", "17", "4294967297", "9007199254740991" };
    for (size_t i = 0; i < 4; i++) {
        ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "position", off[i])), ERR_RANGE);
        ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "channels", off[i])), ERR_RANGE);
    }
    ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "position", "16")), ERR_NONE);
    ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "channels", "16")), ERR_NONE);
    ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "position", "2")), ERR_DUPLICATE);
    /* the same serial twice is what the chain answers: that is for the binding to judge */
    ck_assert_int_eq(read_text(ROLL, with_value(good_roll, "serial", "\"b77c\"")), ERR_NONE);
}
END_TEST

START_TEST(amperes_and_volts_are_kept_to_a_thousandth)
{
    ck_assert_int_eq(read_text(BEAT, with_value(good_beat, "amps", "0.42049")), ERR_NONE);
    ck_assert_double_eq(value.beat.amps, 0.42);
    ck_assert_int_eq(read_text(BEAT, with_value(good_beat, "amps", "-0.0306")), ERR_NONE);
    ck_assert_double_eq(value.beat.amps, -0.031);
    round_trip(BEAT);
    ck_assert_int_eq(read_text(BEAT, with_value(good_beat, "amps", "1000")), ERR_NONE);
    round_trip(BEAT);
    ck_assert_int_eq(read_text(BEAT, with_value(good_beat, "amps", "1000.001")), ERR_RANGE);
    ck_assert_int_eq(read_text(BEAT, with_value(good_beat, "amps", "-1000.001")), ERR_RANGE);
    ck_assert_int_eq(read_text(BEAT, edited(good_beat, "amps", "")), ERR_NONE);
    ck_assert(!value.beat.has_amps && value.beat.has_volts);
}
END_TEST

START_TEST(what_isnt_known_is_ignored_and_what_is_there_twice_is_not)
{
    ck_assert_int_eq(
        read_text(CLAIM, "{\"x\":{\"by\":1},\"by\":\"a\",\"reign\":1,\"site\":\"s\",\"BY\":[]}"),
        ERR_NONE);
    ck_assert_str_eq(value.claim.by, "a");
    ck_assert_int_eq(
        read_text(CLAIM, "{\"by\":\"a\",\"reign\":1,\"site\":\"s\",\"by\":\"b\"}"), ERR_SYNTAX);
    ck_assert_int_eq(
        read_text(CLAIM, "{\"x\":[{\"y\":1,\"y\":2}],\"by\":\"a\",\"reign\":1,\"site\":\"s\"}"),
        ERR_SYNTAX);
    ck_assert_int_eq(read_text(CLAIM, "[{\"by\":\"a\",\"reign\":1,\"site\":\"s\"}]"), ERR_SYNTAX);
    ck_assert_int_eq(read_text(CLAIM, "\"by\""), ERR_SYNTAX);
    ck_assert_int_eq(read_text(CLAIM, "{}"), ERR_MISSING);
    ck_assert_int_eq(read_text(CLAIM, ""), ERR_SYNTAX);
    ck_assert_int_eq(
        read_text(CLAIM, "{\"by\":\"a\",\"reign\":1,\"site\":\"s\",\"x\":1e999}"), ERR_SYNTAX);
}
END_TEST

START_TEST(words_of_the_contract_are_all_known)
{
    static const char *const states[] = { "accepted", "running", "done", "stopped", "refused" };
    static const char *const reasons[] = { "malformed", "duplicate", "other-reign", "other-boot",
        "other-epoch", "expired", "no-module", "other-serial", "no-channel", "halted", "too-long",
        "no-circulation", "fault", "busy" };
    char quoted[64];
    for (size_t i = 0; i < 5; i++) {
        snprintf(quoted, sizeof quoted, "\"%s\"", states[i]);
        ck_assert_int_eq(read_text(REPORT, with_value(good_report, "state", quoted)), ERR_NONE);
        ck_assert_int_eq(value.report.state, (int)i);
        round_trip(REPORT);
    }
    for (size_t i = 0; i < 14; i++) {
        snprintf(quoted, sizeof quoted, "\"%s\"", reasons[i]);
        ck_assert_int_eq(read_text(REPORT, with_value(good_report, "reason", quoted)), ERR_NONE);
        ck_assert_int_eq(value.report.reason, (int)i + 1);
        round_trip(REPORT);
    }
    ck_assert_int_eq(
        read_text(REPORT, with_value(good_report, "state", "\"paused\"")), ERR_UNKNOWN);
    ck_assert_int_eq(
        read_text(REPORT, with_value(good_report, "reason", "\"because\"")), ERR_UNKNOWN);
    ck_assert_int_eq(
        read_text(COMMAND, with_value(good_command, "action", "\"Dose\"")), ERR_UNKNOWN);
    /* a ledger lists accepted commands only */
    ck_assert_int_eq(
        read_text(LEDGER, with_value(good_ledger, "state", "\"refused\"")), ERR_UNKNOWN);
}
END_TEST

START_TEST(a_report_needs_a_reason_only_when_it_refuses)
{
    char text[PAYLOAD_MAX];
    snprintf(text, sizeof text, "%s", edited(good_report, "reason", ""));
    ck_assert_int_eq(read_text(REPORT, text), ERR_MISSING);
    ck_assert_int_eq(read_text(REPORT, with_value(text, "state", "\"done\"")), ERR_NONE);
    ck_assert_int_eq(value.report.reason, CHAIN_NO_REASON);
    round_trip(REPORT);
}
END_TEST

START_TEST(an_output_has_one_total)
{
    ck_assert_int_eq(read_text(MANUAL, "{\"boot\":\"b\",\"n\":1,\"running\":false,\"serial\":\"\","
                                       "\"channel\":0,\"ran_ms\":0,\"totals\":[{\"serial\":\"a\","
                                       "\"channel\":1,\"ms\":5},{\"serial\":\"a\",\"channel\":1,"
                                       "\"ms\":6}]}"),
        ERR_DUPLICATE);
    ck_assert_int_eq(read_text(MANUAL, "{\"boot\":\"b\",\"n\":0,\"running\":false,\"serial\":\"\","
                                       "\"channel\":0,\"ran_ms\":0,\"totals\":[]}"),
        ERR_NONE);
    round_trip(MANUAL);
    ck_assert_int_eq(read_text(MANUAL, "{\"boot\":\"b\",\"n\":0,\"running\":true,\"serial\":\"\","
                                       "\"channel\":0,\"ran_ms\":0,\"totals\":[]}"),
        ERR_SYNTAX);
}
END_TEST

/* --- bounds ----------------------------------------------------------------------------------- */

static const char longest[CHAIN_WORD_MAX] = "01234567890123456789012345678901";
static const int64_t most = INT64_C(9007199254740991);

static void fill_word(char to[CHAIN_WORD_MAX])
{
    memcpy(to, longest, CHAIN_WORD_MAX);
}

START_TEST(the_longest_of_each_message_fits_into_4_kib)
{
    memset(&value, 0, sizeof value);
    struct chain_roll *roll = &value.roll;
    fill_word(roll->boot);
    roll->epoch = roll->max_run_ms = roll->max_circulate_ms = most;
    roll->beat_ms = 59999;
    roll->count = CHAIN_MODULES_MAX;
    for (uint32_t i = 0; i < roll->count; i++) {
        roll->module[i] = (struct chain_module){
            .position = i + 1, .channels = 16, .has_volts = true, .volts = -999.999
        };
        fill_word(roll->module[i].serial);
        memset(roll->module[i].firmware, '"', CHAIN_WORD_MAX - 1);
    }
    round_trip(ROLL);

    memset(&value, 0, sizeof value);
    fill_word(value.ledger.boot);
    value.ledger.count = CHAIN_LEDGER_MAX;
    for (uint32_t i = 0; i < CHAIN_LEDGER_MAX; i++) {
        fill_word(value.ledger.entry[i].id);
        fill_word(value.ledger.entry[i].boot);
        value.ledger.entry[i].state = CHAIN_STOPPED;
        value.ledger.entry[i].ran_ms = most;
        value.ledger.entry[i].unsure = true;
    }
    round_trip(LEDGER);

    memset(&value, 0, sizeof value);
    struct chain_command *c = &value.command;
    fill_word(c->id);
    fill_word(c->by);
    fill_word(c->boot);
    fill_word(c->serial);
    fill_word(c->needs.serial);
    c->reign = c->epoch = c->until_ms = c->run_ms = most;
    c->position = c->channel = UINT32_MAX;
    c->ul = INT64_C(999999999);
    c->needs.position = 16;
    round_trip(COMMAND);
}
END_TEST

START_TEST(the_most_totals_of_runs_by_hand_fit_as_well)
{
    memset(&value, 0, sizeof value);
    struct chain_manual *manual = &value.manual;
    fill_word(manual->boot);
    fill_word(manual->serial);
    manual->n = manual->ran_ms = most;
    manual->channel = 16;
    manual->count = HEAD_TOTALS_MAX; /* as many as the virtual head ever has */
    for (uint32_t i = 0; i < manual->count; i++) {
        fill_word(manual->total[i].serial);
        manual->total[i].serial[0] = (char)('a' + i / 16);
        manual->total[i].channel = i % 16 + 1;
        manual->total[i].ms = most;
    }
    round_trip(MANUAL);
    char line[PAYLOAD_MAX];
    struct text t = text_over(line, sizeof line);
    payload_add_manual(&t, manual);
    ck_assert(!t.cut);
}
END_TEST

START_TEST(lists_have_their_bounds)
{
    static char text[PAYLOAD_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "{\"boot\":\"b\",\"entries\":[");
    for (uint32_t i = 0; i <= CHAIN_LEDGER_MAX; i++) {
        text_add(&t, i ? "," : "");
        text_add(&t, "{\"id\":\"i\",\"boot\":\"b\",\"state\":\"done\",\"ran_ms\":1}");
        if (i + 1 < CHAIN_LEDGER_MAX) continue;
        const size_t length = t.length;
        text_add(&t, "]}");
        ck_assert_int_eq(read_text(LEDGER, text), i + 1 == CHAIN_LEDGER_MAX ? ERR_NONE : ERR_FULL);
        t.length = length;
    }
    t = text_over(text, sizeof text);
    text_add(&t, "{\"boot\":\"b\",\"n\":1,\"running\":false,\"serial\":\"a\",\"channel\":0,"
                 "\"ran_ms\":0,\"totals\":[");
    for (int i = 0; i <= CHAIN_TOTALS_MAX; i++) {
        text_add(&t, i ? "," : "");
        text_add(&t, "{\"serial\":\"");
        text_add_int(&t, i);
        text_add(&t, "\",\"channel\":1,\"ms\":2}");
        if (i + 1 < CHAIN_TOTALS_MAX) continue;
        const size_t length = t.length;
        text_add(&t, "]}");
        ck_assert(!t.cut);
        ck_assert_int_eq(read_text(MANUAL, text), i + 1 == CHAIN_TOTALS_MAX ? ERR_NONE : ERR_FULL);
        t.length = length;
    }
}
END_TEST

START_TEST(what_doesnt_fit_is_cut_and_says_so)
{
    char small[20];
    struct text t = text_over(small, sizeof small);
    ck_assert_int_eq(read_text(BEAT, good_beat), ERR_NONE);
    payload_add_beat(&t, &value.beat);
    ck_assert(t.cut);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("payload");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, a_roll_call_is_read);
    tcase_add_test(tc, a_beat_a_claim_and_a_report_are_read);
    tcase_add_test(tc, a_ledger_and_runs_by_hand_are_read);
    tcase_add_test(tc, a_dose_is_read);
    tcase_add_test(tc, each_good_message_comes_back_the_same);
    tcase_add_test(tc, words_keep_to_their_alphabet_and_length);
    tcase_add_test(tc, counts_reach_exactly_2_to_the_53_less_1);
    tcase_add_test(tc, beats_come_every_tenth_of_a_second_to_every_minute);
    tcase_add_test(tc, modules_are_1_to_16_and_stand_at_different_positions);
    tcase_add_test(tc, amperes_and_volts_are_kept_to_a_thousandth);
    tcase_add_test(tc, what_isnt_known_is_ignored_and_what_is_there_twice_is_not);
    tcase_add_test(tc, words_of_the_contract_are_all_known);
    tcase_add_test(tc, a_report_needs_a_reason_only_when_it_refuses);
    tcase_add_test(tc, an_output_has_one_total);
    tcase_add_test(tc, the_longest_of_each_message_fits_into_4_kib);
    tcase_add_test(tc, the_most_totals_of_runs_by_hand_fit_as_well);
    tcase_add_test(tc, lists_have_their_bounds);
    tcase_add_test(tc, what_doesnt_fit_is_cut_and_says_so);
    return run_case(tc, "payload");
}
