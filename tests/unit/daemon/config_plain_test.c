/* Plain outputs in a configuration: what they become for the core. What is refused of them stands
 * in config_refusals.h. */
#include "tests/unit/daemon/config_clock.h"

#define CLOCK "{ topic: shed/3, payload: \"${seconds}\", off_payload: \"0\" }"
#define SWITCH                                                                                     \
    "{ topic: shed/set, payload: '{\"r\":4,\"on\":true}', off_payload: '{\"r\":4,\"on\":false}', " \
    "auto_off_s: 15, state: { topic: shed/state, pointer: /r4 } }"
#define FLOW                                                                                       \
    "{ topic: shed/flow, payload: on, off_payload: off, auto_off_s: 300, state: { topic: f } }"

START_TEST(a_tanks_plain_outputs_become_a_chain_of_its_name)
{
    fixture_change(SITE, "address: west/2.4", "address: " SWITCH);
    fixture_change(SITE, "address: west/1.1", "address: " CLOCK);
    const struct site *site = load();
    ck_assert_uint_eq(site->chain_count, 2);
    const struct chain_config *c = &site->chain[1];
    const struct site_pump *clock = &site->tank[0].pump[0], *other = &site->tank[0].pump[2];
    ck_assert(c->plain && !site->chain[0].plain && site_has_plain(site));
    ck_assert_str_eq(c->key, "bench");
    ck_assert_uint_eq(c->count, 2);
    ck_assert(chain_address_same(&clock->address, &(struct chain_address){ 1, 1, 1 }));
    ck_assert(chain_address_same(&other->address, &(struct chain_address){ 1, 2, 1 }));
    ck_assert_str_eq(clock->serial, c->module[0].serial);
    ck_assert_str_ne(clock->serial, other->serial);
    ck_assert_ptr_null(site_plain(site, &site->tank[0].pump[1].address));
    ck_assert_ptr_null(site_plain(site, &site->tank[0].circulation.address));

    const struct plain_output *o = site_plain(site, &clock->address);
    ck_assert(o->unit == PLAIN_SECONDS && o->auto_off_ms == 0 && o->step_ms == 1);
    ck_assert_str_eq(o->payload, "${seconds}");
    ck_assert_ptr_null(o->state_topic);
    ck_assert(site_full_ul(site, clock, clock->ml_per_s) == 0 && !site_full_stays(site, clock));

    o = site_plain(site, &other->address);
    ck_assert(o->unit == PLAIN_SWITCHED && o->auto_off_ms == 15000 && !o->circulation);
    ck_assert_str_eq(o->off_payload, "{\"r\":4,\"on\":false}");
    ck_assert_str_eq(o->state_topic, "shed/state");
    ck_assert_str_eq(o->state_pointer, "/r4");
    ck_assert_int_eq(site_full_ul(site, other, other->ml_per_s), 7650); /* 15 s of 0.51 mL/s */
    ck_assert(!site_full_stays(site, other));
}
END_TEST

START_TEST(all_outputs_may_be_plain)
{
    fixture_change(SITE, "pump: west/1.circulation", "pump: " FLOW);
    fixture_change(SITE, "address: west/1.1", "address: " CLOCK);
    fixture_change(SITE, "address: west/1.3",
        "address: { topic: shed/5, payload: \"${ml}\", off_payload: \"0\", auto_off_s: 90 }");
    fixture_change(SITE, "address: west/2.4", "address: " SWITCH);
    char *text = fixture_text[SITE], *from = strstr(text, "chains:\n"),
         *to = strstr(text, "stocks:\n");
    memmove(from, to, strlen(to) + 1);
    const struct site *site = load();
    ck_assert_uint_eq(site->chain_count, 1);
    ck_assert_uint_eq(site->chain[0].count, 4);
    const struct plain_output *o = site_plain(site, &site->tank[0].circulation.address);
    ck_assert(o->circulation && plain_longest_ms(o) == 300000);
    ck_assert_int_eq(site->tank[0].circulation.address.channel, CHAIN_CIRCULATION_CHANNEL);
    o = site_plain(site, &site->tank[0].pump[1].address);
    ck_assert(o->unit == PLAIN_ML && plain_longest_ms(o) == 90000);
}
END_TEST

START_TEST(without_any_output_chains_are_missing)
{
    char *text = fixture_text[SITE], *from = strstr(text, "chains:\n"),
         *to = strstr(text, "stocks:\n");
    memmove(from, to, strlen(to) + 1);
    ck_assert(!fixture_load(false));
    ck_assert_ptr_nonnull(
        strstr(fixture_errors.item[0].text, "which names no chain; there are: none"));
}
END_TEST

START_TEST(a_chain_and_a_tank_with_plain_outputs_dont_share_a_name)
{
    char place[64];
    fixture_change(SITE, "  bench:\n", "  west:\n");
    fixture_change(SITE, "address: west/2.4", "address: " CLOCK);
    ck_assert(!fixture_load(false));
    fixture_place(place, SITE, "{ topic: shed/3");
    ck_assert_ptr_nonnull(fixture_find(&fixture_errors, place, "rename one"));
}
END_TEST

START_TEST(what_a_switched_output_counts_as_is_said)
{
    char place[64];
    fixture_change(SITE, "address: west/2.4",
        "address: { topic: shed/3, payload: x, off_payload: y, auto_off_s: 20 }");
    const struct site *site = load();
    fixture_place(place, SITE, "{ topic: shed/3");
    ck_assert_ptr_nonnull(
        fixture_find(&fixture_config->unwise, place, "each dose counts as 10.2 mL"));
    ck_assert(site_full_stays(site, &site->tank[0].pump[2]));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("config_plain");
    tcase_add_checked_fixture(tc, begin, fixture_remove);
    tcase_add_test(tc, a_tanks_plain_outputs_become_a_chain_of_its_name);
    tcase_add_test(tc, all_outputs_may_be_plain);
    tcase_add_test(tc, without_any_output_chains_are_missing);
    tcase_add_test(tc, a_chain_and_a_tank_with_plain_outputs_dont_share_a_name);
    tcase_add_test(tc, what_a_switched_output_counts_as_is_said);
    return run_case(tc, "config_plain");
}
