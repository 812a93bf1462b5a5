/* One tank: its probes and pumps, what people hold, where its dose is, what the law knows of its
 * water. Private to the core (state.h includes it). */
#ifndef DOSEWRIGHT_CORE_TANK_H
#define DOSEWRIGHT_CORE_TANK_H

#include "lib/control/law_inside.h"
#include "lib/core/care.h"
#include "lib/core/circulation.h"
#include "lib/core/command.h"
#include "lib/core/plan.h"
#include "lib/core/summary.h"
#include "lib/core/upkeep.h"
#include "lib/core/view.h"
#include "lib/crop/schedule.h"
#include "lib/dose/window.h"
#include "lib/sense/probe.h"

struct core;
struct record;
struct actions;

enum { TANK_LOOK_MS = 5000 }; /* an idle tank; less often where its probes speak less often */

enum tank_step { STEP_IDLE, STEP_CIRCULATE, STEP_INJECT, STEP_FLUSH, STEP_MIX };

struct core_pump {
    struct dose_window window;
    struct core_rate rate;
    bool stays_on; /* its plain output stayed on after its time: the tank is halted */
};

struct core_tank {
    struct probe probe[PROBE_QUANTITY_COUNT];
    struct core_pump pump[TANK_PUMPS_MAX];
    struct dose_window ec_rise, ph_move;

    /* What people hold or want. */
    bool paused, service;
    char paused_for[PAUSE_FOR_MAX]; /* what for, if it isn't a person's own */
    struct civil paused_since;      /* 0: not known yet */
    char paused_by[PAUSE_FOR_MAX];  /* whose key, or by which way it was asked for */
    struct core_care care;
    struct crop_override override;
    int64_t override_for_ms; /* of the next one */
    int64_t zone_offset_ms;

    /* The sequence (sequence.c). */
    enum tank_step step;
    struct core_plan plan;
    struct core_command dose;
    struct core_circulation circulation;
    bool line_dirty; /* the line holds a stock: a flush is owed */
    struct mono flush_from;
    int64_t flushed_ms;     /* of this flush, circulation confirmed and proven by a beat since */
    struct mono pumped_at;  /* end of the last movement of liquid */
    bool mix_owed;          /* what was moved isn't mixed yet */
    struct mono not_before; /* after a failed attempt */
    uint32_t failures;      /* in a row */
    struct mono acid_ended, base_ended;

    /* The law (plan.c, water.c). */
    struct law law;
    struct law_config model; /* this tank, as the law sees it */
    struct mono seen_at[2];  /* newest EC and pH that the law has been shown */
    bool ask_law;            /* it has seen something new since it was asked */
    struct mono asked_law;
    enum tank_state said_state; /* what it said then */
    char said_why[VIEW_WHY_MAX];
    bool wants_mixing;       /* something is wanted, and more is known when it has mixed */
    bool locked[LAW_STOCKS]; /* it has stopped working: nothing is dosed of it */
    struct mono water_due;   /* next record of the water */

    /* What is shown. */
    enum tank_state state;
    char why[VIEW_WHY_MAX];
    char last_id[CHAIN_WORD_MAX]; /* of the newest dose */
    int32_t last_pump;            /* -1: none */
    int64_t last_ul;
    struct civil last_at;

    struct mono due;
    struct upkeep_tank upkeep;
    struct core_summary summary;
};

/* The tank with this key; -1 when the configuration has none. */
int32_t core_tank_named(const struct core *core, const char *key);

/* Sets what dosing/state and dosing/why say; returns false so that a gate can return it. */
bool core_say(struct core_tank *t, enum tank_state state, const char *why);

/* Whose alert is this? False when it is none of "no-effect-<tank>-<feed, acid, base>". */
bool core_effect_alert(
    const struct core *core, const char *id, uint32_t *ret_tank, enum law_stock *ret_stock);

/* "feed", "acid", "base" */
const char *core_stock_word(enum law_stock stock);

/* --- sequence.c ------------------------------------------------------------------------------- */

/* Looks after one tank and sets when it wants to be looked at again. */
void core_turn_tank(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* --- water.c: the tank and its law ------------------------------------------------------------ */

/* Shows the law what is new, locks what has stopped working, records the water when it is due. */
void core_look_at_water(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* So much of a stock went in, until 'at'. */
void core_tell_law(
    struct core *core, uint32_t tank, uint32_t pump, int64_t ul, bool sure, struct mono at);

/* --- learned.c: what the law learned, in the journal ------------------------------------------ */

void core_record_learned(const struct core *core, uint32_t tank, struct actions *ret);
void core_restore_learned(struct core *core, uint32_t tank, const struct record *r);

/* --- summary.c -------------------------------------------------------------------------------- */

/* A trusted value of EC (uS/cm) or pH; what a record "water" or "summary" tells of an earlier life.
 */
void summary_see(struct core_summary *s, int channel, double value);
void summary_restore(struct core_summary *s, const struct record *record);

/* Sums the tank's day up when it is time. */
void summary_turn(struct core *core, uint32_t tank, struct now now, struct actions *ret);

#endif
