/* The small filter against closed forms, and against the same equations written out with whole
 * matrices. */
#include "lib/control/filter.h"

#include <math.h>
#include <string.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

struct matrix {
    double at[FILTER_MOST][FILTER_MOST];
};

static struct matrix whole(const struct filter *f, int n)
{
    struct matrix m = { 0 };
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < n; j++) {
            m.at[i][j] = filter_cov(f, i, j);
        }
    }
    return m;
}

/* a b, or a times b turned over. */
static struct matrix times(const struct matrix *a, const struct matrix *b, bool turned, int n)
{
    struct matrix m = { 0 };
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < n; j++) {
            for (int k = 0; k < n; k++) {
                m.at[i][j] += a->at[i][k] * (turned ? b->at[j][k] : b->at[k][j]);
            }
        }
    }
    return m;
}

static struct matrix one(int n)
{
    struct matrix m = { 0 };
    for (int i = 0; i < n; i++) {
        m.at[i][i] = 1.0;
    }
    return m;
}

static double between(struct prng *p, double low, double high)
{
    return low + (high - low) * prng_unit(p);
}

/* Any levels; covariances L L', as every covariance is. */
static struct filter random_filter(struct prng *p, int n)
{
    struct matrix l = { 0 };
    struct filter f;
    memset(&f, 0, sizeof f);
    for (int i = 0; i < n; i++) {
        f.x[i] = between(p, -10.0, 10.0);
        for (int j = 0; j <= i; j++) {
            l.at[i][j] = between(p, -2.0, 2.0);
        }
    }
    const struct matrix m = times(&l, &l, true, n);
    for (int i = 0; i < n; i++) {
        for (int j = 0; j <= i; j++) {
            f.p[filter_at(i, j)] = m.at[i][j];
        }
    }
    return f;
}

static void ck_same(const struct filter *f, const struct matrix *m, int n)
{
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < n; j++) {
            const double size = sqrt(fabs(m->at[i][i] * m->at[j][j])) + 1.0;
            ck_assert_double_eq_tol(filter_cov(f, i, j), m->at[i][j], 1e-9 * size);
        }
    }
}

static void take_in(
    struct filter *f, int n, const double *h, struct filter_guess guess, unsigned considered)
{
    (void)h;
    filter_take(f, n, &guess, considered);
}

START_TEST(each_pair_of_states_has_one_place_of_its_own)
{
    bool taken[FILTER_PAIRS] = { false };
    for (int i = 0; i < FILTER_MOST; i++) {
        for (int j = 0; j <= i; j++) {
            const int at = filter_at(i, j);
            ck_assert_int_eq(at, filter_at(j, i));
            ck_assert(at >= 0 && at < FILTER_PAIRS && !taken[at]);
            taken[at] = true;
        }
    }
}
END_TEST

/* k = p / (p + r); x + k (y - x); (1 - k) p. */
START_TEST(one_state_is_the_scalar_filter_done_by_hand)
{
    struct filter f;
    memset(&f, 0, sizeof f);
    filter_set(&f, 1, 0, 4.0, 9.0);
    const double h[1] = { 1.0 };
    const struct filter_guess g = filter_expect(&f, 1, h, 10.0, 3.0);
    ck_assert_double_eq_tol(g.miss, 6.0, 1e-12);
    ck_assert_double_eq_tol(g.variance, 12.0, 1e-12);
    take_in(&f, 1, h, g, 0);
    ck_assert_double_eq_tol(f.x[0], 8.5, 1e-12);
    ck_assert_double_eq_tol(filter_cov(&f, 0, 0), 2.25, 1e-12);
}
END_TEST

/* n equal measurements of what nothing was known of: their mean, and r / n. */
START_TEST(many_measurements_of_a_constant_are_their_mean)
{
    struct prng p = prng_seed(5);
    struct filter f;
    memset(&f, 0, sizeof f);
    filter_set(&f, 1, 0, 0.0, 1e12);
    const double h[1] = { 1.0 };
    double sum = 0.0;
    for (int n = 1; n <= 500; n++) {
        const double y = 7.0 + prng_normal(&p);
        sum += y;
        take_in(&f, 1, h, filter_expect(&f, 1, h, y, 1.0), 0);
        ck_assert_double_eq_tol(f.x[0], sum / n, 1e-6);
        ck_assert_double_eq_tol(filter_cov(&f, 0, 0), 1.0 / n, 1e-6);
    }
}
END_TEST

/* Level and rate: p11 + 2 t p12 + t^2 p22, p12 + t p22, p22. */
START_TEST(a_level_follows_its_rate_and_so_does_its_doubt)
{
    struct filter f = { .x = { 100.0, -3.0 }, .p = { 4.0, 0.5, 0.25 } };
    filter_add(&f, 2, 0, 1, 2.0);
    ck_assert_double_eq_tol(f.x[0], 94.0, 1e-12);
    ck_assert_double_eq_tol(f.x[1], -3.0, 1e-12);
    ck_assert_double_eq_tol(filter_cov(&f, 0, 0), 4.0 + 2.0 * 2.0 * 0.5 + 4.0 * 0.25, 1e-12);
    ck_assert_double_eq_tol(filter_cov(&f, 0, 1), 0.5 + 2.0 * 0.25, 1e-12);
    ck_assert_double_eq_tol(filter_cov(&f, 1, 1), 0.25, 1e-12);
}
END_TEST

/* Two measurements of the level tell the rate: with nothing known before and no noise to speak of,
 * it is the slope between them. */
START_TEST(two_levels_tell_the_rate)
{
    struct filter f;
    memset(&f, 0, sizeof f);
    filter_set(&f, 2, 0, 0.0, 1e6);
    filter_set(&f, 2, 1, 0.0, 1e6);
    const double h[2] = { 1.0, 0.0 };
    take_in(&f, 2, h, filter_expect(&f, 2, h, 50.0, 1e-6), 0);
    filter_add(&f, 2, 0, 1, 4.0);
    take_in(&f, 2, h, filter_expect(&f, 2, h, 62.0, 1e-6), 0);
    ck_assert_double_eq_tol(f.x[1], 3.0, 1e-4);
    ck_assert_double_eq_tol(filter_cov(&f, 1, 1), 2e-6 / 16.0, 1e-7);
}
END_TEST

START_TEST(adding_and_scaling_are_what_whole_matrices_say) /* _i is the seed */
{
    struct prng p = prng_seed((uint64_t)_i);
    const int n = 2 + (int)prng_below(&p, FILTER_MOST - 1);
    struct filter f = random_filter(&p, n);
    const struct filter before = f;
    const int to = (int)prng_below(&p, n), from = (to + 1 + (int)prng_below(&p, n - 1)) % n;
    const double factor = between(&p, -3.0, 3.0);
    struct matrix a = one(n), b = one(n), c = whole(&f, n);
    a.at[to][from] = factor;
    b.at[from][from] = factor;
    c = times(&a, &c, false, n);
    c = times(&c, &a, true, n);
    filter_add(&f, n, to, from, factor);
    ck_same(&f, &c, n);
    c = times(&b, &c, false, n);
    c = times(&c, &b, true, n);
    filter_scale(&f, n, from, factor);
    ck_same(&f, &c, n);
    for (int i = 0; i < n; i++) {
        const double added = before.x[i] + (i == to ? factor * before.x[from] : 0.0);
        ck_assert_double_eq_tol(f.x[i], i == from ? factor * added : added, 1e-12);
    }
}
END_TEST

START_TEST(a_state_that_is_set_has_nothing_to_do_with_the_others)
{
    struct prng p = prng_seed((uint64_t)_i);
    const int n = 2 + (int)prng_below(&p, FILTER_MOST - 1), set = (int)prng_below(&p, n);
    struct filter f = random_filter(&p, n);
    const struct filter before = f;
    filter_set(&f, n, set, 2.5, 0.75);
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < n; j++) {
            const double is = filter_cov(&f, i, j);
            if (i == set && j == set)
                ck_assert_double_eq(is, 0.75);
            else if (i == set || j == set)
                ck_assert_double_eq(is, 0.0);
            else
                ck_assert_double_eq(is, filter_cov(&before, i, j));
        }
        ck_assert_double_eq(f.x[i], i == set ? 2.5 : before.x[i]);
    }
}
END_TEST

/* P. D. Joseph's form, (1 - K h) P (1 - K h)' + K r K', holds for any K: also for one whose rows of
 * considered states are 0, which is Schmidt's. */
static void ck_joseph(struct prng *p, unsigned considered_share)
{
    const int n = 1 + (int)prng_below(p, FILTER_MOST);
    struct filter f = random_filter(p, n);
    const struct filter before = f;
    const struct matrix cov = whole(&f, n);
    double h[FILTER_MOST];
    unsigned considered = 0;
    for (int i = 0; i < n; i++) {
        h[i] = prng_below(p, 3) == 0 ? 0.0 : between(p, -2.0, 2.0);
        if (considered_share && prng_below(p, considered_share) == 0) considered |= 1U << i;
    }
    const double r = between(p, 0.01, 4.0), y = between(p, -20.0, 20.0);
    double expected = 0.0, variance = r, gain[FILTER_MOST];
    for (int i = 0; i < n; i++) {
        gain[i] = 0.0;
        expected += h[i] * f.x[i];
        for (int j = 0; j < n; j++) {
            gain[i] += cov.at[i][j] * h[j];
            variance += h[i] * cov.at[i][j] * h[j];
        }
    }
    struct matrix rest = one(n);
    for (int i = 0; i < n; i++) {
        gain[i] = considered >> i & 1U ? 0.0 : gain[i] / variance;
        for (int j = 0; j < n; j++) {
            rest.at[i][j] -= gain[i] * h[j];
        }
    }
    struct matrix joseph = times(&rest, &cov, false, n);
    joseph = times(&joseph, &rest, true, n);
    const struct filter_guess g = filter_expect(&f, n, h, y, r);
    ck_assert_double_eq_tol(g.miss, y - expected, 1e-9);
    ck_assert_double_eq_tol(g.variance, variance, 1e-9 * variance);
    take_in(&f, n, h, g, considered);
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < n; j++) {
            joseph.at[i][j] += gain[i] * r * gain[j];
        }
        ck_assert_double_eq_tol(f.x[i], before.x[i] + gain[i] * g.miss, 1e-9 * 1e3);
        if (!(considered >> i & 1U)) continue;
        ck_assert_double_eq(f.x[i], before.x[i]);
        ck_assert_double_eq(filter_cov(&f, i, i), filter_cov(&before, i, i));
    }
    ck_same(&f, &joseph, n);
}

START_TEST(taking_a_measurement_in_is_josephs_form)
{
    struct prng p = prng_seed((uint64_t)_i);
    for (int n = 0; n < 500; n++) {
        ck_joseph(&p, 0);
    }
}
END_TEST

START_TEST(considered_states_stay_and_the_rest_is_josephs_form_still)
{
    struct prng p = prng_seed(1000 + (uint64_t)_i);
    for (int n = 0; n < 500; n++) {
        ck_joseph(&p, 2);
    }
}
END_TEST

/* What is considered makes the others less sure than if it were known. */
START_TEST(the_doubt_of_a_considered_state_counts)
{
    struct filter sure, unsure;
    memset(&sure, 0, sizeof sure);
    filter_set(&sure, 2, 0, 0.0, 1.0);
    filter_set(&sure, 2, 1, 1.0, 0.0);
    unsure = sure;
    filter_set(&unsure, 2, 1, 1.0, 4.0);
    const double h[2] = { 1.0, 1.0 };
    take_in(&sure, 2, h, filter_expect(&sure, 2, h, 3.0, 1.0), 2);
    take_in(&unsure, 2, h, filter_expect(&unsure, 2, h, 3.0, 1.0), 2);
    ck_assert_double_eq_tol(sure.x[0], 1.0, 1e-12); /* 1 / 2 of a miss of 2 */
    ck_assert_double_eq_tol(unsure.x[0], 2.0 / 6.0, 1e-12);
    ck_assert_double_eq_tol(filter_cov(&sure, 0, 0), 0.5, 1e-12);
    ck_assert_double_eq_tol(filter_cov(&unsure, 0, 0), 1.0 - 1.0 / 6.0, 1e-12);
    ck_assert_double_eq_tol(filter_cov(&unsure, 0, 1), -4.0 / 6.0, 1e-12);
}
END_TEST

/* Nearly exact measurements of nearly the same thing: rounding has its worst day. */
START_TEST(no_variance_becomes_negative_and_no_correlation_passes_one)
{
    struct prng p = prng_seed((uint64_t)_i);
    const int n = FILTER_MOST;
    struct filter f = random_filter(&p, n);
    for (int k = 0; k < 2000; k++) {
        double h[FILTER_MOST];
        for (int i = 0; i < n; i++) {
            h[i] = 1.0 + 1e-7 * prng_unit(&p);
        }
        const double r = prng_below(&p, 2) ? 1e-14 : 1.0;
        take_in(&f, n, h, filter_expect(&f, n, h, between(&p, -1.0, 1.0), r), 0);
        for (int i = 0; i < n; i++) {
            ck_assert(isfinite(f.x[i]));
            ck_assert_double_ge(filter_cov(&f, i, i), 0.0);
            for (int j = 0; j < i; j++) {
                const double most = sqrt(filter_cov(&f, i, i) * filter_cov(&f, j, j));
                ck_assert_double_le(fabs(filter_cov(&f, i, j)), most * (1.0 + 1e-6) + 1e-6);
            }
        }
    }
}
END_TEST

/* Variance 1 less 1 / (1 + r) leaves less than 0 when r is lost in rounding: 0 is kept. */
START_TEST(rounding_leaves_no_variance_below_zero)
{
    int cut = 0;
    struct prng p = prng_seed(3);
    for (int k = 0; k < 2000; k++) {
        struct filter f = random_filter(&p, 2);
        const double h[2] = { between(&p, -3.0, 3.0), 0.0 };
        struct filter_guess g = filter_expect(&f, 2, h, 1.0, 0.0);
        g.variance *= 1.0 - 1e-12; /* as if rounded the wrong way */
        take_in(&f, 2, h, g, 0);
        ck_assert_double_ge(filter_cov(&f, 0, 0), 0.0);
        cut += filter_cov(&f, 0, 0) <= 0.0;
    }
    ck_assert_int_gt(cut, 1000);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("filter");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, each_pair_of_states_has_one_place_of_its_own);
    tcase_add_test(t, one_state_is_the_scalar_filter_done_by_hand);
    tcase_add_test(t, many_measurements_of_a_constant_are_their_mean);
    tcase_add_test(t, a_level_follows_its_rate_and_so_does_its_doubt);
    tcase_add_test(t, two_levels_tell_the_rate);
    tcase_add_loop_test(t, adding_and_scaling_are_what_whole_matrices_say, 0, 200);
    tcase_add_loop_test(t, a_state_that_is_set_has_nothing_to_do_with_the_others, 0, 50);
    tcase_add_loop_test(t, taking_a_measurement_in_is_josephs_form, 0, 8);
    tcase_add_loop_test(t, considered_states_stay_and_the_rest_is_josephs_form_still, 0, 8);
    tcase_add_test(t, the_doubt_of_a_considered_state_counts);
    tcase_add_loop_test(t, no_variance_becomes_negative_and_no_correlation_passes_one, 0, 8);
    tcase_add_test(t, rounding_leaves_no_variance_below_zero);
    return run_case(t, "filter");
}
