/* Once a day, what the last one was like: the ranges of EC and pH, what was given, which alerts
 * came and stand, which bottles run low. A record of each tank, at a time of its own zone; nothing
 * rests on it. */
#ifndef DOSEWRIGHT_CORE_SUMMARY_H
#define DOSEWRIGHT_CORE_SUMMARY_H

#include <stdbool.h>
#include <stdint.h>

enum { SUMMARY_EC, SUMMARY_PH, SUMMARY_RANGES };

struct summary_range {
    bool seen;
    double least, most; /* uS/cm; pH */
};

/* Of one tank, since its last summary. */
struct core_summary {
    struct summary_range range[SUMMARY_RANGES];
    uint32_t raised; /* alerts of it that came */
    bool has_day;
    int64_t day; /* local, since 1970-01-01: the newest that was summed up, or needs no summary */
};

#endif
