/* The guard in front of every JSON reader, and the views behind it. */
#include <cjson/cJSON.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/payload/json_guard.h"
#include "lib/base/prng.h"
#include "tests/unit/support.h"

static bool passes_bytes(const char *bytes, size_t length)
{
    /* a block of exactly that size: the address sanitizer sees one byte too many */
    char *copy = malloc(length ? length : 1);
    struct json_view v;
    struct problem problem;
    if (length > 0) memcpy(copy, bytes, length);
    const bool passes = json_guard(&v, copy, length, &problem) == ERR_NONE;
    if (!passes) ck_assert_uint_gt(strlen(problem.text), 0);
    free(copy);
    return passes;
}

static bool passes(const char *text)
{
    return passes_bytes(text, strlen(text));
}

static struct json_view view(const char *text)
{
    struct json_view v;
    ck_assert_msg(json_guard(&v, text, strlen(text), NULL) == ERR_NONE, "%s", text);
    return v;
}

START_TEST(json_by_the_book_passes)
{
    static const char *const good[] = { "{}", "[]", " \t\r\n{ } ", "0", "-0", "6.2", "-1e-3",
        "1E+2", "123456789012345678901234567890", "true", "false", "null", "\"\"", "\"a\"",
        "\"\\\"\\\\\\/\\b\\f\\n\\r\\t\\u00e9\"", "\"\\ud83c\\udf31\"", "\"\xC3\xA9\"",
        "\"\xE2\x82\xAC\"", "\"\xF0\x9F\x8C\xB1\"", "\"\x7F\"",
        "{\"a\":1,\"b\":[1,2,{\"c\":null}]}", "[[],{},[[]],0]", "{\"a\" : 1 , \"b\" : 2}",
        "[1 , 2]", "{\"a\":{\"a\":1},\"b\":{\"a\":1}}", "{\"\":0}", "{\"a\":1,\"A\":2}",
        "[0.0,0e999,1e307,9.9e-999,0.00001e312]", "[[[[[[[[0]]]]]]]]",
        "{\"a\":[{\"b\":[{\"c\":[{\"d\":[1]}]}]}]}" };
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        ck_assert_msg(passes(good[i]), "refused: %s", good[i]);
    }
}
END_TEST

START_TEST(everything_else_is_refused)
{
    static const char *const bad[] = { "", " ", "{", "}", "[", "]", "{]", "[}", "[1", "[1,", "[1,]",
        "[,1]", "[1 2]", "{,}", "{\"a\"}", "{\"a\":}", "{\"a\":1,}", "{\"a\":1 \"b\":2}", "{a:1}",
        "{1:2}", "{'a':1}", "{\"a\" 1}", "{\"a\"::1}", "{}{}", "{} x", "[] []", "1 2", "007", "01",
        "-01", "-", "+1", ".5", "5.", "-.5", "1.e2", "1e", "1e+", "1e-", "0x10", "1_0", "Infinity",
        "-Infinity", "NaN", "nan", "1e308", "-1e308", "1e999", "1e99999999999999999999", "0.1e310",
        "10e307", "1e400", "tru", "truee", "True", "TRUE", "nul", "nulll", "undefined", "\"", "\"a",
        "\"\\", "\"\\\"", "\"\\x41\"", "\"\\u12\"", "\"\\u12g4\"", "\"\\u0000\"", "\"a\\u0000b\"",
        "\"\\ud800\"", "\"\\udc00\"", "\"\\ud800x\"", "\"\\ud800\\n\"", "\"\\ud800\\ud800\"",
        "\"\n\"", "\"\t\"", "\"\x01\"", "\"\x1F\"", "\"\xFF\"", "\"\xC0\x80\"", "\"\xC1\xBF\"",
        "\"\xE0\x80\x80\"", "\"\xED\xA0\x80\"", "\"\xF0\x80\x80\x80\"", "\"\xF4\x90\x80\x80\"",
        "\"\xF5\x80\x80\x80\"", "\"\xE2\x82\"", "\"\xC3\"", "\"\xC3(\"", "\"\x80\"",
        "\xEF\xBB\xBF{}", "{}\xEF\xBB\xBF", "// x\n{}", "{}//", "/* */{}", "{\"a\":1}\x0C",
        "\x0B{}", "[[[[[[[[[0]]]]]]]]]", "[[[[[[[[{}]]]]]]]]",
        "{\"a\":{\"a\":{\"a\":{\"a\":{\"a\":{\"a\":{\"a\":{\"a\":{}}}}}}}}}", "{\"a\":1,\"a\":1}",
        "{\"a\":1,\"b\":2,\"a\":3}", "{\"a\":1,\"\\u0061\":2}", "{\"\\/\":1,\"/\":2}",
        "[{\"a\":1},{\"b\":1,\"b\":1}]", "{\"x\":{\"y\":[{\"a\":1,\"a\":2}]}}",
        "{\"\\ud83c\\udf31\":1,\"\xF0\x9F\x8C\xB1\":2}", "{\"\":0,\"\":1}" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        ck_assert_msg(!passes(bad[i]), "let pass: %s", bad[i]);
    }
    ck_assert(!passes_bytes("{}\0", 3));
    ck_assert(!passes_bytes("\0{}", 3));
    ck_assert(!passes_bytes("{\"a\":\"x\0y\"}", 11));
    ck_assert(!passes_bytes("[1,\0 2]", 7));
    ck_assert(!passes_bytes(NULL, 0));
}
END_TEST

START_TEST(the_problem_names_the_byte)
{
    struct json_view v;
    struct problem problem;
    ck_assert_int_eq(json_guard(&v, "{\"a\":007}", 9, &problem), ERR_SYNTAX);
    ck_assert_ptr_nonnull(strstr(problem.text, "number"));
    ck_assert_int_eq(json_guard(&v, "{\"ab\":1,\"ab\":2}", 15, &problem), ERR_SYNTAX);
    ck_assert_str_eq(problem.text, "byte 9 of the JSON: a member that is there twice");
    ck_assert_int_eq(json_guard(&v, "[1,,2]", 6, &problem), ERR_SYNTAX);
    ck_assert_str_eq(problem.text, "byte 4 of the JSON: no value where one should be");
}
END_TEST

START_TEST(four_kilobytes_are_read_and_one_byte_more_is_not)
{
    static char text[JSON_LENGTH_MAX + 2];
    struct json_view v;
    memset(text, ' ', sizeof text);
    text[0] = '{';
    text[JSON_LENGTH_MAX - 1] = '}';
    ck_assert_int_eq(json_guard(&v, text, JSON_LENGTH_MAX, NULL), ERR_NONE);
    text[JSON_LENGTH_MAX - 1] = ' ';
    text[JSON_LENGTH_MAX] = '}';
    ck_assert_int_eq(json_guard(&v, text, JSON_LENGTH_MAX + 1, NULL), ERR_FULL);
}
END_TEST

START_TEST(as_many_members_as_fit_are_compared)
{
    static const char letters[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ";
    static char text[JSON_LENGTH_MAX];
    size_t n = 0;
    text[n++] = '{';
    for (int i = 0; n + 9 < sizeof text; i++) { /* "ab":0, with all names different */
        n += (size_t)snprintf(
            text + n, sizeof text - n, "\"%c%c\":0,", letters[i / 52 % 52], letters[i % 52]);
    }
    text[n - 1] = '}';
    ck_assert(passes_bytes(text, n));
    memcpy(text + n - 6, "\"aa", 3); /* the last name is now the first one's */
    ck_assert(!passes_bytes(text, n));

    n = 0; /* the shortest members there are, all with one name: no room to overrun */
    text[n++] = '{';
    while (n + 5 <= sizeof text) {
        n += (size_t)snprintf(text + n, sizeof text - n, "\"\":0,");
        if (n >= sizeof text) break;
    }
    n = sizeof text - sizeof text % 5 - 4;
    text[n - 1] = '}';
    ck_assert(!passes_bytes(text, n));
}
END_TEST

START_TEST(counts_keep_every_digit)
{
    int64_t count = -1;
    ck_assert(json_count(view("0"), &count));
    ck_assert_int_eq(count, 0);
    ck_assert(json_count(view(" 9007199254740991 "), &count));
    ck_assert_int_eq(count, INT64_C(9007199254740991));
    static const char *const bad[] = { "9007199254740992", "9007199254740993",
        "18446744073709551616", "99999999999999999999", "-1", "-0", "1.0", "1e0", "1E3", "0.0",
        "true", "null", "\"1\"", "[1]", "{}" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        count = 77;
        ck_assert_msg(!json_count(view(bad[i]), &count), "%s", bad[i]);
        ck_assert_int_eq(count, 77);
    }
}
END_TEST

START_TEST(strings_are_unescaped_and_bounded)
{
    char to[16];
    ck_assert(json_string(view("\"a\\\"\\\\\\/\\b\\f\\n\\r\\t\""), to, sizeof to));
    ck_assert_str_eq(to, "a\"\\/\b\f\n\r\t");
    ck_assert(json_string(view("\"\\u00e9\\u20AC\\ud83c\\udf31!\""), to, sizeof to));
    ck_assert_str_eq(to, "\xC3\xA9\xE2\x82\xAC\xF0\x9F\x8C\xB1!");
    ck_assert(json_string(view("\"123456789012345\""), to, sizeof to));
    ck_assert_uint_eq(strlen(to), 15);
    ck_assert(!json_string(view("\"1234567890123456\""), to, sizeof to));
    ck_assert_str_eq(to, "");
    ck_assert(!json_string(view("12"), to, sizeof to));
    ck_assert(json_is(view("\"\\u0061b\""), "ab", 2));
    ck_assert(!json_is(view("\"ab\""), "a", 1));
    ck_assert(!json_is(view("\"ab\""), "abc", 3));
    ck_assert(!json_is(view("12"), "12", 2));
}
END_TEST

START_TEST(members_are_found_by_their_whole_name_on_their_own_level)
{
    const struct json_view object =
        view("{\"a\":{\"b\":1},\"x\":\"b\",\"bb\":[\"}\",\"]\",{\"b\":2}], \"b\" : 3 ,\"c\":4}");
    struct json_view v;
    int64_t count;
    ck_assert(json_member(object, "b", &v) && json_count(v, &count));
    ck_assert_int_eq(count, 3);
    ck_assert(json_member(object, "bb", &v));
    ck_assert_int_eq(json_kind(v), JSON_ARRAY);
    ck_assert(!json_member(object, "B", &v));
    ck_assert(!json_member(object, "", &v));
    ck_assert(!json_member(view("[\"b\",1]"), "b", &v));
}
END_TEST

/* RFC 6901, section 5: the document and the pointers of its table. */
START_TEST(pointers_find_what_rfc_6901_says)
{
    const struct json_view root = view(
        "{\"foo\":[\"bar\",\"baz\"],\"\":0,\"a/b\":1,\"c%d\":2,\"e^f\":3,\"g|h\":4,\"i\\\\j\":5,"
        "\"k\\\"l\":6,\" \":7,\"m~n\":8}");
    static const struct {
        const char *pointer, *value;
    } table[] = { { "/foo", "[\"bar\",\"baz\"]" }, { "/foo/0", "\"bar\"" }, { "/foo/1", "\"baz\"" },
        { "/", "0" }, { "/a~1b", "1" }, { "/c%d", "2" }, { "/e^f", "3" }, { "/g|h", "4" },
        { "/i\\j", "5" }, { "/k\"l", "6" }, { "/ ", "7" }, { "/m~0n", "8" } };
    struct json_view v;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_msg(json_point(root, table[i].pointer, &v), "%s", table[i].pointer);
        ck_assert_uint_eq(v.length, strlen(table[i].value));
        ck_assert_int_eq(memcmp(v.at, table[i].value, v.length), 0);
    }
    ck_assert(json_point(root, "", &v));
    ck_assert_ptr_eq(v.at, root.at);
    ck_assert_uint_eq(v.length, root.length);
}
END_TEST

START_TEST(pointers_that_lead_nowhere_find_nothing)
{
    const struct json_view root =
        view("{\"a\":[10,{\"b\":{\"~01\":7,\"\":8}},[20]],\"n\":5,\"0\":9}");
    static const char *const none[] = { "a", "/b", "/a/3", "/a/-", "/a/-1", "/a/01", "/a/+1",
        "/a/1.0", "/a/ 1", "/a/", "/a/99999999999999999999", "/a/b", "/n/0", "/n/", "/a/0/0", "//",
        "/~", "/~2", "/a~", "/a/1/b/~01", "/a//1", "/A" };
    struct json_view v;
    for (size_t i = 0; i < sizeof none / sizeof none[0]; i++) {
        ck_assert_msg(!json_point(root, none[i], &v), "%s", none[i]);
    }
    ck_assert(json_point(root, "/a/1/b/~001", &v) && v.at[0] == '7');
    ck_assert(json_point(root, "/a/1/b/", &v) && v.at[0] == '8');
    ck_assert(json_point(root, "/a/2/0", &v) && memcmp(v.at, "20", 2) == 0);
    ck_assert(json_point(root, "/0", &v) && v.at[0] == '9');
    static char longest[400];
    memset(longest, 'x', sizeof longest - 1);
    longest[0] = '/';
    ck_assert(!json_point(root, longest, &v));
}
END_TEST

/* A parser that others wrote is laxer; nothing that it refuses may pass here. */
START_TEST(what_passes_is_json_for_another_parser_too)
{
    static const char *const seeds[] = { "{\"a\":[1,-2.5e3,\"x\\u00e9\\n\"],\"b\":{\"c\":null}}",
        "[true,false,{\"k\":\"\xC3\xA9\"},[[],{}],0.125]",
        "{\"ab\":1,\"ac\":{\"ab\":1,\"ad\":[{\"z\":0}]},\"ad\":-0}" };
    static const char alphabet[] = "{}[]\",:\\ 0123456789.eE+-untrfalsbc\x01\x80\xC3\xA9/";
    struct prng prng = prng_seed((uint64_t)_i);
    int passed = 0;
    for (int n = 0; n < 20000; n++) {
        char text[160];
        const char *seed = seeds[prng_below(&prng, 3)];
        size_t length = strlen(seed);
        memcpy(text, seed, length);
        for (int64_t edits = 1 + prng_below(&prng, 4); edits > 0 && length > 1; edits--) {
            const size_t at = (size_t)prng_below(&prng, (int64_t)length);
            const char c = alphabet[prng_below(&prng, sizeof alphabet - 1)];
            switch (prng_below(&prng, 3)) {
            case 0:
                text[at] = c;
                break;
            case 1:
                memmove(text + at, text + at + 1, --length - at);
                break;
            case 2:
                memmove(text + at + 1, text + at, length - at);
                text[at] = c;
                length++;
                break;
            }
        }
        if (!passes_bytes(text, length)) continue;
        passed++;
        text[length] = '\0';
        cJSON *json = cJSON_ParseWithOpts(text, NULL, 1);
        ck_assert_msg(json, "passes, and is no JSON for cJSON: %s", text);
        cJSON_Delete(json);
    }
    ck_assert_int_gt(passed, 1000); /* else this shows nothing */
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("json");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, json_by_the_book_passes);
    tcase_add_test(tc, everything_else_is_refused);
    tcase_add_test(tc, the_problem_names_the_byte);
    tcase_add_test(tc, four_kilobytes_are_read_and_one_byte_more_is_not);
    tcase_add_test(tc, as_many_members_as_fit_are_compared);
    tcase_add_test(tc, counts_keep_every_digit);
    tcase_add_test(tc, strings_are_unescaped_and_bounded);
    tcase_add_test(tc, members_are_found_by_their_whole_name_on_their_own_level);
    tcase_add_test(tc, pointers_find_what_rfc_6901_says);
    tcase_add_test(tc, pointers_that_lead_nowhere_find_nothing);
    tcase_add_loop_test(tc, what_passes_is_json_for_another_parser_too, 0, 4);
    return run_case(tc, "json");
}
