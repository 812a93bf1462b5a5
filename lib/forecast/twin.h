/* A whole site in memory, on a clock of its own: the real core as the daemon runs it, a virtual
 * chain head for each chain, a reservoir for each tank, bottles that run empty. Weeks pass in
 * seconds; the same setup gives the same bits.
 *
 * It jumps from one instant at which something happens to the next: a wake-up of the core, the end
 * of a run, a reading, a beat. Messages take no time but one millisecond; none gets lost, every
 * record is on disk at once. What the daemon can't see it doesn't get to see: readings go through
 * the probes' own units and guards, doses through the head's reports.
 *
 *     struct twin *t = twin_init(malloc(twin_size(&site)), &setup);
 *     twin_run(t, 28 * DAY_MS);
 */
#ifndef DOSEWRIGHT_FORECAST_TWIN_H
#define DOSEWRIGHT_FORECAST_TWIN_H

#include "lib/core/core.h"
#include "lib/plant/reservoir.h"

struct twin; /* lib/forecast/twin_inside.h, for the twin's own files */

/* What the twin tells while it runs; each may be NULL. Strings and records are the twin's. */
struct twin_ears {
    void *context;
    /* What the daemon would append to its journal, in order. */
    void (*record)(void *context, const struct record *record, struct now at);
    /* The last of this stock has left its bottle; then, when a full one stands there. */
    void (*emptied)(void *context, uint32_t stock, struct now at);
    void (*refilled)(void *context, uint32_t stock, struct now at);
    /* The offset of a tz database zone; without it all zones are UTC. Asked every hour. */
    int64_t (*zone_offset_ms)(void *context, const char *zone, struct civil at);
};

struct twin_setup {
    const struct site *site;             /* outlives the twin */
    const struct reservoir_truth *truth; /* one for each tank, pumps in the tank's order; copied */
    uint64_t seed;                       /* of all chance: probes, pumps */
    struct now start;
    int64_t probe_every_ms;  /* >= 1000: readings this often; more often where a probe's max_age_s
                                would pass. 60000 suits weeks */
    int64_t beat_ms;         /* 100 to 60000: of the chain heads; 30000 suits weeks */
    bool refills;            /* an empty bottle is replaced, and the daemon told of it, ... */
    int64_t refill_after_ms; /* ... after so long */
    struct twin_ears ears;
};

/* Bytes that a twin of this site needs, aligned as by malloc. */
size_t twin_size(const struct site *site);

/* Tanks full of source water, bottles full, no journal: the daemon starts for the first time. */
struct twin *twin_init(void *block, const struct twin_setup *setup);

/* Time passes. Any span; two calls are the same as one of the sum. */
void twin_run(struct twin *t, int64_t span_ms);

/* Its clock, and the core to be viewed. */
struct now twin_now(const struct twin *t);
const struct core *twin_core(const struct twin *t);

/* A person asks for something at the local door. Returns the answer's "ok". */
bool twin_ask(struct twin *t, const struct event_request *request);

/* The tank's water now, to look at and to disturb (reservoir_change_water, truth.stuck, ...). */
struct reservoir *twin_water(struct twin *t, uint32_t tank);

/* What is left in a bottle, and another bottle in its place (0: an empty one); the daemon isn't
 * told. A stock whose bottle_ml isn't configured never runs empty. */
double twin_bottle_ml(const struct twin *t, uint32_t stock);
void twin_set_bottle(struct twin *t, uint32_t stock, double ml);

/* No reading of this kind arrives any more, or again. */
void twin_silence(struct twin *t, uint32_t tank, enum probe_quantity quantity, bool silent);

/* By command, what this pump should have given so far, and what really left its tube. */
struct twin_given {
    double commanded_ml, delivered_ml;
    uint32_t doses;
};
struct twin_given twin_given(const struct twin *t, uint32_t tank, uint32_t pump);

/* --- twin_assume.c ---------------------------------------------------------------------------- */

/* What a millilitre of a stock does to water, as simulated water takes it. */
struct plant_dose twin_dose_of(const struct site_stock *stock);

/* A reservoir as this tank's configuration describes it, with the model's middle values for the
 * rest (docs/forecast.md lists them). 'seed' draws what nobody can know: each pump's error (3 %),
 * how the water mixes, a little drift. 'volume' scales its true volume: 0.8 is a tank that holds a
 * fifth less than was configured. 'starts_ms' is the local time of day. */
void twin_assume(struct reservoir_truth *ret, const struct site *site, uint32_t tank, uint64_t seed,
    double volume, int64_t starts_ms);

#endif
