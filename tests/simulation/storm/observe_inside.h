/* What the judge's own files share. */
#ifndef DOSEWRIGHT_TESTS_STORM_OBSERVE_INSIDE_H
#define DOSEWRIGHT_TESTS_STORM_OBSERVE_INSIDE_H

#include "tests/simulation/storm/observe.h"

enum {
    TELL_MS = 8000,   /* what was heard so shortly before a command left may have come too late */
    START_MS = 10000, /* from the decision to the first drop at most: the disk's part and the way */
};

struct known_command {
    char id[OBSERVE_WORD], by[OBSERVE_WORD];
    int64_t reign;
    uint32_t side, chain;
    enum command_sort sort;
    int32_t pump;           /* -1: none of the rules */
    int32_t flow;           /* the tank that it circulates; -1: none */
    enum asked_where where; /* ... its liquid goes, as somebody asked for it */
    int64_t left_ms, run_ms;
    bool measures;                    /* ... and they will measure it */
    double ul_per_ms;                 /* of its pump, as this side has it calibrated: at least */
    int64_t dose_ul, hour_ul, day_ul; /* as in force when it left */
    int64_t spacing_ms, flush_ms;
    uint32_t starts;
    bool left;           /* a daemon sent it */
    uint32_t disk_round; /* the reading of the disk that saw it last; 0: none */
};

struct moved { /* by one pump */
    int64_t from_ms, to_ms;
    double ul;                     /* by its calibration */
    double hand_ul[OBSERVE_SIDES]; /* by hand: by each side's */
    double true_ul;                /* as the pump was, if it was near its calibration */
    bool by_hand;
    int64_t hand_total_ms;           /* by hand, in all, at its end, as this head counts it */
    uint32_t heads;                  /* which one it is */
    int64_t heard_ms[OBSERVE_SIDES]; /* by hand: INT64_MAX until heard */
};

struct pump_watch {
    bool runs, by_hand, late;
    int64_t late_ms; /* behind its order, as a broker that stood still passed it on late */
    int64_t since_ms;
    double poured_ul; /* by this run, so far */
    char id[OBSERVE_WORD];
    int64_t hand_ms;     /* in all, as this head counts it */
    uint32_t heads;      /* how often the module came to another one */
    int64_t replaced_ms; /* ... last */
    size_t count, room, oldest;
    struct moved *moved; /* oldest first */
};

struct line_watch {        /* of a tank */
    bool flows, dying;     /* it is on and moves; it is on and stands still since a moment ago */
    int64_t flow_since_ms; /* ... since when it does one or the other */
    int64_t began_ms;      /* it flows since then, without a break */
    bool flow_by_hand;     /* ... as somebody holds its switch */
    int64_t blind_ms;
    int64_t flowed_ms; /* since the last drop of a stock */
    int32_t stock;     /* place of what was dosed last; -1: none */
    bool stock_by_hand;
    int64_t stock_ms;                /* its end */
    int64_t ended_ms[OBSERVE_SLOTS]; /* of each, by command */
};

struct chain_watch { /* as it is in truth */
    char by[OBSERVE_WORD];
    int64_t reign;
    uint32_t pumps[OBSERVE_MODULES]; /* bit c: channel c runs by command, 0: circulation */
    int64_t began_ms[OBSERVE_MODULES][OBSERVE_SLOTS + 1];
};

struct chain_heard { /* as a side has heard of it since its connection stands */
    bool has_claim, ready;
    char by[OBSERVE_WORD];
    int64_t reign;
    int64_t claim_ms, beat_ms, ready_ms; /* when */
    bool held, deposed;                  /* in this life */
    int64_t told_ms;                     /* a person said: claim */
};

struct flow_heard {        /* of a tank's circulation, by what a head told in this life */
    char id[OBSERVE_WORD]; /* of the command that runs it; "": none was heard of */
    int64_t left_ms;       /* ... and when that left its daemon */
    int64_t sent_ms;       /* the newest such command left this side then */
    int64_t before_ms;     /* ... and in its lives before */
    bool stale;            /* after the one that was heard of another one left in such a life */
    int64_t over_ms;       /* the newest that has ended, by a word, had left then */
    int64_t till_ms;       /* by that word it runs until then, if it isn't ended */
    int64_t ends_ms;       /* a word may be old: by when it left, it has ended then */
};

struct side_watch {
    char name[OBSERVE_WORD];
    struct chain_heard chain[OBSERVE_CHAINS];
    struct flow_heard flow[OBSERVE_TANKS];
    char peer[OBSERVE_WORD];
    int64_t peer_ms;      /* it was heard of last */
    int64_t peer_back_ms; /* ... and then for the first time, or after a silence */
    size_t names, name_room;
    char (*name_of)[OBSERVE_WORD]; /* of all its lives */
    int64_t linked_ms;
    int64_t disk_ms;  /* the disk has refused since then; INT64_MAX: it takes all */
    int64_t clock_ms; /* the clock is as it is since then */
    int64_t ahead_ms;
    bool clock_set;
};

struct floor_heard {           /* of a tank's level and leak probe, in this life */
    int64_t level_ms, leak_ms; /* the newest usable word */
    uint32_t lows;             /* in a row; ... */
    int64_t low_ms;            /* ... since then enough of them */
    bool wet;
    int64_t wet_ms; /* since then */
};

enum { ASKED_MOST = 128 };

struct asked { /* by a person */
    char id[OBSERVE_WORD];
    int32_t pump;
    int64_t ul;
    enum asked_where where;
    bool measures;
    bool taken; /* a command has come of it */
    int64_t at_ms;
};

struct asked_by_side {
    uint32_t count;
    struct asked asked[ASKED_MOST];
};

struct held {
    bool on, kept; /* on this side's disk */
    bool ended;    /* it was on before */
    bool unsure;   /* it was on, or has ended, and that may have been forgotten */
    int64_t since_ms;
};

enum { RATES_MOST = 6, RUNS_TOGETHER = 3, VOLUMES_KEPT = 16 };

struct rate_watch {           /* of a pump, as a side may have it calibrated */
    uint32_t count, kept;     /* rates that were found, and are on this side's disk */
    double found[RATES_MOST]; /* uL/ms, the newest last */
    bool unsure;              /* which of them holds, or whether the file's does */
    bool loose;               /* the newest is known only as it was told */
    int64_t ran_ms;           /* of the newest run for it, while nobody has said its volume */
    uint32_t runs;            /* that were measured */
    struct {
        int64_t ms, ul;
    } run[RUNS_TOGETHER];
    bool runs_kept, runs_unsure;
    uint32_t ids;
    char id[VOLUMES_KEPT][OBSERVE_WORD]; /* what was taken came under them */
};

enum { LAST_SHOWN = 6 };

struct shown { /* the newest readings of a probe, newest first */
    uint32_t count;
    double number[LAST_SHOWN];
    int64_t at_ms[LAST_SHOWN];
};

struct effect_watch { /* of a pump */
    bool fails;
    double ul; /* meanwhile */
};

struct order_sent { /* to a board's pump */
    char id[OBSERVE_WORD];
    int64_t left_ms;
    double full_ul, run_ul; /* what may come of it; what was asked for */
    double real_ul;         /* the less of that and what it moved, once it has ended: else < 0 */
    bool sure;              /* its end was heard */
};

struct output_watch_of_side { /* of a board's output, as a side may know it */
    bool told_off;            /* since its connection stands */
    bool on;                  /* the board's word */
    int64_t on_word_ms;       /* ... when that was heard, or became so */
    bool looked;              /* ... and somebody has looked since */
    int64_t off_on_ms;        /* told to be off while that was on, first; 0: it wasn't */
    int64_t off_said_ms, on_said_ms, run_ms; /* the newest */
    char id[OBSERVE_WORD];
    size_t count, room, oldest;
    struct order_sent *order;
};

struct disk_watch {
    char name[64];  /* of the file that is being read */
    size_t seen;    /* bytes of it */
    uint32_t round; /* of reading it anew */
    bool anew, hurt, holes;
    int64_t lines;
    char hash[72]; /* of the newest line */
};

struct observer {
    uint32_t breaches;
    struct breach first;
    const struct rules *site;
    const struct rules *rules[OBSERVE_SIDES];
    bool alive[OBSERVE_SIDES];
    int64_t born_ms[OBSERVE_SIDES],
        first_ms[OBSERVE_SIDES]; /* of this life, of the first; 0: none */
    size_t commands, command_room;
    struct known_command *command;
    size_t index_room;
    uint32_t *index; /* hash of ids: place + 1 */
    struct pump_watch pump[OBSERVE_PUMPS];
    struct line_watch line[OBSERVE_TANKS];
    struct effect_watch effect[OBSERVE_PUMPS];
    struct chain_watch chain[OBSERVE_CHAINS];
    struct side_watch side[OBSERVE_SIDES];
    struct shown last[OBSERVE_SIDES][OBSERVE_TANKS][OBSERVE_PROBES];
    int64_t good_ms[OBSERVE_SIDES][OBSERVE_TANKS][OBSERVE_PROBES]; /* newest usable */
    struct {
        double number;
        int64_t since_ms; /* it has been exactly that */
    } shown[OBSERVE_SIDES][OBSERVE_TANKS][OBSERVE_PROBES];
    struct asked_by_side asked[OBSERVE_SIDES];
    struct held held[OBSERVE_SIDES][OBSERVE_TANKS][HOLDS];
    struct rate_watch rate[OBSERVE_SIDES][OBSERVE_PUMPS];
    struct floor_heard floor[OBSERVE_SIDES][OBSERVE_TANKS];
    bool halted, halt_kept;
    uint32_t halt_side;
    int64_t halted_ms, released_ms;
    struct disk_watch disk[OBSERVE_SIDES];
    struct output_watch_of_side board[OBSERVE_SIDES][OBSERVE_TANKS][OBSERVE_OUTPUTS];
};

/* printf-like. */
void observe_say(struct observer *o, const char *law, int64_t at_ms, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* A tank's probes are back in its water. */
void observe_probes_anew(
    struct observer *o, uint32_t side, uint32_t tank, bool certain, int64_t at_ms);

/* NULL when no daemon ever sent it. */
struct known_command *observe_command_named(struct observer *o, const char *id);

/* The pump that these rules have at an output; -1: none. */
int32_t observe_pump_at(const struct rules *rules, const char *serial, uint32_t channel);
const struct rule_pump *observe_pump_rule(const struct rules *rules, int32_t pump);

/* The same; made if there is none yet. */
struct known_command *observe_command_of(struct observer *o, const char *id);

/* --- observe_volume.c: I1, I6 ------------------------------------------------------------------
 */

void observe_volume_free(struct observer *o);
void observe_volume_begins(
    struct observer *o, int32_t pump, const struct fact_run *run, int64_t at_ms);
void observe_volume_ends(
    struct observer *o, int32_t pump, const struct fact_run *run, int64_t at_ms);
void observe_volume_head_replaced(struct observer *o, const char *serial, int64_t at_ms);

/* What ended then at this pump is beyond what this side's daemon can know. */
bool observe_unknowable(const struct observer *o, int32_t pump, int64_t ended_ms, uint32_t side);

/* --- observe_board.c: what boards without a contract are told ----------------------------------
 */

void observe_board_free(struct observer *o);
void observe_board_link(struct observer *o, uint32_t side);
void observe_board_ends(struct observer *o, int32_t pump, const char *id, double ul);

/* So much longer somebody may take this tank's circulation to run that ends now. */
int64_t observe_board_believed_ms(const struct observer *o, uint32_t tank, int64_t at_ms);

/* --- observe_reign.c: I9 -----------------------------------------------------------------------
 */

void observe_reign_born(struct observer *o, uint32_t side, const char *name);
void observe_reign_commands(struct observer *o, const struct known_command *command, int64_t at_ms);
void observe_reign_runs(
    struct observer *o, uint32_t chain, const struct known_command *command, int64_t at_ms);

/* --- observe_need.c: I10, I11, and I12 as far as probes go --------------------------------------
 */

void observe_need_born(struct observer *o, uint32_t side, int64_t at_ms);
void observe_need_reading(
    struct observer *o, uint32_t side, const struct fact_reading *reading, int64_t at_ms);

/* Before a command leaves; before a dose does. */
void observe_need(struct observer *o, const struct known_command *command, int64_t at_ms);
void observe_need_of_dose(struct observer *o, const struct known_command *command, int64_t at_ms);
void observe_need_run_ends(
    struct observer *o, const struct fact_run *run, int64_t began_ms, int64_t at_ms);

/* --- observe_heard.c: I3, what heads told of their runs ------------------------------------------
 */

/* The tank that this command's output circulates; -1: none. */
int32_t observe_flow_at(const struct rules *rules, const struct fact_command *command);
void observe_heard_sent(struct observer *o, const struct known_command *command, int64_t at_ms);
void observe_heard_born(struct observer *o, uint32_t side);
void observe_heard_of_dose(struct observer *o, const struct known_command *command, int64_t at_ms);

/* --- observe_floor.c: I3, level and leak ---------------------------------------------------------
 */

void observe_floor_born(struct observer *o, uint32_t side);
void observe_floor_of_dose(struct observer *o, const struct known_command *command, int64_t at_ms);

/* --- observe_asked.c: I2, I3, what people ask for and hold back ----------------------------------
 */

void observe_asked_kept(struct observer *o, uint32_t side);
void observe_asked_dies(struct observer *o, uint32_t side);
void observe_asked_of_dose(struct observer *o, struct known_command *command, int64_t at_ms);
void observe_asked_of_move(struct observer *o, const struct known_command *command, int64_t at_ms);

/* --- observe_rate.c: what pumps are calibrated to ------------------------------------------------
 */

/* What a side may count a pump with, uL/ms: the least; can a run of 'ms' be meant to give 'ul'? */
double observe_rate_least(const struct observer *o, uint32_t side, int32_t pump);
bool observe_rate_gives(
    const struct observer *o, uint32_t side, int32_t pump, int64_t ms, int64_t ul);

/* A run that somebody wants to measure leaves, and has ended after so long. */
void observe_rate_runs(struct observer *o, uint32_t side, int32_t pump, int64_t ran_ms);

void observe_rate_kept(struct observer *o, uint32_t side);
void observe_rate_dies(struct observer *o, uint32_t side);

/* This side has no such tank for a while. */
void observe_rate_leaves(struct observer *o, uint32_t side, int tank);

/* --- observe_effect.c: I12 ---------------------------------------------------------------------
 */

void observe_effect_moved(struct observer *o, int32_t pump, double ul, bool by_hand, int64_t at_ms);

/* --- observe_supply.c: I13 ---------------------------------------------------------------------
 */

/* What a daemon has stopped isn't planned to run any more, whether the stop arrives or not. */
void observe_supply_stops(struct observer *o, const struct fact_command *stop);
void observe_supply_runs(
    struct observer *o, const struct fact_run *run, bool begins, int64_t at_ms);

/* --- observe_line.c: I3, I4, I5 ----------------------------------------------------------------
 */

void observe_line_begins(
    struct observer *o, int32_t pump, const struct known_command *command, int64_t at_ms);
void observe_line_circulates(struct observer *o, const struct fact_run *run, int64_t at_ms);
void observe_line_ends(struct observer *o, int32_t pump, bool by_hand, int64_t at_ms);
void observe_line_flows(
    struct observer *o, const char *serial, bool flows, bool dies, int64_t at_ms);

#endif
