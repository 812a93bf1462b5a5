#include "lib/base/text.h"

#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

static char line[400];

static struct text fresh(void)
{
    return text_over(line, sizeof line);
}

START_TEST(what_fits_is_written_and_ends_in_nul)
{
    struct text t = fresh();
    text_add(&t, "pH ");
    text_add_char(&t, '5');
    text_add_bytes(&t, ".80 and more", 3);
    ck_assert_str_eq(line, "pH 5.80");
    ck_assert_uint_eq(t.length, 7);
    ck_assert(!t.cut);
}
END_TEST

START_TEST(what_does_not_fit_is_cut_and_remembered)
{
    char small[6];
    memset(small, 'x', sizeof small);
    struct text t = text_over(small, 5);
    text_add(&t, "1234");
    ck_assert(!t.cut);
    text_add(&t, "");
    ck_assert(!t.cut);
    text_add(&t, "5");
    ck_assert(t.cut);
    ck_assert_str_eq(small, "1234");
    ck_assert_int_eq(small[5], 'x');
    text_add(&t, "");
    ck_assert(t.cut); /* sticky */
}
END_TEST

START_TEST(a_buffer_of_one_byte_holds_nothing)
{
    char one[1];
    struct text t = text_over(one, 1);
    text_add_int(&t, 7);
    ck_assert_str_eq(one, "");
    ck_assert(t.cut);
}
END_TEST

START_TEST(no_buffer_is_a_bug)
{
    text_over(line, 0);
}
END_TEST

static void writes_int(int64_t value, const char *expected)
{
    struct text t = fresh();
    text_add_int(&t, value);
    ck_assert_str_eq(line, expected);
}

START_TEST(integers_are_written_in_full)
{
    writes_int(0, "0");
    writes_int(-1, "-1");
    writes_int(10, "10");
    writes_int(INT64_MAX, "9223372036854775807");
    writes_int(INT64_MIN, "-9223372036854775808");
}
END_TEST

static void writes_scaled(int64_t scaled, unsigned decimals, const char *expected)
{
    struct text t = fresh();
    text_add_scaled(&t, scaled, decimals);
    ck_assert_str_eq(line, expected);
}

START_TEST(scaled_numbers_keep_all_their_places)
{
    writes_scaled(580, 2, "5.80");
    writes_scaled(5, 2, "0.05");
    writes_scaled(0, 3, "0.000");
    writes_scaled(-5, 1, "-0.5");
    writes_scaled(-5, 9, "-0.000000005");
    writes_scaled(1000000000, 9, "1.000000000");
    writes_scaled(INT64_MIN, 9, "-9223372036.854775808");
}
END_TEST

static void writes_real(double value, unsigned decimals, const char *expected)
{
    struct text t = fresh();
    text_add_real(&t, value, decimals);
    ck_assert_str_eq(line, expected);
}

START_TEST(reals_are_rounded_to_their_places)
{
    writes_real(6.2, 2, "6.20");
    writes_real(-0.004, 2, "0.00");
    writes_real(0.995, 0, "1");
    writes_real(1234.5678, 3, "1234.568");
    writes_real((double)NAN, 2, "?");
    writes_real((double)INFINITY, 2, "?");
    writes_real(9e9, 2, "?");
    writes_real(-8.9e9, 9, "-8900000000.000000000");
}
END_TEST

START_TEST(reals_agree_with_the_c_library) /* away from halves; _i is the seed */
{
    struct prng prng = prng_seed((uint64_t)_i);
    for (int n = 0; n < 3000; n++) {
        const unsigned decimals = (unsigned)prng_below(&prng, 6);
        const double value = ((double)prng_below(&prng, 2000000) - 1e6) / 1000.0 + 0.0001234567;
        char expected[64];
        snprintf(expected, sizeof expected, "%.*f", (int)decimals, value);
        if (expected[0] == '-' && strspn(expected, "-0.") == strlen(expected)) continue;
        writes_real(value, decimals, expected);
    }
}
END_TEST

START_TEST(bytes_become_hex)
{
    static const uint8_t bytes[] = { 0x00, 0x0f, 0xa5, 0xff };
    struct text t = fresh();
    text_add_hex(&t, bytes, sizeof bytes);
    ck_assert_str_eq(line, "000fa5ff");
}
END_TEST

START_TEST(foreign_text_is_made_safe_to_show)
{
    struct text t = fresh();
    text_add_quoted(&t, "a\"b\\c\n\x7f\xff\0z", 10, 100);
    ck_assert_str_eq(line, "\"a\\x22b\\x5cc\\x0a\\x7f\\xff\\x00z\"");
    t = fresh();
    text_add_quoted(&t, "abcdef", 6, 3);
    ck_assert_str_eq(line, "\"abc...\"");
    t = fresh();
    text_add_quoted(&t, "abc", 3, 3);
    ck_assert_str_eq(line, "\"abc\"");
}
END_TEST

static void writes_span(int64_t ms, const char *expected)
{
    struct text t = fresh();
    text_add_span(&t, ms);
    ck_assert_str_eq(line, expected);
}

START_TEST(spans_are_for_people)
{
    writes_span(0, "0 s");
    writes_span(-5000, "0 s");
    writes_span(499, "0 s");
    writes_span(500, "1 s");
    writes_span(70 * SECOND_MS, "70 s");
    writes_span(119 * SECOND_MS, "119 s");
    writes_span(120 * SECOND_MS, "2 min");
    writes_span(45 * MINUTE_MS, "45 min");
    writes_span(2 * HOUR_MS, "2 h");
    writes_span(2 * HOUR_MS + 5 * MINUTE_MS, "2 h 5 min");
    writes_span(3 * DAY_MS + 4 * HOUR_MS, "3 d 4 h");
    writes_span(INT64_MAX, "106751991167 d 7 h");
}
END_TEST

START_TEST(instants_are_rfc_3339)
{
    struct text t = fresh();
    text_add_civil(&t, (struct civil){ INT64_C(1932786367089) });
    ck_assert_str_eq(line, "2031-04-01T05:06:07.089Z");
    t = fresh();
    text_add_civil(&t, (struct civil){ -1 });
    ck_assert_str_eq(line, "?");
}
END_TEST

START_TEST(copies_are_cut_to_fit)
{
    char small[4];
    ck_assert(text_copy(small, sizeof small, "abc"));
    ck_assert(!text_copy(small, sizeof small, "abcd"));
    ck_assert_str_eq(small, "abc");
    ck_assert(text_same("a", "a"));
    ck_assert(!text_same("a", "ab"));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("text");
    tcase_add_test(tc, what_fits_is_written_and_ends_in_nul);
    tcase_add_test(tc, what_does_not_fit_is_cut_and_remembered);
    tcase_add_test(tc, a_buffer_of_one_byte_holds_nothing);
    tcase_add_test_raise_signal(tc, no_buffer_is_a_bug, SIGABRT);
    tcase_add_test(tc, integers_are_written_in_full);
    tcase_add_test(tc, scaled_numbers_keep_all_their_places);
    tcase_add_test(tc, reals_are_rounded_to_their_places);
    tcase_add_loop_test(tc, reals_agree_with_the_c_library, 0, 5);
    tcase_add_test(tc, bytes_become_hex);
    tcase_add_test(tc, foreign_text_is_made_safe_to_show);
    tcase_add_test(tc, spans_are_for_people);
    tcase_add_test(tc, instants_are_rfc_3339);
    tcase_add_test(tc, copies_are_cut_to_fit);
    return run_case(tc, "text");
}
