#include "lib/chem/least_squares.h"

#include <math.h>
#include <string.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

static double misfit(const struct squares *q, const double *x)
{
    double sum = 0;
    for (uint32_t r = 0; r < q->rows; r++) {
        double d = -q->b[r];
        for (uint32_t i = 0; i < q->unknowns; i++) {
            d += q->a[r][i] * x[i];
        }
        sum += d * d;
    }
    return sum;
}

/* Half the slope of the misfit. */
static double slope(const struct squares *q, const double *x, uint32_t i)
{
    double sum = 0;
    for (uint32_t r = 0; r < q->rows; r++) {
        double d = -q->b[r];
        for (uint32_t k = 0; k < q->unknowns; k++) {
            d += q->a[r][k] * x[k];
        }
        sum += q->a[r][i] * d;
    }
    return sum;
}

static double real_of(struct prng *p)
{
    return prng_unit(p);
}

static void make(struct squares *q, struct prng *p, uint32_t unknowns, uint32_t rows)
{
    *q = (struct squares){ .unknowns = unknowns, .rows = rows };
    for (uint32_t r = 0; r < rows; r++) {
        q->b[r] = 4 * real_of(p) - 1;
        for (uint32_t i = 0; i < unknowns; i++) {
            q->a[r][i] = real_of(p) < 0.4 ? 0 : real_of(p);
        }
    }
    for (uint32_t i = 0; i < unknowns; i++) {
        q->most[i] = real_of(p) < 0.5 ? INFINITY : 2 * real_of(p);
        if (real_of(p) < 0.05) q->most[i] = 0;
    }
}

/* Kuhn and Tucker: at 0 the misfit may only rise, at the most only fall with more, in between be
 * level. That and the bounds make it the least, as the problem is convex. */
static void check_least(const struct squares *q, const double *x)
{
    for (uint32_t i = 0; i < q->unknowns; i++) {
        double length = 0;
        for (uint32_t r = 0; r < q->rows; r++) {
            length += q->a[r][i] * q->a[r][i];
        }
        const double g = slope(q, x, i), slack = 1e-7 * (1 + sqrt(length));
        ck_assert(x[i] >= 0 && x[i] <= q->most[i] * (1 + 1e-12));
        if (!(length > 0) || !(q->most[i] > 0)) {
            ck_assert(x[i] == 0);
        } else if (x[i] == 0) {
            ck_assert_msg(g > -slack, "slope %g at 0", g);
        } else if (x[i] >= q->most[i] * (1 - 1e-12)) {
            ck_assert_msg(g < slack, "slope %g at the most", g);
        } else {
            ck_assert_msg(fabs(g) < slack, "slope %g between", g);
        }
    }
}

START_TEST(ten_thousand_random_problems_are_at_their_least)
{
    struct squares q;
    uint32_t most = 0;
    for (uint64_t seed = 1; seed <= 10000; seed++) {
        struct prng p = prng_seed(seed);
        make(&q, &p, 1 + (uint32_t)(seed % SQUARES_UNKNOWNS_MAX),
            1 + (uint32_t)(seed / 7 % SQUARES_ROWS_MAX));
        double x[SQUARES_UNKNOWNS_MAX];
        const uint32_t rounds = squares_solve(x, &q);
        ck_assert_msg(rounds > 0, "seed %llu didn't settle", (unsigned long long)seed);
        if (rounds > most) most = rounds;
        check_least(&q, x);
    }
    ck_assert_msg(most < SQUARES_ROUNDS_MAX / 2, "%u rounds", most);
}
END_TEST

/* A grid over three unknowns can't find less. */
START_TEST(no_point_of_a_grid_is_better)
{
    for (uint64_t seed = 1; seed <= 60; seed++) {
        struct squares q;
        struct prng p = prng_seed(seed);
        make(&q, &p, 3, 4);
        double x[SQUARES_UNKNOWNS_MAX];
        ck_assert_uint_gt(squares_solve(x, &q), 0);
        const double least = misfit(&q, x);
        for (int n = 0; n < 41 * 41 * 41; n++) {
            const double g[3] = { n % 41 / 10.0, n / 41 % 41 / 10.0, n / 1681 / 10.0 };
            if (g[0] > q.most[0] || g[1] > q.most[1] || g[2] > q.most[2]) continue;
            ck_assert(misfit(&q, g) >= least - 1e-8);
        }
    }
}
END_TEST

START_TEST(an_exact_answer_is_found_exactly)
{
    struct squares q = { .unknowns = 2,
        .rows = 2,
        .a = { { 1, 1 }, { 0, 2 } },
        .b = { 3, 4 },
        .most = { INFINITY, INFINITY } };
    double x[SQUARES_UNKNOWNS_MAX];
    ck_assert_uint_gt(squares_solve(x, &q), 0);
    ck_assert_double_eq_tol(x[0], 1, 1e-8);
    ck_assert_double_eq_tol(x[1], 2, 1e-8);
    q.most[1] = 0.5;
    ck_assert_uint_gt(squares_solve(x, &q), 0);
    ck_assert_double_eq_tol(x[1], 0.5, 1e-12);
    ck_assert_double_eq_tol(x[0], 2.5, 1e-8);
    q.most[0] = 0;
    ck_assert_uint_gt(squares_solve(x, &q), 0);
    ck_assert(x[0] == 0);
}
END_TEST

/* Two names for one salt: any split is as good; the same one comes out, evenly. */
START_TEST(twins_share_and_empty_columns_stay_out)
{
    const struct squares q = { .unknowns = 3,
        .rows = 2,
        .a = { { 1, 1, 0 }, { 2, 2, 0 } },
        .b = { 1, 2 },
        .most = { INFINITY, INFINITY, INFINITY } };
    double x[SQUARES_UNKNOWNS_MAX], y[SQUARES_UNKNOWNS_MAX];
    ck_assert_uint_gt(squares_solve(x, &q), 0);
    ck_assert_double_eq_tol(x[0] + x[1], 1, 1e-8);
    ck_assert_double_eq_tol(x[0], 0.5, 1e-4);
    ck_assert(x[2] == 0);
    ck_assert_uint_gt(squares_solve(y, &q), 0);
    ck_assert_mem_eq(x, y, 3 * sizeof x[0]);
}
END_TEST

START_TEST(what_would_have_to_be_taken_away_stays_at_zero)
{
    const struct squares q = {
        .unknowns = 1, .rows = 1, .a = { { 1 } }, .b = { -3 }, .most = { INFINITY }
    };
    double x[SQUARES_UNKNOWNS_MAX];
    ck_assert_uint_gt(squares_solve(x, &q), 0);
    ck_assert(x[0] == 0);
    const struct squares none = { .unknowns = 0, .rows = 3, .b = { 1, 2, 3 } };
    ck_assert_uint_gt(squares_solve(x, &none), 0);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("least squares");
    tcase_set_timeout(tc, 120);
    tcase_add_test(tc, ten_thousand_random_problems_are_at_their_least);
    tcase_add_test(tc, no_point_of_a_grid_is_better);
    tcase_add_test(tc, an_exact_answer_is_found_exactly);
    tcase_add_test(tc, twins_share_and_empty_columns_stay_out);
    tcase_add_test(tc, what_would_have_to_be_taken_away_stays_at_zero);
    return run_case(tc, "least squares");
}
