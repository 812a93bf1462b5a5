/* What keeps a tank from being dosed wakes somebody, once, and is over by itself. */
#include "tests/unit/core/upkeep_fixture.h"

enum { STEP_MS = 10000 };

/* What is the matter while time passes. */
static struct {
    bool silent, wet, far; /* no pH; water on the floor; the heads say nothing */
    bool warm, low, quiet; /* water of 40 degrees; too little of it; no message at all */
} is;

static void tell_all(void)
{
    for (uint32_t c = 0; c < CHAINS && !is.far; c++) {
        tell_beat(c);
    }
    for (uint32_t i = 0; i < TANKS && !is.quiet; i++) {
        const bool it = i == BASIL;
        tell_probe(i, PROBE_TEMPERATURE, it && is.warm ? 40.0 : 20.0);
        tell_probe(i, PROBE_EC, 1200);
        if (!it || !is.silent) tell_probe(i, PROBE_PH, 5.8);
    }
    tell_probe(BASIL, PROBE_LEAK, is.wet);
    tell_probe(BASIL, PROBE_LEVEL, is.low ? 20 : 80);
}

static void live(int64_t span_ms)
{
    for (int64_t t = 0; t < span_ms; t += STEP_MS) {
        pass(STEP_MS);
        tell_all();
        ticks();
    }
}

static void begin(void)
{
    memset(&is, 0, sizeof is);
    bench_init();
    make_probe(&b.tank[BASIL], PROBE_LEAK, UNIT_BOOL);
    make_probe(&b.tank[BASIL], PROBE_LEVEL, UNIT_PERCENT);
    b.tank[BASIL].has_level_min = true;
    b.tank[BASIL].level_min_percent = 40;
    b.site.chain[EAST].plain = false;
    bench_start();
    come_up();
    live(6 * MINUTE_MS); /* its start is long ago */
    ck_assert_uint_eq(count_records("alert"), 0);
}

static uint32_t alerts(void)
{
    uint32_t count = 0;
    for (int a = 0; a < CORE_ALERTS_MAX; a++) {
        count += b.core->alert[a].used;
    }
    return count;
}

/* --- a tank ----------------------------------------------------------------------------------- */

START_TEST(water_on_the_floor_is_told_at_once_and_over_when_it_is_dry)
{
    begin();
    is.wet = true;
    live(20000);
    ck_assert_ptr_nonnull(strstr(said("leak-basil"), "basil: the leak probe reports water."));
    for (int i = 0; i < 6; i++) { /* a puddle that sloshes is one alert */
        is.wet = i % 2 == 1;
        live(30000);
    }
    ck_assert_uint_eq(count_records("alert"), 1);
    live(30 * MINUTE_MS);
    ck_assert_uint_eq(alerts(), 1); /* 'kept' would say the same again */
    is.wet = false;
    live(2 * MINUTE_MS);
    ck_assert_uint_eq(alerts(), 0);
}
END_TEST

/* Nobody at the tank any more: whatever else holds it still, water is water. */
START_TEST(a_leak_is_told_in_a_tank_that_is_held_still)
{
    begin();
    ck_assert(ask_for((struct event_request){
        .kind = (enum request_kind[]){ REQUEST_PAUSE, REQUEST_SERVICE, REQUEST_HALT }[_i],
        .tank = BASIL,
        .on = true }));
    is.wet = true;
    live(20000);
    ck_assert(stands("leak-basil"));
    ck_assert(acknowledge("leak-basil"));
    live(HOUR_MS - MINUTE_MS);
    ck_assert(!stands("leak-basil"));
    live(2 * MINUTE_MS);
    ck_assert(stands("leak-basil"));
}
END_TEST

START_TEST(what_keeps_a_tank_from_being_dosed_is_told_after_a_while)
{
    static const char *const words[] = {
        "basil: nothing is dosed there: the pH probe can't be used",
        "basil: nothing is dosed there: the water has 40.0 degrees C",
        "basil: nothing is dosed there: the level is 20.0 %, below the 40 %"
    };
    begin();
    is.silent = _i == 0;
    is.warm = _i == 1;
    is.low = _i == 2;
    live(15 * MINUTE_MS - 20000);
    ck_assert_uint_eq(alerts(), 0);
    live(3 * MINUTE_MS);
    ck_assert_msg(
        strstr(said("kept-basil"), words[_i]) == said("kept-basil"), "%s", said("kept-basil"));
    is.silent = is.warm = is.low = false;
    live(4 * MINUTE_MS);
    ck_assert(stands("kept-basil"));
    is.silent = _i == 0; /* it comes and goes: one alert */
    is.warm = _i == 1;
    is.low = _i == 2;
    live(5 * MINUTE_MS);
    ck_assert_uint_eq(count_records("alert"), 1);
    is.silent = is.warm = is.low = false;
    live(7 * MINUTE_MS);
    ck_assert_uint_eq(alerts(), 0);
    ck_assert_uint_eq(count_records("alert"), 2);
}
END_TEST

START_TEST(other_words_are_no_other_alert)
{
    begin();
    is.silent = true;
    live(17 * MINUTE_MS);
    is.low = true;
    live(MINUTE_MS);
    ck_assert_ptr_nonnull(strstr(said("kept-basil"), "top the tank up"));
    ck_assert_uint_eq(count_records("alert"), 1);
}
END_TEST

/* In winter tanks are empty and probes stand in a jar: nobody waits for a dose. */
START_TEST(nobody_is_woken_for_a_tank_that_nobody_wants_dosed)
{
    begin();
    if (_i == 0) b.tank[BASIL].planted.ms = b.now.civil.ms / DAY_MS * DAY_MS + 30 * DAY_MS;
    if (_i == 1) b.now.clock = CLOCK_UNSET;
    const struct event_request q = { .kind = (enum request_kind[]){ 0, 0, REQUEST_PAUSE,
                                         REQUEST_SERVICE, REQUEST_HALT, REQUEST_BENCH }[_i],
        .tank = BASIL,
        .on = true };
    if (_i >= 2) ck_assert(ask_for(q));
    is.silent = is.low = true;
    live(HOUR_MS);
    ck_assert(!stands("kept-basil"));
    ck_assert(!stands("gone-west"));
}
END_TEST

/* --- a chain ---------------------------------------------------------------------------------- */

START_TEST(a_head_that_has_gone_is_one_alert_for_all_its_tanks)
{
    begin();
    is.far = true;
    if (_i == 1) tell_head(WEST, false);
    live(14 * MINUTE_MS);
    ck_assert_uint_eq(alerts(), 0);
    live(2 * MINUTE_MS);
    ck_assert_ptr_nonnull(strstr(said("gone-west"),
        _i == 1 ? "chain west: its head isn't there." : "chain west: its head's heartbeat"));
    ck_assert(!stands("kept-basil") && !stands("kept-lettuce"));
    is.far = false;
    if (_i == 1) tell_head(WEST, true);
    if (_i == 1) tell_roll(WEST, "boot-w");
    live(6 * MINUTE_MS);
    ck_assert_uint_eq(alerts(), 0);
}
END_TEST

START_TEST(what_has_an_alert_of_its_own_is_not_told_twice)
{
    begin();
    if (_i == 0) tell_link(false); /* nobody would hear it */
    if (_i == 1) {
        struct event e = roll_of(WEST, "boot-w");
        text_copy(e.roll.module[1].serial, sizeof e.roll.module[1].serial, "ffff");
        step(&e);
    }
    if (_i == 2) tell_claim(WEST, "stranger", 99);
    is.quiet = _i == 0;
    live(30 * MINUTE_MS);
    ck_assert(!stands("gone-west"));
}
END_TEST

START_TEST(a_chain_that_no_planted_tank_uses_may_be_off)
{
    begin();
    for (int i = 0; i < TANKS; i++) {
        b.tank[i].planted.ms = b.now.civil.ms / DAY_MS * DAY_MS + 30 * DAY_MS;
    }
    is.far = true;
    live(30 * MINUTE_MS);
    ck_assert_uint_eq(alerts(), 0);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("kept");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, water_on_the_floor_is_told_at_once_and_over_when_it_is_dry);
    tcase_add_loop_test(t, a_leak_is_told_in_a_tank_that_is_held_still, 0, 3);
    tcase_add_loop_test(t, what_keeps_a_tank_from_being_dosed_is_told_after_a_while, 0, 3);
    tcase_add_test(t, other_words_are_no_other_alert);
    tcase_add_loop_test(t, nobody_is_woken_for_a_tank_that_nobody_wants_dosed, 0, 6);
    tcase_add_loop_test(t, a_head_that_has_gone_is_one_alert_for_all_its_tanks, 0, 2);
    tcase_add_loop_test(t, what_has_an_alert_of_its_own_is_not_told_twice, 0, 3);
    tcase_add_test(t, a_chain_that_no_planted_tank_uses_may_be_off);
    return run_case(t, "upkeep_kept");
}
