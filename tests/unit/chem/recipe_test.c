#include "lib/chem/recipe.h"

#include <math.h>
#include <string.h>

#include "tests/unit/support.h"

static void add_goal(struct recipe_job *job, enum nutrient nutrient, double mmol_l)
{
    job->goal[job->goals++] = (struct recipe_goal){ nutrient, mmol_l, 1 };
}

static void add_salt(struct recipe_job *job, const char *formula)
{
    struct recipe_salt *s = &job->salt[job->salts++];
    struct problem problem = { 0 };
    *s = (struct recipe_salt){ .word = formula, .most_g_l = INFINITY };
    ck_assert_msg(salt_read(&s->salt, formula, &problem) == ERR_NONE, "%s", problem.text);
}

static struct recipe solve(const struct recipe_job *job)
{
    struct recipe r;
    struct problem problem = { 0 };
    const enum err err = recipe_solve(&r, job, &problem);
    ck_assert_msg(err == ERR_NONE, "%s", problem.text);
    return r;
}

static enum err refusal(const struct recipe_job *job, const char *says)
{
    struct recipe r;
    struct problem problem = { 0 };
    const enum err err = recipe_solve(&r, job, &problem);
    ck_assert_int_ne(err, ERR_NONE);
    ck_assert_msg(strstr(problem.text, says) != NULL, "%s", problem.text);
    return err;
}

/* Steiner's universal solution by its usual five salts (molarities from memory): N 12, P 1, K 7,
 * Ca 4.5, Mg 2, S 3.5 mmol/L. Exact. */
static struct recipe_job steiner(void)
{
    struct recipe_job job = { 0 };
    add_goal(&job, NUTRIENT_N, 12);
    add_goal(&job, NUTRIENT_P, 1);
    add_goal(&job, NUTRIENT_K, 7);
    add_goal(&job, NUTRIENT_CA, 4.5);
    add_goal(&job, NUTRIENT_MG, 2);
    add_goal(&job, NUTRIENT_S, 3.5);
    add_salt(&job, "Ca(NO3)2.4H2O");
    add_salt(&job, "KNO3");
    add_salt(&job, "KH2PO4");
    add_salt(&job, "K2SO4");
    add_salt(&job, "MgSO4.7H2O");
    return job;
}

START_TEST(a_recipe_that_can_be_met_is_met)
{
    const struct recipe_job job = steiner();
    const struct recipe r = solve(&job);
    static const double g_l[] = { 1.0627, 0.3033, 0.1361, 0.2614, 0.4929 };
    for (uint32_t i = 0; i < job.salts; i++) {
        ck_assert_double_eq_tol(r.g_l[i], g_l[i], 1e-4);
        ck_assert_int_eq(r.tank[i], i == 0 ? RECIPE_A : RECIPE_B);
    }
    for (uint32_t g = 0; g < job.goals; g++) {
        ck_assert_double_eq_tol(r.miss_mmol_l[g], 0, 1e-6);
    }
    ck_assert_double_eq_tol(recipe_grams(&r, 0, RECIPE_A, 100 * 50), 5313.4, 0.5);
    ck_assert(recipe_grams(&r, 0, RECIPE_B, 5000) == 0 && recipe_grams(&r, 1, RECIPE_A, 5000) == 0);
}
END_TEST

START_TEST(the_water_counts)
{
    struct recipe_job job = steiner();
    job.source.water.mmol_l[ION_CA] = 1.5;
    job.source.water.mmol_l[ION_MG] = 3; /* more than wanted */
    const struct recipe r = solve(&job);
    ck_assert_double_eq_tol(r.g_l[4], 0, 1e-9);
    ck_assert_double_eq_tol(r.feed.water.mmol_l[ION_MG], 3, 1e-9);
    ck_assert_double_eq_tol(r.miss_mmol_l[4], 1, 1e-9);
    ck_assert_double_eq_tol(r.feed.water.mmol_l[ION_CA], 4.5, 1.0);
    ck_assert(r.g_l[0] < 1.0);
}
END_TEST

START_TEST(a_bound_holds_and_the_miss_is_told)
{
    struct recipe_job job = steiner();
    job.salt[0].most_g_l = 0.5;
    const struct recipe r = solve(&job);
    ck_assert(r.g_l[0] <= 0.5 * (1 + 1e-12));
    ck_assert(r.miss_mmol_l[3] < -2);
    ck_assert_double_eq_tol(
        r.miss_mmol_l[3], nutrient_mmol_l(&r.feed, NUTRIENT_CA) - job.goal[3].mmol_l, 1e-12);
}
END_TEST

START_TEST(a_heavy_goal_is_missed_less)
{
    struct recipe_job job = { 0 };
    add_goal(&job, NUTRIENT_K, 5);
    add_goal(&job, NUTRIENT_N, 10);
    add_salt(&job, "KNO3");
    const struct recipe even = solve(&job);
    job.goal[1].weight = 100;
    const struct recipe heavy = solve(&job);
    ck_assert(fabs(heavy.miss_mmol_l[1]) < 0.01 && fabs(even.miss_mmol_l[1]) > 1);
    job.goal[1].weight = 1;
    job.goal[1].mmol_l = 0; /* no nitrogen wanted: a miss of 0.5 mmol/L counts whole */
    const struct recipe none = solve(&job);
    ck_assert_double_eq_tol(none.feed.water.mmol_l[ION_K], 5.0 * (1 / 25.0) / (1 / 25.0 + 4), 1e-6);
}
END_TEST

START_TEST(salts_stand_where_they_may)
{
    static const struct {
        const char *formula;
        enum recipe_tank tank;
    } table[] = { { "Ca(NO3)2.4H2O", RECIPE_A }, { "CaCl2.2H2O", RECIPE_A }, { "NH4NO3", RECIPE_A },
        { "iron-edta", RECIPE_A }, { "KNO3", RECIPE_B }, { "Mg(NO3)2.6H2O", RECIPE_B },
        { "KCl", RECIPE_B }, { "NH4H2PO4", RECIPE_B }, { "(NH4)2SO4", RECIPE_B },
        { "2NH4NO3.(NH4)2SO4", RECIPE_B }, { "H3PO4", RECIPE_B }, { "H3BO3", RECIPE_B },
        { "ZnSO4.7H2O", RECIPE_B }, { "Na2MoO4.2H2O", RECIPE_B } };
    struct recipe_job job = { 0 };
    add_goal(&job, NUTRIENT_N, 1);
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        add_salt(&job, table[i].formula);
    }
    const struct recipe r = solve(&job);
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_msg(r.tank[i] == table[i].tank, "%s", table[i].formula);
    }
}
END_TEST

START_TEST(half_in_each_tank_is_half_in_each)
{
    struct recipe_job job = steiner();
    job.salt[1].wish = RECIPE_BOTH;
    job.source.water.mmol_l[ION_CL] = 0.3;
    const struct recipe r = solve(&job);
    ck_assert_double_eq_tol(recipe_grams(&r, 1, RECIPE_A, 10), r.g_l[1] * 5, 1e-12);
    ck_assert_double_eq_tol(recipe_grams(&r, 1, RECIPE_B, 10), r.g_l[1] * 5, 1e-12);
    /* 1 L of each, made up to 100 L with the water, is the feed */
    const struct solution a = recipe_stock(&job, &r, RECIPE_A, 100);
    const struct solution b = recipe_stock(&job, &r, RECIPE_B, 100);
    ck_assert(a.water.mmol_l[ION_SO4] == 0 && a.water.mmol_l[ION_PO4] == 0);
    ck_assert(b.water.mmol_l[ION_CA] == 0);
    for (int i = 0; i < ION_COUNT; i++) {
        const double made =
            (a.water.mmol_l[i] + b.water.mmol_l[i] + 98 * job.source.water.mmol_l[i]) / 100;
        ck_assert_double_eq_tol(made, r.feed.water.mmol_l[i], 1e-12);
    }
}
END_TEST

START_TEST(what_would_fall_out_is_refused)
{
    struct recipe_job job = steiner();
    job.salt[0].wish = RECIPE_B;
    ck_assert_int_eq(refusal(&job, "tank B"), ERR_RANGE);
    job.salt[0].wish = RECIPE_BOTH;
    ck_assert_int_eq(refusal(&job, "Ca(NO3)2"), ERR_RANGE);
    job.salt[0].wish = RECIPE_A;
    job.salt[3].wish = RECIPE_A;
    ck_assert_int_eq(refusal(&job, "tank A"), ERR_RANGE);
    job.salt[3].wish = RECIPE_BOTH;
    ck_assert_int_eq(refusal(&job, "tank A"), ERR_RANGE);

    struct recipe_job both = { 0 };
    add_goal(&both, NUTRIENT_CA, 1);
    add_salt(&both, "Ca(H2PO4)2.H2O");
    ck_assert_int_eq(refusal(&both, "in one salt"), ERR_RANGE);

    static const char *const never[] = { "KOH", "K2CO3", "KHCO3", "Ca(H2PO4)2.H2O", "CaSO4.2H2O",
        "K2SiO3", "CaCO3" };
    for (size_t i = 0; i < sizeof never / sizeof never[0]; i++) {
        struct recipe_job one = { 0 };
        add_goal(&one, NUTRIENT_K, 1);
        add_salt(&one, never[i]);
        ck_assert_int_eq(refusal(&one, never[i]), ERR_RANGE);
    }
}
END_TEST

START_TEST(jobs_that_make_no_sense_are_refused)
{
    struct recipe_job job = steiner();
    job.goals = 0;
    ck_assert_int_eq(refusal(&job, "no goal"), ERR_MISSING);
    job = steiner();
    job.salts = 0;
    ck_assert_int_eq(refusal(&job, "no salt"), ERR_MISSING);
    job = steiner();
    job.goal[5].nutrient = NUTRIENT_K;
    ck_assert_int_eq(refusal(&job, "twice"), ERR_DUPLICATE);
    static const double bad_goals[] = { -1, 1001, NAN }, bad_weights[] = { 0, -1, 1001, NAN };
    for (size_t i = 0; i < 3; i++) {
        job = steiner();
        job.goal[2].mmol_l = bad_goals[i];
        ck_assert_int_eq(refusal(&job, "\"K\""), ERR_RANGE);
    }
    for (size_t i = 0; i < 4; i++) {
        job = steiner();
        job.goal[2].weight = bad_weights[i];
        ck_assert_int_eq(refusal(&job, "weight"), ERR_RANGE);
    }
    job = steiner();
    job.salt[1].most_g_l = -1;
    ck_assert_int_eq(refusal(&job, "KNO3"), ERR_RANGE);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("recipe");
    tcase_add_test(tc, a_recipe_that_can_be_met_is_met);
    tcase_add_test(tc, the_water_counts);
    tcase_add_test(tc, a_bound_holds_and_the_miss_is_told);
    tcase_add_test(tc, a_heavy_goal_is_missed_less);
    tcase_add_test(tc, salts_stand_where_they_may);
    tcase_add_test(tc, half_in_each_tank_is_half_in_each);
    tcase_add_test(tc, what_would_fall_out_is_refused);
    tcase_add_test(tc, jobs_that_make_no_sense_are_refused);
    return run_case(tc, "recipe");
}
