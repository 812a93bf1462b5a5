#include "lib/chem/equilibrium.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/prng.h"
#include "lib/chem/acid.h"
#include "lib/chem/quick_exp.h"
#include "tests/unit/support.h"

/* A million in a release build, fewer where every operation is watched. */
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__) || !defined(__OPTIMIZE__)
enum { WATERS = 20000 };
#else
enum { WATERS = 1000000 };
#endif
enum { PARTS = 10 }; /* test cases that share them */

static struct problem problem;
static const struct air closed = { .open = false };

/* Anything from rain to brine: each ion is there or not, over three decades, in all up to the most
 * that is allowed; trace metals are rarer. */
static struct water random_water(struct prng *p)
{
    struct water w = { { 0.0 } };
    const double scale = quick_exp(-9.0 + 17.6 * prng_unit(p));
    double sum = 0.0;
    for (int i = 0; i < ION_COUNT; i++) {
        const bool rare = i >= ION_MN && i <= ION_FE;
        if (prng_below(p, rare ? 6 : 2) == 0 || (rare && prng_below(p, 2))) continue;
        double amount = scale * quick_exp(-7.0 * prng_unit(p));
        if (amount > EQUILIBRIUM_MMOL_L_MAX) amount = EQUILIBRIUM_MMOL_L_MAX;
        if (sum + amount > EQUILIBRIUM_SUM_MMOL_L_MAX) continue;
        sum += amount;
        w.mmol_l[i] = amount;
    }
    return w;
}

static double all_charges(const struct equilibrium *e)
{
    double sum = 0.0;
    for (int s = 0; s < SPECIES_COUNT; s++) {
        sum += abs(species_row((enum species)s)->charge) * e->mol_kg[s];
    }
    return sum * 1000.0 * e->kg_water_l;
}

/* _i is a tenth of them. */
START_TEST(every_random_water_settles_and_keeps_mass_and_charge)
{
    static double worst_mass, worst_charge;
    int32_t most_rounds = 0;
    for (int n = 0; n < WATERS / PARTS; n++) {
        struct prng p = prng_seed((uint64_t)_i * WATERS + (uint64_t)n);
        const struct water w = random_water(&p);
        const struct air air = { prng_below(&p, 2) == 0, -6.0 + 6.0 * prng_unit(&p) };
        const double degc = 50.0 * prng_unit(&p);
        struct equilibrium e;
        ck_assert_msg(equilibrium_solve(&e, &w, degc, &air, &problem) == ERR_NONE, "seed %d: %s", n,
            problem.text);
        ck_assert_int_le(e.rounds, EQUILIBRIUM_ROUNDS_MAX);
        if (e.rounds > most_rounds) most_rounds = e.rounds;
        if (n % 16 != 0) continue; /* adding up takes as long as solving */
        for (int i = 0; i < ION_COUNT; i++) {
            if ((air.open && i == ION_CO3) || !(w.mmol_l[i] > 0.0)) continue;
            const double total = equilibrium_total_mmol_l(&e, (enum ion)i);
            worst_mass = fmax(worst_mass, fabs(total / w.mmol_l[i] - 1.0));
        }
        worst_charge = fmax(worst_charge, fabs(equilibrium_charge_meq_l(&e)) / all_charges(&e));
    }
    printf("%d waters: at most %d rounds, mass to %.1e, charge to %.1e\n", WATERS / PARTS,
        most_rounds, worst_mass, worst_charge);
    ck_assert_double_le(worst_mass, 1e-9);
    ck_assert_double_le(worst_charge, 1e-9);
}
END_TEST

static struct water tank(void)
{
    struct water w = { { 0.0 } };
    w.mmol_l[ION_K] = 7.0;
    w.mmol_l[ION_NH4] = 1.0;
    w.mmol_l[ION_CA] = 4.0;
    w.mmol_l[ION_MG] = 1.5;
    w.mmol_l[ION_NA] = 1.0;
    w.mmol_l[ION_NO3] = 13.0;
    w.mmol_l[ION_SO4] = 2.0;
    w.mmol_l[ION_PO4] = 1.5;
    w.mmol_l[ION_CO3] = 2.2;
    return w;
}

/* Every reagent, in steps of 0.01 mmol/L: acids only lower the pH, strong bases only raise it. */
START_TEST(ph_is_monotonic_in_what_is_added)
{
    for (int reagent = REAGENT_NITRIC; reagent <= REAGENT_POTASSIUM_CARBONATE; reagent++) {
        const bool acid = reagent <= REAGENT_CITRIC;
        const struct water ions = reagent_ions((enum stock_reagent)reagent);
        for (int open = 0; open < 2; open++) {
            const struct air air = { open == 1, -3.4 };
            struct water w = tank();
            double before = acid ? 99.0 : -99.0;
            for (int step = 0; step < 1000; step++) {
                struct equilibrium e;
                ck_assert_int_eq(equilibrium_solve(&e, &w, 20.0, &air, &problem), ERR_NONE);
                ck_assert(acid ? e.ph < before : e.ph > before);
                before = e.ph;
                water_add(&w, &ions, 0.01);
            }
        }
    }
}
END_TEST

START_TEST(mixing_commutes)
{
    for (uint64_t seed = 0; seed < 500; seed++) {
        struct prng p = prng_seed(seed);
        const struct water a = random_water(&p), b = random_water(&p), c = random_water(&p);
        const struct water ab = water_mix(&a, 1.0, &b, 3.0), ba = water_mix(&b, 3.0, &a, 1.0);
        const struct water ab_c = water_mix(&ab, 4.0, &c, 2.0);
        const struct water bc = water_mix(&b, 3.0, &c, 2.0), a_bc = water_mix(&a, 1.0, &bc, 5.0);
        struct equilibrium one, two;
        ck_assert(memcmp(&ab, &ba, sizeof ab) == 0);
        ck_assert_int_eq(equilibrium_solve(&one, &ab_c, 20.0, &closed, &problem), ERR_NONE);
        ck_assert_int_eq(equilibrium_solve(&two, &a_bc, 20.0, &closed, &problem), ERR_NONE);
        ck_assert_double_eq_tol(one.ph, two.ph, 1e-5);
    }
}
END_TEST

START_TEST(pure_water_and_strong_acid_and_base_have_their_closed_forms)
{
    struct water w = { { 0.0 } };
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, &w, 25.0, &closed, &problem), ERR_NONE);
    ck_assert_double_eq_tol(e.ph, 13.9948 / 2.0, 1e-3);
    w.mmol_l[ION_NO3] = 1.0; /* log gamma -0.0148, 0.997 kg in the litre */
    ck_assert_int_eq(equilibrium_solve(&e, &w, 25.0, &closed, &problem), ERR_NONE);
    ck_assert_double_eq_tol(e.ph, 3.0135, 3e-4);
    w.mmol_l[ION_NO3] = 0.0;
    w.mmol_l[ION_K] = 1.0;
    ck_assert_int_eq(equilibrium_solve(&e, &w, 25.0, &closed, &problem), ERR_NONE);
    ck_assert_double_eq_tol(e.ph, 13.9948 - 3.0143, 5e-4);
}
END_TEST

START_TEST(a_given_ph_says_what_charge_is_left)
{
    const struct water w = tank();
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, &w, 18.0, &closed, &problem), ERR_NONE);
    ck_assert_double_eq_tol(e.charge_left_meq_l, 0.0, 1e-9);
    const struct given_ph given = { e.ph, 18.0, closed }, lower = { 5.0, 18.0, closed };
    struct equilibrium same, acid;
    ck_assert_int_eq(equilibrium_at_ph(&same, &w, &given, &problem), ERR_NONE);
    ck_assert_double_eq_tol(same.charge_left_meq_l, 0.0, 1e-7);
    ck_assert_int_eq(equilibrium_at_ph(&acid, &w, &lower, &problem), ERR_NONE);
    ck_assert_double_gt(acid.charge_left_meq_l, 0.5); /* an anion is missing */
    struct water closed_up = w;
    water_close_charge(&closed_up, acid.charge_left_meq_l);
    ck_assert_int_eq(equilibrium_solve(&e, &closed_up, 18.0, &closed, &problem), ERR_NONE);
    ck_assert_double_eq_tol(e.ph, 5.0, 1e-3); /* chloride changes activities a little */
}
END_TEST

START_TEST(a_source_water_is_closed_from_alkalinity_and_ph)
{
    struct water w = { { 0.0 } };
    w.mmol_l[ION_CA] = 1.0;
    w.mmol_l[ION_MG] = 0.4;
    w.mmol_l[ION_NA] = 1.2;
    const struct given_ph given = { 7.8, 15.0, closed };
    double left = 99.0;
    ck_assert_int_eq(water_from_alkalinity(&w, 4.0, &given, &left, &problem), ERR_NONE);
    ck_assert_double_eq_tol(left, 0.0, 1e-6); /* cations and alkalinity are both 4 meq/L */
    ck_assert_double_eq_tol(w.mmol_l[ION_CO3], 4.13, 0.02);
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, &w, 15.0, &closed, &problem), ERR_NONE);
    ck_assert_double_eq_tol(e.ph, 7.8, 1e-6);
    ck_assert_double_eq_tol(equilibrium_alkalinity_meq_l(&e), 4.0, 1e-7);
    const struct given_ph sour = { 2.0, 15.0, closed }, basic = { 12.0, 15.0, closed };
    ck_assert_int_eq(water_from_alkalinity(&w, 1.0, &sour, &left, &problem), ERR_RANGE);
    ck_assert_int_eq(water_from_alkalinity(&w, 0.001, &basic, &left, &problem), ERR_RANGE);
}
END_TEST

START_TEST(the_buffer_is_what_a_little_base_does)
{
    struct water w = tank();
    struct equilibrium below, above;
    double beta = 0.0;
    ck_assert_int_eq(equilibrium_buffer_mmol_l_ph(&beta, &w, 20.0, &closed, &problem), ERR_NONE);
    w.mmol_l[ION_K] -= 0.001;
    ck_assert_int_eq(equilibrium_solve(&below, &w, 20.0, &closed, &problem), ERR_NONE);
    w.mmol_l[ION_K] += 0.002;
    ck_assert_int_eq(equilibrium_solve(&above, &w, 20.0, &closed, &problem), ERR_NONE);
    ck_assert_double_eq_tol(beta, 0.002 / (above.ph - below.ph), 1e-3 * beta);
}
END_TEST

START_TEST(what_is_out_of_range_is_refused_in_words)
{
    struct water w = tank();
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, &w, -0.5, &closed, &problem), ERR_RANGE);
    ck_assert_ptr_nonnull(strstr(problem.text, "temperature is -0.500"));
    ck_assert_int_eq(equilibrium_solve(&e, &w, NAN, &closed, &problem), ERR_RANGE);
    ck_assert_int_eq(equilibrium_solve(&e, &w, 50.5, &closed, &problem), ERR_RANGE);
    const struct air dense = { true, 0.5 };
    ck_assert_int_eq(equilibrium_solve(&e, &w, 20.0, &dense, &problem), ERR_RANGE);
    w.mmol_l[ION_CA] = -0.1;
    ck_assert_int_eq(equilibrium_solve(&e, &w, 20.0, &closed, &problem), ERR_RANGE);
    ck_assert_ptr_nonnull(strstr(problem.text, "Ca is -0.100"));
    w.mmol_l[ION_CA] = 6001.0;
    ck_assert_int_eq(equilibrium_solve(&e, &w, 20.0, &closed, NULL), ERR_RANGE);
    for (int i = 0; i < 4; i++) {
        w.mmol_l[i] = 4000.0;
    }
    ck_assert_int_eq(equilibrium_solve(&e, &w, 20.0, &closed, &problem), ERR_RANGE);
    ck_assert_ptr_nonnull(strstr(problem.text, "sum of all ions"));
    const struct given_ph given = { 15.5, 20.0, closed };
    ck_assert_int_eq(equilibrium_at_ph(&e, &w, &given, &problem), ERR_RANGE);
}
END_TEST

START_TEST(open_water_holds_what_air_gives)
{
    struct water w = { { 0.0 } };
    const struct air air = { true, -3.4 };
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_solve(&e, &w, 25.0, &air, &problem), ERR_NONE);
    ck_assert_double_eq_tol(e.ph, 5.61, 0.01); /* rain: 5.6 (textbooks) */
    ck_assert_double_eq_tol(equilibrium_log_pco2(&e), -3.4, 1e-6);
    ck_assert_double_gt(equilibrium_total_mmol_l(&e, ION_CO3), 0.01);
}
END_TEST

/* What came in from air stays when the lid is put on; in brine, where water's own activity counts.
 */
START_TEST(open_water_with_the_lid_put_on_has_the_same_ph)
{
    for (uint64_t seed = 0; seed < 300; seed++) {
        struct prng p = prng_seed(seed);
        struct water w = random_water(&p);
        const struct air air = { true, -4.0 + 2.0 * prng_unit(&p) };
        struct equilibrium open, lid;
        ck_assert_int_eq(equilibrium_solve(&open, &w, 20.0, &air, &problem), ERR_NONE);
        w.mmol_l[ION_CO3] = equilibrium_total_mmol_l(&open, ION_CO3);
        if (open.ionic_strength > 5.0 || w.mmol_l[ION_CO3] > EQUILIBRIUM_MMOL_L_MAX) continue;
        ck_assert_int_eq(equilibrium_solve(&lid, &w, 20.0, &closed, &problem), ERR_NONE);
        if (fabs(lid.kg_water_l / open.kg_water_l - 1.0) > 1e-4) continue; /* carbonate's volume */
        ck_assert_double_eq_tol(lid.ph, open.ph, 1e-3);
        ck_assert_double_eq_tol(equilibrium_log_pco2(&lid), air.log_pco2, 2e-3);
    }
}
END_TEST

/* Tanks settle at once: the slopes are right and the start is near. */
START_TEST(a_tank_takes_a_few_rounds)
{
    for (double strength = 0.1; strength < 3.0; strength *= 1.1) {
        struct water w = { { 0.0 } };
        const struct water t = tank();
        water_add(&w, &t, strength);
        struct equilibrium e;
        ck_assert_int_eq(equilibrium_solve(&e, &w, 20.0, &closed, &problem), ERR_NONE);
        ck_assert_int_le(e.rounds, 7);
    }
}
END_TEST

START_TEST(the_quick_exponential_is_good_to_4e_16)
{
    double worst = 0.0;
    for (int i = -699000; i <= 699000; i++) {
        const double x = i * 1e-3 + 1e-7;
        const long double exact = expl((long double)x);
        worst = fmax(worst, (double)fabsl((quick_exp(x) - exact) / exact));
    }
    ck_assert_double_le(worst, 4e-16);
    ck_assert_double_eq(quick_exp(1e9), quick_exp(700.0));
    ck_assert_double_eq(quick_exp(-1e9), quick_exp(-700.0));
}
END_TEST

/* What is left out of the parent chain or doubled would show in the balance of a species' charge.
 */
START_TEST(every_species_has_the_charge_of_its_parts)
{
    for (int s = 0; s < SPECIES_COUNT; s++) {
        const struct species_make make = species_make((enum species)s);
        int charge = make.h;
        for (int c = 0; c < make.ions; c++) {
            charge += make.of[c] * (int)ion_charge((enum ion)make.ion[c]);
        }
        ck_assert_msg(charge == species_row((enum species)s)->charge, "%s",
            species_row((enum species)s)->word);
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("equilibrium");
    tcase_set_timeout(tc, 120);
    tcase_add_loop_test(tc, every_random_water_settles_and_keeps_mass_and_charge, 0, PARTS);
    tcase_add_test(tc, ph_is_monotonic_in_what_is_added);
    tcase_add_test(tc, mixing_commutes);
    tcase_add_test(tc, pure_water_and_strong_acid_and_base_have_their_closed_forms);
    tcase_add_test(tc, a_given_ph_says_what_charge_is_left);
    tcase_add_test(tc, a_source_water_is_closed_from_alkalinity_and_ph);
    tcase_add_test(tc, the_buffer_is_what_a_little_base_does);
    tcase_add_test(tc, what_is_out_of_range_is_refused_in_words);
    tcase_add_test(tc, open_water_holds_what_air_gives);
    tcase_add_test(tc, open_water_with_the_lid_put_on_has_the_same_ph);
    tcase_add_test(tc, a_tank_takes_a_few_rounds);
    tcase_add_test(tc, the_quick_exponential_is_good_to_4e_16);
    tcase_add_test(tc, every_species_has_the_charge_of_its_parts);
    return run_case(tc, "equilibrium");
}
