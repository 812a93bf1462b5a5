/* Stocks that stop working: noticed after a bounded amount, named rightly, and never where nothing
 * is wrong. */
#include <stdio.h>
#include <stdlib.h>

#include "tests/unit/control/pail.h"

/* At work for a day and a half: a crop drinks and eats, CO2 leaves. */
static void at_work(struct pail *p, uint64_t seed)
{
    pail_init(p, seed);
    p->ec_per_hour = -8.0;
    p->alkalinity_per_hour = 0.01;
    pail_begin(p);
    pail_run(p, 36.0);
    for (int s = 0; s < LAW_STOCKS; s++) {
        ck_assert(!pail_alarmed(p, (enum law_stock)s));
    }
}

static bool told(void)
{
    return getenv("LAW_TELLS") != NULL;
}

/* Runs until the alarm, 'hours' at most; the amount that was given meanwhile. */
static double given_until_alarm(struct pail *p, enum law_stock stock, double hours)
{
    const double before = p->given[stock], end_s = p->now_s + hours * 3600.0, from_s = p->now_s;
    while (p->now_s < end_s && !pail_alarmed(p, stock)) {
        pail_step(p);
    }
    if (told())
        printf("stock %d: alarm %d after %.1f h and %.4g\n", stock, law_alarm_of(&p->law, stock),
            (p->now_s - from_s) / 3600.0, p->given[stock] - before);
    return p->given[stock] - before;
}

/* 0.4 mS/cm was the first simulations' worst; 250 and one dose are promised. */
START_TEST(an_empty_feed_bottle_is_noticed_after_a_bounded_amount) /* _i is the seed */
{
    struct pail p;
    at_work(&p, (uint64_t)_i);
    const double usual = p.given[LAW_FEED] / (double)p.doses[LAW_FEED];
    p.strength[LAW_FEED] = 0.0;
    p.pull = 0.0;
    p.largest[LAW_FEED] = 0.0;
    const double wasted = given_until_alarm(&p, LAW_FEED, 24.0);
    ck_assert_int_eq(law_alarm_of(&p.law, LAW_FEED), LAW_SILENT);
    ck_assert_double_le(wasted, 370.0);
    ck_assert_double_le(p.largest[LAW_FEED], 150.0);
    ck_assert_double_le(p.largest[LAW_FEED], 2.0 * usual);
    ck_assert(!pail_alarmed(&p, LAW_ACID) && !pail_alarmed(&p, LAW_BASE));
    const int64_t doses = p.doses[LAW_FEED], acids = p.doses[LAW_ACID];
    pail_run(&p, 12.0); /* it stays, and acid goes on */
    ck_assert_int_eq(p.doses[LAW_FEED], doses);
    ck_assert_int_gt(p.doses[LAW_ACID], acids);
    ck_assert_double_eq_tol(pail_ph(&p), 5.8, 0.2);
}
END_TEST

/* 0.3 meq/L and a fifth of the source's alkalinity. */
START_TEST(an_empty_acid_bottle_is_noticed_after_a_bounded_amount)
{
    struct pail p;
    at_work(&p, (uint64_t)_i);
    p.strength[LAW_ACID] = 0.0;
    const double before = p.largest[LAW_ACID];
    p.largest[LAW_ACID] = 0.0;
    const double wasted = given_until_alarm(&p, LAW_ACID, 36.0);
    ck_assert_int_eq(law_alarm_of(&p.law, LAW_ACID), LAW_SILENT);
    ck_assert_double_le(wasted, 0.3 + 0.2 * p.config.alkalinity_meq_l);
    ck_assert_double_le(p.largest[LAW_ACID], before);
    ck_assert(!pail_alarmed(&p, LAW_FEED) && !pail_alarmed(&p, LAW_BASE));
    const int64_t doses = p.doses[LAW_ACID];
    pail_run(&p, 12.0);
    ck_assert_int_eq(p.doses[LAW_ACID], doses);
}
END_TEST

/* Empty from the very beginning: nothing was ever learned of it. The first episode isn't judged, as
 * nobody knows what the water did before; so a first dose comes on top of the budget, and the last
 * one. Measured: 400 uS/cm and 0.93 meq/L. */
START_TEST(bottles_that_never_held_anything_are_noticed)
{
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    const enum law_stock stock = _i % 2 ? LAW_ACID : LAW_FEED;
    p.strength[stock] = 0.0;
    if (stock == LAW_FEED) p.pull = 0.0;
    pail_begin(&p);
    const double wasted = given_until_alarm(&p, stock, 24.0);
    ck_assert_int_eq(law_alarm_of(&p.law, stock), LAW_SILENT);
    ck_assert_double_le(wasted, stock == LAW_FEED ? 450.0 : 1.0);
    ck_assert_double_le(p.largest[stock], stock == LAW_FEED ? 150.0 : 0.4);
}
END_TEST

/* Much is wanted, nothing comes: no dose is above what a stock gets that hasn't shown itself, each
 * waits for the one before, and silence isn't taken for weakness. */
START_TEST(doses_of_an_empty_bottle_stay_small)
{
    struct pail p;
    at_work(&p, (uint64_t)_i);
    const double gain = law_number(&p.law, 0);
    p.strength[LAW_FEED] = 0.0;
    p.pull = 0.0;
    p.ec -= 400.0;
    double dosed_s = -1e9;
    for (int n = 0; n < 24 * 60 && !pail_alarmed(&p, LAW_FEED); n++) {
        const double before = p.given[LAW_FEED];
        pail_step(&p);
        const double dose = p.given[LAW_FEED] - before;
        if (!(dose > 0.0)) continue;
        if (dosed_s > 0.0) ck_assert_double_le(dose, 150.0); /* the first may follow on a proof */
        ck_assert_double_ge(p.now_s - dosed_s, 2.0 * p.mix_s);
        dosed_s = p.now_s;
    }
    ck_assert_int_eq(law_alarm_of(&p.law, LAW_FEED), LAW_SILENT);
    ck_assert_double_ge(law_number(&p.law, 0), 0.85 * gain);
}
END_TEST

START_TEST(acid_that_raises_ph_is_the_wrong_bottle)
{
    struct pail p;
    at_work(&p, (uint64_t)_i);
    p.strength[LAW_ACID] = -1.0;
    const double wasted = given_until_alarm(&p, LAW_ACID, 24.0);
    ck_assert_int_eq(law_alarm_of(&p.law, LAW_ACID), LAW_WRONG_WAY);
    ck_assert_double_le(wasted, 0.3);
    ck_assert_double_le(pail_ph(&p), 6.6);
}
END_TEST

START_TEST(feed_that_lowers_ec_is_the_wrong_bottle)
{
    struct pail p;
    at_work(&p, (uint64_t)_i);
    p.strength[LAW_FEED] = -1.0;
    p.pull = 0.0;
    const double wasted = given_until_alarm(&p, LAW_FEED, 24.0);
    ck_assert_int_eq(law_alarm_of(&p.law, LAW_FEED), LAW_WRONG_WAY);
    ck_assert_double_le(wasted, 370.0);
}
END_TEST

/* Of two bottles alike one is empty: half the effect. Measured: 21 to 28 h of a crop that takes 8
 * uS/cm an hour, 425 uS/cm. */
START_TEST(one_of_two_bottles_empty_is_noticed)
{
    struct pail p;
    at_work(&p, (uint64_t)_i);
    p.strength[LAW_FEED] = 0.5;
    const double given = given_until_alarm(&p, LAW_FEED, 48.0);
    ck_assert_int_eq(law_alarm_of(&p.law, LAW_FEED), LAW_WEAK);
    ck_assert_double_le(given, 600.0);
    ck_assert_double_le(p.most_ec, 1700.0);
}
END_TEST

START_TEST(an_acknowledged_alarm_is_over_and_a_full_bottle_raises_none)
{
    struct pail p;
    at_work(&p, (uint64_t)_i);
    const enum law_stock stock = _i % 2 ? LAW_ACID : LAW_FEED;
    p.strength[stock] = 0.0;
    (void)given_until_alarm(&p, stock, 36.0);
    ck_assert(pail_alarmed(&p, stock));
    p.strength[stock] = 1.0;
    law_acknowledge(&p.law, stock);
    ck_assert(!pail_alarmed(&p, stock));
    static const char *const doubts[2][5] = { { "feed_evidence", "feed_silent", "feed_silent_sum",
                                                  "feed_half", "feed_halves" },
        { "acid_evidence", "acid_silent", "acid_silent_sum", "acid_half", "acid_halves" } };
    for (int n = 0; n < 5; n++) {
        ck_assert_double_le(law_number(&p.law, pail_number_named(doubts[_i % 2][n])), 0.0);
    }
    const int64_t doses = p.doses[stock];
    pail_run(&p, 48.0);
    ck_assert_int_gt(p.doses[stock], doses);
    ck_assert(!pail_alarmed(&p, stock));
    ck_assert(pail_in_band(&p));
    ck_assert_double_le(p.most_ec, 1700.0);
    ck_assert_double_ge(p.least_ph, 5.6);
}
END_TEST

/* --- where nothing is wrong ------------------------------------------------------------------- */

static void ck_no_alarm(const struct pail *p)
{
    for (int s = 0; s < LAW_STOCKS; s++) {
        ck_assert_msg(!pail_alarmed(p, (enum law_stock)s), "stock %d: alarm %d after %.1f h", s,
            law_alarm_of(&p->law, (enum law_stock)s), p->now_s / 3600.0);
    }
}

/* Each too small to be told from noise; all together they work. */
START_TEST(many_tiny_doses_that_work_raise_no_alarm)
{
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    pail_settled(&p);
    p.ec_per_hour = -5.0;
    p.alkalinity_per_hour = 0.004;
    p.wish.most[LAW_FEED] = 8.0;
    p.wish.most[LAW_ACID] = p.wish.most[LAW_BASE] = 0.01;
    pail_begin(&p);
    for (int day = 0; day < 10; day++) {
        pail_run(&p, 24.0);
        ck_no_alarm(&p);
    }
    ck_assert_int_gt(p.doses[LAW_FEED], 100);
    ck_assert_int_gt(p.doses[LAW_ACID], 50);
}
END_TEST

START_TEST(a_fortnight_at_work_raises_no_alarm)
{
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    p.strength[LAW_FEED] = 0.8 + 0.4 * prng_unit(&p.chance);
    p.mix_s = (0.35 + 0.65 * prng_unit(&p.chance)) * p.config.turnover_s;
    p.ec_per_hour = -2.0 - 8.0 * prng_unit(&p.chance);
    p.alkalinity_per_hour = 0.02 * prng_unit(&p.chance);
    pail_begin(&p);
    for (int day = 0; day < 14; day++) {
        pail_run(&p, 24.0);
        ck_no_alarm(&p);
    }
}
END_TEST

/* A tenth to a third of the water, once a day, whatever is just mixing. One alarm in 280 refills is
 * let pass: measured are 2 in 4200 refills at twice this pace. */
START_TEST(refills_with_source_water_raise_no_alarm)
{
    enum { SEEDS = 20, DAYS = 14 };
    int alarms = 0;
    for (int seed = 0; seed < SEEDS; seed++) {
        struct pail p;
        at_work(&p, (uint64_t)seed);
        for (int day = 0; day < DAYS; day++) {
            pail_run(&p, 18.0 + 12.0 * prng_unit(&p.chance));
            pail_dilute(&p, 0.1 + 0.23 * prng_unit(&p.chance));
        }
        pail_run(&p, 12.0);
        for (int s = 0; s < LAW_STOCKS; s++) {
            const enum law_stock stock = (enum law_stock)s;
            if (pail_alarmed(&p, stock) && told()) printf("refills, seed %d: stock %d\n", seed, s);
            alarms += pail_alarmed(&p, stock);
        }
    }
    ck_assert_int_le(alarms, 1);
}
END_TEST

/* A restart, a pump run by hand: what was in the water then isn't what the dose did. */
START_TEST(what_happens_beside_a_disturbance_is_not_judged)
{
    struct pail p;
    at_work(&p, (uint64_t)_i);
    p.wish.most[LAW_FEED] = p.wish.most[LAW_ACID] = 0.0;
    for (int n = 0; n < 12; n++) {
        pail_run(&p, 4.0);
        p.strength[LAW_FEED] = 0.0;
        pail_give(&p, LAW_FEED, 60.0);
        law_disturb(&p.law, &p.config, pail_now(&p));
        p.strength[LAW_FEED] = 1.0;
        pail_run(&p, 4.0);
        ck_no_alarm(&p);
    }
    ck_assert_double_eq_tol(law_number(&p.law, 0), 0.95, 0.1);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("law_alarm");
    tcase_set_timeout(t, 120);
    tcase_add_loop_test(t, an_empty_feed_bottle_is_noticed_after_a_bounded_amount, 0, 10);
    tcase_add_loop_test(t, an_empty_acid_bottle_is_noticed_after_a_bounded_amount, 0, 10);
    tcase_add_loop_test(t, bottles_that_never_held_anything_are_noticed, 0, 10);
    tcase_add_loop_test(t, doses_of_an_empty_bottle_stay_small, 0, 10);
    tcase_add_loop_test(t, acid_that_raises_ph_is_the_wrong_bottle, 0, 10);
    tcase_add_loop_test(t, feed_that_lowers_ec_is_the_wrong_bottle, 0, 10);
    tcase_add_loop_test(t, one_of_two_bottles_empty_is_noticed, 0, 20);
    tcase_add_loop_test(t, an_acknowledged_alarm_is_over_and_a_full_bottle_raises_none, 0, 10);
    tcase_add_loop_test(t, many_tiny_doses_that_work_raise_no_alarm, 0, 10);
    tcase_add_loop_test(t, a_fortnight_at_work_raises_no_alarm, 0, 20);
    tcase_add_test(t, refills_with_source_water_raise_no_alarm);
    tcase_add_loop_test(t, what_happens_beside_a_disturbance_is_not_judged, 0, 4);
    return run_case(t, "law_alarm");
}
