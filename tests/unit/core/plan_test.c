/* What is given next, and in words why nothing is: each limit, lock and spacing by its own name.
 * INV-1, 5, 6, 12. INV-n: safety invariants in DEVELOPERS.md. */
#include <math.h>

#include "tests/unit/core/core_fixture.h"

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

/* Water that is circulated and read for so long that it is known well. */
static void watch(double ec_us_cm, double ph, int64_t span_ms)
{
    for (int64_t ms = 0; ms < span_ms; ms += 10 * SECOND_MS) {
        pass(10 * SECOND_MS);
        tell_probe(BASIL, PROBE_TEMPERATURE, 20.0);
        tell_probe(BASIL, PROBE_EC, ec_us_cm);
        tell_probe(BASIL, PROBE_PH, ph);
        tank()->circulation.flowed = true;
        b.actions.count = 0;
        core_look_at_water(b.core, BASIL, b.now, &b.actions);
    }
}

static bool plans(void)
{
    tank()->ask_law = true;
    return core_plan(b.core, BASIL, b.now);
}

static void prepare(double ec_us_cm, double ph)
{
    bench_start();
    tell_link(true);
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_roll(c, "boot");
    }
    watch(ec_us_cm, ph, HOUR_MS);
}

static void says(enum tank_state state, const char *what)
{
    ck_assert_msg(!plans(), "a plan of %u", tank()->plan.count);
    ck_assert_msg(strstr(tank()->why, what), "%s", tank()->why);
    ck_assert_msg(tank()->state == state, "%s", tank_state_word(tank()->state));
}

static void use_up(struct dose_window *w, int64_t amount)
{
    window_add(w, (struct window_entry){ b.now.mono, amount, 0 }, b.now.mono);
}

/* --- what is given ---------------------------------------------------------------------------- */

/* INV-1, 6: all parts of the recipe in its order, none over its limit, as their parts are. */
START_TEST(feed_is_given_in_the_recipes_parts)
{
    bench_init();
    b.tank[BASIL].recipe[0].parts = 2.0;
    b.tank[BASIL].pump[1].limits.dose_ul = _i == 0 ? 20000 : 4000; /* the strictest binds all */
    prepare(800, 5.8);
    ck_assert(plans());
    const struct core_plan *plan = &tank()->plan;
    ck_assert_uint_eq(plan->count, 2);
    ck_assert(plan->dose[0].pump == 0 && plan->dose[1].pump == 1);
    ck_assert_int_le(llabs(plan->dose[0].ul - 2 * plan->dose[1].ul), 2);
    ck_assert_int_le(plan->dose[0].ul, _i == 0 ? 20000 : 8000);
    ck_assert_int_gt(plan->dose[0].ul, _i == 0 ? 19990 : 7990);
    for (int d = 0; d < 2; d++) {
        ck_assert_int_gt(plan->dose[d].ec_milli, 0);
        ck_assert_int_eq(plan->dose[d].ph_micro, 0);
    }
}
END_TEST

START_TEST(acid_and_base_move_ph_and_nothing_else)
{
    bench_init();
    prepare(1200, _i == 0 ? 6.8 : 5.0);
    ck_assert(plans());
    ck_assert_uint_eq(tank()->plan.count, 1);
    const struct core_dose *d = &tank()->plan.dose[0];
    ck_assert_uint_eq(d->pump, _i == 0 ? ACID : BASE);
    ck_assert_int_eq(d->stock, _i == 0 ? LAW_ACID : LAW_BASE);
    ck_assert(d->ul > 0 && d->ul <= 20000 && d->ph_micro > 0 && d->ec_milli == 0);
}
END_TEST

/* What limits count of a feed that is stronger than its label is what it does. */
START_TEST(a_strong_feed_counts_as_strong)
{
    bench_init();
    prepare(800, 5.8);
    ck_assert(plans());
    const double nominal = (double)tank()->plan.dose[0].ul * 1.2;
    const double as_is = (double)tank()->plan.dose[0].ec_milli / nominal;
    for (int g = 0; g < LAW_GUESSES; g++) {
        tank()->law.pair[g].ec.x[EC_GAIN] = 1.5;
    }
    tank()->plan.count = 0;
    ck_assert(plans());
    const double strong =
        (double)tank()->plan.dose[0].ec_milli / ((double)tank()->plan.dose[0].ul * 1.2);
    ck_assert(strong > 1.3 * as_is);
}
END_TEST

/* --- what is said when nothing is given ------------------------------------------------------- */

START_TEST(in_the_bands_nothing_is_wanted)
{
    bench_init();
    prepare(1200, 5.8);
    says(TANK_HOLDING, "in the bands around EC 1.20 mS/cm and pH 5.80");
    watch(1600, 5.8, HOUR_MS);
    says(TANK_HOLDING, "EC is above its band");
}
END_TEST

START_TEST(without_readings_it_is_blind)
{
    bench_init();
    bench_start();
    tell_link(true);
    tell_roll(WEST, "boot");
    says(TANK_WAITING, "waiting until it has seen enough readings of EC and pH");
    for (int n = 0; n < 12; n++) {
        pass(10 * SECOND_MS);
        tell_probe(BASIL, PROBE_EC, 1200);
        tank()->circulation.flowed = true;
        core_look_at_water(b.core, BASIL, b.now, &b.actions);
    }
    says(TANK_WAITING,
        "waiting until it has seen enough readings of EC and pH"); /* of pH there are none */
    watch(1200, 5.8, HOUR_MS);
    for (int c = 0; c < LAW_CHANNELS; c++) {
        tank()->law.channel[c].misses = 2;
    }
    says(TANK_WAITING, "the newest readings don't fit those before");
}
END_TEST

static void no_recipe(void)
{
    b.tank[BASIL].recipe_count = 0;
}

static void no_acid(void)
{
    b.tank[BASIL].lowers_ph = -1;
}

static void no_base(void)
{
    b.tank[BASIL].raises_ph = -1;
}

static void weak_acid(void)
{
    b.site.stock[ACID].strength.acid_meq_ml = 0;
}

static void weak_base(void)
{
    b.site.stock[BASE].strength.acid_meq_ml = 0;
}

/* ... and with no feed at all acid is still given: what a recipe lacks holds nothing else back. */
START_TEST(a_stock_that_is_missing_is_named)
{
    static const struct {
        void (*change)(void);
        double ec_us_cm, ph;
        enum tank_state state;
        const char *what;
    } rows[] = {
        { no_recipe, 800, 5.8, TANK_LOCKED, "EC is low and the recipe names no stock" },
        { no_acid, 1200, 6.8, TANK_HOLDING, "pH is above its band and no acid is configured" },
        { no_base, 1200, 5.0, TANK_HOLDING, "pH is below its band and no base is configured" },
        { weak_acid, 1200, 6.8, TANK_LOCKED, "the stock for pH has no strength" },
        { weak_base, 1200, 5.0, TANK_LOCKED, "the stock for pH has no strength" },
    };
    for (uint32_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        bench_init();
        rows[i].change();
        prepare(rows[i].ec_us_cm, rows[i].ph);
        says(rows[i].state, rows[i].what);
        bench_done();
    }
    bench_init();
    no_recipe();
    prepare(1200, 6.8);
    ck_assert(plans());
    ck_assert_uint_eq(tank()->plan.dose[0].pump, ACID);
}
END_TEST

/* INV-12: what has stopped working is given no more, and that is said. */
START_TEST(a_lock_is_named)
{
    static const struct {
        double ec_us_cm, ph;
        const char *what;
    } rows[] = { { 800, 5.8, "feed is stopped" }, { 1200, 6.8, "acid is stopped" },
        { 1200, 5.0, "base is stopped" } };
    bench_init();
    prepare(rows[_i].ec_us_cm, rows[_i].ph);
    tank()->locked[_i] = true;
    says(TANK_LOCKED, rows[_i].what);
    tank()->locked[_i] = false;
    ck_assert(plans());
}
END_TEST

/* INV-5 */
START_TEST(acid_and_base_wait_for_each_other)
{
    bench_init();
    prepare(1200, _i == 0 ? 6.8 : 5.0);
    struct mono *other = _i == 0 ? &tank()->base_ended : &tank()->acid_ended;
    *other = mono_after(b.now.mono, -HOUR_MS);
    says(TANK_WAITING, _i == 0 ? "acid after base waits for another 60 min"
                               : "base after acid waits for another 60 min");
    const struct core_dose dose = {
        .pump = _i == 0 ? ACID : BASE, .stock = _i == 0 ? LAW_ACID : LAW_BASE, .ul = 1000
    };
    const struct core_dose feed = { .pump = 0, .stock = LAW_FEED, .ul = 1000 };
    ck_assert(!core_dose_fits(b.core, BASIL, &dose, b.now));
    ck_assert(core_dose_fits(b.core, BASIL, &feed, b.now));
    *other = mono_after(b.now.mono, -2 * HOUR_MS);
    ck_assert(core_dose_fits(b.core, BASIL, &dose, b.now));
    ck_assert(plans());
}
END_TEST

/* INV-1: the limit that binds is named, and how long. */
START_TEST(the_limit_that_holds_a_dose_back_is_named)
{
    bench_init();
    prepare(_i < 4 ? 800 : 1200, _i < 4 ? 5.8 : 6.8);
    struct core_tank *t = tank();
    switch (_i) {
    case 0:
        use_up(&t->pump[1].window, 60000);
        says(TANK_WAITING,
            "leaf-b is wanted, but its hourly limit holds it back for another 60 min");
        break;
    case 1:
        use_up(&t->pump[0].window, 200000);
        says(TANK_WAITING, "leaf-a is wanted, but its daily limit holds it back for another 24 h");
        break;
    case 2:
        use_up(&t->ec_rise, 600000);
        says(TANK_WAITING,
            "limit on how far EC may rise in an hour holds it back for another 60 min");
        break;
    case 3:
        b.tank[BASIL].pump[0].limits.hour_ul = 100; /* no dose ever fits: no time is told */
        says(TANK_WAITING, "leaf-a is wanted, but its hourly limit holds it back");
        ck_assert_ptr_null(strstr(t->why, "for another"));
        break;
    case 4:
        use_up(&t->pump[ACID].window, 60000);
        says(TANK_WAITING, "acid is wanted, but its hourly limit holds it back for another 60 min");
        break;
    case 5:
        use_up(&t->ph_move, 1000000);
        says(TANK_WAITING,
            "limit on how far pH may move in an hour holds it back for another 60 min");
        break;
    default:
        b.tank[BASIL].pump[ACID].limits.dose_ul = 500; /* the smallest is a trifle more */
        says(TANK_WAITING, "acid is wanted, but its limit for one dose holds it back");
        ck_assert_ptr_null(strstr(t->why, "for another"));
    }
}
END_TEST

/* Defect: a head whose longest run is below the smallest dose was told as "no limit holds it back".
 */
START_TEST(a_longest_run_that_is_too_short_is_named)
{
    bench_init();
    prepare(_i == 0 ? 800 : 1200, _i == 0 ? 5.8 : 6.8);
    b.core->chain[WEST].roll.max_run_ms = 400;
    says(TANK_WAITING, "the longest run that its chain head allows holds it back");
}
END_TEST

/* Defect: of a recipe with unequal parts, the limit of the larger part was told as "no limit". */
START_TEST(the_limit_of_a_larger_part_is_named)
{
    bench_init();
    b.tank[BASIL].recipe[1].parts = 4.0;
    prepare(800, 5.8);
    use_up(
        &tank()->pump[1].window, 59000); /* 1 mL is left: twice its smallest, half of what goes */
    says(TANK_WAITING, "leaf-b is wanted, but its hourly limit holds it back for another 60 min");
}
END_TEST

/* The law's own caps, beside the windows: fresh water needs so much and no more within hours. */
START_TEST(the_laws_caps_are_named)
{
    bench_init();
    b.tank[BASIL].move.ec_rise_per_hour = 100000000;
    prepare(800, 5.8);
    for (int s = 0; s < LAW_STOCKS; s++) {
        tank()->law.watch[s].has_given = true;
        tank()->law.watch[s].hour = tank()->law.watch[s].day = 1e6;
        tank()->law.watch[s].gave = b.now.mono;
    }
    says(TANK_WAITING, "as much was given within hours as fresh water needs");
}
END_TEST

/* The larger the smallest dose, the less it is given: first for fear of the band's other edge, then
 * as no more is wanted. */
START_TEST(doses_that_are_too_coarse_or_too_small_are_told) /* _i: feed, acid, base */
{
    static const double ec[] = { 1000, 1200, 1200 }, ph[] = { 5.8, 6.3, 5.3 };
    static const char *const coarse[] = { "the smallest dose of feed could carry EC past its band",
        "the smallest dose of acid could carry pH past its band",
        "the smallest dose of base could carry pH past its band" };
    bench_init();
    for (uint32_t p = 0; p < b.tank[BASIL].pump_count; p++) {
        b.tank[BASIL].pump[p].limits = (struct stock_limits){ 500, 900000, 900000, 900000 };
    }
    prepare(ec[_i], ph[_i]);
    tank()->law.mixing = false;
    enum { GIVES, WAITS, COARSE, SMALL, PHASES };
    int phase = GIVES;
    bool seen[PHASES] = { false };
    for (double smallest = _i == 0 ? 1.0 : 0.01; phase < SMALL; smallest *= 1.05) {
        tank()->model.smallest[_i] = smallest;
        const bool given = plans();
        const char *why = tank()->why;
        const int now = given                                           ? GIVES
                        : strstr(why, "waits until more is known")      ? WAITS
                        : strstr(why, coarse[_i])                       ? COARSE
                        : strstr(why, "is less than the smallest dose") ? SMALL
                                                                        : PHASES;
        ck_assert_msg(now >= phase && now < PHASES, "%g: %s", smallest, why);
        ck_assert(given || tank()->state == TANK_HOLDING);
        phase = now;
        seen[phase] = true;
    }
    ck_assert(seen[GIVES] && seen[COARSE]);
}
END_TEST

/* Acid and base don't follow each other while what was given settles; and one reading on the other
 * side is enough to wait for more. */
START_TEST(ph_out_of_its_band_may_have_to_wait)
{
    bench_init();
    prepare(1200, _i == 0 ? 5.0 : 6.8);
    if (_i == 0) {
        tank()->law.watch[LAW_ACID].has_given = true;
        tank()->law.watch[LAW_ACID].gave = mono_after(b.now.mono, -HOUR_MS);
        says(TANK_HOLDING, "pH is low after acid, and base waits six hours");
    } else {
        tank()->law.channel[1].last = 5.7;
        says(TANK_HOLDING, "pH seems high, but its newest reading doesn't");
    }
}
END_TEST

/* While the water mixes the next dose may wait for it; in the step that mixes that is its state. */
START_TEST(what_waits_until_more_is_known_says_where_the_water_comes_to)
{
    bench_init();
    prepare(_i < 2 ? 1060 : 1200, _i < 2 ? 5.8 : 6.1);
    struct core_tank *t = tank();
    law_gave(
        &t->law, &t->model, _i < 2 ? LAW_FEED : LAW_ACID, _i < 2 ? 10.0 : 0.05, true, b.now.mono);
    t->step = _i == 0 ? STEP_MIX : STEP_IDLE;
    says(_i == 0 ? TANK_MIXING : TANK_HOLDING,
        _i < 2 ? "feed waits until more is known" : "acid waits until more is known");
    ck_assert(t->wants_mixing);
    ck_assert_ptr_nonnull(strstr(t->why, _i < 2 ? "EC comes to about 1." : "pH comes to about "));
}
END_TEST

/* Nothing new was seen: what was said stands, and limits are looked at again in a while. */
START_TEST(what_was_said_stands_until_something_is_new)
{
    bench_init();
    prepare(800, 5.8);
    use_up(&tank()->pump[0].window, 60000);
    says(TANK_WAITING, "its hourly limit");
    window_init(&tank()->pump[0].window, tank()->pump[0].window.entry,
        tank()->pump[0].window.capacity, DAY_MS);
    core_say(tank(), TANK_PAUSED, "paused");
    ck_assert(!core_plan(b.core, BASIL, b.now));
    ck_assert_int_eq(tank()->state, TANK_WAITING);
    ck_assert_ptr_nonnull(strstr(tank()->why, "its hourly limit"));
    pass(29999);
    ck_assert(!core_plan(b.core, BASIL, b.now));
    pass(1);
    ck_assert(core_plan(b.core, BASIL, b.now));
    ck_assert(!core_plan(b.core, BASIL, b.now)); /* given once */
}
END_TEST

/* INV-5: acid and base keep their distance over a restart, whatever became of the dose. */
START_TEST(the_spacing_of_acid_and_base_outlives_a_restart) /* _i == 1: base */
{
    bench_ready();
    struct record *r = put_record("dose");
    record_add_text(r, "tank", "basil");
    record_add_text(r, "stock", _i == 0 ? "acid" : "base");
    record_add_text(r, "id", "d1-1");
    record_add_int(r, "ul", 3000);
    record_add_int(r, "run_ms", 1000);
    record_add_int(r, "ends_ms", 9000);
    pass(MINUTE_MS);
    bench_start();
    const struct core_dose other = {
        .pump = _i == 0 ? 3 : 2, .stock = _i == 0 ? LAW_BASE : LAW_ACID, .ul = 1000
    };
    b.core->tank[BASIL].dose.used = false; /* settled since */
    ck_assert(!core_dose_fits(b.core, BASIL, &other, b.now));
    pass(2 * HOUR_MS - MINUTE_MS + 9000);
    ck_assert(core_dose_fits(b.core, BASIL, &other, b.now));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("plan");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_loop_test(t, feed_is_given_in_the_recipes_parts, 0, 2);
    tcase_add_loop_test(t, acid_and_base_move_ph_and_nothing_else, 0, 2);
    tcase_add_test(t, a_strong_feed_counts_as_strong);
    tcase_add_test(t, in_the_bands_nothing_is_wanted);
    tcase_add_test(t, without_readings_it_is_blind);
    tcase_add_test(t, a_stock_that_is_missing_is_named);
    tcase_add_loop_test(t, a_lock_is_named, 0, 3);
    tcase_add_loop_test(t, acid_and_base_wait_for_each_other, 0, 2);
    tcase_add_loop_test(t, the_limit_that_holds_a_dose_back_is_named, 0, 7);
    tcase_add_loop_test(t, a_longest_run_that_is_too_short_is_named, 0, 2);
    tcase_add_test(t, the_limit_of_a_larger_part_is_named);
    tcase_add_test(t, the_laws_caps_are_named);
    tcase_add_loop_test(t, doses_that_are_too_coarse_or_too_small_are_told, 0, 3);
    tcase_add_loop_test(t, ph_out_of_its_band_may_have_to_wait, 0, 2);
    tcase_add_loop_test(t, what_waits_until_more_is_known_says_where_the_water_comes_to, 0, 3);
    tcase_add_test(t, what_was_said_stands_until_something_is_new);
    tcase_add_loop_test(t, the_spacing_of_acid_and_base_outlives_a_restart, 0, 2);
    return run_case(t, "plan");
}
