/* A simulated probe: what it shows of a true value. It lags, it drifts, it is noisy, it has a
 * resolution, and it can stick or be off by a step. Numbers are in whatever unit the probe sends;
 * the same seed gives the same readings. */
#ifndef DOSEWRIGHT_PLANT_PROBE_MODEL_H
#define DOSEWRIGHT_PLANT_PROBE_MODEL_H

#include "lib/base/prng.h"

struct probe_model_config {
    double lag_s;         /* time constant of its first-order lag; 0: none */
    double noise;         /* deviation: 0.8 of it white, 0.6 with a memory of 15 minutes */
    double drift_per_day; /* either sign */
    double resolution;    /* readings are multiples of this; 0: none */
};

struct probe_model { /* members are this module's */
    struct probe_model_config config;
    struct prng chance;
    bool begun;
    double lagged, slow, drift, step;
    bool stuck, has_shown;
    double shown;
};

/* A probe that has seen nothing yet. */
void probe_model_init(
    struct probe_model *m, const struct probe_model_config *config, uint64_t seed);

/* 'seconds' (>= 0) have passed since the last reading; what does it show now? */
double probe_model_read(struct probe_model *m, double truth, double seconds);

/* Adds a step to everything shown from now on. */
void probe_model_step(struct probe_model *m, double by);

/* Takes all steps back. */
void probe_model_unstep(struct probe_model *m);

/* Shows the last value, to its last digit, until it is let go. */
void probe_model_stick(struct probe_model *m, bool stuck);

#endif
