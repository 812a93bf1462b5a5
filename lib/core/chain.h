/* One chain: what its head says, who commands it, what runs by hand and what it draws. Private to
 * the core (state.h includes it). */
#ifndef DOSEWRIGHT_CORE_CHAIN_H
#define DOSEWRIGHT_CORE_CHAIN_H

#include "lib/chain/bind.h"
#include "lib/chain/message.h"
#include "lib/core/draw.h"
#include "lib/core/event.h"
#include "lib/core/follow.h"
#include "lib/core/head_clock.h"
#include "lib/core/upkeep.h"

struct core;
struct record;

enum {
    MOTORS_APART_MS = 500,    /* between two starts on a chain: inrush lasts about 0.1 s */
    CLAIM_SILENCE_MS = 15000, /* an owner that is silent for so long is gone */
    CLAIM_RETRY_MS = 5000,
    CHAIN_LOOK_MS = 1500,   /* a chain is looked at this often, or three times in four beats */
    LEDGER_WAIT_MS = 60000, /* for a ledger that tells of a dose lost from sight */
};

struct core_total { /* of an output run by hand, as far as it was counted */
    char serial[CHAIN_WORD_MAX];
    uint32_t channel;
    int64_t ms;
    int64_t before_ms; /* when the newest message's head was first heard; 0: its own word counts */
};

struct core_chain {
    /* What its head says of itself. */
    bool head_ready, has_roll, matches;
    struct chain_roll roll;
    char mismatch[VIEW_WHY_MAX];
    bool has_beat;
    struct chain_beat beat;
    struct mono beat_at;
    bool ledger_seen; /* since the link came up */
    struct core_head_clock head_clock;

    /* Who commands it (claim.c). */
    bool has_claim, ours;
    bool held;                 /* it was ours since this start */
    struct chain_claim claim;  /* in force, as read */
    struct chain_claim former; /* the last one in force that our own journal holds; by "" if none */
    struct chain_claim former_asked; /* ... and the last one that it asked for */
    int64_t seen_reign;  /* of another daemon's claim in force, by our journal; 0: none */
    int64_t asked_reign; /* 0: none asked */
    struct mono asked_at;
    struct mono owner_at; /* the daemon that the claim names was last heard, whatever its site */
    bool other_seen;      /* since this one asked last, or started, another one commanded it, or the
                             head was exchanged while this one didn't run */
    bool deposed;         /* another took it: stands by until somebody says 'claim' */
    bool beaten;          /* while this one serves the site, too, its owner was heard */
    bool claim_now;       /* somebody said 'claim' */
    bool vouched;         /* at the last claim the other's journal stood for its limits */

    /* Halts. */
    struct mono halt_sent;
    bool halt_pending; /* one was sent and the beat doesn't show it yet */
    bool resume_owed;  /* a release found the chain not ours, or unheard. Not kept over a restart:
                          a halt of the time between isn't ours to end */

    /* What runs by hand, at the switches of its modules. */
    bool hand_running;
    struct mono hand_at; /* when that changed last */
    char hand_serial[CHAIN_WORD_MAX];
    uint32_t hand_channel, total_count;
    struct core_total total[CHAIN_TOTALS_MAX];
    bool has_totals; /* a first message has set the base, in this journal */
    char manual_boot[CHAIN_WORD_MAX];
    int64_t manual_n; /* of the newest message */

    /* What it draws. */
    bool amps_stale; /* the newest beat may still show the current of what has ended since */
    struct mono amps_stale_since;
    struct mono motor_at; /* when a motor was last told to start */
    uint32_t odd_beats;   /* how many more beats were odd than good */
    struct core_runs_on runs_on;

    /* What is known of its doses. */
    bool limits_unknown;
    struct mono limits_unknown_at;
    struct core_known known;

    bool has_adopted;
    struct chain_binding adopted; /* an order of modules that a person adopted ... */
    int64_t adopted_of;           /* ... over a file of this order */
    struct upkeep_span gone;      /* it can't be commanded */
    struct mono due;
};

/* --- claim.c, on_chain.c ---------------------------------------------------------------------- */

void core_turn_chain(struct core *core, uint32_t chain, struct now now, struct actions *ret);
void core_on_chain(
    struct core *core, const struct event *event, struct now now, struct actions *ret);
void core_on_owner(struct core *core, const struct event *e, struct now now, struct actions *ret);

/* Holds the newest roll-call against the chain's binding. */
void core_look_at_roll(struct core *core, uint32_t chain, struct now now, struct actions *ret);

/* A pump ran beside what was commanded, by hand or by itself. */
struct core_run {
    uint32_t chain;
    const char *serial;
    uint32_t channel;
    int64_t ms;
};

/* Counts it wherever that pump is configured, and adds tank, stock and volume to the record. False:
 * no tank of the configuration has it. */
bool core_count_beside(
    struct core *core, const struct core_run *run, struct now now, struct record *ret);

/* --- adopt.c ---------------------------------------------------------------------------------- */

/* Takes over the order in which the modules answer, or only says what that would be. False, with
 * the reason in 'said', when it can't. */
bool core_adopt(
    struct core *core, const struct event_request *q, struct text *said, struct actions *ret);

/* From a record of it. */
void core_restore_adopt(struct core *core, uint32_t chain, const struct record *r);
/* To one, at the start of a new segment, when one is in force. */
void core_carry_adopt(const struct core *core, uint32_t chain, struct actions *ret);

/* After a start or a reload: says where file and adoption differ, or that the file is newer. */
void core_tell_adopted(struct core *core, uint32_t chain, struct actions *ret);

#endif
