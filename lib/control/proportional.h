/* What a tank needs, by a plain proportional law: part of the distance to the setpoint is made up
 * each time, by the tank's volume and the stocks' strength; then the water mixes and is looked at
 * again. EC comes first, then pH. */
#ifndef DOSEWRIGHT_CONTROL_PROPORTIONAL_H
#define DOSEWRIGHT_CONTROL_PROPORTIONAL_H

#include "lib/base/units.h"

struct control_tank {
    double volume_l;               /* water in the tank now */
    double alkalinity_meq_l;       /* of the source water */
    double band_ec_us_cm, band_ph; /* half widths that need no action */
    double share;                  /* 0 to 1: part of the distance that one round makes up */
};

struct control_water {
    double ec_us_cm, ph;
    double set_ec_us_cm, set_ph;
};

enum control_need {
    NEED_NOTHING,
    NEED_FEED, /* raise EC by 'ec_us_cm' */
    NEED_LOWER_PH,
    NEED_RAISE_PH,
    NEED_WATER, /* EC is above its band: dosing can't lower it */
};

struct control_answer {
    enum control_need need;
    double ec_us_cm; /* NEED_FEED: how much to raise */
    double meq_l;    /* NEED_LOWER_PH, NEED_RAISE_PH: acid or base for a litre of tank */
    double ph_move;  /* expected size of the move, > 0 */
};

/* One need at a time:
 *   EC below its band                             feed
 *   else pH over half its band above              acid
 *   else pH over three quarters of it below       base
 *   else EC over half its band below              feed
 *   else EC above its band                        water
 * Each aims at the setpoint, 'share' of the way. Nothing when a number isn't finite or no pH. */
struct control_answer control_decide(
    const struct control_tank *tank, const struct control_water *water);

/* Acid (meq/L) that takes water from one pH to another (0 when 'to' is not below 'from'): a water
 * of that alkalinity with 1.2 mmol/L phosphate, CO2 not leaving. Base is the same backwards. */
double control_acid_meq_l(double alkalinity_meq_l, double from_ph, double to_ph);

/* Was a dose seen? */
enum control_effect { EFFECT_SEEN, EFFECT_UNTELLING, EFFECT_MISSING, EFFECT_WRONG_WAY };

/* Compares, after mixing, the move that was seen with the one expected (signed, not 0); 'noise' is
 * one deviation of a reading. UNTELLING: expected isn't more than 3 noise. MISSING: less than a
 * quarter of it was seen. WRONG_WAY: it went the other way by more than a quarter and 3 noise. */
enum control_effect control_effect_of(double expected, double seen, double noise);

#endif
