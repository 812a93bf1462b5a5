/* How long the chemistry takes. Prints the mean of many runs over waters that differ a little:
 *   bench.chem
 * A full dose is: composition to pH and EC before and after a nutrient dose, then the acid that
 * takes it to its pH, and the EC after. Nothing is allocated. */
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "lib/base/invariant.h"
#include "lib/chem/acid.h"
#include "lib/chem/conductivity.h"

enum { RUNS = 20000 };

_Noreturn void invariant_broken(const char *file, int line, const char *what)
{
    fprintf(stderr, "%s:%d: invariant broken: %s\n", file, line, what);
    abort();
}

static double now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec * 1e6 + (double)t.tv_nsec / 1e3;
}

/* Lettuce after Sonneveld and Voogt (composition from memory) at this strength, in water of 1 meq/L
 * alkalinity. */
static struct water solution(double strength)
{
    struct water w = { { 0.0 } };
    w.mmol_l[ION_K] = 11.0 * strength;
    w.mmol_l[ION_NH4] = 1.25 * strength;
    w.mmol_l[ION_CA] = 4.5 * strength + 0.25;
    w.mmol_l[ION_MG] = 1.0 * strength + 0.1;
    w.mmol_l[ION_NA] = 0.3;
    w.mmol_l[ION_NO3] = 19.0 * strength;
    w.mmol_l[ION_PO4] = 2.0 * strength;
    w.mmol_l[ION_SO4] = 1.125 * strength;
    w.mmol_l[ION_FEEDTA] = 0.04 * strength;
    w.mmol_l[ION_CO3] = 1.03;
    return w;
}

static double full_dose(double strength)
{
    const struct water before = solution(strength), after = solution(strength * 1.05);
    const struct acid_wish wish = { REAGENT_NITRIC, 5.8, 20.0, { .open = false } };
    double ec = 0.0;
    struct acid_dose dose;
    if (water_ec_us_cm(&ec, &before, 20.0, &wish.air, NULL) != ERR_NONE) abort();
    if (acid_dose_to_ph(&dose, &after, &wish, NULL) != ERR_NONE) abort();
    return dose.mmol_l + (dose.ec_us_cm_before - ec) + dose.ec_us_cm;
}

static double one_ph(double strength)
{
    const struct water w = solution(strength);
    const struct air air = { .open = false };
    struct equilibrium e;
    if (equilibrium_solve(&e, &w, 20.0, &air, NULL) != ERR_NONE) abort();
    return e.ph;
}

static double one_ec(double strength)
{
    const struct water w = solution(strength);
    const struct air air = { .open = false };
    double ec;
    if (water_ec_us_cm(&ec, &w, 20.0, &air, NULL) != ERR_NONE) abort();
    return ec;
}

static void measure(const char *what, double (*run)(double strength))
{
    double sum = 0.0;
    const double from = now_us();
    for (int i = 0; i < RUNS; i++) {
        sum += run(0.4 + 0.8 * i / RUNS);
    }
    printf("%-28s %7.2f us (%g)\n", what, (now_us() - from) / RUNS, sum / RUNS);
}

int main(void)
{
    measure("pH of a solution", one_ph);
    measure("pH and EC of a solution", one_ec);
    measure("a full dose computation", full_dose);
    return EXIT_SUCCESS;
}
