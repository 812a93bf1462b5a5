/* Requests over MQTT: the message, who waits for the answer, and the answer itself. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/hear/request_call.h"
#include "daemon/payload/json_guard.h"
#include "daemon/payload/payload.h"
#include "lib/base/prng.h"
#include "tests/unit/support.h"

static struct site_tank tanks[2];
static struct config config;
static struct routes routes;
static struct request_callers callers;
static struct request_refusal no;
static struct event_request q;
static struct request_keys keys;
static const struct request_trust trust = { &config.site, &keys };

static void set_up(void)
{
    tanks[0] = (struct site_tank){ .key = "basil-bench" };
    tanks[1] = (struct site_tank){ .key = "lettuce-wall" };
    tanks[0].probe[PROBE_EC] = (struct probe_config){ .present = true, .topic = "glass/basil/ec" };
    config = (struct config){ .homie_domain = "homie" };
    config.site = (struct site){ .key = "tern-hall",
        .tank_count = 2,
        .tank = tanks,
        .chain_count = 1,
        .chain = { { .key = "west",
            .device = "west",
            .count = 1,
            .module = { { .position = 1 } } } },
        .stock_count = 1,
        .stock = { { .key = "leaf-a", .bottle_ul = 5000000 } } };
    ck_assert_int_eq(routes_make(&routes, &config), ERR_NONE);
    memset(&callers, 0, sizeof callers);
}

static void clean_up(void)
{
    routes_free(&routes);
}

/* In a block of exactly its size, so that the sanitizer sees a read past it. */
static const struct event_request *read_bytes(const char *bytes, size_t length, bool retained)
{
    char *exact = malloc(length > 0 ? length : 1);
    memcpy(exact, bytes, length);
    const struct mqtt_message m = { .topic = "t",
        .payload = exact,
        .length = length,
        .retained = retained,
        .response_topic = "",
        .correlation = "" };
    memset(&no, 0, sizeof no);
    memset(&q, 0xA5, sizeof q);
    request_read_call(&q, &m, &trust, &no);
    free(exact);
    ck_assert_str_eq(q.origin.by, "mqtt");
    ck_assert_int_eq(q.origin.retained, retained);
    ck_assert_uint_eq(q.ticket, 0);
    return &q;
}

static const struct event_request *call(const char *text)
{
    return read_bytes(text, strlen(text), false);
}

static const char *refused(const char *text, const char *id)
{
    call(text);
    ck_assert_msg(q.kind == REQUEST_UNREAD, "%s got through", text);
    ck_assert_ptr_nonnull(q.refusal.reason);
    ck_assert_ptr_nonnull(q.refusal.text);
    ck_assert_uint_gt(strlen(q.refusal.text), 10);
    ck_assert_str_eq(q.id, id);
    return q.refusal.reason;
}

/* --- in --------------------------------------------------------------------------------------- */

START_TEST(a_call_has_an_id_and_a_request)
{
    call("{\"id\":\"bench-17\",\"request\":\"pause\",\"tank\":\"lettuce-wall\",\"on\":true}");
    ck_assert(q.kind == REQUEST_PAUSE && q.tank == 1 && q.on && !q.refusal.reason);
    ck_assert_str_eq(q.id, "bench-17");
    call(" { \"request\" : \"journal\" , \"to\":1207,\"from\":1200,\"id\":\"0\",\"more\":{} } ");
    ck_assert(q.kind == REQUEST_JOURNAL && q.from == 1200 && q.to == 1207);
    ck_assert_str_eq(call("{\"id\":\"01234567890123456789012345678901\",\"request\":\"claim\","
                          "\"chain\":\"west\"}")
                         ->id,
        "01234567890123456789012345678901");
}
END_TEST

START_TEST(what_cannot_be_read_says_so_under_its_id)
{
    ck_assert_str_eq(refused("", ""), "malformed");
    ck_assert_str_eq(refused("{\"id\":\"a\",\"request\":\"pause\"", ""), "malformed");
    ck_assert_str_eq(refused("[{\"id\":\"a\"}]", ""), "malformed");
    ck_assert_str_eq(refused("\"a\"", ""), "malformed");
    ck_assert_str_eq(refused("{\"id\":\"a\",\"id\":\"b\",\"request\":\"x\"}", ""), "malformed");
    ck_assert_str_eq(refused("{\"id\":\"a\",\"request\":\"pau\\u0000se\"}", ""), "malformed");
    ck_assert_str_eq(refused("{\"id\":\"a\",\"x\":NaN,\"request\":\"x\"}", ""), "malformed");
    ck_assert_str_eq(refused("{\"id\":\"a\",\"x\":1e308,\"request\":\"x\"}", ""), "malformed");
    ck_assert_str_eq(refused("{\"id\":\"a\",\"x\":\"\xff\"}", ""), "malformed");
    ck_assert_str_eq(
        refused("{\"id\":\"a\",\"x\":[[[[[[[[1]]]]]]]],\"request\":\"x\"}", ""), "malformed");
    ck_assert_str_eq(refused("{\"id\":\"a\"}", "a"), "malformed");
    ck_assert_str_eq(refused("{\"id\":\"a\",\"request\":7}", "a"), "malformed");
    ck_assert_str_eq(refused("{\"id\":\"a\",\"request\":\"dance\"}", "a"), "no-such-request");
    ck_assert_str_eq(
        refused("{\"id\":\"a\",\"request\":\"pause\",\"tank\":\"x\",\"on\":true}", "a"),
        "no-such-tank");
    ck_assert_str_eq(
        refused("{\"id\":\"a\",\"request\":\"journal\",\"from\":1.0,\"to\":2}", "a"), "malformed");
    ck_assert_str_eq(
        refused("{\"id\":\"a\",\"request\":\"journal\",\"from\":-1,\"to\":2}", "a"), "malformed");
    ck_assert_str_eq(refused("{\"id\":\"a\",\"request\":\"start-schedule\",\"schedule\":\"basil\","
                             "\"date\":\"2031-04-02\"}",
                         "a"),
        "by-configuration");
}
END_TEST

START_TEST(an_id_is_a_word)
{
    static const char *const bad[] = { "{\"request\":\"claim\",\"chain\":\"west\"}",
        "{\"id\":\"\",\"request\":\"claim\",\"chain\":\"west\"}",
        "{\"id\":7,\"request\":\"claim\",\"chain\":\"west\"}",
        "{\"id\":\"a b\",\"request\":\"claim\",\"chain\":\"west\"}",
        "{\"id\":\"a\\u002f\",\"request\":\"claim\",\"chain\":\"west\"}",
        "{\"id\":null,\"request\":\"halt\",\"on\":false}",
        "{\"id\":\"012345678901234567890123456789012\",\"request\":\"claim\",\"chain\":\"west\"}" };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        ck_assert_str_eq(refused(bad[i], ""), "no-id");
    }
}
END_TEST

/* Rather too much stops than nothing. */
START_TEST(an_order_to_halt_needs_no_id)
{
    call("{\"request\":\"halt\",\"on\":true}");
    ck_assert(q.kind == REQUEST_HALT && q.on && q.id[0] == '\0');
    call("{\"id\":\"not an id\",\"request\":\"set\",\"property\":\"site/halt\",\"value\":true}");
    ck_assert(q.kind == REQUEST_HALT && q.on && q.id[0] == '\0');
}
END_TEST

START_TEST(the_flag_goes_along)
{
    static const char text[] = "{\"id\":\"a\",\"request\":\"halt\",\"on\":true}";
    ck_assert(read_bytes(text, sizeof text - 1, true)->kind == REQUEST_HALT);
    ck_assert(read_bytes("nonsense", 8, true)->kind == REQUEST_UNREAD);
}
END_TEST

START_TEST(four_kib_and_no_more)
{
    static char text[PAYLOAD_MAX + 1];
    static const char start[] = "{\"id\":\"a\",\"request\":\"claim\",\"chain\":\"west\"}";
    memset(text, ' ', sizeof text);
    memcpy(text, start, sizeof start - 1);
    ck_assert(read_bytes(text, PAYLOAD_MAX, false)->kind == REQUEST_CLAIM);
    ck_assert(read_bytes(text, PAYLOAD_MAX + 1, false)->kind == REQUEST_UNREAD);
}
END_TEST

/* "set" knows every property that can be set on its own topic. */
START_TEST(each_settable_property_can_be_set)
{
    call("{\"id\":\"a\",\"request\":\"set\",\"tank\":\"basil-bench\",\"property\":\"setpoint/ec\","
         "\"value\":2.2}");
    ck_assert(q.kind == REQUEST_SET_EC && q.value >= 2200 && q.value <= 2200);
    call("{\"id\":\"a\",\"request\":\"set\",\"tank\":\"basil-bench\",\"property\":\"setpoint/ph\","
         "\"value\":6}");
    ck_assert(q.kind == REQUEST_SET_PH && q.value >= 6 && q.value <= 6);
    call("{\"id\":\"a\",\"request\":\"set\",\"tank\":\"lettuce-wall\",\"property\":"
         "\"setpoint/override-for\",\"value\":\"PT90M\"}");
    ck_assert(q.kind == REQUEST_OVERRIDE_FOR && q.tank == 1 && q.span_ms == 90 * MINUTE_MS);
    call("{\"id\":\"a\",\"request\":\"set\",\"tank\":\"lettuce-wall\",\"property\":"
         "\"dosing/paused\",\"value\":false}");
    ck_assert(q.kind == REQUEST_PAUSE && q.tank == 1 && !q.on);
    call("{\"id\":\"a\",\"request\":\"set\",\"property\":\"site/halt\",\"value\":false}");
    ck_assert(q.kind == REQUEST_HALT && !q.on);
    static const char *const bad[] = { "\"setpoint/ec\",\"value\":\"2.2\"",
        "\"setpoint/ph\",\"value\":true", "\"setpoint/override-for\",\"value\":90",
        "\"setpoint/override-for\",\"value\":\"90min\"", "\"dosing/paused\",\"value\":\"true\"",
        "\"dosing/paused\",\"value\":1", "\"site/halt\",\"value\":\"true\"", "\"site/halt\"" };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        char text[256];
        snprintf(text, sizeof text,
            "{\"id\":\"a\",\"request\":\"set\",\"tank\":\"basil-bench\",\"property\":%s}", bad[i]);
        ck_assert_str_eq(refused(text, "a"), "malformed");
        ck_assert_ptr_nonnull(strstr(no.text, "value"));
    }
}
END_TEST

/* --- who waits -------------------------------------------------------------------------------- */

static struct mqtt_message from(const char *topic, const char *correlation, size_t length)
{
    return (struct mqtt_message){
        .response_topic = topic, .correlation = correlation, .correlation_length = length
    };
}

static uint64_t add(const char *id, const struct mqtt_message *m)
{
    return request_caller_add(&callers, id, m, &config, &routes);
}

START_TEST(a_caller_is_answered_once)
{
    struct request_caller c;
    const struct mqtt_message m = from("reply/7",
        "\0\xff"
        "k",
        3);
    const uint64_t ticket = add("bench-17", &m);
    ck_assert(ticket & REQUEST_CALLER);
    ck_assert(request_caller_take(&callers, ticket, &c));
    ck_assert_str_eq(c.id, "bench-17");
    ck_assert_str_eq(c.topic, "reply/7");
    ck_assert_uint_eq(c.correlation_length, 3);
    ck_assert_int_eq(memcmp(c.correlation,
                         "\0\xff"
                         "k",
                         3),
        0);
    ck_assert(!request_caller_take(&callers, ticket, &c));
    ck_assert(!request_caller_take(&callers, 1, &c)); /* the socket's */
    ck_assert(!request_caller_take(&callers, 0, &c));
}
END_TEST

START_TEST(without_an_id_there_is_nobody)
{
    const struct mqtt_message m = from("reply/7", "", 0);
    ck_assert_uint_eq(add("", &m), 0);
}
END_TEST

START_TEST(one_too_many_lets_the_oldest_go)
{
    struct request_caller c;
    uint64_t ticket[REQUEST_CALLERS_MAX + 1];
    const struct mqtt_message m = from("", "", 0);
    for (int i = 0; i <= REQUEST_CALLERS_MAX; i++) {
        ticket[i] = add("x", &m);
    }
    ck_assert(!request_caller_take(&callers, ticket[0], &c));
    for (int i = 1; i <= REQUEST_CALLERS_MAX; i++) {
        ck_assert(request_caller_take(&callers, ticket[i], &c));
        ck_assert_str_eq(c.topic, "");
    }
}
END_TEST

/* The contract: not in the Homie domain, nor any configured topic. */
START_TEST(not_every_topic_may_be_answered_on)
{
    static const char *const good[] = { "reply/7", "a", "homier/5/x", "glass/basil", "HOMIE/5/x",
        "glass/basil/ec/set" };
    static const char *const bad[] = { "", "homie", "homie/", "homie/5/west/dose/command/set",
        "homie/5/tern-hall/site/halt/set", "homie/4/x", "glass/basil/ec", "$SYS/broker",
        "$share/a/b" };
    struct request_caller c;
    for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
        ck_assert_msg(request_may_answer_on(&config, &routes, good[i]), "%s", good[i]);
    }
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        ck_assert_msg(!request_may_answer_on(&config, &routes, bad[i]), "%s", bad[i]);
        const struct mqtt_message m = from(bad[i], "k", 1);
        ck_assert(request_caller_take(&callers, add("x", &m), &c));
        ck_assert_str_eq(c.topic, "");
        ck_assert_uint_eq(c.correlation_length, 0);
    }
    config.homie_domain = "glasshouse";
    ck_assert(!request_may_answer_on(&config, &routes, "glasshouse/5/x"));
    ck_assert(request_may_answer_on(&config, &routes, "homeassistant/device/x/config"));
    config.discovery_prefix = "homeassistant";
    ck_assert(!request_may_answer_on(&config, &routes, "homeassistant/device/x/config"));
    ck_assert(request_may_answer_on(&config, &routes, "homeassistants"));
}
END_TEST

/* --- the answer ------------------------------------------------------------------------------- */

static const char *answer(const char *text)
{
    static char line[REQUEST_ANSWER_MAX + 1];
    struct text t = text_over(line, sizeof line);
    request_add_answer(&t, "bench-17", false, "refused", text);
    ck_assert_msg(!t.cut, "%zu", t.length);
    struct json_view v;
    struct problem problem;
    ck_assert_msg(json_guard(&v, line, t.length, &problem) == ERR_NONE, "%s", line);
    return line;
}

START_TEST(an_answer_is_json)
{
    ck_assert_str_eq(answer("say \"please\""), "{\"id\":\"bench-17\",\"ok\":false,\"reason\":"
                                               "\"refused\",\"text\":\"say \\\"please\\\"\"}");
    char line[REQUEST_ANSWER_MAX + 1];
    struct text t = text_over(line, sizeof line);
    request_add_answer(&t, "a", true, "done", "");
    ck_assert_str_eq(line, "{\"id\":\"a\",\"ok\":true,\"reason\":\"done\",\"text\":\"\"}");
}
END_TEST

/* Any length, of characters of _i bytes (5: a control character, six in JSON). */
START_TEST(a_long_text_is_cut_between_characters)
{
    static const char *const character[] = { "", "x", "\xc3\xa4", "\xe2\x82\xac",
        "\xf0\x9f\x8c\xb1", "\x01" };
    const size_t bytes = strlen(character[_i]);
    size_t longest_whole = 0, shortest_cut = SIZE_MAX;
    for (size_t n = 0; n * bytes + 1 < ACTION_ANSWER_MAX; n++) {
        char text[ACTION_ANSWER_MAX];
        struct text t = text_over(text, sizeof text);
        for (size_t i = 0; i < n; i++) {
            text_add(&t, character[_i]);
        }
        const char *line = answer(text);
        ck_assert_uint_le(strlen(line), REQUEST_ANSWER_MAX);
        if (!strstr(line, " [cut]\"}")) {
            longest_whole = strlen(line);
            ck_assert_uint_eq(shortest_cut, SIZE_MAX);
        } else if (strlen(line) < shortest_cut) {
            shortest_cut = strlen(line);
        }
    }
    ck_assert_uint_gt(longest_whole, REQUEST_ANSWER_MAX - 6);
    ck_assert_uint_gt(shortest_cut, REQUEST_ANSWER_MAX - 12); /* no more is cut than must be */
}
END_TEST

/* --- foreign bytes ---------------------------------------------------------------------------- */

START_TEST(no_bytes_lead_astray) /* _i is the seed */
{
    static const char set[] = "{\"id\":\"a1\",\"request\":\"set\",\"tank\":\"basil-bench\","
                              "\"property\":\"setpoint/ec\",\"value\":1.4}";
    static const char *const seeds[] = { set,
        "{\"id\":\"a1\",\"request\":\"journal\",\"from\":12,\"to\":15}",
        "{\"id\":\"a1\",\"request\":\"refilled\",\"stock\":\"leaf-a\",\"ml\":250}",
        "{\"id\":\"a1\",\"request\":\"identify\",\"address\":\"west/1.2\"}" };
    static const char spice[] = "{}[]\",:\\u0e+-.19tfn \x80\xff/";
    struct prng prng = prng_seed((uint64_t)_i);
    char text[256];
    for (int n = 0; n < 5000; n++) {
        text_copy(text, sizeof text, seeds[prng_below(&prng, 4)]);
        const size_t length = strlen(text);
        for (int64_t k = prng_below(&prng, 6); k > 0; k--) {
            text[prng_below(&prng, (int64_t)length)] = spice[prng_below(&prng, sizeof spice - 1)];
        }
        const struct event_request *r = read_bytes(text, length, false);
        ck_assert(r->id[0] == '\0' || chain_id_valid(r->id));
        ck_assert_int_lt(r->kind, REQUEST_COUNT);
        ck_assert((r->kind == REQUEST_UNREAD) == (r->refusal.reason != NULL));
        ck_assert_uint_lt(r->tank, 2);
        ck_assert(r->chain == 0 && r->stock == 0);
    }
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("request_call");
    tcase_add_checked_fixture(t, set_up, clean_up);
    tcase_add_test(t, a_call_has_an_id_and_a_request);
    tcase_add_test(t, what_cannot_be_read_says_so_under_its_id);
    tcase_add_test(t, an_id_is_a_word);
    tcase_add_test(t, an_order_to_halt_needs_no_id);
    tcase_add_test(t, the_flag_goes_along);
    tcase_add_test(t, four_kib_and_no_more);
    tcase_add_test(t, each_settable_property_can_be_set);
    tcase_add_test(t, a_caller_is_answered_once);
    tcase_add_test(t, without_an_id_there_is_nobody);
    tcase_add_test(t, one_too_many_lets_the_oldest_go);
    tcase_add_test(t, not_every_topic_may_be_answered_on);
    tcase_add_test(t, an_answer_is_json);
    tcase_add_loop_test(t, a_long_text_is_cut_between_characters, 1, 6);
    tcase_add_loop_test(t, no_bytes_lead_astray, 0, 8);
    return run_case(t, "request_call");
}
