/* The control law's buffer curve against the handbooks' constants, and against what the project's
 * own full chemistry says of a few waters. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "lib/base/real.h"
#include "lib/chem/equilibrium.h"
#include "lib/control/buffer.h"
#include "tests/unit/support.h"

/* pH at which half of it has given its proton away: where 'share_at' is a half. */
static double half_point(double (*share_at)(double ph))
{
    double low = 4.0, high = 9.0;
    for (int i = 0; i < 60; i++) {
        const double middle = 0.5 * (low + high);
        if (share_at(middle) < 0.5)
            low = middle;
        else
            high = middle;
    }
    return low;
}

static double bicarbonate(double ph)
{
    return buffer_parts_at(0.0, ph).share;
}

static double hydrogen_phosphate(double ph)
{
    return buffer_parts_at(1.0, ph).rest - buffer_parts_at(0.0, ph).rest;
}

/* C. W. Davies, "Ion Association", 1962: log10 of the activity coefficient of a single charge, A
 * 0.509 at 25 degC (from memory). */
static double davies_log(double ionic_strength)
{
    const double root = sqrt(ionic_strength);
    return -0.509 * (root / (1.0 + root) - 0.3 * ionic_strength);
}

/* pK at 25 degC and no ionic strength, carbonic acid 6.35, second of phosphoric 7.20: D. R. Lide,
 * CRC Handbook of Chemistry and Physics, and W. Stumm, J. J. Morgan, "Aquatic Chemistry" (both from
 * memory). pH is an activity: HCO3- shifts the first by one charge's coefficient, H2PO4- and
 * HPO4-2 the second by three times it. The curve's own shifts are a little less: found are 0.02 and
 * 0.05, and 0.03 and 0.06 are allowed. */
START_TEST(its_constants_are_the_handbooks_at_an_ionic_strength_of_a_fiftieth)
{
    const double shift = davies_log(0.02);
    ck_assert_double_eq_tol(shift, -0.060, 0.001);
    ck_assert_double_eq_tol(half_point(bicarbonate), 6.35 + shift, 0.03);
    ck_assert_double_eq_tol(half_point(hydrogen_phosphate), 7.20 + 3.0 * shift, 0.06);
    ck_assert_double_lt(half_point(bicarbonate), 6.35);
    ck_assert_double_lt(half_point(hydrogen_phosphate), 7.20);
}
END_TEST

/* pKw 13.995 at 25 degC (CRC Handbook, from memory), both ions at Davies' coefficient: 10^-pH and
 * 10^(pH - 13.995) over it; 6 %. */
START_TEST(the_ions_of_water_itself_are_as_many_as_they_should_be)
{
    static const struct buffer none = { 0.0, 0.0 };
    const double coefficient = real_pow10(davies_log(0.02));
    const double proton = 1000.0 * real_pow10(-3.0) / coefficient;
    const double hydroxide = 1000.0 * real_pow10(11.0 - 13.995) / coefficient;
    ck_assert_double_eq_tol(-buffer_alkalinity(&none, 3.0) / proton, 1.0, 0.06);
    ck_assert_double_eq_tol(buffer_alkalinity(&none, 11.0) / hydroxide, 1.0, 0.06);
}
END_TEST

/* Potassium and nitrate as the background, calcium as in a feed; carbon and phosphate as given. */
struct cup {
    const char *name;
    struct buffer b;
    double nitrate, calcium;  /* mmol/L */
    double shortest, longest; /* acid by the curve, in parts of the acid by the full chemistry */
};

/* The law's curve knows no ion pairs: calcium and magnesium hold HPO4-2, so that real phosphate
 * gives its proton away earlier and buffers more at these pH. That side is the safe one (too
 * little acid is given, not too much), and the carbon that the law learns makes up for it. Measured
 * with BUFFER_TELLS=1 over pH 6.6 to 5.2, rounded outwards. */
static const struct cup cups[] = {
    { "tap water, hardly fed", { 2.0, 0.02 }, 2.0, 1.0, 0.99, 1.03 },
    { "potassium phosphate", { 0.03, 1.2 }, 18.0, 0.0, 0.90, 0.94 },
    { "soft water in full feed", { 0.5, 1.2 }, 12.0, 3.0, 0.82, 0.85 },
    { "hard water in full feed", { 3.0, 1.2 }, 12.0, 3.0, 0.93, 0.95 },
    { "old water, carbon gone", { 0.05, 1.2 }, 12.0, 3.0, 0.68, 0.78 },
    { "strong feed", { 1.0, 2.0 }, 20.0, 4.0, 0.79, 0.84 },
};

static double full_alkalinity(const struct cup *c, double ph)
{
    const struct given_ph given = { .ph = ph, .degc = 25.0 };
    struct water w = { { 0.0 } };
    w.mmol_l[ION_CA] = c->calcium;
    w.mmol_l[ION_CO3] = c->b.carbon;
    w.mmol_l[ION_PO4] = c->b.phosphate;
    w.mmol_l[ION_NO3] = c->nitrate;
    w.mmol_l[ION_K] = c->nitrate - 2.0 * c->calcium;
    struct problem problem;
    struct equilibrium e;
    ck_assert_int_eq(equilibrium_at_ph(&e, &w, &given, &problem), ERR_NONE);
    return equilibrium_alkalinity_meq_l(&e);
}

START_TEST(acid_from_one_ph_to_another_is_near_what_the_full_chemistry_says) /* _i is the cup */
{
    const struct cup *c = &cups[_i];
    double least = 1e9, most = 0.0;
    for (double from = 5.7; from < 6.65; from += 0.1) {
        for (double to = 5.2; to < from - 0.35; to += 0.1) {
            const double acid = buffer_alkalinity(&c->b, from) - buffer_alkalinity(&c->b, to);
            const double ratio = acid / (full_alkalinity(c, from) - full_alkalinity(c, to));
            if (ratio < least) least = ratio;
            if (ratio > most) most = ratio;
        }
    }
    if (getenv("BUFFER_TELLS")) printf("%s: %.3f to %.3f\n", c->name, least, most);
    ck_assert_double_ge(least, c->shortest);
    ck_assert_double_le(most, c->longest);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("control_buffer");
    tcase_add_test(t, its_constants_are_the_handbooks_at_an_ionic_strength_of_a_fiftieth);
    tcase_add_test(t, the_ions_of_water_itself_are_as_many_as_they_should_be);
    tcase_add_loop_test(t, acid_from_one_ph_to_another_is_near_what_the_full_chemistry_says, 0,
        sizeof cups / sizeof cups[0]);
    return run_case(t, "control_buffer");
}
