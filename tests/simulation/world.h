/* A small world in memory: one core, one virtual chain head, two tanks of water, a journal that is
 * a list, and an observer that looks only at what the pumps really moved. One seed is one world. */
#ifndef DOSEWRIGHT_TESTS_WORLD_H
#define DOSEWRIGHT_TESTS_WORLD_H

#include "lib/core/core.h"
#include "lib/plant/head.h"
#include "lib/plant/tank.h"

enum { WORLD_TANKS = 2, WORLD_PUMPS = 3, WORLD_RECORDS_MAX = 60000, WORLD_MOVES_MAX = 40000 };

struct world_faults { /* chances, one in so many; 0: never */
    int64_t lose_report, lose_command, double_command;
    int64_t crash; /* a step of the world */
    int64_t reboot_head, silence_probe, hand, swap;
};

struct world_move { /* what a pump really moved in one step of the world */
    int64_t at_ms;
    uint32_t tank, pump;
    int64_t ul;
    bool by_hand;
};

struct world {
    struct prng chance;
    struct world_faults faults;
    struct site site;
    struct site_tank tank_config[WORLD_TANKS];
    void *block;
    struct core *core;
    uint32_t starts; /* of the daemon */
    struct now now;
    struct head head;
    int64_t head_zero_ms; /* mono at which its up_ms was 0 */
    int64_t next_beat_ms, next_probe_ms;
    bool head_swapped, hand_on, probes_silent;
    int64_t fault_until_ms;
    struct plant_tank tank[WORLD_TANKS];
    int64_t run_before[WORLD_TANKS][WORLD_PUMPS], hand_before[WORLD_TANKS][WORLD_PUMPS];
    struct record *record; /* the journal */
    struct now *record_at;
    uint32_t record_count;
    struct world_move *move;
    uint32_t move_count;
    struct actions actions;
    bool relink; /* the daemon asked to reconnect */
    int64_t relink_ms;
    bool circulation_dead[WORLD_TANKS]; /* its pump is commanded, and draws nothing */
    double jam_amps;                    /* the chain draws so much more than it should */
    bool empty[WORLD_PUMPS];            /* the bottle is empty: pumps run, nothing arrives */
    uint32_t commands_twice;            /* dose ids that ran more than once */
    uint32_t broken;                    /* invariants seen broken by the observer */
    char what[160];                     /* the first of them */
};

void world_init(struct world *w, uint64_t seed, const struct world_faults *faults);
void world_free(struct world *w);

/* 'span_ms' pass. */
void world_run(struct world *w, int64_t span_ms);

/* The daemon dies now and starts again from its journal. */
void world_crash(struct world *w);

/* One request, as a person at the local door would make it. */
void world_ask(struct world *w, const struct event_request *request);

/* One event into the core, and what it wants done. */
void world_tell(struct world *w, const struct event *event);

/* Looks over everything that was moved: any hour and any day, tank by tank, stock by stock. */
void world_observe(struct world *w);

/* All that a pump really moved, by command. */
int64_t world_moved_ul(const struct world *w, uint32_t tank, uint32_t pump);

/* What the journal says of the same. */
int64_t world_journal_ul(const struct world *w, uint32_t tank, uint32_t pump);

#endif
