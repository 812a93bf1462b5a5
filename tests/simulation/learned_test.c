/* What the control law knows, through the real core: over crashes and reloads, in the journal, in
 * locks and words. INV-n: safety invariants in DEVELOPERS.md. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/core/state.h"
#include "tests/simulation/world.h"
#include "tests/unit/support.h"

enum { ACID = 2 }; /* the world's third pump */

static struct world *made(uint64_t seed)
{
    struct world *w = malloc(sizeof *w);
    ck_assert_ptr_nonnull(w);
    world_init(w, seed, NULL);
    return w;
}

static void done(struct world *w)
{
    world_observe(w);
    ck_assert_msg(w->broken == 0, "%s", w->what);
    world_free(w);
    free(w);
}

static const struct law *law_of(const struct world *w, uint32_t tank)
{
    return &w->core->tank[tank].law;
}

static int number_named(const char *name)
{
    for (int n = 0; n < LAW_NUMBERS; n++) {
        if (text_same(law_number_name(n), name)) return n;
    }
    ck_abort_msg("no number %s", name);
    return -1;
}

static bool said_by_journal(const struct world *w, const char *tank, int number, double *ret)
{
    for (uint32_t i = w->record_count; i-- > 0;) {
        const struct record *r = &w->record[i];
        if (record_is(r, "learned") && text_same(record_text_or_empty(r, "tank"), tank) &&
            record_real(r, law_number_name(number), ret))
            return true;
    }
    return false;
}

static void set(struct world *w, enum request_kind kind, double value)
{
    const struct event_request q = { .kind = kind, .tank = 0, .value = value };
    const uint64_t refused = w->core->refused_messages;
    world_ask(w, &q);
    ck_assert_uint_eq(w->core->refused_messages, refused);
}

static void acknowledge(struct world *w, const char *alert)
{
    struct event_request q = { .kind = REQUEST_ACKNOWLEDGE };
    text_copy(q.word, sizeof q.word, alert);
    world_ask(w, &q);
}

/* Largest dose of a stock that the journal has from record 'from' on; 0: none. */
static int64_t largest_dose_ul(const struct world *w, const char *stock, uint32_t from)
{
    int64_t largest = 0;
    for (uint32_t i = from; i < w->record_count; i++) {
        const struct record *r = &w->record[i];
        int64_t ul = 0;
        if (!record_is(r, "dose") || !record_int(r, "ul", &ul)) continue;
        if (!text_same(record_text_or_empty(r, "tank"), "basil")) continue;
        if (text_same(record_text_or_empty(r, "stock"), stock) && ul > largest) largest = ul;
    }
    return largest;
}

/* --- what was learned ------------------------------------------------------------------------- */

START_TEST(what_was_learned_survives_a_crash) /* _i is the seed */
{
    struct world *w = made((uint64_t)_i);
    struct law blank;
    law_init(&blank, &w->core->tank[0].model, w->now.mono);
    world_run(w, 6 * HOUR_MS);
    const struct law before = *law_of(w, 0);
    world_crash(w);
    for (int s = LAW_FEED; s <= LAW_ACID; s++) { /* what was given counts for the caps, too */
        const struct law_stock_watch *was = &before.watch[s], *is = &law_of(w, 0)->watch[s];
        ck_assert_double_gt(was->day, s == LAW_FEED ? 500.0 : 0.2);
        ck_assert_double_eq_tol(is->day / was->day, 1.0, 0.02);
        ck_assert_double_eq_tol(is->hour, was->hour, 0.02 * was->day);
        ck_assert(is->has_given && llabs(mono_since(is->gave, was->gave)) < MINUTE_MS);
    }
    int changed = 0;
    for (int n = 0; n < LAW_NUMBERS; n++) {
        double said = NAN;
        ck_assert(said_by_journal(w, "basil", n, &said));
        const double is = law_number(law_of(w, 0), n), never = law_number(&blank, n);
        if (fabs(said - never) > 1e-3) changed++;
        if (text_same(law_number_name(n), "carbon_low_mmol_l")) continue; /* below */
        ck_assert_msg(fabs(is - said) < 1e-3 + 1e-3 * fabs(said), "%s: %g, the journal says %g",
            law_number_name(n), is, said);
    }
    ck_assert_int_ge(changed, 10);
    ck_assert_double_le(law_number(law_of(w, 0), number_named("carbon_low_mmol_l")),
        law_number(law_of(w, 0), number_named("carbon_mmol_l")));
    world_run(w, 2 * HOUR_MS);
    done(w);
}
END_TEST

/* The records tell of a tank of another size: what was given counts, what was learned doesn't. */
START_TEST(what_was_learned_of_another_tank_is_not_taken_back)
{
    struct world *w = made(3);
    world_run(w, 3 * HOUR_MS);
    const double given = law_of(w, 0)->watch[LAW_FEED].day;
    w->tank_config[0].volume_l *= 1.5;
    world_crash(w);
    struct law blank;
    law_init(&blank, &w->core->tank[0].model, w->now.mono);
    const int gain = number_named("feed_gain");
    double said = NAN;
    ck_assert(said_by_journal(w, "basil", gain, &said));
    ck_assert_double_gt(fabs(said - law_number(&blank, gain)), 1e-3);
    ck_assert(law_number(law_of(w, 0), gain) == law_number(&blank, gain));
    ck_assert_double_eq_tol(law_of(w, 0)->watch[LAW_FEED].day, given / 1.5, 0.05 * given);
    world_free(w);
    free(w);
}
END_TEST

static struct core *reloaded(struct world *w, struct site *site, struct site_tank *tanks)
{
    const struct core_identity identity = { .boot = "board", .by = "d1" };
    site->tank = tanks;
    void *block = malloc(core_size(site));
    ck_assert_ptr_nonnull(block);
    struct core *core = core_init(block, site, &identity, w->now);
    core_reload(core, w->core, w->now, &w->actions);
    return core;
}

START_TEST(what_was_learned_survives_a_reload_of_the_same_tank)
{
    struct world *w = made(3);
    world_run(w, 4 * HOUR_MS);
    struct site site = w->site;
    struct site_tank tanks[WORLD_TANKS] = { w->tank_config[0], w->tank_config[1] };
    if (_i == 1) tanks[0].volume_l *= 1.5;
    struct core *core = reloaded(w, &site, tanks);
    struct law blank;
    law_init(&blank, &core->tank[0].model, w->now.mono);
    int kept[WORLD_TANKS] = { 0 };
    for (uint32_t i = 0; i < WORLD_TANKS; i++) {
        for (int n = 0; n < LAW_NUMBERS; n++) {
            const double was = law_number(law_of(w, i), n), is = law_number(&core->tank[i].law, n);
            kept[i] += fabs(is - was) <= 0.0;
        }
        ck_assert(core->tank[i].law.watch[LAW_FEED].day > 100.0); /* INV-1: caps go on */
    }
    ck_assert_int_eq(kept[1], LAW_NUMBERS);
    const int gain = number_named("feed_gain");
    if (_i == 0) ck_assert_int_eq(kept[0], LAW_NUMBERS);
    if (_i == 1) /* another tank: it is learned anew */
        ck_assert(law_number(&core->tank[0].law, gain) == law_number(&blank, gain));
    ck_assert(law_number(law_of(w, 0), gain) != law_number(&blank, gain));
    free(core);
    done(w);
}
END_TEST

/* The twin of a world that doesn't crash. 'when': while it settles, or hours later. */
START_TEST(doses_after_a_restart_are_no_larger)
{
    struct world *w[2] = { made(20 + (uint64_t)_i), made(20 + (uint64_t)_i) };
    static const char *const stocks[] = { "leaf-a", "acid" };
    int64_t largest[2][2];
    for (int twin = 0; twin < 2; twin++) {
        const int64_t before_ms = _i % 2 ? 8 * HOUR_MS : 20 * MINUTE_MS + _i * 47 * SECOND_MS;
        world_run(w[twin], before_ms);
        if (_i % 2) set(w[twin], REQUEST_SET_EC, 1500.0);
        const uint32_t from = w[twin]->record_count;
        if (twin == 1) world_crash(w[twin]);
        world_run(w[twin], 3 * HOUR_MS);
        for (int s = 0; s < 2; s++) {
            largest[twin][s] = largest_dose_ul(w[twin], stocks[s], from);
        }
        ck_assert_double_le(plant_ec_us_cm(&w[twin]->tank[0], false), _i % 2 ? 1600.0 : 1300.0);
        ck_assert_double_ge(plant_ph(&w[twin]->tank[0], false), 5.6);
    }
    ck_assert_int_gt(largest[0][0], 0);
    ck_assert_int_gt(largest[1][0], 0);
    for (int s = 0; s < 2; s++) {
        if (largest[0][s] == 0) continue;
        ck_assert_msg(largest[1][s] <= largest[0][s] + largest[0][s] / 5,
            "%s: %lld uL after the crash, %lld without", stocks[s], (long long)largest[1][s],
            (long long)largest[0][s]);
    }
    done(w[0]);
    done(w[1]);
}
END_TEST

/* --- the journal ------------------------------------------------------------------------------ */

static bool has_member(const struct record *r, const char *name)
{
    double real;
    return record_real(r, name, &real) || record_text_or_empty(r, name)[0] != '\0';
}

/* docs/journal.md: its members and no others, which is counted. */
START_TEST(water_is_recorded_as_the_docs_say)
{
    static const char *const members[] = { "tank", "ec_us_cm", "ph", "degc", "set_ec_us_cm",
        "set_ph", "band_ec_us_cm", "band_ph", "state" };
    struct world *w = made(4);
    w->site.water_every_ms = 10 * MINUTE_MS;
    world_run(w, HOUR_MS + MINUTE_MS);
    int count[WORLD_TANKS] = { 0 };
    double ec = 0.0;
    for (uint32_t i = 0; i < w->record_count; i++) {
        const struct record *r = &w->record[i];
        if (!record_is(r, "water")) continue;
        count[text_same(record_text_or_empty(r, "tank"), "lettuce")]++;
        ck_assert_str_ne(record_text_or_empty(r, "state"), "");
        for (size_t m = 0; m < sizeof members / sizeof members[0]; m++) {
            const bool probe = m >= 1 && m <= 3; /* at the very start none has spoken */
            ck_assert_msg(has_member(r, members[m]) || (probe && i < 40), "%s", members[m]);
        }
        if (record_real(r, "ec_us_cm", &ec)) ck_assert(ec > 200.0 && ec < 1400.0);
    }
    ck_assert_int_ge(count[0], 6);
    ck_assert_int_le(count[0], 8);
    ck_assert_int_eq(count[0], count[1]);
    w->probes_silent = true; /* two minutes later nothing is to be trusted any more */
    w->fault_until_ms = w->now.mono.ms + HOUR_MS;
    world_run(w, 2 * MINUTE_MS);
    const uint32_t from = w->record_count;
    world_run(w, 20 * MINUTE_MS);
    int blind = 0;
    for (uint32_t i = from; i < w->record_count; i++) {
        if (!record_is(&w->record[i], "water")) continue;
        blind++;
        ck_assert(!has_member(&w->record[i], "ec_us_cm") && !has_member(&w->record[i], "ph"));
        ck_assert(has_member(&w->record[i], "set_ph"));
    }
    ck_assert_int_ge(blind, 2);
    done(w);
}
END_TEST

START_TEST(no_water_is_recorded_while_the_clock_is_unset)
{
    struct world *w = made(4);
    w->site.water_every_ms = MINUTE_MS;
    w->now.clock = CLOCK_UNSET;
    world_run(w, 10 * MINUTE_MS);
    for (uint32_t i = 0; i < w->record_count; i++) {
        ck_assert(!record_is(&w->record[i], "water"));
    }
    done(w);
}
END_TEST

/* Two records together tell each number once; they come when water has settled after a dose. */
START_TEST(what_is_learned_is_recorded_as_the_docs_say)
{
    struct world *w = made(4);
    world_run(w, 3 * HOUR_MS);
    int parts = 0, told[LAW_NUMBERS] = { 0 };
    for (uint32_t i = 0; i < w->record_count; i++) {
        const struct record *r = &w->record[i];
        if (!record_is(r, "learned")) continue;
        if (!text_same(record_text_or_empty(r, "tank"), "basil")) continue;
        parts++;
        ck_assert_uint_le(r->count + 7, 32); /* the journal adds seven, and takes 32 in all */
        double value;
        for (int n = 0; n < LAW_NUMBERS; n++) {
            told[n] += record_real(r, law_number_name(n), &value);
        }
    }
    ck_assert_int_ge(parts, 2);
    ck_assert_int_eq(parts % 2, 0);
    for (int n = 0; n < LAW_NUMBERS; n++) {
        ck_assert_int_eq(told[n], parts / 2);
    }
    done(w);
}
END_TEST

/* --- requests --------------------------------------------------------------------------------- */

/* No reading comes for a while: what is known will do. */
START_TEST(a_new_setpoint_is_acted_on_without_waiting_for_news)
{
    struct world *w = made((uint64_t)_i);
    world_run(w, 9 * HOUR_MS);
    for (int n = 0; n < 6000 && w->core->tank[0].step != STEP_IDLE; n++) {
        world_run(w, SECOND_MS);
    }
    ck_assert_int_eq(w->core->tank[0].step, STEP_IDLE);
    const uint32_t from = w->record_count;
    w->next_probe_ms = w->now.mono.ms + 25 * SECOND_MS;
    world_run(w, 5 * SECOND_MS);
    ck_assert_int_eq(w->core->tank[0].step, STEP_IDLE);
    ck_assert_int_eq(largest_dose_ul(w, "leaf-a", from), 0);
    set(w, REQUEST_SET_EC, 1450.0);
    world_run(w, 18 * SECOND_MS);
    ck_assert_int_ne(w->core->tank[0].step, STEP_IDLE);
    ck_assert_int_gt(largest_dose_ul(w, "leaf-a", from), 0);
    done(w);
}
END_TEST

/* --- stocks that don't work ------------------------------------------------------------------- */

static bool alert_text(const struct world *w, const char *id, struct alert_view *ret)
{
    for (uint32_t a = 0; core_alert(w->core, a, ret); a++) {
        if (text_same(ret->id, id)) return true;
    }
    return false;
}

/* INV-12: an empty bottle is noticed after a bounded amount, said, locked over a restart, and dosed
 * from again when somebody has looked after it. */
START_TEST(an_empty_acid_bottle_is_locked_until_somebody_says_so)
{
    struct world *w = made((uint64_t)_i);
    world_run(w, 8 * HOUR_MS);
    w->empty[ACID] = true;
    const int64_t before_ul = world_moved_ul(w, 0, ACID);
    set(w, REQUEST_SET_PH, 5.4);
    for (int n = 0; n < 16 && !w->core->tank[0].locked[LAW_ACID]; n++) {
        world_run(w, HOUR_MS);
    }
    ck_assert(w->core->tank[0].locked[LAW_ACID]);
    ck_assert(!w->core->tank[0].locked[LAW_FEED] && !w->core->tank[1].locked[LAW_ACID]);
    const int64_t wasted_ul = world_moved_ul(w, 0, ACID) - before_ul;
    const double meq_l =
        site_nominal(&w->site, &w->tank_config[0], ACID, wasted_ul); /* 0.3 + 0.2 of 2 meq/L */
    ck_assert_msg(meq_l > 0.0 && meq_l <= 0.7, "%.3f meq/L", meq_l);
    struct alert_view alert;
    struct tank_view view;
    ck_assert(alert_text(w, "no-effect-basil-acid", &alert));
    ck_assert_int_eq(alert.tank, 0);
    ck_assert_ptr_nonnull(strstr(alert.text, "basil: acid"));
    ck_assert_ptr_nonnull(strstr(alert.text, "acknowledge"));
    world_run(w, 10 * MINUTE_MS);
    core_view_tank(w->core, 0, w->now, &view);
    ck_assert_msg(view.state == TANK_LOCKED, "%s: %s", tank_state_word(view.state), view.why);
    ck_assert_ptr_nonnull(strstr(view.why, "acid"));
    ck_assert_ptr_nonnull(strstr(view.why, "acknowledge"));
    ck_assert(view.pump[ACID].locked && !view.pump[0].locked);
    world_crash(w);
    ck_assert(w->core->tank[0].locked[LAW_ACID]);
    ck_assert(alert_text(w, "no-effect-basil-acid", &alert));
    world_run(w, 2 * HOUR_MS);
    ck_assert_int_eq(world_moved_ul(w, 0, ACID) - before_ul, wasted_ul);
    w->empty[ACID] = false;
    acknowledge(w, "no-effect-basil-acid");
    ck_assert(!alert_text(w, "no-effect-basil-acid", &alert));
    world_run(w, 4 * HOUR_MS);
    ck_assert_int_gt(world_moved_ul(w, 0, ACID) - before_ul, wasted_ul);
    ck_assert(!w->core->tank[0].locked[LAW_ACID]);
    ck_assert_double_eq_tol(plant_ph(&w->tank[0], false), 5.4, 0.2);
    world_crash(w); /* and the acknowledgement survives, too */
    ck_assert(!w->core->tank[0].locked[LAW_ACID]);
    done(w);
}
END_TEST

START_TEST(empty_feed_bottles_are_locked_after_a_bounded_amount)
{
    struct world *w = made((uint64_t)_i);
    world_run(w, 8 * HOUR_MS);
    w->empty[0] = w->empty[1] = true;
    const int64_t a_ul = world_moved_ul(w, 0, 0), b_ul = world_moved_ul(w, 0, 1);
    set(w, REQUEST_SET_EC, 1600.0);
    for (int n = 0; n < 12 && !w->core->tank[0].locked[LAW_FEED]; n++) {
        world_run(w, HOUR_MS);
    }
    ck_assert(w->core->tank[0].locked[LAW_FEED]);
    const double us_cm =
        site_nominal(&w->site, &w->tank_config[0], 0, world_moved_ul(w, 0, 0) - a_ul) +
        site_nominal(&w->site, &w->tank_config[0], 1, world_moved_ul(w, 0, 1) - b_ul);
    ck_assert_msg(us_cm > 100.0 && us_cm <= 450.0, "%.0f uS/cm", us_cm);
    struct alert_view alert;
    struct tank_view view;
    ck_assert(alert_text(w, "no-effect-basil-feed", &alert));
    world_run(w, 10 * MINUTE_MS);
    core_view_tank(w->core, 0, w->now, &view);
    ck_assert_msg(view.state == TANK_LOCKED, "%s: %s", tank_state_word(view.state), view.why);
    ck_assert_ptr_nonnull(strstr(view.why, "feed"));
    ck_assert(view.pump[0].locked && view.pump[1].locked && !view.pump[ACID].locked);
    done(w);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("learned");
    tcase_set_timeout(t, 120);
    tcase_add_loop_test(t, what_was_learned_survives_a_crash, 0, 3);
    tcase_add_test(t, what_was_learned_of_another_tank_is_not_taken_back);
    tcase_add_loop_test(t, what_was_learned_survives_a_reload_of_the_same_tank, 0, 2);
    tcase_add_loop_test(t, doses_after_a_restart_are_no_larger, 0, 4);
    tcase_add_test(t, water_is_recorded_as_the_docs_say);
    tcase_add_test(t, no_water_is_recorded_while_the_clock_is_unset);
    tcase_add_test(t, what_is_learned_is_recorded_as_the_docs_say);
    tcase_add_loop_test(t, a_new_setpoint_is_acted_on_without_waiting_for_news, 0, 3);
    tcase_add_loop_test(t, an_empty_acid_bottle_is_locked_until_somebody_says_so, 0, 3);
    tcase_add_loop_test(t, empty_feed_bottles_are_locked_after_a_bounded_amount, 0, 2);
    return run_case(t, "learned");
}
