/* A whole simulated reservoir: the tank (lib/plant/tank.h) with its crop, its refills, probes that
 * err, pumps that err and wear, and faults. One seed is one world: the same truth, the same seed
 * and the same calls give the same bits. What is modelled, and from which ranges a world is drawn:
 * docs/plant.md.
 *
 * Time is seconds since reservoir_init. EC is uS/cm at 25 degC, alkalinity meq/L, volumes L (tank)
 * and mL (doses). */
#ifndef DOSEWRIGHT_PLANT_RESERVOIR_H
#define DOSEWRIGHT_PLANT_RESERVOIR_H

#include "lib/plant/tank.h"

enum {
    RESERVOIR_PUMPS_MAX = 12,
    RESERVOIR_PARCELS_MAX = 48, /* doses still in the tubes; one more would arrive at once */
    RESERVOIR_DAYS = 28,        /* drawn events and wear are spread over this */
};

/* The pumps of a drawn world; the last isn't there in half of them. */
enum reservoir_stock { RESERVOIR_FEED, RESERVOIR_ACID, RESERVOIR_BASE };

struct reservoir_pump_truth {
    struct plant_dose per_ml; /* as the label says */
    double strength;          /* what is in the bottle / what the label says, > 0 */
    double error;             /* mL delivered / mL commanded, at first, > 0 */
    double wear;              /* share of its delivery lost in RESERVOIR_DAYS, 0 to 0.5 */
    double repeat;            /* deviation from one dose to the next, as a share */
    double delay_s;           /* from pump to tank */
    double bottle_ml;         /* in the bottle at the start; 0: it never empties */
};

enum reservoir_channel { RESERVOIR_EC, RESERVOIR_PH };

struct reservoir_probe_truth {
    double drift_per_week; /* EC: as a share; pH: as pH */
    double lag_s;
    double noise;      /* deviation, EC: as a share. 0.8 of it white, 0.6 remembered for 15 min */
    double resolution; /* uS/cm, pH; 0: none */
    double spikes_per_day, spike; /* one reading, EC: off by this share; pH: by this; either sign */
    double recalibrated_s;        /* drift starts anew then; 0: never */
};

struct reservoir_tells { /* what the person who installed it says; all but the volume may be off */
    double alkalinity_meq_l, source_ec_us_cm;
    double feed_us_cm_per_ml_l, acid_meq_ml, base_meq_ml; /* labels; 0: there is none */
};

struct reservoir_target {
    double ec_us_cm, ph;
    double step_s, step_ec_us_cm; /* another EC from then on; step_s 0: never */
};

/* Everything that makes a world. Fill it by hand from reservoir_typical, or have it drawn. */
struct reservoir_truth {
    struct plant_tank_config tank; /* degc is the mean over a day */
    double degc_swing;             /* amplitude, warmest at 15:00 */
    double starts_s;               /* time of day at the start, 0 to 86400: plants follow the sun */
    double refill_days;            /* by hand after so many days, or at a quarter drawn down; */
    double refill_s;               /* it takes so long. Neither counts with a float valve */
    bool probes_near;              /* in zone D, where doses arrive */
    double ec_degc_off;            /* error of the temperature that compensates EC, degC */
    double ec_tempco_off;          /* error of the compensation, per degC from 25 */
    struct reservoir_probe_truth probe[2]; /* by reservoir_channel */
    uint32_t pump_count;
    struct reservoir_pump_truth pump[RESERVOIR_PUMPS_MAX];
    struct { /* a share of the water is changed, at once drained and refilled in refill_s */
        double at_s, share; /* share 0: none */
    } change;
    struct { /* an empty bottle or air in the tube: that pump delivers nothing */
        uint32_t pump;
        double from_s, to_s; /* to_s 0: none */
    } outage;
    struct { /* a probe shows one value */
        enum reservoir_channel channel;
        double from_s, to_s; /* to_s 0: none */
        bool noisy;          /* about that value, as noisy as ever */
        double off;          /* that value less what it showed last: uS/cm, pH */
    } stuck;
    struct reservoir_tells tells;
    struct reservoir_target target;
};

/* Middle values of every range, a tank of 200 L, no pumps, no faults, perfect labels. */
void reservoir_typical(struct reservoir_truth *ret);

/* A world: everything from the ranges in docs/plant.md; with 'faults' a supply or a probe may fail.
 * The rest of a world is the same with and without. */
void reservoir_draw(struct reservoir_truth *ret, uint64_t seed, bool faults);

struct reservoir_sensor { /* private */
    double slow;          /* the remembered part of its noise, deviation 1 */
    double lagged, held;
    bool begun, holds;
};

struct reservoir_parcel { /* private: on its way to the tank */
    double at_s, ml;
    uint32_t pump;
};

/* Members are this module's. */
struct reservoir {
    struct reservoir_truth truth;
    struct plant_tank tank;
    struct prng chance;
    double now_s, read_s;
    double refill_due_s;        /* by hand */
    double fill_to_l, fill_l_s; /* while filling; else fill_l_s is 0 */
    bool changed;               /* the water change has been made */
    struct reservoir_sensor sensor[2];
    double given_ml[RESERVOIR_PUMPS_MAX]; /* really delivered since the start */
    double left_ml[RESERVOIR_PUMPS_MAX];
    uint32_t parcel_count;
    struct reservoir_parcel parcel[RESERVOIR_PARCELS_MAX];
};

/* Full of source water, at time 0. The truth is copied. */
void reservoir_init(struct reservoir *r, const struct reservoir_truth *truth, uint64_t seed);

/* A pump was commanded to deliver this much, its last drop at 'at_s' (>= now). What really arrives,
 * and when, is the reservoir's business. */
void reservoir_pump(struct reservoir *r, uint32_t pump, double ml_commanded, double at_s);

/* Does that pump deliver anything now (its bottle isn't empty, no air in its tube)? */
bool reservoir_delivers(const struct reservoir *r, uint32_t pump);

/* A full bottle (of bottle_ml) is put under that pump. */
void reservoir_new_bottle(struct reservoir *r, uint32_t pump);

/* Time passes, 0 to 86400 s a call. */
void reservoir_advance(struct reservoir *r, double seconds, bool circulating);

/* A share (0 to 1) of the water is let out now and refilled with source water in refill_s. */
void reservoir_change_water(struct reservoir *r, double share);

/* What the probes show now. Chance moves on with each look: look as often as a controller would. */
struct reservoir_look {
    double ec_us_cm, ph, degc;
};
struct reservoir_look reservoir_read(struct reservoir *r);

/* The truth, of the whole tank as if it were mixed. The first is EC and pH at the cost of one. */
struct plant_sight reservoir_mixed(const struct reservoir *r);
double reservoir_ec(const struct reservoir *r);
double reservoir_ph(const struct reservoir *r);
double reservoir_alkalinity(const struct reservoir *r);
double reservoir_volume(const struct reservoir *r);
double reservoir_degc(const struct reservoir *r);

/* The same as its probes would show it, with their drift and temperature errors, but without
 * noise, lag, spikes and faults: no controller can know better than this. */
double reservoir_shown_ec(const struct reservoir *r, double ec_us_cm);
double reservoir_shown_ph(const struct reservoir *r, double ph);

/* The set EC now. */
double reservoir_set_ec(const struct reservoir *r);

#endif
