/* The daemon's Homie devices over plain values. */
#include "tests/unit/daemon/homie_fixture.h"

#include "daemon/payload/json_guard.h"

static void setup(void)
{
    fixture_setup();
}

static void measure(uint32_t tank, enum probe_quantity quantity, double value)
{
    world.tank[tank].probe[quantity] = (struct probe_view){
        .present = true, .has_value = true, .value = value, .quality = PROBE_GOOD
    };
}

static struct json_view parse(const char *text)
{
    struct json_view view;
    struct problem problem = { 0 };
    ck_assert_msg(
        json_guard(&view, text, strlen(text), &problem) == ERR_NONE, "%s: %s", problem.text, text);
    return view;
}

static struct json_view at(struct json_view root, const char *pointer)
{
    struct json_view v;
    ck_assert_msg(json_point(root, pointer, &v), "no %s", pointer);
    return v;
}

static bool has(struct json_view root, const char *pointer)
{
    struct json_view v;
    return json_point(root, pointer, &v);
}

static void is_text(struct json_view root, const char *pointer, const char *expected)
{
    char text[512];
    ck_assert(json_string(at(root, pointer), text, sizeof text));
    ck_assert_str_eq(text, expected);
}

static enum homie_set set(struct homie *h, const char *topic, const char *payload, bool retained,
    struct event_request *ret)
{
    char whole[200];
    struct problem problem = { 0 };
    snprintf(whole, sizeof whole, "homie/5/%s", topic);
    const struct mqtt_message m = { .topic = whole,
        .payload = payload,
        .length = strlen(payload),
        .retained = retained,
        .response_topic = "",
        .correlation = "" };
    const enum homie_set got = homie_read_set(h, &m, ret, &problem);
    ck_assert_int_eq(got == HOMIE_REFUSED, problem.text[0] != '\0');
    return got;
}

START_TEST(a_device_says_init_description_values_ready_in_this_order)
{
    measure(0, PROBE_EC, 1412.4);
    struct homie *h = fixture_open();
    fixture_settle(h);
    const int root_init = fixture_place("tern-hall/$state", "init");
    const int init = fixture_place("tern-hall-basil-bench/$state", "init");
    const int description = fixture_place("tern-hall-basil-bench/$description", NULL);
    const int ec = fixture_place("tern-hall-basil-bench/water/ec", "1.412");
    const int ready = fixture_place("tern-hall-basil-bench/$state", "ready");
    const int root_description = fixture_place("tern-hall/$description", NULL);
    const int root_ready = fixture_place("tern-hall/$state", "ready");
    ck_assert_int_eq(root_init, 0);
    ck_assert_int_lt(root_init, init);
    ck_assert_int_lt(init, description);
    ck_assert_int_lt(description, ec);
    ck_assert_int_lt(ec, ready);
    ck_assert_int_lt(ready, root_description);
    ck_assert_int_lt(fixture_place("tern-hall-lettuce-wall/$state", "ready"), root_description);
    ck_assert_int_lt(root_description, root_ready);
    for (uint32_t i = 0; i < world.sent_count; i++) {
        ck_assert(world.sent[i].retained);
        ck_assert_int_eq(world.sent[i].qos, 1);
    }
    homie_close(h);
}
END_TEST

/* Homie 5, "Device Attributes" and "Property Attributes". */
START_TEST(the_description_is_what_homie_wants)
{
    measure(0, PROBE_EC, 1412.4);
    world.tank[0].planted = true;
    world.tank[0].set_ec_us_cm = 1400;
    world.tank[0].set_ph = 5.8;
    struct homie *h = fixture_open();
    fixture_settle(h);
    const struct json_view root = parse(fixture_sent("tern-hall/$description"));
    is_text(root, "/homie", "5.0");
    is_text(root, "/name", "Tern Hall school glasshouse");
    is_text(root, "/children/0", "tern-hall-basil-bench");
    is_text(root, "/children/1", "tern-hall-lettuce-wall");
    ck_assert(!has(root, "/root"));
    is_text(root, "/nodes/site/properties/halt/datatype", "boolean");
    ck_assert(json_kind(at(root, "/nodes/site/properties/halt/settable")) == JSON_TRUE);
    ck_assert(json_kind(at(root, "/nodes/site/properties/beat/retained")) == JSON_FALSE);
    is_text(root, "/nodes/journal/properties/tip/datatype", "json");
    is_text(root, "/nodes/request/properties/call/datatype", "json");
    ck_assert(json_kind(at(root, "/nodes/request/properties/call/settable")) == JSON_TRUE);
    ck_assert(json_kind(at(root, "/nodes/request/properties/call/retained")) == JSON_FALSE);
    is_text(root, "/nodes/request/properties/answer/datatype", "json");
    ck_assert(!has(root, "/nodes/request/properties/answer/settable"));
    ck_assert(json_kind(at(root, "/nodes/request/properties/answer/retained")) == JSON_FALSE);

    const struct json_view tank = parse(fixture_sent("tern-hall-basil-bench/$description"));
    int64_t version;
    ck_assert(json_count(at(tank, "/version"), &version));
    ck_assert_int_eq(version, 1932000000);
    is_text(tank, "/root", "tern-hall");
    ck_assert(!has(tank, "/children"));
    is_text(tank, "/nodes/water/properties/ec/unit", "mS/cm");
    is_text(tank, "/nodes/water/properties/ec-quality/format", "good,stale,suspect,faulty,none");
    is_text(tank, "/nodes/setpoint/properties/ec/format", "0.400:2.200");
    is_text(tank, "/nodes/setpoint/properties/ph/format", "5.20:6.80");
    is_text(tank, "/nodes/setpoint/properties/override-for/datatype", "duration");
    is_text(tank, "/nodes/dosing/properties/state/format",
        "starting,standby,waiting,holding,circulating,injecting,flushing,mixing,priming,"
        "calibrating,paused,interlocked,locked,halted");
    is_text(tank, "/nodes/stock-acid/properties/remaining/unit", "L");
    ck_assert(!has(tank, "/nodes/water/properties/ph"));
    ck_assert(!has(tank, "/nodes/stock-acid/properties/days-left"));
    const struct json_view wall = parse(fixture_sent("tern-hall-lettuce-wall/$description"));
    is_text(wall, "/name", "Lettuce \"wall\"");
    ck_assert(!has(wall, "/nodes/setpoint/properties/ec"));
    ck_assert(!has(wall, "/nodes/stock-acid"));
    ck_assert(has(wall, "/nodes/stock-leaf-a"));
    homie_close(h);
}
END_TEST

START_TEST(a_first_value_takes_the_device_through_init)
{
    struct homie *h = fixture_open();
    fixture_settle(h);
    ck_assert_ptr_null(fixture_sent("tern-hall-basil-bench/water/ph"));
    const struct json_view before = parse(fixture_sent("tern-hall-basil-bench/$description"));
    int64_t old_version, new_version;
    ck_assert(json_count(at(before, "/version"), &old_version));
    measure(0, PROBE_PH, 6.0449);
    fixture_settle(h); /* within the same second */
    ck_assert_int_eq(fixture_place("tern-hall-basil-bench/$state", "init"), 0);
    ck_assert_int_eq(fixture_place("tern-hall-basil-bench/$description", NULL), 1);
    const struct json_view after = parse(fixture_sent("tern-hall-basil-bench/$description"));
    ck_assert(has(after, "/nodes/water/properties/ph"));
    ck_assert(json_count(at(after, "/version"), &new_version));
    ck_assert_int_gt(new_version, old_version);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ph"), "6.04");
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/$state"), "ready");
    ck_assert_ptr_null(fixture_sent("tern-hall/$state"));
    /* a value that goes leaves the property where it is */
    world.tank[0].probe[PROBE_PH].has_value = false;
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    homie_close(h);
}
END_TEST

START_TEST(what_has_not_changed_is_not_said_again)
{
    measure(0, PROBE_EC, 1400);
    struct homie *h = fixture_open();
    fixture_settle(h);
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    world.tank[0].probe[PROBE_EC].value = 1409.4; /* 0.009 mS/cm: below the resolution */
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    world.tank[0].probe[PROBE_EC].value = 1410;
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 1);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ec"), "1.410");
    world.tank[0].probe[PROBE_EC].value = 1400;
    world.tank[0].state = TANK_MIXING;
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 2);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ec"), "1.400");
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/dosing/state"), "mixing");
    homie_close(h);
}
END_TEST

START_TEST(the_water_is_said_every_minute_but_an_old_value_is_not)
{
    measure(0, PROBE_EC, 1400);
    measure(0, PROBE_PH, 6);
    struct homie *h = fixture_open();
    fixture_settle(h);
    world.now.mono.ms += 59999;
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    world.now.mono.ms += 1;
    world.tank[0].probe[PROBE_PH].quality = PROBE_STALE;
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ec"), "1.400");
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ec-quality"), "good");
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ph-quality"), "stale");
    ck_assert_ptr_null(fixture_sent("tern-hall-basil-bench/water/ph"));
    ck_assert_ptr_null(fixture_sent("tern-hall-basil-bench/dosing/state"));
    homie_close(h);
}
END_TEST

START_TEST(values_read_as_the_contract_says)
{
    struct tank_view *v = &world.tank[0];
    measure(0, PROBE_TEMPERATURE, -0.04);
    measure(0, PROBE_VOLUME, 118.25);
    measure(0, PROBE_AIR_TEMPERATURE, 24.96);
    measure(0, PROBE_HUMIDITY, 60.4);
    v->upkeep.vpd_kpa = 1.2669;
    v->upkeep.light = LIGHT_OFF;
    v->planted = true;
    v->set_ec_us_cm = 833.3333;
    v->set_ph = 5.8;
    v->override = true;
    v->stage = "leafing";
    v->day = 17;
    v->paused = true;
    v->why[0] = '\0';
    v->last.stock = "leaf-a";
    v->last.ul = 3500;
    v->last.at = (struct civil){ INT64_C(1932872767089) };
    snprintf(v->last.id, sizeof v->last.id, "9f2c-1");
    v->pump[0].day_ul = 12345;
    world.stock[1].days_left = 12.34;
    world.site.halted = true;
    struct homie *h = fixture_open();
    homie_config(h, "ab12", (struct civil){ INT64_C(1932872767089) }, "site.yaml:3:1: \"no\"");
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall/site/halt"), "true");
    const struct json_view config = parse(fixture_sent("tern-hall/site/config"));
    is_text(config, "/digest", "ab12");
    is_text(config, "/loaded", "2031-04-02T05:06:07.089Z");
    is_text(config, "/error", "site.yaml:3:1: \"no\"");
    ck_assert_str_eq(fixture_sent("tern-hall/journal/tip"), "{}");
    const struct {
        const char *property, *value;
    } expected[] = { { "water/temperature", "0.0" }, { "water/volume", "118.3" },
        { "air/temperature", "25.0" }, { "air/humidity", "60" }, { "air/vpd", "1.27" },
        { "light/on", "false" }, { "setpoint/ec", "0.833" }, { "setpoint/ph", "5.80" },
        { "setpoint/override-for", "PT8H" }, { "setpoint/source", "override" },
        { "schedule/stage", "leafing" }, { "schedule/day", "17" }, { "dosing/paused", "true" },
        { "dosing/why", "" }, { "stock-leaf-a/remaining", "4.200" },
        { "stock-leaf-b/days-left", "12.3" },
        { "dosing/last", "{\"id\":\"9f2c-1\",\"stock\":\"leaf-a\",\"ml\":3.500,"
                         "\"at\":\"2031-04-02T05:06:07.089Z\"}" },
        { "dosing/day-ml", "{\"leaf-a\":{\"ml\":12.345,\"limit_ml\":800.000},\"leaf-b\":{\"ml\":0."
                           "000,\"limit_ml\":800.000},\"acid\":{\"ml\":0.000,\"limit_ml\":800."
                           "000}}" } };
    for (size_t i = 0; i < sizeof expected / sizeof *expected; i++) {
        char topic[160];
        snprintf(topic, sizeof topic, "tern-hall-basil-bench/%s", expected[i].property);
        const char *got = fixture_sent(topic);
        ck_assert_msg(got && strcmp(got, expected[i].value) == 0, "%s: %s, not %s", topic,
            got ? got : "nothing", expected[i].value);
    }
    ck_assert_str_eq(fixture_sent("tern-hall-lettuce-wall/dosing/last"), "{}");
    ck_assert_ptr_null(fixture_sent("tern-hall-lettuce-wall/air/vpd")); /* it has no such probes */
    ck_assert_ptr_null(fixture_sent("tern-hall-lettuce-wall/light/on"));
    ck_assert_str_eq(fixture_sent("tern-hall-lettuce-wall/setpoint/source"), "schedule");
    homie_close(h);
}
END_TEST

/* Homie 5, "Empty string values": an empty payload would remove the topic. */
START_TEST(an_empty_sentence_is_one_zero_byte)
{
    struct homie_value value;
    world.tank[0].why[0] = '\0';
    const struct homie_source s = { .tank = &world.tank[0] };
    for (uint32_t i = 0; i < homie_tank_count(); i++) {
        if (homie_tank_row(i)->what != WHAT_WHY) continue;
        ck_assert(homie_value(&value, homie_tank_row(i), &s));
        ck_assert_uint_eq(value.length, 1);
        ck_assert_int_eq(value.text[0], 0);
        return;
    }
    ck_abort_msg("no such row");
}
END_TEST

START_TEST(a_span_is_written_as_homie_wants)
{
    const struct {
        int64_t ms;
        const char *text;
    } spans[] = { { 0, "PT0S" }, { -5, "PT0S" }, { 499, "PT0S" }, { 500, "PT1S" },
        { 8 * HOUR_MS, "PT8H" }, { 90 * MINUTE_MS, "PT1H30M" }, { 3661000, "PT1H1M1S" },
        { 59 * SECOND_MS, "PT59S" }, { 72 * HOUR_MS, "PT72H" } };
    for (size_t i = 0; i < sizeof spans / sizeof *spans; i++) {
        char text[32];
        struct text t = text_over(text, sizeof text);
        homie_add_duration(&t, spans[i].ms);
        ck_assert_str_eq(text, spans[i].text);
    }
}
END_TEST

/* --- sets ------------------------------------------------------------------------------------- */

START_TEST(sets_become_requests)
{
    struct homie *h = fixture_open();
    struct event_request q;
    ck_assert_int_eq(set(h, "tern-hall/site/halt/set", "true", false, &q), HOMIE_REQUEST);
    ck_assert(q.kind == REQUEST_HALT && q.on && !q.origin.retained);
    ck_assert_int_eq(set(h, "tern-hall/site/halt/set", "false", false, &q), HOMIE_REQUEST);
    ck_assert(q.kind == REQUEST_HALT && !q.on);
    ck_assert_int_eq(
        set(h, "tern-hall-lettuce-wall/dosing/paused/set", "true", false, &q), HOMIE_REQUEST);
    ck_assert(q.kind == REQUEST_PAUSE && q.on && q.tank == 1);
    ck_assert_int_eq(
        set(h, "tern-hall-basil-bench/setpoint/ph/set", "5.9", false, &q), HOMIE_REQUEST);
    ck_assert(q.kind == REQUEST_SET_PH && fabs(q.value - 5.9) < 1e-12 && q.tank == 0);
    ck_assert_int_eq(
        set(h, "tern-hall-basil-bench/setpoint/override-for/set", "PT1H30M", false, &q),
        HOMIE_REQUEST);
    ck_assert(q.kind == REQUEST_OVERRIDE_FOR && q.span_ms == 90 * MINUTE_MS);
    homie_close(h);
}
END_TEST

START_TEST(the_edge_of_the_envelope_is_met_exactly)
{
    struct homie *h = fixture_open();
    struct event_request q;
    for (int i = 400; i <= 2200; i++) {
        char text[16];
        snprintf(text, sizeof text, "%d.%03d", i / 1000, i % 1000);
        ck_assert_int_eq(
            set(h, "tern-hall-basil-bench/setpoint/ec/set", text, false, &q), HOMIE_REQUEST);
        ck_assert_msg(q.value >= i && q.value <= i, "%s gave %.17g", text, q.value);
    }
    homie_close(h);
}
END_TEST

START_TEST(what_cannot_be_read_is_refused_and_the_value_said_again)
{
    struct homie *h = fixture_open();
    struct event_request q;
    fixture_settle(h);
    const struct {
        const char *topic, *payload;
    } bad[] = { { "tern-hall/site/halt/set", "TRUE" }, { "tern-hall/site/halt/set", " " },
        { "tern-hall/site/halt/set", "1" }, { "tern-hall-basil-bench/dosing/paused/set", "yes" },
        { "tern-hall-basil-bench/setpoint/ec/set", "1,4" },
        { "tern-hall-basil-bench/setpoint/ec/set", "nan" },
        { "tern-hall-basil-bench/setpoint/ec/set", " 1.4" },
        { "tern-hall-basil-bench/setpoint/ph/set", "5.8 pH" },
        { "tern-hall-basil-bench/setpoint/override-for/set", "8h" },
        { "tern-hall-basil-bench/setpoint/override-for/set", "PT" },
        { "tern-hall-basil-bench/setpoint/override-for/set", "P1D" } };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        ck_assert_int_eq(set(h, bad[i].topic, bad[i].payload, false, &q), HOMIE_REFUSED);
        ck_assert_int_eq(q.kind, REQUEST_UNREAD);
        ck_assert_str_eq(q.refusal.reason, "malformed");
    }
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall/site/halt"), "false");
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/setpoint/override-for"), "PT8H");
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/dosing/paused"), "false");
    ck_assert_uint_eq(world.sent_count, 3); /* the setpoints have no value yet */
    homie_close(h);
}
END_TEST

START_TEST(only_an_order_to_halt_is_acted_on_when_it_was_retained)
{
    struct homie *h = fixture_open();
    struct event_request q;
    ck_assert_int_eq(set(h, "tern-hall/site/halt/set", "true", true, &q), HOMIE_REQUEST);
    ck_assert(q.kind == REQUEST_HALT && q.on && q.origin.retained);
    ck_assert_int_eq(set(h, "tern-hall/site/halt/set", "false", true, &q), HOMIE_REFUSED);
    ck_assert(q.kind == REQUEST_UNREAD && q.origin.retained);
    ck_assert_str_eq(q.refusal.reason, "retained");
    ck_assert_int_eq(
        set(h, "tern-hall-basil-bench/dosing/paused/set", "true", true, &q), HOMIE_REFUSED);
    ck_assert_int_eq(
        set(h, "tern-hall-basil-bench/setpoint/ec/set", "1.4", true, &q), HOMIE_REFUSED);
    homie_close(h);
}
END_TEST

/* Clearing what is kept comes back as an empty message, with the flag in MQTT 5. */
START_TEST(the_echo_of_a_clearing_is_not_answered)
{
    struct homie *h = fixture_open();
    struct event_request q;
    fixture_settle(h);
    ck_assert_int_eq(set(h, "tern-hall/site/halt/set", "", true, &q), HOMIE_NOT_MINE);
    ck_assert_int_eq(set(h, "tern-hall/site/halt/set", "", false, &q), HOMIE_NOT_MINE);
    ck_assert_int_eq(set(h, "tern-hall-basil-bench/setpoint/ec/set", "", true, &q), HOMIE_NOT_MINE);
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    homie_close(h);
}
END_TEST

/* What it asks for is read elsewhere; there is no value of it to say again. */
START_TEST(a_call_is_told_from_a_set)
{
    struct homie *h = fixture_open();
    struct event_request q;
    fixture_settle(h);
    ck_assert_int_eq(set(h, "tern-hall/request/call/set", "{", false, &q), HOMIE_CALL);
    ck_assert_int_eq(set(h, "tern-hall/request/call/set", "{}", true, &q), HOMIE_CALL);
    ck_assert_int_eq(set(h, "tern-hall/request/call/set", "", true, &q), HOMIE_NOT_MINE);
    ck_assert_int_eq(set(h, "tern-hall/request/answer/set", "{}", false, &q), HOMIE_NOT_MINE);
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    homie_close(h);
}
END_TEST

START_TEST(other_topics_are_not_mine)
{
    struct homie *h = fixture_open();
    struct event_request q;
    const char *const others[] = { "tern-hall/site/halt", "tern-hall/site/beat/set",
        "tern-hall/site/halt/set/", "tern-hall-basil/setpoint/ec/set", "tern-hallx/site/halt/set",
        "tern-hall-basil-bench/water/ec/set", "west/dose/command/set", "tern-hall" };
    for (size_t i = 0; i < sizeof others / sizeof *others; i++) {
        ck_assert_int_eq(set(h, others[i], "true", false, &q), HOMIE_NOT_MINE);
    }
    struct problem problem;
    const struct mqtt_message m = {
        .topic = "else/5/tern-hall/site/halt/set", .payload = "true", .length = 4
    };
    ck_assert_int_eq(homie_read_set(h, &m, &q, &problem), HOMIE_NOT_MINE);
    homie_close(h);
}
END_TEST

/* Whoever asked for it: also the local door, and the journal. */
START_TEST(the_span_of_the_next_override_is_shown_as_the_core_holds_it)
{
    struct homie *h = fixture_open();
    struct event_request q;
    const char *topic = "tern-hall-basil-bench/setpoint/override-for/set";
    fixture_settle(h);
    ck_assert_int_eq(set(h, topic, "PT48H", false, &q), HOMIE_REQUEST);
    ck_assert_int_eq(q.kind, REQUEST_OVERRIDE_FOR);
    ck_assert_int_eq(q.span_ms, 48 * HOUR_MS);
    world.tank[0].override_for_ms = 48 * HOUR_MS;
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/setpoint/override-for"), "PT48H");
    ck_assert_int_eq(set(h, topic, "PT73H", false, &q), HOMIE_REQUEST); /* the core refuses it */
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/setpoint/override-for"), "PT48H");
    homie_close(h);
}
END_TEST

START_TEST(it_listens_to_what_can_be_set_and_for_a_while_to_what_is_kept)
{
    struct homie *h = fixture_open();
    struct mqtt_subscription list[64];
    enum { SETS = 2 + 4 * 2, KEPT = 3 * 2 };
    ck_assert_uint_le(homie_filters_most(h), 64);
    ck_assert_uint_eq(homie_filters(h, list), SETS + KEPT);
    ck_assert_str_eq(list[0].filter, "homie/5/tern-hall/site/halt/set");
    ck_assert(list[0].settable && list[0].kept && list[0].urgent);
    ck_assert_str_eq(list[1].filter, "homie/5/tern-hall/request/call/set");
    ck_assert(list[1].settable && !list[1].kept && list[1].urgent && list[1].qos == 1);
    ck_assert_str_eq(list[2].filter, "homie/5/tern-hall-basil-bench/setpoint/ec/set");
    ck_assert(list[2].settable && !list[2].kept && list[2].qos == 1);
    ck_assert_str_eq(list[SETS].filter, "homie/5/tern-hall/$description");
    ck_assert_str_eq(list[SETS + 1].filter, "homie/5/tern-hall/+/+");
    ck_assert_str_eq(list[SETS + 5].filter, "homie/5/tern-hall-lettuce-wall/+/+");
    ck_assert(!list[SETS].settable && list[SETS].qos == 1);
    fixture_settle(h);
    (void)homie_refilter(h);
    world.now.mono.ms += 5000;
    fixture_settle(h);
    ck_assert(homie_refilter(h));
    ck_assert(!homie_refilter(h));
    ck_assert_uint_eq(homie_filters(h, list), SETS);
    homie_lost(h); /* who knows what it keeps next time */
    ck_assert(homie_refilter(h));
    ck_assert_uint_eq(homie_filters(h, list), SETS + KEPT);
    homie_close(h);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("homie");
    tcase_add_checked_fixture(t, setup, NULL);
    tcase_add_test(t, a_device_says_init_description_values_ready_in_this_order);
    tcase_add_test(t, the_description_is_what_homie_wants);
    tcase_add_test(t, a_first_value_takes_the_device_through_init);
    tcase_add_test(t, what_has_not_changed_is_not_said_again);
    tcase_add_test(t, the_water_is_said_every_minute_but_an_old_value_is_not);
    tcase_add_test(t, values_read_as_the_contract_says);
    tcase_add_test(t, an_empty_sentence_is_one_zero_byte);
    tcase_add_test(t, a_span_is_written_as_homie_wants);
    tcase_add_test(t, sets_become_requests);
    tcase_add_test(t, the_edge_of_the_envelope_is_met_exactly);
    tcase_add_test(t, what_cannot_be_read_is_refused_and_the_value_said_again);
    tcase_add_test(t, only_an_order_to_halt_is_acted_on_when_it_was_retained);
    tcase_add_test(t, the_echo_of_a_clearing_is_not_answered);
    tcase_add_test(t, a_call_is_told_from_a_set);
    tcase_add_test(t, other_topics_are_not_mine);
    tcase_add_test(t, the_span_of_the_next_override_is_shown_as_the_core_holds_it);
    tcase_add_test(t, it_listens_to_what_can_be_set_and_for_a_while_to_what_is_kept);
    return run_case(t, "homie");
}
