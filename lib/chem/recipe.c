#include "lib/chem/recipe.h"

#include <math.h>
#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"

#define ZERO_GOAL_MMOL_L 0.5
#define GOAL_MOST_MMOL_L 1000.0
#define WEIGHT_MOST 1000.0

static enum err refuse(struct problem *problem, enum err err, const char *which, const char *what)
{
    char said[PROBLEM_TEXT_MAX];
    struct text t = text_over(said, sizeof said);
    text_add_quoted(&t, which, strlen(which), 64);
    text_add(&t, ": ");
    text_add(&t, what);
    return problem_set(problem, err, "", said);
}

/* --- what is asked for ------------------------------------------------------------------------ */

static enum err check_goals(const struct recipe_job *job, struct problem *problem)
{
    if (job->goals == 0)
        return problem_set(problem, ERR_MISSING, "", "no goal is given: how much of what?");
    for (uint32_t i = 0; i < job->goals; i++) {
        const struct recipe_goal *g = &job->goal[i];
        const char *word = nutrient_word(g->nutrient);
        if (!(g->mmol_l >= 0.0 && g->mmol_l <= GOAL_MOST_MMOL_L))
            return refuse(problem, ERR_RANGE, word, "a goal is 0 to 1000 mmol/L");
        if (!(g->weight > 0.0 && g->weight <= WEIGHT_MOST))
            return refuse(problem, ERR_RANGE, word, "a goal's weight is above 0, to 1000");
        for (uint32_t k = 0; k < i; k++) {
            if (job->goal[k].nutrient == g->nutrient)
                return refuse(problem, ERR_DUPLICATE, word, "this goal is given twice");
        }
    }
    return ERR_NONE;
}

/* --- which tank ------------------------------------------------------------------------------- */

static bool holds(const struct salt *salt, enum ion ion)
{
    return salt->per_g.mmol_l[ion] > 0.0;
}

static bool is_calcium(const struct recipe_salt *s)
{
    return holds(&s->salt, ION_CA);
}

/* What calcium must not meet in a concentrate. */
static bool is_against_calcium(const struct recipe_salt *s)
{
    return holds(&s->salt, ION_SO4) || holds(&s->salt, ION_PO4);
}

static enum recipe_tank usual_tank(const struct recipe_salt *s)
{
    const bool ammonium_nitrate = holds(&s->salt, ION_NH4) && holds(&s->salt, ION_NO3);
    if (is_against_calcium(s)) return RECIPE_B;
    if (is_calcium(s) || holds(&s->salt, ION_FEEDTA) || ammonium_nitrate) return RECIPE_A;
    return RECIPE_B;
}

static enum err choose_tank(
    enum recipe_tank *ret, const struct recipe_salt *s, struct problem *problem)
{
    if ((salt_hazards(&s->salt) & SALT_CAUSTIC) != 0 || holds(&s->salt, ION_CO3))
        return refuse(problem, ERR_RANGE, s->word,
            "hydroxides, carbonates and silicates don't go into tank A or B: they fall out, or "
            "foam");
    if (is_calcium(s) && is_against_calcium(s))
        return refuse(problem, ERR_RANGE, s->word,
            "calcium and phosphate or sulfate in one salt can't be kept apart");
    if (!(s->most_g_l >= 0.0))
        return refuse(problem, ERR_RANGE, s->word, "the most of a salt is 0 g/L or more");
    *ret = s->wish == RECIPE_ANY ? usual_tank(s) : s->wish;
    return ERR_NONE;
}

/* Does tank 'which' get some of it? */
static bool stands_in(const struct recipe *r, uint32_t i, enum recipe_tank which)
{
    return r->tank[i] == which || r->tank[i] == RECIPE_BOTH;
}

static enum err check_tank(const struct recipe *r, const struct recipe_job *job,
    enum recipe_tank which, struct problem *problem)
{
    uint32_t calcium = job->salts, against = job->salts;
    for (uint32_t i = 0; i < job->salts; i++) {
        if (!stands_in(r, i, which)) continue;
        if (is_calcium(&job->salt[i])) calcium = i;
        if (is_against_calcium(&job->salt[i])) against = i;
    }
    if (calcium == job->salts || against == job->salts) return ERR_NONE;
    return refuse(problem, ERR_RANGE, job->salt[calcium].word,
        which == RECIPE_A ? "in tank A it would meet phosphate or sulfate, and fall out"
                          : "in tank B it would meet phosphate or sulfate, and fall out");
}

static enum err choose_tanks(
    struct recipe *r, const struct recipe_job *job, struct problem *problem)
{
    if (job->salts == 0)
        return problem_set(problem, ERR_MISSING, "", "no salt is given: what is at hand?");
    for (uint32_t i = 0; i < job->salts; i++) {
        const enum err err = choose_tank(&r->tank[i], &job->salt[i], problem);
        if (err != ERR_NONE) return err;
    }
    const enum err err = check_tank(r, job, RECIPE_A, problem);
    return err == ERR_NONE ? check_tank(r, job, RECIPE_B, problem) : err;
}

/* --- how much --------------------------------------------------------------------------------- */

static double mmol_per_g(const struct salt *salt, enum nutrient nutrient)
{
    struct solution one = { 0 };
    salt_dissolve(&one, salt, 1.0);
    return nutrient_mmol_l(&one, nutrient);
}

static void set_up(struct squares *q, const struct recipe_job *job)
{
    *q = (struct squares){ .unknowns = job->salts, .rows = job->goals };
    for (uint32_t r = 0; r < job->goals; r++) {
        const struct recipe_goal *g = &job->goal[r];
        const double scale = g->weight / (g->mmol_l > 0.0 ? g->mmol_l : ZERO_GOAL_MMOL_L);
        q->b[r] = scale * (g->mmol_l - nutrient_mmol_l(&job->source, g->nutrient));
        for (uint32_t s = 0; s < job->salts; s++) {
            q->a[r][s] = scale * mmol_per_g(&job->salt[s].salt, g->nutrient);
        }
    }
    for (uint32_t s = 0; s < job->salts; s++) {
        q->most[s] = job->salt[s].most_g_l;
    }
}

enum err recipe_solve(struct recipe *ret, const struct recipe_job *job, struct problem *problem)
{
    INVARIANT(job->goals <= RECIPE_GOALS_MAX && job->salts <= RECIPE_SALTS_MAX);
    struct recipe r = { .feed = job->source };
    enum err err = check_goals(job, problem);
    if (err == ERR_NONE) err = choose_tanks(&r, job, problem);
    if (err != ERR_NONE) return err;
    struct squares q;
    set_up(&q, job);
    r.rounds = squares_solve(r.g_l, &q);
    if (r.rounds == 0)
        return problem_set(problem, ERR_FULL, "", "no grams were found within the bound of rounds");
    for (uint32_t s = 0; s < job->salts; s++) {
        salt_dissolve(&r.feed, &job->salt[s].salt, r.g_l[s]);
    }
    for (uint32_t g = 0; g < job->goals; g++) {
        r.miss_mmol_l[g] = nutrient_mmol_l(&r.feed, job->goal[g].nutrient) - job->goal[g].mmol_l;
    }
    *ret = r;
    return ERR_NONE;
}

double recipe_grams(
    const struct recipe *recipe, uint32_t i, enum recipe_tank tank, double tank_l_times_factor)
{
    INVARIANT(i < RECIPE_SALTS_MAX && (tank == RECIPE_A || tank == RECIPE_B));
    if (!stands_in(recipe, i, tank)) return 0.0;
    const double share = recipe->tank[i] == RECIPE_BOTH ? 0.5 : 1.0;
    return share * recipe->g_l[i] * tank_l_times_factor;
}

struct solution recipe_stock(
    const struct recipe_job *job, const struct recipe *recipe, enum recipe_tank tank, double factor)
{
    struct solution stock = job->source;
    for (uint32_t i = 0; i < job->salts; i++) {
        salt_dissolve(&stock, &job->salt[i].salt, recipe_grams(recipe, i, tank, factor));
    }
    return stock;
}
