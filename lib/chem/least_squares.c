#include "lib/chem/least_squares.h"

#include <math.h>

#include "lib/base/invariant.h"

#define RIDGE 1e-10
#define SLOPE_SLACK 1e-12 /* of the largest slope at the start */

enum { N = SQUARES_UNKNOWNS_MAX };
enum rest { AT_ZERO, AT_MOST, FREE, OUT };

struct work {
    uint32_t n;
    double h[N][N], f[N]; /* normal equations of the scaled problem */
    double length[N];     /* of the columns before scaling */
    double most[N], y[N];
    enum rest rest[N];
    bool blocked[N]; /* freed in vain since the last step */
    double slack;
};

static double product(const struct squares *job, uint32_t i, uint32_t j)
{
    double sum = 0.0;
    for (uint32_t r = 0; r < job->rows; r++) {
        sum += job->a[r][i] * job->a[r][j];
    }
    return sum;
}

static double product_b(const struct squares *job, uint32_t i)
{
    double sum = 0.0;
    for (uint32_t r = 0; r < job->rows; r++) {
        sum += job->a[r][i] * job->b[r];
    }
    return sum;
}

static void prepare(struct work *w, const struct squares *job)
{
    double largest = 0.0;
    w->n = job->unknowns;
    for (uint32_t i = 0; i < w->n; i++) {
        w->length[i] = sqrt(product(job, i, i));
        const bool out = !(w->length[i] > 0.0) || !(job->most[i] > 0.0);
        w->rest[i] = out ? OUT : AT_ZERO;
        w->y[i] = 0.0;
        w->most[i] = job->most[i] * w->length[i];
        w->blocked[i] = false;
    }
    for (uint32_t i = 0; i < w->n; i++) {
        if (w->rest[i] == OUT) continue;
        w->f[i] = product_b(job, i) / w->length[i];
        if (fabs(w->f[i]) > largest) largest = fabs(w->f[i]);
        for (uint32_t j = 0; j < w->n; j++) {
            if (w->rest[j] == OUT) continue;
            w->h[i][j] = product(job, i, j) / (w->length[i] * w->length[j]);
        }
        w->h[i][i] += RIDGE;
    }
    w->slack = SLOPE_SLACK * largest;
}

/* How the misfit would fall with y[i]. */
static double slope(const struct work *w, uint32_t i)
{
    double g = w->f[i];
    for (uint32_t j = 0; j < w->n; j++) {
        if (w->rest[j] != OUT) g -= w->h[i][j] * w->y[j];
    }
    return g;
}

/* The unknown at a bound that most wants to leave it; n when none does. */
static uint32_t find_candidate(const struct work *w)
{
    uint32_t best = w->n;
    double most = w->slack;
    for (uint32_t i = 0; i < w->n; i++) {
        if (w->blocked[i] || w->rest[i] == FREE || w->rest[i] == OUT) continue;
        const double g = w->rest[i] == AT_ZERO ? slope(w, i) : 0.0 - slope(w, i);
        if (g > most) {
            most = g;
            best = i;
        }
    }
    return best;
}

/* --- the free ones ---------------------------------------------------------------------------- */

struct system {
    uint32_t size, at[N]; /* which unknowns */
    double l[N][N], z[N];
};

static void gather(struct system *s, const struct work *w)
{
    s->size = 0;
    for (uint32_t i = 0; i < w->n; i++) {
        if (w->rest[i] != FREE) continue;
        double f = w->f[i];
        for (uint32_t j = 0; j < w->n; j++) {
            if (w->rest[j] == AT_MOST) f -= w->h[i][j] * w->y[j];
        }
        s->z[s->size] = f;
        s->at[s->size++] = i;
    }
}

static void factor(struct system *s, const struct work *w)
{
    for (uint32_t i = 0; i < s->size; i++) {
        for (uint32_t j = 0; j <= i; j++) {
            double sum = w->h[s->at[i]][s->at[j]];
            for (uint32_t k = 0; k < j; k++)
                sum -= s->l[i][k] * s->l[j][k];
            if (i == j)
                s->l[i][i] = sqrt(sum > RIDGE / 10.0 ? sum : RIDGE / 10.0);
            else
                s->l[i][j] = sum / s->l[j][j];
        }
    }
}

static void solve_free(struct system *s, const struct work *w)
{
    gather(s, w);
    factor(s, w);
    for (uint32_t i = 0; i < s->size; i++) {
        for (uint32_t k = 0; k < i; k++)
            s->z[i] -= s->l[i][k] * s->z[k];
        s->z[i] /= s->l[i][i];
    }
    for (uint32_t i = s->size; i-- > 0;) {
        for (uint32_t k = i + 1; k < s->size; k++)
            s->z[i] -= s->l[k][i] * s->z[k];
        s->z[i] /= s->l[i][i];
    }
}

/* How far from y towards z before a bound is met; 1 when none is. */
static double step_to_bound(const struct work *w, const struct system *s)
{
    double step = 1.0;
    for (uint32_t k = 0; k < s->size; k++) {
        const uint32_t i = s->at[k];
        double part = 1.0;
        if (s->z[k] < 0.0) part = w->y[i] / (w->y[i] - s->z[k]);
        if (s->z[k] > w->most[i]) part = (w->most[i] - w->y[i]) / (s->z[k] - w->y[i]);
        if (part < step) step = part;
    }
    return step;
}

/* Moves, and lays to rest what arrived at a bound. */
static void move(struct work *w, const struct system *s, double step)
{
    for (uint32_t k = 0; k < s->size; k++) {
        const uint32_t i = s->at[k];
        const double y = w->y[i] + step * (s->z[k] - w->y[i]);
        w->y[i] = y;
        if (step < 1.0 && s->z[k] < 0.0 && y <= RIDGE * (1.0 + fabs(s->z[k]))) {
            w->rest[i] = AT_ZERO;
            w->y[i] = 0.0;
        } else if (step < 1.0 && s->z[k] > w->most[i] && y >= w->most[i] * (1.0 - RIDGE)) {
            w->rest[i] = AT_MOST;
            w->y[i] = w->most[i];
        }
    }
}

/* Did freeing it move it the way that it wanted? If not, that was rounding. */
static bool went_its_way(const struct system *s, const struct work *w, uint32_t freed)
{
    for (uint32_t k = 0; k < s->size; k++) {
        if (s->at[k] != freed) continue;
        return w->y[freed] > 0.0 ? s->z[k] < w->y[freed] : s->z[k] > 0.0;
    }
    return false;
}

/* Frees one, and solves until all free ones are within their bounds. */
static void free_one(struct work *w, uint32_t candidate)
{
    struct system s;
    const enum rest before = w->rest[candidate];
    w->rest[candidate] = FREE;
    solve_free(&s, w);
    if (!went_its_way(&s, w, candidate)) {
        w->rest[candidate] = before;
        w->blocked[candidate] = true;
        return;
    }
    for (uint32_t pass = 0; pass <= w->n; pass++) { /* each lays at least one to rest */
        const double step = step_to_bound(w, &s);
        move(w, &s, step);
        if (!(step < 1.0)) break;
        solve_free(&s, w);
    }
    for (uint32_t i = 0; i < w->n; i++) {
        w->blocked[i] = false;
    }
}

uint32_t squares_solve(double ret_x[SQUARES_UNKNOWNS_MAX], const struct squares *job)
{
    INVARIANT(job->unknowns <= SQUARES_UNKNOWNS_MAX && job->rows <= SQUARES_ROWS_MAX);
    struct work w;
    prepare(&w, job);
    for (uint32_t round = 1; round <= SQUARES_ROUNDS_MAX; round++) {
        const uint32_t candidate = find_candidate(&w);
        if (candidate < w.n) {
            free_one(&w, candidate);
            continue;
        }
        for (uint32_t i = 0; i < w.n; i++) {
            ret_x[i] = w.rest[i] == OUT ? 0.0 : w.y[i] / w.length[i];
        }
        return round;
    }
    return 0;
}
