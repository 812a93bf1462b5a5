#include "lib/chem/tempco.h"

#include <math.h>

#define REFERENCE_DEGC 25.0
#define PERCENT_MOST 4.0
/* Fitted by least squares to tests/reference/data/ec_solutions.csv, rounded. */
#define NUTRIENT_PER_K 0.0202
#define NUTRIENT_PER_K2 3.8e-5

/* ISO 7888:1985, f25 from 0 to 35 degC. */
static const double f25[] = { 1.918, 1.857, 1.800, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467,
    1.428, 1.390, 1.354, 1.320, 1.287, 1.256, 1.225, 1.196, 1.168, 1.141, 1.116, 1.091, 1.067,
    1.044, 1.021, 1.000, 0.979, 0.959, 0.940, 0.921, 0.903, 0.886, 0.869, 0.853, 0.837, 0.822 };

enum { F25_LAST = sizeof f25 / sizeof f25[0] - 1 };

static double fresh_water_ratio(double degc)
{
    size_t at = (size_t)degc;
    if (at >= F25_LAST) at = F25_LAST - 1;
    const double part = degc - (double)at;
    return 1.0 / (f25[at] + part * (f25[at + 1] - f25[at]));
}

static bool is_within(double x, double least, double most)
{
    return x >= least && x <= most; /* false for NaN */
}

bool tempco_ratio(double *ret, enum tempco kind, double percent_per_degc, double degc)
{
    const double d = degc - REFERENCE_DEGC;
    switch (kind) {
    case TEMPCO_LINEAR:
        if (!is_within(percent_per_degc, 0.0, PERCENT_MOST)) return false;
        if (!is_within(degc, TEMPCO_LINEAR_LEAST_DEGC, TEMPCO_LINEAR_MOST_DEGC)) return false;
        if (!(1.0 + percent_per_degc / 100.0 * d > 0.0)) return false;
        *ret = 1.0 + percent_per_degc / 100.0 * d;
        return true;
    case TEMPCO_NUTRIENT:
        if (!is_within(degc, TEMPCO_NUTRIENT_LEAST_DEGC, TEMPCO_NUTRIENT_MOST_DEGC)) return false;
        *ret = 1.0 + NUTRIENT_PER_K * d + NUTRIENT_PER_K2 * d * d;
        return true;
    case TEMPCO_FRESH_WATER:
        if (!is_within(degc, TEMPCO_FRESH_LEAST_DEGC, TEMPCO_FRESH_MOST_DEGC)) return false;
        *ret = fresh_water_ratio(degc);
        return true;
    }
    return false;
}

bool tempco_to_25(
    double *ret_us_cm, enum tempco kind, double percent_per_degc, double degc, double us_cm)
{
    double ratio;
    if (!isfinite(us_cm) || us_cm < 0.0) return false;
    if (!tempco_ratio(&ratio, kind, percent_per_degc, degc)) return false;
    *ret_us_cm = us_cm / ratio;
    return true;
}
