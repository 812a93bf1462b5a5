/* What a pump gives in a second, from runs into a measuring cylinder or onto a scale.
 *
 * Three runs: one alone can't show air in the line, a slipping roller or a misread cylinder. Their
 * spread is (largest - smallest) / mean, their repeatability the relative standard deviation with
 * n - 1 (the sample's). Up to 5 % of spread is good: a measuring cylinder of class B may itself be
 * off by 1 to 2 % of its size (ISO 4788, from memory), a peristaltic pump repeats within 1 to 2 %
 * (common practice, no source). */
#ifndef DOSEWRIGHT_DOSE_RATE_H
#define DOSEWRIGHT_DOSE_RATE_H

#include "lib/base/units.h"

enum { RATE_RUNS = 3 };

#define RATE_SPREAD_MOST_PERCENT 5.0
/* While a pump isn't calibrated its runs count as so many times what the nominal rate makes of
 * them; a measured run that gave more than that isn't believed. */
#define RATE_UNSURE 1.5

struct rate_run {
    int64_t ran_ms; /* > 0 */
    int64_t ul;     /* measured, > 0 */
};

enum rate_verdict {
    RATE_GOOD,
    RATE_TENFOLD, /* about ten times, or a tenth of, what it should: a misread scale */
    RATE_NOTHING, /* under a twentieth: air in the line, an empty bottle */
    RATE_FAR,     /* beyond 0.5 to RATE_UNSURE times the nominal rate */
    RATE_UNEVEN,  /* the runs differ by more than RATE_SPREAD_MOST_PERCENT */
};

/* One run against the nominal rate (mL/s, > 0): GOOD, TENFOLD, NOTHING or FAR. */
enum rate_verdict rate_judge_run(const struct rate_run *run, double nominal_ml_per_s);

/* A circulation's flow against what it is taken to be (L/min, both > 0): GOOD, TENFOLD, NOTHING or
 * FAR. Its bounds are wider, 0.25 to 2 times: what stands in a file is often the pump's plate, and
 * a lift of some metres takes half of that and more (common practice, no source). */
enum rate_verdict rate_judge_flow(double l_min, double nominal_l_min);

struct rate {
    double ml_per_s; /* all volume over all time */
    double spread_percent, deviation_percent;
};

/* All runs together: GOOD or UNEVEN; 'ret' is filled either way. */
enum rate_verdict rate_judge(struct rate *ret, const struct rate_run run[RATE_RUNS]);

#endif
