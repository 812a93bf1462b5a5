/* From an old configuration to a new one: what keeps its state by its name, by its hardware, and
 * what doesn't. INV-1, 6: limits that are used up stay used up. INV-n: safety invariants in
 * DEVELOPERS.md. */
#include "lib/core/limits_known.h"
#include "tests/unit/core/core_fixture.h"

static struct site fresh_site;
static struct site_tank fresh_tank[3];
static struct core *fresh;
static void *fresh_block;

/* The configuration in force, to be changed. */
static void copy_site(void)
{
    bench_ready();
    fresh_site = b.site;
    for (int i = 0; i < TANKS; i++) {
        fresh_tank[i] = b.tank[i];
    }
    fresh_site.tank = fresh_tank;
}

static void reload(void)
{
    const struct core_identity identity = { .by = "d1", .boot = "board" };
    fresh_block = malloc(core_size(&fresh_site));
    ck_assert_ptr_nonnull(fresh_block);
    fresh = core_init(fresh_block, &fresh_site, &identity, b.now);
    core_reload(fresh, b.core, b.now, &b.actions);
    keep_records();
}

static void done(void)
{
    free(fresh_block);
    fresh_block = NULL;
    bench_done();
}

static void use_up(uint32_t tank, uint32_t pump, int64_t ul)
{
    window_add(&b.core->tank[tank].pump[pump].window, (struct window_entry){ b.now.mono, ul, 0 },
        b.now.mono);
}

static int64_t fresh_used(uint32_t tank, uint32_t pump)
{
    return window_used(&fresh->tank[tank].pump[pump].window, DAY_MS, b.now.mono);
}

START_TEST(nothing_changed_and_all_is_as_it_was)
{
    copy_site();
    b.core->halted = b.core->has_peer = true;
    b.core->refused_messages = 9;
    b.core->tank[BASIL].paused = b.core->tank[BASIL].line_dirty = true;
    text_copy(b.core->tank[BASIL].paused_for, PAUSE_FOR_MAX, "a trial");
    b.core->tank[BASIL].override = (struct crop_override){
        .has_ph = true, .ph = 6.1, .ph_ends = mono_after(b.now.mono, HOUR_MS)
    };
    b.core->stock[ACID].remaining_ul = 123;
    use_up(BASIL, 0, 5000);
    fresh_site.digest = _i == 0 ? NULL : "abc";
    reload();
    ck_assert(fresh->halted && fresh->has_peer && fresh->link_up && fresh->active);
    ck_assert_uint_eq(fresh->next_id, b.core->next_id); /* INV-2: no id twice */
    ck_assert_uint_eq(fresh->refused_messages, 9);
    ck_assert(fresh->tank[BASIL].paused && fresh->tank[BASIL].line_dirty);
    ck_assert_str_eq(fresh->tank[BASIL].paused_for, "a trial");
    ck_assert(!fresh->tank[LETTUCE].paused);
    ck_assert_int_eq(fresh_used(BASIL, 0), 5000);
    ck_assert_int_eq(fresh->stock[ACID].remaining_ul, 123);
    ck_assert(fresh->chain[WEST].ours && fresh->chain[WEST].matches);
    ck_assert(core_setpoint(fresh, BASIL, b.now).ph == 6.1);
    ck_assert(fresh->tank[BASIL].probe[PROBE_EC].has_value);
    ck_assert_str_eq(record_text_or_empty(recorded("config"), "digest"), _i == 0 ? "" : "abc");
}
END_TEST

/* INV-4: the modules that the new configuration names must answer, before anything runs. */
START_TEST(the_roll_call_is_held_against_the_new_configuration)
{
    copy_site();
    text_copy(fresh_site.chain[WEST].module[1].serial, CHAIN_WORD_MAX, "ffff");
    reload();
    ck_assert(!fresh->chain[WEST].matches && fresh->chain[EAST].matches);
    ck_assert_ptr_nonnull(strstr(fresh->chain[WEST].mismatch, "ffff"));
    ck_assert(!core_chain_ready(fresh, WEST, b.now, NULL));
}
END_TEST

START_TEST(a_chain_keeps_its_state_by_its_key_as_long_as_its_head_is_the_same)
{
    copy_site();
    b.core->chain[EAST].has_roll = false;
    if (_i == 0) fresh_site.chain[WEST].key = "north";
    if (_i == 1) fresh_site.chain[WEST].device = "another-head";
    reload();
    ck_assert_int_eq(fresh->chain[WEST].ours, _i == 2);
    ck_assert_int_eq(fresh->chain[WEST].has_roll, _i == 2);
    ck_assert(fresh->chain[EAST].ours);
}
END_TEST

/* By both names, or by the module and channel that pump. */
START_TEST(a_window_follows_its_names_and_its_hardware)
{
    copy_site();
    use_up(BASIL, 0, 5000);
    switch (_i) {
    case 0: /* another module under the same names */
        fresh_tank[BASIL].pump[0].serial = "b77c";
        break;
    case 1: /* the same pump for another stock */
        fresh_tank[BASIL].pump[0].stock = BASE;
        break;
    case 2: /* the same stock into the same water, under another name by another pump */
        fresh_tank[BASIL].key = "mint";
        fresh_tank[BASIL].pump[0].address.channel = 4;
        break;
    case 3:
        fresh_tank[BASIL].key = "mint";
        fresh_tank[BASIL].circulation.serial = "b77d"; /* ... and into another */
        fresh_tank[BASIL].pump[0].address.channel = 4;
        break;
    default: /* the same channel of the same module, all renamed */
        fresh_tank[BASIL].key = "mint";
        fresh_tank[BASIL].pump[0].stock = BASE;
    }
    reload();
    ck_assert_int_eq(fresh_used(BASIL, 0), _i == 3 ? 0 : 5000);
}
END_TEST

/* A reading is trusted on as long as it comes from the same place in the same unit. */
START_TEST(a_probe_keeps_its_readings_while_it_is_the_same)
{
    copy_site();
    struct probe_config *p = &fresh_tank[BASIL].probe[PROBE_PH];
    switch (_i) {
    case 0:
        break;
    case 1:
        p->present = false;
        break;
    case 2:
        b.tank[BASIL].probe[PROBE_PH].present = false;
        break;
    case 3:
        p->unit = UNIT_MV;
        break;
    case 4:
        p->topic = "elsewhere";
        break;
    default:
        p->pointer = "/ph";
    }
    reload();
    ck_assert_int_eq(fresh->tank[BASIL].probe[PROBE_PH].has_value, _i == 0);
    ck_assert(fresh->tank[BASIL].probe[PROBE_EC].has_value);
}
END_TEST

START_TEST(circulation_goes_on_where_its_module_is_the_same)
{
    copy_site();
    b.core->tank[BASIL].circulation.on = true;
    if (_i == 1) fresh_tank[BASIL].circulation.serial = "ffff";
    reload();
    ck_assert_int_eq(fresh->tank[BASIL].circulation.on, _i == 0);
}
END_TEST

/* A tank that was renamed is known by the module that circulates it; a new one isn't an old one. */
/* INV-13: what runs is counted, or stopped. */
START_TEST(
    circulation_of_a_tank_that_is_gone_stops) /* _i: runs, was asked, neither, unheard, off */
{
    copy_site();
    struct core_tank *t = &b.core->tank[LETTUCE];
    t->circulation.on = _i == 0 || _i > 2;
    t->circulation.command.used = _i == 1;
    b.core->tank[BASIL].circulation.on = true;
    b.core->chain[WEST].amps_stale = false;
    if (_i == 3) b.core->chain[WEST].has_beat = false;
    if (_i == 4) b.core->link_up = false;
    fresh_site.tank_count = 1;
    reload();
    const bool stops = _i < 2;
    ck_assert_int_eq(recorded("stop") != NULL, stops);
    if (stops) ck_assert_str_eq(record_text_or_empty(recorded("stop"), "serial"), "b77c");
    ck_assert_int_eq(fresh->chain[WEST].amps_stale, stops);
    ck_assert(fresh->tank[BASIL].circulation.on);
}
END_TEST

START_TEST(a_tank_is_known_by_its_key_or_its_circulation)
{
    copy_site();
    b.core->tank[BASIL].service = true;
    b.core->tank[LETTUCE].paused = true;
    fresh_site.tank_count = 3;
    fresh_tank[2] = fresh_tank[LETTUCE];
    fresh_tank[2].key = "new";
    fresh_tank[2].circulation.serial = "ffff";
    fresh_tank[BASIL].key = "mint";
    if (_i == 1) fresh_tank[2].circulation.serial = "b77c"; /* lettuce's, which still has its key */
    reload();
    ck_assert(fresh->tank[BASIL].service && fresh->tank[LETTUCE].paused);
    ck_assert(!fresh->tank[2].service && !fresh->tank[2].paused);
}
END_TEST

/* INV-6 */
/* INV-1, 5: two tanks swap their keys; each key comes to the water and the line of the other. */
START_TEST(what_a_line_holds_and_its_water_got_stays_with_the_line)
{
    copy_site();
    fresh_tank[BASIL].key = "lettuce";
    fresh_tank[LETTUCE].key = "basil";
    struct core_tank *was = &b.core->tank[BASIL];
    was->line_dirty = was->mix_owed = was->service = was->care.bench = true;
    was->pumped_at = was->acid_ended = b.now.mono;
    was->pump[0].stays_on = was->circulation.stays_on = was->locked[LAW_ACID] = true;
    window_add(&was->ec_rise, (struct window_entry){ b.now.mono, 7, 0 }, b.now.mono);
    window_add(&was->ph_move, (struct window_entry){ b.now.mono, 8, 0 }, b.now.mono);
    use_up(BASIL, 0, 5000);
    reload();
    for (uint32_t i = 0; i < TANKS; i++) { /* by its key, and by its line */
        const struct core_tank *t = &fresh->tank[i];
        ck_assert(t->line_dirty && t->mix_owed && t->service && t->care.bench);
        ck_assert(t->locked[LAW_ACID]);
        ck_assert_int_eq(t->pumped_at.ms, b.now.mono.ms);
        ck_assert_int_eq(t->acid_ended.ms, b.now.mono.ms);
        ck_assert_int_lt(t->base_ended.ms, b.now.mono.ms);
        ck_assert_int_eq(window_used(&t->ec_rise, HOUR_MS, b.now.mono), 7);
        ck_assert_int_eq(window_used(&t->ph_move, HOUR_MS, b.now.mono), 8);
        ck_assert_int_eq(fresh_used(i, 0), 5000);
    }
    ck_assert(fresh->tank[BASIL].pump[0].stays_on && fresh->tank[BASIL].circulation.stays_on);
    ck_assert(!fresh->tank[LETTUCE].circulation.stays_on);
}
END_TEST

START_TEST(a_shorter_override_is_in_force_at_once)
{
    copy_site();
    b.core->tank[BASIL].override_for_ms = 48 * HOUR_MS;
    b.core->tank[BASIL].override = (struct crop_override){
        .has_ec = true, .ec_us_cm = 2400, .ec_ends = mono_after(b.now.mono, 48 * HOUR_MS)
    };
    fresh_tank[BASIL].override_most_ms = 2 * HOUR_MS;
    fresh_tank[BASIL].envelope.ec_most_us_cm = 1500;
    reload();
    ck_assert_int_eq(fresh->tank[BASIL].override_for_ms, 2 * HOUR_MS);
    ck_assert(core_setpoint(fresh, BASIL, b.now).ec_us_cm == 1500.0);
    pass(2 * HOUR_MS);
    ck_assert(core_setpoint(fresh, BASIL, b.now).ec_us_cm == 1200.0);
}
END_TEST

START_TEST(a_bottle_follows_its_key_and_holds_no_more_than_it_can)
{
    copy_site();
    fresh_site.stock[LEAF_A].bottle_ul = 1000000;
    fresh_site.stock[LEAF_B].key = "other";
    b.core->stock[LEAF_B].remaining_ul = 7;
    reload();
    ck_assert_int_eq(fresh->stock[LEAF_A].remaining_ul, 1000000);
    ck_assert_int_eq(fresh->stock[LEAF_B].remaining_ul, 5000000);
}
END_TEST

START_TEST(alerts_go_with_their_tanks)
{
    copy_site();
    alert_raise(b.core, "no-circulation-basil", BASIL, "text", &b.actions);
    alert_raise(b.core, "no-circulation-lettuce", LETTUCE, "text", &b.actions);
    alert_raise(b.core, "hand-west", -1, "text", &b.actions);
    fresh_site.tank_count = 1;
    fresh_tank[0] = fresh_tank[LETTUCE];
    reload();
    ck_assert(!alert_stands(fresh, "no-circulation-basil") && alert_stands(fresh, "hand-west"));
    struct alert_view view;
    ck_assert(core_alert(fresh, 0, &view));
    ck_assert_str_eq(view.id, "no-circulation-lettuce");
    ck_assert_int_eq(view.tank, 0);
    ck_assert(core_alert(fresh, 1, &view) && !core_alert(fresh, 2, &view));
}
END_TEST

static uint32_t told_over(const char *id)
{
    uint32_t count = 0;
    bool on;
    for (uint32_t i = 0; i < b.record_count; i++) {
        const struct record *r = &b.record[i];
        if (!record_is(r, "alert") || !text_same(record_text_or_empty(r, "alert"), id)) continue;
        count += record_truth(r, "on", &on) && !on;
    }
    return count;
}

/* Nobody looks at its chain any more: it would stand for ever, in hub and journal. */
START_TEST(alerts_of_what_is_no_more_are_told_to_be_over)
{
    static const char *const ids[] = { "supply-west", "roll-call-west", "runs-on-west", "gone-west",
        "taken-over-west", "hand-west", "limits-unknown-west", "no-circulation-basil" };
    copy_site();
    for (size_t i = 0; i < sizeof ids / sizeof *ids; i++) {
        alert_raise(b.core, ids[i], strstr(ids[i], "basil") ? BASIL : -1, "text", &b.actions);
    }
    alert_raise(b.core, "supply-east", -1, "text", &b.actions);
    alert_raise(b.core, "halt-kept", -1, "text", &b.actions);
    fresh_site.chain[WEST].key = "north";
    fresh_tank[BASIL].key = "mint";
    reload();
    for (size_t i = 0; i < sizeof ids / sizeof *ids; i++) {
        ck_assert_msg(!alert_stands(fresh, ids[i]), "%s", ids[i]);
        ck_assert_msg(told_over(ids[i]) == 1, "%s", ids[i]);
    }
    ck_assert(alert_stands(fresh, "supply-east") && alert_stands(fresh, "halt-kept"));
}
END_TEST

/* Where there is no room to tell of each, none stands all the same. */
START_TEST(very_many_alerts_of_what_is_no_more_are_over)
{
    copy_site();
    for (int i = 0; i < CORE_ALERTS_MAX; i++) {
        char id[] = "other-00";
        id[6] = (char)('0' + i / 10);
        id[7] = (char)('0' + i % 10);
        b.actions.count = 0;
        alert_raise(b.core, id, BASIL, "text", &b.actions);
    }
    fresh_tank[BASIL].key = "mint";
    reload();
    struct alert_view view;
    ck_assert(!core_alert(fresh, 0, &view));
    ck_assert_uint_le(b.actions.count, ACTIONS_MAX);
}
END_TEST

/* INV-1: while nobody knows what was dosed, a raised limit frees nothing. */
START_TEST(unknown_limits_stay_full)
{
    copy_site();
    core_forget_limits(b.core, WEST, b.now.mono);
    fresh_tank[BASIL].pump[0].limits.day_ul = 900000;
    reload();
    ck_assert_int_ge(fresh_used(BASIL, 0), 900000);
    ck_assert_int_eq(fresh_used(BASIL, 3), 0);
}
END_TEST

/* The second reload: the site as it was at first. */
static void reload_back(void)
{
    const struct core_identity identity = { .by = "d1", .boot = "board" };
    struct core *const without = fresh;
    void *const block = malloc(core_size(&b.site));
    ck_assert_ptr_nonnull(block);
    memset(block, 0xA5, core_size(&b.site));
    fresh = core_init(block, &b.site, &identity, b.now);
    core_reload(fresh, without, b.now, &b.actions);
    free(fresh_block);
    fresh_block = block;
}

/* Only basil's neighbour is left. */
static void take_basil_out(void)
{
    fresh_tank[0] = b.tank[LETTUCE];
    fresh_site.tank_count = 1;
}

static bool hold(enum request_kind kind)
{
    return ask_for((struct event_request){ .kind = kind, .tank = BASIL, .on = true });
}

static void expect_held(int how)
{
    const struct core_tank *t = &fresh->tank[BASIL];
    ck_assert_int_eq(t->service, how == 0);
    ck_assert_int_eq(t->care.bench, how == 1);
    ck_assert_int_eq(t->paused, how == 2);
    ck_assert(!fresh->tank[LETTUCE].service && !fresh->tank[LETTUCE].care.bench);
    ck_assert_uint_eq(fresh->left.count, 0);
}

static const enum request_kind holds[] = { REQUEST_SERVICE, REQUEST_BENCH, REQUEST_PAUSE };

/* Defect: a tank that was taken out of the file and put back was free, until the next start. */
START_TEST(what_people_hold_stays_held_in_a_tank_that_was_taken_out)
{
    copy_site();
    ck_assert(hold(holds[_i]));
    take_basil_out();
    reload();
    reload_back();
    expect_held(_i);
}
END_TEST

/* ... also where the daemon starts in between, and has only its journal, or the carry of it. */
START_TEST(what_people_hold_stays_held_over_a_start_without_the_tank)
{
    copy_site();
    ck_assert(hold(holds[_i % 3]));
    b.site.tank = &b.tank[LETTUCE];
    b.site.tank_count = 1;
    bench_start();
    if (_i >= 3) {
        uint32_t cursor = 0;
        b.record_count = 0; /* all older segments are gone */
        while (core_carry(b.core, &cursor, b.now, &b.actions)) {
            keep_records();
        }
        bench_start();
    }
    ck_assert_uint_eq(b.core->left.count, 1);
    reload(); /* to both tanks */
    expect_held(_i % 3);
}
END_TEST

START_TEST(what_was_ended_before_it_was_taken_out_is_free)
{
    copy_site();
    ck_assert(hold(REQUEST_SERVICE));
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_SERVICE, .tank = BASIL }));
    b.site.tank = &b.tank[LETTUCE];
    b.site.tank_count = 1;
    bench_start();
    reload();
    expect_held(-1);
}
END_TEST

/* Its line is another tank's now: somebody still works on it. */
START_TEST(what_people_hold_stays_with_the_line)
{
    copy_site();
    ck_assert(hold(REQUEST_SERVICE));
    take_basil_out();
    reload();
    b.tank[BASIL].key = "mint";
    reload_back();
    expect_held(0);
}
END_TEST

/* Of too many nobody knows which: all that come anew are locked. */
START_TEST(what_finds_no_room_locks_all_that_come)
{
    copy_site();
    struct core_tank held = { .service = true };
    for (uint32_t i = 0; i <= LEFT_TANKS_MAX; i++) {
        char key[CHAIN_WORD_MAX];
        struct text t = text_over(key, sizeof key);
        text_add(&t, "tank-");
        text_add_int(&t, i);
        const struct site_tank config = { .key = key, .circulation.serial = key };
        left_note(&b.core->left, &config, &held);
    }
    ck_assert(b.core->left.lost);
    fresh_tank[BASIL].key = "mint";
    fresh_tank[BASIL].circulation.serial = "f00d";
    reload();
    ck_assert(fresh->tank[BASIL].service && !fresh->tank[LETTUCE].service);
}
END_TEST

/* What was learned belongs to the tank and the pumps that it was learned on. */
START_TEST(what_was_learned_goes_with_the_water)
{
    copy_site();
    b.core->tank[BASIL].law.usual_ph = 6.789;
    b.core->tank[BASIL].law.watch[LAW_FEED].has_usual = true;
    b.core->tank[BASIL].law.watch[LAW_FEED].day = 77;
    if (_i == 1) fresh_tank[BASIL].volume_l = 200;
    reload();
    ck_assert_int_eq(fresh->tank[BASIL].law.usual_ph == 6.789, _i == 0);
    ck_assert_int_eq(fresh->tank[BASIL].law.watch[LAW_FEED].has_usual, _i == 0);
    ck_assert(fresh->tank[BASIL].law.watch[LAW_FEED].day == 77); /* what was given counts */
}
END_TEST

/* --- may it be taken over now? ---------------------------------------------------------------- */

START_TEST(a_configuration_waits_until_nothing_is_under_way)
{
    bench_ready();
    struct core_tank *t = &b.core->tank[LETTUCE];
    ck_assert(core_quiet(b.core));
    t->dose.used = true;
    ck_assert(!core_quiet(b.core));
    t->dose.used = false;
    for (int s = STEP_IDLE; s <= STEP_MIX; s++) {
        t->step = (enum tank_step)s;
        ck_assert_int_eq(core_quiet(b.core), s != STEP_INJECT && s != STEP_FLUSH);
    }
}
END_TEST

/* A window has room for a day of smallest doses, within bounds. */
START_TEST(windows_are_as_large_as_a_day_of_smallest_doses)
{
    bench_init();
    b.tank[BASIL].pump[0].limits = (struct stock_limits){ 1, 1000, 10000, 100000 };
    bench_start();
    ck_assert_uint_eq(b.core->tank[BASIL].pump[0].window.capacity, 2048);
    ck_assert_uint_eq(b.core->tank[BASIL].pump[1].window.capacity, 200000 / 500 + 16);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("reload");
    tcase_add_checked_fixture(t, NULL, done);
    tcase_add_loop_test(t, nothing_changed_and_all_is_as_it_was, 0, 2);
    tcase_add_test(t, the_roll_call_is_held_against_the_new_configuration);
    tcase_add_loop_test(
        t, a_chain_keeps_its_state_by_its_key_as_long_as_its_head_is_the_same, 0, 3);
    tcase_add_loop_test(t, a_window_follows_its_names_and_its_hardware, 0, 5);
    tcase_add_loop_test(t, a_probe_keeps_its_readings_while_it_is_the_same, 0, 6);
    tcase_add_loop_test(t, circulation_goes_on_where_its_module_is_the_same, 0, 2);
    tcase_add_loop_test(t, circulation_of_a_tank_that_is_gone_stops, 0, 5);
    tcase_add_loop_test(t, a_tank_is_known_by_its_key_or_its_circulation, 0, 2);
    tcase_add_test(t, what_a_line_holds_and_its_water_got_stays_with_the_line);
    tcase_add_test(t, a_shorter_override_is_in_force_at_once);
    tcase_add_test(t, a_bottle_follows_its_key_and_holds_no_more_than_it_can);
    tcase_add_test(t, alerts_go_with_their_tanks);
    tcase_add_test(t, alerts_of_what_is_no_more_are_told_to_be_over);
    tcase_add_test(t, very_many_alerts_of_what_is_no_more_are_over);
    tcase_add_test(t, unknown_limits_stay_full);
    tcase_add_loop_test(t, what_was_learned_goes_with_the_water, 0, 2);
    tcase_add_test(t, a_configuration_waits_until_nothing_is_under_way);
    tcase_add_test(t, windows_are_as_large_as_a_day_of_smallest_doses);
    tcase_add_loop_test(t, what_people_hold_stays_held_in_a_tank_that_was_taken_out, 0, 3);
    tcase_add_loop_test(t, what_people_hold_stays_held_over_a_start_without_the_tank, 0, 6);
    tcase_add_test(t, what_was_ended_before_it_was_taken_out_is_free);
    tcase_add_test(t, what_people_hold_stays_with_the_line);
    tcase_add_test(t, what_finds_no_room_locks_all_that_come);
    return run_case(t, "reload");
}
