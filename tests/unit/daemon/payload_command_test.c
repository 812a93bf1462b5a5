/* Commands, what forgives in a stop, a probe's value, and strings. */
#include "tests/unit/daemon/messages.h"

/* --- commands --------------------------------------------------------------------------------- */

START_TEST(each_action_asks_for_its_own_members)
{
    static const struct {
        const char *text;
        enum err err;
    } table[] = {
#define SENDER "\"by\":\"d\",\"reign\":1,\"boot\":\"b\",\"epoch\":1,\"until_ms\":5"
        { "{\"id\":\"i\"," SENDER ",\"action\":\"resume\"}", ERR_NONE },
        { "{\"id\":\"i\",\"action\":\"resume\"}", ERR_MISSING },
        { "{\"id\":\"i\"," SENDER ",\"action\":\"circulate\",\"position\":1,\"serial\":\"a\","
          "\"run_ms\":1}",
            ERR_NONE },
        { "{\"id\":\"i\"," SENDER ",\"action\":\"circulate\",\"position\":1,\"serial\":\"a\"}",
            ERR_MISSING },
        { "{\"id\":\"i\"," SENDER ",\"action\":\"circulate\",\"position\":1,\"run_ms\":1}",
            ERR_MISSING },
        { "{\"id\":\"i\"," SENDER ",\"action\":\"identify\",\"position\":1,\"serial\":\"a\"}",
            ERR_NONE },
        { "{\"id\":\"i\"," SENDER ",\"action\":\"identify\",\"position\":1,\"serial\":\"a\","
          "\"channel\":2,\"run_ms\":100}",
            ERR_NONE },
        { "{\"id\":\"i\"," SENDER ",\"action\":\"identify\",\"position\":1,\"serial\":\"a\","
          "\"channel\":\"2\"}",
            ERR_RANGE },
        { "{\"id\":\"i\"," SENDER ",\"action\":\"identify\",\"position\":1,\"serial\":\"a\","
          "\"run_ms\":-1}",
            ERR_RANGE },
        { "{\"id\":\"i\"," SENDER ",\"action\":\"identify\",\"serial\":\"a\"}", ERR_MISSING },
        { "{\"id\":\"i\"," SENDER ",\"action\":\"dose\",\"position\":1,\"serial\":\"a\","
          "\"run_ms\":1}",
            ERR_MISSING },
        { "{\"id\":\"i\"," SENDER ",\"action\":\"dose\",\"position\":1,\"serial\":\"a\","
          "\"channel\":1,\"run_ms\":1}",
            ERR_NONE },
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_msg(read_text(COMMAND, table[i].text) == table[i].err, "%s: %s", table[i].text,
            problem.text);
        if (table[i].err == ERR_NONE) round_trip(COMMAND);
    }
}
END_TEST

START_TEST(a_need_that_cant_be_read_is_never_forgotten)
{
    static const char *const bad[] = { "null", "true", "[]", "{}", "1", "\"a1f3\"",
        "{\"position\":1}", "{\"serial\":\"a1f3\"}", "{\"position\":0,\"serial\":\"a1f3\"}",
        "{\"position\":17,\"serial\":\"a1f3\"}", "{\"position\":1,\"serial\":\"A1F3\"}",
        "{\"position\":\"1\",\"serial\":\"a1f3\"}" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        ck_assert_msg(read_text(COMMAND, with_value(good_command, "needs", bad[i])) != ERR_NONE,
            "%s", bad[i]);
        ck_assert_str_eq(value.command.id, "9f2c41d0-18");
    }
}
END_TEST

START_TEST(a_serial_in_capitals_is_none)
{
    ck_assert_int_eq(
        read_text(COMMAND, with_value(good_command, "serial", "\"B77C\"")), ERR_SYNTAX);
    ck_assert_int_eq(read_text(CLAIM, with_value(good_claim, "site", "\"Tern-Hall\"")), ERR_SYNTAX);
    ck_assert_int_eq(read_text(MANUAL, with_value(good_manual, "serial", "\"B77C\"")), ERR_SYNTAX);
}
END_TEST

START_TEST(a_malformed_command_keeps_nothing_but_a_usable_id)
{
    struct chain_command only_id;
    memset(&only_id, 0, sizeof only_id);
    text_copy(only_id.id, sizeof only_id.id, "9f2c41d0-18");
    ck_assert_int_eq(read_text(COMMAND, with_value(good_command, "run_ms", "4200.5")), ERR_RANGE);
    ck_assert_int_eq(memcmp(&value.command, &only_id, sizeof only_id), 0);
    ck_assert_int_eq(read_text(COMMAND, edited(good_command, "action", "")), ERR_MISSING);
    ck_assert_int_eq(memcmp(&value.command, &only_id, sizeof only_id), 0);

    memset(&only_id, 0, sizeof only_id);
    ck_assert_int_eq(read_text(COMMAND, with_value(good_command, "id", "\"a b\"")), ERR_SYNTAX);
    ck_assert_int_eq(memcmp(&value.command, &only_id, sizeof only_id), 0);
    char broken[400];
    snprintf(broken, sizeof broken, "%s,", good_command);
    ck_assert_int_eq(read_text(COMMAND, broken), ERR_SYNTAX);
    ck_assert_int_eq(memcmp(&value.command, &only_id, sizeof only_id), 0);
}
END_TEST

START_TEST(stop_and_halt_need_only_id_and_action)
{
    static const char *const actions[] = { "stop", "halt" };
    char text[300];
    for (size_t i = 0; i < 2; i++) {
        snprintf(text, sizeof text, "{\"action\":\"%s\",\"id\":\"s-1\"}", actions[i]);
        ck_assert_int_eq(read_text(COMMAND, text), ERR_NONE);
        ck_assert_int_eq(value.command.action, i ? CHAIN_HALT : CHAIN_STOP);
        round_trip(COMMAND);
        snprintf(text, sizeof text,
            "{\"id\":\"s-1\",\"action\":\"%s\",\"by\":7,\"reign\":-1,\"boot\":null,\"epoch\":1.5,"
            "\"until_ms\":\"x\",\"position\":[],\"channel\":-4,\"run_ms\":{},\"needs\":0,\"ml\":"
            "true}",
            actions[i]);
        ck_assert_int_eq(read_text(COMMAND, text), ERR_NONE);
        round_trip(COMMAND);
    }
    ck_assert_int_eq(read_text(COMMAND, "{\"action\":\"stop\"}"), ERR_MISSING);
}
END_TEST

START_TEST(a_stop_that_cant_be_read_in_full_stops_more_not_less)
{
    ck_assert_int_eq(
        read_text(COMMAND, "{\"id\":\"s\",\"action\":\"stop\",\"serial\":\"b77c\",\"channel\":3}"),
        ERR_NONE);
    ck_assert_str_eq(value.command.serial, "b77c");
    ck_assert_uint_eq(value.command.channel, 3);
    round_trip(COMMAND);
    static const char *const bad[] = { "7", "null", "\"B77C\"", "\"\"", "[\"b77c\"]",
        "\"012345678901234567890123456789012\"" };
    char text[300];
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        snprintf(text, sizeof text,
            "{\"id\":\"s\",\"action\":\"stop\",\"serial\":%s,\"channel\":3}", bad[i]);
        ck_assert_int_eq(read_text(COMMAND, text), ERR_NONE);
        ck_assert_str_eq(value.command.serial, "");
        ck_assert_uint_eq(value.command.channel, 0);
    }
    ck_assert_int_eq(
        read_text(COMMAND, "{\"id\":\"s\",\"action\":\"stop\",\"serial\":\"b\",\"channel\":1.5}"),
        ERR_NONE);
    ck_assert_str_eq(value.command.serial, "b");
    ck_assert_uint_eq(value.command.channel, 0);
}
END_TEST

START_TEST(a_place_too_large_for_a_chain_stays_too_large)
{
    ck_assert_int_eq(
        read_text(COMMAND, with_value(good_command, "channel", "4294967297")), ERR_NONE);
    ck_assert_uint_eq(value.command.channel, UINT32_MAX);
    ck_assert_int_eq(
        read_text(COMMAND, with_value(good_command, "position", "9007199254740991")), ERR_NONE);
    ck_assert_uint_eq(value.command.position, UINT32_MAX);
}
END_TEST

/* --- probes ----------------------------------------------------------------------------------- */

static enum probe_verdict probe(
    const char *pointer, enum probe_unit unit, const char *text, double *ret)
{
    struct probe_config config = { .unit = unit, .pointer = pointer };
    config.nothing_count = 1;
    config.nothing_word[0] = "unavailable";
    *ret = -77.0;
    return payload_read_probe(ret, &config, (struct payload){ text, strlen(text) });
}

START_TEST(a_probe_is_found_in_its_payload)
{
    static const struct {
        const char *pointer, *text;
        enum probe_unit unit;
        double value;
    } table[] = { { "", "6.2", UNIT_PH, 6.2 }, { "", " 6.2\n", UNIT_PH, 6.2 },
        { "/ph", "{\"ph\":6.2}", UNIT_PH, 6.2 },
        { "/a/1/v", "{\"a\":[0,{\"v\":-1.5e2}]}", UNIT_MV, -150 }, { "/1", "[1,2]", UNIT_PH, 2 },
        { "/a~1b", "{\"a/b\":3,\"a~1b\":4}", UNIT_PH, 3 }, { "/m~0n", "{\"m~n\":5}", UNIT_PH, 5 },
        { "/", "{\"\":7}", UNIT_PH, 7 }, { "/leak", "{\"leak\":true}", UNIT_BOOL, 1 },
        { "/leak", "{\"leak\":false}", UNIT_BOOL, 0 },
        { "/leak", "{\"leak\":\"OFF\"}", UNIT_BOOL, 0 }, { "/leak", "{\"leak\":1}", UNIT_BOOL, 1 },
        { "", "On", UNIT_BOOL, 1 }, { "", "0", UNIT_BOOL, 0 },
        { "/\xC3\xA9", "{\"\\u00e9\":9}", UNIT_PH, 9 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        double number;
        ck_assert_msg(probe(table[i].pointer, table[i].unit, table[i].text, &number) == PROBE_OK,
            "%s", table[i].text);
        ck_assert_double_eq(number, table[i].value);
    }
}
END_TEST

START_TEST(what_isnt_there_or_isnt_a_number_is_no_reading)
{
    static const struct {
        const char *pointer, *text;
        enum probe_unit unit;
        enum probe_verdict verdict;
    } table[] = { { "/ph", "{}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "6.2", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":6.2", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":6.2,\"ph\":6.2}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":06.2}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":\"6.2\"}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":{\"v\":6.2}}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":[6.2]}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":null}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":true}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":1e400}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":1e300}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/ph", "{\"ph\":\"unavailable\"}", UNIT_PH, PROBE_NOTHING },
        { "ph", "{\"ph\":6.2}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "", "{\"ph\":6.2}", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "", "unavailable", UNIT_PH, PROBE_NOTHING },
        { "", "\"6.2\"", UNIT_PH, PROBE_NOT_A_NUMBER }, { "", "", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "", "6,2", UNIT_PH, PROBE_NOT_A_NUMBER }, { "", "0x10", UNIT_PH, PROBE_NOT_A_NUMBER },
        { "/l", "{\"l\":2}", UNIT_BOOL, PROBE_NOT_A_NUMBER },
        { "/l", "{\"l\":\"yes\"}", UNIT_BOOL, PROBE_NOT_A_NUMBER } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        double number;
        const enum probe_verdict verdict =
            probe(table[i].pointer, table[i].unit, table[i].text, &number);
        ck_assert_msg(verdict == table[i].verdict, "%s at '%s'", table[i].text, table[i].pointer);
        ck_assert_double_eq(number, -77.0);
    }
    static char big[PAYLOAD_MAX + 2];
    memset(big, ' ', PAYLOAD_MAX + 1);
    big[0] = '7';
    double number;
    ck_assert_int_eq(probe("", UNIT_PH, big, &number), PROBE_NOT_A_NUMBER);
    big[PAYLOAD_MAX] = '\0';
    ck_assert_int_eq(probe("", UNIT_PH, big, &number), PROBE_OK);
    static char word[300];
    memset(word, '7', sizeof word - 1);
    memcpy(word, "{\"l\":\"", 6);
    memcpy(word + 280, "\"}", 3);
    ck_assert_int_eq(probe("/l", UNIT_PH, word, &number), PROBE_NOT_A_NUMBER);
}
END_TEST

/* --- strings ---------------------------------------------------------------------------------- */

START_TEST(strings_are_escaped_and_always_utf8)
{
    static const struct {
        const char *from, *json;
    } table[] = { { "", "\"\"" }, { "plain", "\"plain\"" }, { "\"\\/", "\"\\\"\\\\/\"" },
        { "\n\x01\x1F\x7F", "\"\\u000a\\u0001\\u001f\x7F\"" }, { "\xC3\xA9", "\"\xC3\xA9\"" },
        { "\xF0\x9F\x8C\xB1", "\"\xF0\x9F\x8C\xB1\"" }, { "a\xFFz", "\"a\\ufffdz\"" },
        { "\xC3", "\"\\ufffd\"" }, { "\xED\xA0\x80", "\"\\ufffd\\ufffd\\ufffd\"" } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        char line[80];
        struct text t = text_over(line, sizeof line);
        payload_add_string(&t, table[i].from);
        ck_assert_str_eq(line, table[i].json);
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("payload_command");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, each_action_asks_for_its_own_members);
    tcase_add_test(tc, a_need_that_cant_be_read_is_never_forgotten);
    tcase_add_test(tc, a_serial_in_capitals_is_none);
    tcase_add_test(tc, a_malformed_command_keeps_nothing_but_a_usable_id);
    tcase_add_test(tc, stop_and_halt_need_only_id_and_action);
    tcase_add_test(tc, a_stop_that_cant_be_read_in_full_stops_more_not_less);
    tcase_add_test(tc, a_place_too_large_for_a_chain_stays_too_large);
    tcase_add_test(tc, a_probe_is_found_in_its_payload);
    tcase_add_test(tc, what_isnt_there_or_isnt_a_number_is_no_reading);
    tcase_add_test(tc, strings_are_escaped_and_always_utf8);
    return run_case(tc, "payload_command");
}
