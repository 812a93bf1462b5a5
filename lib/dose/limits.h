/* Every budget of a tank in one place; the strictest verdict wins. */
#ifndef DOSEWRIGHT_DOSE_LIMITS_H
#define DOSEWRIGHT_DOSE_LIMITS_H

#include "lib/dose/window.h"

/* Of one stock into one tank. */
struct stock_limits {
    int64_t smallest_ul; /* > 0: below this a dose is not worth a start */
    int64_t dose_ul;     /* >= smallest */
    int64_t hour_ul;     /* >= dose */
    int64_t day_ul;      /* >= hour */
};

/* Of one tank: how far EC and pH may be moved in any hour, in whole numbers so that sums are exact.
 */
struct move_limits {
    int64_t ec_rise_per_hour; /* thousandths of uS/cm */
    int64_t ph_move_per_hour; /* millionths of a pH unit, up and down together */
    int64_t acid_base_spacing_ms;
};

enum dose_verdict {
    DOSE_GRANTED,
    DOSE_OVER_DOSE, /* more than one dose may be */
    DOSE_OVER_HOUR,
    DOSE_OVER_DAY,
    DOSE_OVER_EC_RISE,
    DOSE_OVER_PH_MOVE,
    DOSE_OVER_RUN,  /* longer than its chain head runs a pump */
    DOSE_TOO_SMALL, /* what the limits leave is less than the smallest dose */
    DOSE_TOO_MANY,  /* a window can't remember one more */
    DOSE_VERDICT_COUNT,
};

/* What may be given now of a stock. */
struct dose_allowance {
    int64_t most_ul;           /* 0 when nothing may be given */
    enum dose_verdict because; /* the budget that binds; DOSE_GRANTED when 'wanted' is free */
    struct mono retry; /* when it would be 'wanted' (or the smallest dose); now if granted */
};

struct dose_question {
    const struct stock_limits *limits;
    const struct dose_window *window;
    int64_t wanted_ul; /* > 0 */
    struct mono now;
    int64_t full_ul; /* > 0: any dose may turn out to be as much as this (an output that somebody
                        has to switch off), so that the windows must leave so much; 0: no more than
                        itself */
};

/* The stock's own budgets: dose, hour, day, room. most_ul is 'wanted' or less. */
struct dose_allowance limits_of_stock(const struct dose_question *question);

/* The phrase that dosing/why and answers show: "its hourly limit". */
const char *dose_verdict_phrase(enum dose_verdict verdict);

#endif
