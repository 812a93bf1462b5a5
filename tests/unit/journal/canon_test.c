#include "lib/journal/canon.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/prng.h"
#include "lib/journal/canon_inside.h"
#include "tests/unit/support.h"

static struct record r, back;
static char buffer[RECORD_LINE_MAX];

static const char *canonical(const struct record *record, const char *skip)
{
    struct text t = text_over(buffer, sizeof buffer);
    canon_add(&t, record, skip);
    ck_assert(!t.cut);
    return buffer;
}

static bool reads(const char *line)
{
    struct problem problem;
    const enum err err = canon_read(&back, line, strlen(line), &problem);
    ck_assert(err == ERR_NONE || (err == ERR_SYNTAX && problem.err == ERR_SYNTAX));
    return err == ERR_NONE;
}

/* RFC 8785, 3.2.2: the "string" member of its sample, and the form that 3.2.3 gives for it. */
START_TEST(the_string_of_the_rfc_sample_is_written_as_the_rfc_has_it)
{
    record_start(&r, "x");
    r.count = 0;
    record_add_text(&r, "string", "\xe2\x82\xac$\x0f\nA'B\"\\\\\"/");
    ck_assert_str_eq(
        canonical(&r, NULL), "{\"string\":\"\xe2\x82\xac$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}");
    ck_assert(reads(buffer));
    ck_assert_str_eq(record_text_or_empty(&back, "string"), "\xe2\x82\xac$\x0f\nA'B\"\\\\\"/");
}
END_TEST

/* RFC 8785, 3.2.2.2 and 3.2.2.3, and of the number samples of its appendix B those within a
 * record's bounds: 0, minus zero, 0.000001, 2^53 - 1 with either sign. */
START_TEST(numbers_and_truths_have_the_form_of_the_rfc)
{
    r.count = r.pool_used = 0;
    record_add_real(&r, "d", -0.0, 6);
    record_add_real(&r, "c", 1e-6, 6);
    record_add_int(&r, "b", INT64_C(9007199254740991));
    record_add_int(&r, "a", -INT64_C(9007199254740991));
    record_add_real(&r, "e", 4.50, 2);
    record_add_real(&r, "f", 2e-3, 3);
    record_add_truth(&r, "g", true);
    record_add_truth(&r, "h", false);
    ck_assert_str_eq(canonical(&r, NULL),
        "{\"a\":-9007199254740991,\"b\":9007199254740991,\"c\":0.000001,\"d\":0,\"e\":4.5,"
        "\"f\":0.002,\"g\":true,\"h\":false}");
    ck_assert(reads(buffer));
}
END_TEST

/* RFC 8785, 3.2.3: sorted as UTF-16 units; of ASCII that is by code: digits, capitals, letters. */
START_TEST(members_are_sorted_by_code_and_a_longer_key_comes_later)
{
    r.count = r.pool_used = 0;
    static const char *const keys[] = { "b", "ab", "a", "B", "a_", "1", "10", "2", "a-", "~" };
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++) {
        record_add_int(&r, keys[i], (int64_t)i);
    }
    ck_assert_str_eq(canonical(&r, NULL),
        "{\"1\":5,\"10\":6,\"2\":7,\"B\":3,\"a\":2,\"a-\":8,\"a_\":4,\"ab\":1,\"b\":0,\"~\":9}");
}
END_TEST

START_TEST(a_member_can_be_left_out)
{
    r.count = r.pool_used = 0;
    record_add_text(&r, "hash", "x");
    ck_assert_str_eq(canonical(&r, "hash"), "{}");
    record_add_int(&r, "a", 1);
    record_add_int(&r, "z", 2);
    ck_assert_str_eq(canonical(&r, "hash"), "{\"a\":1,\"z\":2}");
    ck_assert_str_eq(canonical(&r, "a"), "{\"hash\":\"x\",\"z\":2}");
}
END_TEST

START_TEST(what_does_not_fit_is_told)
{
    char small[8];
    struct text t = text_over(small, sizeof small);
    record_start(&r, "x");
    canon_add(&t, &r, NULL);
    ck_assert(t.cut);
}
END_TEST

/* Every control character, and all of the escapes that a lenient reader would take. */
START_TEST(each_control_character_has_one_form)
{
    for (int c = 1; c < 0x20; c++) {
        const char text[] = { (char)c, '\0' };
        r.count = r.pool_used = 0;
        record_add_text(&r, "t", text);
        canonical(&r, NULL);
        const char *shorter = strchr("\b\t\n\f\r", c);
        char wanted[32];
        if (shorter)
            snprintf(wanted, sizeof wanted, "{\"t\":\"\\%c\"}", "btnfr"[shorter - "\b\t\n\f\r"]);
        else
            snprintf(wanted, sizeof wanted, "{\"t\":\"\\u%04x\"}", (unsigned)c);
        ck_assert_str_eq(buffer, wanted);
        ck_assert(reads(wanted));
        ck_assert_str_eq(record_text_or_empty(&back, "t"), text);
        snprintf(wanted, sizeof wanted, "{\"t\":\"\\u%04X\"}", (unsigned)c);
        ck_assert(strcmp(wanted, buffer) == 0 || !reads(wanted)); /* capitals, or not shortened */
        snprintf(wanted, sizeof wanted, "{\"t\":\"%c\"}", c);
        ck_assert(!reads(wanted));
    }
}
END_TEST

START_TEST(the_reader_takes_nothing_but_the_canonical_form)
{
    static const char *const no[] = { "", "{", "}", "[]", "null", "{}}", "{},", " {}", "{} ", "{ }",
        "{\"a\":1,}", "{,\"a\":1}", "{\"a\":1 }", "{\"a\": 1}", "{\"a\" :1}", "{\"a\":1, \"b\":2}",
        "{\"b\":1,\"a\":2}", "{\"a\":1,\"a\":2}", "{\"a\":1;\"b\":2}", "{\"a\"1}", "{a:1}",
        "{'a':1}", "{\"\":1}", "{\"a b\":1}", "{\"a\\n\":1}", "{\"\xc3\xa4\":1}",
        "{\"a23456789012345678901234\":1}", /* 24 long */
        "{\"a\":}", "{\"a\":null}", "{\"a\":True}", "{\"a\":tru}", "{\"a\":truee}", "{\"a\":[]}",
        "{\"a\":{}}", "{\"a\":+1}", "{\"a\":-}", "{\"a\":-0}", "{\"a\":-0.0}", "{\"a\":01}",
        "{\"a\":00}", "{\"a\":-01}", "{\"a\":1.}", "{\"a\":.5}", "{\"a\":1.0}", "{\"a\":1.50}",
        "{\"a\":0.0000001}", "{\"a\":1e3}", "{\"a\":1E3}", "{\"a\":1.5e1}", "{\"a\":0x1}",
        "{\"a\":9007199254740992}", "{\"a\":-9007199254740992}", "{\"a\":99999999999999999999999}",
        "{\"a\":1234567890.123456}", "{\"a\":1234567890123456.5}", "{\"a\":NaN}",
        "{\"a\":Infinity}", "{\"a\":\"}", "{\"a\":\"x}", "{\"a\":\"x\"\"}", "{\"a\":\"\\/\"}",
        "{\"a\":\"\\u0041\"}", "{\"a\":\"\\u0000\"}", "{\"a\":\"\\u000A\"}", "{\"a\":\"\\u000a\"}",
        "{\"a\":\"\\u0022\"}", "{\"a\":\"\\u005c\"}", "{\"a\":\"\\u001F\"}", "{\"a\":\"\\u007f\"}",
        "{\"a\":\"\\u20ac\"}", "{\"a\":\"\\ud83d\\ude00\"}", "{\"a\":\"\\x41\"}", "{\"a\":\"\\",
        "{\"a\":\"\\u00\"}", "{\"a\":\"\\u001", "{\"a\":\"\x80\"}", "{\"a\":\"\xc3\"}",
        "{\"a\":\"\xed\xa0\x80\"}", "{\"a\":\"\xc0\x80\"}", "\xef\xbb\xbf{}", "{\"a\":1}\n",
        "{\"a\":1}\r" };
    for (size_t i = 0; i < sizeof no / sizeof *no; i++) {
        ck_assert_msg(!reads(no[i]), "%s was taken", no[i]);
    }
    static const char *const yes[] = { "{}", "{\"a\":0}", "{\"a\":-1}", "{\"a\":0.5}",
        "{\"a\":-0.000001}", "{\"a\":123456789.123456}", "{\"a\":12345678901234.5}",
        "{\"a\":9007199254740991}", "{\"a\":\"\"}", "{\"a\":\"\x7f\"}", "{\"a\":\"/\"}",
        "{\"a\":\"\xf0\x9f\x98\x80\"}", "{\"a\":true,\"b\":false}", "{\"a\":\"\\u001f\"}",
        "{\"a2345678901234567890123\":1}" };
    for (size_t i = 0; i < sizeof yes / sizeof *yes; i++) {
        ck_assert_msg(reads(yes[i]), "%s was refused", yes[i]);
        ck_assert_str_eq(canonical(&back, NULL), yes[i]);
    }
}
END_TEST

START_TEST(a_nul_within_the_line_is_refused)
{
    static const char line[] = "{\"a\":\"x\0y\"}";
    struct problem problem;
    ck_assert_int_eq(canon_read(&back, line, sizeof line - 1, &problem), ERR_SYNTAX);
}
END_TEST

START_TEST(the_problem_tells_the_byte_and_a_refusal_leaves_the_record_alone)
{
    struct problem problem;
    static const char line[] = "{\"a\":1,\"b\":x}";
    memset(&back, 0x5a, sizeof back);
    const struct record before = back;
    ck_assert_int_eq(canon_read(&back, line, strlen(line), &problem), ERR_SYNTAX);
    ck_assert_str_eq(problem.where, "byte 12");
    ck_assert_mem_eq(&back, &before, sizeof back);
}
END_TEST

/* The bounds of a record, met from outside. */
START_TEST(more_than_a_record_holds_is_refused)
{
    static char line[RECORD_LINE_MAX + 100];
    size_t n = 0;
    line[n++] = '{';
    for (int i = 0; i < RECORD_FIELDS_MAX + 1; i++) {
        n += (size_t)sprintf(line + n, "%s\"k%02d\":%d", i ? "," : "", i, i);
    }
    strcpy(line + n, "}");
    ck_assert(!reads(line));
    strcpy(strrchr(line, ','), "}");
    ck_assert(reads(line));
    for (size_t length = 510; length < 515; length++) {
        char text[600];
        memset(text, 'x', length);
        text[length] = '\0';
        sprintf(line, "{\"a\":\"%s\"}", text);
        ck_assert_int_eq(reads(line), length <= 512);
        sprintf(line, "{\"a\":\"%s\",\"b\":\"%s\"}", text, text);
        ck_assert_int_eq(reads(line), length <= 511);
        sprintf(line, "{\"a\":\"%.510s\",\"b\":\"%.510s\",\"c\":\"%.*s\"}", text, text,
            (int)(length - 510), text);
        ck_assert_int_eq(reads(line), length - 510 <= 1);
    }
    memset(line, 'x', sizeof line);
    ck_assert_int_eq(canon_read(&back, line, RECORD_LINE_MAX, NULL), ERR_SYNTAX);
    ck_assert_int_eq(canon_read(&back, line, 0, NULL), ERR_SYNTAX);
}
END_TEST

/* --- ES6 number form, by a rule of its own ------------------------------------------------------
 * ECMA-262 Number::toString: the shortest digits that read back as the same double, in plain
 * notation from 1e-6 up to below 1e21. The digits are found with the C library here; the writer
 * under test uses neither it nor doubles. */
static void es6(char *ret, double value)
{
    char shortest[64];
    int precision = 0;
    do {
        snprintf(shortest, sizeof shortest, "%.*e", precision++, value);
    } while (strtod(shortest, NULL) != value);
    const int exponent = atoi(strchr(shortest, 'e') + 1);
    const int places = precision - 1 - exponent;
    snprintf(ret, 64, "%.*f", places > 0 ? places : 0, value);
}

START_TEST(random_decimals_have_the_es6_form_and_come_back)
{
    struct prng prng = prng_seed((uint64_t)_i);
    for (int n = 0; n < 20000; n++) {
        const unsigned decimals = (unsigned)prng_below(&prng, 7);
        int64_t most = 1;
        for (int64_t digits = prng_below(&prng, 16); digits > 0; digits--) {
            most *= 10;
        }
        const int64_t scaled = prng_below(&prng, 2 * most + 1) - most;
        double power = 1;
        for (unsigned i = 0; i < decimals; i++) {
            power *= 10;
        }
        const double value = (double)scaled / power;
        r.count = r.pool_used = 0;
        record_add_real(&r, "v", value, decimals);
        if (r.count == 0) {
            ck_assert(value >= 1e15 || value <= -1e15);
            continue;
        }
        char number[64], wanted[80];
        double read;
        es6(number, value);
        snprintf(wanted, sizeof wanted, "{\"v\":%s}", scaled == 0 ? "0" : number);
        ck_assert_str_eq(canonical(&r, NULL), wanted);
        ck_assert(reads(buffer));
        ck_assert(record_real(&back, "v", &read) && read == value);
    }
}
END_TEST

/* Whatever was added: what is written reads back the same, and writes the same again. */
START_TEST(random_records_survive_the_round_trip)
{
    struct prng prng = prng_seed((uint64_t)_i);
    for (int n = 0; n < 300; n++) {
        record_start(&r, "any");
        const int64_t fields = prng_below(&prng, 20);
        for (int64_t i = 0; i < fields; i++) {
            char key[8], text[64];
            snprintf(key, sizeof key, "k%d", (int)((i * 7) % 23));
            const size_t length = (size_t)prng_below(&prng, 40);
            for (size_t at = 0; at < length; at++) {
                text[at] = (char)(1 + prng_below(&prng, 255));
            }
            text[length] = '\0';
            switch (prng_below(&prng, 4)) {
            case 0:
                record_add_text(&r, key, text);
                break;
            case 1:
                record_add_truth(&r, key, prng_below(&prng, 2) == 1);
                break;
            case 2:
                record_add_int(&r, key, prng_below(&prng, RECORD_INTEGER_MOST) * (i % 2 ? 1 : -1));
                break;
            default:
                record_add_real(&r, key, prng_normal(&prng) * 1000, (unsigned)(i % 7));
                break;
            }
        }
        if (r.cut) continue;
        char first[RECORD_LINE_MAX];
        strcpy(first, canonical(&r, NULL));
        ck_assert_msg(reads(first), "%s", first);
        ck_assert_uint_eq(back.count, r.count);
        ck_assert_str_eq(canonical(&back, NULL), first);
    }
}
END_TEST

/* Any change of a byte is refused, or the changed line is itself canonical: never a line that would
 * be written otherwise. */
START_TEST(a_changed_byte_is_refused_or_is_another_canonical_line)
{
    static const char line[] = "{\"a\":-12.05,\"b\":\"x\\n\\u0001\xc3\xa4\",\"c\":true,\"d\":90}";
    char changed[sizeof line];
    int taken = 0;
    for (size_t at = 0; at < sizeof line - 1; at++) {
        for (int byte = 0; byte < 256; byte++) {
            memcpy(changed, line, sizeof line);
            changed[at] = (char)byte;
            if (canon_read(&back, changed, sizeof line - 1, NULL) != ERR_NONE) continue;
            ck_assert_str_eq(canonical(&back, NULL), changed);
            taken++;
        }
    }
    ck_assert_int_gt(taken, 500);
}
END_TEST

/* The member that the hash leaves out takes one comma with it, wherever it stands. */
START_TEST(the_hash_is_left_out_with_its_comma)
{
    static const struct {
        const char *line, *bare;
    } rows[] = {
        { "{\"a\":1,\"hash\":\"x\",\"z\":2}", "{\"a\":1,\"z\":2}" },
        { "{\"a\":1,\"hash\":\"x\"}", "{\"a\":1}" },
        { "{\"hash\":\"x\",\"z\":2}", "{\"z\":2}" },
        { "{\"hash\":\"x\"}", "{}" },
        { "{\"has\":1,\"hat\":2}", "{\"has\":1,\"hat\":2}" },
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct record read;
        struct canon_span hash;
        const char *line = rows[i].line;
        const size_t length = strlen(line);
        ck_assert_int_eq(canon_read_hashed(&read, &hash, line, length, NULL), ERR_NONE);
        char bare[80];
        struct text t = text_over(bare, sizeof bare);
        text_add_bytes(&t, line, hash.from);
        text_add(&t, line + hash.to);
        ck_assert_str_eq(bare, rows[i].bare);
    }
}
END_TEST

static void add_letters(struct text *t, int count)
{
    for (int i = 0; i < count; i++) {
        text_add_char(t, 'x');
    }
}

/* Two texts fill the pool to its last byte; a third has no room even for its end. */
START_TEST(texts_that_end_where_the_room_does)
{
    static const struct {
        const char *rest;
        bool fits;
    } rows[] = { { "}", true }, { ",\"c\":\"\"}", false }, { ",\"c\":\"", false },
        { ",\"c\":\"\\n\"}", false } };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char line[RECORD_LINE_MAX];
        struct text t = text_over(line, sizeof line);
        text_add(&t, "{\"a\":\"");
        add_letters(&t, RECORD_TEXT_MOST);
        text_add(&t, "\",\"b\":\"");
        add_letters(&t, RECORD_POOL_MAX - RECORD_TEXT_MOST - 2);
        text_add(&t, "\"");
        text_add(&t, rows[i].rest);
        struct record read;
        ck_assert_int_eq(canon_read(&read, line, t.length, NULL) == ERR_NONE, rows[i].fits);
    }
}
END_TEST

/* The limit of one text falls on an escape; and a text that the line's end cuts after one. */
START_TEST(an_escape_counts_as_the_byte_that_it_means)
{
    for (int n = RECORD_TEXT_MOST - 1; n <= RECORD_TEXT_MOST; n++) {
        char line[RECORD_LINE_MAX];
        struct text t = text_over(line, sizeof line);
        text_add(&t, "{\"a\":\"");
        add_letters(&t, n);
        text_add(&t, "\\n\"}");
        struct record read;
        const enum err err = canon_read(&read, line, t.length, NULL);
        ck_assert_int_eq(err == ERR_NONE, n < RECORD_TEXT_MOST);
        ck_assert_int_ne(canon_read(&read, line, t.length - 2, NULL), ERR_NONE);
    }
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("canon");
    tcase_add_test(t, the_string_of_the_rfc_sample_is_written_as_the_rfc_has_it);
    tcase_add_test(t, numbers_and_truths_have_the_form_of_the_rfc);
    tcase_add_test(t, members_are_sorted_by_code_and_a_longer_key_comes_later);
    tcase_add_test(t, a_member_can_be_left_out);
    tcase_add_test(t, what_does_not_fit_is_told);
    tcase_add_test(t, each_control_character_has_one_form);
    tcase_add_test(t, the_reader_takes_nothing_but_the_canonical_form);
    tcase_add_test(t, a_nul_within_the_line_is_refused);
    tcase_add_test(t, the_problem_tells_the_byte_and_a_refusal_leaves_the_record_alone);
    tcase_add_test(t, more_than_a_record_holds_is_refused);
    tcase_add_loop_test(t, random_decimals_have_the_es6_form_and_come_back, 0, 8);
    tcase_add_loop_test(t, random_records_survive_the_round_trip, 0, 20);
    tcase_add_test(t, a_changed_byte_is_refused_or_is_another_canonical_line);
    tcase_add_test(t, the_hash_is_left_out_with_its_comma);
    tcase_add_test(t, texts_that_end_where_the_room_does);
    tcase_add_test(t, an_escape_counts_as_the_byte_that_it_means);
    return run_case(t, "canon");
}
