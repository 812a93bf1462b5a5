/* Civil dates in UTC: the proleptic Gregorian calendar of ISO 8601, years 1970 to 9999. */
#ifndef DOSEWRIGHT_BASE_CALENDAR_H
#define DOSEWRIGHT_BASE_CALENDAR_H

#include "lib/base/units.h"

struct calendar {
    int64_t year;                /* 1970 to 9999 */
    int64_t month, day;          /* from 1 */
    int64_t hour, minute;        /* from 0 */
    int64_t second, millisecond; /* from 0; there are no leap seconds in Unix time */
};

/* Splits an instant; false when its year is outside 1970 to 9999. */
bool calendar_from_civil(struct calendar *ret, struct civil at);

/* Days since 1970-01-01 of a date; false when there is no such date. */
bool calendar_day_number(int64_t *ret, int64_t year, int64_t month, int64_t day);

/* Reads "2031-03-05" in full; false when it isn't a date of 1970 to 9999. 'ret' is its midnight
 * UTC. */
bool calendar_read_date(struct civil *ret, const char *text);

/* Reads RFC 3339 as this program writes it: "2031-04-02T05:06:07.089Z", 24 characters, UTC. */
bool calendar_read_civil(struct civil *ret, const char *text);

#endif
