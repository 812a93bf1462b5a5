/* A small Kalman filter: up to six numbers of which one is measured now and then, each with its
 * uncertainty. R. E. Kalman, "A new approach to linear filtering and prediction problems", Journal
 * of Basic Engineering 82, 1960. Time and units are the caller's. Private to control. */
#ifndef DOSEWRIGHT_CONTROL_FILTER_H
#define DOSEWRIGHT_CONTROL_FILTER_H

enum { FILTER_MOST = 6, FILTER_PAIRS = FILTER_MOST * (FILTER_MOST + 1) / 2 };

struct filter {
    double x[FILTER_MOST];
    double p[FILTER_PAIRS]; /* covariances, one of each pair: filter_at */
};

/* Where the covariance of two states is kept. */
static inline int filter_at(int i, int j)
{
    return i > j ? i * (i + 1) / 2 + j : j * (j + 1) / 2 + i;
}

static inline double filter_cov(const struct filter *f, int i, int j)
{
    return f->p[filter_at(i, j)];
}

/* x[to] += factor * x[from], with all that follows for the covariances. */
void filter_add(struct filter *f, int n, int to, int from, double factor);

/* x[i] *= factor. */
void filter_scale(struct filter *f, int n, int i, double factor);

/* State 'i' becomes 'value', with that variance, and has nothing to do with the others any more. */
void filter_set(struct filter *f, int n, int i, double value, double variance);

/* What was expected of a measurement, before it is taken in. */
struct filter_guess {
    double miss;               /* measured less expected */
    double variance;           /* of that */
    double share[FILTER_MOST]; /* covariance of each state with it */
};

/* 'y' = sum of h[i] x[i], with noise of 'variance'. */
struct filter_guess filter_expect(
    const struct filter *f, int n, const double *h, double y, double variance);

/* Takes it in; 'guess' is filter_expect's. States whose bit is set in 'considered' stay as they
 * are: their doubt counts, but this measurement teaches nothing about them (S. F. Schmidt,
 * "Application of state-space methods to navigation problems", Advances in Control Systems 3,
 * 1966). */
void filter_take(struct filter *f, int n, const struct filter_guess *guess, unsigned considered);

#endif
