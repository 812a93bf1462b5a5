/* Commands to a chain: what the core remembers of one under way, and how each kind is sent. Private
 * to the core (state.h includes it). */
#ifndef DOSEWRIGHT_CORE_COMMAND_H
#define DOSEWRIGHT_CORE_COMMAND_H

#include "lib/base/units.h"
#include "lib/chain/address.h"
#include "lib/chain/message.h"

struct core;
struct core_chain;
struct core_dose;
struct actions;

enum {
    COMMAND_START_MS = 8000, /* a command must start within this */
    COMMAND_GRACE_MS = 5000, /* and its last report may be this late */
    STOP_AGAIN_MS = 3000,    /* a stop without an end is said again */
};

/* A command under way. */
struct core_command {
    bool used;
    bool restored; /* found in the journal without an outcome */
    bool heard;    /* a report or the ledger has mentioned it */
    char id[CHAIN_WORD_MAX];
    char boot[CHAIN_WORD_MAX]; /* of the head that it was sent to; "" when that isn't known */
    uint32_t pump;             /* of the tank; for a dose */
    bool has_beside; /* restored: what ran is another pump's output by now, and counts there too */
    uint32_t beside_tank, beside_pump;
    int64_t ul, run_ms; /* ul 0 for circulation */
    int64_t full_ul;    /* >= ul: what it takes from the windows, and may turn out to be */
    double ml_per_s;    /* what its run time counts as; for a dose */
    struct mono asked;
    struct mono ends; /* latest instant at which it can still run */
    bool running;
    struct mono since; /* when it was reported running */
    bool stop_sent;
    struct mono stop_at; /* ... last; it is said again while the pump may run */
};

/* Names an entry of a window: never 0. */
uint64_t core_tag(const char *id);

/* The head's own clock now, by its newest beat. */
int64_t core_head_up_ms(const struct core_chain *chain, struct now now);

/* Records and sends one planned dose, or the tank's circulation for 'run_ms'. */
void core_send_dose(struct core *core, uint32_t tank, const struct core_dose *dose, struct now now,
    struct actions *ret);
void core_send_circulate(
    struct core *core, uint32_t tank, int64_t run_ms, struct now now, struct actions *ret);

/* Stops one output at once; with channel 0 all of its module. */
void core_send_stop(struct core *core, const struct chain_address *a, const char *serial,
    struct now now, struct actions *ret);

/* Stops this tank's dose at once, and its circulation too when 'all', each where its chain can be
 * told. */
void core_stop_tank(
    struct core *core, uint32_t tank, bool all, struct now now, struct actions *ret);

/* Halts or resumes one chain. */
void core_send_halt(struct core *core, uint32_t chain, struct now now, struct actions *ret);
/* Is all known that a resume has to bear? */
bool core_may_resume(const struct core_chain *chain);
void core_send_resume(struct core *core, uint32_t chain, struct now now, struct actions *ret);

/* Everything was released: resumes a halted chain, now or as soon as it can be told. */
void core_release_chain(struct core *core, uint32_t chain, struct now now, struct actions *ret);

/* One pump ticks, so that a hand on the module can feel which it is. What it gives counts. */
void core_send_identify(
    struct core *core, const struct chain_address *address, struct now now, struct actions *ret);

#endif
