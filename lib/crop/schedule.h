/* What the crop should have now: stages with ramps, day and night, and a person's override within
 * the envelope. Setpoints are uS/cm and pH. */
#ifndef DOSEWRIGHT_CROP_SCHEDULE_H
#define DOSEWRIGHT_CROP_SCHEDULE_H

#include "lib/base/units.h"

enum { CROP_STAGES_MAX = 16 };

struct crop_target {
    double ec_us_cm;
    double ph;
};

struct crop_stage {
    const char *name;
    int64_t days;                /* > 0; the last stage may be 0: for ever */
    struct crop_target from, to; /* equal unless the stage is a ramp */
    bool has_night;
    struct crop_target night; /* used from day's end to day's start; a NaN leaves the day's value */
};

/* Where night begins and ends. The zone's offset changes with daylight saving: the shell looks it
 * up (see zone_offset_ms of struct crop_clock), so that this stays free of time-zone files. */
struct crop_schedule {
    const char *crop;
    uint32_t count; /* at least 1 */
    struct crop_stage stage[CROP_STAGES_MAX];
    int64_t day_from_ms, day_to_ms; /* since local midnight; equal: always day */
    const char *zone;               /* tz database name, "UTC" if none was given */
};

struct crop_clock {
    struct civil at;
    int64_t zone_offset_ms; /* local = at + offset */
};

struct crop_now {
    bool planted;   /* false before the planting date: nothing is dosed */
    uint32_t stage; /* index */
    int64_t day;    /* 1 on the day of planting, local days */
    struct crop_target target;
};

/* What holds at that instant. Ramps are straight from a stage's first instant to its last; past the
 * last stage its end stays. Before the planting date it says so and gives the first target.
 * 'planted' is the planting date's midnight as if UTC; it is compared with local midnight. */
struct crop_now crop_now_at(
    const struct crop_schedule *schedule, struct civil planted, struct crop_clock clock);

/* Is it day by the schedule? Always, where it has no night. */
bool crop_is_day(const struct crop_schedule *schedule, struct crop_clock clock);

/* The hard limits, ends included. */
struct crop_envelope {
    double ec_least_us_cm, ec_most_us_cm;
    double ph_least, ph_most;
    double degc_least, degc_most;
};

/* Setpoints that a person moved, each until its own end on the monotonic clock. */
struct crop_override {
    bool has_ec, has_ph;
    double ec_us_cm, ph;
    struct mono ec_ends, ph_ends;
};

/* The setpoint in force: the schedule's, or the override's while it lasts, always within the
 * envelope. */
struct crop_target crop_setpoint(const struct crop_target *scheduled,
    const struct crop_override *override, const struct crop_envelope *envelope, struct mono now);

/* Is there one, and has it not ended? */
bool crop_override_runs(const struct crop_override *override, struct mono now);

/* A person moves EC, or else pH; the other one's end stays. */
void crop_override_set(struct crop_override *override, bool ec, double value, struct mono ends);

/* When the last of what was moved is the schedule's again. */
struct mono crop_override_ends(const struct crop_override *override);

#endif
