/* The simulated reservoir's water against lib/chem, which knows every ion and its pairs: how far
 * may one be from the other for the same composition? The reservoir knows sums only; here they are
 * made of an ordinary set of ions. lib/chem itself is checked against PHREEQC and published values
 * (tests/reference/chem). */
#include <math.h>
#include <string.h>

#include "lib/chem/conductivity.h"
#include "lib/chem/equilibrium.h"
#include "lib/chem/water.h"
#include "lib/plant/water.h"
#include "tests/unit/support.h"

/* Shares of equivalents. Lettuce after Sonneveld and Voogt, and Hoagland and Arnon's solution (both
 * from memory), each with some sodium and chloride of the source water. */
struct mixture {
    double k, ca, mg, na;     /* of the strong cations */
    double so4, cl;           /* of the strong anions; nitrate is the rest */
    double ec_least, ec_most; /* plant's EC / lib/chem's, measured */
};

static const struct mixture lettuce = { 0.44, 0.37, 0.09, 0.10, 0.10, 0.10, 0.79, 0.835 };
static const struct mixture hoagland = { 0.29, 0.40, 0.20, 0.11, 0.20, 0.10, 0.83, 0.87 };

static struct water ions_of(const struct plant_water *w, const struct mixture *m)
{
    const double anions = w->cations + w->ammonium - w->phosphate - w->alkalinity;
    struct water ions;
    memset(&ions, 0, sizeof ions);
    ions.mmol_l[ION_K] = m->k * w->cations;
    ions.mmol_l[ION_CA] = m->ca * w->cations / 2;
    ions.mmol_l[ION_MG] = m->mg * w->cations / 2;
    ions.mmol_l[ION_NA] = m->na * w->cations;
    ions.mmol_l[ION_NH4] = w->ammonium;
    ions.mmol_l[ION_PO4] = w->phosphate;
    ions.mmol_l[ION_CO3] = w->carbon;
    ions.mmol_l[ION_SO4] = m->so4 * anions / 2;
    ions.mmol_l[ION_CL] = m->cl * anions;
    ions.mmol_l[ION_NO3] = (1 - m->so4 - m->cl) * anions;
    return ions;
}

struct apart {
    double ph, ec_ratio;
};

static struct apart compare(const struct plant_water *w, const struct mixture *m, double degc)
{
    const struct water ions = ions_of(w, m);
    const struct air closed = { .open = false };
    struct equilibrium e;
    double ec = 0;
    ck_assert_int_eq(equilibrium_solve(&e, &ions, degc, &closed, NULL), ERR_NONE);
    ck_assert_int_eq(water_ec_us_cm(&ec, &ions, 25, &closed, NULL), ERR_NONE);
    return (struct apart){ plant_water_ph(w, degc) - e.ph, plant_water_ec_us_cm(w) / ec };
}

/* Source water of 3 meq/L with feed on top; acid has left so much alkalinity, with a little CO2. */
static struct plant_water with_feed(double cations, double alkalinity)
{
    const double feed = cations - 3;
    return (
        struct plant_water){ cations, alkalinity, alkalinity + 0.1, 0.065 * feed, 0.015 * feed };
}

static const double cations[] = { 3, 5, 8, 12, 16, 20, 24 };
static const double alkalinity[] = { 0.03, 0.06, 0.1, 0.2, 0.5, 1, 2 };
enum { CATIONS = sizeof cations / sizeof cations[0] };
enum { ALKALINITIES = sizeof alkalinity / sizeof alkalinity[0] };

/* Measured: the reservoir's pH is 0.00 to 0.20 above lib/chem's, the more, the stronger the
 * solution: it has no pairs of calcium or magnesium with phosphate. Its EC is 13 to 17 %
 * (Hoagland) or 17 to 21 % (lettuce) below: it was fitted to 1.9 mS/cm at 20 meq/L. */
static void judge(const struct mixture *m, double degc)
{
    for (int i = 0; i < CATIONS; i++) {
        for (int j = 0; j < ALKALINITIES; j++) {
            const struct plant_water w = with_feed(cations[i], alkalinity[j]);
            const struct apart a = compare(&w, m, degc);
            ck_assert_double_ge(a.ph, -0.01);
            ck_assert_double_le(a.ph, 0.02 + 0.0085 * cations[i]);
            ck_assert_double_ge(a.ec_ratio, m->ec_least);
            ck_assert_double_le(a.ec_ratio, m->ec_most);
        }
    }
}

START_TEST(ph_and_ec_are_near_those_of_the_ions_of_lettuce)
{
    judge(&lettuce, 18);
    judge(&lettuce, 22);
    judge(&lettuce, 26);
}
END_TEST

START_TEST(ph_and_ec_are_near_those_of_the_ions_of_hoagland)
{
    judge(&hoagland, 18);
    judge(&hoagland, 22);
    judge(&hoagland, 26);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("plant");
    tcase_add_test(tc, ph_and_ec_are_near_those_of_the_ions_of_lettuce);
    tcase_add_test(tc, ph_and_ec_are_near_those_of_the_ions_of_hoagland);
    return run_case(tc, "plant");
}
