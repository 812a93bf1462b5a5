/* The control law in a small exact tank: what it gives, what it never gives, what it learns of the
 * tank. Alarms and restarts have programs of their own. */
#include "tests/unit/control/pail.h"

static const double high_ec = 1700.0, low_ph = 5.6; /* the bands' edges that a dose could pass */

static void ck_not_passed(const struct pail *p)
{
    ck_assert_double_le(p->most_ec, high_ec);
    ck_assert_double_ge(p->least_ph, low_ph);
}

static enum law_verdict asked(struct pail *p)
{
    struct law_wish wish = p->wish;
    wish.at = pail_now(p);
    p->answer = law_ask(&p->law, &p->config, &wish);
    return p->answer.verdict;
}

static void rest(struct pail *p, double hours)
{
    for (int n = 0; n < (int)(hours * 60.0); n++) {
        pail_pass(p, 60.0);
        pail_look(p);
    }
}

/* Nine tanks, stocks up to 15 % off their label, drift as a crop makes it. */
START_TEST(fresh_water_comes_into_the_bands_and_never_passes_them) /* _i is tank and seed */
{
    static const double turnover_s[] = { 600.0, 1200.0, 3600.0 }, alkalinity[] = { 0.5, 2.0, 4.0 };
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    p.config.turnover_s = turnover_s[_i % 3];
    p.mix_s = (0.35 + 0.1 * (_i / 9 % 4)) * p.config.turnover_s;
    p.config.alkalinity_meq_l = p.alkalinity = alkalinity[_i / 3 % 3];
    p.carbon = 1.03 * p.alkalinity;
    p.strength[LAW_FEED] = 0.85 + 0.3 * prng_unit(&p.chance);
    p.strength[LAW_ACID] = 0.95 + 0.1 * prng_unit(&p.chance);
    p.ec_per_hour = -4.0;
    pail_begin(&p);
    bool reached = false;
    const double most_s = 5400.0 + 20.0 * p.config.turnover_s;
    while (p.now_s < most_s && !reached) {
        pail_step(&p);
        reached = pail_in_band(&p);
    }
    ck_assert_msg(reached, "EC %.0f pH %.2f after %.1f h", p.ec, pail_ph(&p), p.now_s / 3600.0);
    int outside = 0;
    for (int n = 0; n < 36 * 60; n++) {
        pail_step(&p);
        outside += !pail_in_band(&p);
    }
    ck_assert_int_lt(outside, 36 * 60 / 20);
    ck_not_passed(&p);
    for (int s = 0; s < LAW_STOCKS; s++) {
        ck_assert(!pail_alarmed(&p, (enum law_stock)s));
    }
}
END_TEST

/* pail_ask checks each dose against 'most' and the smallest one. */
START_TEST(no_dose_is_above_what_is_left_or_below_the_smallest)
{
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    p.ec_per_hour = -20.0;
    p.alkalinity_per_hour = 0.02;
    p.config.has[LAW_BASE] = _i % 2 == 0;
    p.config.smallest[LAW_FEED] = 15.0;
    p.config.smallest[LAW_ACID] = 0.02;
    pail_begin(&p);
    int tight = 0;
    for (int n = 0; n < 3 * 24 * 60; n++) {
        p.wish.most[LAW_FEED] = 60.0 * prng_unit(&p.chance);
        p.wish.most[LAW_ACID] = 0.08 * prng_unit(&p.chance);
        p.wish.rise_most_us_cm = 60.0 * prng_unit(&p.chance);
        p.wish.move_most_ph = 0.3 * prng_unit(&p.chance);
        pail_step(&p);
        if (p.answer.verdict != LAW_GIVES) continue;
        ck_assert_double_le(p.answer.ec_rise_us_cm, p.wish.rise_most_us_cm * (1.0 + 1e-9));
        ck_assert_double_le(fabs(p.answer.ph_move), p.wish.move_most_ph + 1e-3);
        tight += p.answer.give[LAW_FEED] >= 0.999 * p.wish.most[LAW_FEED];
        tight += p.answer.give[LAW_ACID] >= 0.999 * p.wish.most[LAW_ACID];
    }
    ck_assert_int_gt(p.doses[LAW_FEED], 5);
    ck_assert_int_gt(p.doses[LAW_ACID], 10);
    ck_assert_int_gt(tight, 5); /* what is left did bind */
    ck_assert_int_eq(p.config.has[LAW_BASE] ? 0 : p.doses[LAW_BASE], 0);
}
END_TEST

/* One dose at most 0.45 of the setpoint, an hour 0.9, a day 1.25, each leaking away; acid by the
 * source's alkalinity. A tank that mixes at once, and takes all it gets. */
START_TEST(caps_of_an_hour_and_a_day_hold_whatever_is_wanted)
{
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    p.config.turnover_s = 60.0;
    p.mix_s = 20.0;
    p.look_s = 10.0;
    p.ec_per_hour = -2500.0; /* no crop does that */
    p.alkalinity_per_hour = 3.0;
    pail_begin(&p);
    double hour[2] = { 0.0 }, day[2] = { 0.0 };
    const double hour_cap[] = { 0.9 * 1600.0, 2.0 + 0.5 },
                 day_cap[] = { 1.25 * 1600.0, 1.5 * 2.0 + 0.5 };
    for (int n = 0; n < 6 * 360; n++) {
        const double before[2] = { p.given[0], p.given[1] };
        pail_step(&p);
        for (int s = 0; s < 2; s++) {
            const double given = p.given[s] - before[s];
            hour[s] = hour[s] * real_exp(-10.0 / 3600.0) + given;
            day[s] = day[s] * real_exp(-10.0 / 86400.0) + given;
            ck_assert_double_le(hour[s], hour_cap[s] + 1e-6);
            ck_assert_double_le(day[s], day_cap[s] + 1e-6);
            ck_assert_double_eq_tol(p.law.watch[s].hour, hour[s], 1e-6 * hour_cap[s]);
            ck_assert_double_eq_tol(p.law.watch[s].day, day[s], 1e-6 * day_cap[s]);
        }
    }
    ck_assert_double_gt(day[LAW_FEED], 0.5 * day_cap[LAW_FEED]);
}
END_TEST

/* Well known water and a stock that works: what binds is one cap after the other. */
START_TEST(each_cap_binds_when_it_is_the_least)
{
    struct pail p;
    pail_init(&p, 2);
    pail_settled(&p);
    p.ec = 350.0;
    p.co2_per_hour = 0.0;
    const struct buffer b = pail_curve(&p);
    p.alkalinity = buffer_alkalinity(&b, 7.5);
    pail_begin(&p);
    law_recall(&p.law, &p.config, 1, 0.02); /* deviation of the feed's strength */
    rest(&p, 4.0);
    for (int s = 0; s < 2; s++) {
        p.law.watch[s].has_shown = true;
        p.law.watch[s].showed = pail_now(&p);
    }
    ck_assert_int_eq(asked(&p), LAW_GIVES);
    ck_assert_double_eq_tol(p.answer.give[LAW_FEED], 0.45 * 1600.0, 1e-6);
    p.law.watch[LAW_FEED].hour = 0.9 * 1600.0 - 50.0;
    ck_assert_int_eq(asked(&p), LAW_GIVES);
    ck_assert_double_eq_tol(p.answer.give[LAW_FEED], 50.0, 1e-6);
    p.law.watch[LAW_FEED].day = 1.25 * 1600.0 - 40.0;
    ck_assert_int_eq(asked(&p), LAW_GIVES);
    ck_assert_double_eq_tol(p.answer.give[LAW_FEED], 40.0, 1e-6);
    p.law.watch[LAW_FEED].day = 1.25 * 1600.0 - 2.0;
    (void)asked(&p);
    ck_assert_double_le(p.answer.give[LAW_FEED], 0.0);
    ck_assert_double_gt(p.answer.give[LAW_ACID], 0.06);
    p.law.watch[LAW_ACID].hour = 2.0 + 0.5 - 0.05;
    ck_assert_int_eq(asked(&p), LAW_GIVES);
    ck_assert_double_eq_tol(p.answer.give[LAW_ACID], 0.05, 1e-6);
    p.law.watch[LAW_ACID].day = 1.5 * 2.0 + 0.5 - 0.04;
    ck_assert_int_eq(asked(&p), LAW_GIVES);
    ck_assert_double_eq_tol(p.answer.give[LAW_ACID], 0.04, 1e-6);
}
END_TEST

START_TEST(no_base_within_six_hours_of_acid)
{
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    pail_settled(&p);
    p.co2_per_hour = 0.0;
    p.alkalinity += 0.3;
    pail_begin(&p);
    for (int n = 0; n < 600 && p.doses[LAW_ACID] == 0; n++) {
        pail_step(&p);
    }
    ck_assert_int_gt(p.doses[LAW_ACID], 0);
    p.alkalinity -= 0.5; /* far below the band: nobody knows why */
    int quiet = 0;
    while (p.now_s < 24.0 * 3600.0 && p.doses[LAW_BASE] == 0) {
        const double acid_s = p.gave_s[LAW_ACID];
        pail_step(&p);
        quiet += p.answer.verdict == LAW_QUIET && p.answer.wanted == LAW_BASE;
        ck_assert_double_le(p.gave_s[LAW_ACID], acid_s);
    }
    ck_assert_int_gt(p.doses[LAW_BASE], 0);
    ck_assert_int_gt(quiet, 3 * 60); /* and says so */
    const double after_s = p.gave_s[LAW_BASE] - p.gave_s[LAW_ACID];
    ck_assert_double_ge(after_s, 6.0 * 3600.0);
    ck_assert_double_le(after_s, 8.0 * 3600.0);
    pail_run(&p, 12.0);
    ck_assert(pail_in_band(&p));
}
END_TEST

/* --- what isn't known ------------------------------------------------------------------------- */

/* The members of a sight that has nothing aren't looked at. */
START_TEST(a_channel_that_was_never_seen_lets_nothing_be_given) /* _i: which ones are seen */
{
    struct pail p;
    pail_init(&p, 1);
    pail_begin(&p);
    for (int n = 0; n < 12 * 60; n++) {
        pail_pass(&p, 60.0);
        const struct law_sight sight = { .at = pail_now(&p),
            .has_ec = _i == 1,
            .has_ph = _i == 2,
            .ec_us_cm = _i == 1 ? 350.0 : NAN,
            .ph = _i == 2 ? 7.5 : NAN,
            .flows = true };
        (void)law_see(&p.law, &p.config, &sight);
        pail_ask(&p);
        ck_assert_int_eq(p.answer.verdict, LAW_BLIND);
    }
    ck_assert_int_eq(p.doses[LAW_FEED] + p.doses[LAW_ACID] + p.doses[LAW_BASE], 0);
    /* ... and then they come. */
    pail_run(&p, 6.0);
    ck_assert_int_gt(p.doses[LAW_FEED], 0);
    ck_not_passed(&p);
}
END_TEST

START_TEST(a_look_too_soon_takes_nothing_in)
{
    struct pail p;
    pail_init(&p, 1);
    pail_begin(&p);
    pail_run(&p, 1.0);
    const struct law before = p.law;
    struct law_sight sight = { .at = { pail_now(&p).ms + 500 },
        .has_ec = true,
        .has_ph = true,
        .ec_us_cm = 9000.0,
        .ph = 2.0,
        .flows = true };
    ck_assert(!law_see(&p.law, &p.config, &sight));
    ck_assert_mem_eq(&before, &p.law, sizeof before);
    sight.at.ms += 60000;
    sight.has_ec = sight.has_ph = false;
    ck_assert(!law_see(&p.law, &p.config, &sight));
    ck_assert_mem_eq(&before, &p.law, sizeof before);
}
END_TEST

/* A single wrong reading among good ones is no reason for anything. */
START_TEST(a_spike_gives_no_dose)
{
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    pail_settled(&p);
    p.co2_per_hour = 0.0;
    pail_begin(&p);
    pail_run(&p, 6.0);
    const double given = p.given[LAW_FEED], acid = p.given[LAW_ACID];
    for (int n = 0; n < 10; n++) {
        pail_pass(&p, 60.0);
        const struct law_sight sight = { pail_now(&p), true, true, _i % 2 ? 600.0 : 1600.0,
            _i % 2 ? 5.8 : 7.5, true, false };
        ck_assert(law_see(&p.law, &p.config, &sight));
        pail_ask(&p);
        for (int k = 0; k < 20; k++) {
            pail_step(&p);
        }
    }
    ck_assert_double_le(p.given[LAW_FEED], given + 1e-9);
    ck_assert_double_le(p.given[LAW_ACID], acid + 0.01);
    ck_not_passed(&p);
}
END_TEST

/* The first feed of an unknown tank is small, and until it has shown no second one follows. */
START_TEST(what_has_not_shown_that_it_works_gets_little)
{
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    p.strength[LAW_FEED] = p.strength[LAW_ACID] = 0.0;
    p.pull = 0.0;
    pail_begin(&p);
    pail_run(&p, 0.5);
    ck_assert_int_eq(p.doses[LAW_FEED], 1);
    ck_assert_double_le(p.largest[LAW_FEED], 150.0);
    ck_assert_int_le(p.doses[LAW_ACID], 1);
    ck_assert_double_le(p.largest[LAW_ACID], 0.35);
}
END_TEST

/* --- verdicts --------------------------------------------------------------------------------- */

START_TEST(each_verdict_has_its_reason)
{
    struct pail p;
    pail_init(&p, 2);
    pail_settled(&p);
    p.co2_per_hour = 0.0;
    pail_begin(&p);
    ck_assert_int_eq(asked(&p), LAW_BLIND);
    rest(&p, 4.0);
    ck_assert_int_eq(asked(&p), LAW_CONTENT);
    p.wish.set_ec_us_cm = 1450.0;
    ck_assert_int_eq(asked(&p), LAW_WANTS_WATER);
    p.wish.set_ec_us_cm = 1800.0; /* a setpoint asks for no news */
    ck_assert_int_eq(asked(&p), LAW_GIVES);
    ck_assert_double_gt(p.answer.give[LAW_FEED], 50.0);
    ck_assert_double_eq_tol(p.answer.ec_rise_us_cm, p.answer.give[LAW_FEED], 20.0);
    ck_assert_double_eq_tol(p.answer.why.ec_us_cm, 1600.0, 15.0);
    ck_assert_double_eq_tol(p.answer.why.ph, 5.8, 0.03);
    p.wish.most[LAW_FEED] = 2.9;
    ck_assert_int_eq(asked(&p), LAW_HELD);
    ck_assert_int_eq(p.answer.wanted, LAW_FEED);
    p.wish.most[LAW_FEED] = 1e9;
    /* 180 are wanted; 300 are left to the edge, and a strength that is only known to a fifth. */
    p.config.smallest[LAW_FEED] = 168.0;
    ck_assert_int_eq(asked(&p), LAW_COARSE);
    ck_assert_int_eq(p.answer.wanted, LAW_FEED);
    p.config.smallest[LAW_FEED] = 900.0;
    ck_assert_int_eq(asked(&p), LAW_SMALL);
    p.config.has[LAW_FEED] = false;
    ck_assert_int_eq(asked(&p), LAW_NO_STOCK);
    p.wish.set_ec_us_cm = 1600.0;
    p.wish.set_ph = 5.4;
    ck_assert_int_eq(asked(&p), LAW_GIVES);
    ck_assert_double_gt(p.answer.give[LAW_ACID], 0.02);
    ck_assert(p.answer.ph_move < 0.0 && p.answer.ph_move > -0.45);
    ck_assert_double_lt(p.answer.give[LAW_BASE], 1e-12);
    p.wish.set_ph = 6.2;
    ck_assert_int_eq(asked(&p), LAW_GIVES);
    ck_assert_double_gt(p.answer.give[LAW_BASE], 0.02);
    ck_assert(p.answer.ph_move > 0.0 && p.answer.ph_move < 0.45);
    const struct law_sight spike = { .at = { pail_now(&p).ms + 60000 },
        .has_ec = true,
        .has_ph = true,
        .ec_us_cm = 900.0,
        .ph = 5.8,
        .flows = true };
    ck_assert(law_see(&p.law, &p.config, &spike));
    ck_assert_int_eq(asked(&p), LAW_BLIND); /* what was that? */
    rest(&p, 0.1);
    p.config.has[LAW_BASE] = false;
    ck_assert_int_eq(asked(&p), LAW_NO_STOCK);
    ck_assert_int_eq(p.answer.wanted, LAW_BASE);
}
END_TEST

START_TEST(effects_are_told_by_what_was_learned)
{
    struct pail p;
    pail_init(&p, 2);
    pail_settled(&p);
    p.co2_per_hour = 0.0;
    pail_begin(&p);
    rest(&p, 4.0);
    ck_assert_double_eq_tol(law_effect_of(&p.law, &p.config, LAW_FEED, 100.0), 108.0, 1e-6);
    law_recall(&p.law, &p.config, 0, 1.25);
    ck_assert_double_eq_tol(law_effect_of(&p.law, &p.config, LAW_FEED, 100.0), 125.0, 1e-6);
    const struct buffer b = law_buffer(&p.law, &p.config);
    const double moved = 0.05 / buffer_slope(&b, 5.8);
    ck_assert_double_eq_tol(law_effect_of(&p.law, &p.config, LAW_ACID, 0.05), moved, 0.25 * moved);
    ck_assert_double_eq_tol(law_effect_of(&p.law, &p.config, LAW_BASE, 0.05), moved, 0.25 * moved);
}
END_TEST

/* --- what is learned -------------------------------------------------------------------------- */

/* Only feed, as a crop takes it; pH stays where it is. */
static void feed_alone(struct pail *p, uint64_t seed)
{
    pail_init(p, seed);
    pail_settled(p);
    p->ec = 350.0;
    p->pull = p->co2_per_hour = 0.0;
    const struct buffer b = pail_curve(p);
    p->alkalinity = buffer_alkalinity(&b, 5.8);
    p->ec_per_hour = -8.0;
    p->config.has[LAW_ACID] = p->config.has[LAW_BASE] = false;
}

/* A tenth. Measured: 0.66 for 0.7, 1.19 for 1.3: what isn't mixed yet when a dose is judged is
 * missing. */
START_TEST(the_strength_of_feed_is_learned_within_a_tenth) /* _i: 0.7, 1.0, 1.3 */
{
    enum { SEEDS = 8 };
    const double truth = 0.7 + 0.3 * _i;
    for (int seed = 0; seed < SEEDS; seed++) {
        struct pail p;
        feed_alone(&p, (uint64_t)seed);
        p.strength[LAW_FEED] = truth;
        pail_begin(&p);
        pail_run(&p, 72.0);
        ck_assert_double_eq_tol(law_number(&p.law, 0) / truth, 1.0, 0.1);
        ck_assert_double_le(p.most_ec, high_ec);
    }
}
END_TEST

/* The law's guesses are a quarter apart. */
START_TEST(the_mixing_time_is_learned_within_a_step_of_the_guesses) /* _i: 0.35 to 1.0 */
{
    const double truth = 0.35 + 0.13 * _i;
    for (int seed = 0; seed < 4; seed++) {
        struct pail p;
        feed_alone(&p, (uint64_t)seed);
        p.mix_s = truth * p.config.turnover_s;
        pail_begin(&p);
        const double before = fabs(real_log(law_mix_s(&p.law, &p.config) / p.mix_s));
        pail_run(&p, 72.0);
        const double after = fabs(real_log(law_mix_s(&p.law, &p.config) / p.mix_s));
        ck_assert_double_le(after, real_log(1.25));
        if (before > 0.3) ck_assert_double_lt(after, before);
    }
}
END_TEST

/* Outcomes that nobody is sure of count in full and teach nothing. */
START_TEST(unsure_doses_teach_nothing)
{
    struct pail p;
    feed_alone(&p, (uint64_t)_i);
    p.strength[LAW_FEED] = 0.7;
    p.unsure = true;
    pail_begin(&p);
    const double before = law_number(&p.law, 0);
    pail_run(&p, 48.0);
    ck_assert_int_gt(p.doses[LAW_FEED], 5);
    ck_assert_double_eq_tol(law_number(&p.law, 0), before, 1e-9);
    ck_assert(!pail_alarmed(&p, LAW_FEED));
}
END_TEST

/* --- when it looks ---------------------------------------------------------------------------- */

START_TEST(any_sampling_leads_into_the_bands) /* _i: how, and the seed */
{
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    p.ec_per_hour = -6.0;
    p.alkalinity_per_hour = 0.005;
    const int how = _i % 5;
    static const double every_s[] = { 1.0, 60.0, 60.0, 20.0, 300.0 };
    p.look_s = every_s[how];
    p.by_turns = how == 3;
    pail_begin(&p);
    while (p.now_s < 30.0 * 3600.0) {
        pail_run(&p, 0.25 + 0.25 * prng_unit(&p.chance));
        if (how == 2) pail_pass(&p, 60.0 * (prng_below(&p.chance, 4) ? 9.0 : 90.0));
    }
    if (how == 2) pail_run(&p, 3.0);
    ck_assert_msg(pail_in_band(&p), "EC %.0f pH %.2f", p.ec, pail_ph(&p));
    ck_not_passed(&p);
    for (int s = 0; s < LAW_STOCKS; s++) {
        ck_assert(!pail_alarmed(&p, (enum law_stock)s));
    }
}
END_TEST

/* The pump has stopped in the middle of mixing: it goes on when the pump does. */
START_TEST(without_flow_nothing_mixes_and_nothing_is_concluded)
{
    struct pail p;
    pail_init(&p, (uint64_t)_i);
    pail_settled(&p);
    p.co2_per_hour = 0.0;
    pail_begin(&p);
    pail_run(&p, 6.0);
    const double gain = law_number(&p.law, 0);
    pail_give(&p, LAW_FEED, 60.0);
    pail_give(&p, LAW_ACID, 0.03);
    const double left_s = law_mixing_left_s(&p.law, &p.config);
    ck_assert_double_gt(left_s, 600.0);
    const int64_t feeds = p.doses[LAW_FEED], acids = p.doses[LAW_ACID];
    p.still = true;
    p.wish.set_ec_us_cm = 1900.0;
    pail_run(&p, 24.0);
    ck_assert(law_mixing(&p.law));
    ck_assert_double_eq_tol(law_mixing_left_s(&p.law, &p.config), left_s, 1e-6);
    ck_assert_int_eq(p.doses[LAW_FEED], feeds);
    ck_assert_int_eq(p.doses[LAW_ACID], acids);
    ck_assert_double_eq_tol(law_number(&p.law, 0), gain, 1e-6);
    ck_assert(!pail_alarmed(&p, LAW_FEED) && !pail_alarmed(&p, LAW_ACID));
    p.still = false;
    pail_run(&p, 12.0);
    ck_assert(!pail_alarmed(&p, LAW_FEED) && !pail_alarmed(&p, LAW_ACID));
    ck_assert_double_eq_tol(p.ec, 1900.0, 100.0);
}
END_TEST

/* What isn't mixed fades with the time constant of each guess, of time with flow alone. */
START_TEST(what_is_not_mixed_fades_with_flow_alone)
{
    static struct pail p;
    pail_init(&p, 1);
    pail_begin(&p);
    rest(&p, 3.0);
    const double effect = law_effect_of(&p.law, &p.config, LAW_FEED, 100.0);
    pail_give(&p, LAW_FEED, 100.0);
    struct law still = p.law, flowing = p.law;
    const struct mono later = mono_after(pail_now(&p), 10 * MINUTE_MS);
    law_advance(&still, &p.config, later, false);
    law_advance(&flowing, &p.config, later, true);
    for (int g = 0; g < LAW_GUESSES; g++) {
        const double was = p.law.pair[g].ec.x[EC_UNMIXED];
        const double kept = real_exp(-600.0 / law_pace_s(&p.config, g));
        ck_assert_double_eq_tol(was, effect * law_place(g), 1e-9);
        ck_assert_double_eq_tol(still.pair[g].ec.x[EC_UNMIXED], was, 1e-9);
        ck_assert_double_eq_tol(flowing.pair[g].ec.x[EC_UNMIXED], kept * was, 1e-6);
    }
}
END_TEST

/* Less than no carbon makes up for phosphate that isn't there, down to -0.16 of it; the low end is
 * never above what is likely, and pH stays what it was. */
START_TEST(carbon_stays_in_its_range)
{
    struct pail p;
    pail_init(&p, 1);
    pail_settled(&p);
    pail_begin(&p);
    rest(&p, 3.0);
    const double least = -0.16 * law_buffer(&p.law, &p.config).phosphate;
    static const double carbon[] = { 1.0, 0.2, -9.0, NAN, 0.4 },
                        low[] = { 2.0, -9.0, 0.0, -9.0, 0.1 };
    for (int n = 0; n < 5; n++) {
        const struct filter before = law_all_ph(&p.law);
        const double ph = law_ph_of(&p.law, &p.config, 1600.0, p.law.carbon, before.x[PH_LEVEL]);
        law_set_carbon(&p.law, &p.config, carbon[n], low[n]);
        ck_assert_double_ge(p.law.carbon, least - 1e-12);
        ck_assert_double_ge(p.law.carbon_low, least - 1e-12);
        ck_assert_double_le(p.law.carbon_low, p.law.carbon);
        if (carbon[n] > 0.0) ck_assert_double_eq_tol(p.law.carbon, carbon[n], 1e-12);
        const struct filter after = law_all_ph(&p.law);
        ck_assert_double_eq_tol(
            law_ph_of(&p.law, &p.config, 1600.0, p.law.carbon, after.x[PH_LEVEL]), ph, 0.02);
    }
}
END_TEST

START_TEST(the_same_sights_give_the_same_doses)
{
    static struct pail p, q;
    pail_init(&p, (uint64_t)_i);
    p.ec_per_hour = -8.0;
    p.alkalinity_per_hour = 0.02;
    q = p;
    pail_begin(&p);
    pail_begin(&q);
    for (int n = 0; n < 24 * 60; n++) {
        pail_step(&p);
        pail_step(&q);
        ck_assert_mem_eq(&p.answer.give, &q.answer.give, sizeof p.answer.give);
    }
    for (int n = 0; n < LAW_NUMBERS; n++) {
        ck_assert(law_number(&p.law, n) == law_number(&q.law, n));
    }
    ck_assert_int_gt(p.doses[LAW_FEED] + p.doses[LAW_ACID], 10);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("law");
    tcase_set_timeout(t, 120);
    tcase_add_loop_test(t, fresh_water_comes_into_the_bands_and_never_passes_them, 0, 72);
    tcase_add_loop_test(t, no_dose_is_above_what_is_left_or_below_the_smallest, 0, 4);
    tcase_add_loop_test(t, caps_of_an_hour_and_a_day_hold_whatever_is_wanted, 0, 2);
    tcase_add_test(t, each_cap_binds_when_it_is_the_least);
    tcase_add_loop_test(t, no_base_within_six_hours_of_acid, 0, 6);
    tcase_add_loop_test(t, a_channel_that_was_never_seen_lets_nothing_be_given, 0, 3);
    tcase_add_test(t, a_look_too_soon_takes_nothing_in);
    tcase_add_loop_test(t, a_spike_gives_no_dose, 0, 4);
    tcase_add_loop_test(t, what_has_not_shown_that_it_works_gets_little, 0, 4);
    tcase_add_test(t, each_verdict_has_its_reason);
    tcase_add_test(t, effects_are_told_by_what_was_learned);
    tcase_add_loop_test(t, the_strength_of_feed_is_learned_within_a_tenth, 0, 3);
    tcase_add_loop_test(t, the_mixing_time_is_learned_within_a_step_of_the_guesses, 0, 6);
    tcase_add_loop_test(t, unsure_doses_teach_nothing, 0, 3);
    tcase_add_loop_test(t, any_sampling_leads_into_the_bands, 0, 20);
    tcase_add_loop_test(t, without_flow_nothing_mixes_and_nothing_is_concluded, 0, 4);
    tcase_add_test(t, what_is_not_mixed_fades_with_flow_alone);
    tcase_add_test(t, carbon_stays_in_its_range);
    tcase_add_loop_test(t, the_same_sights_give_the_same_doses, 0, 2);
    return run_case(t, "law");
}
