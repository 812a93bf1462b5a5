#include "lib/plant/probe_model.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/real.h"

/* 0.8 and 0.6: their squares add up to 1. */
static const double white_share = 0.8, slow_share = 0.6, memory_s = 900.0, day_s = 86400.0;

void probe_model_init(struct probe_model *m, const struct probe_model_config *config, uint64_t seed)
{
    INVARIANT(config->lag_s >= 0.0 && config->noise >= 0.0 && config->resolution >= 0.0);
    *m = (struct probe_model){ .config = *config, .chance = prng_seed(seed) };
    m->slow = prng_normal(&m->chance);
}

static void follow(struct probe_model *m, double truth, double seconds)
{
    const double lag_s = m->config.lag_s;
    const double kept = m->begun && lag_s > 0.0 ? real_exp(-seconds / lag_s) : 0.0;
    m->lagged = m->begun ? truth + (m->lagged - truth) * kept : truth;
    m->begun = true;
}

/* A first-order noise of deviation 1, whatever the interval. */
static double noise(struct probe_model *m, double seconds)
{
    const double kept = real_exp(-seconds / memory_s);
    m->slow = kept * m->slow + sqrt(1.0 - kept * kept) * prng_normal(&m->chance);
    return m->config.noise * (white_share * prng_normal(&m->chance) + slow_share * m->slow);
}

double probe_model_read(struct probe_model *m, double truth, double seconds)
{
    INVARIANT(seconds >= 0.0);
    follow(m, truth, seconds);
    m->drift += m->config.drift_per_day * seconds / day_s;
    const double value = m->lagged + m->drift + m->step + noise(m, seconds);
    if (m->stuck && m->has_shown) return m->shown;
    const double r = m->config.resolution;
    m->shown = r > 0.0 ? r * floor(value / r + 0.5) : value;
    m->has_shown = true;
    return m->shown;
}

void probe_model_step(struct probe_model *m, double by)
{
    m->step += by;
}

void probe_model_unstep(struct probe_model *m)
{
    m->step = 0.0;
}

void probe_model_stick(struct probe_model *m, bool stuck)
{
    m->stuck = stuck;
}
