/* Documents for a home hub: what is in them, and when they are sent. The whole of the published
 * schema is held against them by tests/system/hub_rules.py. */
#include <cjson/cJSON.h>

#include "tests/unit/daemon/homie_fixture.h"

static struct homie *h;

static void setup(void)
{
    fixture_setup();
    fixture_config.discovery_prefix = "homeassistant";
    h = fixture_open();
}

static void teardown(void)
{
    homie_close(h);
}

static const char *topic_of(const char *device)
{
    static char topic[200];
    snprintf(topic, sizeof topic, "homeassistant/device/%s/config", device);
    return topic;
}

/* How often it was sent; the place of the newest. */
static int sent_times(const char *topic, uint32_t *ret_newest)
{
    int count = 0;
    for (uint32_t i = 0; i < world.sent_count; i++) {
        if (strcmp(world.sent[i].topic, topic) != 0) continue;
        *ret_newest = i;
        count++;
    }
    return count;
}

/* The newest document of a device, which is to be deleted. */
static cJSON *document_of(const char *device)
{
    uint32_t newest = 0;
    ck_assert_int_gt(sent_times(topic_of(device), &newest), 0);
    ck_assert(world.sent[newest].retained && world.sent[newest].qos == 1);
    cJSON *root = cJSON_ParseWithOpts(world.sent[newest].payload, NULL, true);
    ck_assert_ptr_nonnull(root);
    return root;
}

static const cJSON *component(const cJSON *root, const char *key)
{
    return cJSON_GetObjectItemCaseSensitive(
        cJSON_GetObjectItemCaseSensitive(root, "components"), key);
}

static const char *member(const cJSON *root, const char *key, const char *name)
{
    const cJSON *c = component(root, key);
    return c ? cJSON_GetStringValue(cJSON_GetObjectItemCaseSensitive(c, name)) : NULL;
}

static double number(const cJSON *root, const char *key, const char *name)
{
    return cJSON_GetNumberValue(cJSON_GetObjectItemCaseSensitive(component(root, key), name));
}

static void raise_low(const char *text)
{
    struct alert_view *a = &world.alert[0];
    snprintf(a->id, sizeof a->id, "low-leaf-a");
    snprintf(a->text, sizeof a->text, "%s", text);
    a->tank = 0;
    world.alert_count = 1;
}

START_TEST(a_tank_is_announced_after_it_is_complete)
{
    world.tank[0].probe[PROBE_EC] =
        (struct probe_view){ .present = true, .has_value = true, .value = 1400 };
    world.tank[0].planted = true;
    world.tank[0].set_ec_us_cm = 1200;
    world.tank[0].set_ph = 5.8;
    fixture_settle(h);
    uint32_t at = 0;
    ck_assert_int_eq(sent_times(topic_of("tern-hall-basil-bench"), &at), 1);
    ck_assert_int_gt((int)at, fixture_place("tern-hall-basil-bench/$state", "ready"));
    cJSON *d = document_of("tern-hall-basil-bench");
    ck_assert_str_eq(member(d, "water_ec", "platform"), "sensor");
    ck_assert_str_eq(
        member(d, "water_ec", "state_topic"), "homie/5/tern-hall-basil-bench/water/ec");
    ck_assert_str_eq(member(d, "water_ec", "unique_id"), "tern-hall-basil-bench_water_ec");
    ck_assert_str_eq(member(d, "water_ec", "device_class"), "conductivity");
    ck_assert_str_eq(member(d, "water_ec", "unit_of_measurement"), "mS/cm");
    ck_assert_str_eq(member(d, "water_ec", "state_class"), "measurement");
    ck_assert_ptr_null(component(d, "water_ph")); /* it has no value yet */
    ck_assert_str_eq(member(d, "setpoint_ec", "platform"), "number");
    ck_assert_str_eq(
        member(d, "setpoint_ec", "command_topic"), "homie/5/tern-hall-basil-bench/setpoint/ec/set");
    ck_assert_double_eq(number(d, "setpoint_ec", "min"), 0.4);
    ck_assert_double_eq(number(d, "setpoint_ec", "max"), 2.2);
    ck_assert_double_eq(number(d, "setpoint_ec", "step"), 0.01);
    ck_assert_ptr_null(member(d, "setpoint_ec", "state_class"));
    ck_assert_double_eq(number(d, "setpoint_override-for", "max"), 72 * 60);
    ck_assert_str_eq(member(d, "dosing_paused", "platform"), "switch");
    ck_assert_str_eq(member(d, "dosing_paused", "payload_on"), "true");
    ck_assert_str_eq(member(d, "dosing_state", "device_class"), "enum");
    ck_assert_ptr_null(member(d, "dosing_state", "unit_of_measurement"));
    ck_assert_str_eq(member(d, "stock-acid_remaining", "name"), "acid: Left in the bottle");
    ck_assert_str_eq(member(d, "alerts", "state_topic"), "homie/5/tern-hall-basil-bench/$alert/+");
    const cJSON *availability = cJSON_GetObjectItemCaseSensitive(d, "availability");
    ck_assert_int_eq(cJSON_GetArraySize(availability), 2);
    cJSON_Delete(d);
    d = document_of("tern-hall-lettuce-wall"); /* its name has quotes */
    cJSON_Delete(d);
    d = document_of("tern-hall");
    ck_assert_str_eq(member(d, "site_halt", "platform"), "switch");
    ck_assert_ptr_null(component(d, "request_call"));
    ck_assert_ptr_null(component(d, "site_beat"));
    ck_assert_ptr_null(component(d, "dosing_held"));
    cJSON_Delete(d);
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
}
END_TEST

START_TEST(a_first_value_is_announced)
{
    uint32_t at;
    fixture_settle(h);
    world.tank[0].probe[PROBE_PH] =
        (struct probe_view){ .present = true, .has_value = true, .value = 6.1 };
    fixture_settle(h);
    cJSON *d = document_of("tern-hall-basil-bench");
    ck_assert_str_eq(member(d, "water_ph", "device_class"), "ph");
    ck_assert_ptr_null(member(d, "water_ph", "unit_of_measurement"));
    cJSON_Delete(d);
    ck_assert_int_eq(sent_times(topic_of("tern-hall-lettuce-wall"), &at), 0);
}
END_TEST

START_TEST(an_override_that_may_not_be_is_not_offered)
{
    homie_close(h);
    fixture_tank[0].override_most_ms = 0;
    h = fixture_open();
    fixture_settle(h);
    cJSON *d = document_of("tern-hall-basil-bench");
    ck_assert_ptr_null(component(d, "setpoint_override-for"));
    cJSON_Delete(d);
}
END_TEST

START_TEST(an_alert_is_there_while_it_stands)
{
    uint32_t at;
    fixture_settle(h);
    raise_low("leaf-a runs low");
    fixture_settle(h);
    cJSON *d = document_of("tern-hall-basil-bench");
    ck_assert_str_eq(member(d, "alert_low-leaf-a", "device_class"), "problem");
    ck_assert_str_eq(member(d, "alert_low-leaf-a", "state_topic"),
        "homie/5/tern-hall-basil-bench/$alert/low-leaf-a");
    ck_assert_str_eq(member(d, "alert_low-leaf-a_acknowledge", "platform"), "button");
    ck_assert_str_eq(member(d, "alert_low-leaf-a_acknowledge", "command_topic"),
        "homie/5/tern-hall/request/call/set");
    cJSON_Delete(d);
    raise_low("other words");
    fixture_settle(h);
    ck_assert_int_eq(sent_times(topic_of("tern-hall-basil-bench"), &at), 0);
    world.alert_count = 0;
    fixture_settle(h);
    /* once with nothing but their platforms, which removes them, then without */
    ck_assert_int_eq(sent_times(topic_of("tern-hall-basil-bench"), &at), 2);
    d = document_of("tern-hall-basil-bench");
    ck_assert_ptr_null(component(d, "alert_low-leaf-a"));
    cJSON_Delete(d);
    for (at = 0; strcmp(world.sent[at].topic, topic_of("tern-hall-basil-bench")) != 0;) {
        at++;
    }
    d = cJSON_Parse(world.sent[at].payload);
    ck_assert_str_eq(member(d, "alert_low-leaf-a", "platform"), "binary_sensor");
    ck_assert_int_eq(cJSON_GetArraySize(component(d, "alert_low-leaf-a")), 1);
    ck_assert_str_eq(member(d, "alert_low-leaf-a_acknowledge", "platform"), "button");
    ck_assert_int_eq(cJSON_GetArraySize(component(d, "alert_low-leaf-a_acknowledge")), 1);
    cJSON_Delete(d);
}
END_TEST

/* It may have ended while there was no connection. */
START_TEST(an_alert_over_a_lost_connection)
{
    uint32_t at;
    raise_low("leaf-a runs low");
    fixture_settle(h);
    homie_lost(h);
    homie_connected(h);
    fixture_settle(h); /* it still stands */
    ck_assert_int_eq(sent_times(topic_of("tern-hall-basil-bench"), &at), 2);
    for (uint32_t i = 0; i < world.sent_count; i++) {
        if (strcmp(world.sent[i].topic, topic_of("tern-hall-basil-bench")) != 0) continue;
        const char *first = strstr(world.sent[i].payload, "\"alert_low-leaf-a\":");
        ck_assert_ptr_nonnull(first);
        ck_assert_ptr_null(strstr(first + 1, "\"alert_low-leaf-a\":")); /* it isn't removed, too */
        cJSON *d = cJSON_Parse(world.sent[i].payload);
        ck_assert_int_gt(cJSON_GetArraySize(component(d, "alert_low-leaf-a")), 1);
        cJSON_Delete(d);
    }
    world.alert_count = 0;
    homie_lost(h);
    homie_connected(h);
    fixture_settle(h);
    ck_assert_int_eq(sent_times(topic_of("tern-hall-basil-bench"), &at), 2);
    cJSON *d = document_of("tern-hall-basil-bench");
    ck_assert_ptr_null(component(d, "alert_low-leaf-a"));
    cJSON_Delete(d);
}
END_TEST

static void hear(const char *topic, const char *payload, bool retained)
{
    struct event_request q;
    struct problem problem;
    const struct mqtt_message m = {
        .topic = topic, .payload = payload, .length = strlen(payload), .retained = retained
    };
    ck_assert_int_eq(homie_read_set(h, &m, &q, &problem), HOMIE_NOT_MINE);
}

START_TEST(a_hub_that_comes_up_is_told_once_in_a_while)
{
    uint32_t at;
    struct mqtt_subscription list[64];
    const uint32_t count = homie_filters(h, list);
    ck_assert_str_eq(list[count - 1].filter, "homeassistant/status");
    fixture_settle(h);
    hear("homeassistant/status", "offline", false);
    hear("homeassistant/status", "onlin", false);
    hear("homeassistant/statu", "online", false);
    hear("homeassistant/status", "online", true); /* kept: it is told at the start anyway */
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    hear("homeassistant/status", "online", false);
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 3); /* site and tanks */
    hear("homeassistant/status", "online", false);
    hear("homeassistant/status", "online", false);
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    world.now.mono.ms += 5000;
    fixture_settle(h);
    ck_assert_int_eq(sent_times(topic_of("tern-hall"), &at), 1);
}
END_TEST

static void reload(const char *prefix, uint32_t tanks)
{
    static struct config next[4];
    static int turn;
    struct homie *fresh = NULL;
    struct problem problem;
    struct config *config = &next[turn++ % 4];
    *config = fixture_config;
    config->discovery_prefix = prefix;
    config->site.tank_count = tanks;
    ck_assert_int_eq(homie_open(&fresh, config, &problem), ERR_NONE);
    homie_reload(fresh, h);
    homie_close(h);
    h = fresh;
    fixture_settle(h);
}

START_TEST(a_reload_withdraws_what_is_gone)
{
    uint32_t at;
    fixture_settle(h);
    reload("homeassistant", 2);
    ck_assert_uint_eq(world.sent_count, 0);
    reload("homeassistant", 1);
    ck_assert_int_eq(sent_times(topic_of("tern-hall-lettuce-wall"), &at), 1);
    ck_assert_str_eq(world.sent[at].payload, "");
    ck_assert_int_lt((int)at, fixture_place("tern-hall-lettuce-wall/water/ec-quality", ""));
    ck_assert_int_eq(sent_times(topic_of("tern-hall-basil-bench"), &at), 0);
    reload("hall", 1);
    ck_assert_int_eq(sent_times("hall/device/tern-hall/config", &at), 1);
    ck_assert_int_eq(sent_times(topic_of("tern-hall"), &at), 1);
    ck_assert_str_eq(world.sent[at].payload, "");
    reload(NULL, 1);
    ck_assert_int_eq(sent_times("hall/device/tern-hall-basil-bench/config", &at), 1);
    ck_assert_str_eq(world.sent[at].payload, "");
    ck_assert_uint_eq(world.sent_count, 2);
    reload("homeassistant", 1);
    ck_assert_int_eq(sent_times(topic_of("tern-hall"), &at), 1);
}
END_TEST

static void hear_kept(const char *topic, const char *payload)
{
    char whole[300];
    struct event_request q;
    struct problem problem;
    snprintf(whole, sizeof whole, "homie/5/tern-hall-basil-bench/%s", topic);
    const struct mqtt_message m = {
        .topic = whole, .payload = payload, .length = strlen(payload), .retained = true
    };
    ck_assert_int_eq(homie_read_set(h, &m, &q, &problem), HOMIE_NOT_MINE);
}

/* Defect: the hub kept its components until its own next start. _i 1: it was told of the device
 * before the broker had sent all that it keeps. */
START_TEST(a_stock_that_went_while_the_daemon_was_off_is_withdrawn)
{
    for (int n = 0; _i == 1 && n < 20; n++) {
        (void)fixture_show(h);
    }
    world.sent_count = 0;
    hear_kept("stock-mint/remaining", "1.250");
    hear_kept("stock-mint/days-left", "12.0");
    hear_kept("stock-mint/colour", "4"); /* no property of a stock's */
    hear_kept("stock-mi\"nt/remaining", "4");
    hear_kept("stock-/remaining", "4");
    hear_kept("mint/remaining", "4");
    fixture_settle(h);
    uint32_t at;
    const char *topic = topic_of("tern-hall-basil-bench");
    ck_assert_int_eq(sent_times(topic, &at), 2); /* with what goes, then without */
    uint32_t first = 0;
    while (strcmp(world.sent[first].topic, topic) != 0) {
        first++;
    }
    cJSON *root = cJSON_ParseWithOpts(world.sent[first].payload, NULL, true);
    ck_assert_ptr_nonnull(root);
    static const char *const gone[] = { "stock-mint_remaining", "stock-mint_days-left" };
    for (int i = 0; i < 2; i++) {
        const cJSON *c = component(root, gone[i]);
        ck_assert_int_eq(cJSON_GetArraySize(c), 1);
        ck_assert_str_eq(member(root, gone[i], "platform"), "sensor");
    }
    ck_assert_ptr_null(component(root, "stock-mint_colour"));
    ck_assert_ptr_null(component(root, "mint_remaining"));
    ck_assert_ptr_null(strstr(world.sent[first].payload, "mi\\\"nt"));
    ck_assert_ptr_nonnull(strstr(world.sent[first].payload, "stock-leaf-a_remaining"));
    cJSON_Delete(root);
    root = document_of("tern-hall-basil-bench");
    ck_assert_ptr_null(component(root, gone[0]));
    cJSON_Delete(root);
}
END_TEST

START_TEST(another_domains_site_may_have_the_same_key)
{
    homie_close(h);
    fixture_config.homie_domain = "glasshouse";
    h = fixture_open();
    fixture_settle(h);
    cJSON *d = document_of("glasshouse_tern-hall");
    ck_assert_str_eq(member(d, "site_halt", "unique_id"), "glasshouse_tern-hall_site_halt");
    ck_assert_str_eq(member(d, "site_halt", "state_topic"), "glasshouse/5/tern-hall/site/halt");
    cJSON_Delete(d);
}
END_TEST

START_TEST(without_discovery_nothing_of_it_is_said)
{
    homie_close(h);
    fixture_config.discovery_prefix = NULL;
    h = fixture_open();
    raise_low("leaf-a runs low");
    fixture_settle(h);
    hear("homeassistant/status", "online", false);
    world.alert_count = 0;
    fixture_settle(h);
    world.sent_count = 0;
    homie_connected(h);
    fixture_settle(h);
    for (uint32_t i = 0; i < world.sent_count; i++) {
        ck_assert_ptr_null(strstr(world.sent[i].topic, "homeassistant"));
    }
    homie_withdraw_all(h, "hall"); /* where it was on before */
    ck_assert(homie_clearing(h));
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 3);
    ck_assert_str_eq(world.sent[0].topic, "hall/device/tern-hall/config");
    ck_assert(homie_clearing(h)); /* who knows what else the broker has */
    world.now.mono.ms += 5000;
    fixture_settle(h);
    world.now.mono.ms += 5000;
    fixture_settle(h);
    ck_assert(!homie_clearing(h));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("homie discovery");
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_add_test(t, a_tank_is_announced_after_it_is_complete);
    tcase_add_test(t, a_first_value_is_announced);
    tcase_add_test(t, an_override_that_may_not_be_is_not_offered);
    tcase_add_test(t, an_alert_is_there_while_it_stands);
    tcase_add_test(t, an_alert_over_a_lost_connection);
    tcase_add_test(t, a_hub_that_comes_up_is_told_once_in_a_while);
    tcase_add_test(t, a_reload_withdraws_what_is_gone);
    tcase_add_loop_test(t, a_stock_that_went_while_the_daemon_was_off_is_withdrawn, 0, 2);
    tcase_add_test(t, another_domains_site_may_have_the_same_key);
    tcase_add_test(t, without_discovery_nothing_of_it_is_said);
    return run_case(t, "homie discovery");
}
