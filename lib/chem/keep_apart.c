#include "lib/chem/keep_apart.h"

#include <math.h>

#include "lib/base/invariant.h"

enum { PARTS_HALVINGS = 24, PARTS_STEPS = 35 }; /* 2 x 1.2^34 is over OVERLAP_PARTS_MAX */

static const struct {
    enum solid solid;
    double margin;
} quick[] = {
    { SOLID_GYPSUM, 0.0 },
    { SOLID_BRUSHITE, 0.3 },
    { SOLID_STRUVITE, 0.3 },
    { SOLID_CALCITE, 0.5 },
    { SOLID_BRUCITE, 0.3 },
};
enum { QUICK = sizeof quick / sizeof quick[0] };

static const struct air closed = { .open = false, .log_pco2 = 0.0 };

/* The solid furthest over its limit, and by how much (<= 0: none is). */
struct worst {
    enum solid solid;
    double index, over;
};

/* What each solid may reach: its margin, or the line's own index and a trifle. */
struct limits {
    double limit[QUICK];
};

static enum err set_limits(
    struct limits *ret, const struct overlap *overlap, struct problem *problem)
{
    const double trifle = 0.05;
    struct equilibrium e;
    const enum err err = equilibrium_solve(&e, overlap->line, overlap->degc, &closed, problem);
    if (err != ERR_NONE) return err;
    for (int i = 0; i < QUICK; i++) {
        const double own = saturation_index(&e, quick[i].solid) + trifle;
        ret->limit[i] = own > quick[i].margin ? own : quick[i].margin;
    }
    return ERR_NONE;
}

/* A stock that the equations can take: diluted when it is too strong for them. */
static struct water tamed(const struct water *stock)
{
    double most = 0.0, sum = 0.0;
    for (int i = 0; i < ION_COUNT; i++) {
        if (stock->mmol_l[i] > most) most = stock->mmol_l[i];
        sum += stock->mmol_l[i];
    }
    double by = 1.0;
    if (most > EQUILIBRIUM_MMOL_L_MAX) by = EQUILIBRIUM_MMOL_L_MAX / most;
    if (sum * by > EQUILIBRIUM_SUM_MMOL_L_MAX) by = EQUILIBRIUM_SUM_MMOL_L_MAX / sum;
    struct water w = { { 0.0 } };
    water_add(&w, stock, by * (1.0 - 1e-12));
    return w;
}

static struct water overlap_of(const struct overlap *overlap, double parts)
{
    struct water mix = { { 0.0 } };
    water_add(&mix, overlap->a, 1.0 / parts);
    water_add(&mix, overlap->b, 1.0 / parts);
    water_add(&mix, overlap->line, (parts - 2.0) / parts);
    return tamed(&mix);
}

static enum err look_at(struct worst *ret, const struct overlap *overlap,
    const struct limits *limits, double parts, struct problem *problem)
{
    const struct water mix = overlap_of(overlap, parts);
    struct equilibrium e;
    const enum err err = equilibrium_solve(&e, &mix, overlap->degc, &closed, problem);
    if (err != ERR_NONE) return err;
    *ret = (struct worst){ quick[0].solid, SATURATION_NONE, SATURATION_NONE };
    for (int i = 0; i < QUICK; i++) {
        const double index = saturation_index(&e, quick[i].solid);
        if (index <= SATURATION_NONE || index - limits->limit[i] <= ret->over) continue;
        *ret = (struct worst){ quick[i].solid, index, index - limits->limit[i] };
    }
    return ERR_NONE;
}

/* From undiluted down to the least dilution from which nothing is over its limit, on steps of a
 * fifth more water; then halved. More water can make it worse at first (a pH that rises). */
static enum err find_clear_parts(struct keep_apart *ret, const struct overlap *overlap,
    const struct limits *limits, struct problem *problem)
{
    const double step = 1.2;
    double clear = 2.0, falls = 0.0, parts = 2.0 / step;
    struct worst worst;
    for (int i = 0; i < PARTS_STEPS; i++) {
        parts *= step;
        const enum err err = look_at(&worst, overlap, limits, parts, problem);
        if (err != ERR_NONE) return err;
        if (worst.over <= 0.0) continue;
        ret->last = worst.solid;
        falls = parts;
        clear = parts * step;
    }
    ret->clear_parts = clear;
    if (!(falls > 0.0) || clear > OVERLAP_PARTS_MAX) return ERR_NONE;
    for (int i = 0; i < PARTS_HALVINGS; i++) {
        const double middle = 0.5 * (falls + clear);
        const enum err err = look_at(&worst, overlap, limits, middle, problem);
        if (err != ERR_NONE) return err;
        if (worst.over > 0.0)
            falls = middle;
        else
            clear = middle;
    }
    ret->clear_parts = clear;
    return ERR_NONE;
}

static enum err find_crystals(
    struct keep_apart *ret, const struct overlap *overlap, struct problem *problem)
{
    const struct water mix = overlap_of(overlap, 2.0);
    struct crystals crystals;
    const enum err err = stock_crystallises(&crystals, &mix, overlap->degc, problem);
    if (err != ERR_NONE) return err;
    ret->crystals = crystals.any;
    ret->crystal = crystals.crystal;
    return ERR_NONE;
}

static enum err ph_of(double *ret, const struct water *stock, double degc, struct problem *problem)
{
    const struct water w = tamed(stock);
    struct equilibrium e;
    const enum err err = equilibrium_solve(&e, &w, degc, &closed, problem);
    if (err == ERR_NONE) *ret = e.ph;
    return err;
}

/* Of one stock towards the other; called both ways round. */
static void find_hazards(
    struct keep_apart *ret, double ph, double other_ph, const struct water *other)
{
    const double acid = 3.0, strong_acid = 2.0, base = 9.5, trace = 1e-3;
    if (ph < acid && other_ph > base) ret->acid_base = true;
    if (ph < strong_acid && other->mmol_l[ION_FEEDTA] > trace) ret->chelate = true;
    if (ph > base && other->mmol_l[ION_NH4] > trace) ret->ammonia = true;
}

enum err keep_apart_look(
    struct keep_apart *ret, const struct overlap *overlap, struct problem *problem)
{
    *ret = (struct keep_apart){ .clear_parts = 2.0 };
    struct limits limits;
    struct worst undiluted;
    double ph_a = 7.0, ph_b = 7.0;
    enum err err = set_limits(&limits, overlap, problem);
    if (err == ERR_NONE) err = look_at(&undiluted, overlap, &limits, 2.0, problem);
    if (err == ERR_NONE) err = find_clear_parts(ret, overlap, &limits, problem);
    if (err == ERR_NONE) err = find_crystals(ret, overlap, problem);
    if (err == ERR_NONE) err = ph_of(&ph_a, overlap->a, overlap->degc, problem);
    if (err == ERR_NONE) err = ph_of(&ph_b, overlap->b, overlap->degc, problem);
    if (err != ERR_NONE) return err;
    ret->falls = ret->clear_parts > 2.0;
    ret->solid = undiluted.over > 0.0 ? undiluted.solid : ret->last;
    ret->index = undiluted.index;
    find_hazards(ret, ph_a, ph_b, overlap->b);
    find_hazards(ret, ph_b, ph_a, overlap->a);
    ret->apart = ret->falls || ret->crystals || ret->acid_base || ret->chelate || ret->ammonia;
    return ERR_NONE;
}
