#include "lib/chem/acid.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/real.h"
#include "lib/chem/conductivity.h"
#include "lib/chem/equilibrium_inside.h"

#define LN_10 2.302585092994046

enum { SEARCH_ROUNDS_MAX = 90 };

static const double there = 1e-6; /* of pH */

/* One search: the equations, the wish, and where the water stood before. */
struct search {
    struct system system;
    double target_x_h;
    int32_t rounds;
};

/* The state with this dose, pH free. */
static bool settle(struct search *search, struct state *state, double dose)
{
    *state = (struct state){ .dose = dose };
    const bool settled = system_solve(&search->system, state, UNKNOWN_PH);
    search->rounds += state->rounds;
    return settled;
}

/* The dose by Newton's method: almost linear, so that it fails only where there is none. */
static bool solve_for_dose(struct search *search, struct state *state)
{
    *state = (struct state){ .x_h = search->target_x_h };
    state->dose = system_guess_dose(&search->system, state);
    if (!(state->dose > 0.0 && state->dose < ACID_DOSE_MAX_MMOL_L)) return false;
    system_guess(&search->system, state, true);
    const bool settled = system_newton(&search->system, state, UNKNOWN_DOSE);
    search->rounds += state->rounds;
    return settled && state->dose > 0.0 && state->dose <= ACID_DOSE_MAX_MMOL_L;
}

/* Between a dose whose pH is on one side of the target and one on the other: regula falsi, with the
 * kept end's weight halved (Illinois), and bisection now and then. */
static bool search_between(struct search *search, struct state *state, double low_x, double high_x)
{
    const double target = search->target_x_h;
    double low = 0.0, high = ACID_DOSE_MAX_MMOL_L;
    double f_low = low_x - target, f_high = high_x - target;
    for (int round = 0; round < SEARCH_ROUNDS_MAX; round++) {
        double middle = (low * f_high - high * f_low) / (f_high - f_low);
        if (round % 3 == 2 || !(middle > low && middle < high)) middle = 0.5 * (low + high);
        if (!settle(search, state, middle)) return false;
        const double f = state->x_h - target;
        if (fabs(f) < 1e-10 || high - low < 1e-13 * high) return true;
        if ((f > 0.0) == (f_low > 0.0)) {
            low = middle;
            f_low = f;
            f_high *= 0.5;
        } else {
            high = middle;
            f_high = f;
            f_low *= 0.5;
        }
    }
    return true;
}

static void report_after(const struct search *search, const struct state *state,
    const struct water *water, struct acid_dose *ret)
{
    struct equilibrium e;
    system_report(&search->system, state, &e);
    ret->mmol_l = state->dose;
    ret->ph = e.ph;
    ret->ec_us_cm = equilibrium_ec_us_cm(&e);
    ret->after = *water;
}

/* What there is when Newton's method found nothing: a search if the target lies between no dose
 * and the most, else why not. */
static bool search_slowly(
    struct search *search, const struct state *before, struct state *state, struct acid_dose *ret)
{
    if (!settle(search, state, ACID_DOSE_MAX_MMOL_L)) return false;
    const double from = before->x_h - search->target_x_h, to = state->x_h - search->target_x_h;
    ret->verdict = ACID_OUT_OF_REACH;
    if ((from > 0.0) != (to > 0.0)) {
        ret->verdict = ACID_DOSE_FOUND;
        return search_between(search, state, before->x_h, state->x_h);
    }
    if (fabs(to) >= fabs(from)) {
        ret->verdict = ACID_WRONG_WAY;
        *state = *before;
    }
    return true;
}

static enum err unsettled(struct problem *problem)
{
    return problem_set(problem, ERR_RANGE, "",
        "no equilibrium was found for this water: it is far from any real solution");
}

enum err acid_dose_to_ph(struct acid_dose *ret, const struct water *water,
    const struct acid_wish *wish, struct problem *problem)
{
    if (!(wish->target_ph >= 1.0 && wish->target_ph <= 13.0))
        return problem_set(problem, ERR_RANGE, "", "a target pH can be 1 to 13");
    const struct water reagent = reagent_ions(wish->reagent);
    const struct setting setting = { water, &reagent, wish->degc, &wish->air };
    struct search search = { .target_x_h = -LN_10 * wish->target_ph };
    const enum err err = system_init(&search.system, &setting, problem);
    if (err != ERR_NONE) return err;
    struct state before, state;
    if (!settle(&search, &before, 0.0)) return unsettled(problem);
    report_after(&search, &before, water, ret);
    ret->ph_before = ret->ph;
    ret->ec_us_cm_before = ret->ec_us_cm;
    state = before;
    ret->verdict = ACID_ALREADY_THERE;
    if (fabs(ret->ph - wish->target_ph) > there) {
        ret->verdict = ACID_DOSE_FOUND;
        if (!solve_for_dose(&search, &state) && !search_slowly(&search, &before, &state, ret))
            return unsettled(problem);
        report_after(&search, &state, water, ret);
    }
    water_add(&ret->after, &reagent, ret->mmol_l);
    ret->rounds = search.rounds;
    INVARIANT(ret->rounds <= ACID_ROUNDS_MAX);
    return ERR_NONE;
}

const char *acid_verdict_word(enum acid_verdict verdict)
{
    switch (verdict) {
    case ACID_DOSE_FOUND:
        return "found";
    case ACID_ALREADY_THERE:
        return "already-there";
    case ACID_WRONG_WAY:
        return "wrong-way";
    case ACID_OUT_OF_REACH:
        return "out-of-reach";
    }
    INVARIANT(false);
    return "";
}

enum err acid_plan_make(struct acid_plan *ret, const struct water *water,
    const struct acid_wish *wish, struct problem *problem)
{
    struct acid_wish closed = *wish, open = *wish;
    closed.air.open = false;
    open.air.open = true;
    enum err err = acid_dose_to_ph(&ret->at_once, water, &closed, problem);
    if (err == ERR_NONE) err = acid_dose_to_ph(&ret->for_good, water, &open, problem);
    if (err != ERR_NONE) return err;
    struct equilibrium aired;
    err = equilibrium_solve(&aired, &ret->at_once.after, wish->degc, &open.air, problem);
    if (err != ERR_NONE) return err;
    ret->ph_after_air = aired.ph;
    ret->ec_us_cm_after_air = equilibrium_ec_us_cm(&aired);
    return ERR_NONE;
}
