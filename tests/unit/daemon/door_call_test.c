#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/door/door_call.h"
#include "lib/base/prng.h"
#include "tests/unit/support.h"

static struct site_tank tanks[40];
static struct site site;
static struct door_call call;
static struct request_refusal no;
static uint32_t from;

static void set_up(void)
{
    static char keys[40][24];
    for (int i = 0; i < 40; i++) {
        snprintf(keys[i], sizeof keys[i], "bench-%d", i);
        tanks[i].key = keys[i];
    }
    tanks[0].key = "basil-bench";
    site = (struct site){ .key = "tern-hall",
        .tank_count = 2,
        .tank = tanks,
        .chain_count = 2,
        .chain = { { .key = "east" },
            { .key = "west", .count = 2, .module = { { .position = 1 }, { .position = 2 } } } },
        .stock_count = 2,
        .stock = { { .key = "leaf-a", .bottle_ul = 5000000 }, { .key = "acid" } } };
}

/* The line in a block of exactly its size, so that the sanitizer sees a read past it. */
static bool read_line(const char *line)
{
    const size_t length = strlen(line);
    char *exact = malloc(length > 0 ? length : 1);
    memcpy(exact, line, length);
    memset(&call, 0xA5, sizeof call);
    memset(&no, 0, sizeof no);
    from = 99;
    const bool read = door_read_call(&call, &from, exact, length, &site, &no);
    free(exact);
    return read;
}

static const struct event_request *request(const char *members)
{
    char line[DOOR_CALL_MAX];
    snprintf(line, sizeof line, "{\"call\":\"request\",\"request\":%s}", members);
    ck_assert_msg(read_line(line), "%s: %s", line, no.text);
    ck_assert_int_eq(call.kind, DOOR_REQUEST);
    ck_assert_str_eq(call.request.origin.by, "socket");
    return &call.request;
}

static const char *refused(const char *line)
{
    ck_assert_msg(!read_line(line), "%s got through", line);
    ck_assert_uint_gt(strlen(no.text), 10);
    return no.reason;
}

static const char *refused_request(const char *members)
{
    char line[DOOR_CALL_MAX];
    snprintf(line, sizeof line, "{\"call\":\"request\",\"request\":%s}", members);
    return refused(line);
}

START_TEST(each_call_is_understood)
{
    ck_assert(read_line("{\"call\":\"status\"}"));
    ck_assert_int_eq(call.kind, DOOR_STATUS);
    ck_assert_uint_eq(from, 0);
    ck_assert(read_line(" { \"call\" : \"status\" , \"from\" : 800 } \r"));
    ck_assert_uint_eq(from, 800);
    ck_assert(read_line("{\"call\":\"reload\",\"unknown\":[1,{}]}"));
    ck_assert_int_eq(call.kind, DOOR_RELOAD);
}
END_TEST

START_TEST(each_request_is_understood)
{
    const struct event_request *q = request("\"halt\",\"on\":true");
    ck_assert(q->kind == REQUEST_HALT && q->on);
    q = request("\"halt\",\"on\":false");
    ck_assert(q->kind == REQUEST_HALT && !q->on);
    q = request("\"pause\",\"tank\":\"bench-1\",\"on\":true");
    ck_assert(q->kind == REQUEST_PAUSE && q->tank == 1 && q->on);
    q = request("\"service\",\"tank\":\"basil-bench\",\"on\":false");
    ck_assert(q->kind == REQUEST_SERVICE && q->tank == 0 && !q->on);
    q = request("\"acknowledge\",\"alert\":\"west-roll-call\"");
    ck_assert(q->kind == REQUEST_ACKNOWLEDGE);
    ck_assert_str_eq(q->word, "west-roll-call");
    q = request("\"claim\",\"chain\":\"west\"");
    ck_assert(q->kind == REQUEST_CLAIM && q->chain == 1);
    q = request("\"refilled\",\"stock\":\"acid\",\"ml\":2500.5");
    ck_assert(q->kind == REQUEST_REFILLED && q->stock == 1);
    ck_assert_int_eq(q->ul, 2500500);
    q = request("\"refilled\",\"stock\":\"leaf-a\"");
    ck_assert_int_eq(q->ul, 5000000);
    q = request("\"tube-changed\",\"tank\":\"bench-1\",\"stock\":\"acid\"");
    ck_assert(q->kind == REQUEST_TUBE_CHANGED && q->tank == 1 && q->stock == 1);
    q = request("\"strainer-cleaned\",\"tank\":\"bench-1\"");
    ck_assert(q->kind == REQUEST_STRAINER_CLEANED && q->tank == 1);
    q = request("\"water-changed\",\"tank\":\"bench-1\",\"litres\":12.5");
    ck_assert(q->kind == REQUEST_WATER_CHANGED && q->tank == 1);
    ck_assert_int_eq(q->ul, 12500000);
    q = request("\"water-changed\",\"tank\":\"bench-1\"");
    ck_assert_int_eq(q->ul, 0);
    q = request("\"identify\",\"address\":\"west/2.3\"");
    ck_assert(q->kind == REQUEST_IDENTIFY && q->address.chain == 1);
    ck_assert_uint_eq(q->address.position, 2);
    ck_assert_uint_eq(q->address.channel, 3);
    q = request("\"identify\",\"address\":\"west/1.circulation\"");
    ck_assert_uint_eq(q->address.channel, CHAIN_CIRCULATION_CHANNEL);
}
END_TEST

/* leaf-a serves both tanks, acid only the first. */
static void hang_pumps(void)
{
    tanks[0].pump_count = 2;
    tanks[0].pump[0].stock = 0;
    tanks[0].pump[1].stock = 1;
    tanks[1].pump_count = 1;
    tanks[1].pump[0].stock = 0;
}

START_TEST(liquid_that_somebody_asks_for)
{
    hang_pumps();
    const struct event_request *q = request("\"bench\",\"tank\":\"bench-1\",\"on\":true");
    ck_assert(q->kind == REQUEST_BENCH && q->tank == 1 && q->on);
    q = request("\"dose\",\"stock\":\"leaf-a\",\"tank\":\"bench-1\",\"ml\":2.5");
    ck_assert(q->kind == REQUEST_DOSE && q->tank == 1 && q->stock == 0 && !q->cup);
    ck_assert_int_eq(q->ul, 2500);
    q = request("\"prime\",\"stock\":\"acid\",\"ml\":12,\"into\":\"cup\"");
    ck_assert(q->kind == REQUEST_PRIME && q->tank == 0 && q->stock == 1 && q->cup);
    q = request("\"calibrate-pump\",\"stock\":\"acid\",\"ml\":12,\"into\":\"tank\"");
    ck_assert(q->kind == REQUEST_CALIBRATE_PUMP && !q->cup);
    q = request("\"calibrate-pump\",\"stock\":\"acid\",\"measured_ml\":12.34");
    ck_assert(q->kind == REQUEST_MEASURED && q->stock == 1);
    ck_assert_int_eq(q->ul, 12340);
    q = request("\"circulate\",\"tank\":\"bench-1\",\"for_s\":60");
    ck_assert(q->kind == REQUEST_CIRCULATE && q->tank == 1);
    ck_assert_int_eq(q->span_ms, 60000);
    q = request("\"calibrate-flow\",\"tank\":\"bench-1\",\"for_s\":30");
    ck_assert(q->kind == REQUEST_CALIBRATE_FLOW && q->tank == 1);
    ck_assert_int_eq(q->span_ms, 30000);
    q = request("\"calibrate-flow\",\"tank\":\"bench-1\",\"measured_l\":7.25");
    ck_assert(q->kind == REQUEST_FLOW_MEASURED && q->ul == 7250000 && q->span_ms == 0);
    q = request("\"calibrate-flow\",\"tank\":\"bench-1\",\"measured_l\":10,\"seconds\":41.5");
    ck_assert(q->kind == REQUEST_FLOW_MEASURED && q->span_ms == 41500);
    ck_assert_str_eq(
        refused_request("\"calibrate-flow\",\"tank\":\"bench-1\",\"for_s\":4"), "out-of-range");
    ck_assert_str_eq(refused_request("\"calibrate-flow\",\"tank\":\"bench-1\""), "malformed");
    ck_assert_str_eq(refused_request("\"calibrate-flow\",\"tank\":\"bench-1\",\"measured_l\":0"),
        "out-of-range");
    ck_assert_str_eq(refused_request("\"dose\",\"stock\":\"leaf-a\",\"ml\":2"), "malformed");
    ck_assert_str_eq(
        refused_request("\"prime\",\"stock\":\"acid\",\"ml\":12,\"into\":\"hat\""), "malformed");
    ck_assert_str_eq(refused_request("\"prime\",\"stock\":\"acid\",\"ml\":12"), "malformed");
    ck_assert_str_eq(refused_request("\"dose\",\"stock\":\"acid\",\"ml\":0"), "out-of-range");
    ck_assert_str_eq(refused_request("\"dose\",\"stock\":\"acid\",\"ml\":-1"), "out-of-range");
    ck_assert_str_eq(
        refused_request("\"circulate\",\"tank\":\"bench-1\",\"for_s\":3601"), "out-of-range");
}
END_TEST

START_TEST(a_pause_may_say_what_for_and_what_is_asked_for_is_cancelled)
{
    static const char *const bad[] = { "\"\"", "7", "\"caf\u00e9\"", "\"a\\nb\"",
        "\"0123456789012345678901234567890123456789012345678901234567890123\"" };
    const struct event_request *q =
        request("\"pause\",\"tank\":\"bench-1\",\"on\":true,\"for\":\"a trial\"");
    ck_assert(q->kind == REQUEST_PAUSE && q->tank == 1 && q->on);
    ck_assert_str_eq(q->word, "a trial");
    q = request("\"pause\",\"tank\":\"bench-1\",\"on\":false");
    ck_assert(q->kind == REQUEST_PAUSE && !q->on && q->word[0] == '\0');
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        char words[256];
        (void)snprintf(
            words, sizeof words, "\"pause\",\"tank\":\"bench-1\",\"on\":true,\"for\":%s", bad[i]);
        ck_assert_str_eq(refused_request(words), "malformed");
    }
    q = request("\"cancel\",\"tank\":\"bench-1\"");
    ck_assert(q->kind == REQUEST_CANCEL && q->tank == 1);
    ck_assert_str_eq(refused_request("\"cancel\""), "malformed");
}
END_TEST

START_TEST(a_bath_is_a_word_or_a_number)
{
    const struct event_request *q = request(
        "\"calibrate-probe\",\"tank\":\"bench-1\",\"probe\":\"ph\",\"point\":\"technical-7\"");
    ck_assert(q->kind == REQUEST_CALIBRATE_PROBE && q->tank == 1 && q->quantity == PROBE_PH);
    ck_assert_str_eq(q->word, "technical-7");
    ck_assert(isnan(q->degc));
    q = request("\"calibrate-probe\",\"tank\":\"bench-1\",\"probe\":\"ec\",\"point\":1413,"
                "\"degc\":21.5");
    ck_assert(q->quantity == PROBE_EC);
    ck_assert_str_eq(q->word, "1413");
    ck_assert_double_eq(q->degc, 21.5);
    ck_assert_str_eq(refused_request("\"calibrate-probe\",\"tank\":\"bench-1\",\"probe\":\"level\","
                                     "\"point\":\"1413\""),
        "no-such-probe");
    ck_assert_str_eq(
        refused_request("\"calibrate-probe\",\"tank\":\"bench-1\",\"probe\":\"ph\""), "malformed");
    ck_assert_str_eq(refused_request("\"calibrate-probe\",\"tank\":\"bench-1\",\"probe\":\"ph\","
                                     "\"point\":7,\"degc\":60"),
        "out-of-range");
}
END_TEST

START_TEST(ec_comes_in_ms_cm_and_goes_on_in_us_cm)
{
    const struct event_request *q =
        request("\"set\",\"tank\":\"basil-bench\",\"property\":\"setpoint/ec\",\"value\":1.4");
    ck_assert(q->kind == REQUEST_SET_EC && q->tank == 0);
    ck_assert_double_eq(q->value, 1400);
    q = request("\"set\",\"tank\":\"basil-bench\",\"property\":\"setpoint/ec\",\"value\":1.005");
    ck_assert_double_eq(q->value, 1005); /* 1.005 * 1000 is 1004.99... */
    q = request("\"set\",\"tank\":\"bench-1\",\"property\":\"setpoint/ph\",\"value\":5.8");
    ck_assert(q->kind == REQUEST_SET_PH && q->tank == 1);
    ck_assert_double_eq(q->value, 5.8);
}
END_TEST

START_TEST(an_override_lasts_minutes_or_a_duration)
{
    const struct event_request *q =
        request("\"override-for\",\"tank\":\"basil-bench\",\"minutes\":480");
    ck_assert(q->kind == REQUEST_OVERRIDE_FOR && q->tank == 0);
    ck_assert_int_eq(q->span_ms, 8 * HOUR_MS);
    q = request("\"override-for\",\"tank\":\"basil-bench\",\"for\":\"PT1H30M\"");
    ck_assert_int_eq(q->span_ms, 90 * MINUTE_MS);
    q = request("\"override-for\",\"tank\":\"basil-bench\",\"for\":\"PT0S\"");
    ck_assert_int_eq(q->span_ms, 0);
}
END_TEST

START_TEST(a_duration_is_whole_and_in_order)
{
    int64_t ms = 7;
    ck_assert(request_read_duration(&ms, "PT2H3M4S"));
    ck_assert_int_eq(ms, 2 * HOUR_MS + 3 * MINUTE_MS + 4 * SECOND_MS);
    ck_assert(request_read_duration(&ms, "PT90M"));
    ck_assert_int_eq(ms, 90 * MINUTE_MS);
    static const char *const bad[] = { "", "P", "PT", "PT1", "PTH", "8H", "PT8h", "PT1M1H",
        "PT1S1M", "PT-1H", "PT1.5H", "PT1H ", "P1D", "PT9999999999H", "PT8785H", "PT1H1H" };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        ms = 7;
        ck_assert_msg(!request_read_duration(&ms, bad[i]), "'%s'", bad[i]);
        ck_assert_int_eq(ms, 7);
    }
}
END_TEST

START_TEST(a_name_that_isnt_known_gets_those_that_are)
{
    ck_assert_str_eq(
        refused_request("\"pause\",\"tank\":\"x\\u001b[2J\",\"on\":true"), "no-such-tank");
    ck_assert_str_eq(no.text, "there is no tank \"x\\x1b[2J\"; there are: basil-bench, bench-1");
    ck_assert_str_eq(refused_request("\"claim\",\"chain\":\"south\""), "no-such-chain");
    ck_assert_str_eq(no.text, "there is no chain \"south\"; there are: east, west");
    ck_assert_str_eq(refused_request("\"refilled\",\"stock\":\"base\""), "no-such-stock");
    ck_assert_str_eq(refused_request("\"identify\",\"address\":\"south/1.1\""), "no-such-chain");
    ck_assert_str_eq(refused_request("\"identify\",\"address\":\"west/3.1\""), "no-such-module");
    ck_assert_str_eq(refused_request("\"dance\""), "no-such-request");
    ck_assert_ptr_nonnull(strstr(no.text, "halt, pause, service"));
    site.tank_count = 0;
    ck_assert_str_eq(refused_request("\"pause\",\"tank\":\"x\",\"on\":true"), "no-such-tank");
    ck_assert_str_eq(no.text, "there is no tank \"x\"; there are none");
    site.tank_count = 40;
    ck_assert_uint_eq(request("\"pause\",\"tank\":\"bench-10\",\"on\":true")->tank, 10);
    ck_assert_str_eq(refused_request("\"pause\",\"tank\":\"x\",\"on\":true"), "no-such-tank");
    ck_assert_ptr_nonnull(strstr(no.text, "bench-11 and 28 more"));
}
END_TEST

START_TEST(a_missing_or_mistyped_member_is_named)
{
    static const char *const bad[][2] = { { "\"halt\"", "\"on\"" },
        { "\"halt\",\"on\":1", "\"on\"" }, { "\"halt\",\"on\":\"true\"", "\"on\"" },
        { "\"pause\",\"on\":true", "\"tank\"" }, { "\"pause\",\"tank\":3,\"on\":true", "\"tank\"" },
        { "\"set\",\"tank\":\"basil-bench\",\"value\":1", "\"property\"" },
        { "\"set\",\"tank\":\"basil-bench\",\"property\":\"setpoint/ec\"", "\"value\"" },
        { "\"set\",\"tank\":\"basil-bench\",\"property\":\"setpoint/ec\",\"value\":\"1\"",
            "\"value\"" },
        { "\"set\",\"tank\":\"basil-bench\",\"property\":\"setpoint/ec\",\"value\":1e999",
            "isn't finite" },
        { "\"override-for\",\"tank\":\"basil-bench\"", "\"minutes\"" },
        { "\"acknowledge\"", "\"alert\"" }, { "\"refilled\",\"ml\":1", "\"stock\"" },
        { "\"refilled\",\"stock\":\"acid\",\"ml\":null", "\"ml\"" },
        { "\"tube-changed\",\"tank\":\"basil-bench\"", "\"stock\"" },
        { "\"water-changed\",\"tank\":\"basil-bench\",\"litres\":\"all\"", "\"litres\"" },
        { "\"strainer-cleaned\"", "\"tank\"" },
        { "\"identify\",\"address\":\"west\"", "\"address\": found \"west\"; allowed" },
        { "7", "\"request\"" } };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        ck_assert_str_eq(refused_request(bad[i][0]), "malformed");
        ck_assert_msg(strstr(no.text, bad[i][1]) != NULL, "%s: %s", bad[i][0], no.text);
    }
}
END_TEST

START_TEST(a_number_out_of_bounds_is_refused)
{
    static const char *const bad[] = {
        "\"set\",\"tank\":\"basil-bench\",\"property\":\"setpoint/ec\",\"value\":-0.1",
        "\"set\",\"tank\":\"basil-bench\",\"property\":\"setpoint/ec\",\"value\":1001",
        "\"override-for\",\"tank\":\"basil-bench\",\"minutes\":-1",
        "\"override-for\",\"tank\":\"basil-bench\",\"minutes\":1e300",
        "\"water-changed\",\"tank\":\"basil-bench\",\"litres\":-1",
        "\"water-changed\",\"tank\":\"basil-bench\",\"litres\":100001",
        "\"refilled\",\"stock\":\"acid\",\"ml\":-1", "\"refilled\",\"stock\":\"acid\",\"ml\":1e12"
    };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        ck_assert_str_eq(refused_request(bad[i]), "out-of-range");
    }
    ck_assert_str_eq(refused("{\"call\":\"status\",\"from\":-1}"), "out-of-range");
    ck_assert_str_eq(refused("{\"call\":\"status\",\"from\":1e9}"), "out-of-range");
}
END_TEST

START_TEST(only_two_properties_can_be_set)
{
    ck_assert_str_eq(refused_request("\"set\",\"tank\":\"basil-bench\",\"property\":\"water/ec\","
                                     "\"value\":1"),
        "no-such-property");
    ck_assert_str_eq(refused_request("\"acknowledge\",\"alert\":\"\""), "no-such-alert");
    ck_assert_str_eq(refused("{\"call\":\"stop\"}"), "no-such-call");
}
END_TEST

START_TEST(what_isnt_one_plain_object_is_malformed)
{
    static const char *const bad[] = { "", " ", "{", "}", "[]", "\"status\"", "null", "{}{}",
        "{\"call\":\"status\"}x", "{\"call\":\"status\"}}", "{\"call\":\"status\",}",
        "{\"call\":\"status\",\"call\":\"reload\"}", "{\"a\":1,\"call\":\"status\",\"a\":1}",
        "{\"call\":\"sta\\u0000tus\"}", "{\"call\":\"sta\001tus\"}", "{\"call\":\"status",
        "{\"a\":\"\\", "{\"call\":\"status\",\"a\":[[[[[[[[1]]]]]]]]}", "\xef\xbb\xbf[]",
        "{\"call\":status}", "{}" };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        ck_assert_str_eq(refused(bad[i]), "malformed");
    }
    ck_assert(read_line("{\"call\":\"status\",\"a\":[[[[[[[1]]]]]]]}")); /* 8 levels are fine */
    ck_assert(read_line("{\"call\":\"status\",\"a\":\"[[[[[[[[[[[[{{{ \\\" {\"}"));
    ck_assert(!door_read_call(&call, &from, "{\"call\":\"status\0\"}", 18, &site, &no));
}
END_TEST

START_TEST(a_line_over_the_bound_is_malformed)
{
    char line[DOOR_CALL_MAX + 2];
    memset(line, ' ', sizeof line);
    memcpy(line, "{\"call\":\"status\"}", 17);
    line[DOOR_CALL_MAX] = '\0';
    ck_assert(read_line(line));
    line[DOOR_CALL_MAX] = ' ';
    line[DOOR_CALL_MAX + 1] = '\0';
    ck_assert_str_eq(refused(line), "malformed");
}
END_TEST

/* Damaged calls: whatever comes out is a call within its bounds or a reason; sanitizers watch. */
START_TEST(no_bytes_lead_astray) /* _i is the seed */
{
    static const char *const seeds[] = { "{\"call\":\"request\",\"request\":\"set\",\"tank\":"
                                         "\"basil-bench\",\"property\":\"setpoint/"
                                         "ec\",\"value\":1.4}",
        "{\"call\":\"request\",\"request\":\"identify\",\"address\":\"west/2.3\"}",
        "{\"call\":\"request\",\"request\":\"override-for\",\"tank\":\"bench-1\",\"for\":\"PT8H\"}",
        "{\"call\":\"request\",\"request\":\"refilled\",\"stock\":\"acid\",\"ml\":2500}",
        "{\"call\":\"status\",\"from\":3}" };
    static const char spice[] = "{}[]\",:\\u0e+-.19tfn \x80\xff/";
    struct prng prng = prng_seed((uint64_t)_i);
    char line[256];
    for (int n = 0; n < 5000; n++) {
        text_copy(line, sizeof line, seeds[prng_below(&prng, 5)]);
        for (int64_t k = prng_below(&prng, 6); k > 0; k--) {
            line[prng_below(&prng, (int64_t)strlen(line))] =
                spice[prng_below(&prng, sizeof spice - 1)];
        }
        if (!read_line(line)) {
            ck_assert_uint_gt(strlen(no.reason), 0);
            continue;
        }
        ck_assert_uint_lt(call.request.tank, site.tank_count);
        ck_assert_uint_lt(call.request.chain, site.chain_count);
        ck_assert_uint_lt(call.request.stock, site.stock_count);
        ck_assert(isfinite(call.request.value));
        ck_assert_int_ge(call.request.span_ms, 0);
        ck_assert_int_ge(call.request.ul, 0);
    }
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("door_call");
    tcase_add_checked_fixture(t, set_up, NULL);
    tcase_add_test(t, each_call_is_understood);
    tcase_add_test(t, each_request_is_understood);
    tcase_add_test(t, liquid_that_somebody_asks_for);
    tcase_add_test(t, a_bath_is_a_word_or_a_number);
    tcase_add_test(t, a_pause_may_say_what_for_and_what_is_asked_for_is_cancelled);
    tcase_add_test(t, ec_comes_in_ms_cm_and_goes_on_in_us_cm);
    tcase_add_test(t, an_override_lasts_minutes_or_a_duration);
    tcase_add_test(t, a_duration_is_whole_and_in_order);
    tcase_add_test(t, a_name_that_isnt_known_gets_those_that_are);
    tcase_add_test(t, a_missing_or_mistyped_member_is_named);
    tcase_add_test(t, a_number_out_of_bounds_is_refused);
    tcase_add_test(t, only_two_properties_can_be_set);
    tcase_add_test(t, what_isnt_one_plain_object_is_malformed);
    tcase_add_test(t, a_line_over_the_bound_is_malformed);
    tcase_add_loop_test(t, no_bytes_lead_astray, 0, 8);
    return run_case(t, "door_call");
}
