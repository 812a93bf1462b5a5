/* What the journal says of the time before: each kind of record, whole, and with what may be
 * missing or wrong in it. Nothing in a journal stops a start, or gives back a limit. INV-n: safety
 * invariants in DEVELOPERS.md. */
#include "tests/unit/core/core_fixture.h"

enum { PUMP = 0, UL = 5000 };

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

static struct record *put_for(const char *kind, const char *tank_key, const char *stock)
{
    struct record *r = put_record(kind);
    if (tank_key) record_add_text(r, "tank", tank_key);
    if (stock) record_add_text(r, "stock", stock);
    return r;
}

static struct record *put_dose(const char *id)
{
    struct record *r = put_for("dose", "basil", "leaf-a");
    record_add_text(r, "id", id);
    record_add_int(r, "ul", UL);
    return r;
}

static void put_whole_dose(const char *id)
{
    struct record *r = put_dose(id);
    record_add_int(r, "run_ms", 5000);
    record_add_int(r, "ends_ms", 13000);
    record_add_int(r, "ec_milli", 10000);
    record_add_int(r, "ph_micro", 20000);
}

static int64_t rise(void)
{
    return window_used(&tank()->ec_rise, HOUR_MS, b.now.mono);
}

static void prepare(void)
{
    bench_init();
    b.starts = 7;
}

/* --- doses ------------------------------------------------------------------------------------ */

START_TEST(a_dose_without_an_outcome_counts_in_full_and_dirties_the_line)
{
    prepare();
    put_whole_dose("d1-1");
    pass(1000);
    bench_start();
    ck_assert(tank()->dose.used && tank()->dose.restored);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
    ck_assert_int_eq(rise(), 10000);
    ck_assert_int_eq(window_used(&tank()->ph_move, HOUR_MS, b.now.mono), 20000);
    ck_assert(tank()->line_dirty && tank()->mix_owed);
    ck_assert_int_eq(b.core->stock[LEAF_A].remaining_ul, 5000000 - UL);
    ck_assert_int_eq(tank()->dose.ends.ms, b.now.mono.ms - 1000 + 13000);
}
END_TEST

START_TEST(a_dose_that_moves_neither_ec_nor_ph_has_no_part_in_those)
{
    prepare();
    put_dose("d1-1");
    bench_start();
    ck_assert_int_eq(rise(), 0);
    ck_assert_uint_eq(tank()->ec_rise.count + tank()->ph_move.count, 0);
}
END_TEST

/* A record that lacks its run, or has a wrong one, doesn't leave the window before it can have
 * ended: not before its volume has run. */
START_TEST(a_dose_ends_no_sooner_than_it_can_have_run)
{
    static const struct {
        int64_t run_ms, ends_ms, due_ms; /* -1: not there */
    } cases[] = { { -1, -1, 13000 }, { 4000, -1, 12000 }, { -5, -1, 13000 }, { 5000, 13000, 13000 },
        { 5000, 4999, 13000 }, { 5000, -99999, 13000 }, { -1, 20000, 20000 },
        { 5000, 5000, 5000 } };
    for (uint32_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        prepare();
        struct record *r = put_dose("d1-1");
        if (cases[i].run_ms != -1) record_add_int(r, "run_ms", cases[i].run_ms);
        if (cases[i].ends_ms != -1) record_add_int(r, "ends_ms", cases[i].ends_ms);
        bench_start();
        ck_assert_int_eq(mono_since(tank()->dose.ends, b.now.mono), cases[i].due_ms);
        bench_done();
    }
}
END_TEST

/* By tank and stock; where those were renamed, by what ran. */
START_TEST(a_dose_is_found_by_its_names_or_by_what_ran)
{
    static const struct {
        const char *tank, *stock, *serial;
        int64_t channel;
        int32_t of_tank, of_pump; /* -1: nobody's */
    } cases[] = {
        { "basil", "leaf-b", "zzzz", 9, BASIL, 1 },
        { "basil", "old-name", "a1f3", 2, BASIL, 1 },
        { "old-name", "leaf-a", "b77c", 1, LETTUCE, 0 },
        { "old-name", "leaf-a", "a1f3", 9, -1, 0 },
        { "old-name", "leaf-a", "zzzz", 1, -1, 0 },
        { "basil", "old-name", "zzzz", 1, -1, 0 },
        { "lettuce", "acid", "zzzz", 1, LETTUCE, 1 },
    };
    for (uint32_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        prepare();
        struct record *r = put_for("dose", cases[i].tank, cases[i].stock);
        record_add_text(r, "id", "d1-1");
        record_add_int(r, "ul", UL);
        record_add_text(r, "serial", cases[i].serial);
        record_add_int(r, "channel", cases[i].channel);
        bench_start();
        for (int32_t k = 0; k < TANKS; k++) {
            for (uint32_t p = 0; p < b.tank[k].pump_count; p++) {
                const bool here = k == cases[i].of_tank && p == (uint32_t)cases[i].of_pump;
                ck_assert_msg(used_ul((uint32_t)k, p) == (here ? UL : 0), "%u: %d %u", i, k, p);
            }
        }
        bench_done();
    }
}
END_TEST

START_TEST(a_dose_record_without_a_volume_is_none)
{
    prepare();
    struct record *r = put_for("dose", "basil", "leaf-a");
    if (_i == 1) record_add_int(r, "ul", -1);
    bench_start();
    ck_assert(!tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, PUMP), 0);
}
END_TEST

/* --- outcomes --------------------------------------------------------------------------------- */

static void put_outcome(const char *id, int64_t ul, int unsure)
{
    struct record *r = put_for("outcome", "basil", "leaf-a");
    record_add_text(r, "id", id);
    if (ul != -99) record_add_int(r, "ul", ul);
    if (unsure >= 0) record_add_truth(r, "unsure", unsure == 1);
}

/* Defect: an outcome without a volume, or with a negative one, gave the dose back (or ended the
 * program). It tells nothing: the dose stays unknown, and counts in full. */
START_TEST(an_outcome_without_a_usable_volume_leaves_its_dose_unknown)
{
    prepare();
    put_whole_dose("d1-1");
    put_outcome("d1-1", _i == 0 ? -99 : -1, 0);
    bench_start();
    ck_assert(tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
}
END_TEST

START_TEST(an_outcome_settles_its_dose)
{
    static const struct {
        int64_t ul;
        int unsure; /* -1: not there */
        int64_t counts_ul;
    } cases[] = { { 1200, 0, 1200 }, { 1200, 1, UL }, { 1200, -1, UL }, { 0, 0, 0 }, { 0, 1, UL },
        { 9000, 1, 9000 }, { 9000, 0, 9000 } };
    for (uint32_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        prepare();
        put_whole_dose("d1-1");
        put_outcome("d1-1", cases[i].ul, cases[i].unsure);
        bench_start();
        ck_assert(!tank()->dose.used);
        ck_assert_int_eq(used_ul(BASIL, PUMP), cases[i].counts_ul);
        ck_assert_int_eq(rise(), cases[i].counts_ul > 0 ? 10000 : 0);
        ck_assert_int_eq(tank()->last_pump, cases[i].ul > 0 ? PUMP : -1);
        bench_done();
    }
}
END_TEST

START_TEST(an_outcome_of_another_dose_settles_nothing)
{
    prepare();
    put_outcome("d1-0", 0, 0);
    put_whole_dose("d1-1");
    put_outcome("d1-2", 0, 0);
    bench_start();
    ck_assert(tank()->dose.used);
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
}
END_TEST

/* A stock that the law knows nothing of: neither part of the recipe nor acid or base. */
START_TEST(an_outcome_of_a_stock_without_a_purpose_counts_all_the_same)
{
    prepare();
    b.tank[BASIL].recipe_count = 1;
    b.tank[BASIL].recipe[0].pump = 1;
    put_whole_dose("d1-1");
    put_outcome("d1-1", UL, 0);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, PUMP), UL);
    ck_assert(!tank()->law.has_dosed);
}
END_TEST

/* --- ticks and hands -------------------------------------------------------------------------- */

START_TEST(a_tick_counts_as_given)
{
    prepare();
    struct record *r = put_record("identify");
    record_add_text(r, "serial", _i == 3 ? "zzzz" : "a1f3");
    record_add_int(r, "channel", 3);
    if (_i != 1) record_add_int(r, "run_ms", _i == 2 ? -1 : 100);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 2), _i == 0 ? 101 : 0);
    ck_assert_int_eq(tank()->line_dirty, _i == 0);
    ck_assert_int_eq(tank()->acid_ended.ms > 0, _i == 0); /* INV-5 */
}
END_TEST

static struct record *put_hand(const char *kind)
{
    struct record *r = put_record(kind);
    record_add_text(r, "chain", "west");
    record_add_text(r, "serial", "a1f3");
    record_add_int(r, "channel", 3);
    return r;
}

START_TEST(a_run_by_hand_counts_where_it_has_a_volume)
{
    prepare();
    struct record *r = put_hand(_i == 4 ? "hand-base" : "hand");
    if (_i != 1) record_add_int(r, "total_ms", 5000);
    if (_i != 2) record_add_int(r, "ul", _i == 3 ? -1 : 4000);
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 2), _i == 0 ? 4000 : 0);
    ck_assert(b.core->chain[WEST].has_totals && !b.core->chain[EAST].has_totals);
    ck_assert_uint_eq(b.core->chain[WEST].total_count, _i == 1 ? 0 : 1);
    /* INV-5: it ran, whatever it gave */
    ck_assert_int_eq(tank()->acid_ended.ms > 0, _i == 0 || _i == 2 || _i == 3);
}
END_TEST

START_TEST(hands_of_chains_and_pumps_that_have_gone_say_nothing)
{
    prepare();
    struct record *r = put_record("hand");
    record_add_text(r, "chain", "north");
    record_add_int(r, "channel", 1);
    record_add_int(r, "total_ms", 5000);
    r = put_record("hand");
    record_add_text(r, "chain", "west");
    record_add_text(r, "serial", "zzzz");
    record_add_int(r, "channel", 1);
    record_add_int(r, "total_ms", 5000);
    record_add_int(r, "ul", 4000);
    bench_start();
    ck_assert_uint_eq(b.core->chain[WEST].total_count, 1);
    for (uint32_t p = 0; p < b.tank[BASIL].pump_count; p++) {
        ck_assert_int_eq(used_ul(BASIL, p), 0);
    }
}
END_TEST

/* --- who commands, what is locked ------------------------------------------------------------- */

START_TEST(claims_are_known_again)
{
    prepare();
    struct record *r = put_record("claim");
    record_add_text(r, "chain", "west");
    record_add_text(r, "by", "d6");
    record_add_int(r, "reign", 12);
    r = put_record("reign");
    record_add_text(r, "chain", "west");
    record_add_text(r, "by", "d5");
    record_add_int(r, "reign", 11);
    r = put_record("reign");
    record_add_text(r, "chain", "north");
    record_add_int(r, "reign", 99);
    r = put_record("claim");
    record_add_text(r, "chain", "west");
    bench_start();
    ck_assert_str_eq(b.core->chain[WEST].former_asked.by, "d6");
    ck_assert_str_eq(b.core->chain[WEST].former.by, "d5");
    ck_assert_int_eq(b.core->chain[WEST].former.reign, 11);
    ck_assert_str_eq(b.core->chain[EAST].former.by, "");
}
END_TEST

static void put_alert(const char *id, int on)
{
    struct record *r = put_record("alert");
    record_add_text(r, "alert", id);
    if (on >= 0) record_add_truth(r, "on", on == 1);
}

/* INV-12, 8: what was locked stays locked, with an alert that can be acknowledged. */
START_TEST(a_lock_outlives_a_restart)
{
    prepare();
    put_alert("no-effect-basil-acid", 1);
    put_alert("no-effect-lettuce-feed", 1);
    put_alert("no-effect-lettuce-feed", 0);
    put_alert("no-effect-basil-base", -1);
    put_alert("no-effect-gone-acid", 1);
    put_alert("hand-west", 1);
    bench_start();
    ck_assert(tank()->locked[LAW_ACID] && !tank()->locked[LAW_BASE] && !tank()->locked[LAW_FEED]);
    ck_assert(!b.core->tank[LETTUCE].locked[LAW_FEED]);
    ck_assert(alert_stands(b.core, "no-effect-basil-acid"));
    struct event_request q = { .kind = REQUEST_ACKNOWLEDGE };
    text_copy(q.word, sizeof q.word, "no-effect-basil-acid");
    ck_assert(ask_for(q));
    ck_assert(!tank()->locked[LAW_ACID]);
    bench_start();
    ck_assert(!tank()->locked[LAW_ACID]);
}
END_TEST

/* --- requests --------------------------------------------------------------------------------- */

static struct record *put_request(const char *what, int ok)
{
    struct record *r = put_record("request");
    record_add_text(r, "request", what);
    if (ok >= 0) record_add_truth(r, "ok", ok == 1);
    return r;
}

static struct record *put_flag(const char *what, const char *tank_key, bool on)
{
    struct record *r = put_request(what, 1);
    if (tank_key) record_add_text(r, "tank", tank_key);
    record_add_truth(r, "on", on);
    return r;
}

/* INV-8, and rulings on pauses and service locks. */
START_TEST(halt_pause_and_service_outlive_a_restart)
{
    prepare();
    put_flag("halt", NULL, true);
    put_flag("pause", "basil", true);
    put_flag("service", "lettuce", true);
    put_flag("pause", "lettuce", true);
    put_flag("pause", "lettuce", false);
    put_flag("service", "gone", true);
    record_add_text(put_flag("pause", "basil", true), "for", "a trial");
    record_add_truth(put_request("halt", 0), "on", false); /* refused */
    record_add_truth(put_request("halt", -1), "on", false);
    bench_start();
    ck_assert(b.core->halted);
    ck_assert(tank()->paused && !tank()->service);
    ck_assert_str_eq(tank()->paused_for, "a trial");
    ck_assert(b.core->tank[LETTUCE].service && !b.core->tank[LETTUCE].paused);
    put_flag("pause", "basil", true); /* a person's own, after that */
    bench_start();
    ck_assert(tank()->paused && tank()->paused_for[0] == '\0');
}
END_TEST

START_TEST(a_bottle_holds_what_was_said_of_it)
{
    static const int64_t said[] = { 3000000, 99000000, -5 };
    static const int64_t holds[] = { 3000000, 5000000, 0 };
    prepare();
    struct record *r = put_request("refilled", 1);
    record_add_text(r, "stock", "leaf-a");
    record_add_int(r, "ul", said[_i]);
    r = put_request("refilled", 1);
    record_add_text(r, "stock", "leaf-b");
    r = put_request("refilled", 1);
    record_add_text(r, "stock", "gone");
    record_add_int(r, "ul", 1);
    bench_start();
    ck_assert_int_eq(b.core->stock[LEAF_A].remaining_ul, holds[_i]);
    ck_assert_int_eq(b.core->stock[LEAF_B].remaining_ul, 5000000);
}
END_TEST

static void put_set(const char *what, double value, int64_t span_ms)
{
    struct record *r = put_request(what, 1);
    record_add_text(r, "tank", "basil");
    if (value > 0) record_add_real(r, "value", value, 3);
    if (span_ms != -1) record_add_int(r, "span_ms", span_ms);
}

START_TEST(overrides_go_on_for_the_time_they_have_left)
{
    prepare();
    put_set("set-ec", 1500, HOUR_MS);
    pass(10 * MINUTE_MS);
    put_set("set-ph", 6.1, HOUR_MS); /* EC ends when it would have */
    put_set("set-ph", 0, HOUR_MS);
    put_set("set-ec", 1600, -1);
    put_set("dose", 6.9, HOUR_MS); /* of another program: no setpoint */
    pass(50 * MINUTE_MS);
    bench_start();
    struct crop_target set = core_setpoint(b.core, BASIL, b.now);
    ck_assert(set.ec_us_cm == 1200.0 && set.ph == 6.1);
    pass(10 * MINUTE_MS);
    set = core_setpoint(b.core, BASIL, b.now);
    ck_assert(set.ec_us_cm == 1200.0 && set.ph == 5.8);
}
END_TEST

START_TEST(an_override_that_has_ended_takes_nothing_into_the_next)
{
    prepare();
    put_set("set-ec", 1500, HOUR_MS);
    pass(2 * HOUR_MS);
    put_set("set-ph", 6.1, HOUR_MS);
    bench_start();
    const struct crop_target set = core_setpoint(b.core, BASIL, b.now);
    ck_assert(set.ec_us_cm == 1200.0 && set.ph == 6.1);
}
END_TEST

START_TEST(the_span_of_overrides_and_their_end_are_known)
{
    prepare();
    put_set("set-ec", 1500, HOUR_MS);
    put_set("override-for", 0, 3 * HOUR_MS);
    bench_start();
    ck_assert_int_eq(tank()->override_for_ms, 3 * HOUR_MS);
    ck_assert(crop_override_runs(&tank()->override, b.now.mono));
    put_set("override-for", 0, 0);
    bench_start();
    ck_assert_int_eq(tank()->override_for_ms, 3 * HOUR_MS);
    ck_assert(!crop_override_runs(&tank()->override, b.now.mono));
}
END_TEST

/* INV-6. Defect: a configuration that allows less than before didn't shorten what the journal knows
 * of, neither the override under way nor those to come. */
START_TEST(no_override_lasts_longer_than_the_configuration_in_force_allows)
{
    prepare();
    put_set("set-ec", 1500, 48 * HOUR_MS);
    put_set("override-for", 0, 48 * HOUR_MS);
    b.tank[BASIL].override_most_ms = 2 * HOUR_MS;
    bench_start();
    ck_assert_int_eq(tank()->override_for_ms, 2 * HOUR_MS);
    ck_assert(crop_override_runs(&tank()->override, b.now.mono));
    pass(2 * HOUR_MS);
    ck_assert(!crop_override_runs(&tank()->override, b.now.mono));
}
END_TEST

/* --- limits that aren't known ----------------------------------------------------------------- */

START_TEST(limits_that_were_unknown_stay_full_until_somebody_knows)
{
    prepare();
    record_add_text(put_record("limits-unknown"), "chain", "west");
    bench_start();
    ck_assert(b.core->chain[WEST].limits_unknown && !b.core->chain[EAST].limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 200000);
    ck_assert_int_eq(used_ul(BASIL, 3), 0); /* on the other chain */
    record_add_text(put_request("acknowledge", 1), "alert", "limits-unknown-east");
    bench_start();
    ck_assert_int_eq(used_ul(BASIL, 0), 200000);
    record_add_text(put_request("acknowledge", 1), "alert", "limits-unknown-west");
    bench_start();
    ck_assert(!b.core->chain[WEST].limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 0), 0);
}
END_TEST

START_TEST(damage_fills_every_limit_and_says_so)
{
    prepare();
    put_record("damage");
    put_record("water"); /* of no account */
    bench_start();
    ck_assert(b.core->chain[WEST].limits_unknown && b.core->chain[EAST].limits_unknown);
    ck_assert_int_eq(used_ul(BASIL, 3), 200000);
    ck_assert(alert_stands(b.core, "journal-damaged"));
    ck_assert_int_eq(rise(), b.tank[BASIL].move.ec_rise_per_hour);
}
END_TEST

/* --- what is said again at the start of a segment --------------------------------------------- */

START_TEST(a_flushed_line_is_clean)
{
    prepare();
    put_whole_dose("d1-1");
    put_for("flushed", _i == 0 ? "basil" : "gone", NULL);
    bench_start();
    ck_assert_int_eq(tank()->line_dirty, _i != 0);
}
END_TEST

/* All that must outlive the oldest segment, through carry records alone. */
START_TEST(what_is_carried_is_what_was)
{
    bench_ready();
    b.core->halted = true;
    b.core->stock[ACID].remaining_ul = 123456;
    struct core_tank *t = tank();
    t->paused = t->service = t->line_dirty = t->locked[LAW_BASE] = true;
    text_copy(t->paused_for, sizeof t->paused_for, "a trial");
    t->override_for_ms = 5 * HOUR_MS;
    if (_i != 1)
        t->override = (struct crop_override){ .has_ec = _i != 2,
            .has_ph = _i != 3,
            .ec_us_cm = 1500,
            .ph = 6.1,
            .ec_ends = mono_after(b.now.mono, HOUR_MS),
            .ph_ends = mono_after(b.now.mono, 2 * HOUR_MS) };
    text_copy(core_total_of(b.core, WEST, "a1f3", 1)->serial, CHAIN_WORD_MAX, "a1f3");
    core_total_of(b.core, WEST, "a1f3", 1)->ms = 84000;
    b.core->chain[WEST].has_totals = true;
    const struct crop_target set = core_setpoint(b.core, BASIL, b.now);
    b.record_count = 0;
    uint32_t cursor = 0;
    static struct actions carried;
    while (core_carry(b.core, &cursor, b.now, &carried)) {
        b.actions = carried;
        keep_records();
    }
    struct record *r = put_for("carry", "gone", NULL); /* a tank and a stock of before */
    record_add_truth(r, "paused", false);
    r = put_for("carry", NULL, "gone");
    record_add_int(r, "remaining_ul", 5);
    put_for("carry", NULL, "base");
    bench_start();
    t = tank();
    ck_assert(b.core->halted && b.core->stock[ACID].remaining_ul == 123456);
    ck_assert(
        t->paused && t->service && t->line_dirty && t->locked[LAW_BASE] && !t->locked[LAW_ACID]);
    ck_assert_str_eq(t->paused_for, "a trial");
    ck_assert_int_eq(t->override_for_ms, 5 * HOUR_MS);
    const struct crop_target again = core_setpoint(b.core, BASIL, b.now);
    ck_assert(again.ec_us_cm == set.ec_us_cm && again.ph == set.ph);
    ck_assert_str_eq(b.core->chain[WEST].former.by, "d1");
    ck_assert(b.core->chain[WEST].total_count == 1 && b.core->chain[WEST].total[0].ms == 84000);
    ck_assert(!b.core->tank[LETTUCE].paused);
}
END_TEST

/* Of a version that carried less, and of a tank that has gone. */
START_TEST(what_a_carry_lacks_stays_as_it_was)
{
    prepare();
    put_for("carry", "basil", NULL);
    put_for("learned", "gone", NULL);
    put_for("learned", "basil", NULL);
    bench_start();
    ck_assert_int_eq(tank()->override_for_ms, 8 * HOUR_MS);
    ck_assert(!tank()->paused && !tank()->line_dirty);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("restore");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, a_dose_without_an_outcome_counts_in_full_and_dirties_the_line);
    tcase_add_test(t, a_dose_that_moves_neither_ec_nor_ph_has_no_part_in_those);
    tcase_add_test(t, a_dose_ends_no_sooner_than_it_can_have_run);
    tcase_add_test(t, a_dose_is_found_by_its_names_or_by_what_ran);
    tcase_add_loop_test(t, a_dose_record_without_a_volume_is_none, 0, 2);
    tcase_add_loop_test(t, an_outcome_without_a_usable_volume_leaves_its_dose_unknown, 0, 2);
    tcase_add_test(t, an_outcome_settles_its_dose);
    tcase_add_test(t, an_outcome_of_another_dose_settles_nothing);
    tcase_add_test(t, an_outcome_of_a_stock_without_a_purpose_counts_all_the_same);
    tcase_add_loop_test(t, a_tick_counts_as_given, 0, 4);
    tcase_add_loop_test(t, a_run_by_hand_counts_where_it_has_a_volume, 0, 5);
    tcase_add_test(t, hands_of_chains_and_pumps_that_have_gone_say_nothing);
    tcase_add_test(t, claims_are_known_again);
    tcase_add_test(t, a_lock_outlives_a_restart);
    tcase_add_test(t, halt_pause_and_service_outlive_a_restart);
    tcase_add_loop_test(t, a_bottle_holds_what_was_said_of_it, 0, 3);
    tcase_add_test(t, overrides_go_on_for_the_time_they_have_left);
    tcase_add_test(t, an_override_that_has_ended_takes_nothing_into_the_next);
    tcase_add_test(t, the_span_of_overrides_and_their_end_are_known);
    tcase_add_test(t, no_override_lasts_longer_than_the_configuration_in_force_allows);
    tcase_add_test(t, limits_that_were_unknown_stay_full_until_somebody_knows);
    tcase_add_test(t, damage_fills_every_limit_and_says_so);
    tcase_add_loop_test(t, a_flushed_line_is_clean, 0, 2);
    tcase_add_loop_test(t, what_is_carried_is_what_was, 0, 4);
    tcase_add_test(t, what_a_carry_lacks_stays_as_it_was);
    return run_case(t, "restore");
}
