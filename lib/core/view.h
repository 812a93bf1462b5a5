/* What the world may see of the core: plain values, made on demand. Homie properties, the status
 * command and tests all read these. */
#ifndef DOSEWRIGHT_CORE_VIEW_H
#define DOSEWRIGHT_CORE_VIEW_H

#include "lib/chain/message.h"
#include "lib/core/site.h"

enum { VIEW_WHY_MAX = 256, ALERT_ID_MAX = 72, ALERT_TEXT_MAX = 256, CARE_SAID_MAX = 256 };
enum { PAUSE_FOR_MAX = 64 };

enum tank_state { /* the words of dosing/state, in the contract's order */
    TANK_STARTING,
    TANK_STANDBY,
    TANK_WAITING,
    TANK_HOLDING,
    TANK_CIRCULATING,
    TANK_INJECTING,
    TANK_FLUSHING,
    TANK_MIXING,
    TANK_PRIMING,
    TANK_CALIBRATING,
    TANK_PAUSED,
    TANK_INTERLOCKED,
    TANK_LOCKED,
    TANK_HALTED,
    TANK_STATE_COUNT,
};

const char *tank_state_word(enum tank_state state); /* "starting", ... */

struct probe_view {
    bool present, has_value;
    double value; /* last trusted, inside unit (EC in uS/cm) */
    enum probe_quality quality;
    int64_t age_ms;             /* of the value */
    struct civil calibrated_at; /* 0: no date is on record */
    bool calibration_due;
};

enum light_view { LIGHT_UNKNOWN, LIGHT_OFF, LIGHT_ON };

/* What wears, and what the air is. Dates are 0 until the clock is known. */
struct upkeep_view {
    int64_t circulated_ms;       /* since the inlet strainer was cleaned, or counting began */
    struct civil strainer_since; /* when that was */
    struct civil water_since;    /* last water change, or when counting began */
    bool water_changed;          /* the first of these */
    double topped_l;             /* topped up since then; NaN: no probe tells */
    bool dry;                    /* the EC probe reads less than any water: it isn't believed */
    double vpd_kpa;              /* NaN: not known */
    enum light_view light, light_due; /* as seen, as the schedule has it */
};

/* A pump or probe, as far as its calibration goes. */
struct calibration_view {
    bool calibrated, here; /* here: the newest was made with this daemon, not written in a file */
    struct civil at;
    uint32_t steps; /* of the next one: runs that are measured, baths that are taken */
    /* of a pump */
    double ml_per_s, filed_ml_per_s;
    int64_t waits_ms; /* a run whose volume nobody has told yet; 0: none */
    /* of a probe */
    bool listening; /* it is to settle in a bath */
    double zero_mv, slope_percent, cell_constant;
};

/* The flow of a circulation. */
struct flow_view {
    double l_min, filed_l_min;
    bool measured, here; /* measured: the day is known; here: with this daemon */
    struct civil at;
    bool due;
    int64_t waits_ms; /* a run whose litres nobody has told yet; 0: none */
};

/* What people do with their hands on a tank. */
struct care_view {
    bool bench;
    const char *asked; /* "dose", "prime", "calibrate", "flow": under way; "" when nothing is */
    char said[CARE_SAID_MAX]; /* what became of the newest that was asked for */
    struct flow_view flow;
    struct calibration_view pump[TANK_PUMPS_MAX];
    struct calibration_view probe[PROBE_PH + 1]; /* EC and pH */
};

struct tank_view {
    const char *key, *name;
    enum tank_state state;
    char why[VIEW_WHY_MAX];
    bool paused, service;
    bool mixes;             /* what was dosed last isn't mixed yet */
    const char *paused_for; /* what a program said it paused the tank for; "": a person did */
    struct care_view care;
    struct probe_view probe[PROBE_QUANTITY_COUNT];
    bool planted;
    double set_ec_us_cm, set_ph;
    bool override; /* the setpoint in force is a person's */
    int64_t override_left_ms;
    int64_t override_for_ms; /* how long the next one would last */
    const char *stage;       /* "" before planting */
    int64_t day;
    struct { /* the newest dose whose outcome is known; stock NULL if none */
        const char *stock;
        int64_t ul;
        struct civil at;
        char id[CHAIN_WORD_MAX];
    } last;
    uint32_t pump_count;
    struct {
        const char *stock;
        int64_t day_ul, day_limit_ul, hour_ul, hour_limit_ul, dose_limit_ul;
        const char *purpose;          /* "feed", "acid", "base"; "" for none of these */
        double ec_us_cm_per_ml;       /* what a mL of a feed should do to this tank; else 0 */
        bool locked;                  /* no effect: dosing from it has stopped */
        int64_t tube_ran_ms, tube_ul; /* since its tube was changed, or counting began */
        struct civil tube_since;      /* when that was; 0: the clock wasn't known */
        bool tube_changed;            /* the first of these */
        bool calibration_due;
    } pump[TANK_PUMPS_MAX];
    struct upkeep_view upkeep;
};

/* One module's share of the supply: as its head measured it last, and as it is planned for what is
 * known to run now. NaN: not known. */
struct module_view {
    const char *serial;
    double volts, due_volts, least_volts;
    double pump_amps, circulation_amps; /* of the configuration: each running pump; its output */
};

/* A chain's supply. */
struct supply_view {
    double amps_due;                 /* what is known to run should draw; NaN: not known now */
    double volts, amps, usable_amps; /* of the configuration */
    uint32_t count;
    struct module_view module[CHAIN_MODULES_MAX];
};

struct chain_view {
    const char *key;
    uint32_t plain, reporting; /* plain outputs of the tank of that name, and those whose board
                                  reports; 0: a chain of modules */
    bool ready, bound, ours, halted;
    bool roll_heard;        /* the head has listed its modules since it was last heard of */
    bool adopted;           /* the order in force is one that a person adopted, not the file's */
    char why[VIEW_WHY_MAX]; /* "" when all is well */
    struct chain_claim claim;
    bool has_volts, has_amps;
    double volts, amps;
    struct supply_view supply;
};

struct stock_view {
    const char *key;
    int64_t bottle_ul, remaining_ul;
    double days_left; /* at the use of the last days; NaN when hardly anything was used */
    bool low;         /* it runs low, by the configuration's measure */
};

struct site_view {
    const char *key, *name;
    bool halted, standby, active, link_up, journal_ok;
    bool follows; /* it stands by, and has all of the other's journal that there is */
    uint32_t alerts;
    uint64_t refused_messages;
    uint32_t signers; /* keys that requests over the broker must be signed with; 0: they needn't */
    uint32_t muted;   /* senders that aren't listened to for a while */
};

struct alert_view {
    char id[ALERT_ID_MAX];     /* "roll-call-west" */
    char text[ALERT_TEXT_MAX]; /* what is wrong and what to do */
    int32_t tank;              /* -1: the site's */
};

#endif
