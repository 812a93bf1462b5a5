#include "lib/control/filter.h"

#include <stdbool.h>

void filter_add(struct filter *f, int n, int to, int from, double factor)
{
    f->x[to] += factor * f->x[from];
    const double cross = filter_cov(f, to, from), own = filter_cov(f, from, from);
    for (int j = 0; j < n; j++) {
        if (j != to) f->p[filter_at(to, j)] += factor * filter_cov(f, from, j);
    }
    f->p[filter_at(to, to)] += factor * (2.0 * cross + factor * own);
}

void filter_scale(struct filter *f, int n, int i, double factor)
{
    f->x[i] *= factor;
    for (int j = 0; j < n; j++) {
        f->p[filter_at(i, j)] *= j == i ? factor * factor : factor;
    }
}

void filter_set(struct filter *f, int n, int i, double value, double variance)
{
    for (int j = 0; j < n; j++) {
        f->p[filter_at(i, j)] = 0.0;
    }
    f->x[i] = value;
    f->p[filter_at(i, i)] = variance;
}

struct filter_guess filter_expect(
    const struct filter *f, int n, const double *h, double y, double variance)
{
    struct filter_guess guess = { y, variance };
    for (int i = 0; i < n; i++) {
        guess.miss -= h[i] * f->x[i];
        for (int j = 0; j < n; j++) {
            guess.variance += h[i] * h[j] * filter_cov(f, i, j);
        }
    }
    return guess;
}

void filter_take(
    struct filter *f, int n, const double *h, struct filter_guess guess, unsigned considered)
{
    double share[FILTER_MOST];
    for (int i = 0; i < n; i++) {
        share[i] = 0.0;
        for (int j = 0; j < n; j++) {
            share[i] += h[j] * filter_cov(f, i, j);
        }
    }
    for (int i = 0; i < n; i++) {
        const bool stays = considered >> i & 1U;
        if (!stays) f->x[i] += share[i] * guess.miss / guess.variance;
        for (int j = 0; j <= i; j++) {
            if (stays && (considered >> j & 1U)) continue;
            f->p[filter_at(i, j)] -= share[i] * share[j] / guess.variance;
        }
    }
    for (int i = 0; i < n; i++) { /* rounding never makes a variance negative */
        if (f->p[filter_at(i, i)] < 0.0) f->p[filter_at(i, i)] = 0.0;
    }
}
