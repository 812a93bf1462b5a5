#include <string.h>

#include "lib/base/prng.h"
#include "lib/sense/probe.h"
#include "tests/unit/support.h"

static const struct probe_config PLAIN = { .unit = UNIT_PH };
static const struct probe_config LOOSE = { .unit = UNIT_PH,
    .decimal_comma = true,
    .number_in_string = true,
    .nothing_count = 2,
    .nothing_word = { "unavailable", "" } };
static const struct probe_config SWITCH = { .unit = UNIT_BOOL };

static void reads(const struct probe_config *c, const char *text, bool quoted, double expected)
{
    double number = -999.0;
    ck_assert_msg(
        probe_number(&number, c, text, strlen(text), quoted) == PROBE_OK, "%s is no number", text);
    ck_assert_double_eq(number, expected);
}

static void refuses(
    const struct probe_config *c, const char *text, bool quoted, enum probe_verdict why)
{
    double number = -999.0;
    const enum probe_verdict verdict = probe_number(&number, c, text, strlen(text), quoted);
    ck_assert_msg(verdict == why, "'%s': %s", text, probe_verdict_word(verdict));
    ck_assert_double_eq(number, -999.0);
}

START_TEST(numbers_follow_the_grammar_of_json_in_full)
{
    reads(&PLAIN, "6.2", false, 6.2);
    reads(&PLAIN, "-0.5", false, -0.5);
    reads(&PLAIN, "0", false, 0.0);
    reads(&PLAIN, "62e-1", false, 6.2);
    reads(&PLAIN, "6.2E+0", false, 6.2);
    reads(&PLAIN, "1800", false, 1800.0);
    reads(&PLAIN, " 6.2\r\n", false, 6.2); /* a JSON text may have blanks around its value */
}
END_TEST

START_TEST(what_is_not_in_that_grammar_is_no_number)
{
    static const char *const bad[] = { "", " ", "6,2", "0x10", "6.2 pH", "1e400", "-1e400", "nan",
        "NaN", "inf", "Infinity", "-", "+6.2", ".5", "6.", "06.2", "6.2.1", "1e", "6 2", "--6",
        "null", "true", "\"6.2\"", "6.2\n7", "\xd9\xa6", "{}", "1_0" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        refuses(&PLAIN, bad[i], false, PROBE_NOT_A_NUMBER);
    }
    double number;
    ck_assert_int_eq(probe_number(&number, &PLAIN, "6\0002", 3, false), PROBE_NOT_A_NUMBER);
}
END_TEST

START_TEST(a_number_in_a_string_counts_only_where_allowed)
{
    refuses(&PLAIN, "6.2", true, PROBE_NOT_A_NUMBER);
    reads(&LOOSE, "6.2", true, 6.2);
    refuses(&LOOSE, " 6.2", true, PROBE_NOT_A_NUMBER); /* a string is taken to the letter */
}
END_TEST

START_TEST(a_decimal_comma_counts_only_where_allowed_and_once)
{
    reads(&LOOSE, "6,2", false, 6.2);
    reads(&LOOSE, "-6,25", false, -6.25);
    reads(&LOOSE, "6.2", false, 6.2);
    refuses(&LOOSE, "1,800.5", false, PROBE_NOT_A_NUMBER);
    refuses(&LOOSE, "1,800,5", false, PROBE_NOT_A_NUMBER);
    refuses(&LOOSE, "6,", false, PROBE_NOT_A_NUMBER);
    refuses(&LOOSE, ",5", false, PROBE_NOT_A_NUMBER);
    reads(&LOOSE, "\r6,2\t\r\n", false, 6.2);
    struct probe_config strict = LOOSE;
    strict.number_in_string = false;
    refuses(&strict, "6,2", true, PROBE_NOT_A_NUMBER);
    char text[80];
    memset(text, '0', sizeof text);
    text[0] = '1';
    double number;
    ck_assert_int_eq(probe_number(&number, &LOOSE, text, 80, false), PROBE_NOT_A_NUMBER);
}
END_TEST

START_TEST(words_for_nothing_are_nothing)
{
    refuses(&LOOSE, "unavailable", false, PROBE_NOTHING);
    refuses(&LOOSE, "unavailable", true, PROBE_NOTHING);
    refuses(&LOOSE, "", false, PROBE_NOTHING);
    refuses(&LOOSE, "Unavailable", false, PROBE_NOT_A_NUMBER);
    refuses(&LOOSE, "unavailable!", false, PROBE_NOT_A_NUMBER);
    refuses(&PLAIN, "unavailable", false, PROBE_NOT_A_NUMBER);
    double number;
    ck_assert_int_eq(probe_number(&number, &LOOSE, "\0", 1, true), PROBE_NOT_A_NUMBER);
}
END_TEST

START_TEST(a_switch_is_six_words_in_any_case)
{
    static const char *const on[] = { "true", "on", "1", "TRUE", "On", "oN" };
    static const char *const off[] = { "false", "off", "0", "False", "OFF" };
    for (size_t i = 0; i < sizeof on / sizeof on[0]; i++) {
        reads(&SWITCH, on[i], false, 1.0);
    }
    for (size_t i = 0; i < sizeof off / sizeof off[0]; i++) {
        reads(&SWITCH, off[i], false, 0.0);
    }
    static const char *const bad[] = { "yes", "no", "2", "1.0", "", "tru", "truee", "wet", "0n" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        refuses(&SWITCH, bad[i], false, PROBE_NOT_A_NUMBER);
    }
    reads(&SWITCH, "on", true, 1.0); /* JSON has no bare "on" */
    refuses(&SWITCH, "1", true, PROBE_NOT_A_NUMBER);
}
END_TEST

START_TEST(any_bytes_get_an_answer_and_no_number_is_not_finite) /* _i is the seed */
{
    static const char likely[] = "0123456789.,-+eE \n\"truefalsoniaN\xff";
    struct prng prng = prng_seed((uint64_t)_i);
    const struct probe_config *const configs[] = { &PLAIN, &LOOSE, &SWITCH };
    for (int n = 0; n < 20000; n++) {
        char text[70];
        const size_t length = (size_t)prng_below(&prng, n % 2 ? 8 : 70);
        for (size_t i = 0; i < length; i++) {
            text[i] = likely[prng_below(&prng, sizeof likely)];
        }
        double number = 0.0;
        if (probe_number(&number, configs[n % 3], text, length, prng_below(&prng, 2) == 0) ==
            PROBE_OK)
            ck_assert(number >= -1e15 && number <= 1e15);
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("number");
    tcase_add_test(tc, numbers_follow_the_grammar_of_json_in_full);
    tcase_add_test(tc, what_is_not_in_that_grammar_is_no_number);
    tcase_add_test(tc, a_number_in_a_string_counts_only_where_allowed);
    tcase_add_test(tc, a_decimal_comma_counts_only_where_allowed_and_once);
    tcase_add_test(tc, words_for_nothing_are_nothing);
    tcase_add_test(tc, a_switch_is_six_words_in_any_case);
    tcase_add_loop_test(tc, any_bytes_get_an_answer_and_no_number_is_not_finite, 0, 10);
    return run_case(tc, "number");
}
