#include "lib/control/proportional.h"

#include <math.h>

#include "tests/unit/support.h"

static const struct control_tank BENCH = {
    .volume_l = 120, .alkalinity_meq_l = 2.1, .band_ec_us_cm = 100, .band_ph = 0.2, .share = 0.5
};

static struct control_answer at(double ec_us_cm, double ph)
{
    const struct control_water water = { ec_us_cm, ph, 1500, 5.8 };
    return control_decide(&BENCH, &water);
}

START_TEST(inside_its_bands_a_tank_needs_nothing)
{
    ck_assert_int_eq(at(1500, 5.8).need, NEED_NOTHING);
    ck_assert_int_eq(at(1450, 5.8999).need, NEED_NOTHING); /* exactly half the band of EC */
    ck_assert_int_eq(at(1600, 5.65).need, NEED_NOTHING);
}
END_TEST

START_TEST(ec_is_fed_from_half_its_band_below_towards_the_setpoint)
{
    const struct control_answer a = at(1449, 5.8);
    ck_assert_int_eq(a.need, NEED_FEED);
    ck_assert_double_eq_tol(a.ec_us_cm, 25.5, 1e-9);
    ck_assert_double_eq_tol(at(700, 5.8).ec_us_cm, 400, 1e-9);
}
END_TEST

START_TEST(ec_below_its_band_comes_before_ph)
{
    ck_assert_int_eq(at(1399, 7.5).need, NEED_FEED);
    ck_assert_int_eq(at(1399, 4.5).need, NEED_FEED);
    /* within the band pH comes first */
    ck_assert_int_eq(at(1401, 7.5).need, NEED_LOWER_PH);
    ck_assert_int_eq(at(1449, 5.6).need, NEED_RAISE_PH);
    ck_assert_int_eq(at(1449, 5.899).need, NEED_FEED);
}
END_TEST

START_TEST(ph_is_lowered_from_half_its_band_above)
{
    ck_assert_int_eq(at(1500, 5.901).need, NEED_LOWER_PH);
    ck_assert_int_eq(at(1500, 5.899).need, NEED_NOTHING);
    const struct control_answer a = at(1500, 7.0);
    ck_assert_double_eq_tol(a.meq_l, 0.5 * control_acid_meq_l(2.1, 7.0, 5.8), 1e-12);
}
END_TEST

START_TEST(ph_is_raised_from_three_quarters_of_it_below)
{
    ck_assert_int_eq(at(1500, 5.651).need, NEED_NOTHING);
    const struct control_answer a = at(1500, 5.0);
    ck_assert_int_eq(a.need, NEED_RAISE_PH);
    ck_assert_double_eq_tol(a.meq_l, 0.5 * control_acid_meq_l(2.1, 5.8, 5.0), 1e-12);
}
END_TEST

START_TEST(ec_above_its_band_wants_water_when_ph_is_well)
{
    ck_assert_int_eq(at(1601, 5.8).need, NEED_WATER);
    ck_assert_int_eq(at(1599, 5.8).need, NEED_NOTHING);
    ck_assert_int_eq(at(1601, 7.0).need, NEED_LOWER_PH);
}
END_TEST

/* By hand, from the formula in the source file's comment, outside this program. */
START_TEST(the_acid_curve_is_the_one_that_is_described)
{
    ck_assert_double_eq_tol(control_acid_meq_l(2.1, 7.0, 5.8), 1.769862, 1e-6);
    ck_assert_double_eq_tol(control_acid_meq_l(2.1, 6.2, 5.8), 0.514529, 1e-6);
    ck_assert_double_eq_tol(control_acid_meq_l(0.5, 6.5, 5.5), 0.486454, 1e-6);
    ck_assert_double_eq_tol(control_acid_meq_l(0.0, 7.0, 6.0), 0.483514, 1e-6);
    ck_assert_double_eq_tol(control_acid_meq_l(4.0, 7.5, 5.8), 3.663621, 1e-6);
}
END_TEST

START_TEST(acid_is_zero_upwards_and_grows_with_distance_and_alkalinity)
{
    ck_assert_double_eq(control_acid_meq_l(2.1, 5.8, 5.8), 0.0);
    ck_assert_double_eq(control_acid_meq_l(2.1, 5.8, 7.0), 0.0);
    double before = 0.0;
    for (double from = 5.0; from < 9.0; from += 0.1) {
        const double acid = control_acid_meq_l(2.1, from, 4.9);
        ck_assert(acid > before);
        ck_assert(control_acid_meq_l(2.2, from, 4.9) > acid);
        before = acid;
    }
    /* additive: two steps take what one takes */
    const double both = control_acid_meq_l(1.0, 7.0, 6.3) + control_acid_meq_l(1.0, 6.3, 5.5);
    ck_assert_double_eq_tol(control_acid_meq_l(1.0, 7.0, 5.5), both, 1e-12);
}
END_TEST

START_TEST(the_expected_move_is_where_that_much_acid_or_base_leads)
{
    static const double ph[] = { 3.5, 4.5, 5.2, 5.6, 6.1, 6.5, 7.0, 8.0, 9.5 };
    for (size_t i = 0; i < sizeof ph / sizeof ph[0]; i++) {
        const struct control_answer a = at(1500, ph[i]);
        const bool down = ph[i] > 5.8;
        ck_assert_int_eq(a.need, down ? NEED_LOWER_PH : NEED_RAISE_PH);
        ck_assert(a.ph_move > 0.0 && a.ph_move < fabs(ph[i] - 5.8));
        const double then = down ? ph[i] - a.ph_move : ph[i] + a.ph_move;
        const double taken =
            down ? control_acid_meq_l(2.1, ph[i], then) : control_acid_meq_l(2.1, then, ph[i]);
        ck_assert_double_eq_tol(taken, a.meq_l, 1e-8);
    }
}
END_TEST

START_TEST(more_distance_never_means_less) /* and never past the setpoint */
{
    double ec = 0.0, acid = 0.0;
    for (int i = 0; i < 500; i++) {
        const struct control_answer feed = at(1449.0 - i, 5.8);
        const struct control_answer lower = at(1500, 5.91 + i * 0.01);
        ck_assert_int_eq(feed.need, NEED_FEED);
        ck_assert_int_eq(lower.need, NEED_LOWER_PH);
        ck_assert(feed.ec_us_cm > ec && feed.ec_us_cm <= 51.0 + i);
        ck_assert(lower.meq_l > acid && lower.ph_move <= 0.11 + i * 0.01);
        ec = feed.ec_us_cm;
        acid = lower.meq_l;
    }
}
END_TEST

START_TEST(what_is_no_number_needs_nothing)
{
    const double odd[] = { (double)NAN, (double)INFINITY, -(double)INFINITY };
    for (int i = 0; i < 3; i++) {
        ck_assert_int_eq(at(odd[i], 5.8).need, NEED_NOTHING);
        ck_assert_int_eq(at(1000, odd[i]).need, NEED_NOTHING);
        ck_assert_double_eq(control_acid_meq_l(odd[i], 7.0, 6.0), 0.0);
        ck_assert_double_eq(control_acid_meq_l(1.0, odd[i], 6.0), 0.0);
        ck_assert_double_eq(control_acid_meq_l(1.0, 7.0, odd[i]), 0.0);
    }
    ck_assert_int_eq(at(1000, 14.1).need, NEED_NOTHING);
    ck_assert_int_eq(at(1000, -0.1).need, NEED_NOTHING);
    ck_assert(isfinite(control_acid_meq_l(1e300, 1e300, -1e300)));
}
END_TEST

START_TEST(a_share_is_never_more_than_the_whole)
{
    struct control_tank tank = BENCH;
    tank.share = 7.0;
    const struct control_water water = { 1000, 5.8, 1500, 5.8 };
    ck_assert_double_eq_tol(control_decide(&tank, &water).ec_us_cm, 500, 1e-9);
    tank.share = (double)NAN;
    ck_assert_double_eq(control_decide(&tank, &water).ec_us_cm, 0.0);
}
END_TEST

START_TEST(an_effect_tells_only_when_it_should_stand_out_of_the_noise)
{
    ck_assert_int_eq(control_effect_of(30, 0, 10), EFFECT_UNTELLING);
    ck_assert_int_eq(control_effect_of(30.001, 0, 10), EFFECT_MISSING);
    ck_assert_int_eq(control_effect_of(0, 50, 0), EFFECT_UNTELLING);
    ck_assert_int_eq(control_effect_of(100, (double)NAN, 10), EFFECT_UNTELLING);
    ck_assert_int_eq(control_effect_of((double)NAN, 10, 10), EFFECT_UNTELLING);
    ck_assert_int_eq(control_effect_of(100, 10, (double)NAN), EFFECT_UNTELLING);
}
END_TEST

START_TEST(less_than_a_quarter_is_missing_and_backwards_is_the_wrong_way)
{
    ck_assert_int_eq(control_effect_of(100, 100, 10), EFFECT_SEEN);
    ck_assert_int_eq(control_effect_of(100, 25, 10), EFFECT_SEEN);
    ck_assert_int_eq(control_effect_of(100, 24.9, 10), EFFECT_MISSING);
    ck_assert_int_eq(control_effect_of(100, -25, 5), EFFECT_MISSING);
    ck_assert_int_eq(control_effect_of(100, -25.1, 5), EFFECT_WRONG_WAY);
    ck_assert_int_eq(control_effect_of(100, -29, 10), EFFECT_MISSING); /* could be noise */
    ck_assert_int_eq(control_effect_of(100, -31, 10), EFFECT_WRONG_WAY);
    /* a move downwards, as of pH */
    ck_assert_int_eq(control_effect_of(-0.4, -0.3, 0.05), EFFECT_SEEN);
    ck_assert_int_eq(control_effect_of(-0.4, 0.0, 0.05), EFFECT_MISSING);
    ck_assert_int_eq(control_effect_of(-0.4, 0.3, 0.05), EFFECT_WRONG_WAY);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("proportional");
    tcase_add_test(tc, inside_its_bands_a_tank_needs_nothing);
    tcase_add_test(tc, ec_is_fed_from_half_its_band_below_towards_the_setpoint);
    tcase_add_test(tc, ec_below_its_band_comes_before_ph);
    tcase_add_test(tc, ph_is_lowered_from_half_its_band_above);
    tcase_add_test(tc, ph_is_raised_from_three_quarters_of_it_below);
    tcase_add_test(tc, ec_above_its_band_wants_water_when_ph_is_well);
    tcase_add_test(tc, the_acid_curve_is_the_one_that_is_described);
    tcase_add_test(tc, acid_is_zero_upwards_and_grows_with_distance_and_alkalinity);
    tcase_add_test(tc, the_expected_move_is_where_that_much_acid_or_base_leads);
    tcase_add_test(tc, more_distance_never_means_less);
    tcase_add_test(tc, what_is_no_number_needs_nothing);
    tcase_add_test(tc, a_share_is_never_more_than_the_whole);
    tcase_add_test(tc, an_effect_tells_only_when_it_should_stand_out_of_the_noise);
    tcase_add_test(tc, less_than_a_quarter_is_missing_and_backwards_is_the_wrong_way);
    return run_case(tc, "proportional");
}
