/* What the judge's own files share. */
#ifndef DOSEWRIGHT_TESTS_STORM_OBSERVE_INSIDE_H
#define DOSEWRIGHT_TESTS_STORM_OBSERVE_INSIDE_H

#include "tests/simulation/storm/observe.h"

enum {
    TELL_MS = 8000,   /* what was heard so shortly before a command left may have come too late */
    START_MS = 10000, /* from the decision to the first drop at most: the disk's part and the way */
};

struct known_command {
    char id[OBSERVE_WORD];
    uint32_t side;
    enum command_sort sort;
    int32_t pump; /* -1: none of the rules */
    int64_t left_ms, run_ms;
    int64_t dose_ul, hour_ul, day_ul; /* as in force when it left */
    int64_t spacing_ms, flush_ms;
    uint32_t starts;
    bool left;           /* a daemon sent it */
    uint32_t disk_round; /* the reading of the disk that saw it last; 0: none */
};

struct moved { /* by one pump */
    int64_t from_ms, to_ms;
    double ul; /* by its calibration */
    bool by_hand;
    int64_t hand_total_ms;           /* by hand, in all, at its end, as this head counts it */
    uint32_t heads;                  /* which one it is */
    int64_t heard_ms[OBSERVE_SIDES]; /* by hand: INT64_MAX until heard */
};

struct pump_watch {
    bool runs, by_hand;
    int64_t since_ms;
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
    int64_t blind_ms;
    int64_t flowed_ms; /* since the last drop of a stock */
    int32_t stock;     /* place of what was dosed last; -1: none */
    bool stock_by_hand;
    int64_t stock_ms;                /* its end */
    int64_t ended_ms[OBSERVE_SLOTS]; /* of each, by command */
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
    int64_t good_ms[OBSERVE_SIDES][OBSERVE_TANKS][OBSERVE_PROBES]; /* newest usable */
    struct {
        double number;
        int64_t since_ms; /* it has been exactly that */
    } shown[OBSERVE_SIDES][OBSERVE_TANKS][OBSERVE_PROBES];
    bool halted, halt_kept;
    uint32_t halt_side;
    int64_t halted_ms, released_ms;
    struct disk_watch disk[OBSERVE_SIDES];
};

/* printf-like. */
void observe_say(struct observer *o, const char *law, int64_t at_ms, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

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

/* --- observe_line.c: I3, I4, I5 ----------------------------------------------------------------
 */

void observe_line_begins(
    struct observer *o, int32_t pump, const struct known_command *command, int64_t at_ms);
void observe_line_ends(struct observer *o, int32_t pump, bool by_hand, int64_t at_ms);
void observe_line_flows(
    struct observer *o, const char *serial, bool flows, bool dies, int64_t at_ms);

#endif
