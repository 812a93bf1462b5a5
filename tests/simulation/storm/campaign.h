/* Many worlds, one after the other or in several processes. */
#ifndef DOSEWRIGHT_TESTS_STORM_CAMPAIGN_H
#define DOSEWRIGHT_TESTS_STORM_CAMPAIGN_H

#include "tests/simulation/storm/world.h"

enum { JOBS_MOST = 64 };

struct campaign {
    uint64_t from, seeds;
    int64_t span_ms;
    double seconds; /* it ends after so many, if not before; 0: never */
    uint32_t jobs;
    bool talks, shrinks;
    struct fault_wish wish;
};

struct tally {
    uint64_t seeds, breaches, replayed, doses, found, refused;
    int64_t simulated_ms;
    double cpu_s;
    uint64_t trace; /* of all worlds: two builds that give the same worlds give the same */
    uint64_t fires[FAULT_COUNT], worlds_with[FAULT_COUNT];
};

/* Runs it and prints what was broken. */
void campaign_run(const struct campaign *c, struct tally *ret);

/* --- shrink.c -----------------------------------------------------------------------------------
 */

/* The least of a failing world that still breaks the same law: fewer kinds of faults, less time. */
void shrink_world(struct world_options *options, const struct verdict *verdict);

/* "simulation.storm --from 17 --seeds 1 ..." */
void print_replay(const struct world_options *options);

#endif
