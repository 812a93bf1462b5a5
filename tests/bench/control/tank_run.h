/* One tank in the hands of one contender. */
#ifndef DOSEWRIGHT_BENCH_TANK_RUN_H
#define DOSEWRIGHT_BENCH_TANK_RUN_H

#include "tests/bench/control/score.h"

struct tank_run {
    const struct contender *contender;
    uint64_t seed;
    int days;
    bool faults;
    FILE *trace; /* CSV of every minute, or NULL */
};

/* A pump gives as many mL/s as its tank has litres, divided by this. */
#define PUMP_LITRES 50.0

void tank_run(const struct tank_run *run, struct score *ret);

#endif
