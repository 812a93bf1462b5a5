#include "lib/base/calendar.h"

#include <string.h>

static bool leap(int64_t year)
{
    return (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
}

static int64_t month_days(int64_t year, int64_t month)
{
    static const int64_t days[12] = { 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31 };
    return month == 2 && leap(year) ? 29 : days[month - 1];
}

/* Leap days before the first of January of 'year', counted from year 1. */
static int64_t leaps_before(int64_t year)
{
    const int64_t y = year - 1;
    return y / 4 - y / 100 + y / 400;
}

static int64_t year_start(int64_t year)
{
    return (year - 1970) * 365 + leaps_before(year) - leaps_before(1970);
}

bool calendar_day_number(int64_t *ret, int64_t year, int64_t month, int64_t day)
{
    if (year < 1970 || year > 9999 || month < 1 || month > 12) return false;
    if (day < 1 || day > month_days(year, month)) return false;
    int64_t number = year_start(year) + day - 1;
    for (int64_t m = 1; m < month; m++) {
        number += month_days(year, m);
    }
    *ret = number;
    return true;
}

bool calendar_from_civil(struct calendar *ret, struct civil at)
{
    if (at.ms < 0 || at.ms >= year_start(10000) * DAY_MS) return false;
    int64_t day = at.ms / DAY_MS;
    const int64_t ms = at.ms % DAY_MS;
    int64_t year = 1970 + day / 366;
    while (year_start(year + 1) <= day) {
        year++;
    }
    day -= year_start(year);
    int64_t month = 1;
    while (day >= month_days(year, month)) {
        day -= month_days(year, month++);
    }
    *ret = (struct calendar){ .year = year,
        .month = month,
        .day = day + 1,
        .hour = ms / HOUR_MS,
        .minute = ms / MINUTE_MS % 60,
        .second = ms / SECOND_MS % 60,
        .millisecond = ms % SECOND_MS };
    return true;
}

/* Reads exactly 'count' digits; -1 when one isn't. */
static int64_t digits(const char *s, size_t count)
{
    int64_t value = 0;
    for (size_t i = 0; i < count; i++) {
        if (s[i] < '0' || s[i] > '9') return -1;
        value = value * 10 + (s[i] - '0');
    }
    return value;
}

static bool read_day(int64_t *ret_day, const char *s)
{
    if (s[4] != '-' || s[7] != '-') return false;
    return calendar_day_number(ret_day, digits(s, 4), digits(s + 5, 2), digits(s + 8, 2));
}

bool calendar_read_date(struct civil *ret, const char *text)
{
    int64_t day;
    if (strlen(text) != 10 || !read_day(&day, text)) return false;
    ret->ms = day * DAY_MS;
    return true;
}

bool calendar_read_civil(struct civil *ret, const char *text)
{
    int64_t day;
    if (strlen(text) != 24 || !read_day(&day, text)) return false;
    if (text[10] != 'T' || text[13] != ':' || text[16] != ':') return false;
    if (text[19] != '.' || text[23] != 'Z') return false;
    const int64_t h = digits(text + 11, 2), m = digits(text + 14, 2), s = digits(text + 17, 2);
    const int64_t ms = digits(text + 20, 3);
    if (h < 0 || h > 23 || m < 0 || m > 59 || s < 0 || s > 59 || ms < 0) return false;
    ret->ms = day * DAY_MS + h * HOUR_MS + m * MINUTE_MS + s * SECOND_MS + ms;
    return true;
}
