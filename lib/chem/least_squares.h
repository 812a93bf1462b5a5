/* Bounded linear least squares: x with 0 <= x <= most that makes |A x - b|^2 smallest.
 *
 * Method: active sets after C. Lawson and R. Hanson (Solving Least Squares Problems, 1974; from
 * memory), with upper bounds as P. Stark and R. Parker add them (Computational Statistics 10,
 * 1995): unknowns that rest at a bound are freed one at a time where the slope wants it; the free
 * ones are solved for by Cholesky's method; a step that would leave the bounds stops there. Columns
 * are scaled to length 1 and 1e-10 is added to the diagonal, so that of many best answers the one
 * with the smallest scaled unknowns is taken, and the same one every time. */
#ifndef DOSEWRIGHT_CHEM_LEAST_SQUARES_H
#define DOSEWRIGHT_CHEM_LEAST_SQUARES_H

#include "lib/base/units.h"

enum { SQUARES_UNKNOWNS_MAX = 24, SQUARES_ROWS_MAX = 32, SQUARES_ROUNDS_MAX = 240 };

struct squares {
    uint32_t unknowns, rows;
    double a[SQUARES_ROWS_MAX][SQUARES_UNKNOWNS_MAX];
    double b[SQUARES_ROWS_MAX];
    double most[SQUARES_UNKNOWNS_MAX]; /* 0 or more; INFINITY for none */
};

/* Rounds that it took, at most SQUARES_ROUNDS_MAX; 0 when it didn't settle in those, which no
 * problem tried so far has managed. All of 'job' is finite but 'most'. */
uint32_t squares_solve(double ret_x[SQUARES_UNKNOWNS_MAX], const struct squares *job);

#endif
