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
    OBSERVE_OUTPUTS = OBSERVE_SLOTS + 1, /* of a tank: its pumps, and then the circulation */
    OBSERVE_FLOW = OBSERVE_SLOTS,
    OBSERVE_CHAINS = 2 + OBSERVE_TANKS,
    OBSERVE_MODULES = 4, /* of a chain */
    OBSERVE_WORD = 40,
    OBSERVE_PROBES = 3, /* EC, pH, temperature: what every dose needs */
};

/* --- the rules -------------------------------------------------------------------------------- */

enum rule_purpose { RULE_FEED, RULE_ACID, RULE_BASE };

/* An output on a board that isn't part of a chain: it switches off by itself after 'longest_ms' at
 * the latest, whatever it was told. */
struct rule_board {
    bool there;
    bool switched; /* it is told only on and off */
    bool reports;
    int64_t longest_ms;
};

struct rule_pump {
    bool there;
    enum rule_purpose purpose;
    uint32_t apart; /* bit i: must never meet the stock in place i undiluted */
    char serial[OBSERVE_WORD];
    uint32_t channel;
    double ul_per_ms; /* as calibrated */
    int64_t dose_ul, hour_ul, day_ul;
    struct rule_board board;
    double proof_ul; /* so much without the effect that it should have is noticed */
};

struct rule_tank {
    bool there;
    struct rule_pump pump[OBSERVE_SLOTS];
    char serial[OBSERVE_WORD]; /* of the module that circulates it */
    struct rule_board flow;    /* ... or of the board */
    uint32_t flow_chain;
    int64_t flush_ms;   /* at the configured flow */
    int64_t blind_ms;   /* a circulation that stops may be noticed so late */
    int64_t off_ms;     /* ... and one that somebody has switched off */
    int64_t spacing_ms; /* between acid and base */
    int64_t max_age_ms[OBSERVE_PROBES];
    int64_t stuck_ms[OBSERVE_PROBES];  /* the same number for so long isn't believed; 0: it is */
    double jump_most[OBSERVE_PROBES];  /* a step beyond it isn't believed at once; 0: it is */
    double least_ec_us_cm;             /* no water of this tank has less */
    int64_t level_age_ms, leak_age_ms; /* of those probes' readings, 0: it has none */
    double least_level;                /* percent; below it nothing is dosed */
    int64_t planted_ms;                /* in civil time: nothing is dosed before it */
};

/* Supply and cable of a chain, as on its label and its drawing. */
struct rule_module {
    char serial[OBSERVE_WORD];
    double ohm; /* both conductors of the link in front of it */
    double least_volts, idle_amps, pump_amps, flow_amps;
};

struct rule_chain {
    bool plain;     /* no chain with a head: the boards' outputs of a tank */
    uint32_t count; /* 0: there is no such chain */
    struct rule_module module[OBSERVE_MODULES];
    double volts, usable_amps;
    int64_t beat_ms;
    int64_t longest_ms[2]; /* that an output may run by one command: circulation, pumps */
};

struct rules {
    struct rule_tank tank[OBSERVE_TANKS];
    struct rule_chain chain[OBSERVE_CHAINS];
};

/* --- what is found ---------------------------------------------------------------------------- */

struct breach {
    char law[4]; /* "I1" .. "I14", "L1", "L2", "R" */
    int64_t at_ms;
    char what[240];
};

struct disk_bytes {
    const char *bytes;
    size_t count;
};

struct observer;

struct observer *observe_begin(void);
void observe_free(struct observer *o);

/* Which outputs there are, whatever a side's rules say of them. */
void observe_site(struct observer *o, const struct rules *rules);

/* How many breaches, and the first. */
uint32_t observe_breaches(const struct observer *o);
const struct breach *observe_first(const struct observer *o);

/* Something that others found: a word for the law, and what. */
void observe_breach(struct observer *o, const char *law, int64_t at_ms, const char *what);

/* --- facts ------------------------------------------------------------------------------------ */

/* From now on this side goes by these rules (kept by the caller). */
void observe_rules(struct observer *o, uint32_t side, const struct rules *rules, int64_t at_ms);

/* A daemon started under this name, or died. */
void observe_life(struct observer *o, uint32_t side, const char *name, bool alive, int64_t at_ms);

/* A command left a daemon. */
enum command_sort { SORT_DOSE, SORT_CIRCULATE, SORT_TICK, SORT_OTHER };
struct fact_command {
    enum command_sort sort;
    bool stops; /* what its serial and channel name; "": the whole chain, 0: the whole module */
    const char *id, *by;
    int64_t reign;
    uint32_t chain;
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
    uint32_t chain;
    const char *serial; /* of the module that is really there */
    uint32_t channel;
    bool by_hand, flows;
    bool as_bound; /* the modules of its chain are in the order that was written down */
    bool late;     /* a broker that stood still passed the order on when it woke */
};
void observe_run_begins(struct observer *o, const struct fact_run *run, int64_t at_ms);
void observe_run_ends(struct observer *o, const struct fact_run *run, int64_t at_ms);

/* --- observe_board.c: outputs of boards. 'output' is a pump's place, or OBSERVE_FLOW -------------
 */

/* An order left a daemon: 'on' for 'run_ms', by the command 'id', or off. */
struct fact_order {
    uint32_t tank, output;
    bool on;
    const char *id;
    int64_t run_ms;
};
void observe_order(
    struct observer *o, uint32_t side, const struct fact_order *order, int64_t at_ms);

/* A daemon hears from a board that this output is on, or off. */
void observe_word(struct observer *o, uint32_t side, const struct fact_order *word, int64_t at_ms);

/* A board's output went off by its own limit, not because somebody said so; this side could have:
 * it lives, and was let do so since 'since_ms'. */
void observe_own_end(struct observer *o, uint32_t side, const struct fact_order *output,
    int64_t since_ms, int64_t at_ms);

/* This side serves the site, and was let do so for some time: what did it tell the boards? */
void observe_serves(struct observer *o, uint32_t side, int64_t since_ms, int64_t at_ms);

/* People looked at this tank and said that all is well there. */
void observe_looked(struct observer *o, uint32_t tank);

/* A circulation that is switched on stands still, or moves again. */
void observe_flow(struct observer *o, const char *serial, bool flows, int64_t at_ms);

/* The head published how long this output was run by hand in all; and a side has heard so. */
void observe_hand_published(
    struct observer *o, const char *serial, uint32_t channel, int64_t total_ms, int64_t at_ms);
void observe_hand_heard(struct observer *o, uint32_t side, const char *serial, uint32_t channel,
    int64_t total_ms, int64_t at_ms);

/* Who commands a chain: what its head has in force, and what a side has heard of that. */
struct fact_claim {
    uint32_t chain;
    const char *by;
    int64_t reign;
};
void observe_claim(struct observer *o, const struct fact_claim *claim, int64_t at_ms);
void observe_claim_heard(
    struct observer *o, uint32_t side, const struct fact_claim *claim, int64_t at_ms);

/* A side asks for a chain; a person has told it to; it hears that another daemon lives. */
void observe_claim_asked(
    struct observer *o, uint32_t side, const struct fact_claim *claim, int64_t at_ms);
void observe_claim_told(struct observer *o, uint32_t side, uint32_t chain, int64_t at_ms);
void observe_peer_heard(struct observer *o, uint32_t side, const char *by, int64_t at_ms);

/* A side's connection came, or went: what it has heard before counts no more. It has heard a
 * chain's heartbeat, or that its head is (not) ready; its journal's disk refuses what it is given,
 * or takes it again. */
void observe_link(struct observer *o, uint32_t side, int64_t at_ms);
void observe_beat_heard(struct observer *o, uint32_t side, uint32_t chain, int64_t at_ms);
void observe_head_heard(
    struct observer *o, uint32_t side, uint32_t chain, bool ready, int64_t at_ms);

/* A report or a ledger told this side of a command's run: it runs, or runs no more. */
enum word { WORD_NO_RUN, WORD_RUNS, WORD_OVER }; /* not or not yet, now, no more */
void observe_run_heard(
    struct observer *o, uint32_t side, const char *id, enum word word, int64_t at_ms);

/* ... and that a head has started anew: none of its runs goes on. */
void observe_head_restarted(struct observer *o, uint32_t side, uint32_t chain, int64_t at_ms);
void observe_disk_fails(struct observer *o, uint32_t side, bool fails, int64_t at_ms);

/* What a pump moves does nothing to the water, or the wrong thing; it works (again). Something else
 * moves a tank's water or its probes, so that nobody can tell what a dose did. */
void observe_effect(struct observer *o, uint32_t pump, bool works);
void observe_disturbed(struct observer *o, uint32_t tank);

/* What a side's clock is now: its civil time less the world's, and whether anybody ever set it. */
void observe_clock(struct observer *o, uint32_t side, bool set, int64_t ahead_ms, int64_t at_ms);

struct fact_reading {
    uint32_t tank, probe;
    bool usable;
    double number;
};

/* A probe's message reached a side: a number in its range, or nothing that could be used. */
void observe_reading(
    struct observer *o, uint32_t side, const struct fact_reading *reading, int64_t at_ms);

/* Somebody asked this side for liquid: into the tank as a dose, into the tank to fill or measure a
 * line, into a cup. 'id': the same again is one request; "": each counts. */
enum asked_where { ASKED_NOT, ASKED_DOSE, ASKED_LINE, ASKED_CUP };
struct fact_asked {
    uint32_t tank, slot;
    int64_t ul;
    enum asked_where where;
    const char *id;
    bool measures; /* they want to measure it */
};
void observe_asked(struct observer *o, uint32_t side, const struct fact_asked *fact, int64_t at_ms);

/* Somebody says to this side how much the newest run for a pump's calibration gave, and is told
 * that it isn't believed, that it was the n-th of three, or that the rate of all three holds from
 * now on, or doesn't as they are too uneven. */
enum told { TOLD_NO, TOLD_RUN, TOLD_HOLDS, TOLD_UNEVEN };
struct fact_measured {
    uint32_t tank, slot;
    int64_t ul;
    const char *id; /* as above */
    enum told told;
    uint32_t n;
    double ul_per_ms; /* as they were told */
};
void observe_measured(
    struct observer *o, uint32_t side, const struct fact_measured *fact, int64_t at_ms);

/* What came out of a pump's tube since it was last told. */
void observe_poured(struct observer *o, uint32_t pump, double ul);

/* Somebody told this side to keep a tank's doses back, or that they may go on: it is on the bench,
 * paused, or hands are in it and nothing may move. */
enum hold { HOLD_BENCH, HOLD_PAUSE, HOLD_SERVICE, HOLDS };
void observe_hold(
    struct observer *o, uint32_t side, uint32_t tank, enum hold hold, bool on, int64_t at_ms);

/* How full a tank is, and whether water lies under it, as a usable reading told this side. */
void observe_level(struct observer *o, uint32_t side, uint32_t tank, double percent, int64_t at_ms);
void observe_leak(struct observer *o, uint32_t side, uint32_t tank, bool wet, int64_t at_ms);

/* A person asked this side for a halt, or for its end; it accepted. What was asked is kept when a
 * head has latched or a disk has it. */
void observe_halt(struct observer *o, uint32_t side, bool on, int64_t at_ms);
void observe_halt_kept(struct observer *o, uint32_t side);

/* This module hangs on another head, which never heard of a halt, and counts hands from 0. */
void observe_head_replaced(struct observer *o, const char *serial, int64_t at_ms);

/* A head latched, or let go. */
void observe_latch(struct observer *o, bool latched, int64_t at_ms);

/* What lies on a side's disk: the bytes of one of its journal's files, which are told of in their
 * order, again and again. Only what was added since the last look is read, unless it was said that
 * the disk is to be read anew, after a start: then the files that are still there are told of from
 * the first, and once that is done every command that left this side within the last day must have
 * been found. 'hurt': somebody damaged what is there; only what the disk itself did is judged. */
void observe_disk_anew(struct observer *o, uint32_t side);
void observe_disk_file(
    struct observer *o, uint32_t side, const char *name, struct disk_bytes bytes, int64_t at_ms);
void observe_disk_done(struct observer *o, uint32_t side, int64_t at_ms);
void observe_disk_hurt(struct observer *o, uint32_t side);

/* A power cut left holes within what wasn't synced: bad lines may lie there, but nothing is missing
 * of what had to be there. */
void observe_disk_holes(struct observer *o, uint32_t side);

#endif
