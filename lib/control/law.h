/* The control law: what one tank needs, from what its probes showed and what it was given.
 *
 * It keeps a picture of the water (level and drift of EC and of alkalinity, how far the last doses
 * have mixed in) and of the tank (how strongly each stock works here, how fast the water mixes),
 * each with its uncertainty, and gives the largest dose whose chance of carrying EC or pH beyond
 * the band is at most LAW_CHANCE. Doses add up, so it needs not wait until the last one has mixed:
 * it waits until it knows enough for the next. docs/control.md has the equations and what they
 * reach.
 *
 * Amounts are nominal effects on the whole tank, by the configuration: feed in uS/cm of EC,
 * acid and base in meq/L. The law learns what one of them really does. Pure: 'struct law'
 * (lib/control/law_inside.h) is all that it knows. */
#ifndef DOSEWRIGHT_CONTROL_LAW_H
#define DOSEWRIGHT_CONTROL_LAW_H

#include "lib/base/units.h"

#define LAW_CHANCE 1e-3 /* of passing the band by one dose */

enum law_stock { LAW_FEED, LAW_ACID, LAW_BASE, LAW_STOCKS };

/* What the person who installed the tank knows of it. */
struct law_config {
    double turnover_s;             /* > 0: volume / circulation flow */
    double alkalinity_meq_l;       /* of the source water, >= 0 */
    double source_ec_us_cm;        /* >= 0 */
    double band_ec_us_cm, band_ph; /* half widths, > 0 */
    double phosphate_per_us_cm;    /* mmol/L that come with each uS/cm of feed; 0: not known */
    bool has[LAW_STOCKS];
    double smallest[LAW_STOCKS]; /* least amount worth a pump start, > 0 for each it has */
};

struct law;

/* A tank of which nothing has been seen. */
void law_init(struct law *law, const struct law_config *config, struct mono now);

/* A look at the trusted readings; as often as they come. Too soon after the last look it says
 * false, and took nothing in: show it the same readings again. */
struct law_sight {
    struct mono at;
    bool has_ec, has_ph; /* usable now */
    double ec_us_cm, ph;
    bool flows; /* circulation is running: without it nothing mixes */
    bool more; /* a further part of the same recipe is on its way: nothing is judged before it is in
                */
};
bool law_see(struct law *law, const struct law_config *config, const struct law_sight *sight);

/* So much of a stock went in, its last drop at 'at'. 'sure' false: perhaps less (a command whose
 * outcome is unknown counts in full, but nothing is learned from it). */
void law_gave(struct law *law, const struct law_config *config, enum law_stock stock, double amount,
    bool sure, struct mono at);

/* Something else may have changed the water (a pump run by hand, a refill, a restart): what was
 * known of the level is uncertain again, what was learned of the tank stays. */
void law_disturb(struct law *law, const struct law_config *config, struct mono at);

struct law_wish {
    struct mono at;
    double set_ec_us_cm, set_ph;
    double most[LAW_STOCKS]; /* what limits, spacings and locks leave of each now; 0: none */
    double rise_most_us_cm;  /* and of EC's rise and pH's move, as they are to be expected */
    double move_most_ph;
};

enum law_verdict {
    LAW_BLIND,   /* not enough readings yet */
    LAW_CONTENT, /* in the bands, as far as can be told */
    LAW_WAITS,   /* something is wanted, but not enough is known yet: mixing, or too few readings */
    LAW_GIVES,   /* at least one amount is above 0 */
    LAW_HELD,    /* something is wanted, and what 'most' leaves is below the smallest dose */
    LAW_SMALL,   /* what is wanted is below the smallest dose */
    LAW_COARSE,  /* the smallest dose may already carry it past the band: the stock is too strong */
    LAW_QUIET,   /* pH is out of its band, but acid and base don't follow each other so soon */
    LAW_NO_STOCK,    /* wanted is a stock that this tank hasn't */
    LAW_WANTS_WATER, /* EC is above its band: only water or the crop lowers it */
};

/* The numbers that led to an answer, for people. */
struct law_why {
    double ec_us_cm, ec_sd, ec_per_hour; /* where the water will be when all has mixed */
    double ph, ph_sd, ph_per_hour;
    double buffer_meq_l;                          /* alkalinity that moves pH by one, there */
    double carbon_mmol_l;                         /* dissolved, as far as it can be told */
    double gain[LAW_STOCKS], gain_sd[LAW_STOCKS]; /* true effect of a nominal 1 */
    double mix_s;                                 /* time constant of mixing */
};

struct law_answer {
    enum law_verdict verdict;
    bool mixing_helps;       /* something waits for the water to mix */
    enum law_stock wanted;   /* for all but CONTENT and WANTS_WATER: what it is about */
    double give[LAW_STOCKS]; /* at once and in this order */
    double ec_rise_us_cm;    /* expected of 'give' */
    double ph_move;          /* expected of acid or base, signed */
    struct law_why why;
};

/* What to give now, or why nothing. */
struct law_answer law_ask(
    const struct law *law, const struct law_config *config, const struct law_wish *wish);

/* What an amount is expected to do: uS/cm of EC for feed, pH (> 0) for acid and base. */
double law_effect_of(
    const struct law *law, const struct law_config *config, enum law_stock stock, double amount);

/* Is water still mixing, as far as can be told, and for about how many more seconds of flow? */
bool law_mixing(const struct law *law);
double law_mixing_left_s(const struct law *law, const struct law_config *config);

/* Has a stock stopped working? Asked after law_see. */
enum law_alarm {
    LAW_FINE,
    LAW_SILENT,    /* doses have had no effect: bottle, tube, pump or probe */
    LAW_WEAK,      /* less than half of what the same dose did before */
    LAW_WRONG_WAY, /* the water goes the other way: the wrong bottle */
};
enum law_alarm law_alarm_of(const struct law *law, enum law_stock stock);

/* Somebody looked after it: its doubts are forgotten, what it learned before stays. */
void law_acknowledge(struct law *law, enum law_stock stock);

/* --- over a restart --------------------------------------------------------------------------- */

/* What was learned of the tank, as numbers with names: for the journal. */
enum { LAW_NUMBERS = 44 };
const char *law_number_name(int number);
double law_number(const struct law *law, int number);

/* Takes one back, into a law that has seen nothing yet; what isn't finite or possible is brought
 * into its range. */
void law_recall(struct law *law, const struct law_config *config, int number, double value);

/* A dose of before: it counts for the caps and may still be mixing. Oldest first, before anything
 * is seen. */
void law_recall_dose(struct law *law, const struct law_config *config, enum law_stock stock,
    double amount, struct mono at);

#endif
