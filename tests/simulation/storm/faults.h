/* What can go wrong in a world. Each seed draws which kinds it has ("swarm": most seeds have none
 * of most kinds) and when they strike; each kind draws from a source of its own, so that leaving
 * others out changes as little as can be. Rows are those of the project's catalogue of faults: A
 * sensors, B chain, C messages, D clocks, E disk, F process, G people and copies, H strangers. */
#ifndef DOSEWRIGHT_TESTS_STORM_FAULTS_H
#define DOSEWRIGHT_TESTS_STORM_FAULTS_H

#include "lib/base/prng.h"

enum fault {
    FAULT_PROBE_SILENT,
    FAULT_PROBE_LATE,
    FAULT_PROBE_FROZEN,
    FAULT_PROBE_SPIKE,
    FAULT_PROBE_DRIFT,
    FAULT_PROBE_RAIL,
    FAULT_PROBE_NAN,
    FAULT_PROBE_UNIT_SLIP,
    FAULT_PROBE_NEGATIVE,
    FAULT_PROBE_SWAPPED,
    FAULT_PROBE_DRY,
    FAULT_PROBE_BUFFER,
    FAULT_MIX_SLOW,
    FAULT_READING_RETAINED,
    FAULT_WRONG_BOTTLE,
    FAULT_WATER_CHANGE,
    FAULT_MODULE_ORDER,
    FAULT_MODULE_REMOVED,
    FAULT_MODULE_INSERTED,
    FAULT_MODULE_TWIN,
    FAULT_MODULE_UNKNOWN,
    FAULT_HEAD_REBOOT,
    FAULT_HEAD_AMNESIA,
    FAULT_HEAD_REPLACED,
    FAULT_STOP_IGNORED,
    FAULT_PUMP_SLOW,
    FAULT_PUMP_FAST,
    FAULT_BOTTLE_EMPTY,
    FAULT_TUBE_SLIPPED,
    FAULT_RELAY_STUCK,
    FAULT_CIRCULATION_DEAD,
    FAULT_REPORT_LOST,
    FAULT_REPORT_DOUBLED,
    FAULT_REPORT_LATE,
    FAULT_COMMAND_LATE,
    FAULT_BROKER_DOWN,
    FAULT_BROKER_AMNESIA,
    FAULT_BROKER_FROZEN,
    FAULT_BROKER_SLOW,
    FAULT_MESSAGE_LOST,
    FAULT_MESSAGE_DOUBLED,
    FAULT_MESSAGE_REORDERED,
    FAULT_LINK_REFUSED,
    FAULT_HEAD_OFFLINE,
    FAULT_COMMAND_SWALLOWED,
    FAULT_READING_STORM,
    FAULT_CLOCK_STEP,
    FAULT_CLOCK_1970,
    FAULT_CLOCK_UNSYNCED,
    FAULT_ZONE_CHANGE,
    FAULT_SUSPEND,
    FAULT_STALL,
    FAULT_MIDNIGHT_REBOOT,
    FAULT_POWER_CUT,
    FAULT_DISK_EIO,
    FAULT_DISK_FULL,
    FAULT_DISK_READ_ONLY,
    FAULT_DISK_SLOW,
    FAULT_BIT_ROT,
    FAULT_KILL,
    FAULT_CRASH_LOOP,
    FAULT_SECOND_DAEMON,
    FAULT_RELOAD,
    FAULT_HALT,
    FAULT_PAUSE,
    FAULT_SERVICE,
    FAULT_SET_POINT,
    FAULT_HAND_RUN,
    FAULT_STOP_SWITCH,
    FAULT_ACKNOWLEDGE,
    FAULT_IDENTIFY,
    FAULT_TWICE,
    FAULT_FORGED_COMMAND,
    FAULT_REPLAYED_COMMAND,
    FAULT_FORGED_CLAIM,
    FAULT_FORGED_READINGS,
    FAULT_FLOOD,
    /* Kinds that came later stand at the end, so that what the ones above draw stays as it was. */
    FAULT_PLAIN_OUTPUTS,
    FAULT_RELAY_DEAF,
    FAULT_RELAY_REBOOT,
    FAULT_RELAY_OFFLINE,
    FAULT_RELAY_LATE,
    FAULT_RELAY_MUTE,
    FAULT_RELAY_WELDED,
    FAULT_RELAY_BY_HAND,
    FAULT_HEAD_MUTE,
    FAULT_PUMP_REVERSED,
    FAULT_PUMP_UNPLUGGED,
    FAULT_LEVEL_AND_LEAK,
    FAULT_LEVEL_LIES,
    FAULT_LEAK_LIES,
    FAULT_ERRAND,
    FAULT_ERRAND_AGAIN,
    FAULT_BENCH,
    FAULT_DISK_NO_FILES,
    FAULT_SEGMENT_LOST,
    FAULT_SIGNED_SITE,
    FAULT_UNSIGNED_REQUEST,
    FAULT_UNSIGNED_HALT,
    FAULT_CALIBRATION,
    FAULT_MISREAD,
    FAULT_COUNT,
    FAULT_FIRST_COUNT = FAULT_PLAIN_OUTPUTS,
    FAULT_LATER_COUNT = FAULT_CALIBRATION,
};

/* How a kind strikes. */
enum fault_manner {
    MANNER_AT_TIMES, /* again and again, 'every_ms' on average */
    MANNER_CHANCE,   /* at each message that it concerns, one in 'one_in' */
    MANNER_SPELL,    /* at times, and then it lasts, 'span_ms' at most */
    MANNER_SITE,     /* no fault: what the site is like, in one world of 'one_in' */
};

struct fault_kind {
    const char *name;
    const char *row; /* "B5" */
    enum fault_manner manner;
    int64_t every_ms; /* on average, from one to the next */
    int64_t one_in;
    int64_t span_ms;
};

extern const struct fault_kind fault_kinds[FAULT_COUNT];

/* FAULT_COUNT when there is no such name. */
enum fault fault_named(const char *name);

/* Of one world. */
struct weather {
    bool on[FAULT_COUNT];
    bool over; /* the world has healed: nothing strikes any more */
    struct prng chance[FAULT_COUNT];
    int64_t due_ms[FAULT_COUNT];       /* the next strike; INT64_MAX: none */
    int64_t until_ms[FAULT_COUNT];     /* a spell lasts till then; INT64_MAX: there is none */
    uint64_t draw[FAULT_COUNT];        /* of the newest strike: what it hits */
    struct prng pounces, late_pounces; /* of the first kinds, and of those that came later */
    struct prng last_pounces; /* of the others: a world that has none of them is as before */
    int kinds;                /* that are drawn */
    uint64_t fires[FAULT_COUNT];
};

/* What the command line says of the kinds. */
struct fault_wish {
    bool forced[FAULT_COUNT];
    bool only;      /* those that are forced, and no others */
    uint32_t kinds; /* only the first so many are drawn; 0: all */
};

void weather_draw(struct weather *w, uint64_t seed, const struct fault_wish *wish);

/* Does a fault of this kind strike at this message? Counts it. */
bool weather_strikes(struct weather *w, enum fault fault);

/* Is the site like that? */
bool weather_site(const struct weather *w, enum fault fault);

/* Is there a spell of this kind now? Which of 'count' things does it hit? */
bool weather_lasts(const struct weather *w, enum fault fault);
uint32_t weather_hits(const struct weather *w, enum fault fault, uint32_t count);

/* When the next one strikes, or a spell ends. */
int64_t weather_due(const struct weather *w);

/* The next that is due: it strikes, or (*ret_ends) its spell is over. FAULT_COUNT: none. */
enum fault weather_take(struct weather *w, int64_t now_ms, bool *ret_ends);

/* Something delicate has just begun: now and then one of them follows at once. */
void weather_pounce(struct weather *w, int64_t now_ms);

/* All spells end now; nothing begins any more. */
void weather_end(struct weather *w, int64_t now_ms);

#endif
