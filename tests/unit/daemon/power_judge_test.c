/* What a supply under load shows: a 12 V, 4 A supply, two modules. */
#include "daemon/commission/power_judge.h"

#include <math.h>

#include "tests/unit/support.h"

static char buffer[512];
static struct text said;

static void expect(bool good, const char *words)
{
    ck_assert_msg(!good && strstr(buffer, words), "'%s' isn't in: %s", words, buffer);
}

/* As planned: it draws what is due, and a link of 0.1 ohm loses what it should. */
static struct power_sample sample(double amps)
{
    struct power_sample s = { .amps = amps,
        .amps_due = amps,
        .volts = 12.0,
        .supply_volts = 12.0,
        .supply_amps = 4.0,
        .usable_amps = 3.2,
        .count = 2 };
    for (uint32_t m = 0; m < s.count; m++) {
        s.module[m].volts = s.module[m].due_volts = 12.0 - 0.1 * (m + 1) * amps;
        s.module[m].least_volts = 10.8;
    }
    text_copy(s.module[0].serial, CHAIN_WORD_MAX, "a1f3");
    text_copy(s.module[1].serial, CHAIN_WORD_MAX, "b77c");
    return s;
}

static struct power_part part(double amps)
{
    struct power_part p = {
        .name = "leaf-a at west/1.1", .due = 0.35, .before = sample(1.2), .with = sample(1.55)
    };
    p.with.amps = 1.2 + amps;
    return p;
}

static void set_up(void)
{
    buffer[0] = '\0';
    said = text_over(buffer, sizeof buffer);
}

START_TEST(a_part_draws_what_it_should)
{
    static const double amps[] = { 0.106, 0.2, 0.35, 0.5, 0.7 };
    const struct power_part p = part(amps[_i]);
    ck_assert_msg(power_judge_part(&said, &p), "%s", buffer);
    ck_assert_double_eq_tol(power_part_amps(&p), amps[_i], 1e-9);
}
END_TEST

START_TEST(a_dead_pump_draws_nothing)
{
    static const double amps[] = { 0.0, 0.104 };
    const struct power_part p = part(amps[_i]);
    expect(power_judge_part(&said, &p), "leaf-a at west/1.1 draws nothing where 0.35 A are due");
}
END_TEST

START_TEST(one_that_jams_draws_too_much)
{
    const struct power_part p = part(0.71);
    expect(power_judge_part(&said, &p), "draws 0.71 A where 0.35 A are due: does it jam");
}
END_TEST

/* Twice of very little is nothing that a meter could tell. */
START_TEST(a_small_motor_may_be_off_by_more)
{
    struct power_part p = part(0.25);
    p.due = 0.11;
    p.with.amps_due = p.before.amps_due + p.due;
    ck_assert_msg(power_judge_part(&said, &p), "%s", buffer);
}
END_TEST

/* Something else started, too, and draws what it should: a dead pump doesn't hide behind it. */
START_TEST(what_else_started_is_left_out)
{
    struct power_part p = part(0.0);
    p.with.amps += 1.1;
    p.with.amps_due += 1.1;
    expect(power_judge_part(&said, &p), "draws nothing");
}
END_TEST

START_TEST(what_is_not_known_is_no_fault)
{
    struct power_part p = part(0.0);
    p.with.amps_due = (double)NAN;
    ck_assert(power_judge_part(&said, &p));
    p = part(0.0);
    p.due = (double)NAN;
    ck_assert(power_judge_part(&said, &p));
    struct power_sample s = sample(1.0);
    s.volts = s.module[0].volts = s.module[1].volts = (double)NAN;
    ck_assert(power_judge_supply(&said, &s, &s));
    s.amps_due = (double)NAN;
    ck_assert(power_judge_rest(&said, &s));
}
END_TEST

START_TEST(at_rest_it_draws_its_idle_current)
{
    struct power_sample s = sample(0.12);
    s.amps = 0.2;
    ck_assert_msg(power_judge_rest(&said, &s), "%s", buffer);
    s.amps = 0.5;
    expect(power_judge_rest(&said, &s), "0.38 A more than is due");
    s = sample(1.0);
    s.amps = 0.4;
    set_up();
    expect(power_judge_rest(&said, &s), "0.60 A less than is due");
}
END_TEST

START_TEST(a_brick_that_is_too_small_falls)
{
    const struct power_sample rest = sample(0.12);
    struct power_sample most = sample(1.6);
    most.volts = 11.41;
    ck_assert_msg(power_judge_supply(&said, &rest, &most), "%s", buffer);
    most.volts = 11.39;
    expect(power_judge_supply(&said, &rest, &most),
        "falls from 12.0 V to 11.4 V under 1.60 A: the power brick is too small");
}
END_TEST

START_TEST(another_brick_is_told_from_a_small_one)
{
    struct power_sample rest = sample(0.12), most = sample(1.6);
    rest.volts = most.volts = 9.0;
    expect(power_judge_supply(&said, &rest, &most), "gives 9.0 V with hardly anything running");
}
END_TEST

START_TEST(a_cable_that_loses_too_much_is_the_first_that_does)
{
    const struct power_sample rest = sample(0.12);
    struct power_sample most = sample(1.6);
    most.module[1].volts -= 0.39;
    ck_assert_msg(power_judge_supply(&said, &rest, &most), "%s", buffer);
    most.module[1].volts -= 0.5;
    expect(power_judge_supply(&said, &rest, &most), "module b77c has 10.8 V where 11.7 V");
    most.module[0].volts -= 0.5;
    set_up();
    expect(power_judge_supply(&said, &rest, &most), "module a1f3 has 11.3 V where 11.8 V");
    ck_assert_ptr_nonnull(strstr(buffer, "the cable before it is thinner or longer"));
}
END_TEST

START_TEST(a_module_that_has_too_little_is_said_also_where_that_was_planned)
{
    const struct power_sample rest = sample(0.12);
    struct power_sample most = sample(1.6);
    most.module[1].volts = most.module[1].due_volts = 10.7;
    expect(power_judge_supply(&said, &rest, &most), "module b77c has 10.7 V and needs 10.8 V");
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("power_judge");
    tcase_add_checked_fixture(tc, set_up, NULL);
    tcase_add_loop_test(tc, a_part_draws_what_it_should, 0, 5);
    tcase_add_loop_test(tc, a_dead_pump_draws_nothing, 0, 2);
    tcase_add_test(tc, one_that_jams_draws_too_much);
    tcase_add_test(tc, a_small_motor_may_be_off_by_more);
    tcase_add_test(tc, what_else_started_is_left_out);
    tcase_add_test(tc, what_is_not_known_is_no_fault);
    tcase_add_test(tc, at_rest_it_draws_its_idle_current);
    tcase_add_test(tc, a_brick_that_is_too_small_falls);
    tcase_add_test(tc, another_brick_is_told_from_a_small_one);
    tcase_add_test(tc, a_cable_that_loses_too_much_is_the_first_that_does);
    tcase_add_test(tc, a_module_that_has_too_little_is_said_also_where_that_was_planned);
    return run_case(tc, "power_judge");
}
