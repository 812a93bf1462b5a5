/* The form that is signed and its code, against published examples. That a signer which isn't ours
 * comes to the same codes is tests/system/signed_test.py's. */
#include "daemon/hear/request_sign.h"

#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/payload/json_guard.h"
#include "lib/journal/canon.h"
#include "tests/unit/support.h"

static struct record flat;
static struct problem problem;

static enum err flatten(const char *json, const char *left_out)
{
    struct json_view object;
    ck_assert_int_eq(json_guard(&object, json, strlen(json), &problem), ERR_NONE);
    return sign_flatten(&flat, object, left_out, &problem);
}

static const char *form_of(const char *json)
{
    static char form[SIGN_FORM_MAX];
    struct text t = text_over(form, sizeof form);
    ck_assert_msg(flatten(json, NULL) == ERR_NONE, "%s: %s", json, problem.text);
    canon_add(&t, &flat, NULL);
    ck_assert(!t.cut);
    return form;
}

/* RFC 4231, 4.2 to 4.8 (5 is about cutting a code short, which nobody does here). */
static const struct {
    char key, key_step;
    int key_length;
    const char *data;
    char filled_with;
    int filled;
    const char *code;
} cases[] = {
    { 0x0b, 0, 20, "Hi There", 0, 0,
        "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7" },
    { 0, 0, 4, "what do ya want for nothing?", 0, 0, /* the key is "Jefe" */
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843" },
    { (char)0xaa, 0, 20, NULL, (char)0xdd, 50,
        "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe" },
    { 0x01, 1, 25, NULL, (char)0xcd, 50,
        "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b" },
    { (char)0xaa, 0, 131, "Test Using Larger Than Block-Size Key - Hash Key First", 0, 0,
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54" },
    { (char)0xaa, 0, 131,
        "This is a test using a larger than block-size key and a larger than block-size data. The "
        "key needs to be hashed before being used by the HMAC algorithm.",
        0, 0, "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2" },
};

START_TEST(codes_are_those_of_rfc_4231)
{
    struct secret key = { .length = cases[_i].key_length };
    char data[200], code[SIGN_MAC_HEX];
    for (int i = 0; i < key.length; i++) {
        key.bytes[i] = (char)(cases[_i].key + i * cases[_i].key_step);
    }
    if (!cases[_i].key) memcpy(key.bytes, "Jefe", 4);
    size_t length = (size_t)cases[_i].filled;
    memset(data, cases[_i].filled_with, length);
    if (cases[_i].data) {
        length = strlen(cases[_i].data);
        memcpy(data, cases[_i].data, length);
    }
    ck_assert(sign_bytes(code, &key, data, length));
    ck_assert_str_eq(code, cases[_i].code);
}
END_TEST

/* RFC 8785, 3.2.2: the escapes of its string; 3.2.2.3: numbers lose what doesn't count. */
START_TEST(the_form_is_that_of_rfc_8785)
{
    ck_assert_str_eq(form_of("{ \"string\" : \"\\u20ac$\\u000F\\u000aA'\\u0042\\u0022\\u005c"
                             "\\\\\\\"\\/\" }"),
        "{\"string\":\"\xe2\x82\xac$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}");
    ck_assert_str_eq(form_of("{\"b\":4.50,\"a\":-0,\"B\":0.000001,\"c\":true,\"aa\":false,"
                             "\"1\":999999999999999,\"d\":-12.0}"),
        "{\"1\":999999999999999,\"B\":0.000001,\"a\":0,\"aa\":false,\"b\":4.5,\"c\":true,\"d\":-"
        "12}");
    ck_assert_str_eq(form_of("{}"), "{}");
}
END_TEST

static const char *const unsignable[] = { "{\"a\":1e3}", "{\"a\":0.0000001}",
    "{\"a\":1234567890123456}", "{\"a\":123456789.1234567}", "{\"a\":null}", "{\"a\":[1]}",
    "{\"a\":{}}", "{\"\":1}", "{\"a b\":1}", "{\"a\\\"\":1}", "{\"\xc3\xa4\":1}",
    "{\"abcdefghijklmnopqrstuvwx\":1}" };

START_TEST(what_has_no_one_form_is_refused)
{
    ck_assert_int_eq(flatten(unsignable[_i], NULL), ERR_RANGE);
    ck_assert_ptr_nonnull(strstr(problem.text, "can't be signed"));
}
END_TEST

START_TEST(the_bounds_are_as_said)
{
    char json[4096];
    struct text t = text_over(json, sizeof json);
    text_add(&t, "{\"a\":\"");
    for (int i = 0; i < RECORD_TEXT_MOST; i++) {
        text_add_char(&t, 'x');
    }
    text_add(&t, "\"}");
    ck_assert_int_eq(flatten(json, NULL), ERR_NONE);
    text_copy(json + t.length - 2, 4, "x\"}");
    ck_assert_int_eq(flatten(json, NULL), ERR_RANGE);
    for (int most = RECORD_FIELDS_MAX; most <= RECORD_FIELDS_MAX + 1; most++) {
        t = text_over(json, sizeof json);
        for (int i = 0; i < most; i++) {
            text_add(&t, i == 0 ? "{\"m" : ",\"m");
            text_add_int(&t, i);
            text_add(&t, "\":1");
        }
        text_add_char(&t, '}');
        ck_assert_int_eq(flatten(json, "m0"), ERR_NONE);
        ck_assert_int_eq(flatten(json, NULL), most > RECORD_FIELDS_MAX ? ERR_RANGE : ERR_NONE);
        if (most == RECORD_FIELDS_MAX) continue;
        char said[32];
        (void)snprintf(said, sizeof said, " %d members in all", RECORD_FIELDS_MAX);
        ck_assert_msg(strstr(problem.text, said), "%s", problem.text);
    }
}
END_TEST

START_TEST(the_topic_and_each_member_count)
{
    const struct secret key = { .bytes = "an old greenhouse is full of light", .length = 34 };
    char code[SIGN_MAC_HEX], other[SIGN_MAC_HEX];
    ck_assert_int_eq(flatten("{\"id\":\"a\",\"n\":1,\"mac\":\"x\"}", "mac"), ERR_NONE);
    ck_assert(sign_mac(code, &key, "homie/5/tern-hall/request/call/set", &flat));
    ck_assert(sign_mac(other, &key, "homie/5/tern-hall/request/call/set", &flat));
    ck_assert(sign_same(code, other));
    ck_assert(sign_mac(other, &key, "homie/5/other-hall/request/call/set", &flat));
    ck_assert(!sign_same(code, other));
    ck_assert_int_eq(flatten("{\"id\":\"a\",\"n\":2}", NULL), ERR_NONE);
    ck_assert(sign_mac(other, &key, "homie/5/tern-hall/request/call/set", &flat));
    ck_assert(!sign_same(code, other));
}
END_TEST

START_TEST(a_key_has_32_bytes_and_is_nobody_elses)
{
    char path[128];
    struct secret key;
    for (int length = SIGN_KEY_LEAST - 1; length <= SIGN_KEY_LEAST; length++) {
        test_place(path, sizeof path, "key");
        FILE *file = fopen(path, "w");
        ck_assert_ptr_nonnull(file);
        for (int i = 0; i < length; i++) {
            fputc('k', file);
        }
        fputc('\n', file);
        ck_assert_int_eq(fclose(file), 0);
        ck_assert_int_eq(chmod(path, 0600), 0);
        const bool long_enough = length == SIGN_KEY_LEAST;
        ck_assert_int_eq(sign_read_key(&key, path, &problem), long_enough ? ERR_NONE : ERR_RANGE);
        ck_assert_int_eq(key.length, long_enough ? length : 0);
        ck_assert_int_eq(chmod(path, 0604), 0);
        ck_assert_int_eq(sign_read_key(&key, path, &problem), ERR_IO);
        ck_assert_int_eq(unlink(path), 0);
    }
    ck_assert_int_eq(sign_read_key(&key, path, &problem), ERR_IO);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("signed requests");
    tcase_add_loop_test(t, codes_are_those_of_rfc_4231, 0, sizeof cases / sizeof *cases);
    tcase_add_test(t, the_form_is_that_of_rfc_8785);
    tcase_add_loop_test(
        t, what_has_no_one_form_is_refused, 0, sizeof unsignable / sizeof *unsignable);
    tcase_add_test(t, the_bounds_are_as_said);
    tcase_add_test(t, the_topic_and_each_member_count);
    tcase_add_test(t, a_key_has_32_bytes_and_is_nobody_elses);
    return run_case(t, "signed requests");
}
