/* The judge of a world. It knows nothing of the daemon: no header of core, chain, dose, journal or
 * the shell is seen here. It is told facts of the world (which output of which module ran, what a
 * person did, what left a daemon, which bytes lie on its disk) and the rules that an operator wrote
 * down, and says which of the invariants was broken, when and how.
 *
 * Times are the world's own, in milliseconds; sides are the daemons, 0 and 1. A pump is numbered
 * tank * OBSERVE_SLOTS + place, the same in every configuration of the site. */
#ifndef DOSEWRIGHT_TESTS_STORM_OBSERVE_H
#define DOSEWRIGHT_TESTS_STORM_OBSERVE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum {
    OBSERVE_SIDES = 2,
    OBSERVE_TANKS = 3,
    OBSERVE_SLOTS = 4,
    OBSERVE_PUMPS = OBSERVE_TANKS * OBSERVE_SLOTS,
    OBSERVE_WORD = 40,
    OBSERVE_PROBES = 3, /* EC, pH, temperature: what every dose needs */
};

/* --- the rules -------------------------------------------------------------------------------- */

enum rule_purpose { RULE_FEED, RULE_ACID, RULE_BASE };

struct rule_pump {
    bool there;
    enum rule_purpose purpose;
    uint32_t apart; /* bit i: must never meet the stock in place i undiluted */
    char serial[OBSERVE_WORD];
    uint32_t channel;
    double ul_per_ms; /* as calibrated */
    int64_t dose_ul, hour_ul, day_ul;
};

struct rule_tank {
    bool there;
    struct rule_pump pump[OBSERVE_SLOTS];
    char serial[OBSERVE_WORD]; /* of the module that circulates it */
    int64_t flush_ms;          /* at the configured flow */
    int64_t spacing_ms;        /* between acid and base */
    int64_t max_age_ms[OBSERVE_PROBES];
};

struct rules {
    struct rule_tank tank[OBSERVE_TANKS];
};

/* --- what is found ---------------------------------------------------------------------------- */

struct breach {
    char law[4]; /* "I1" .. "I14", "L1", "L2", "R" */
    int64_t at_ms;
    char what[240];
};

struct observer;

struct observer *observe_begin(void);
void observe_free(struct observer *o);

/* How many breaches, and the first. */
uint32_t observe_breaches(const struct observer *o);
const struct breach *observe_first(const struct observer *o);

/* Something that others found: a word for the law, and what. */
void observe_breach(struct observer *o, const char *law, int64_t at_ms, const char *what);

/* --- facts ------------------------------------------------------------------------------------ */

/* From now on this side goes by these rules (kept by the caller). */
void observe_rules(struct observer *o, uint32_t side, const struct rules *rules);

/* A daemon started, or died. */
void observe_life(struct observer *o, uint32_t side, bool alive, int64_t at_ms);

/* A command left a daemon. */
enum command_sort { SORT_DOSE, SORT_CIRCULATE, SORT_TICK, SORT_OTHER };
struct fact_command {
    enum command_sort sort;
    const char *id;
    const char *serial;
    uint32_t channel;
    int64_t run_ms;
};
void observe_command(
    struct observer *o, uint32_t side, const struct fact_command *command, int64_t at_ms);

/* An output of a module began to move, or stopped. 'id' is the command's, "" by hand. Channel 0
 * circulates. 'flows': it really moves water (a dead circulation pump doesn't). */
struct fact_run {
    const char *id;
    const char *serial; /* of the module that is really there */
    uint32_t channel;
    bool by_hand, flows;
};
void observe_run_begins(struct observer *o, const struct fact_run *run, int64_t at_ms);
void observe_run_ends(struct observer *o, const struct fact_run *run, int64_t at_ms);

/* The head published how long this output was run by hand in all; and a side has heard so. */
void observe_hand_published(
    struct observer *o, const char *serial, uint32_t channel, int64_t total_ms, int64_t at_ms);
void observe_hand_heard(struct observer *o, uint32_t side, const char *serial, uint32_t channel,
    int64_t total_ms, int64_t at_ms);

/* A probe's message reached a side: a number in its range, or nothing that could be used. */
void observe_reading(
    struct observer *o, uint32_t side, uint32_t tank, uint32_t probe, bool usable, int64_t at_ms);

/* A person asked this side for a halt, or for its end; it accepted. What was asked is kept when a
 * head has latched or a disk has it. */
void observe_halt(struct observer *o, uint32_t side, bool on, int64_t at_ms);
void observe_halt_kept(struct observer *o, uint32_t side);

/* A head latched, or let go. */
void observe_latch(struct observer *o, bool latched, int64_t at_ms);

/* What lies on a side's disk for good: its journal's bytes from the first on. Only what was added
 * since the last look is read, unless it was said that the disk is to be read anew, after a crash:
 * then every command that left this side within the last day must be found there. */
void observe_disk_anew(struct observer *o, uint32_t side);
void observe_disk(
    struct observer *o, uint32_t side, const char *bytes, size_t count, int64_t at_ms);

#endif
