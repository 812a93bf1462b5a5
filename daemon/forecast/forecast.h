/* What `dosewright forecast` is made of: a site in memory (lib/forecast/twin.h) whose records go
 * into a report, and tables of what a journal can't tell. docs/forecast.md says what is assumed. */
#ifndef DOSEWRIGHT_DAEMON_FORECAST_H
#define DOSEWRIGHT_DAEMON_FORECAST_H

#include "daemon/config/config.h"
#include "daemon/report/report.h"
#include "lib/forecast/twin.h"

enum {
    FORECAST_DAYS_MOST = 366,
    FORECAST_DATES_MAX = 8,           /* on which one bottle ran out, told apart */
    FORECAST_LOOK_MS = 5 * 60 * 1000, /* the water and the limits are looked at this often */
    FORECAST_BEAT_MS = 30000,
    FORECAST_READING_MS = 60000,
};

/* What to run. */
struct forecast_plan {
    const struct site *site;
    struct civil from; /* local midnight */
    int64_t days;
    uint64_t seed;
    double volume; /* true / configured */
};

/* One limit that held something back. */
enum forecast_limit {
    FORECAST_DOSE,
    FORECAST_HOUR,
    FORECAST_DAY,
    FORECAST_EC_RISE,
    FORECAST_PH_MOVE,
    FORECAST_SPACING,
    FORECAST_ROOM,
    FORECAST_LIMITS,
};
const char *forecast_limit_words(enum forecast_limit limit);

/* What was seen of one tank; spans in milliseconds. */
struct forecast_tank {
    int64_t looked_ms, planted_ms;        /* in all; since planting */
    int64_t ec_reached_ms, ph_reached_ms; /* after the first look since planting; -1: never */
    int64_t ec_in_ms, ph_in_ms;           /* true water in its band, once reached */
    int64_t ec_since_ms, ph_since_ms;     /* looked at since it was reached */
    double ec_over_us_cm, ph_off;         /* worst beyond the band, once reached */
    int64_t held_ms[FORECAST_LIMITS][SITE_STOCKS_MAX];
};

struct forecast_stock {
    uint32_t emptied;
    struct civil at[FORECAST_DATES_MAX];
    double used_ml;
};

/* A run while it goes on, and what is left of it. */
struct forecast {
    struct forecast_plan plan;
    struct report *report; /* NULL: only what is counted here */
    void *block;
    struct reservoir_truth *truth;
    struct twin *twin;
    struct forecast_tank *tank;
    struct forecast_stock stock[SITE_STOCKS_MAX];
    uint32_t alerts;
    char watched[ALERT_ID_MAX]; /* begin of the alerts that are waited for; "" none */
    bool noticed;
    struct now noticed_at;
    char notice[ALERT_ID_MAX];
};

/* --- forecast_run.c --------------------------------------------------------------------------- */

/* ERR_IO when there is no memory. Freed by forecast_close, whatever became of it. */
enum err forecast_open(struct forecast *f, const struct forecast_plan *plan, struct report *report,
    bool refills, struct problem *problem) __attribute__((warn_unused_result));
void forecast_close(struct forecast *f);

/* So much time passes, looked at as it goes. */
void forecast_pass(struct forecast *f, int64_t span_ms);

/* Local midnight of a date in the tank's zone, the date as if UTC. */
struct civil forecast_midnight(const struct site *site, uint32_t tank, struct civil date);

/* --- forecast_tables.c ------------------------------------------------------------------------ */

/* Says that it is a model, and what it takes for granted. */
void forecast_note(struct report *r, const struct forecast_plan *plan, bool one_tank);

/* Bottles and limits of the whole run. */
void forecast_tell_bottles(struct report *r, const struct forecast *f);
void forecast_tell_limits(struct report *r, const struct forecast *f);

/* --- forecast_what_if.c ----------------------------------------------------------------------- */

/* Other runs: the volume wrong by a fifth either way, each bottle emptying once. */
enum err forecast_what_if(struct report *r, const struct forecast_plan *plan,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
