/* From what the crop is to get to grams of the salts at hand, for two stock tanks.
 *
 * Each goal is a nutrient in the feed (the solution as the roots get it); the source water's share
 * is counted. The grams are those that miss the goals least: the sum over the goals of
 * (weight * miss / goal)^2, no salt below 0 or above its own most (least_squares.h). A goal of 0
 * ("no chloride") counts a miss of 0.5 mmol/L as one whole.
 *
 * Tank A holds calcium and chelates, tank B phosphate and sulfate: calcium never meets those two in
 * a concentrate. Nitrates and chlorides without calcium may stand in either, and are put into B,
 * ammonium nitrate into A, where the job doesn't say otherwise (common practice, no source). */
#ifndef DOSEWRIGHT_CHEM_RECIPE_H
#define DOSEWRIGHT_CHEM_RECIPE_H

#include "lib/chem/element.h"
#include "lib/chem/least_squares.h"

enum {
    RECIPE_SALTS_MAX = SQUARES_UNKNOWNS_MAX,
    RECIPE_GOALS_MAX = NUTRIENT_COUNT,
};

enum recipe_tank {
    RECIPE_ANY, /* as a job's wish: wherever it may stand */
    RECIPE_A,
    RECIPE_B,
    RECIPE_BOTH, /* half in each */
};

struct recipe_goal {
    enum nutrient nutrient;
    double mmol_l; /* in the feed, 0 to 1000 */
    double weight; /* 1 for most; above 0, to 1000 */
};

struct recipe_salt {
    const char *word; /* for messages */
    struct salt salt;
    double most_g_l; /* of feed; INFINITY for no bound */
    enum recipe_tank wish;
};

struct recipe_job {
    struct solution source; /* the water that everything is made with */
    uint32_t goals, salts;
    struct recipe_goal goal[RECIPE_GOALS_MAX];
    struct recipe_salt salt[RECIPE_SALTS_MAX];
};

struct recipe {
    double g_l[RECIPE_SALTS_MAX];            /* grams of each salt in a litre of feed */
    enum recipe_tank tank[RECIPE_SALTS_MAX]; /* A, B or BOTH */
    struct solution feed;                    /* source included */
    double miss_mmol_l[RECIPE_GOALS_MAX];    /* reached less wanted */
    uint32_t rounds;                         /* of the solver */
};

/* ERR_RANGE for goals and bounds outside what is said above, a caustic or a salt that is calcium
 * and phosphate at once, or a wish that would put calcium beside phosphate or sulfate;
 * ERR_DUPLICATE for two goals of one nutrient; ERR_MISSING without goals or salts. The problem
 * names which. */
enum err recipe_solve(struct recipe *ret, const struct recipe_job *job, struct problem *problem)
    __attribute__((warn_unused_result));

/* Grams of salt number 'i' for a tank (RECIPE_A or RECIPE_B) of 'tank_l' litres of which one litre,
 * with one of the other tank, makes 'factor' litres of feed. */
double recipe_grams(
    const struct recipe *recipe, uint32_t i, enum recipe_tank tank, double tank_l_times_factor);

/* What a litre of that tank's stock holds, its water's ions included. */
struct solution recipe_stock(const struct recipe_job *job, const struct recipe *recipe,
    enum recipe_tank tank, double factor);

#endif
