/* One plain output over time: when it is told to be off, and what its own reports say, where it
 * makes any. Instants are milliseconds of one clock that never goes back. */
#ifndef DOSEWRIGHT_CHAIN_PLAIN_WATCH_H
#define DOSEWRIGHT_CHAIN_PLAIN_WATCH_H

#include "lib/chain/plain.h"

enum {
    PLAIN_TIMED_SLACK_MS = 1000, /* a board that times itself is told "off" so long after its end */
    PLAIN_OFF_TIMES = 2,         /* "off" is said so often after each run ... */
    PLAIN_OFF_AGAIN_MS = 3000,   /* ... so far apart, */
    PLAIN_OFF_STUCK_MS = 5000,   /* and then while it reports on */
    PLAIN_ANSWER_MS = 5000,      /* a board that works reports on within this */
    PLAIN_LOST_MS = 2000,        /* one that has gone off in a run is off for so long */
    PLAIN_LATE_MS = 3000,        /* a report of off may come so late */
    PLAIN_STAYS_MS = 10000,      /* told to be off and on for so long: it stays on */
};

#define PLAIN_NEVER_MS INT64_MAX

struct plain_watch {
    bool reports;        /* the board makes reports */
    bool commanded;      /* a run of ours is under way */
    int64_t since_ms;    /* when that began, or (else) when the last one ended */
    bool heard, on;      /* its word; 'heard': since the broker answers */
    int64_t turned_ms;   /* when that last changed */
    bool awaited;        /* on has been commanded and wasn't reported since ... */
    int64_t awaited_ms;  /* ... this */
    bool off_told;       /* since it reports on ... */
    int64_t off_told_ms; /* ... first then */
    int64_t off_due_ms;  /* "off" is to be said next; PLAIN_NEVER_MS */
    uint32_t offs_left;
    bool ignored, stays_on; /* what was found */
};

/* What has just been found out. */
enum plain_finding {
    PLAIN_NOTHING_NEW,
    PLAIN_WORKS,    /* it reports on again when it should */
    PLAIN_IGNORES,  /* it was told to be on and didn't report so */
    PLAIN_STAYS_ON, /* it was told to be off and goes on reporting on */
};

/* Nothing is known of it, nothing of ours runs, and "off" is due at once. */
void plain_watch_init(struct plain_watch *w, bool reports, int64_t now_ms);

/* A run begins, or is renewed. It ends: 'soon' when the board ends it by itself and "off" is only
 * for safety; else "off" is due at once. The broker was away: what the board does isn't known, and
 * "off" is due at once; what stayed on then is found anew. */
void plain_watch_begin(struct plain_watch *w, int64_t now_ms);
void plain_watch_end(struct plain_watch *w, bool soon, int64_t now_ms);
void plain_watch_lost(struct plain_watch *w, int64_t now_ms);

/* The board reports. */
void plain_watch_hear(struct plain_watch *w, bool on, int64_t now_ms);

/* Is "off" to be said now? Then say it, and tell whether it left. */
bool plain_watch_off_due(const struct plain_watch *w, int64_t now_ms);
void plain_watch_told_off(struct plain_watch *w, bool sent, int64_t now_ms);

/* What is new; call until there is nothing. */
enum plain_finding plain_watch_find(struct plain_watch *w, int64_t now_ms);

/* A run of ours that the board has ended, or never begun. Without reports never. */
bool plain_watch_lacks(const struct plain_watch *w, int64_t now_ms);

/* It is on and nobody here has told it to; 'ret_since_ms': since then at the latest. */
bool plain_watch_by_hand(const struct plain_watch *w, int64_t now_ms, int64_t *ret_since_ms);

/* When one of these changes next by time alone, after 'now_ms' but for "off"; PLAIN_NEVER_MS. */
int64_t plain_watch_due_ms(const struct plain_watch *w, int64_t now_ms);

#endif
