#include "lib/base/prng.h"

#include "lib/base/invariant.h"

struct prng prng_seed(uint64_t seed)
{
    return (struct prng){ seed };
}

uint64_t prng_next(struct prng *p)
{
    uint64_t z = (p->state += UINT64_C(0x9e3779b97f4a7c15));
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

int64_t prng_below(struct prng *p, int64_t bound)
{
    INVARIANT(bound > 0);
    return (int64_t)(prng_next(p) % (uint64_t)bound);
}

double prng_unit(struct prng *p)
{
    return (double)(prng_next(p) >> 11) * 0x1p-53;
}

double prng_normal(struct prng *p)
{
    double sum = -6.0;
    for (int i = 0; i < 12; i++) {
        sum += prng_unit(p);
    }
    return sum;
}
