#include "daemon/mqtt/mqtt_pace.h"

enum { DOUBLINGS_MOST = 5 };

struct pace pace_start(uint64_t seed)
{
    return (struct pace){ .chance = prng_seed(seed) };
}

void pace_lost(struct pace *p, int64_t held_ms)
{
    if (held_ms < PACE_BRIEF_MS) {
        p->brief++;
        return;
    }
    p->brief = 0;
    p->failures = 0;
}

bool pace_quarrel(const struct pace *p)
{
    return p->brief >= PACE_BRIEF_COUNT;
}

int64_t pace_wait_ms(struct pace *p)
{
    int64_t ms = PACE_MOST_MS;
    if (p->failures < DOUBLINGS_MOST) ms = (int64_t)PACE_FIRST_MS << p->failures;
    if (pace_quarrel(p)) ms = PACE_QUARREL_MS;
    p->failures++;
    return ms * 3 / 4 + prng_below(&p->chance, ms / 2 + 1);
}
