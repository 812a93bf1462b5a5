/* Solves the equations: Newton's method on everything at once, or a convex minimum inside a
 * bisection.
 *
 * For a given ionic strength the mass balances are the gradient of
 *   sum over species of m(x) - sum over components of total * x
 * which is convex in the logarithms x and has one minimum: Newton's method with a line search finds
 * it from anywhere. The ionic strength that comes out of it is a continuous function of the one put
 * in, and bounded, so that bisection finds one that agrees. */
#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/real.h"
#include "lib/chem/equilibrium_inside.h"
#include "lib/chem/quick_exp.h"

enum {
    NEWTON_ROUNDS_MAX = 60,
    CONVEX_ROUNDS_MAX = 300, /* for one ionic strength */
    HALVINGS_MAX = 30,       /* of a step */
    BISECTIONS_MAX = 56,
};

static const double mass_tolerance = 1e-12; /* of each component's total */
static const double strength_tolerance = 1e-10;
static const double water_tolerance = 1e-7; /* of its activity; it moves no balance */
static const double step_most = 4.0;        /* of a logarithm */
static const double log_m_most = 30.0;

/* Where the equations stand at a state, and their slopes. Unknowns: the components, H+ (or the
 * dose), the ionic strength; 'n' is the place of the second. */
struct sums {
    int32_t n;
    double left[SYSTEM_UNKNOWNS_MAX];
    double scale[SYSTEM_UNKNOWNS_MAX];
    double slope[SYSTEM_UNKNOWNS_MAX][SYSTEM_UNKNOWNS_MAX];
    double solutes;
};

/* The slopes among components and H+ are symmetric: only the lower half is added up. */
static void add_part(struct sums *sums, const struct part *part, double m, double log_slope)
{
    const int32_t h = sums->n, i = sums->n + 1;
    const double half_z2 = part->half_z2 * m;
    double *const slope_i = sums->slope[i];
    for (int c = 0; c < part->terms; c++) {
        const int8_t at = part->at[c];
        const double of_m = part->of[c] * m;
        double *const slope = sums->slope[at];
        sums->left[at] += of_m;
        slope[i] += of_m * log_slope;
        slope_i[at] -= half_z2 * part->of[c];
        for (int d = 0; d <= c; d++) {
            slope[part->at[d]] += of_m * part->of[d];
        }
    }
    sums->scale[h] += fabs(part->h * m);
    sums->left[i] -= half_z2;
    slope_i[i] -= half_z2 * log_slope;
    sums->solutes += m;
}

static void mirror(struct sums *sums)
{
    for (int32_t r = 0; r <= sums->n; r++) {
        for (int32_t c = 0; c < r; c++) {
            sums->slope[c][r] = sums->slope[r][c];
        }
    }
}

static void clear(struct sums *sums, int32_t n)
{
    sums->n = n;
    sums->solutes = 0.0;
    for (int32_t r = 0; r < n + 2; r++) {
        sums->left[r] = sums->scale[r] = 0.0;
        for (int32_t c = 0; c < n + 2; c++) {
            sums->slope[r][c] = 0.0;
        }
    }
}

static void drop_unknown(struct sums *sums, int32_t at)
{
    for (int32_t j = 0; j < sums->n + 2; j++) {
        sums->slope[at][j] = sums->slope[j][at] = 0.0;
    }
    sums->slope[at][at] = 1.0;
    sums->left[at] = 0.0;
    sums->scale[at] = 1.0;
}

static void evaluate(
    const struct system *s, struct state *state, enum unknown unknown, struct sums *sums)
{
    const struct activity activity = activity_at(&s->solvent, state->i);
    const int32_t n = s->ions;
    clear(sums, n);
    for (int k = 0; k < s->parts; k++) {
        const struct part *part = &s->part[k];
        double log_m = part->log_k + part->h * state->x_h + part->h2o * state->log_a_w -
                       part->b * activity.i + part->a_z2 * activity.root[part->size];
        for (int c = 0; c < part->count; c++) {
            log_m += part->of[c] * state->x[part->at[c]];
        }
        const double log_slope =
            part->a_z2 * activity.root_slope[part->size] - part->b * activity.slope_i;
        add_part(sums, part, quick_exp(log_m < log_m_most ? log_m : log_m_most), log_slope);
    }
    state->rounds++;
    mirror(sums);
    for (int32_t i = 0; i < n; i++) {
        sums->scale[i] = sums->left[i];
        sums->left[i] -= system_total(s, state, i);
    }
    sums->left[n] -= s->total_h + state->dose * s->dose_h;
    sums->left[n + 1] += state->i;
    sums->scale[n + 1] = state->i;
    sums->slope[n + 1][n + 1] += 1.0;
    if (unknown == UNKNOWN_NONE) drop_unknown(sums, n);
    if (unknown != UNKNOWN_DOSE) return;
    for (int32_t i = 0; i < n; i++) {
        sums->slope[i][n] = -s->dose[i];
    }
    sums->slope[n][n] = -s->dose_h;
    sums->slope[n + 1][n] = 0.0;
}

/* Are the balances still so far off that the ionic strength they give means nothing? */
static bool is_far(const struct sums *sums)
{
    const double near = 0.5;
    for (int32_t i = 0; i <= sums->n; i++) {
        if (!(fabs(sums->left[i]) <= near * sums->scale[i])) return true;
    }
    return false;
}

static bool is_settled(const struct sums *sums)
{
    for (int32_t i = 0; i <= sums->n; i++) {
        if (!(fabs(sums->left[i]) <= mass_tolerance * sums->scale[i])) return false;
    }
    const int32_t i = sums->n + 1;
    return fabs(sums->left[i]) <= strength_tolerance * sums->scale[i];
}

/* --- linear equations ------------------------------------------------------------------------- */

static int32_t pivot_of(const struct sums *sums, int32_t column)
{
    int32_t best = column;
    for (int32_t r = column + 1; r < sums->n + 2; r++) {
        if (fabs(sums->slope[r][column]) > fabs(sums->slope[best][column])) best = r;
    }
    return best;
}

static void swap_rows(struct sums *sums, double *right, int32_t a, int32_t b)
{
    if (a == b) return;
    for (int32_t c = a; c < sums->n + 2; c++) { /* what is left of a is done with */
        const double kept = sums->slope[a][c];
        sums->slope[a][c] = sums->slope[b][c];
        sums->slope[b][c] = kept;
    }
    const double kept = right[a];
    right[a] = right[b];
    right[b] = kept;
}

static void eliminate(struct sums *sums, double *right, int32_t column)
{
    const int32_t size = sums->n + 2;
    const double per = 1.0 / sums->slope[column][column];
    for (int32_t r = column + 1; r < size; r++) {
        const double factor = sums->slope[r][column] * per;
        if (factor > 0.0 || factor < 0.0) {
            for (int32_t c = column + 1; c < size; c++) {
                sums->slope[r][c] -= factor * sums->slope[column][c];
            }
            right[r] -= factor * right[column];
        }
    }
}

/* slope * step = -left, by elimination with rows scaled; uses up the slopes. False when singular.
 */
static bool solve_step(struct sums *sums, double step[SYSTEM_UNKNOWNS_MAX])
{
    const int32_t size = sums->n + 2;
    for (int32_t r = 0; r < size; r++) {
        const double per = 1.0 / (sums->scale[r] + 1e-300);
        step[r] = -sums->left[r] * per;
        for (int32_t c = 0; c < size; c++) {
            sums->slope[r][c] *= per;
        }
    }
    for (int32_t c = 0; c < size; c++) {
        swap_rows(sums, step, c, pivot_of(sums, c));
        if (!(fabs(sums->slope[c][c]) > 1e-200)) return false;
        eliminate(sums, step, c);
    }
    for (int32_t r = size - 1; r >= 0; r--) {
        for (int32_t c = r + 1; c < size; c++) {
            step[r] -= sums->slope[r][c] * step[c];
        }
        step[r] /= sums->slope[r][r];
        if (!isfinite(step[r])) return false;
    }
    return true;
}

/* --- Newton's method -------------------------------------------------------------------------- */

/* The share of a step that changes no logarithm by more than 'step_most'. */
static double share_of(const struct sums *sums, const double *step, enum unknown unknown)
{
    double most = step_most;
    for (int32_t i = 0; i < sums->n; i++) {
        if (fabs(step[i]) > most) most = fabs(step[i]);
    }
    if (unknown == UNKNOWN_PH && fabs(step[sums->n]) > most) most = fabs(step[sums->n]);
    return step_most / most;
}

static void move(struct state *state, int32_t n, const double *step, double share)
{
    for (int32_t i = 0; i < n; i++) {
        state->x[i] += share * step[i];
    }
}

static void move_strength(struct state *state, double by)
{
    const double least = state->i * 0.25, most = state->i * 4.0;
    const double i = state->i + by;
    state->i = i < least ? least : i > most ? most : i;
}

bool system_newton(const struct system *s, struct state *state, enum unknown unknown)
{
    struct sums sums = { .n = 0 };
    double step[SYSTEM_UNKNOWNS_MAX] = { 0.0 };
    double seen_a_w = real_exp(state->log_a_w);
    for (int round = 0; round < NEWTON_ROUNDS_MAX; round++) {
        evaluate(s, state, unknown, &sums);
        const double a_w = activity_of_water(sums.solutes);
        const bool water_settled = fabs(a_w - seen_a_w) < water_tolerance;
        if (water_settled && is_settled(&sums)) return true;
        const bool far = is_far(&sums);
        if (far) drop_unknown(&sums, s->ions + 1);
        if (!far && !water_settled) {
            seen_a_w = a_w;
            state->log_a_w = real_log(a_w);
        }
        if (!solve_step(&sums, step)) return false;
        const double share = share_of(&sums, step, unknown);
        move(state, s->ions, step, share);
        if (unknown == UNKNOWN_PH) state->x_h += share * step[s->ions];
        if (unknown == UNKNOWN_DOSE) state->dose += share * step[s->ions];
        move_strength(state, share * step[s->ions + 1]);
    }
    return false;
}

/* --- the way that can't fail ------------------------------------------------------------------ */

static double downhill(const struct sums *sums, const double *step)
{
    double sum = 0.0;
    for (int32_t i = 0; i <= sums->n; i++) {
        sum += sums->left[i] * step[i];
    }
    return sum;
}

/* Moves along the step by as much of it as doesn't overshoot, and leaves the sums of that place. */
static void search_line(const struct system *s, struct state *state, enum unknown unknown,
    struct sums *sums, const double *step)
{
    const double slope = downhill(sums, step);
    double share = share_of(sums, step, unknown);
    for (int halving = 0; halving < HALVINGS_MAX; halving++) {
        struct state next = *state;
        move(&next, s->ions, step, share);
        if (unknown == UNKNOWN_PH) next.x_h += share * step[s->ions];
        evaluate(s, &next, unknown, sums);
        state->rounds = next.rounds;
        drop_unknown(sums, s->ions + 1);
        if (downhill(sums, step) <= 0.5 * fabs(slope)) {
            *state = next;
            return;
        }
        share *= 0.5;
    }
    evaluate(s, state, unknown, sums);
    drop_unknown(sums, s->ions + 1);
}

/* The minimum at the state's ionic strength; leaves sums of it with the ionic strength it has. */
static bool minimise(
    const struct system *s, struct state *state, enum unknown unknown, struct sums *sums)
{
    double step[SYSTEM_UNKNOWNS_MAX] = { 0.0 };
    evaluate(s, state, unknown, sums);
    drop_unknown(sums, s->ions + 1);
    const int32_t rounds_max = EQUILIBRIUM_ROUNDS_MAX - HALVINGS_MAX - 3;
    for (int round = 0; round < CONVEX_ROUNDS_MAX && state->rounds < rounds_max; round++) {
        if (is_settled(sums)) {
            evaluate(s, state, unknown, sums);
            return true;
        }
        struct sums used = *sums;
        if (!solve_step(&used, step)) return false;
        search_line(s, state, unknown, sums, step);
    }
    return false;
}

bool system_bisect(const struct system *s, struct state *state, enum unknown unknown)
{
    double low = 1e-9, high = 1000.0;
    struct sums sums = { .n = 0 };
    for (int i = 0; i < BISECTIONS_MAX; i++) {
        state->i = sqrt(low * high);
        if (!minimise(s, state, unknown, &sums)) return false;
        state->log_a_w = real_log(activity_of_water(sums.solutes));
        if (sums.left[s->ions + 1] > 0.0)
            high = state->i;
        else
            low = state->i;
    }
    return minimise(s, state, unknown, &sums);
}

bool system_solve(const struct system *s, struct state *state, enum unknown unknown)
{
    const double x_h = state->x_h;
    const bool ph_given = unknown != UNKNOWN_PH;
    system_guess(s, state, ph_given);
    struct state first = *state;
    if (system_newton(s, state, unknown)) return true;
    if (unknown == UNKNOWN_DOSE) return false;
    first.rounds = state->rounds;
    *state = first;
    state->x_h = ph_given ? x_h : first.x_h;
    return system_bisect(s, state, unknown);
}
