#include "lib/chem/ec_probe.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"

#define STEP_DEGC 5.0
#define CONSTANT_LEAST 0.001
#define CONSTANT_MOST 1000.0
#define SLACK 1e-9 /* rounding */

enum { STEPS_MAX = 6 };

static const char meter_table[] =
    "potassium chloride, a laboratory meter's table; agrees with OIML R 56 at 25 degC";
static const char kohlrausch[] = "potassium chloride, Kohlrausch's table (from memory)";
static const char nist[] = "potassium chloride, CRC Handbook after Pratt et al. 2001 (NIST)";

static const struct standard {
    const char *word, *basis;
    double least_degc;
    uint32_t steps;
    double us_cm[STEPS_MAX]; /* every 5 degC from least_degc */
} standards[EC_STANDARD_COUNT] = {
    [EC_STANDARD_1413] = { "1413", meter_table, 5, 6, { 896, 1020, 1147, 1278, 1413, 1552 } },
    [EC_STANDARD_2765] = { "2765", kohlrausch, 5, 6, { 1752, 1994, 2243, 2501, 2765, 3036 } },
    [EC_STANDARD_12880] = { "12880", meter_table, 10, 6,
        { 9330, 10480, 11670, 12880, 14120, 15390 } },
    [EC_STANDARD_0_01M] = { "0.01-mol-kg", nist, 10, 5,
        { 1013.95, 1141.45, 1273.03, 1408.23, 1546.63 } },
    [EC_STANDARD_0_1M] = { "0.1-mol-kg", nist, 10, 5,
        { 9291.72, 10437.1, 11615.9, 12824.6, 14059.2 } },
};

const char *ec_standard_word(enum ec_standard standard)
{
    INVARIANT(standard < EC_STANDARD_COUNT);
    return standards[standard].word;
}

bool ec_standard_read(enum ec_standard *ret, const char *word)
{
    for (int s = 0; s < EC_STANDARD_COUNT; s++) {
        if (!text_same(standards[s].word, word)) continue;
        *ret = (enum ec_standard)s;
        return true;
    }
    return false;
}

const char *ec_standard_basis(enum ec_standard standard)
{
    INVARIANT(standard < EC_STANDARD_COUNT);
    return standards[standard].basis;
}

void ec_standard_range(double *ret_least_degc, double *ret_most_degc, enum ec_standard standard)
{
    INVARIANT(standard < EC_STANDARD_COUNT);
    const struct standard *s = &standards[standard];
    *ret_least_degc = s->least_degc;
    *ret_most_degc = s->least_degc + STEP_DEGC * (double)(s->steps - 1);
}

double ec_standard_us_cm(enum ec_standard standard, double degc)
{
    double least, most;
    ec_standard_range(&least, &most, standard);
    if (!(degc >= least && degc <= most)) return (double)NAN;
    const struct standard *s = &standards[standard];
    size_t middle = (size_t)((degc - least) / STEP_DEGC + 0.5);
    if (middle < 1) middle = 1;
    if (middle > s->steps - 2) middle = s->steps - 2;
    const double x = (degc - least) / STEP_DEGC - (double)middle;
    const double before = s->us_cm[middle - 1], at = s->us_cm[middle], after = s->us_cm[middle + 1];
    return at + x * (after - before) / 2.0 + x * x * (after - 2.0 * at + before) / 2.0;
}

static bool is_constant(double x)
{
    return x >= CONSTANT_LEAST && x <= CONSTANT_MOST;
}

enum err ec_calibrate(double *ret_constant, const struct ec_bath *bath, struct problem *problem)
{
    if (!is_constant(bath->constant) || !is_constant(bath->nominal))
        return problem_set(problem, ERR_RANGE, "", "a cell constant is 0.001 to 1000 per cm");
    if (!(bath->us_cm > 0.0 && bath->us_cm < 1e6) || !(bath->shown > 0.0 && bath->shown < 1e9))
        return problem_set(problem, ERR_RANGE, "",
            "the standard and the reading are above 0: a cell that shows nothing is dry or broken");
    *ret_constant = bath->constant * bath->us_cm / bath->shown;
    return ERR_NONE;
}

enum ec_verdict ec_judge(double constant, double nominal)
{
    const double off = fabs(constant / nominal - 1.0);
    if (off <= 0.10 + SLACK) return EC_GOOD;
    if (off <= 0.15 + SLACK) return EC_WATCH;
    return off <= 0.30 + SLACK ? EC_CLEAN : EC_REFUSED; /* NaN is refused */
}

const char *ec_verdict_word(enum ec_verdict verdict)
{
    static const char *const words[] = {
        [EC_GOOD] = "good", [EC_WATCH] = "watch", [EC_CLEAN] = "clean", [EC_REFUSED] = "refused"
    };
    INVARIANT(verdict <= EC_REFUSED);
    return words[verdict];
}
