/* Values of readings that don't wait for the next look. */
#include "tests/unit/daemon/homie_fixture.h"

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

static struct homie *settled(void)
{
    measure(0, PROBE_EC, 1400);
    measure(0, PROBE_PH, 6);
    measure(1, PROBE_EC, 1400);
    struct homie *h = fixture_open();
    fixture_settle(h);
    return h;
}

START_TEST(a_reading_is_shown_without_a_look)
{
    struct homie *h = settled();
    world.tank[0].probe[PROBE_EC].value = 1410;
    world.tank[0].probe[PROBE_PH].value = 6.5;
    world.tank[0].state = TANK_MIXING; /* that is for the look */
    fixture_prompt(h);
    ck_assert_uint_eq(world.sent_count, 0); /* nothing was heard */
    homie_hear(h, 0, PROBE_EC);
    fixture_prompt(h);
    ck_assert_uint_eq(world.sent_count, 1);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ec"), "1.410");
    ck_assert(world.sent[0].retained && world.sent[0].qos == 1);
    fixture_prompt(h);
    ck_assert_uint_eq(world.sent_count, 0);
    fixture_settle(h); /* the look doesn't say it again */
    ck_assert_ptr_null(fixture_sent("tern-hall-basil-bench/water/ec"));
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ph"), "6.50");
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/dosing/state"), "mixing");
    homie_close(h);
}
END_TEST

START_TEST(a_reading_that_moves_nothing_says_nothing)
{
    struct homie *h = settled();
    world.tank[0].probe[PROBE_EC].value = 1409.4;
    homie_hear(h, 0, PROBE_EC);
    homie_hear(h, 0, PROBE_LEVEL); /* it has no property */
    fixture_prompt(h);
    ck_assert_uint_eq(world.sent_count, 0);
    world.tank[0].probe[PROBE_EC].quality = PROBE_SUSPECT;
    homie_hear(h, 0, PROBE_EC);
    fixture_prompt(h);
    ck_assert_uint_eq(world.sent_count, 1);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ec-quality"), "suspect");
    homie_close(h);
}
END_TEST

START_TEST(readings_that_find_no_room_wait_and_the_newest_is_shown)
{
    struct homie *h = settled();
    world.takes = 1;
    world.tank[1].probe[PROBE_EC].value = 1500;
    world.tank[0].probe[PROBE_EC].value = 1410;
    world.tank[0].probe[PROBE_PH].value = 6.1;
    homie_hear(h, 1, PROBE_EC);
    homie_hear(h, 0, PROBE_EC);
    homie_hear(h, 0, PROBE_PH);
    fixture_prompt(h);
    ck_assert_uint_eq(world.sent_count, 1); /* in the order in which they came */
    ck_assert_str_eq(fixture_sent("tern-hall-lettuce-wall/water/ec"), "1.500");
    world.tank[0].probe[PROBE_EC].value = 1420;
    homie_hear(h, 0, PROBE_EC);
    world.takes = -1;
    fixture_prompt(h);
    ck_assert_uint_eq(world.sent_count, 2);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ec"), "1.420");
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ph"), "6.10");
    for (int i = 0; i < 5; i++) { /* around the ring of two */
        world.tank[i % 2].probe[PROBE_EC].value += 100;
        homie_hear(h, (uint32_t)i % 2, PROBE_EC);
        fixture_prompt(h);
        ck_assert_uint_eq(world.sent_count, 1);
    }
    homie_close(h);
}
END_TEST

START_TEST(a_device_that_is_not_live_shows_no_reading)
{
    struct homie *h = settled();
    homie_connected(h);
    world.takes = 3; /* the site's init, a tank's init and its description: no value yet */
    (void)fixture_show(h);
    world.takes = -1;
    world.tank[0].probe[PROBE_EC].value = 1410;
    homie_hear(h, 0, PROBE_EC);
    fixture_prompt(h);
    ck_assert_uint_eq(world.sent_count, 0);
    fixture_settle(h);
    ck_assert_str_eq(fixture_sent("tern-hall-basil-bench/water/ec"), "1.410");
    homie_close(h);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("homie heard");
    tcase_add_checked_fixture(t, setup, NULL);
    tcase_add_test(t, a_reading_is_shown_without_a_look);
    tcase_add_test(t, a_reading_that_moves_nothing_says_nothing);
    tcase_add_test(t, readings_that_find_no_room_wait_and_the_newest_is_shown);
    tcase_add_test(t, a_device_that_is_not_live_shows_no_reading);
    return run_case(t, "homie heard");
}
