/* What can go wrong in a world. Each seed draws which kinds it has ("swarm": most seeds have none
 * of most kinds) and when they strike; each kind draws from a source of its own, so that leaving
 * others out changes as little as can be. Rows are those of the project's catalogue of faults: A
 * sensors, B chain, C messages, D clocks, E disk, F process, G people and copies, H strangers. */
#ifndef DOSEWRIGHT_TESTS_STORM_FAULTS_H
#define DOSEWRIGHT_TESTS_STORM_FAULTS_H

#include "lib/base/prng.h"

enum fault {
    FAULT_REPORT_LOST,
    FAULT_REPORT_DOUBLED,
    FAULT_COMMAND_SWALLOWED,
    FAULT_MESSAGE_DOUBLED,
    FAULT_HEAD_REBOOT,
    FAULT_KILL,
    FAULT_POWER_CUT,
    FAULT_HALT,
    FAULT_COUNT,
};

/* How a kind strikes. */
enum fault_manner {
    MANNER_AT_TIMES, /* again and again, 'every_ms' on average */
    MANNER_CHANCE,   /* at each message that it concerns, one in 'one_in' */
};

struct fault_kind {
    const char *name;
    const char *row; /* "B5" */
    enum fault_manner manner;
    int64_t every_ms; /* MANNER_AT_TIMES */
    int64_t one_in;   /* MANNER_CHANCE */
};

extern const struct fault_kind fault_kinds[FAULT_COUNT];

/* FAULT_COUNT when there is no such name. */
enum fault fault_named(const char *name);

/* Of one world. */
struct weather {
    bool on[FAULT_COUNT];
    bool over; /* the world has healed: nothing strikes any more */
    struct prng chance[FAULT_COUNT];
    int64_t due_ms[FAULT_COUNT]; /* the next strike of those that strike at times */
    uint64_t fires[FAULT_COUNT];
};

/* What the command line says of the kinds. */
struct fault_wish {
    bool forced[FAULT_COUNT];
    bool only; /* those that are forced, and no others */
};

void weather_draw(struct weather *w, uint64_t seed, const struct fault_wish *wish);

/* Does a fault of this kind strike at this message? Counts it. */
bool weather_strikes(struct weather *w, enum fault fault);

/* When the next one strikes; the next that is due, its time moved on and counted (FAULT_COUNT:
 * none).
 */
int64_t weather_due(const struct weather *w);
enum fault weather_take(struct weather *w, int64_t now_ms);

#endif
