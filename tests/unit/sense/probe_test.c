#include "lib/sense/probe.h"

#include <math.h>
#include <string.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

enum { EVERY_MS = 10000, MAX_AGE_MS = 60000, SEEDS = 50 };

static const struct probe_config PH = { .present = true,
    .quantity = PROBE_PH,
    .unit = UNIT_PH,
    .least = 2.0,
    .most = 11.0,
    .max_age_ms = MAX_AGE_MS,
    .jump_most = 0.3 };

static struct mono at(int64_t ms)
{
    return (struct mono){ ms };
}

static enum probe_verdict take(
    struct probe *p, const struct probe_config *c, double number, int64_t now_ms)
{
    return probe_take(p, c, number, false, (double)NAN, at(now_ms));
}

static enum probe_quality quality(
    const struct probe *p, const struct probe_config *c, int64_t now_ms)
{
    return probe_quality_at(p, c, at(now_ms));
}

/* Three good readings of 'value', the last at 'now_ms'. */
static struct probe settled(const struct probe_config *c, double value, int64_t now_ms)
{
    struct probe p;
    probe_init(&p);
    take(&p, c, value, now_ms - 2 * EVERY_MS);
    take(&p, c, value, now_ms - EVERY_MS);
    ck_assert_int_eq(take(&p, c, value, now_ms), PROBE_OK);
    return p;
}

START_TEST(nothing_is_known_at_first)
{
    struct probe p;
    probe_init(&p);
    ck_assert_int_eq(quality(&p, &PH, 0), PROBE_NONE);
}
END_TEST

START_TEST(a_value_is_trusted_from_the_second_reading_that_agrees)
{
    struct probe p;
    probe_init(&p);
    ck_assert_int_eq(take(&p, &PH, 6.0, 0), PROBE_JUMPED);
    ck_assert_int_eq(quality(&p, &PH, 0), PROBE_NONE);
    ck_assert(!p.has_value);
    ck_assert_int_eq(take(&p, &PH, 6.2, 10000), PROBE_OK);
    ck_assert_double_eq_tol(p.value, 6.1, 1e-12);
    ck_assert_int_eq(p.at.ms, 10000);
    ck_assert_int_eq(quality(&p, &PH, 10000), PROBE_GOOD);
    ck_assert_int_eq(take(&p, &PH, 6.25, 20000), PROBE_OK);
    ck_assert_double_eq(p.value, 6.2);
}
END_TEST

START_TEST(a_first_reading_that_the_second_contradicts_is_forgotten)
{
    struct probe p;
    probe_init(&p);
    ck_assert_int_eq(take(&p, &PH, 3.0, 0), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, &PH, 6.0, 10000), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, &PH, 6.1, 20000), PROBE_OK);
    ck_assert_double_eq_tol(p.value, 6.05, 1e-12);
}
END_TEST

START_TEST(without_a_jump_guard_it_takes_three_and_their_median)
{
    struct probe_config c = PH;
    c.jump_most = 0.0;
    struct probe p;
    probe_init(&p);
    ck_assert_int_eq(take(&p, &c, 6.0, 0), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, &c, 9.0, 10000), PROBE_JUMPED); /* a spike among the first */
    ck_assert_int_eq(take(&p, &c, 6.1, 20000), PROBE_OK);
    ck_assert_double_eq(p.value, 6.1);
    ck_assert_int_eq(take(&p, &c, 2.5, 30000), PROBE_OK); /* and one that dips */
    ck_assert_double_eq(p.value, 6.1);
    ck_assert_int_eq(take(&p, &c, 6.2, 40000), PROBE_OK);
    ck_assert_double_eq(p.value, 6.1);
}
END_TEST

START_TEST(the_median_is_right_in_every_order)
{
    static const double order[6][3] = { { 1, 2, 3 }, { 1, 3, 2 }, { 2, 1, 3 }, { 2, 3, 1 },
        { 3, 1, 2 }, { 3, 2, 1 } };
    struct probe_config c = PH;
    c.jump_most = 0.0;
    for (int i = 0; i < 6; i++) {
        struct probe p;
        probe_init(&p);
        for (int k = 0; k < 3; k++) {
            take(&p, &c, 5.0 + order[i][k], k * EVERY_MS);
        }
        ck_assert_double_eq(p.value, 7.0);
    }
}
END_TEST

START_TEST(a_single_spike_changes_nothing_but_the_trust)
{
    struct probe p = settled(&PH, 6.0, 30000);
    ck_assert_int_eq(take(&p, &PH, 9.0, 40000), PROBE_JUMPED);
    ck_assert_double_eq(p.value, 6.0);
    ck_assert_int_eq(p.at.ms, 30000); /* the age isn't renewed */
    ck_assert_int_eq(quality(&p, &PH, 40000), PROBE_SUSPECT);
    ck_assert_int_eq(take(&p, &PH, 6.1, 50000), PROBE_OK);
    ck_assert_double_eq(p.value, 6.0);
    ck_assert_int_eq(quality(&p, &PH, 50000), PROBE_GOOD);
}
END_TEST

START_TEST(a_step_of_exactly_the_guard_is_believed_and_more_is_not)
{
    struct probe_config c = PH;
    c.jump_most = 0.5;
    struct probe p = settled(&c, 6.0, 30000);
    ck_assert_int_eq(take(&p, &c, 6.5, 40000), PROBE_OK);
    ck_assert_int_eq(take(&p, &c, 5.75, 50000), PROBE_JUMPED);
}
END_TEST

START_TEST(a_real_step_is_believed_at_the_third_reading)
{
    struct probe p = settled(&PH, 6.0, 30000);
    ck_assert_int_eq(take(&p, &PH, 7.0, 40000), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, &PH, 7.1, 50000), PROBE_JUMPED);
    ck_assert_double_eq(p.value, 6.0);
    ck_assert_int_eq(take(&p, &PH, 7.2, 60000), PROBE_OK);
    ck_assert_double_eq(p.value, 7.1);
    ck_assert_int_eq(p.at.ms, 60000);
    ck_assert_int_eq(quality(&p, &PH, 60000), PROBE_GOOD);
    ck_assert_int_eq(take(&p, &PH, 7.2, 70000), PROBE_OK);
}
END_TEST

START_TEST(jumps_that_contradict_each_other_confirm_nothing)
{
    struct probe p = settled(&PH, 6.0, 0);
    for (int i = 1; i <= 5; i++) {
        ck_assert_int_eq(take(&p, &PH, i % 2 ? 9.0 : 3.0, i * EVERY_MS), PROBE_JUMPED);
    }
    ck_assert_double_eq(p.value, 6.0);
}
END_TEST

START_TEST(a_good_reading_between_them_starts_the_count_of_jumps_anew)
{
    struct probe p = settled(&PH, 6.0, 0);
    ck_assert_int_eq(take(&p, &PH, 7.0, 10000), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, &PH, 7.0, 20000), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, &PH, 6.0, 30000), PROBE_OK);
    ck_assert_int_eq(take(&p, &PH, 7.0, 40000), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, &PH, 7.0, 50000), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, &PH, 7.0, 60000), PROBE_OK);
}
END_TEST

START_TEST(a_retained_message_is_old_whatever_it_says)
{
    struct probe p;
    probe_init(&p);
    for (int i = 0; i < 5; i++) {
        ck_assert_int_eq(probe_take(&p, &PH, 6.0, true, 20.0, at(i * EVERY_MS)), PROBE_RETAINED);
    }
    ck_assert(!p.has_value);
    ck_assert_uint_eq(p.refused, 5);
    p = settled(&PH, 6.0, 0);
    ck_assert_int_eq(probe_take(&p, &PH, 6.0, true, 20.0, at(MAX_AGE_MS)), PROBE_RETAINED);
    ck_assert_int_eq(p.at.ms, 0);
    ck_assert_int_eq(quality(&p, &PH, MAX_AGE_MS + 1), PROBE_STALE);
}
END_TEST

START_TEST(what_is_not_finite_is_no_number)
{
    struct probe p = settled(&PH, 6.0, 0);
    ck_assert_int_eq(take(&p, &PH, (double)NAN, 10000), PROBE_NOT_A_NUMBER);
    ck_assert_int_eq(take(&p, &PH, (double)INFINITY, 10000), PROBE_NOT_A_NUMBER);
    ck_assert_int_eq(take(&p, &PH, -(double)INFINITY, 10000), PROBE_NOT_A_NUMBER);
    ck_assert_double_eq(p.value, 6.0);
    ck_assert_int_eq(p.at.ms, 0);
}
END_TEST

START_TEST(the_range_includes_its_ends_and_is_in_the_probes_own_unit)
{
    struct probe_config c = PH;
    c.jump_most = 0.0;
    struct probe p;
    probe_init(&p);
    ck_assert_int_eq(take(&p, &c, 1.999, 0), PROBE_OUT_OF_RANGE);
    ck_assert_int_eq(take(&p, &c, 11.001, 0), PROBE_OUT_OF_RANGE);
    ck_assert_int_eq(take(&p, &c, 2.0, 0), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, &c, 11.0, 0), PROBE_JUMPED);
    ck_assert_int_eq(take(&p, &c, 11.0, 1000), PROBE_OK);

    const struct probe_config ec = { .quantity = PROBE_EC,
        .unit = UNIT_MS_CM,
        .least = 0.05,
        .most = 6.0,
        .compensated = true,
        .max_age_ms = MAX_AGE_MS };
    probe_init(&p);
    ck_assert_int_eq(take(&p, &ec, 1800.0, 0), PROBE_OUT_OF_RANGE); /* somebody sent uS/cm */
    for (int i = 0; i < 3; i++) {
        take(&p, &ec, 1.8, i * 1000);
    }
    ck_assert_double_eq_tol(p.value, 1800.0, 1e-9);
}
END_TEST

START_TEST(a_number_out_of_range_makes_the_value_suspect_until_a_good_one)
{
    struct probe p = settled(&PH, 6.0, 0);
    ck_assert_int_eq(take(&p, &PH, 13.0, 10000), PROBE_OUT_OF_RANGE);
    ck_assert_int_eq(quality(&p, &PH, 10000), PROBE_SUSPECT);
    ck_assert_int_eq(take(&p, &PH, 6.0, 20000), PROBE_OK);
    ck_assert_int_eq(quality(&p, &PH, 20000), PROBE_GOOD);
}
END_TEST

START_TEST(a_sentinel_is_a_fault_until_another_number_comes)
{
    struct probe_config c = { .quantity = PROBE_TEMPERATURE,
        .unit = UNIT_DEGC,
        .least = -200.0,
        .most = 200.0,
        .max_age_ms = MAX_AGE_MS,
        .jump_most = 2.0,
        .sentinel_count = 2,
        .sentinel = { 85.0, -127.0 } };
    struct probe p = settled(&c, 20.0, 0);
    ck_assert_int_eq(take(&p, &c, -127.0, 10000), PROBE_FAULT_VALUE);
    ck_assert_int_eq(quality(&p, &c, 10000), PROBE_FAULTY);
    probe_refuse(&p, PROBE_NOTHING); /* says nothing about the fault */
    ck_assert_int_eq(quality(&p, &c, 10000), PROBE_FAULTY);
    ck_assert_int_eq(take(&p, &c, 20.0, 20000), PROBE_OK);
    ck_assert_int_eq(quality(&p, &c, 20000), PROBE_GOOD);
    ck_assert_int_eq(take(&p, &c, 85.0, 30000), PROBE_FAULT_VALUE);
    ck_assert_int_eq(take(&p, &c, 84.9, 40000), PROBE_JUMPED);
}
END_TEST

START_TEST(a_value_is_stale_when_it_is_older_than_its_age)
{
    struct probe p = settled(&PH, 6.0, 1000);
    ck_assert_int_eq(quality(&p, &PH, 1000 + MAX_AGE_MS), PROBE_GOOD);
    ck_assert_int_eq(quality(&p, &PH, 1000 + MAX_AGE_MS + 1), PROBE_STALE);
    /* what is no reading never renews the age */
    probe_refuse(&p, PROBE_NOT_A_NUMBER);
    take(&p, &PH, 13.0, MAX_AGE_MS);
    ck_assert_int_eq(quality(&p, &PH, 1000 + MAX_AGE_MS + 1), PROBE_STALE);
    ck_assert_double_eq(p.value, 6.0);
}
END_TEST

START_TEST(after_a_silence_trust_starts_over)
{
    struct probe p = settled(&PH, 6.0, 0);
    const int64_t back_ms = MAX_AGE_MS + 1;
    ck_assert_int_eq(take(&p, &PH, 8.0, back_ms), PROBE_JUMPED);
    ck_assert_int_eq(quality(&p, &PH, back_ms), PROBE_STALE);
    ck_assert_int_eq(take(&p, &PH, 8.1, back_ms + 10000), PROBE_OK);
    ck_assert_double_eq_tol(p.value, 8.05, 1e-12); /* nothing of the old history */
    /* a silence of exactly the age is none */
    p = settled(&PH, 6.0, 0);
    ck_assert_int_eq(take(&p, &PH, 6.1, MAX_AGE_MS), PROBE_OK);
    ck_assert_double_eq(p.value, 6.0);
}
END_TEST

START_TEST(a_number_that_never_changes_is_stuck_until_it_does)
{
    struct probe_config c = PH;
    c.stuck_after_ms = 45 * MINUTE_MS;
    struct probe p;
    probe_init(&p);
    int64_t now_ms = 0;
    for (; now_ms < c.stuck_after_ms; now_ms += EVERY_MS) {
        const enum probe_verdict v = take(&p, &c, 6.1, now_ms);
        ck_assert_int_eq(v, now_ms == 0 ? PROBE_JUMPED : PROBE_OK);
    }
    ck_assert_int_eq(quality(&p, &c, now_ms - 1), PROBE_GOOD);
    ck_assert_int_eq(take(&p, &c, 6.1, now_ms), PROBE_STUCK);
    ck_assert_int_eq(quality(&p, &c, now_ms), PROBE_FAULTY);
    probe_refuse(&p, PROBE_NOTHING);
    take(&p, &c, 13.0, now_ms); /* a glitch is no change */
    ck_assert_int_eq(quality(&p, &c, now_ms), PROBE_FAULTY);
    now_ms += EVERY_MS;
    ck_assert_int_eq(take(&p, &c, 6.1, now_ms), PROBE_STUCK);
    /* it moves: not stuck any more, and believed from the second reading */
    now_ms += EVERY_MS;
    ck_assert_int_eq(take(&p, &c, 6.11, now_ms), PROBE_JUMPED);
    ck_assert_int_eq(quality(&p, &c, now_ms), PROBE_SUSPECT);
    now_ms += EVERY_MS;
    ck_assert_int_eq(take(&p, &c, 6.12, now_ms), PROBE_OK);
    ck_assert_int_eq(quality(&p, &c, now_ms), PROBE_GOOD);
}
END_TEST

START_TEST(one_changed_digit_starts_the_stuck_time_anew)
{
    struct probe_config c = PH;
    c.stuck_after_ms = 10 * EVERY_MS;
    struct probe p;
    probe_init(&p);
    for (int i = 0; i < 100; i++) {
        const double number = i % 10 == 0 ? 6.11 : 6.1;
        ck_assert_int_ne(take(&p, &c, number, i * EVERY_MS), PROBE_STUCK);
    }
}
END_TEST

START_TEST(silence_restarts_the_stuck_time_but_heals_no_stuck_probe)
{
    struct probe_config c = PH;
    c.stuck_after_ms = 2 * MAX_AGE_MS;
    struct probe p;
    probe_init(&p);
    take(&p, &c, 6.1, 0);
    take(&p, &c, 6.1, 10000);
    /* the same number hours later: a new run */
    ck_assert_int_eq(take(&p, &c, 6.1, DAY_MS), PROBE_JUMPED);
    int64_t now_ms = DAY_MS;
    while (now_ms < DAY_MS + c.stuck_after_ms) {
        now_ms += EVERY_MS;
        take(&p, &c, 6.1, now_ms);
    }
    ck_assert_int_eq(p.last, PROBE_STUCK);
    ck_assert_int_eq(take(&p, &c, 6.1, now_ms + DAY_MS), PROBE_STUCK);
    ck_assert_int_eq(quality(&p, &c, now_ms + DAY_MS), PROBE_FAULTY);
}
END_TEST

START_TEST(a_leak_is_taken_at_its_word_at_once)
{
    const struct probe_config c = { .quantity = PROBE_LEAK,
        .unit = UNIT_BOOL,
        .least = 0.0,
        .most = 1.0,
        .max_age_ms = 600000,
        .jump_most = 0.1,
        .stuck_after_ms = 1000 };
    struct probe p;
    probe_init(&p);
    ck_assert_int_eq(take(&p, &c, 0.0, 0), PROBE_OK);
    ck_assert_int_eq(quality(&p, &c, 0), PROBE_GOOD);
    ck_assert_int_eq(take(&p, &c, 0.0, 300000), PROBE_OK); /* dry for long isn't stuck */
    ck_assert_int_eq(take(&p, &c, 1.0, 310000), PROBE_OK);
    ck_assert_double_eq(p.value, 1.0);
    ck_assert_int_eq(quality(&p, &c, 310000 + 600001), PROBE_STALE);
}
END_TEST

START_TEST(millivolts_fall_as_ph_rises)
{
    const struct probe_config c = { .quantity = PROBE_PH,
        .unit = UNIT_MV,
        .least = -420.0,
        .most = 420.0,
        .max_age_ms = MAX_AGE_MS,
        .zero_mv = 4.0,
        .slope_percent = 97.0 };
    struct probe p;
    probe_init(&p);
    ck_assert_int_eq(take(&p, &c, 4.0, 0), PROBE_NEEDS_TEMPERATURE);
    ck_assert(!p.has_value);
    for (int i = 0; i < 3; i++) {
        probe_take(&p, &c, 4.0, false, 18.0, at(i * 1000));
    }
    ck_assert_double_eq_tol(p.value, 7.0, 1e-12); /* at its zero, whatever the temperature */
    for (int i = 0; i < 3; i++) {
        probe_take(&p, &c, 4.0 + 0.97 * 59.1593, false, 25.0, at(3000 + i * 1000));
    }
    ck_assert_double_eq_tol(p.value, 6.0, 1e-5);
}
END_TEST

START_TEST(a_calibration_that_makes_no_number_is_out_of_range)
{
    const struct probe_config c = { .quantity = PROBE_PH,
        .unit = UNIT_MV,
        .least = -420.0,
        .most = 420.0,
        .max_age_ms = MAX_AGE_MS,
        .slope_percent = 0.0 };
    struct probe p;
    probe_init(&p);
    ck_assert_int_eq(probe_take(&p, &c, 100.0, false, 25.0, at(0)), PROBE_OUT_OF_RANGE);
}
END_TEST

START_TEST(ec_is_brought_to_microsiemens_at_25_degrees)
{
    struct probe_config c = { .quantity = PROBE_EC,
        .unit = UNIT_US,
        .least = 0.0,
        .most = 20000.0,
        .max_age_ms = MAX_AGE_MS,
        .cell_constant = 0.5,
        .compensation_percent = 2.0 };
    struct probe p;
    probe_init(&p);
    ck_assert_int_eq(take(&p, &c, 2000.0, 0), PROBE_NEEDS_TEMPERATURE);
    for (int i = 0; i < 3; i++) {
        probe_take(&p, &c, 2000.0, false, 30.0, at(i * 1000));
    }
    ck_assert_double_eq_tol(p.value, 1000.0 / 1.1, 1e-9);
    /* a temperature so low that the line crosses zero is no temperature for it */
    ck_assert_int_eq(probe_take(&p, &c, 2000.0, false, -25.0, at(0)), PROBE_NEEDS_TEMPERATURE);
    c.compensation = TEMPCO_NUTRIENT;
    probe_init(&p);
    for (int i = 0; i < 3; i++) {
        probe_take(&p, &c, 2000.0, false, 30.0, at(i * 1000));
    }
    double wanted;
    ck_assert(tempco_to_25(&wanted, TEMPCO_NUTRIENT, 0.0, 30.0, 1000.0));
    ck_assert_double_eq_tol(p.value, wanted, 1e-9);
    ck_assert_double_gt(fabs(p.value - 1000.0 / 1.1), 0.5); /* another curve */
    ck_assert_int_eq(probe_take(&p, &c, 2000.0, false, 45.0, at(0)), PROBE_NEEDS_TEMPERATURE);
    c.compensated = true;
    c.unit = UNIT_US_CM;
    probe_init(&p);
    for (int i = 0; i < 3; i++) {
        take(&p, &c, 1234.0, i * 1000);
    }
    ck_assert_double_eq(p.value, 1234.0);
}
END_TEST

START_TEST(fahrenheit_becomes_celsius)
{
    const struct probe_config c = { .quantity = PROBE_TEMPERATURE,
        .unit = UNIT_DEGF,
        .least = 0.0,
        .most = 150.0,
        .max_age_ms = MAX_AGE_MS };
    struct probe p = settled(&c, 68.0, 0);
    ck_assert_double_eq_tol(p.value, 20.0, 1e-12);
}
END_TEST

/* Noise, spikes, rails, silences, unit slips: the trusted value is always one that some three of
 * the last readings span, and never older than the age says. */
START_TEST(no_lone_reading_is_ever_the_trusted_value) /* _i is the seed */
{
    struct prng prng = prng_seed((uint64_t)_i);
    struct probe_config c = PH;
    if (_i % 2) c.jump_most = 0.0;
    struct probe p;
    probe_init(&p);
    int64_t now_ms = 0;
    for (int n = 0; n < 3000; n++) {
        now_ms += 1 + prng_below(&prng, prng_below(&prng, 50) == 0 ? 200000 : 20000);
        double number = 6.0 + 0.05 * prng_normal(&prng);
        const bool spike = n % 4 == 3; /* never two within three readings */
        if (spike) number = prng_below(&prng, 2) ? 2.0 + prng_unit(&prng) : 10.5;
        take(&p, &c, number, now_ms);
        if (p.has_value) ck_assert_double_eq_tol(p.value, 6.0, 0.35);
        if (quality(&p, &c, now_ms) == PROBE_GOOD) ck_assert_int_le(now_ms - p.at.ms, c.max_age_ms);
    }
    ck_assert(p.has_value);
}
END_TEST

static const char *explained(const struct probe *p, const struct probe_config *c, int64_t now_ms)
{
    static char line[160];
    struct text t = text_over(line, sizeof line);
    probe_explain(&t, p, c, at(now_ms));
    ck_assert(!t.cut);
    return line;
}

START_TEST(it_explains_itself)
{
    struct probe_config c = PH;
    c.stuck_after_ms = 45 * MINUTE_MS;
    struct probe p;
    probe_init(&p);
    ck_assert_str_eq(explained(&p, &c, 0), "no reading yet");
    probe_refuse(&p, PROBE_NOT_A_NUMBER);
    ck_assert_str_eq(explained(&p, &c, 0), "no reading yet (the last message: not a number)");
    p = settled(&c, 6.0, 0);
    ck_assert_str_eq(explained(&p, &c, 0), "good");
    ck_assert_str_eq(explained(&p, &c, 70000), "no reading for 70 s");
    take(&p, &c, 12.0, 1000);
    ck_assert_str_eq(explained(&p, &c, 1000), "out of its plausible range");
    p = settled(&c, 6.0, 0);
    take(&p, &c, 8.0, 1000);
    ck_assert_str_eq(explained(&p, &c, 1000), "a step that isn't confirmed yet");
    probe_init(&p);
    for (int64_t ms = 0; ms <= 45 * MINUTE_MS; ms += EVERY_MS) {
        take(&p, &c, 6.1, ms);
    }
    ck_assert_str_eq(explained(&p, &c, 45 * MINUTE_MS), "stuck at 6.10 for 45 min");
    ck_assert_int_eq(probe_quality_at(&p, &c, at(45 * MINUTE_MS)), PROBE_FAULTY);
    ck_assert_int_ne(probe_quality_at(&p, &c, at(9 * HOUR_MS)), PROBE_FAULTY); /* silent since */
    c.unit = UNIT_MV;
    ck_assert_str_eq(explained(&p, &c, 45 * MINUTE_MS), "stuck at 6.10 mV for 45 min");
    c.unit = UNIT_PH;
    c.sentinel_count = 1;
    c.sentinel[0] = -1.0;
    take(&p, &c, -1.0, 46 * MINUTE_MS);
    ck_assert_str_eq(explained(&p, &c, 46 * MINUTE_MS), "the probe reports a fault");
}
END_TEST

START_TEST(words_go_both_ways_and_units_fit_their_quantities)
{
    for (int u = 0; u < UNIT_COUNT; u++) {
        enum probe_unit back;
        ck_assert(probe_unit_read(&back, probe_unit_word((enum probe_unit)u)));
        ck_assert_int_eq(back, u);
    }
    enum probe_unit unit;
    ck_assert(!probe_unit_read(&unit, "MS/CM"));
    ck_assert(!probe_unit_read(&unit, ""));
    ck_assert_str_eq(probe_unit_word(UNIT_MS_CM), "mS/cm");
    ck_assert_str_eq(probe_unit_word(UNIT_COUNT), "?");
    for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        int fits = 0;
        for (int u = 0; u < UNIT_COUNT; u++) {
            fits += probe_unit_fits((enum probe_unit)u, (enum probe_quantity)q);
        }
        ck_assert_int_gt(fits, 0);
        ck_assert_str_ne(probe_quantity_word((enum probe_quantity)q), "?");
    }
    ck_assert(probe_unit_fits(UNIT_MV, PROBE_PH));
    ck_assert(!probe_unit_fits(UNIT_MV, PROBE_EC));
    ck_assert(!probe_unit_fits(UNIT_PH, PROBE_TEMPERATURE));
    for (int v = 0; v < PROBE_VERDICT_COUNT; v++) {
        ck_assert_str_ne(probe_verdict_word((enum probe_verdict)v), "?");
    }
    for (int q = PROBE_NONE; q <= PROBE_FAULTY; q++) {
        ck_assert_str_ne(probe_quality_word((enum probe_quality)q), "?");
    }
    ck_assert_str_eq(probe_quantity_word(PROBE_QUANTITY_COUNT), "?");
    ck_assert_str_eq(probe_verdict_word(PROBE_VERDICT_COUNT), "?");
    ck_assert(!probe_unit_fits(UNIT_PH, PROBE_QUANTITY_COUNT));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("probe");
    tcase_add_test(tc, nothing_is_known_at_first);
    tcase_add_test(tc, a_value_is_trusted_from_the_second_reading_that_agrees);
    tcase_add_test(tc, a_first_reading_that_the_second_contradicts_is_forgotten);
    tcase_add_test(tc, without_a_jump_guard_it_takes_three_and_their_median);
    tcase_add_test(tc, the_median_is_right_in_every_order);
    tcase_add_test(tc, a_single_spike_changes_nothing_but_the_trust);
    tcase_add_test(tc, a_step_of_exactly_the_guard_is_believed_and_more_is_not);
    tcase_add_test(tc, a_real_step_is_believed_at_the_third_reading);
    tcase_add_test(tc, jumps_that_contradict_each_other_confirm_nothing);
    tcase_add_test(tc, a_good_reading_between_them_starts_the_count_of_jumps_anew);
    tcase_add_test(tc, a_retained_message_is_old_whatever_it_says);
    tcase_add_test(tc, what_is_not_finite_is_no_number);
    tcase_add_test(tc, the_range_includes_its_ends_and_is_in_the_probes_own_unit);
    tcase_add_test(tc, a_number_out_of_range_makes_the_value_suspect_until_a_good_one);
    tcase_add_test(tc, a_sentinel_is_a_fault_until_another_number_comes);
    tcase_add_test(tc, a_value_is_stale_when_it_is_older_than_its_age);
    tcase_add_test(tc, after_a_silence_trust_starts_over);
    tcase_add_test(tc, a_number_that_never_changes_is_stuck_until_it_does);
    tcase_add_test(tc, one_changed_digit_starts_the_stuck_time_anew);
    tcase_add_test(tc, silence_restarts_the_stuck_time_but_heals_no_stuck_probe);
    tcase_add_test(tc, a_leak_is_taken_at_its_word_at_once);
    tcase_add_test(tc, millivolts_fall_as_ph_rises);
    tcase_add_test(tc, a_calibration_that_makes_no_number_is_out_of_range);
    tcase_add_test(tc, ec_is_brought_to_microsiemens_at_25_degrees);
    tcase_add_test(tc, fahrenheit_becomes_celsius);
    tcase_add_loop_test(tc, no_lone_reading_is_ever_the_trusted_value, 0, SEEDS);
    tcase_add_test(tc, it_explains_itself);
    tcase_add_test(tc, words_go_both_ways_and_units_fit_their_quantities);
    return run_case(tc, "probe");
}
