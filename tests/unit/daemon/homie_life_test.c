/* The life of the Homie devices: alerts, a connection that takes little, reloads. */
#include "tests/unit/daemon/homie_fixture.h"

static void setup(void)
{
    fixture_setup();
}

static void raise_alert(const char *id, int32_t tank, const char *text)
{
    struct alert_view *a = &world.alert[world.alert_count++];
    snprintf(a->id, sizeof a->id, "%s", id);
    snprintf(a->text, sizeof a->text, "%s", text);
    a->tank = tank;
}

static void hear_kept(struct homie *h, const char *topic, bool retained)
{
    char whole[200];
    struct event_request q;
    struct problem problem;
    snprintf(whole, sizeof whole, "homie/5/%s", topic);
    const struct mqtt_message m = {
        .topic = whole, .payload = "old", .length = 3, .retained = retained
    };
    ck_assert_int_eq(homie_read_set(h, &m, &q, &problem), HOMIE_NOT_MINE);
}

/* --- alerts ----------------------------------------------------------------------------------- */

START_TEST(an_alert_is_kept_at_its_device_until_it_is_over)
{
    struct homie *h = fixture_open();
    fixture_settle(h);
    raise_alert("roll-call-west", -1, "put the chain back in order");
    raise_alert("no-circulation-lettuce-wall", 1, "look at the pump");
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 2);
    ck_assert_str_eq(
        fixture_sent("tern-hall/$alert/roll-call-west"), "put the chain back in order");
    ck_assert_str_eq(fixture_sent("tern-hall-lettuce-wall/$alert/no-circulation-lettuce-wall"),
        "look at the pump");
    ck_assert(world.sent[0].retained && world.sent[0].qos == 1);
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    snprintf(world.alert[0].text, sizeof world.alert[0].text, "other words");
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 1);
    ck_assert_str_eq(fixture_sent("tern-hall/$alert/roll-call-west"), "other words");
    world.alert[0] = world.alert[1];
    world.alert_count = 1;
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 1);
    ck_assert_str_eq(fixture_sent("tern-hall/$alert/roll-call-west"), "");
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    homie_close(h);
}
END_TEST

START_TEST(an_alert_of_a_former_life_is_cleared_unless_it_stands)
{
    struct homie *h = fixture_open();
    raise_alert("journal", -1, "free the disk");
    hear_kept(h, "tern-hall/$alert/journal", true);
    hear_kept(h, "tern-hall/$alert/roll-call-west", true);
    hear_kept(h, "tern-hall-basil-bench/$alert/journal", true); /* another device's */
    hear_kept(h, "tern-hall/$alert/live", false);               /* our own words coming back */
    hear_kept(h, "west/$alert/hot", true);                      /* a stranger's */
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall/$alert/journal"), "free the disk");
    ck_assert_str_eq(fixture_sent("tern-hall/$alert/roll-call-west"), "");
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/$alert/journal"), "");
    ck_assert_ptr_null(fixture_sent("tern-hall/$alert/live"));
    ck_assert_ptr_null(fixture_sent("west/$alert/hot"));
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    for (int i = 0; i < 1000; i++) { /* more than it keeps */
        hear_kept(h, "tern-hall/$alert/many", true);
    }
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall/$alert/many"), "");
    homie_close(h);
}
END_TEST

/* --- little at a time ------------------------------------------------------------------------- */

/* What a broker would keep after all that was sent, as one text. */
static const char *kept_after_all(void)
{
    static char text[256 * 1024];
    size_t length = 0;
    text[0] = '\0';
    for (uint32_t i = 0; i < world.sent_count; i++) {
        bool last = true;
        for (uint32_t k = i + 1; k < world.sent_count; k++) {
            last = last && strcmp(world.sent[i].topic, world.sent[k].topic) != 0;
        }
        if (!last) continue;
        length += (size_t)snprintf(text + length, sizeof text - length, "%s=%s\n",
            world.sent[i].topic, world.sent[i].payload);
        ck_assert_uint_lt(length, sizeof text);
    }
    return text;
}

/* _i messages are taken at each call: it comes to the same end, and never says a thing twice. */
START_TEST(a_connection_that_takes_little_gets_everything_in_the_end)
{
    struct homie *h = fixture_open();
    raise_alert("journal", -1, "free the disk");
    fixture_settle(h);
    const uint32_t count = world.sent_count;
    char *whole = strdup(kept_after_all());
    homie_close(h);

    h = fixture_open();
    world.sent_count = 0;
    bool done = false;
    for (int calls = 0; calls < 10000 && !done; calls++) {
        world.takes = _i;
        done = fixture_show(h);
    }
    ck_assert(done);
    ck_assert_uint_eq(world.sent_count, count);
    ck_assert_str_eq(kept_after_all(), whole);
    free(whole);
    homie_close(h);
}
END_TEST

START_TEST(one_call_sends_a_bounded_number)
{
    fixture_many_tanks();
    struct homie *h = fixture_open();
    world.sent_count = 0;
    int calls = 0;
    for (; calls < 100 && h->device[0].stage != STAGE_LIVE; calls++) {
        const uint32_t before = world.sent_count;
        (void)fixture_show(h);
        ck_assert_uint_le(world.sent_count - before, HOMIE_MESSAGES_MOST);
    }
    ck_assert_int_ge(calls, (int)(world.sent_count / HOMIE_MESSAGES_MOST));
    ck_assert_uint_gt(world.sent_count, 8 * HOMIE_MESSAGES_MOST);
    for (int i = 0; i < MANY; i++) {
        ck_assert_int_eq(h->device[i + 1].stage, STAGE_LIVE);
    }
    ck_assert_str_eq(world.sent[world.sent_count - 1].payload, "ready");
    ck_assert_str_eq(world.sent[world.sent_count - 1].topic, "homie/5/tern-hall/$state");
    homie_close(h);
}
END_TEST

START_TEST(a_new_connection_is_told_everything_from_the_start)
{
    struct homie *h = fixture_open();
    raise_alert("journal", -1, "free the disk");
    fixture_settle(h);
    const uint32_t count = world.sent_count;
    char *whole = strdup(kept_after_all());
    homie_connected(h);
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, count);
    ck_assert_str_eq(kept_after_all(), whole); /* the version, too: nothing has changed */
    free(whole);
    homie_close(h);
}
END_TEST

/* --- reload ----------------------------------------------------------------------------------- */

static struct homie *reload(struct homie *old, const struct config *config)
{
    struct homie *fresh = NULL;
    struct problem problem;
    ck_assert_int_eq(homie_open(&fresh, config, &problem), ERR_NONE);
    homie_reload(fresh, old);
    homie_close(old);
    return fresh;
}

START_TEST(the_same_configuration_says_nothing_again)
{
    struct homie *h = fixture_open();
    raise_alert("journal", -1, "free the disk");
    fixture_settle(h);
    const struct config same = fixture_config;
    h = reload(h, &same);
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
    homie_close(h);
}
END_TEST

START_TEST(a_removed_tank_is_cleared_state_first_and_then_the_roots_children)
{
    struct homie *h = fixture_open();
    raise_alert("no-circulation-lettuce-wall", 1, "look at the pump");
    fixture_settle(h);
    struct config fewer = fixture_config;
    fewer.site.tank_count = 1;
    world.alert_count = 0;
    h = reload(h, &fewer);
    fixture_settle(h);
    ck_assert_int_eq(fixture_place("tern-hall-lettuce-wall/$state", ""), 0);
    const int description = fixture_place("tern-hall-lettuce-wall/$description", "");
    const int water = fixture_place("tern-hall-lettuce-wall/water/ec-quality", "");
    const int alert =
        fixture_place("tern-hall-lettuce-wall/$alert/no-circulation-lettuce-wall", "");
    const int root = fixture_place("tern-hall/$description", NULL);
    ck_assert_int_ge(water, 1);
    ck_assert_int_ge(alert, 1);
    ck_assert_int_gt(description, water);
    ck_assert_int_gt(description, alert);
    ck_assert_int_gt(root, description);
    ck_assert_ptr_null(strstr(fixture_sent("tern-hall/$description"), "lettuce"));
    ck_assert_ptr_null(fixture_sent("tern-hall-basil-bench/$state"));
    ck_assert_str_eq(fixture_sent("tern-hall/$state"), "ready");
    homie_close(h);
}
END_TEST

START_TEST(a_tank_that_comes_moves_the_others_and_says_only_itself)
{
    struct config fewer = fixture_config;
    static struct site_tank second;
    second = fixture_tank[1];
    fewer.site.tank = &second; /* lettuce-wall alone; it is tank 0 there */
    fewer.site.tank_count = 1;
    const struct tank_view basil = world.tank[0];
    struct homie *h = NULL;
    struct problem problem;
    ck_assert_int_eq(homie_open(&h, &fewer, &problem), ERR_NONE);
    homie_connected(h);
    world.tank[0] = world.tank[1];
    raise_alert("no-circulation-lettuce-wall", 0, "look at the pump");
    fixture_settle(h);
    world.tank[0] = basil;
    world.alert[0].tank = 1;
    h = reload(h, &fixture_config);
    fixture_settle(h);
    ck_assert_ptr_null(fixture_sent("tern-hall-lettuce-wall/$state"));
    ck_assert_ptr_null(fixture_sent("tern-hall-lettuce-wall/$alert/no-circulation-lettuce-wall"));
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/$state"), "ready");
    ck_assert_int_lt(fixture_place("tern-hall-basil-bench/$state", "ready"),
        fixture_place("tern-hall/$description", NULL));
    homie_close(h);
}
END_TEST

START_TEST(a_stock_that_leaves_a_tank_is_cleared_and_the_description_follows)
{
    struct homie *h = fixture_open();
    fixture_settle(h);
    struct site_tank tanks[FIXTURE_TANKS] = { fixture_tank[0], fixture_tank[1] };
    struct config other = fixture_config;
    other.site.tank = tanks;
    tanks[0].pump[1] = tanks[0].pump[2]; /* leaf-b goes, acid stays */
    tanks[0].pump_count = 2;
    fixture_tank[0].pump[1] = fixture_tank[0].pump[2];
    fixture_tank[0].pump_count = 2;
    /* the old one is closed before its configuration changes in the daemon; here it's a copy */
    struct homie *fresh = NULL;
    struct problem problem;
    static struct site_tank former[FIXTURE_TANKS];
    memcpy(former, tanks, sizeof former);
    former[0].pump[1].stock = 1;
    former[0].pump[2].stock = 2;
    former[0].pump_count = 3;
    struct config before = fixture_config;
    before.site.tank = former;
    h->config = &before;
    ck_assert_int_eq(homie_open(&fresh, &other, &problem), ERR_NONE);
    homie_reload(fresh, h);
    homie_close(h);
    fixture_settle(fresh);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/stock-leaf-b/remaining"), "");
    ck_assert_ptr_null(fixture_sent("tern-hall-basil-bench/stock-acid/remaining"));
    const char *description = fixture_sent("tern-hall-basil-bench/$description");
    ck_assert_ptr_nonnull(description);
    ck_assert_ptr_null(strstr(description, "stock-leaf-b"));
    ck_assert_ptr_nonnull(strstr(description, "stock-acid"));
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/$state"), "ready");
    ck_assert_ptr_null(fixture_sent("tern-hall/$state"));
    homie_close(fresh);
}
END_TEST

static int64_t version_sent(void)
{
    const char *text = fixture_sent("tern-hall-basil-bench/$description");
    ck_assert_ptr_nonnull(text);
    const char *at = strstr(text, "\"version\":");
    ck_assert_ptr_nonnull(at);
    return atoll(at + strlen("\"version\":"));
}

START_TEST(another_envelope_goes_through_init)
{
    struct homie *h = fixture_open();
    world.tank[0].planted = true;
    world.tank[0].set_ec_us_cm = 1400;
    world.tank[0].set_ph = 5.8;
    fixture_settle(h);
    const int64_t version = version_sent();
    world.now.civil.ms -= HOUR_MS; /* somebody set the clock back */
    struct site_tank tanks[FIXTURE_TANKS] = { fixture_tank[0], fixture_tank[1] };
    tanks[0].envelope.ec_most_us_cm = 2500;
    tanks[0].override_most_ms = HOUR_MS;
    world.tank[0].override_for_ms = HOUR_MS; /* as the core makes it */
    struct config other = fixture_config;
    other.site.tank = tanks;
    h = reload(h, &other);
    fixture_settle(h);
    ck_assert_int_eq(fixture_place("tern-hall-basil-bench/$state", "init"), 0);
    ck_assert_ptr_nonnull(
        strstr(fixture_sent("tern-hall-basil-bench/$description"), "0.400:2.500"));
    ck_assert_int_eq(version_sent(), version + 1);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/setpoint/override-for"), "PT1H");
    ck_assert_ptr_null(fixture_sent("tern-hall-lettuce-wall/$state"));
    homie_close(h);
}
END_TEST

START_TEST(what_was_to_be_cleared_is_cleared_even_after_another_reload)
{
    struct homie *h = fixture_open();
    fixture_settle(h);
    struct config fewer = fixture_config;
    fewer.site.tank_count = 1;
    h = reload(h, &fewer);
    world.takes = 1; /* the state goes out, the rest doesn't */
    ck_assert(!fixture_show(h));
    world.takes = -1;
    h = reload(h, &fewer);
    fixture_settle(h);
    ck_assert_int_eq(fixture_place("tern-hall-lettuce-wall/$state", NULL), -1);
    ck_assert_int_eq(fixture_place("tern-hall-lettuce-wall/water/ec-quality", ""), 0);
    ck_assert_int_gt(fixture_place("tern-hall-lettuce-wall/$description", ""), 0);
    homie_close(h);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("homie life");
    tcase_add_checked_fixture(t, setup, NULL);
    tcase_set_timeout(t, 30);
    tcase_add_test(t, an_alert_is_kept_at_its_device_until_it_is_over);
    tcase_add_test(t, an_alert_of_a_former_life_is_cleared_unless_it_stands);
    tcase_add_loop_test(t, a_connection_that_takes_little_gets_everything_in_the_end, 1, 9);
    tcase_add_test(t, one_call_sends_a_bounded_number);
    tcase_add_test(t, a_new_connection_is_told_everything_from_the_start);
    tcase_add_test(t, the_same_configuration_says_nothing_again);
    tcase_add_test(t, a_removed_tank_is_cleared_state_first_and_then_the_roots_children);
    tcase_add_test(t, a_tank_that_comes_moves_the_others_and_says_only_itself);
    tcase_add_test(t, a_stock_that_leaves_a_tank_is_cleared_and_the_description_follows);
    tcase_add_test(t, another_envelope_goes_through_init);
    tcase_add_test(t, what_was_to_be_cleared_is_cleared_even_after_another_reload);
    return run_case(t, "homie life");
}
