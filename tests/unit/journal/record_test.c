#include "lib/journal/record.h"

#include <math.h>
#include <string.h>

#include "tests/unit/support.h"

static struct record r;

START_TEST(what_is_added_is_read_back_by_its_kind)
{
    int64_t number = -1;
    double real = -1;
    bool truth = false;
    const char *text = NULL;
    record_start(&r, "dose");
    record_add_int(&r, "ul", 3500);
    record_add_real(&r, "ec", 1.85, 3);
    record_add_text(&r, "tank", "lettuce-wall");
    record_add_truth(&r, "unsure", true);
    ck_assert(record_is(&r, "dose") && !record_is(&r, "dos") && !record_is(&r, "doses"));
    ck_assert(record_int(&r, "ul", &number) && number == 3500);
    ck_assert(record_real(&r, "ul", &real) && real == 3500.0);
    ck_assert(record_real(&r, "ec", &real) && real == 1.85);
    ck_assert(record_text(&r, "tank", &text) && strcmp(text, "lettuce-wall") == 0);
    ck_assert(record_truth(&r, "unsure", &truth) && truth);
    ck_assert_str_eq(record_text_or_empty(&r, "tank"), "lettuce-wall");
    ck_assert(!r.cut);
}
END_TEST

START_TEST(a_field_that_is_missing_or_of_another_kind_leaves_the_result_alone)
{
    int64_t number = 77;
    double real = 7.5;
    bool truth = true;
    const char *text = "mine";
    record_start(&r, "dose");
    record_add_real(&r, "ec", 1.5, 1);
    record_add_text(&r, "tank", "a");
    ck_assert(!record_int(&r, "nothing", &number) && !record_int(&r, "ec", &number));
    ck_assert(!record_real(&r, "tank", &real) && !record_real(&r, "nothing", &real));
    ck_assert(!record_truth(&r, "tank", &truth) && !record_text(&r, "ec", &text));
    ck_assert(number == 77 && real == 7.5 && truth && strcmp(text, "mine") == 0);
    ck_assert_str_eq(record_text_or_empty(&r, "ec"), "");
}
END_TEST

START_TEST(reals_are_rounded_and_lose_their_trailing_zeros)
{
    static const struct {
        double value;
        unsigned decimals;
        enum field_kind kind;
        int64_t number;
        unsigned kept;
    } rows[] = {
        { 5.80, 2, FIELD_DECIMAL, 58, 1 },
        { 5.0, 3, FIELD_INTEGER, 5, 0 },
        { -0.0, 3, FIELD_INTEGER, 0, 0 },
        { -0.0004, 3, FIELD_INTEGER, 0, 0 },
        { -0.0005, 3, FIELD_DECIMAL, -1, 3 },
        { 0.000001, 6, FIELD_DECIMAL, 1, 6 },
        { 1234.5678, 0, FIELD_INTEGER, 1235, 0 },
        { 20.05, 2, FIELD_DECIMAL, 2005, 2 },
        { 123456789.123456, 6, FIELD_DECIMAL, 123456789123456, 6 },
        { 1234567890.123456, 6, FIELD_DECIMAL, 123456789012346, 5 }, /* fifteen digits, not 16 */
        { 999999999999999.0, 6, FIELD_INTEGER, 999999999999999, 0 },
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        record_start(&r, "x");
        record_add_real(&r, "v", rows[i].value, rows[i].decimals);
        ck_assert_int_eq(r.count, 2);
        ck_assert_int_eq(r.field[1].kind, rows[i].kind);
        ck_assert_int_eq(r.field[1].number, rows[i].number);
        ck_assert_int_eq(r.field[1].decimals, rows[i].kept);
    }
}
END_TEST

START_TEST(what_is_no_number_is_left_out)
{
    static const double no[] = { NAN, INFINITY, -INFINITY, 1e15, -1e15, 1e300 };
    record_start(&r, "x");
    for (size_t i = 0; i < sizeof no / sizeof *no; i++) {
        record_add_real(&r, "v", no[i], (unsigned)i);
    }
    ck_assert_int_eq(r.count, 1);
    ck_assert(!r.cut);
}
END_TEST

START_TEST(integers_beyond_two_to_the_53rd_cut_the_record)
{
    record_start(&r, "x");
    record_add_int(&r, "most", INT64_C(9007199254740991));
    record_add_int(&r, "least", -INT64_C(9007199254740991));
    ck_assert(!r.cut);
    ck_assert_int_eq(r.count, 3);
    record_add_int(&r, "over", INT64_C(9007199254740992));
    ck_assert(r.cut);
    record_start(&r, "x");
    record_add_int(&r, "under", INT64_MIN);
    ck_assert(r.cut);
}
END_TEST

START_TEST(text_is_cut_at_512_bytes_between_characters)
{
    char text[1100];
    memset(text, 'a', sizeof text);
    text[600] = '\0';
    record_start(&r, "x");
    record_add_text(&r, "t", text);
    ck_assert_uint_eq(strlen(record_text_or_empty(&r, "t")), 512);
    ck_assert(!r.cut);
    memcpy(text + 510, "\xe2\x82\xac", 3); /* a euro sign over bytes 510 to 512 */
    record_start(&r, "x");
    record_add_text(&r, "t", text);
    ck_assert_uint_eq(strlen(record_text_or_empty(&r, "t")), 510);
    memcpy(text + 509, "\xe2\x82\xac", 3);
    record_start(&r, "x");
    record_add_text(&r, "t", text);
    ck_assert_uint_eq(strlen(record_text_or_empty(&r, "t")), 512);
}
END_TEST

START_TEST(a_full_pool_cuts_the_record_and_never_overflows)
{
    char text[513];
    memset(text, 'a', sizeof text);
    for (size_t left = 0; left < 8; left++) {
        record_start(&r, "x"); /* 2 bytes of the pool */
        text[512] = '\0';
        record_add_text(&r, "a", text); /* 513 */
        text[512] = 'a';
        const size_t fill = RECORD_POOL_MAX - 2 - 513 - left - 1;
        char more[RECORD_POOL_MAX];
        memcpy(more, text, fill);
        more[fill] = '\0';
        ck_assert_uint_le(fill, 512);
        record_add_text(&r, "b", more);
        ck_assert(!r.cut);
        ck_assert_uint_eq(r.pool_used, RECORD_POOL_MAX - left);
        record_add_text(&r, "c", "abc");
        ck_assert_int_eq(r.cut, left < 4);
        record_add_text(&r, "d", "");
        ck_assert_int_eq(r.cut, left < 5);
        ck_assert_uint_le(r.pool_used, RECORD_POOL_MAX);
    }
}
END_TEST

START_TEST(one_field_too_many_cuts_the_record)
{
    char key[8] = "k00";
    record_start(&r, "x");
    for (int i = 1; i < RECORD_FIELDS_MAX; i++) {
        key[1] = (char)('a' + i / 10);
        key[2] = (char)('0' + i % 10);
        record_add_truth(&r, key, true);
    }
    ck_assert(!r.cut && r.count == RECORD_FIELDS_MAX);
    record_add_int(&r, "more", 1);
    ck_assert(r.cut && r.count == RECORD_FIELDS_MAX);
    record_start(&r, "y");
    ck_assert(!r.cut && r.count == 1);
}
END_TEST

START_TEST(bytes_that_are_not_utf8_become_question_marks)
{
    static const struct {
        const char *in, *out;
    } rows[] = {
        { "a\xc3\xa4z", "a\xc3\xa4z" },             /* two bytes */
        { "\xe2\x82\xac", "\xe2\x82\xac" },         /* three */
        { "\xf0\x9f\x98\x80", "\xf0\x9f\x98\x80" }, /* four */
        { "\xef\xbf\xbf\xf4\x8f\xbf\xbf", "\xef\xbf\xbf\xf4\x8f\xbf\xbf" },
        { "a\x80z", "a?z" },  /* a lone continuation */
        { "\xc0\xaf", "??" }, /* overlong */
        { "\xc1\xbf", "??" },
        { "\xe0\x9f\xbf", "???" },
        { "\xed\xa0\x80", "???" }, /* a surrogate */
        { "\xf0\x8f\xbf\xbf", "????" },
        { "\xf4\x90\x80\x80", "????" }, /* beyond U+10FFFF */
        { "\xf5\x80\x80\x80", "????" },
        { "\xff", "?" },
        { "\xe2\x82", "??" }, /* ends too early */
        { "\xe2\x82x", "??x" },
        { "\xf0\x9f\x98", "???" },
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        record_start(&r, "x");
        record_add_text(&r, "t", rows[i].in);
        ck_assert_str_eq(record_text_or_empty(&r, "t"), rows[i].out);
    }
}
END_TEST

START_TEST(a_key_is_added_once)
{
    record_start(&r, "x");
    record_add_int(&r, "a", 1);
    record_add_int(&r, "a", 2);
}
END_TEST

START_TEST(a_key_has_at_most_23_characters)
{
    record_start(&r, "x");
    record_add_int(&r, "a23456789012345678901234", 1);
}
END_TEST

START_TEST(a_key_has_no_blank)
{
    record_start(&r, "x");
    record_add_int(&r, "a b", 1);
}
END_TEST

START_TEST(a_key_is_of_plain_characters)
{
    static const char *const keys[] = { "", "a\"", "a\\", "a\x7f", "a\x1f" };
    record_start(&r, "x");
    record_add_truth(&r, keys[_i], true);
}
END_TEST

START_TEST(no_kind_of_field_goes_beyond_the_last)
{
    record_start(&r, "x");
    while (r.count < RECORD_FIELDS_MAX) {
        const char key[] = { 'k', (char)('A' + r.count % 26), (char)('A' + r.count / 26), '\0' };
        record_add_truth(&r, key, r.count % 2 == 0);
    }
    ck_assert(!r.cut);
    for (int i = 0; i < 4; i++) {
        r.cut = false;
        if (i == 0) record_add_int(&r, "z", 1);
        if (i == 1) record_add_real(&r, "z", 1.5, 1);
        if (i == 2) record_add_text(&r, "z", "1");
        if (i == 3) record_add_truth(&r, "z", true);
        ck_assert(r.cut);
        ck_assert_uint_eq(r.count, RECORD_FIELDS_MAX);
    }
}
END_TEST

START_TEST(large_reals_keep_fewer_places_on_both_sides)
{
    double value = 0.0;
    record_start(&r, "x");
    record_add_real(&r, "a", 123456789012345.5, 3);
    record_add_real(&r, "b", -123456789012345.5, 3);
    ck_assert(record_real(&r, "a", &value) && value == 123456789012346.0);
    ck_assert(record_real(&r, "b", &value) && value == -123456789012346.0);
}
END_TEST

START_TEST(a_record_without_a_kind_is_of_none)
{
    memset(&r, 0, sizeof r);
    ck_assert(!record_is(&r, ""));
    record_add_int(&r, "kind", 1);
    ck_assert(!record_is(&r, "1"));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("record");
    tcase_add_test(t, what_is_added_is_read_back_by_its_kind);
    tcase_add_test(t, a_field_that_is_missing_or_of_another_kind_leaves_the_result_alone);
    tcase_add_test(t, reals_are_rounded_and_lose_their_trailing_zeros);
    tcase_add_test(t, what_is_no_number_is_left_out);
    tcase_add_test(t, integers_beyond_two_to_the_53rd_cut_the_record);
    tcase_add_test(t, text_is_cut_at_512_bytes_between_characters);
    tcase_add_test(t, a_full_pool_cuts_the_record_and_never_overflows);
    tcase_add_test(t, one_field_too_many_cuts_the_record);
    tcase_add_test(t, bytes_that_are_not_utf8_become_question_marks);
    tcase_add_test_raise_signal(t, a_key_is_added_once, 6);
    tcase_add_test_raise_signal(t, a_key_has_at_most_23_characters, 6);
    tcase_add_test_raise_signal(t, a_key_has_no_blank, 6);
    tcase_add_loop_test_raise_signal(t, a_key_is_of_plain_characters, 6, 0, 5);
    tcase_add_test(t, no_kind_of_field_goes_beyond_the_last);
    tcase_add_test(t, large_reals_keep_fewer_places_on_both_sides);
    tcase_add_test(t, a_record_without_a_kind_is_of_none);
    return run_case(t, "record");
}
