/* The dose gate, condition by condition: from a state in which a dose may begin, each one alone
 * turns the verdict, and state and words say which. INV-n: safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/core_fixture.h"

static bool may_move(void)
{
    return core_gate_move(b.core, BASIL, b.now);
}

/* As the sequence asks: what moves at all, then what a dose needs besides. */
static bool may_dose(void)
{
    return may_move() && core_gate_dose(b.core, BASIL, b.now);
}

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

static struct site_tank *config(void)
{
    return &b.tank[BASIL];
}

/* With the probes that a tank may have besides, and each interlock just holding. */
static void prepare(void)
{
    bench_init();
    make_probe(&b.tank[BASIL], PROBE_LEAK, UNIT_BOOL);
    b.tank[BASIL].probe[PROBE_LEAK].safe = false;
    make_probe(&b.tank[BASIL], PROBE_LEVEL, UNIT_PERCENT);
    b.tank[BASIL].has_level_min = true;
    b.tank[BASIL].level_min_percent = 30;
    bench_start();
    come_up();
    tell_water(BASIL, 1200, 5.8);
    for (int n = 0; n < 3; n++) {
        tell_probe(BASIL, PROBE_LEAK, 0);
        tell_probe(BASIL, PROBE_LEVEL, 30);
    }
    ck_assert_msg(may_dose(), "%s", tank()->why);
}

/* --- one change each -------------------------------------------------------------------------- */

static void halted(void)
{
    b.core->halted = true;
}

static void journal_closed(void)
{
    b.core->journal_ok = false;
    text_copy(b.core->journal_why, sizeof b.core->journal_why, "disk full");
}

static void service(void)
{
    tank()->service = true;
}

static void another_serves(void)
{
    b.core->active = false;
    b.core->has_peer = true;
}

static void not_active(void)
{
    b.core->active = false;
}

static void no_link(void)
{
    b.core->link_up = false;
}

static void no_head(void)
{
    b.core->chain[WEST].head_ready = false;
}

static void no_roll(void)
{
    b.core->chain[WEST].has_roll = false;
}

static void other_order(void)
{
    struct event e = roll_of(WEST, "boot-w");
    text_copy(e.roll.module[1].serial, sizeof e.roll.module[1].serial, "ffff");
    step(&e);
}

static void no_claim(void)
{
    b.core->chain[WEST].has_claim = false;
}

static void not_ours(void)
{
    b.core->chain[WEST].ours = false;
}

static void deposed(void)
{
    tell_claim(WEST, "stranger", 99);
}

static void no_beat(void)
{
    b.core->chain[WEST].has_beat = false;
}

static void beat_of_another_boot(void)
{
    text_copy(b.core->chain[WEST].beat.boot, CHAIN_WORD_MAX, "other");
}

static void beat_stopped(void)
{
    b.core->chain[WEST].beat_at.ms -= 3 * b.core->chain[WEST].roll.beat_ms;
}

static void head_halted(void)
{
    b.core->chain[WEST].beat.halted = true;
}

static void far_head_gone(void)
{
    b.core->chain[EAST].head_ready = false;
}

static void far_head_halted(void)
{
    b.core->chain[EAST].beat.halted = true;
}

static void far_chain_deposed(void)
{
    tell_claim(EAST, "stranger", 99);
}

static void far_order(void)
{
    struct event e = roll_of(EAST, "boot-e");
    e.roll.count = 0;
    step(&e);
}

/* What once gave the wrong reason: a second thing is wrong with the chain that comes later. */
static void order_and_no_head(void)
{
    other_order();
    no_head();
}

static void halt_and_silence(void)
{
    head_halted();
    beat_stopped();
}

static void leak_silent(void)
{
    tank()->probe[PROBE_LEAK].at.ms -= config()->probe[PROBE_LEAK].max_age_ms + 1;
}

static void leak_wet(void)
{
    tell_probe(BASIL, PROBE_LEAK, 1);
}

static void leak_wet_the_other_way(void)
{
    config()->probe[PROBE_LEAK].safe = true;
}

static void level_silent(void)
{
    tank()->probe[PROBE_LEVEL].at.ms -= config()->probe[PROBE_LEVEL].max_age_ms + 1;
}

static void level_low(void)
{
    tank()->probe[PROBE_LEVEL].value = 29.9;
}

static void paused(void)
{
    tank()->paused = true;
}

static void clock_unset(void)
{
    b.now.clock = CLOCK_UNSET;
}

static void not_planted(void)
{
    config()->planted.ms = b.now.civil.ms + 2 * DAY_MS;
}

static void no_temperature_probe(void)
{
    config()->probe[PROBE_TEMPERATURE].present = false;
}

static void no_ec_probe(void)
{
    config()->probe[PROBE_EC].present = false;
}

static void no_ph_probe(void)
{
    config()->probe[PROBE_PH].present = false;
}

static void temperature_not_calibrated(void)
{
    config()->probe[PROBE_TEMPERATURE].calibrated = false;
}

static void ec_not_calibrated(void)
{
    config()->probe[PROBE_EC].calibrated = false;
}

static void ph_not_calibrated(void)
{
    config()->probe[PROBE_PH].calibrated = false;
}

static void temperature_stale(void)
{
    tank()->probe[PROBE_TEMPERATURE].at.ms -= config()->probe[PROBE_TEMPERATURE].max_age_ms + 1;
}

static void ec_stale(void)
{
    tank()->probe[PROBE_EC].at.ms -= config()->probe[PROBE_EC].max_age_ms + 1;
}

static void ph_stale(void)
{
    tank()->probe[PROBE_PH].at.ms -= config()->probe[PROBE_PH].max_age_ms + 1;
}

static void ec_out_of_range(void)
{
    tell_probe(BASIL, PROBE_EC, 9999);
}

static void ph_faulty(void)
{
    config()->probe[PROBE_PH].sentinel_count = 1;
    config()->probe[PROBE_PH].sentinel[0] = 14;
    tell_probe(BASIL, PROBE_PH, 14);
}

static void water_cold(void)
{
    tank()->probe[PROBE_TEMPERATURE].value = 4.9;
}

static void water_hot(void)
{
    tank()->probe[PROBE_TEMPERATURE].value = 35.1;
}

static void hand(uint32_t chain, const char *serial, uint32_t channel)
{
    struct event e = { .kind = EVENT_MANUAL, .chain = chain };
    e.manual = (struct chain_manual){ .running = true, .channel = channel };
    text_copy(e.manual.serial, sizeof e.manual.serial, serial);
    step(&e);
}

static void hand_on_its_pump(void)
{
    hand(WEST, "a1f3", 2);
}

static void hand_on_its_circulation(void)
{
    hand(WEST, "a1f3", CHAIN_CIRCULATION_CHANNEL);
}

static void hand_on_its_far_pump(void)
{
    hand(EAST, "c91d", 1);
}

static const struct {
    void (*change)(void);
    bool still_moves;
    enum tank_state state;
    const char *says; /* part of it */
} conditions[] = {
    { halted, false, TANK_HALTED, "everything is halted" },
    { journal_closed, false, TANK_LOCKED, "the journal can't be written: disk full" },
    { service, false, TANK_LOCKED, "service lock" },
    { another_serves, false, TANK_STANDBY, "another daemon serves this site" },
    { no_link, false, TANK_WAITING, "chain west: the broker doesn't answer" },
    { no_head, false, TANK_WAITING, "chain west: its head isn't there" },
    { no_roll, false, TANK_WAITING, "chain west: its head hasn't sent a roll-call" },
    { other_order, false, TANK_LOCKED, "chain west: position 2 answers as ffff" },
    { no_claim, false, TANK_WAITING, "chain west: its head hasn't said who commands it" },
    { not_ours, false, TANK_WAITING, "chain west: not claimed yet" },
    { deposed, false, TANK_STANDBY, "chain west: another daemon has taken it over" },
    { no_beat, false, TANK_WAITING, "chain west: waiting for its head's heartbeat" },
    { beat_of_another_boot, false, TANK_WAITING, "chain west: waiting for its head's heartbeat" },
    { beat_stopped, false, TANK_WAITING, "chain west: its head's heartbeat has stopped" },
    { head_halted, false, TANK_HALTED, "chain west: its head is halted" },
    { far_head_gone, false, TANK_WAITING, "chain east: its head isn't there" },
    { far_head_halted, false, TANK_HALTED, "chain east: its head is halted" },
    { far_chain_deposed, false, TANK_STANDBY, "chain east: another daemon has taken it over" },
    { far_order, false, TANK_LOCKED, "chain east: position 1 doesn't answer" },
    { order_and_no_head, false, TANK_WAITING, "chain west: its head isn't there" },
    { halt_and_silence, false, TANK_WAITING, "chain west: its head's heartbeat has stopped" },
    { leak_silent, false, TANK_INTERLOCKED, "a dead probe isn't a dry floor" },
    { leak_wet, false, TANK_INTERLOCKED, "the leak probe reports water" },
    { leak_wet_the_other_way, false, TANK_INTERLOCKED, "the leak probe reports water" },
    { level_silent, false, TANK_INTERLOCKED, "the level probe can't be used: no reading for" },
    { level_low, false, TANK_INTERLOCKED, "the level is 29.9 %, below the 30 %" },
    { paused, true, TANK_PAUSED, "paused" },
    { clock_unset, true, TANK_WAITING, "the clock isn't set" },
    { not_planted, true, TANK_WAITING, "the planting date hasn't come" },
    { no_temperature_probe, true, TANK_LOCKED, "the temperature probe isn't configured" },
    { no_ec_probe, true, TANK_LOCKED, "the EC probe isn't configured" },
    { no_ph_probe, true, TANK_LOCKED, "the pH probe isn't configured" },
    { temperature_not_calibrated, true, TANK_LOCKED, "the temperature probe isn't calibrated" },
    { ec_not_calibrated, true, TANK_LOCKED, "the EC probe isn't calibrated" },
    { ph_not_calibrated, true, TANK_LOCKED, "the pH probe isn't calibrated" },
    { temperature_stale, true, TANK_WAITING, "the temperature probe can't be used" },
    { ec_stale, true, TANK_WAITING, "the EC probe can't be used: no reading for" },
    { ph_stale, true, TANK_WAITING, "the pH probe can't be used: no reading for" },
    { ec_out_of_range, true, TANK_WAITING, "the EC probe can't be used: out of its plausible" },
    { ph_faulty, true, TANK_INTERLOCKED, "the pH probe can't be used: the probe reports a fault" },
    { water_cold, true, TANK_INTERLOCKED, "the water has 4.9 degrees C, outside the envelope" },
    { water_hot, true, TANK_INTERLOCKED, "the water has 35.1 degrees C, outside the envelope" },
    { hand_on_its_pump, true, TANK_WAITING, "run by the switch on its module" },
    { hand_on_its_circulation, true, TANK_WAITING, "run by the switch on its module" },
    { hand_on_its_far_pump, true, TANK_WAITING, "run by the switch on its module" },
};

/* INV-3, 8, 9, 11: each condition alone, and what is said of it. */
START_TEST(each_condition_alone_forbids_a_dose_and_says_so)
{
    prepare();
    conditions[_i].change();
    ck_assert_int_eq(may_move(), conditions[_i].still_moves);
    const bool elsewhere = strstr(conditions[_i].says, "chain east") != NULL;
    if (!conditions[_i].still_moves) /* its circulation is on the other chain */
        ck_assert_int_eq(core_gate_flow(b.core, BASIL, b.now), elsewhere);
    ck_assert(!may_dose());
    ck_assert_msg(strstr(tank()->why, conditions[_i].says), "%d: %s", _i, tank()->why);
    ck_assert_msg(
        tank()->state == conditions[_i].state, "%d: %s", _i, tank_state_word(tank()->state));
    bench_done();
}
END_TEST

/* --- and what forbids nothing ----------------------------------------------------------------- */

static void a_hand_elsewhere(void)
{
    hand(WEST, "b77c", 2);
}

static void a_hand_on_another_channel(void)
{
    hand(WEST, "a1f3", 4);
}

static void a_hand_taken_off(void)
{
    hand(WEST, "a1f3", 2);
    b.core->chain[WEST].hand_running = false;
}

static void a_beat_just_young_enough(void)
{
    b.core->chain[WEST].beat_at.ms -= 3 * b.core->chain[WEST].roll.beat_ms - 1;
}

static void no_leak_probe(void)
{
    config()->probe[PROBE_LEAK].present = false;
}

static void no_least_level(void)
{
    config()->has_level_min = false;
    level_low();
}

static void at_the_ends_of_the_envelope(void)
{
    tank()->probe[PROBE_TEMPERATURE].value = 5.0;
    ck_assert(may_dose());
    tank()->probe[PROBE_TEMPERATURE].value = 35.0;
}

static void readings_as_old_as_they_may_be(void)
{
    for (int q = PROBE_EC; q <= PROBE_TEMPERATURE; q++) {
        tank()->probe[q].at.ms = b.now.mono.ms - config()->probe[q].max_age_ms;
    }
}

static void a_clock_that_runs_free(void)
{
    b.now.clock = CLOCK_FREE;
}

static void a_peer_that_serves_while_this_one_is_active(void)
{
    b.core->has_peer = true;
}

static void another_tank_under_service(void)
{
    b.core->tank[LETTUCE].service = b.core->tank[LETTUCE].paused = true;
}

static void (*const harmless[])(void) = { a_hand_elsewhere, a_hand_on_another_channel,
    a_hand_taken_off, a_beat_just_young_enough, no_leak_probe, no_least_level,
    at_the_ends_of_the_envelope, readings_as_old_as_they_may_be, a_clock_that_runs_free,
    a_peer_that_serves_while_this_one_is_active, another_tank_under_service };

START_TEST(what_is_no_reason_forbids_nothing)
{
    prepare();
    harmless[_i]();
    ck_assert_msg(may_dose(), "%d: %s", _i, tank()->why);
    bench_done();
}
END_TEST

/* INV-9: not active and nobody else heard: the chain tells what it waits for. */
START_TEST(one_that_isnt_active_stands_by)
{
    prepare();
    not_active();
    no_link();
    ck_assert(!may_move());
    ck_assert_int_eq(tank()->state, TANK_STANDBY);
    ck_assert_ptr_nonnull(strstr(tank()->why, "the broker doesn't answer"));
    bench_done();
}
END_TEST

/* A tank all of whose pumps hang on its own chain has no business with the other one. */
START_TEST(a_chain_that_a_tank_doesnt_use_isnt_asked)
{
    prepare();
    tell_water(LETTUCE, 1200, 5.8);
    far_head_gone();
    ck_assert(core_gate_move(b.core, LETTUCE, b.now));
    ck_assert(!may_move());
    bench_done();
}
END_TEST

/* --- the supply ------------------------------------------------------------------------------- */

/* INV-13: what runs and what is asked for, on this chain and not on another. */
START_TEST(the_supply_carries_so_many_pumps_and_no_more)
{
    prepare();
    struct core_tank *t = b.core->tank;
    const struct chain_address acid = b.tank[BASIL].pump[ACID].address,
                               far = b.tank[BASIL].pump[BASE].address;
    b.site.chain[WEST].supply.amps = 1.0; /* 0.8 A: 0.1 A of idle modules, two pumps of 0.3 A */
    ck_assert(core_supply_allows(b.core, &acid, false));
    ck_assert(!core_supply_allows(b.core, &acid, true));
    t[BASIL].dose = (struct core_command){ .used = true, .pump = 0 };
    ck_assert(core_supply_allows(b.core, &acid, false));
    t[LETTUCE].dose = (struct core_command){ .used = true, .pump = 0 };
    ck_assert(!core_supply_allows(b.core, &acid, false));
    ck_assert(core_supply_allows(b.core, &far, false));
    t[LETTUCE].dose.used = false;
    t[BASIL].dose.pump = 3; /* on the other chain */
    b.site.chain[EAST].supply.amps = 0.6;
    ck_assert(!core_supply_allows(b.core, &far, false));
    t[BASIL].dose.used = false;
    ck_assert(core_supply_allows(b.core, &far, false));
    bench_done();
}
END_TEST

START_TEST(circulation_that_runs_or_was_asked_for_takes_its_share)
{
    prepare();
    struct core_tank *t = &b.core->tank[LETTUCE];
    const struct chain_address acid = b.tank[BASIL].pump[ACID].address,
                               far = b.tank[BASIL].pump[BASE].address;
    b.site.chain[WEST].supply.amps = 1.25; /* 1.0 A: 0.1 A, and 0.8 A would leave 0.1 A */
    b.site.chain[EAST].supply.amps = 0.6;
    ck_assert(core_supply_allows(b.core, &acid, false));
    t->circulation.on = true;
    ck_assert(!core_supply_allows(b.core, &acid, false));
    ck_assert(core_supply_allows(b.core, &far, false));
    t->circulation.on = false;
    t->circulation.command.used = true;
    ck_assert(!core_supply_allows(b.core, &acid, false));
    t->circulation.command.used = false;
    t->circulation.lost = true; /* one that was never answered may yet arrive */
    ck_assert(!core_supply_allows(b.core, &acid, false));
    t->circulation.lost = false;
    ck_assert(core_supply_allows(b.core, &acid, false));
    bench_done();
}
END_TEST

/* Two tanks that circulate, and no room for a pump of either, would wait for each other for ever.
 */
START_TEST(two_circulations_leave_room_for_a_pump)
{
    prepare();
    const struct chain_address flow = b.tank[BASIL].circulation.address;
    b.site.chain[WEST].supply.amps = 2.25; /* 1.8 A: 0.1 A, two circulations, and 0.1 A beside */
    ck_assert(core_supply_allows(b.core, &flow, true));
    b.core->tank[LETTUCE].circulation.on = true;
    ck_assert(!core_supply_allows(b.core, &flow, true));
    b.site.chain[WEST].supply.amps = 2.5; /* 2.0 A: and a pump */
    ck_assert(core_supply_allows(b.core, &flow, true));
    b.tank[LETTUCE].pump_count = b.tank[BASIL].pump_count = 0; /* they want none here */
    b.site.chain[WEST].supply.amps = 2.25;
    ck_assert(core_supply_allows(b.core, &flow, true));
    bench_done();
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("gate");
    tcase_add_test(t, two_circulations_leave_room_for_a_pump);
    tcase_add_loop_test(t, each_condition_alone_forbids_a_dose_and_says_so, 0,
        (int)(sizeof conditions / sizeof *conditions));
    tcase_add_loop_test(
        t, what_is_no_reason_forbids_nothing, 0, (int)(sizeof harmless / sizeof *harmless));
    tcase_add_test(t, one_that_isnt_active_stands_by);
    tcase_add_test(t, a_chain_that_a_tank_doesnt_use_isnt_asked);
    tcase_add_test(t, the_supply_carries_so_many_pumps_and_no_more);
    tcase_add_test(t, circulation_that_runs_or_was_asked_for_takes_its_share);
    return run_case(t, "gate");
}
