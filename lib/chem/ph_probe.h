/* A pH electrode on the bench: what it should give, what it gave, and whether it is still good.
 *
 * A glass electrode follows Nernst: mV = zero - slope% / 100 * k (pH - 7), k = ln 10 * R * T / F,
 * 59.16 mV per pH at 25 degC (R and F: CODATA 2018). A buffer's pH is that of its bath's
 * temperature, not the number on its bottle.
 *
 * Slopes accepted: 95 to 105 % good, 90 to 95 % needs care soon, 85 to 90 % needs it now, anything
 * else won't do (manual of a laboratory pH meter, 1996, read; a sheet on offset and slope, read,
 * has 85 to 105 %, that is 150 to 186 mV between 7.01 and 4.01; USGS's field manual asks for 95 to
 * 102 %, from memory).
 *
 * Zeros accepted: within 30 mV at pH 7 good (the same sheet); beyond 60 mV replace it (a maker's
 * note, read). */
#ifndef DOSEWRIGHT_CHEM_PH_PROBE_H
#define DOSEWRIGHT_CHEM_PH_PROBE_H

#include "lib/base/problem.h"

enum ph_buffer {
    BUFFER_TETROXALATE,    /* 1.68 */
    BUFFER_PHTHALATE,      /* 4.005, IUPAC 2002 */
    BUFFER_PHTHALATE_NBS,  /* 4.008, NBS */
    BUFFER_PHOSPHATE,      /* 6.865 */
    BUFFER_PHOSPHATE_7_41, /* 7.413, for blood */
    BUFFER_BORAX,          /* 9.180 */
    BUFFER_CARBONATE,      /* 10.012 */
    BUFFER_TECHNICAL_4,    /* the makers' coloured ones: nominal 4.00, 7.00, 10.01; they differ a */
    BUFFER_TECHNICAL_7,    /* little from maker to maker, so the bottle's own table stands above */
    BUFFER_TECHNICAL_10,
    BUFFER_COUNT,
};

#define PH_BUFFER_LEAST_DEGC 0.0
#define PH_BUFFER_MOST_DEGC 50.0

/* "phthalate", "technical-7" ...; and back, false when the word isn't one. */
const char *ph_buffer_word(enum ph_buffer buffer);
bool ph_buffer_read(enum ph_buffer *ret, const char *word);

/* Where its table comes from, in a few words. */
const char *ph_buffer_basis(enum ph_buffer buffer);

/* True pH of a buffer in a bath of 0 to 50 degC; NaN elsewhere. Tables in steps of 5 degC, a
 * parabola through the three nearest between them. */
double ph_buffer_at(enum ph_buffer buffer, double degc);

/* Ideal slope, mV per pH, -10 to 110 degC; NaN elsewhere. */
double ph_nernst_mv(double degc);

/* What an electrode with these constants shows, and the other way round. slope_percent > 0. */
struct ph_constants {
    double zero_mv;       /* at pH 7 */
    double slope_percent; /* of Nernst's */
};
double ph_from_mv(const struct ph_constants *c, double mv, double degc);
double ph_to_mv(const struct ph_constants *c, double ph, double degc);

/* A bath that the electrode stood in. */
struct ph_bath {
    double ph; /* true at its temperature */
    double mv;
    double degc;
};

enum ph_verdict {
    PH_GOOD,
    PH_CARE_SOON, /* slope 90 to 95 %, or zero beyond 30 mV: clean and soak it */
    PH_CARE_NOW,  /* slope 85 to 90 % */
    PH_REFUSED,   /* slope outside 85 to 105 %, or zero beyond 60 mV */
};

/* "good", "care soon" ... */
const char *ph_verdict_word(enum ph_verdict verdict);

/* Slope and zero through two baths. ERR_RANGE when the baths are less than 1 pH apart, a
 * temperature is outside 0 to 50 degC, or the readings aren't finite. */
enum err ph_calibrate(struct ph_constants *ret, const struct ph_bath *a, const struct ph_bath *b,
    struct problem *problem) __attribute__((warn_unused_result));

/* Against the ranges above; the stricter of slope and zero. */
enum ph_verdict ph_judge(const struct ph_constants *c);

/* How far a third bath reads from its truth, pH: published: within 0.1. */
#define PH_THIRD_BATH_MOST 0.1
double ph_third_bath_error(const struct ph_constants *c, const struct ph_bath *bath);

#endif
