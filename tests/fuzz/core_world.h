/* A core, honest chain heads and a watchful observer in memory, moved by the bytes of an input: the
 * world of core_fuzz.c. It is deterministic, and knows nothing of how the core decides. */
#ifndef DOSEWRIGHT_TESTS_CORE_WORLD_H
#define DOSEWRIGHT_TESTS_CORE_WORLD_H

#include "lib/core/core.h"
#include "lib/plant/head.h"

enum {
    CW_HEADS = 2,
    CW_TANKS = 3,
    CW_RECORDS_MAX = 1500,
    CW_MOVES_MAX = 8192,
    CW_IDS_MAX = 2048,
    CW_KEYS = 2, /* that requests may be signed with */
    CW_BEAT_MS = 30000,
    CW_READINGS_MS = 60000,
};

struct cw_move { /* what a pump really did in one step of the world */
    int64_t at_ms, ran_ms, by_hand_ms;
    uint32_t tank, pump;
};

struct cw_water { /* what the probes of a tank see */
    double ec_us_cm, ph, degc;
    bool silent;
};

struct core_world {
    const struct site *site;
    void *block, *spare;
    struct core *core;
    struct core_identity identity;
    uint32_t lives;
    struct now now;
    int64_t moved_on_ms; /* time so far in which the world was alive */
    struct head head[CW_HEADS];
    int64_t head_zero_ms[CW_HEADS];
    int64_t beat_ms, readings_ms; /* when the next ones are due */
    struct cw_water water[CW_TANKS];
    struct mono read_at[CW_TANKS]
                       [PROBE_QUANTITY_COUNT]; /* when a probe last told something usable */
    bool link_up, journal_ok, relink;
    int64_t relink_ms;
    bool lose_commands, double_commands, unsend_commands, lose_reports, double_reports, lose_ledger;
    bool lies; /* a report was made up: what the core believes was moved needn't be so */
    /* the journal */
    struct record *record;
    struct now *record_at;
    uint32_t record_count;
    bool full; /* nothing more can be remembered: the input ends */
    /* what the observer saw */
    struct cw_move *move;
    uint32_t move_count;
    int64_t ran_before[CW_TANKS][TANK_PUMPS_MAX], hand_before[CW_TANKS][TANK_PUMPS_MAX];
    char id[CW_IDS_MAX][CHAIN_WORD_MAX];
    uint32_t id_count;
    bool halted, paused[CW_TANKS], serviced[CW_TANKS];
    uint64_t ticket;
    int64_t granted_n[CW_KEYS]; /* the highest of a request that was acted on, with that key */
};

/* Everything is made anew; the first life has no journal but what is in 'record' by then. */
void cw_open(struct core_world *w, const struct site *site);
void cw_start(struct core_world *w);

/* One event into the core, and what it wants done. */
void cw_tell(struct core_world *w, const struct event *event);

/* From now on requests over the broker must be signed, as after a reload. */
void cw_want_signatures(struct core_world *w);

/* A request, with a ticket; what was accepted is held against what follows. */
void cw_ask(struct core_world *w, const struct event_request *request);

/* Time passes: heads move, beats and readings come, the core ticks when it wants to. */
void cw_pass(struct core_world *w, int64_t span_ms);

/* The connection goes, or comes with everything that is retained. */
void cw_link(struct core_world *w, bool up);

/* A probe's message. */
void cw_read(struct core_world *w, const struct event_reading *reading);

/* The daemon dies and starts again from its records; another core takes over its configuration. */
void cw_crash(struct core_world *w);
void cw_reload(struct core_world *w);

/* A record that comes from nowhere, before the first start. */
void cw_remember(struct core_world *w, const struct record *record);

/* The records that restate what must outlive the oldest segment are in the journal, too. */
void cw_carry(struct core_world *w);

/* All views, and whether they are within bounds. */
void cw_look(const struct core_world *w);

/* Chosen by the next byte, from what is likely to matter. */
struct bites;
int64_t cw_number(struct bites *b);
double cw_real(struct bites *b);
const char *cw_word(struct bites *b);

/* Records that come from nowhere are in the journal. */
void cw_invent(struct core_world *w, struct bites *b);

/* Looks over all that was moved. */
void cw_observe(const struct core_world *w);

#endif
