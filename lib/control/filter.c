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
    struct filter_guess guess = { y, variance, { 0.0 } };
    const double *p = f->p; /* row by row, up to the diagonal */
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < i; j++) {
            guess.share[i] += h[j] * *p;
            guess.share[j] += h[i] * *p++;
        }
        guess.share[i] += h[i] * *p++;
    }
    for (int i = 0; i < n; i++) {
        guess.miss -= h[i] * f->x[i];
        guess.variance += h[i] * guess.share[i];
    }
    return guess;
}

void filter_take(struct filter *f, int n, const struct filter_guess *guess, unsigned considered)
{
    const double *share = guess->share;

    double *p = f->p;
    for (int i = 0; i < n; i++) {
        const bool stays = considered >> i & 1U;
        const double gain = share[i] / guess->variance;
        if (!stays) f->x[i] += gain * guess->miss;
        for (int j = 0; j <= i; j++, p++) {
            if (!stays || !(considered >> j & 1U)) *p -= share[i] * share[j] / guess->variance;
        }
        double *own = &f->p[filter_at(i, i)]; /* rounding never makes a variance negative */
        if (*own < 0.0) *own = 0.0;
    }
}
