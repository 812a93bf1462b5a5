/* How well a tank was kept, judged by the truth. What each figure means: figure_list in score.c,
 * which is also what the bench prints. */
#ifndef DOSEWRIGHT_BENCH_SCORE_H
#define DOSEWRIGHT_BENCH_SCORE_H

#include "lib/plant/reservoir.h"
#include "tests/bench/control/contender.h"

enum figure {
    FIGURE_EC_OVER,       /* EC beyond its band after a dose, most, uS/cm */
    FIGURE_EC_OVER_DOSES, /* doses that did so, share of all feed doses */
    FIGURE_ACID_OVER,
    FIGURE_ACID_OVER_DOSES,
    FIGURE_BASE_OVER,
    FIGURE_BASE_OVER_DOSES,
    FIGURE_FEED_PH_OVER, /* pH carried below its band by feed */
    FIGURE_EC_HELPED,    /* EC in band while dosing can help */
    FIGURE_PH_IN,        /* pH in band by its own probe */
    FIGURE_PH_IN_BASE,
    FIGURE_PH_HELPED,
    FIGURE_EC_TRUE,
    FIGURE_PH_TRUE,
    FIGURE_REACHED,
    FIGURE_RECOVERED,
    FIGURE_EMPTY_FEED,
    FIGURE_EMPTY_ACID,
    FIGURE_STUCK_EC,
    FIGURE_STUCK_PH,
    FIGURE_FALSE_ALARMS,
    FIGURE_SUPPLY_MISSED,
    FIGURE_ACID_USED,
    FIGURE_BASE_USED,
    FIGURE_DOSES,
    FIGURES,
};

enum spread { SPREAD_LOW_IS_BAD, SPREAD_HIGH_IS_BAD };

struct figure_info {
    const char *key, *title, *unit;
    enum spread spread;
    double scale; /* for people */
    const char *meaning;
};
extern const struct figure_info figure_list[FIGURES];

struct dose_watch { /* a dose on its way */
    int stock;
    double lands_s, nominal;
    double ec, ph; /* the mixed tank when it was commanded, as its probes would show it */
    double set_ec, set_ph, band_ec;
};

enum { WATCHES_MAX = 64 };

struct tally {
    uint64_t good, all;
};

struct score {
    double result[FIGURES]; /* NAN: doesn't apply to this tank */
    /* events over all its doses */
    uint64_t doses[STOCKS], over[STOCKS], alarms_false, alarms_right;
    double days;
    /* private */
    double supply_bad_s; /* a supply that was out for so long is still felt */
    struct tally ec_helped, ph_in, ph_helped, ec_true, ph_true;
    double ec_reached_s, ph_reached_s, reached_s, change_end_s, left_s, recovered_s;
    double worst[STOCKS], worst_feed_ph, used[STOCKS];
    double into_empty[STOCKS], onto_stuck[2];
    bool alarmed_right;
    uint32_t watch_count;
    struct dose_watch watch[WATCHES_MAX];
};

void score_begin(struct score *s);

/* A dose was commanded now; its last drop leaves the pump at 'end_s', or (INFINITY) when
 * score_ended says so, within a minute. */
void score_dose(
    struct score *s, const struct reservoir *r, int stock, double nominal, double end_s);
void score_ended(struct score *s, const struct reservoir *r, int stock);

/* An alarm was raised about a stock. */
void score_alarm(struct score *s, const struct reservoir *r, int stock);

/* A minute has passed. */
void score_minute(struct score *s, const struct reservoir *r);

void score_end(struct score *s, const struct reservoir *r);

/* Half width of the EC band at a setpoint: 5 %, at least 100 uS/cm; and of pH. */
double band_ec_us_cm(double set_ec_us_cm);
#define BAND_PH 0.2

#endif
