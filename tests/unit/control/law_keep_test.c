/* What the control law keeps over a restart, what it makes of numbers that can't be, and of any
 * order of events whatever. */
#include <stdio.h>
#include <stdlib.h>

#include "tests/unit/control/pail.h"

enum { FEED_GAIN, FEED_GAIN_SD, CARBON, CARBON_LOW, FEED_PULL, FEED_PULL_SD, NOISE_EC, NOISE_PH };

static void restart(struct law *ret, const struct pail *p)
{
    law_init(ret, &p->config, pail_now(p));
    for (int n = 0; n < LAW_NUMBERS; n++) {
        law_recall(ret, &p->config, n, law_number(&p->law, n));
    }
}

/* A journal's member names are at most 23 characters. */
START_TEST(each_number_has_a_name_of_its_own)
{
    for (int n = 0; n < LAW_NUMBERS; n++) {
        ck_assert_uint_ge(strlen(law_number_name(n)), 1);
        ck_assert_uint_le(strlen(law_number_name(n)), 23);
        for (int k = 0; k < n; k++) {
            ck_assert_str_ne(law_number_name(n), law_number_name(k));
        }
    }
    ck_assert_int_eq(pail_number_named("feed_gain"), FEED_GAIN);
    ck_assert_int_eq(pail_number_named("carbon_low_mmol_l"), CARBON_LOW);
    ck_assert_int_eq(pail_number_named("ph_noise"), NOISE_PH);
}
END_TEST

static void learned_pail(struct pail *p, uint64_t seed)
{
    pail_init(p, seed);
    p->strength[LAW_FEED] = 0.8;
    p->ec_per_hour = -8.0;
    p->alkalinity_per_hour = 0.01;
    p->co2_per_hour = 0.02; /* much of the carbon is still there */
    pail_begin(p);
    pail_run(p, 24.0);
    const double now = law_number(&p->law, FEED_GAIN);
    ck_assert_double_lt(now, 0.95); /* there is something to keep */
}

START_TEST(what_was_learned_comes_back_as_it_was) /* _i is the seed */
{
    struct pail p;
    learned_pail(&p, (uint64_t)_i);
    struct law again;
    restart(&again, &p);
    for (int n = 0; n < LAW_NUMBERS; n++) {
        const double was = law_number(&p.law, n), is = law_number(&again, n);
        /* The least weight of a guess is a millionth. */
        ck_assert_msg(fabs(is - was) <= 5e-5, "%s: %.9g became %.9g", law_number_name(n), was, is);
    }
    ck_assert_double_eq_tol(
        law_mix_s(&again, &p.config), law_mix_s(&p.law, &p.config), 1e-3 * p.config.turnover_s);
    /* ... and once more, by six decimals, as the journal has them. */
    struct law third;
    law_init(&third, &p.config, pail_now(&p));
    for (int n = 0; n < LAW_NUMBERS; n++) {
        char text[40];
        snprintf(text, sizeof text, "%.6f", law_number(&again, n));
        law_recall(&third, &p.config, n, strtod(text, NULL));
    }
    for (int n = 0; n < LAW_NUMBERS; n++) {
        ck_assert_double_eq_tol(law_number(&third, n), law_number(&again, n), 5e-5);
    }
}
END_TEST

/* What is known of the level is gone, what is known of the tank isn't: it waits for readings, and
 * what it then gives isn't more than the one that wasn't restarted gives. */
START_TEST(after_a_restart_the_first_doses_are_no_larger)
{
    struct pail p, q;
    learned_pail(&p, (uint64_t)_i);
    pail_run(&p, 6.0);
    p.ec -= 250.0;
    p.alkalinity += 0.1;
    q = p;
    restart(&q.law, &p);
    pail_ask(&q);
    ck_assert_int_eq(q.answer.verdict, LAW_BLIND);
    double before[LAW_STOCKS], after[LAW_STOCKS];
    for (int s = 0; s < LAW_STOCKS; s++) {
        p.largest[s] = q.largest[s] = 0.0;
        before[s] = p.given[s];
        after[s] = q.given[s];
    }
    pail_run(&p, 3.0);
    pail_run(&q, 3.0);
    ck_assert_double_gt(q.given[LAW_FEED], after[LAW_FEED]);
    ck_assert_double_le(q.largest[LAW_FEED], 1.1 * p.largest[LAW_FEED]);
    ck_assert_double_le(
        q.given[LAW_FEED] - after[LAW_FEED], 1.1 * (p.given[LAW_FEED] - before[LAW_FEED]) + 10.0);
    ck_assert_double_le(q.most_ec, p.wish.set_ec_us_cm + p.config.band_ec_us_cm);
    ck_assert_double_ge(q.least_ph, p.wish.set_ph - p.config.band_ph);
}
END_TEST

START_TEST(an_alarms_doubts_outlive_a_restart)
{
    struct pail p;
    learned_pail(&p, (uint64_t)_i);
    p.strength[LAW_FEED] = 0.0;
    double most = 0.0;
    struct law again;
    for (int n = 0; n < 600 && most < 2.0; n++) {
        pail_run(&p, 0.05);
        most = law_number(&p.law, pail_number_named("feed_evidence"));
    }
    ck_assert_double_ge(most, 2.0);
    restart(&again, &p);
    ck_assert_double_eq_tol(law_number(&again, pail_number_named("feed_evidence")), most, 1e-6);
    ck_assert_double_eq_tol(law_number(&again, pail_number_named("feed_silent_sum")),
        law_number(&p.law, pail_number_named("feed_silent_sum")), 1e-6);
}
END_TEST

/* A dose of before the restart counts for the caps, and may still be mixing. */
START_TEST(doses_of_before_count)
{
    struct pail p;
    pail_init(&p, 3);
    p.now_s = 10000.0;
    pail_begin(&p);
    struct law old = p.law;
    const struct mono hour_ago = { pail_now(&p).ms - HOUR_MS }, now = pail_now(&p);
    law_recall_dose(&old, &p.config, LAW_ACID, 1.0, hour_ago);
    ck_assert_double_eq_tol(old.watch[LAW_ACID].hour, real_exp(-1.0), 1e-9);
    ck_assert_double_eq_tol(old.watch[LAW_ACID].day, real_exp(-1.0 / 24.0), 1e-9);
    ck_assert_double_lt(old.watch[LAW_FEED].hour, 1e-12);
    law_recall_dose(&old, &p.config, LAW_FEED, 1400.0, now);
    ck_assert(law_mixing(&old));
    /* 0.9 of the setpoint an hour: 40 are left. */
    p.law = old;
    p.ec = 900.0;
    for (int n = 0; n < 30; n++) {
        pail_pass(&p, 60.0);
        pail_look(&p);
        struct law_wish wish = p.wish;
        wish.at = pail_now(&p);
        const struct law_answer a = law_ask(&p.law, &p.config, &wish);
        const double used = 1400.0 * real_exp(-(n + 1) / 60.0);
        ck_assert_double_le(a.give[LAW_FEED], 0.9 * 1600.0 - used + 1e-6);
    }
    /* Acid of an hour ago: no base for five more. */
    ck_assert(old.watch[LAW_ACID].has_given && old.watch[LAW_ACID].gave.ms == hour_ago.ms);
}
END_TEST

START_TEST(doses_that_cannot_be_are_not_counted)
{
    struct pail p;
    pail_init(&p, 3);
    p.now_s = 10000.0;
    pail_begin(&p);
    static const double amount[] = { NAN, -1.0, 0.0 };
    for (int n = 0; n < 3; n++) {
        law_recall_dose(&p.law, &p.config, LAW_FEED, amount[n], pail_now(&p));
        law_gave(&p.law, &p.config, LAW_FEED, amount[n], true, pail_now(&p));
    }
    ck_assert(!p.law.watch[LAW_FEED].has_given);
    ck_assert_double_eq(p.law.watch[LAW_FEED].hour, 0.0);
    ck_assert(!p.law.episode.runs);
    law_recall_dose(
        &p.law, &p.config, LAW_FEED, 5.0, (struct mono){ 10000001 }); /* it still runs */
    ck_assert(p.law.watch[LAW_FEED].has_given);
    ck_assert_double_eq(p.law.watch[LAW_FEED].hour, 5.0);
}
END_TEST

/* --- what can't be ---------------------------------------------------------------------------- */

static void ck_sane(const struct law *law, const struct law_config *config)
{
    static const struct {
        const char *name;
        double least, most;
    } range[] = { { "feed_gain", 0.1999, 5.0001 }, { "feed_gain_sd", 0.0, 0.5 },
        { "carbon_mmol_l", -5.0, 20.0 }, { "carbon_low_mmol_l", -5.0, 20.0 },
        { "feed_pull", -1.0001, 1.0001 }, { "feed_pull_sd", 0.0, 0.5 },
        { "ec_noise_us_cm", 3.9999, 40.0001 }, { "ph_noise", 0.0079999, 0.0600001 } };
    double sum = 0.0;
    for (int n = 0; n < LAW_NUMBERS; n++) {
        const double value = law_number(law, n);
        ck_assert_msg(isfinite(value), "%s is %g", law_number_name(n), value);
        for (size_t r = 0; r < sizeof range / sizeof range[0]; r++) {
            if (strcmp(range[r].name, law_number_name(n)) != 0) continue;
            ck_assert_msg(value >= range[r].least && value <= range[r].most, "%s is %g",
                law_number_name(n), value);
        }
        if (strncmp(law_number_name(n), "mix_", 4) != 0) continue;
        ck_assert_double_ge(value, 0.0);
        ck_assert_double_le(value, 1.0 + 1e-9);
        sum += value;
    }
    ck_assert_double_eq_tol(sum, 1.0, 1e-6);
    ck_assert(law_mix_s(law, config) > 0.0 && law_mix_s(law, config) <= 1.1 * config->turnover_s);
}

/* What isn't known any more is as it was before anything was learned, never less careful. */
START_TEST(a_gain_that_cannot_be_makes_no_dose_larger)
{
    static const double gain[] = { NAN, -1.0, 0.0, 0.39 };
    struct pail p;
    pail_init(&p, 1);
    pail_begin(&p);
    const int number = pail_number_named("feed_gain");
    const double fresh = law_number(&p.law, number);
    law_recall(&p.law, &p.config, number, gain[_i]);
    ck_assert_double_eq(law_number(&p.law, number), fresh);
}
END_TEST

/* Where less phosphate is in the water than was believed, the law believes in less than no carbon;
 * that is kept before the first reading, too. */
START_TEST(a_restart_makes_no_acid_dose_larger_where_phosphate_is_overestimated)
{
    struct pail p, q;
    pail_init(&p, (uint64_t)_i);
    p.phosphate_share = 0.6;
    p.ec_per_hour = -6.0;
    p.alkalinity_per_hour = 0.02;
    pail_begin(&p);
    pail_run(&p, 96.0);
    q = p;
    law_init(&q.law, &q.config, pail_now(&q));
    for (int n = 0; n < LAW_NUMBERS; n++) {
        law_recall(&q.law, &q.config, n, law_number(&p.law, n));
    }
    const int low = pail_number_named("carbon_low_mmol_l");
    p.alkalinity += 0.1;
    q.alkalinity += 0.1;
    p.largest[LAW_ACID] = q.largest[LAW_ACID] = 0.0;
    pail_run(&p, 4.0);
    pail_run(&q, 4.0);
    ck_assert_double_le(law_number(&q.law, low), law_number(&p.law, low) + 1e-2);
    ck_assert_double_gt(q.largest[LAW_ACID], 0.0);
    ck_assert_double_le(q.largest[LAW_ACID], 1.35 * p.largest[LAW_ACID]);
}
END_TEST

/* The last of several defences: the probe's own guards let no such reading through. */
START_TEST(a_reading_that_is_no_number_is_not_taken_in)
{
    struct pail p;
    pail_init(&p, 1);
    pail_settled(&p);
    pail_begin(&p);
    pail_run(&p, 6.0);
    pail_pass(&p, 60.0);
    const struct law_sight sight = { .at = pail_now(&p),
        .has_ec = true,
        .has_ph = true,
        .ec_us_cm = _i == 0 ? (double)NAN : 1600.0,
        .ph = _i == 0 ? 5.8 : (double)NAN,
        .flows = true };
    (void)law_see(&p.law, &p.config, &sight);
    pail_run(&p, 6.0);
    for (int n = 0; n < LAW_NUMBERS; n++) {
        ck_assert_msg(isfinite(law_number(&p.law, n)), "%s", law_number_name(n));
    }
    ck_assert(!pail_alarmed(&p, LAW_FEED) && !pail_alarmed(&p, LAW_ACID));
}
END_TEST

START_TEST(hostile_numbers_are_brought_into_their_range)
{
    static const double hostile[] = { NAN, INFINITY, -INFINITY, 1e300, -1e300, -1.0, 0.0, 1e-300,
        1e6, -0.0 };
    enum { COUNT = sizeof hostile / sizeof hostile[0] };
    struct pail p;
    for (int h = 0; h < COUNT; h++) {
        pail_init(&p, (uint64_t)h);
        pail_begin(&p);
        for (int n = 0; n < LAW_NUMBERS; n++) {
            law_recall(&p.law, &p.config, n, hostile[h]);
        }
        ck_sane(&p.law, &p.config);
        pail_run(&p, 24.0);
        ck_sane(&p.law, &p.config);
    }
    for (int seed = 0; seed < 200; seed++) { /* mixed */
        pail_init(&p, (uint64_t)seed);
        pail_begin(&p);
        for (int n = 0; n < LAW_NUMBERS; n++) {
            law_recall(&p.law, &p.config, n, hostile[prng_below(&p.chance, COUNT)]);
        }
        ck_sane(&p.law, &p.config);
    }
}
END_TEST

/* --- any order of events ---------------------------------------------------------------------- */

static double wild(struct prng *p, double most)
{
    static const double edge[] = { 0.0, 1e-9, 1e-3, 1.0 };
    return prng_below(p, 8) == 0 ? most * edge[prng_below(p, 4)] : most * prng_unit(p);
}

static void ck_answer(
    const struct law_answer *a, const struct law_wish *wish, const struct law_config *config)
{
    bool gives = false;
    for (int s = 0; s < LAW_STOCKS; s++) {
        ck_assert(isfinite(a->give[s]) && a->give[s] >= 0.0);
        if (!(a->give[s] > 0.0)) continue;
        gives = true;
        ck_assert(config->has[s]);
        ck_assert_double_le(a->give[s], wish->most[s]);
        ck_assert_double_ge(a->give[s], config->smallest[s]);
    }
    ck_assert_int_eq(gives, a->verdict == LAW_GIVES);
    ck_assert(!(a->give[LAW_ACID] > 0.0 && a->give[LAW_BASE] > 0.0));
    ck_assert(isfinite(a->ec_rise_us_cm) && a->ec_rise_us_cm >= 0.0);
    ck_assert_double_le(a->ec_rise_us_cm, wish->rise_most_us_cm * (1.0 + 1e-9));
    ck_assert(isfinite(a->ph_move));
    const struct law_why *why = &a->why;
    const double told[] = { why->ec_us_cm, why->ec_sd, why->ec_per_hour, why->ph, why->ph_sd,
        why->ph_per_hour, why->buffer_meq_l, why->carbon_mmol_l, why->gain[0], why->gain_sd[0],
        why->gain[1], why->gain_sd[1], why->mix_s };
    for (size_t i = 0; i < sizeof told / sizeof told[0]; i++) {
        ck_assert_msg(isfinite(told[i]), "number %zu of why", i);
    }
}

static bool ask_wildly(const struct pail *p, struct prng *chance)
{
    struct law_wish wish = { .at = pail_now(p),
        .set_ec_us_cm = 200.0 + wild(chance, 5000.0),
        .set_ph = 4.0 + 4.0 * prng_unit(chance),
        .most = { wild(chance, 2000.0), wild(chance, 3.0), wild(chance, 3.0) },
        .rise_most_us_cm = wild(chance, 2000.0),
        .move_most_ph = wild(chance, 3.0) };
    const struct law_answer a = law_ask(&p->law, &p->config, &wish);
    ck_answer(&a, &wish, &p->config);
    return a.verdict == LAW_GIVES;
}

static void do_something(struct pail *p, struct prng *chance)
{
    static const double seconds[] = { 0.0, 0.1, 1.0, 10.0, 60.0, 600.0, 4000.0, 90000.0 };
    p->now_s += seconds[prng_below(chance, 8)] * prng_unit(chance);
    const struct mono now = pail_now(p);
    const enum law_stock stock = (enum law_stock)prng_below(chance, LAW_STOCKS);
    switch (prng_below(chance, 12)) {
    case 0:
        law_gave(&p->law, &p->config, stock, wild(chance, stock == LAW_FEED ? 2000.0 : 3.0),
            prng_below(chance, 4) != 0, now);
        break;
    case 1:
        if (prng_below(chance, 8) == 0) law_disturb(&p->law, &p->config, now);
        break;
    case 2:
        law_acknowledge(&p->law, stock);
        break;
    case 3:
        if (prng_below(chance, 16) != 0) break;
        {
            struct law again;
            restart(&again, p);
            p->law = again;
            for (int n = 0; n < 5; n++) {
                const struct mono at = { now.ms - prng_below(chance, DAY_MS) };
                law_recall_dose(&p->law, &p->config, stock, wild(chance, 3.0), at);
            }
        }
        break;
    case 4:
        p->ec = wild(chance, 9000.0); /* a new place to be in */
        p->alkalinity = 14.0 * prng_unit(chance);
        break;
    default: {
        const struct law_sight sight = { .at = now,
            .has_ec = prng_below(chance, 5) != 0,
            .has_ph = prng_below(chance, 5) != 0,
            .ec_us_cm = fabs(p->ec + 10.0 * prng_normal(chance)),
            .ph = p->alkalinity, /* as a pH: anything from 0 to 14 */
            .flows = prng_below(chance, 6) != 0 };
        (void)law_see(&p->law, &p->config, &sight);
    }
    }
}

START_TEST(no_order_of_events_leads_to_an_amount_that_cannot_be) /* _i is the seed */
{
    enum { EVENTS = 12500 }; /* eight times: 10^5 */
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    p.config.turnover_s = _i % 2 ? 120.0 : 2400.0;
    p.config.alkalinity_meq_l = 0.5 * _i;
    p.config.has[LAW_BASE] = _i % 3 != 0;
    pail_begin(&p);
    struct prng chance = prng_seed(900 + (uint64_t)_i);
    int gives = 0;
    for (int n = 0; n < EVENTS; n++) {
        do_something(&p, &chance);
        gives += ask_wildly(&p, &chance);
        if (n % 50 == 0) ck_sane(&p.law, &p.config);
        ck_assert(law_mixing_left_s(&p.law, &p.config) >= 0.0);
        for (int s = 0; s < LAW_STOCKS; s++) {
            ck_assert(p.law.watch[s].hour >= 0.0 && p.law.watch[s].day >= 0.0);
            ck_assert(law_effect_of(&p.law, &p.config, (enum law_stock)s, 0.1) >= 0.0);
        }
    }
    ck_assert_int_gt(gives, 0);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("law_keep");
    tcase_set_timeout(t, 120);
    tcase_add_test(t, each_number_has_a_name_of_its_own);
    tcase_add_loop_test(t, what_was_learned_comes_back_as_it_was, 0, 4);
    tcase_add_loop_test(t, after_a_restart_the_first_doses_are_no_larger, 0, 8);
    tcase_add_loop_test(t, an_alarms_doubts_outlive_a_restart, 0, 4);
    tcase_add_test(t, doses_of_before_count);
    tcase_add_test(t, doses_that_cannot_be_are_not_counted);
    tcase_add_test(t, hostile_numbers_are_brought_into_their_range);
    tcase_add_loop_test(t, no_order_of_events_leads_to_an_amount_that_cannot_be, 0, 8);
    tcase_add_loop_test(t, a_gain_that_cannot_be_makes_no_dose_larger, 0, 4);
    tcase_add_loop_test(
        t, a_restart_makes_no_acid_dose_larger_where_phosphate_is_overestimated, 0, 4);
    tcase_add_loop_test(t, a_reading_that_is_no_number_is_not_taken_in, 0, 2);
    return run_case(t, "law_keep");
}
