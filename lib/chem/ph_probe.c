#include "lib/chem/ph_probe.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"

#define LN_10 2.302585092994046
#define GAS_J_MOL_K 8.31446261815324
#define FARADAY_C_MOL 96485.33212
#define ZERO_DEGC_K 273.15
#define PH_AT_ZERO 7.0
#define STEP_DEGC 5.0
#define APART_LEAST 1.0

enum { STEPS = 11 };

static const char standard[] =
    "standard buffer (NBS, IUPAC 2002, DIN 19266; table from memory), at the bath's temperature";
static const char technical[] =
    "technical buffer (an instrument manual's table); the bottle's own table stands above it";

/* pH at 0, 5 ... 50 degC. */
static const struct buffer {
    const char *word, *basis;
    double ph[STEPS];
} buffers[BUFFER_COUNT] = {
    [BUFFER_TETROXALATE] = { "tetroxalate", standard,
        { 1.666, 1.668, 1.67, 1.672, 1.675, 1.679, 1.683, 1.688, 1.694, 1.7, 1.707 } },
    [BUFFER_PHTHALATE_NBS] = { "phthalate-nbs", standard,
        { 4.003, 3.999, 3.998, 3.999, 4.002, 4.008, 4.015, 4.024, 4.035, 4.047, 4.06 } },
    [BUFFER_PHTHALATE] = { "phthalate", standard,
        { 4, 3.998, 3.997, 3.998, 4.001, 4.005, 4.011, 4.018, 4.027, 4.038, 4.05 } },
    [BUFFER_PHOSPHATE] = { "phosphate", standard,
        { 6.984, 6.951, 6.923, 6.9, 6.881, 6.865, 6.853, 6.844, 6.838, 6.834, 6.833 } },
    [BUFFER_PHOSPHATE_7_41] = { "phosphate-7.41", standard,
        { 7.534, 7.5, 7.472, 7.448, 7.429, 7.413, 7.4, 7.389, 7.38, 7.373, 7.367 } },
    [BUFFER_BORAX] = { "borax", standard,
        { 9.464, 9.395, 9.332, 9.276, 9.225, 9.18, 9.139, 9.102, 9.068, 9.038, 9.011 } },
    [BUFFER_CARBONATE] = { "carbonate", standard,
        { 10.317, 10.245, 10.179, 10.118, 10.062, 10.012, 9.966, 9.926, 9.889, 9.856, 9.828 } },
    [BUFFER_TECHNICAL_4] = { "technical-4", technical,
        { 4, 4, 4, 4, 4, 4, 4.01, 4.02, 4.03, 4.04, 4.06 } },
    [BUFFER_TECHNICAL_7] = { "technical-7", technical,
        { 7.12, 7.09, 7.06, 7.04, 7.02, 7, 6.99, 6.99, 6.98, 6.98, 6.97 } },
    [BUFFER_TECHNICAL_10] = { "technical-10", technical,
        { 10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89, 9.86, 9.83 } },
};

const char *ph_buffer_word(enum ph_buffer buffer)
{
    INVARIANT(buffer < BUFFER_COUNT);
    return buffers[buffer].word;
}

bool ph_buffer_read(enum ph_buffer *ret, const char *word)
{
    for (int b = 0; b < BUFFER_COUNT; b++) {
        if (!text_same(buffers[b].word, word)) continue;
        *ret = (enum ph_buffer)b;
        return true;
    }
    return false;
}

const char *ph_buffer_basis(enum ph_buffer buffer)
{
    INVARIANT(buffer < BUFFER_COUNT);
    return buffers[buffer].basis;
}

static bool is_within(double x, double least, double most)
{
    return x >= least && x <= most; /* false for NaN */
}

double ph_buffer_at(enum ph_buffer buffer, double degc)
{
    INVARIANT(buffer < BUFFER_COUNT);
    if (!is_within(degc, PH_BUFFER_LEAST_DEGC, PH_BUFFER_MOST_DEGC)) return (double)NAN;
    const double *ph = buffers[buffer].ph;
    size_t middle = (size_t)(degc / STEP_DEGC + 0.5);
    if (middle < 1) middle = 1;
    if (middle > STEPS - 2) middle = STEPS - 2;
    const double x = degc / STEP_DEGC - (double)middle;
    const double before = ph[middle - 1], at = ph[middle], after = ph[middle + 1];
    return at + x * (after - before) / 2.0 + x * x * (after - 2.0 * at + before) / 2.0;
}

double ph_nernst_mv(double degc)
{
    if (!is_within(degc, -10.0, 110.0)) return (double)NAN;
    return 1000.0 * LN_10 * GAS_J_MOL_K * (degc + ZERO_DEGC_K) / FARADAY_C_MOL;
}

double ph_from_mv(const struct ph_constants *c, double mv, double degc)
{
    return PH_AT_ZERO - (mv - c->zero_mv) / (c->slope_percent / 100.0 * ph_nernst_mv(degc));
}

double ph_to_mv(const struct ph_constants *c, double ph, double degc)
{
    return c->zero_mv - c->slope_percent / 100.0 * ph_nernst_mv(degc) * (ph - PH_AT_ZERO);
}

/* --- calibration ------------------------------------------------------------------------------ */

static bool is_bath(const struct ph_bath *b)
{
    return is_within(b->ph, 0.0, 14.0) && is_within(b->mv, -2000.0, 2000.0) &&
           is_within(b->degc, PH_BUFFER_LEAST_DEGC, PH_BUFFER_MOST_DEGC);
}

/* mV = zero - share * u with u = k(T) (pH - 7) for each bath: two equations, two unknowns. That
 * allows for baths of unlike temperature. */
enum err ph_calibrate(struct ph_constants *ret, const struct ph_bath *a, const struct ph_bath *b,
    struct problem *problem)
{
    if (!is_bath(a) || !is_bath(b))
        return problem_set(problem, ERR_RANGE, "",
            "a bath has a pH of 0 to 14, -2000 to 2000 mV and 0 to 50 degC");
    if (fabs(a->ph - b->ph) < APART_LEAST)
        return problem_set(
            problem, ERR_RANGE, "", "the two baths must be at least 1 pH apart; 3 is usual");
    const double ua = ph_nernst_mv(a->degc) * (a->ph - PH_AT_ZERO);
    const double ub = ph_nernst_mv(b->degc) * (b->ph - PH_AT_ZERO);
    const double share = (b->mv - a->mv) / (ua - ub);
    *ret = (struct ph_constants){ .zero_mv = a->mv + share * ua, .slope_percent = 100.0 * share };
    return ERR_NONE;
}

enum ph_verdict ph_judge(const struct ph_constants *c)
{
    const double zero = fabs(c->zero_mv), slope = c->slope_percent;
    if (!(zero <= 60.0) || !is_within(slope, 85.0, 105.0)) return PH_REFUSED;
    if (slope < 90.0) return PH_CARE_NOW;
    if (slope < 95.0 || zero > 30.0) return PH_CARE_SOON;
    return PH_GOOD;
}

const char *ph_verdict_word(enum ph_verdict verdict)
{
    static const char *const words[] = { [PH_GOOD] = "good",
        [PH_CARE_SOON] = "care soon",
        [PH_CARE_NOW] = "care now",
        [PH_REFUSED] = "refused" };
    INVARIANT(verdict <= PH_REFUSED);
    return words[verdict];
}

double ph_third_bath_error(const struct ph_constants *c, const struct ph_bath *bath)
{
    return ph_from_mv(c, bath->mv, bath->degc) - bath->ph;
}
