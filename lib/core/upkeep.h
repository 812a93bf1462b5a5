/* What wears, runs out or is due to be looked after. Private to the core (state.h includes it).
 *
 * Reminders are alerts that say what to do. They never stop a dose; only a probe that reads as if
 * it hung in the air does, because it isn't believed. One that was acknowledged stays quiet for
 * some days and comes back; they leave room among the alerts for what is worse. */
#ifndef DOSEWRIGHT_CORE_UPKEEP_H
#define DOSEWRIGHT_CORE_UPKEEP_H

#include "lib/core/view.h"

enum {
    UPKEEP_QUIET_MAX = 32,   /* acknowledged reminders that are remembered */
    UPKEEP_ALERTS_MOST = 40, /* no reminder where so many alerts stand */
    UPKEEP_LOOK_MS = 10000,
};

struct upkeep_tube {
    int64_t ran_ms, ul; /* since 'since' */
    struct civil since; /* when it was changed, or counting began; 0: not begun */
    bool changed;       /* by a person's word */
};

/* Something that lasts, with breaks. */
struct upkeep_span {
    bool on;
    struct mono since, seen; /* it began, and was so last */
};

struct upkeep_tank {
    struct mono due;
    struct upkeep_tube tube[TANK_PUMPS_MAX];
    bool untold; /* numbers of this tank that aren't in the journal yet */
    int64_t circulated_ms, told_circulated_ms;
    struct mono counted_at; /* circulation was counted until then */
    struct civil cleaned;   /* the inlet strainer, or when counting began */
    struct civil water;     /* last water change, or when counting began */
    bool water_changed;     /* by a person's word */
    int64_t topped_ul;      /* since then, as far as a level or volume probe tells */
    bool has_ebb;
    double ebb_l; /* the least water since a rise was counted */
    /* what feed really did when its pumps were calibrated, 0: not known yet */
    double feed_gain;
    int64_t feed_tag;
    uint32_t drifted; /* feed doses in a row while it was far from that */
    bool dry;         /* the EC probe reads less than any water of this tank can */
    struct mono dry_since;
    double ph_least, ph_most; /* since then */
    bool over;                /* the enclosure probe's newest number was above its range */
    struct upkeep_span wet;   /* the leak probe reports water */
    struct upkeep_span kept;  /* from being dosed */
    bool differs;             /* light against the schedule's day */
    struct mono differs_since;
};

struct upkeep_stock {
    double use_ul; /* drawn lately, leaking away */
    struct mono use_at;
    bool used;
    struct mono since; /* it was drawn from first */
};

struct upkeep_quiet {
    char id[ALERT_ID_MAX]; /* "": this place is free */
    struct mono until;
};

struct core;
struct actions;
struct record;
struct event_request;

/* --- upkeep.c --------------------------------------------------------------------------------- */

/* Looks after one tank and its bottles, every UPKEEP_LOOK_MS. */
void core_turn_upkeep(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* Says it, unless it stands, was acknowledged lately, or too many alerts stand. */
void upkeep_remind(
    struct core *core, const char *id, int32_t tank, const char *text, struct actions *ret);
/* The cause has gone. */
void upkeep_forget(struct core *core, const char *id, struct actions *ret);

/* Somebody has acknowledged an alert at 'at': if it is a reminder, it is quiet for its time. */
void upkeep_quiet_for(struct core *core, const char *id, struct mono at);
void upkeep_quiet_until(struct core *core, const char *id, struct mono until);

/* --- upkeep_wear.c: tubes, strainer, bottles ---------------------------------------------------
 */

/* A pump ran, and gave so much: by a command, by hand, or to show itself. */
void upkeep_count_tube(struct core *core, uint32_t tank, uint32_t pump, int64_t ms, int64_t ul);

/* Counts circulation up to now; before what is known of it changes. */
void upkeep_count_circulation(struct core *core, uint32_t tank, struct now now);
/* It ran by hand. */
void upkeep_count_circulation_by_hand(
    struct core *core, uint32_t chain, const char *serial, int64_t ms);

/* So much was drawn from a bottle (negative: less than was taken to be), at core->seen. */
void upkeep_draw(struct core *core, uint32_t stock, int64_t ul);
/* Days that it will last at the use of the last days; NaN when hardly anything is used. */
double upkeep_days_left(const struct core *core, uint32_t stock, struct mono now);

/* Is it to be told of? */
bool upkeep_bottle_low(const struct core *core, uint32_t stock, struct mono now);

/* Each of these raises and clears what belongs to one tank. */
void upkeep_look_at_wear(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* --- upkeep_water.c: water changes, calibrations -----------------------------------------------
 */

void upkeep_look_at_water(struct core *core, uint32_t tank, struct now now, struct actions *ret);
void upkeep_look_at_calibrations(
    struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* Is it to be calibrated, by its age or by what is seen of it? */
bool upkeep_pump_due(const struct core *core, uint32_t tank, uint32_t pump, struct now now);
/* The flow of its circulation: to be measured again, by its age? */
bool upkeep_flow_due(const struct core *core, uint32_t tank, struct now now);
/* The same of a probe. */
bool upkeep_probe_due(
    const struct core *core, uint32_t tank, enum probe_quantity q, struct now now);

/* --- upkeep_air.c: what the other probes say ---------------------------------------------------
 */

/* A reading has come: is the EC probe still in the water? 'number' is as it came, in the probe's
 * own unit. */
void upkeep_look_at_probe(
    struct core *core, uint32_t tank, enum probe_quantity q, double number, struct now now);
void upkeep_look_at_air(struct core *core, uint32_t tank, struct now now, struct actions *ret);
void upkeep_view_tank(
    const struct core *core, uint32_t tank, struct now now, struct upkeep_view *ret);

/* --- upkeep_kept.c: what nobody would notice at night -------------------------------------------
 */

/* A leak, a tank that can't be dosed; with the first tank also chains that can't be commanded. */
void upkeep_look_at_kept(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* --- upkeep_pause.c: a pause that nobody ends --------------------------------------------------
 */

/* A tank is paused, or no longer. The same pause once more began when it did. */
void upkeep_note_pause(struct core *core, uint32_t tank, bool on, const char *what_for,
    const char *by, struct now now);
/* To a record that carries the tank's state on; and from that, or from the request's. */
void upkeep_carry_pause(const struct core *core, uint32_t tank, struct record *r);
void upkeep_restore_pause(
    struct core *core, uint32_t tank, const struct record *r, bool on, struct now at);
void upkeep_look_at_pause(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* --- upkeep_keep.c: over restarts and reloads ---------------------------------------------------
 */

void upkeep_record_tank(struct core *core, uint32_t tank, struct actions *ret);
void upkeep_record_tube(const struct core *core, uint32_t tank, uint32_t pump, struct actions *ret);
void upkeep_restore(struct core *core, const struct record *r, struct mono at);
void upkeep_restore_request(struct core *core, const struct record *r, struct now at);

/* The records that restate it, one by one; false past the last. */
bool upkeep_carry(const struct core *core, uint32_t at, struct now now, struct actions *ret);

/* One tank of a new configuration takes over from its former self; and at the end alerts go whose
 * pump, probe or bottle has gone. */
void upkeep_reload(struct core *fresh, uint32_t tank, const struct core *old, uint32_t former);
void upkeep_reloaded(struct core *fresh, struct actions *ret);

/* What people say that they did. */
void upkeep_tube_changed(struct core *core, uint32_t tank, uint32_t pump, struct now now);
void upkeep_strainer_cleaned(struct core *core, uint32_t tank, struct now now);
void upkeep_water_changed(struct core *core, uint32_t tank, int64_t ul, struct now now);

#endif
