/* What counts against the limits when reports, restarts and reloads don't fit the plan. INV-n:
 * safety invariants in DEVELOPERS.md. */
#include <stdlib.h>

#include "lib/base/text.h"
#include "lib/core/limits_known.h"
#include "lib/core/state.h"
#include "tests/simulation/world.h"
#include "tests/unit/support.h"

static struct world *w;

static void prepare(void)
{
    w = malloc(sizeof *w);
    ck_assert_ptr_nonnull(w);
    world_init(w, 7, NULL);
}

static void finish(void)
{
    world_free(w);
    free(w);
}

static struct core_tank *tank(uint32_t i)
{
    return &w->core->tank[i];
}

static void run_to_a_dose(void)
{
    for (int step = 0; step < 6000 && !tank(0)->dose.used; step++) {
        world_run(w, 100);
    }
    ck_assert(tank(0)->dose.used);
}

static int64_t used_ul(uint32_t pump)
{
    return window_used(&tank(0)->pump[pump].window, DAY_MS, w->now.mono);
}

static void report(const char *id, enum chain_state state, int64_t ran_ms)
{
    struct event e = { .kind = EVENT_REPORT };
    text_copy(e.report.id, sizeof e.report.id, id);
    text_copy(e.report.boot, sizeof e.report.boot, w->head.boot);
    e.report.state = state;
    e.report.ran_ms = ran_ms;
    world_tell(w, &e);
}

/* INV-1: the second part of a recipe isn't begun when a hand has used up its hour meanwhile. */
START_TEST(a_hand_that_uses_up_a_limit_ends_the_plan)
{
    run_to_a_dose();
    ck_assert_uint_eq(tank(0)->dose.pump, 0);
    const int64_t hour_ul = w->tank_config[0].pump[1].limits.hour_ul;
    window_add(&tank(0)->pump[1].window, (struct window_entry){ w->now.mono, hour_ul - 1000, 0 },
        w->now.mono);
    world_run(w, 10 * MINUTE_MS);
    ck_assert(!tank(0)->dose.used);
    ck_assert_int_gt(used_ul(0), 1000); /* more than that was planned of each part */
    ck_assert_int_le(used_ul(1), hour_ul);
}
END_TEST

/* INV-1: a relay that stuck, or a head that lies: what it says it moved is counted, here and after
 * a restart. */
START_TEST(a_pump_that_ran_on_counts_with_all_it_moved)
{
    run_to_a_dose();
    const struct core_command dose = tank(0)->dose;
    const int64_t before = used_ul(dose.pump), bottle = w->core->stock[dose.pump].remaining_ul;
    report(dose.id, CHAIN_DONE, 3 * dose.run_ms);
    ck_assert(!tank(0)->dose.used);
    const int64_t more = used_ul(dose.pump) - before;
    ck_assert_int_ge(more, 2 * dose.ul - 10);
    ck_assert_int_le(more, 2 * dose.ul + 10);
    ck_assert_int_eq(bottle - w->core->stock[dose.pump].remaining_ul, more);
    const int64_t all = used_ul(dose.pump);
    world_crash(w);
    ck_assert_int_eq(used_ul(dose.pump), all);
}
END_TEST

/* INV-2: "nothing ran" about a dose that the head has accepted is a late copy's answer, or a lie.
 */
START_TEST(a_dose_that_was_accepted_is_not_given_back_by_a_refusal)
{
    run_to_a_dose();
    const struct core_command dose = tank(0)->dose;
    report(dose.id, CHAIN_ACCEPTED, 0);
    tank(0)->dose.running = false; /* that report is lost */
    const int64_t before = used_ul(dose.pump);
    report(dose.id, CHAIN_REFUSED, 0);
    ck_assert(tank(0)->dose.used);
    ck_assert_int_eq(used_ul(dose.pump), before);
}
END_TEST

/* Reloads into the same site with one thing changed. */
struct again {
    struct site site;
    struct site_tank tanks[WORLD_TANKS];
    void *block;
    struct core *core;
};

static void begin_again(struct again *a)
{
    a->site = w->site;
    for (int i = 0; i < WORLD_TANKS; i++) {
        a->tanks[i] = w->tank_config[i];
    }
    a->site.tank = a->tanks;
}

static void reload(struct again *a)
{
    const struct core_identity identity = { .boot = "board", .by = "d1" };
    a->block = malloc(core_size(&a->site));
    ck_assert_ptr_nonnull(a->block);
    a->core = core_init(a->block, &a->site, &identity, w->now);
    core_reload(a->core, w->core, w->now, &w->actions);
}

/* INV-1, 3, 8: the same hardware under another name has the same limits, locks and line. */
START_TEST(a_tank_that_is_renamed_keeps_what_is_used_up_and_locked)
{
    world_run(w, 2 * HOUR_MS);
    const struct event_request lock = { .kind = REQUEST_SERVICE, .tank = 0, .on = true };
    world_ask(w, &lock);
    tank(0)->locked[LAW_ACID] = true;
    tank(0)->line_dirty = true;
    struct again a;
    begin_again(&a);
    a.tanks[0].key = "renamed";
    reload(&a);
    const struct core_tank *now = &a.core->tank[0];
    const int64_t rise = window_used(&tank(0)->ec_rise, HOUR_MS, w->now.mono);
    ck_assert_int_gt(used_ul(0), 0);
    ck_assert_int_eq(window_used(&now->ec_rise, HOUR_MS, w->now.mono), rise);
    ck_assert_int_eq(window_used(&now->pump[0].window, DAY_MS, w->now.mono), used_ul(0));
    ck_assert(now->service && now->line_dirty && now->locked[LAW_ACID]);
    ck_assert(alert_stands(a.core, "no-effect-renamed-acid"));
    ck_assert(!a.core->tank[1].service);
    free(a.block);
}
END_TEST

/* INV-1: while nobody knows what was dosed, a raised limit frees nothing. */
START_TEST(limits_that_are_not_known_stay_full_when_they_are_raised)
{
    world_run(w, MINUTE_MS);
    core_forget_limits(w->core, 0, w->now.mono);
    struct again a;
    begin_again(&a);
    a.tanks[0].pump[0].limits.day_ul *= 3;
    reload(&a);
    ck_assert_int_ge(window_used(&a.core->tank[0].pump[0].window, DAY_MS, w->now.mono),
        a.tanks[0].pump[0].limits.day_ul);
    free(a.block);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("count");
    tcase_add_checked_fixture(t, prepare, finish);
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_hand_that_uses_up_a_limit_ends_the_plan);
    tcase_add_test(t, a_pump_that_ran_on_counts_with_all_it_moved);
    tcase_add_test(t, a_dose_that_was_accepted_is_not_given_back_by_a_refusal);
    tcase_add_test(t, a_tank_that_is_renamed_keeps_what_is_used_up_and_locked);
    tcase_add_test(t, limits_that_are_not_known_stay_full_when_they_are_raised);
    return run_case(t, "count");
}
