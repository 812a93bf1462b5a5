/* The only source of chance in lib, and a repeatable one: the same seed gives the same numbers on
 * every machine. For tests, simulated worlds and the rig; the daemon's own identity comes from the
 * kernel instead. Algorithm: splitmix64 (G. Steele, D. Lea, C. Flood, "Fast splittable pseudorandom
 * number generators", OOPSLA 2014), constants from memory; a unit test pins its outputs for seed 0.
 */
#ifndef DOSEWRIGHT_BASE_PRNG_H
#define DOSEWRIGHT_BASE_PRNG_H

#include "lib/base/units.h"

struct prng {
    uint64_t state;
};

/* A source that starts at this seed. */
struct prng prng_seed(uint64_t seed);
/* The next 64 bits. */
uint64_t prng_next(struct prng *p);

/* Evenly from 0 to bound - 1; bound > 0. */
int64_t prng_below(struct prng *p, int64_t bound);

/* Evenly from 0 (included) to 1 (not included). */
double prng_unit(struct prng *p);

/* Roughly normal, mean 0, deviation 1: the sum of twelve uniforms less six (never beyond +-6). */
double prng_normal(struct prng *p);

#endif
