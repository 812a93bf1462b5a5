/* Which requests are signed with one of the site's keys, and what is said of the others. */
#include "daemon/hear/request_verify.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/hear/request_call.h"
#include "daemon/hear/request_sign.h"
#include "daemon/payload/json_guard.h"
#include "lib/base/prng.h"
#include "lib/journal/canon.h"
#include "tests/unit/support.h"

static const char topic[] = "homie/5/tern-hall/request/call/set";
static struct site_tank tanks[1];
static struct config config;
static struct request_keys keys;
static struct request_trust trust;
static struct request_refusal no;
static struct event_request q;

static void set_key(uint32_t i, const char *bytes)
{
    keys.key[i].length = (int)strlen(bytes);
    memcpy(keys.key[i].bytes, bytes, strlen(bytes));
}

static void set_up(void)
{
    tanks[0] = (struct site_tank){ .key = "basil-bench" };
    config.site = (struct site){ .key = "tern-hall",
        .tank_count = 1,
        .tank = tanks,
        .signer_count = 2,
        .signer = { "phone", "hub" } };
    keys.count = 2;
    set_key(0, "an old greenhouse is full of light");
    set_key(1, "the second bench is always a bit drier");
    trust = (struct request_trust){ &config.site, &keys };
}

static const char *hear_on(const char *where, const char *json)
{
    const struct mqtt_message m = { .topic = where,
        .payload = json,
        .length = strlen(json),
        .response_topic = "reply/1",
        .correlation = "" };
    memset(&no, 0, sizeof no);
    request_read_call(&q, &m, &trust, &no);
    ck_assert((q.kind == REQUEST_UNREAD) == (q.refusal.reason != NULL));
    ck_assert_str_eq(q.origin.reply, "reply/1");
    return q.refusal.reason ? q.refusal.reason : "done";
}

static const char *hear(const char *json)
{
    return hear_on(topic, json);
}

/* The same with its code in 'mac', made with that key for that topic. */
static const char *with_mac(const char *json, uint32_t key, const char *where)
{
    static char line[4096];
    char mac[SIGN_MAC_HEX];
    struct record flat;
    struct json_view object;
    struct problem problem;
    struct text t = text_over(line, sizeof line);
    ck_assert_int_eq(json_guard(&object, json, strlen(json), &problem), ERR_NONE);
    ck_assert_int_eq(sign_flatten(&flat, object, NULL, &problem), ERR_NONE);
    ck_assert(sign_mac(mac, &keys.key[key], where, &flat));
    record_add_text(&flat, "mac", mac);
    canon_add(&t, &flat, NULL);
    ck_assert(!t.cut);
    return line;
}

static const char pausing[] = "{\"by\":\"phone\",\"id\":\"a\",\"n\":7,\"on\":true,\"request\":"
                              "\"pause\",\"tank\":\"basil-bench\"}";

START_TEST(what_is_signed_passes)
{
    ck_assert_str_eq(hear(with_mac(pausing, 0, topic)), "done");
    ck_assert(q.kind == REQUEST_PAUSE && q.on && q.origin.n == 7);
    ck_assert_ptr_eq(q.origin.signer, config.site.signer[0]);
    char line[4096];
    text_copy(line, sizeof line, with_mac(pausing, 0, topic));
    for (char *c = strstr(line, "\"mac\":\"") + 7; *c != '"'; c++) {
        if (*c >= 'a') *c = (char)(*c - 'a' + 'A');
    }
    ck_assert_str_eq(hear(line), "done"); /* hex digits of either case */
    ck_assert_str_eq(hear(with_mac("{\"by\":\"hub\",\"id\":\"b\",\"n\":999999999999999,\"note\":"
                                   "\"f\xc3\xbcr dich\",\"on\":true,\"request\":\"pause\","
                                   "\"tank\":\"basil-bench\",\"x\":1.5}",
                         1, topic)),
        "done");
    ck_assert_str_eq(q.origin.signer, "hub");
}
END_TEST

/* Order and blanks aren't what is signed, values are. */
START_TEST(the_form_counts_not_the_bytes)
{
    char mac[SIGN_MAC_HEX], line[4096];
    text_copy(mac, sizeof mac, strstr(with_mac(pausing, 0, topic), "\"mac\":\"") + 7);
    snprintf(line, sizeof line,
        " { \"tank\":\"basil\\u002dbench\", \"mac\":\"%s\",\"on\":true,\"n\":7.0,\"id\":\"a\","
        "\"by\":\"phone\",\"request\":\"pause\"}",
        mac);
    ck_assert_str_eq(hear(line), "malformed"); /* n is a count */
    snprintf(line, sizeof line,
        " { \"tank\":\"basil\\u002dbench\", \"mac\":\"%s\",\"on\":true,\"n\":7,\"id\":\"a\","
        "\"by\":\"phone\",\"request\":\"pause\"}",
        mac);
    ck_assert_str_eq(hear(line), "done");
}
END_TEST

START_TEST(a_single_bit_of_the_code_counts) /* _i is the digit */
{
    char line[4096];
    text_copy(line, sizeof line, with_mac(pausing, 0, topic));
    char *digit = strstr(line, "\"mac\":\"") + 7 + _i;
    *digit = *digit == '0' ? '1' : '0';
    ck_assert_str_eq(hear(line), "bad-signature");
    ck_assert_ptr_null(q.origin.signer);
    ck_assert_str_eq(q.id, "a");
}
END_TEST

static void swap_word(char *line, const char *from, const char *to)
{
    char *at = strstr(line, from);
    ck_assert_ptr_nonnull(at);
    ck_assert_uint_eq(strlen(from), strlen(to));
    memcpy(at, to, strlen(to));
}

START_TEST(each_member_the_key_and_the_topic_count)
{
    static const struct {
        const char *from, *to, *reason;
    } changes[] = { { "\"n\":7", "\"n\":8", "bad-signature" },
        { "\"id\":\"a\"", "\"id\":\"b\"", "bad-signature" }, { ":true", ":null", "malformed" },
        { "basil-bench", "basil-bencx", "bad-signature" },
        { "\"request\":\"pause\"", "\"request\":\"claim\"", "bad-signature" },
        { "\"by\":\"phone\"", "\"by\":\"ghost\"", "unknown-key" },
        { "\"by\":\"phone\"", "\"by\":\"hub\"  ", "bad-signature" },
        { "\"mac\":", "\"mcc\":", "malformed" }, { "\"by\":", "\"yb\":", "malformed" },
        { "\"n\":7,", "\"m\":7,", "malformed" } };
    char line[4096];
    for (size_t i = 0; i < sizeof changes / sizeof *changes; i++) {
        text_copy(line, sizeof line, with_mac(pausing, 0, topic));
        swap_word(line, changes[i].from, changes[i].to);
        ck_assert_str_eq(hear(line), changes[i].reason);
        ck_assert_ptr_null(q.origin.signer);
    }
    ck_assert_str_eq(hear_on("homie/5/other-hall/request/call/set", with_mac(pausing, 0, topic)),
        "bad-signature");
    ck_assert_str_eq(hear(with_mac(pausing, 1, topic)), "bad-signature");
    ck_assert_str_eq(hear(with_mac(pausing, 0, "")), "bad-signature");
}
END_TEST

START_TEST(what_cannot_be_signed_is_said)
{
    static const char *const bad[] = { "\"n\":0", "\"n\":-1", "\"n\":1000000000000000",
        "\"n\":\"7\"", "\"n\":7e0", "\"n\":null" };
    char line[512];
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        snprintf(line, sizeof line,
            "{\"by\":\"phone\",\"id\":\"a\",%s,\"on\":true,\"request\":\"pause\",\"tank\":\"basil-"
            "bench\",\"mac\":\"00\"}",
            bad[i]);
        ck_assert_str_eq(hear(line), "malformed");
        ck_assert_ptr_nonnull(strstr(no.text, "\"n\""));
    }
    static const char *const macs[] = { "\"mac\":\"00\"", "\"mac\":7",
        "\"mac\":\"0000000000000000000000000000000000000000000000000000000000000g00\"",
        "\"mac\":\"000000000000000000000000000000000000000000000000000000000000000\"",
        "\"mac\":\"00000000000000000000000000000000000000000000000000000000000000000\"" };
    for (size_t i = 0; i < sizeof macs / sizeof *macs; i++) {
        snprintf(line, sizeof line,
            "{\"by\":\"phone\",\"id\":\"a\",\"n\":7,\"on\":true,\"request\":\"pause\",\"tank\":"
            "\"basil-bench\",%s}",
            macs[i]);
        ck_assert_str_eq(hear(line), "malformed");
        ck_assert_ptr_nonnull(strstr(no.text, "\"mac\""));
    }
}
END_TEST

START_TEST(unsigned_requests_are_refused_but_for_a_halt)
{
    ck_assert_str_eq(
        hear("{\"id\":\"a\",\"on\":true,\"request\":\"pause\",\"tank\":\"basil-bench\"}"),
        "unsigned");
    ck_assert_str_eq(hear("{\"id\":\"a\",\"on\":false,\"request\":\"halt\"}"), "unsigned");
    ck_assert_str_eq(hear("{\"id\":\"a\",\"request\":\"dance\"}"), "unsigned");
    ck_assert_str_eq(hear("{\"on\":true,\"request\":\"halt\"}"), "done");
    ck_assert(q.kind == REQUEST_HALT && q.on && !q.origin.signer);
    ck_assert_str_eq(
        hear("{\"by\":\"phone\",\"n\":1,\"mac\":\"00\",\"on\":true,\"request\":\"halt\"}"), "done");
    ck_assert(q.kind == REQUEST_HALT && !q.origin.signer);
    ck_assert_str_eq(
        hear("{\"property\":\"site/halt\",\"request\":\"set\",\"value\":true}"), "done");
    ck_assert_str_eq(
        hear("{\"id\":\"a\",\"property\":\"site/halt\",\"request\":\"set\",\"value\":false}"),
        "unsigned");
}
END_TEST

/* What was signed and can't be done is its sender's: the core must know whose. */
START_TEST(a_signed_mistake_keeps_its_signature)
{
    ck_assert_str_eq(
        hear(with_mac("{\"by\":\"phone\",\"id\":\"a\",\"n\":7,\"request\":\"dance\"}", 0, topic)),
        "no-such-request");
    ck_assert_str_eq(q.origin.signer, "phone");
    ck_assert_int_eq(q.origin.n, 7);
    ck_assert_str_eq(hear(with_mac("{\"by\":\"phone\",\"n\":8,\"on\":true,\"request\":\"pause\","
                                   "\"tank\":\"basil-bench\"}",
                         0, topic)),
        "no-id");
    ck_assert_str_eq(q.origin.signer, "phone");
}
END_TEST

START_TEST(without_keys_nothing_is_looked_at)
{
    config.site.signer_count = keys.count = 0;
    ck_assert_str_eq(hear(pausing), "done");
    ck_assert_ptr_null(q.origin.signer);
}
END_TEST

/* A replay has no keys and believes what was written down. */
START_TEST(a_replay_believes_by_and_n)
{
    trust.keys = NULL;
    ck_assert_str_eq(hear(pausing), "done");
    ck_assert_str_eq(q.origin.signer, "phone");
    ck_assert_int_eq(q.origin.n, 7);
    ck_assert_str_eq(hear("{\"id\":\"a\",\"on\":true,\"request\":\"pause\",\"tank\":\"basil-"
                          "bench\"}"),
        "unsigned");
}
END_TEST

START_TEST(no_change_of_bytes_gets_through) /* _i is the seed */
{
    char good[4096], line[4096];
    struct prng prng = prng_seed((uint64_t)_i);
    text_copy(good, sizeof good, with_mac(pausing, 0, topic));
    const size_t length = strlen(good);
    for (int n = 0; n < 20000; n++) {
        text_copy(line, sizeof line, good);
        for (int64_t k = 1 + prng_below(&prng, 3); k > 0; k--) {
            line[prng_below(&prng, (int64_t)length)] = (char)(1 + prng_below(&prng, 255));
        }
        (void)hear(line);
        if (!q.origin.signer) continue;
        /* then it says the same, differently written */
        ck_assert_msg(q.kind == REQUEST_PAUSE && q.on && q.origin.n == 7, "%s", line);
        ck_assert_str_eq(q.id, "a");
    }
}
END_TEST

/* --- the keys' files -------------------------------------------------------------------------- */

static struct problem_list errors, warnings;

static void write_key(uint32_t i, const char *bytes, mode_t mode)
{
    static char path[SITE_SIGNERS_MAX][128];
    test_place(path[i], sizeof path[i], i == 0 ? "phone-key" : "hub-key");
    FILE *file = fopen(path[i], "w");
    ck_assert_ptr_nonnull(file);
    fputs(bytes, file);
    ck_assert_int_eq(fclose(file), 0);
    ck_assert_int_eq(chmod(path[i], mode), 0);
    config.signer_file[i] = path[i];
    errors.count = warnings.count = 0;
}

static bool said(const struct problem_list *list, const char *words)
{
    for (uint32_t i = 0; i < list->count; i++) {
        if (strstr(list->item[i].text, words)) return true;
    }
    return false;
}

START_TEST(keys_are_read_whole_or_not_at_all)
{
    static const struct request_keys none;
    static const char one[] = "0123456789abcdef0123456789abcdef\n";
    write_key(0, one, 0600);
    write_key(1, "fedcba9876543210fedcba9876543210\n", 0640);
    ck_assert_int_eq(request_keys_read(&keys, &config, &errors), ERR_NONE);
    ck_assert(keys.count == 2 && keys.key[0].length == 32 && keys.key[1].length == 32);
    request_keys_forget(&keys);
    ck_assert_int_eq(memcmp(&keys, &none, sizeof keys), 0);

    write_key(1, one, 0600);
    ck_assert_int_eq(request_keys_read(&keys, &config, &errors), ERR_IO);
    ck_assert(said(&errors, "another sender has the same one") && said(&errors, "'hub'"));
    ck_assert_int_eq(memcmp(&keys, &none, sizeof keys), 0);
    write_key(1, "short", 0600);
    ck_assert_int_eq(request_keys_read(&keys, &config, &errors), ERR_IO);
    ck_assert(said(&errors, "at least 32 bytes"));
    write_key(1, "fedcba9876543210fedcba9876543210\n", 0644);
    ck_assert_int_eq(request_keys_read(&keys, &config, &errors), ERR_IO);
    ck_assert(said(&errors, "everyone on this machine"));
    ck_assert_int_eq(unlink(config.signer_file[0]), 0);
    ck_assert_int_eq(request_keys_read(&keys, &config, &errors), ERR_IO);
    ck_assert_uint_eq(errors.count, 3); /* both are told */
    ck_assert_int_eq(memcmp(&keys, &none, sizeof keys), 0);
    ck_assert_int_eq(unlink(config.signer_file[1]), 0);
}
END_TEST

START_TEST(check_says_what_run_would)
{
    write_key(0, "0123456789abcdef0123456789abcdef\n", 0600);
    write_key(1, "short", 0600);
    request_keys_check(&config, &errors, &warnings);
    ck_assert(errors.count == 1 && said(&errors, "'hub'") && warnings.count == 0);
    ck_assert_int_eq(unlink(config.signer_file[1]), 0);
    config.signer_file[1] = "${CREDENTIALS_DIRECTORY}/hub-key"; /* that was warned of before */
    errors.count = 0;
    request_keys_check(&config, &errors, &warnings);
    ck_assert(errors.count == 0 && warnings.count == 0);
    ck_assert_int_eq(unlink(config.signer_file[0]), 0);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("request_verify");
    tcase_add_checked_fixture(t, set_up, NULL);
    tcase_add_test(t, what_is_signed_passes);
    tcase_add_test(t, the_form_counts_not_the_bytes);
    tcase_add_loop_test(t, a_single_bit_of_the_code_counts, 0, SIGN_MAC_HEX - 1);
    tcase_add_test(t, each_member_the_key_and_the_topic_count);
    tcase_add_test(t, what_cannot_be_signed_is_said);
    tcase_add_test(t, unsigned_requests_are_refused_but_for_a_halt);
    tcase_add_test(t, a_signed_mistake_keeps_its_signature);
    tcase_add_test(t, without_keys_nothing_is_looked_at);
    tcase_add_test(t, a_replay_believes_by_and_n);
    tcase_add_loop_test(t, no_change_of_bytes_gets_through, 0, 4);
    tcase_add_test(t, keys_are_read_whole_or_not_at_all);
    tcase_add_test(t, check_says_what_run_would);
    return run_case(t, "request_verify");
}
