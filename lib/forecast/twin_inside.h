/* What the files of the twin share with each other, and with nobody else. */
#ifndef DOSEWRIGHT_FORECAST_TWIN_INSIDE_H
#define DOSEWRIGHT_FORECAST_TWIN_INSIDE_H

#include "lib/forecast/twin.h"
#include "lib/plant/head.h"

struct twin_tank {
    struct reservoir water;
    struct mono at; /* the water stands there */
    bool flows;
    bool silent[PROBE_QUANTITY_COUNT];
    int64_t poured_ms[TANK_PUMPS_MAX]; /* of each pump's total */
    struct twin_given given[TANK_PUMPS_MAX];
};

struct twin_bottle {
    double left_ml;
    bool endless, empty;
    bool refill_waits;
    struct mono refill_at;
};

struct twin {
    const struct site *site;
    struct core *core;
    struct head *head;      /* one for each chain */
    struct twin_tank *tank; /* one for each tank */
    struct now now;
    struct prng chance;
    int64_t probe_every_ms, beat_ms;
    bool refills;
    int64_t refill_after_ms;
    struct twin_ears ears;
    struct mono head_zero; /* where the heads' up_ms is 0 */
    struct mono probes_due, beats_due, link_due;
    bool link_wanted;
    int64_t zones_hour; /* civil hour that was told last; -1: none */
    bool answer_ok;
    struct twin_bottle bottle[SITE_STOCKS_MAX];
    struct actions actions;
};

/* --- twin.c ----------------------------------------------------------------------------------- */

/* One event into the core, and what it wants done. */
void twin_tell(struct twin *t, const struct event *event);

/* --- twin_chain.c ----------------------------------------------------------------------------- */

void twin_chains_init(struct twin *t);

/* Everything that a new connection is told at once. */
void twin_connect(struct twin *t);

/* A command or claim reaches its head. */
void twin_command(struct twin *t, uint32_t chain, const struct chain_command *command);
void twin_claim(struct twin *t, uint32_t chain, const struct chain_claim *claim);

/* What ended, and what the heads want published. */
void twin_chains_turn(struct twin *t);
void twin_beat(struct twin *t);

/* The next instant at which a run ends, or something waits to be published (now). */
struct mono twin_chains_due(const struct twin *t);

/* --- twin_water.c ----------------------------------------------------------------------------- */

void twin_waters_init(struct twin *t, const struct twin_setup *setup);

/* This tank's water is brought to now, as it flowed until now. */
void twin_catch_up(struct twin *t, uint32_t tank);

/* Runs of this chain have begun or ended: what was pumped arrives, circulation is as it is. */
void twin_runs_changed(struct twin *t, uint32_t chain);

/* The probes' readings. */
void twin_probes(struct twin *t);

/* Bottles whose time has come are replaced; the next of those instants. */
void twin_refill(struct twin *t);
struct mono twin_refill_due(const struct twin *t);

#endif
