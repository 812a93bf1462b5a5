/* What the bench prints. */
#ifndef DOSEWRIGHT_BENCH_REPORT_H
#define DOSEWRIGHT_BENCH_REPORT_H

#include "tests/bench/control/score.h"

struct field { /* all tanks of one contender */
    const struct contender *contender;
    bool faults;
    size_t count;
    int days;
    uint64_t seed;
    double cpu_s;
    struct score *score;
};

/* One row a figure, one group of columns a contender: median, 5th and 95th percentile, worst. */
void report_table(const struct field *field, int count);

/* The seeds of the worst tanks. */
void report_worst(const struct field *field, int count, int worst);

/* {"runs":[ ... ]}: the opening with the first call, one element a contender; the caller closes. */
void report_json(const struct field *field, int count, bool first);

/* What each figure means. */
void report_meanings(void);

#endif
