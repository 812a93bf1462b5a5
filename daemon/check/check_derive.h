/* What follows from a configuration and need not be said in it: for 'dosewright check'. */
#ifndef DOSEWRIGHT_DAEMON_CHECK_DERIVE_H
#define DOSEWRIGHT_DAEMON_CHECK_DERIVE_H

#include "daemon/config/config.h"

/* The source water's pH isn't in the configuration; a fresh fill is reckoned from this. */
#define CHECK_SOURCE_PH 7.6

struct check_pump {
    double ec_us_cm_per_ml; /* what 1 mL does to this tank */
    double meq_l_per_ml;    /* > 0: takes alkalinity away, < 0: adds to it */
    double prime_ml;        /* 0: unknown */
};

/* A tank filled with source water, brought to its setpoints under all limits. */
struct check_fill {
    uint32_t rounds, doses; /* a round of the recipe is a dose of each of its stocks */
    int64_t span_ms;
    bool reached;           /* false: not within 30 days */
    const char *held_by;    /* the limit that cost most time, or "" */
    const char *held_stock; /* of which stock, or "": the tank's own */
};

struct check_tank {
    struct crop_now now; /* stage, day and setpoints at present */
    struct check_pump pump[TANK_PUMPS_MAX];
    double recipe_ec_us_cm_per_ml;
    double acid_ml, base_ml; /* for 0.1 pH at the setpoint; 0: no such pump */
    int64_t mix_ms, flush_ms;
    struct check_fill fill;
};

/* Acid (meq/L) from one pH to another in source water with 1.2 mmol/L of phosphate, before its CO2
 * leaves: the curve that the control law begins with (lib/control/buffer.h). */
double check_meq_l(const struct site_tank *tank, double from_ph, double to_ph);

/* False when memory is short. */
bool check_derive_tank(
    struct check_tank *ret, const struct config *config, uint32_t tank, struct now now);

/* A state of a chain, for the table of currents and volts. */
struct check_load {
    double amps;
    double volts[CHAIN_MODULES_MAX];
    bool allowed;
};

enum check_state { CHECK_OFF, CHECK_ONE_TANK, CHECK_ALL_TANKS };

/* CHECK_ONE_TANK: 'tank' circulates and runs one pump, the farthest of its pumps on this chain.
 * CHECK_ALL_TANKS: each does. What circulates always does so in both. */
void check_derive_load(struct check_load *ret, const struct site *site, uint32_t chain,
    enum check_state state, uint32_t tank);

/* What a chain has left, with the tank that draws most circulating. */
struct check_spare {
    struct check_load start;            /* as the motor starts that does most to the volts */
    bool dips;                          /* a module falls below its volts in that moment */
    uint32_t pumps[CHAIN_MODULES_MAX];  /* how many may run at once, all of them on that module */
    double longer_m[CHAIN_MODULES_MAX]; /* of the link that feeds the module, one pump running */
};

/* All zero for a chain without tanks. */
void check_derive_spare(struct check_spare *ret, const struct site *site, uint32_t chain);

/* Has the tank anything on this chain? */
bool check_on_chain(const struct site_tank *tank, uint32_t chain);

#endif
