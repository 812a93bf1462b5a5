/* What a former life left on the broker: what goes, and what must stay. */
#include "tests/unit/daemon/homie_fixture.h"

#define ROOT_WITH(children)                                                                        \
    "{\"homie\":\"5.0\",\"version\":7,\"name\":\"Tern \\\"Hall\\\"\",\"children\":[" children      \
    "],\"extensions\":[]}"
#define CHILD_OF(root)                                                                             \
    "{\"homie\":\"5.0\",\"version\":3,\"name\":\"x\",\"root\":\"" root "\",\"extensions\":[]"

static struct homie *h;

static void setup(void)
{
    fixture_setup();
    h = fixture_open();
}

static void teardown(void)
{
    homie_close(h);
}

static void hear_as(const char *topic, const char *payload, size_t length, bool retained)
{
    char whole[300];
    struct event_request q;
    struct problem problem;
    snprintf(whole, sizeof whole, "homie/5/%s", topic);
    const struct mqtt_message m = {
        .topic = whole, .payload = payload, .length = length, .retained = retained
    };
    ck_assert_int_eq(homie_read_set(h, &m, &q, &problem), HOMIE_NOT_MINE);
}

static void hear(const char *topic, const char *payload)
{
    hear_as(topic, payload, strlen(payload), true);
}

/* As far as it gets: the site's own description may have to wait. */
static void show_some(void)
{
    world.sent_count = 0;
    for (int i = 0; i < 20; i++) {
        (void)fixture_show(h);
    }
}

/* Its time passes, and all is said that is to be said. */
static void sweep(void)
{
    show_some();
    world.now.mono.ms += 5000;
    fixture_settle(h);
}

static bool listens_to(const char *filter)
{
    struct mqtt_subscription list[200];
    ck_assert_uint_le(homie_filters_most(h), 200);
    const uint32_t count = homie_filters(h, list);
    for (uint32_t i = 0; i < count; i++) {
        if (strcmp(list[i].filter + strlen("homie/5/"), filter) == 0) return true;
    }
    return false;
}

START_TEST(a_tank_that_went_while_the_daemon_was_off_is_removed_state_first)
{
    hear("tern-hall/$description",
        ROOT_WITH("\"tern-hall-basil-bench\",\"tern-hall-mint\",\"tern-hall-lettuce-wall\""));
    ck_assert(homie_refilter(h));
    ck_assert(listens_to("tern-hall-mint/#"));
    ck_assert(!listens_to("tern-hall-basil-bench/#"));
    hear("tern-hall-mint/$state", "disconnected");
    hear("tern-hall-mint/water/ec", "1.2");
    hear("tern-hall-mint/$alert/low", "old");
    hear("tern-hall-mint/$description", CHILD_OF("tern-hall"));
    show_some();
    ck_assert_ptr_null(fixture_sent("tern-hall-mint/$state"));
    ck_assert_ptr_null(fixture_sent("tern-hall/$description")); /* until it's gone */
    world.now.mono.ms += 5000;
    fixture_settle(h);
    ck_assert_int_eq(fixture_place("tern-hall-mint/$state", ""), 0);
    ck_assert_int_eq(fixture_place("tern-hall-mint/water/ec", ""), 1);
    ck_assert_int_eq(fixture_place("tern-hall-mint/$alert/low", ""), 2);
    ck_assert_int_eq(fixture_place("tern-hall-mint/$description", ""), 3);
    ck_assert_int_gt(fixture_place("tern-hall/$description", NULL), 3);
    ck_assert(!listens_to("tern-hall-mint/#"));
    fixture_settle(h);
    ck_assert_uint_eq(world.sent_count, 0);
}
END_TEST

/* _i: what stands under the name of the tank that is gone. */
static const char *const of_others[] = {
    CHILD_OF("tern-hall-annex"),                                        /* another site's tank */
    "{\"homie\":\"5.0\",\"version\":3,\"name\":\"x\",\"children\":[]}", /* a site */
    "{\"name\":\"x\",\"root\":\"tern-hall\"}",                          /* not as we write */
    "{\"homie\":\"5.0\",\"version\":3,\"name\":\"x\",\"root\":\"tern-hall",
    "{\"homie\":\"5.0\",\"version\":3,\"name\":\"x",
    "{\"homie\":\"5.0\",\"version\":99999999999999999999,\"name\":\"x\",\"root\":\"tern-hall\"",
    "{\"homie\":\"5.0\",\"version\":,\"name\":\"x\",\"root\":\"tern-hall\"",
    "",
};

START_TEST(what_is_not_known_to_be_ours_stays)
{
    hear("tern-hall/$description", ROOT_WITH("\"tern-hall-annex\""));
    hear("tern-hall-annex/$state", "ready");
    hear("tern-hall-annex/site/halt", "false");
    if (of_others[_i][0]) hear("tern-hall-annex/$description", of_others[_i]);
    sweep();
    for (uint32_t i = 0; i < world.sent_count; i++) {
        ck_assert_ptr_null(strstr(world.sent[i].topic, "tern-hall-annex"));
    }
    ck_assert_str_eq(fixture_sent("tern-hall/$state"), "ready");
}
END_TEST

START_TEST(only_names_of_children_are_believed)
{
    hear("tern-hall/$description",
        ROOT_WITH("\"west\",\"tern-hall\",\"tern-hall-basil-bench\",\"other-mint\""));
    ck_assert(!listens_to("west/#"));
    ck_assert(!listens_to("tern-hall/#"));
    ck_assert(!listens_to("other-mint/#"));
    hear("tern-hall/$description", ROOT_WITH("\"tern-hall-a/b\""));
    hear("tern-hall/$description", ROOT_WITH("\"tern-hall-#\""));
    hear("tern-hall/$description", ROOT_WITH("tern-hall-c"));
    hear("tern-hall/$description", ROOT_WITH("\"\""));
    hear("tern-hall/$description",
        ROOT_WITH(
            "\"tern-hall-0123456789012345678901234567890123456789012345678901234567890123\""));
    hear_as("tern-hall/$description", ROOT_WITH("\"tern-hall-live\""),
        strlen(ROOT_WITH("\"tern-hall-live\"")), false); /* not kept: somebody says it now */
    hear("west/$description", ROOT_WITH("\"tern-hall-west\""));
    struct mqtt_subscription list[200];
    const uint32_t count = homie_filters(h, list);
    for (uint32_t i = 0; i < count; i++) {
        ck_assert_ptr_null(strstr(list[i].filter, "/#"));
    }
}
END_TEST

/* A long document is cut by the inbox: what came before the cut counts. */
START_TEST(a_list_that_is_cut_gives_what_it_has)
{
    static const char cut[] = "{\"homie\":\"5.0\",\"version\":7,\"name\":\"x\",\"children\":["
                              "\"tern-hall-a\",\"tern-hall-b";
    hear("tern-hall/$description", cut);
    ck_assert(listens_to("tern-hall-a/#"));
    ck_assert(!listens_to("tern-hall-b/#"));
    for (int i = 0; i < 100; i++) { /* more than it takes */
        char many[200];
        snprintf(many, sizeof many,
            "{\"homie\":\"5.0\",\"version\":7,\"name\":\"x\",\"children\":[\"tern-hall-m%d\"", i);
        hear("tern-hall/$description", many);
    }
    struct mqtt_subscription list[200];
    ck_assert_uint_le(homie_filters(h, list), homie_filters_most(h));
}
END_TEST

START_TEST(properties_that_are_no_longer_there_are_cleared)
{
    hear("tern-hall-basil-bench/stock-base/remaining", "1.0");
    hear("tern-hall-basil-bench/stock-acid/remaining", "1.0");
    hear("tern-hall-basil-bench/air/temperature", "21"); /* known, but nothing says it any more */
    hear("tern-hall-basil-bench/water/ec", "1.2");       /* comes again within the time */
    hear("tern-hall/site/beat", "{}");                   /* must never be kept */
    hear("tern-hall/$what/ever", "x");
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/stock-base/remaining"), "");
    ck_assert_str_eq(fixture_sent("tern-hall/site/beat"), "");
    ck_assert_str_eq(fixture_sent("tern-hall/$what/ever"), "");
    ck_assert_str_ne(fixture_sent("tern-hall-basil-bench/stock-acid/remaining"), "");
    ck_assert_ptr_null(fixture_sent("tern-hall-basil-bench/air/temperature"));
    world.tank[0].probe[PROBE_EC] = (struct probe_view){
        .present = true, .has_value = true, .value = 1400, .quality = PROBE_GOOD
    };
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ec"), "1.400");
    world.now.mono.ms += 5000;
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/air/temperature"), "");
    ck_assert_ptr_null(fixture_sent("tern-hall-basil-bench/water/ec"));
}
END_TEST

/* Also on a board whose clock begins anew: the version goes on where it was. */
START_TEST(a_version_is_higher_than_the_one_that_is_kept)
{
    world.now.civil.ms = 0;
    hear("tern-hall-basil-bench/$description",
        "{\"homie\":\"5.0\",\"version\":1932000000,\"name\":\"Basil\",\"root\":\"tern-hall\"}");
    fixture_settle(h);
    ck_assert_ptr_nonnull(
        strstr(fixture_sent("tern-hall-basil-bench/$description"), "\"version\":1932000001,"));
    ck_assert_ptr_nonnull(
        strstr(fixture_sent("tern-hall-lettuce-wall/$description"), "\"version\":1,"));
}
END_TEST

START_TEST(a_reload_goes_on_with_it)
{
    hear("tern-hall/$description", ROOT_WITH("\"tern-hall-mint\",\"tern-hall-dill\""));
    hear("tern-hall-mint/water/ec", "1.2");
    hear("tern-hall-mint/$description", CHILD_OF("tern-hall"));
    hear("tern-hall-dill/$description", CHILD_OF("tern-hall"));
    show_some();
    struct homie *fresh = NULL;
    struct problem problem;
    struct config next = fixture_config;
    static struct site_tank tanks[FIXTURE_TANKS];
    memcpy(tanks, fixture_tank, sizeof tanks);
    tanks[1].key = "dill"; /* has come back */
    next.site.tank = tanks;
    ck_assert_int_eq(homie_open(&fresh, &next, &problem), ERR_NONE);
    homie_reload(fresh, h);
    homie_close(h);
    h = fresh;
    ck_assert(listens_to("tern-hall-mint/#"));
    ck_assert(!listens_to("tern-hall-dill/#"));
    sweep();
    ck_assert_str_eq(fixture_sent("tern-hall-mint/water/ec"), "");
    ck_assert_str_eq(fixture_sent("tern-hall-mint/$state"), "");
    ck_assert_ptr_null(fixture_sent("tern-hall-dill/$state"));
}
END_TEST

START_TEST(a_large_site_is_looked_through_in_windows)
{
    fixture_many_tanks();
    homie_close(h);
    h = fixture_open();
    struct mqtt_subscription *list = calloc(homie_filters_most(h), sizeof *list);
    int windows = 0;
    bool seen[MANY] = { false };
    for (; !h->sweep.over && windows < 10; windows++) {
        const uint32_t count = homie_filters(h, list);
        ck_assert_uint_le(count, homie_filters_most(h));
        for (uint32_t i = 0; i < count; i++) {
            int tank;
            if (sscanf(list[i].filter, "homie/5/tern-hall-t%d/+/+", &tank) == 1 &&
                strstr(list[i].filter, "/+/+"))
                seen[tank] = true;
        }
        show_some();
        world.now.mono.ms += 5000;
        (void)fixture_show(h);
    }
    ck_assert_int_eq(windows, 3);
    for (int i = 0; i < MANY; i++) {
        ck_assert(seen[i]);
    }
    free(list);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("homie sweep");
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_add_test(t, a_tank_that_went_while_the_daemon_was_off_is_removed_state_first);
    tcase_add_loop_test(
        t, what_is_not_known_to_be_ours_stays, 0, sizeof of_others / sizeof *of_others);
    tcase_add_test(t, only_names_of_children_are_believed);
    tcase_add_test(t, a_list_that_is_cut_gives_what_it_has);
    tcase_add_test(t, properties_that_are_no_longer_there_are_cleared);
    tcase_add_test(t, a_version_is_higher_than_the_one_that_is_kept);
    tcase_add_test(t, a_reload_goes_on_with_it);
    tcase_add_test(t, a_large_site_is_looked_through_in_windows);
    return run_case(t, "homie sweep");
}
