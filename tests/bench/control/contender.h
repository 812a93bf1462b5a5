/* A control law that is compared with others. It sees what a real controller would see; amounts are
 * nominal effects on the whole tank, by labels and the nominal volume: feed in uS/cm, acid and base
 * in meq/L. */
#ifndef DOSEWRIGHT_BENCH_CONTENDER_H
#define DOSEWRIGHT_BENCH_CONTENDER_H

#include <stdio.h>

#include "lib/base/units.h"

enum { FEED, ACID, BASE, STOCKS };

struct facts { /* what the person who installed the tank says of it */
    double volume_l, turnover_s;
    double alkalinity_meq_l, source_ec_us_cm; /* of the water report */
    double band_ec_us_cm, band_ph;
    double phosphate_per_us_cm; /* mmol/L that the label's feed brings with each uS/cm */
    bool has[STOCKS];
    double smallest[STOCKS]; /* one pump start */
};

struct sight { /* once a minute */
    struct mono at;
    bool has_ec, has_ph; /* trusted now; a stuck probe isn't */
    double ec_us_cm, ph;
    double set_ec_us_cm, set_ph;
    double most[STOCKS]; /* what caps and locks leave; 0 when there is no such stock */
};

struct tank_run;
struct score;

struct contender {
    const char *name, *what;
    /* Runs the tank all by itself, and tells the score; then nothing below is used. Or NULL. */
    void (*run)(const struct tank_run *run, struct score *ret);
    size_t size; /* of its memory, given zeroed */
    void (*begin)(void *self, const struct facts *f);
    void (*see)(void *self, const struct facts *f, const struct sight *s); /* may be NULL */
    /* What to give; not asked while pumps run. Above 'most' it is cut, below 'smallest' dropped. */
    void (*ask)(void *self, const struct facts *f, const struct sight *s, double give[STOCKS]);
    /* The last drop left the pump. */
    void (*gave)(void *self, const struct facts *f, int stock, double amount, struct mono at);
    bool (*alarms)(const void *self, int stock); /* doesn't that stock work? may be NULL */
    void (*acknowledge)(void *self, int stock);  /* may be NULL */
    const char *columns;                         /* of its estimates, for the trace; or NULL */
    void (*tell)(const void *self, const struct facts *f, FILE *out);
};

extern const struct contender contender_idle, contender_pulses, contender_proportional,
    contender_pi, contender_law, contender_core;

#endif
