/* Where a daemon that stands by is in the journal of the one that commands: so that its own limits,
 * bottles and locks count what the other did, and it can take over without a day's wait.
 *
 * What it hears is taken over as its own start would read it from its own journal (core_restore),
 * and written there, with 'of' and 'of_hash': the place it has in the other's. What it doesn't
 * know for certain counts as used up. */
#ifndef DOSEWRIGHT_CORE_FOLLOW_H
#define DOSEWRIGHT_CORE_FOLLOW_H

#include "lib/core/core.h"

enum {
    FOLLOW_PLACES = 32,         /* the newest, to tell one journal from another by */
    FOLLOW_IDS = 64,            /* of commands, for each chain: a ledger lists 24 */
    FOLLOW_LEDGER = 24,         /* CHAIN_LEDGER_MAX */
    FOLLOW_ASK_MOST = 1000,     /* records asked for at once: what the request gives */
    FOLLOW_ASK_EVERY_MS = 5000, /* a second question waits so long for records that come */
    FOLLOW_ASKS = 6,            /* without any: they aren't to be had */
    FOLLOW_DOUBT_MS = 10000,    /* a lower tip than known is late, or another journal's */
};

struct core_follow {
    bool joined;         /* 'tip' is a place in the other's journal */
    bool copied;         /* ... that a backup put back here has named, and no hole since */
    struct link_tip tip; /* of the newest record that was taken over */
    int64_t seen_seq;    /* there are records up to here */
    uint64_t place[FOLLOW_PLACES]; /* of seq % FOLLOW_PLACES: names its hash; 0: not known */
    bool searching;   /* it is read back to where that daemon took over from this one */
    uint64_t matched; /* ... bit c: chain c, found */
    bool searched;
    bool confirmed; /* since this start the other has said that it is one of its own */
    bool doubted;
    struct mono doubted_at;
    bool asked;
    struct mono asked_at;
    int64_t asked_from;
    uint32_t asks; /* from there, without an answer */
};

/* Commands of one chain that this daemon knows of, and those that its head last listed. */
struct core_known {
    uint64_t id[FOLLOW_IDS];
    uint32_t next;
    uint64_t listed[FOLLOW_LEDGER];
    uint32_t listed_count;
    char by[CHAIN_WORD_MAX]; /* who commanded last by the journal, at the start; "": nobody */
    int64_t n;               /* ... the number of the newest command; 0: none */
    bool missed;             /* the head lists a later one */
    uint64_t resume;         /* names the newest one that ends a halt; 0: none */
};

/* One record of it, or its newest place: while this daemon stands by. */
void core_follow_entry(
    struct core *core, const struct event_entry *e, struct now now, struct actions *ret);
void core_follow_tip(
    struct core *core, const struct link_tip *tip, struct now now, struct actions *ret);
void core_turn_follow(struct core *core, struct now now, struct actions *ret);

/* Has all of it been taken over that is known to exist? Does that stand for what the owner of this
 * chain did? */
bool core_follow_is_whole(const struct core *core);
bool core_follow_vouches(const struct core *core, uint32_t chain);

/* A record of our own journal names a place in the other's; and nothing is followed any more. */
void core_follow_from(struct core *core, const struct record *r, const char *seq, const char *hash);
void core_follow_end(struct core *core);

/* The chain is ours: what its head lists and nobody told of leaves the limits unknown after all. */
void core_follow_claimed(struct core *core, uint32_t chain, struct now now, struct actions *ret);

/* A command that this daemon knows of, and those that a head lists. */
void core_know_command(struct core *core, uint32_t chain, const char *id);
void core_see_listed(struct core *core, uint32_t chain, const struct chain_ledger *ledger);

/* lost.c: a command that a record tells of, or a claim in force; does the head list a later command
 * of the same daemon? Then records are missing, and with them what was dosed. The last number is
 * said again with the claim. */
void core_recall_command(struct core *core, uint32_t chain, const char *id);
void core_recall_reign(struct core *core, uint32_t chain, const struct record *r);
int64_t core_last_number(const struct core *core, uint32_t chain);

/* The command of a halt has no record of its own. So the record of a release names the newest
 * command of before it: up to that one a head lists no halt that still holds. */
void core_record_last(const struct core *core, struct record *r);
void core_recall_last(struct core *core, const struct record *r);
void core_miss_records(struct core *core, uint32_t chain, const struct chain_ledger *ledger,
    struct now now, struct actions *ret);

#endif
