#include "lib/chem/acid.h"

#include <math.h>
#include <string.h>

#include "lib/chem/conductivity.h"
#include "tests/unit/support.h"

static struct problem problem;

/* Bicarbonate water of 2 meq/L in balance with nothing, as in a pipe. */
static struct water pipe_water(void)
{
    return (struct water){ { [ION_CA] = 0.5, [ION_MG] = 0.2, [ION_NA] = 0.6, [ION_CO3] = 2.06 } };
}

static struct acid_dose dose_to(
    const struct water *w, enum stock_reagent reagent, double ph, bool open)
{
    const struct acid_wish wish = { reagent, ph, 20.0, { open, -3.4 } };
    struct acid_dose dose;
    ck_assert_msg(acid_dose_to_ph(&dose, w, &wish, &problem) == ERR_NONE, "%s", problem.text);
    ck_assert_int_le(dose.rounds, ACID_ROUNDS_MAX);
    return dose;
}

static double ph_of(const struct water *w, bool open)
{
    const struct air air = { open, -3.4 };
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, w, 20.0, &air, &problem), ERR_NONE);
    return e.ph;
}

/* The dose, added as ions, is the target's pH: a second way round for each reagent. */
START_TEST(a_dose_found_brings_the_water_there)
{
    static const double down[] = { 7.0, 6.2, 5.8, 5.2, 4.5, 3.5 };
    static const enum stock_reagent acids[] = { REAGENT_NITRIC, REAGENT_PHOSPHORIC,
        REAGENT_SULFURIC, REAGENT_CITRIC };
    const struct water w = pipe_water();
    for (size_t r = 0; r < 4; r++) {
        double before = 0.0;
        for (size_t t = 0; t < sizeof down / sizeof *down; t++) {
            for (int open = 0; open < 2; open++) {
                const struct acid_dose dose = dose_to(&w, acids[r], down[t], open == 1);
                ck_assert_int_eq(dose.verdict, ACID_DOSE_FOUND);
                struct water after = w;
                const struct water ions = reagent_ions(acids[r]);
                water_add(&after, &ions, dose.mmol_l);
                ck_assert_double_eq_tol(ph_of(&after, open == 1), down[t], 1e-4);
                ck_assert(memcmp(&after, &dose.after, sizeof after) == 0);
                if (open == 0) ck_assert_double_gt(dose.mmol_l, before);
                if (open == 0) before = dose.mmol_l;
            }
        }
    }
}
END_TEST

START_TEST(bases_bring_it_back)
{
    static const enum stock_reagent bases[] = { REAGENT_POTASSIUM_HYDROXIDE,
        REAGENT_POTASSIUM_CARBONATE, REAGENT_POTASSIUM_BICARBONATE };
    struct water w = pipe_water();
    w.mmol_l[ION_NO3] = 2.2; /* more acid than it can take */
    for (size_t r = 0; r < 3; r++) {
        const struct acid_dose dose = dose_to(&w, bases[r], 6.0, false);
        ck_assert_int_eq(dose.verdict, ACID_DOSE_FOUND);
        ck_assert_double_eq_tol(ph_of(&dose.after, false), 6.0, 1e-4);
    }
    const double hydroxide = dose_to(&w, REAGENT_POTASSIUM_HYDROXIDE, 6.0, false).mmol_l;
    const double bicarbonate = dose_to(&w, REAGENT_POTASSIUM_BICARBONATE, 6.0, false).mmol_l;
    ck_assert_double_gt(bicarbonate, 1.2 * hydroxide); /* its CO2 stays */
}
END_TEST

START_TEST(what_is_there_already_needs_no_dose)
{
    const struct water w = pipe_water();
    const struct acid_dose dose = dose_to(&w, REAGENT_NITRIC, ph_of(&w, false), false);
    ck_assert_int_eq(dose.verdict, ACID_ALREADY_THERE);
    ck_assert_double_eq(dose.mmol_l, 0.0);
    ck_assert(memcmp(&dose.after, &w, sizeof w) == 0);
}
END_TEST

START_TEST(the_wrong_way_is_said_and_nothing_dosed)
{
    const struct water w = pipe_water();
    const struct acid_dose acid = dose_to(&w, REAGENT_NITRIC, 9.5, false);
    ck_assert_int_eq(acid.verdict, ACID_WRONG_WAY);
    ck_assert_double_eq(acid.mmol_l, 0.0);
    ck_assert_double_eq_tol(acid.ph, acid.ph_before, 1e-9);
    const struct acid_dose base = dose_to(&w, REAGENT_POTASSIUM_HYDROXIDE, 5.0, false);
    ck_assert_int_eq(base.verdict, ACID_WRONG_WAY);
    ck_assert_str_eq(acid_verdict_word(base.verdict), "wrong-way");
}
END_TEST

/* However little the target lies above, acid isn't the way there, nor base to what lies below. */
START_TEST(the_wrong_way_by_a_hair_is_the_wrong_way)
{
    for (double carbon = 1.0; carbon < 3.0; carbon += 0.05) {
        struct water w = pipe_water();
        w.mmol_l[ION_CO3] = carbon;
        w.mmol_l[ION_MG] = w.mmol_l[ION_SO4] = 8.0 * (carbon - 1.0); /* pairs mislead the start */
        w.mmol_l[ION_K] = w.mmol_l[ION_NO3] = w.mmol_l[ION_PO4] = carbon;
        const double ph = ph_of(&w, false);
        for (double hair = 1e-4; hair < 0.2; hair *= 3.0) {
            const struct acid_dose up = dose_to(&w, REAGENT_NITRIC, ph + hair, false);
            ck_assert_int_eq(up.verdict, ACID_WRONG_WAY);
            ck_assert_double_eq(up.mmol_l, 0.0);
            const struct acid_dose down =
                dose_to(&w, REAGENT_POTASSIUM_HYDROXIDE, ph - hair, false);
            ck_assert_int_eq(down.verdict, ACID_WRONG_WAY);
            const struct acid_dose little = dose_to(&w, REAGENT_NITRIC, ph - hair, false);
            ck_assert_int_eq(little.verdict, ACID_DOSE_FOUND);
            ck_assert_double_gt(little.mmol_l, 0.0);
        }
    }
}
END_TEST

/* Bicarbonate ends near pH 8 to 8.5, however much of it: pH 11 can't be had. */
START_TEST(out_of_reach_is_said_with_where_it_ends)
{
    struct water w = pipe_water();
    w.mmol_l[ION_NO3] = 2.2;
    const struct acid_dose dose = dose_to(&w, REAGENT_POTASSIUM_BICARBONATE, 11.0, false);
    ck_assert_int_eq(dose.verdict, ACID_OUT_OF_REACH);
    ck_assert_double_eq_tol(dose.mmol_l, ACID_DOSE_MAX_MMOL_L, 1e-9);
    ck_assert_double_gt(dose.ph, 7.8);
    ck_assert_double_lt(dose.ph, 8.8);
    const struct acid_dose citric = dose_to(&w, REAGENT_CITRIC, 1.2, false);
    ck_assert_int_eq(citric.verdict, ACID_OUT_OF_REACH);
    ck_assert_double_gt(citric.ph, 1.2);
}
END_TEST

START_TEST(a_plan_says_how_the_ph_creeps_and_what_holds_it)
{
    const struct water w = pipe_water();
    const struct acid_wish wish = { REAGENT_NITRIC, 5.8, 20.0, { false, -3.4 } };
    struct acid_plan plan;
    ck_assert_int_eq(acid_plan_make(&plan, &w, &wish, &problem), ERR_NONE);
    ck_assert_double_eq_tol(ph_of(&plan.at_once.after, true), plan.ph_after_air, 1e-9);
    ck_assert_double_gt(plan.ph_after_air, 7.0);
    ck_assert_double_gt(plan.for_good.mmol_l, 1.2 * plan.at_once.mmol_l);
    ck_assert_double_eq_tol(ph_of(&plan.for_good.after, true), 5.8, 1e-4);
}
END_TEST

/* Bicarbonate traded for nitrate: about 27 uS/cm a meq/L at 25 degC (computed from the limiting
 * conductances 71.4 and 44.5). */
START_TEST(strong_acid_raises_ec_by_the_ions_it_trades)
{
    const struct water w = pipe_water();
    const struct acid_wish wish = { REAGENT_NITRIC, 6.0, 25.0, { .open = false } };
    struct acid_dose dose;
    ck_assert_int_eq(acid_dose_to_ph(&dose, &w, &wish, &problem), ERR_NONE);
    ck_assert_double_eq_tol((dose.ec_us_cm - dose.ec_us_cm_before) / dose.mmol_l, 27.0, 3.0);
    double ec = 0.0;
    ck_assert_int_eq(water_ec_us_cm(&ec, &dose.after, 25.0, &wish.air, &problem), ERR_NONE);
    ck_assert_double_eq_tol(ec, dose.ec_us_cm, 0.01 * ec);
}
END_TEST

/* Strengths: CRC Handbook's and suppliers' tables (from memory): mol/L. */
START_TEST(bottles_have_the_strength_of_the_tables)
{
    static const struct {
        enum stock_reagent reagent;
        double percent, density, mol_l;
    } table[] = { { REAGENT_NITRIC, 70.0, 1.413, 15.7 }, { REAGENT_NITRIC, 38.0, 1.234, 7.44 },
        { REAGENT_SULFURIC, 96.0, 1.84, 18.0 }, { REAGENT_SULFURIC, 35.0, 1.26, 4.50 },
        { REAGENT_PHOSPHORIC, 85.0, 1.685, 14.6 }, { REAGENT_PHOSPHORIC, 75.0, 1.579, 12.08 },
        { REAGENT_CITRIC, 50.0, 1.24, 3.23 }, { REAGENT_POTASSIUM_HYDROXIDE, 45.0, 1.456, 11.7 },
        { REAGENT_POTASSIUM_CARBONATE, 20.0, 1.19, 1.72 } };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        double mmol_ml = 0.0, again = 0.0;
        ck_assert_int_eq(reagent_mmol_ml_by_weight(&mmol_ml, table[i].reagent, table[i].percent,
                             table[i].density, &problem),
            ERR_NONE);
        ck_assert_double_eq_tol(mmol_ml, table[i].mol_l, 0.006 * table[i].mol_l);
        const double normality = mmol_ml * reagent_equivalents(table[i].reagent);
        ck_assert_int_eq(
            reagent_mmol_ml_by_normality(&again, table[i].reagent, normality, &problem), ERR_NONE);
        ck_assert_double_eq_tol(again, mmol_ml, 1e-9);
    }
}
END_TEST

/* Phosphoric acid's normality counts one proton here (acid.h). */
START_TEST(normality_counts_these_protons)
{
    static const double at_one_mol_l[REAGENT_COUNT] = { [REAGENT_NITRIC] = 1,
        [REAGENT_PHOSPHORIC] = 1,
        [REAGENT_SULFURIC] = 2,
        [REAGENT_CITRIC] = 3,
        [REAGENT_POTASSIUM_HYDROXIDE] = 1,
        [REAGENT_POTASSIUM_CARBONATE] = 2,
        [REAGENT_POTASSIUM_BICARBONATE] = 1 };
    for (int r = 0; r < REAGENT_COUNT; r++) {
        double mmol_ml = 0.0;
        ck_assert_int_eq(reagent_mmol_ml_by_normality(
                             &mmol_ml, (enum stock_reagent)r, at_one_mol_l[r], &problem),
            ERR_NONE);
        ck_assert_double_eq_tol(mmol_ml, 1.0, 1e-12);
    }
}
END_TEST

START_TEST(impossible_bottles_and_targets_are_refused)
{
    double x = 0.0;
    ck_assert_int_eq(reagent_mmol_ml_by_weight(&x, REAGENT_NITRIC, 0.0, 1.2, &problem), ERR_RANGE);
    ck_assert_int_eq(
        reagent_mmol_ml_by_weight(&x, REAGENT_NITRIC, 100.1, 1.2, &problem), ERR_RANGE);
    ck_assert_int_eq(reagent_mmol_ml_by_weight(&x, REAGENT_NITRIC, 38.0, 0.5, &problem), ERR_RANGE);
    ck_assert_int_eq(
        reagent_mmol_ml_by_weight(&x, REAGENT_NITRIC, 98.0, 1.84, &problem), ERR_RANGE);
    ck_assert_ptr_nonnull(strstr(problem.text, "nitric"));
    ck_assert_int_eq(reagent_mmol_ml_by_normality(&x, REAGENT_NITRIC, 30.0, &problem), ERR_RANGE);
    ck_assert_int_eq(reagent_mmol_ml_by_normality(&x, REAGENT_NITRIC, NAN, &problem), ERR_RANGE);
    const struct water w = pipe_water();
    struct acid_wish wish = { REAGENT_NITRIC, 0.5, 20.0, { .open = false } };
    struct acid_dose dose;
    ck_assert_int_eq(acid_dose_to_ph(&dose, &w, &wish, &problem), ERR_RANGE);
    wish.target_ph = 6.0;
    wish.degc = 80.0;
    ck_assert_int_eq(acid_dose_to_ph(&dose, &w, &wish, &problem), ERR_RANGE);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("acid");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, a_dose_found_brings_the_water_there);
    tcase_add_test(tc, bases_bring_it_back);
    tcase_add_test(tc, what_is_there_already_needs_no_dose);
    tcase_add_test(tc, the_wrong_way_is_said_and_nothing_dosed);
    tcase_add_test(tc, the_wrong_way_by_a_hair_is_the_wrong_way);
    tcase_add_test(tc, normality_counts_these_protons);
    tcase_add_test(tc, out_of_reach_is_said_with_where_it_ends);
    tcase_add_test(tc, a_plan_says_how_the_ph_creeps_and_what_holds_it);
    tcase_add_test(tc, strong_acid_raises_ec_by_the_ions_it_trades);
    tcase_add_test(tc, bottles_have_the_strength_of_the_tables);
    tcase_add_test(tc, impossible_bottles_and_targets_are_refused);
    return run_case(tc, "acid");
}
