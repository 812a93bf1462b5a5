#include <string.h>

#include "daemon/base/zone.h"
#include "lib/base/calendar.h"

enum { RULE_MAX = 128, DAY_S = 86400, HOURS_MOST = 167 };

/* What is still to be read of a rule. */
struct rest {
    const char *p, *end;
};

/* When within a year daylight saving (or its opposite) begins. */
struct turn {
    char form;                /* 'J' day 1 to 365 without 29 February, 'D' day 0 to 365, 'M' */
    int64_t month, week, day; /* 'M': the week's day, 0 is Sunday; week 5 is the last */
    int64_t after_s;          /* since that day's midnight */
};

static bool skip_char(struct rest *r, char c)
{
    if (r->p == r->end || *r->p != c) return false;
    r->p++;
    return true;
}

/* Three or more letters, or anything of [A-Za-z0-9+-] in angle brackets. */
static bool skip_name(struct rest *r)
{
    const char *from = r->p;
    const bool quoted = skip_char(r, '<');
    while (r->p < r->end) {
        const char c = *r->p;
        const bool letter = (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
        const bool other = (c >= '0' && c <= '9') || c == '+' || c == '-';
        if (!letter && !(quoted && other)) break;
        r->p++;
    }
    if (quoted) return skip_char(r, '>');
    return r->p - from >= 3;
}

static bool read_number(int64_t *ret, struct rest *r, int64_t most)
{
    int64_t value = 0;
    const char *from = r->p;
    while (r->p < r->end && *r->p >= '0' && *r->p <= '9' && value <= most) {
        value = value * 10 + (*r->p++ - '0');
    }
    *ret = value;
    return r->p > from && value <= most;
}

/* [+-]hours[:minutes[:seconds]] in seconds. */
static bool read_clock(int64_t *ret_s, struct rest *r)
{
    const bool minus = skip_char(r, '-');
    if (!minus) skip_char(r, '+');
    int64_t h, m = 0, s = 0;
    if (!read_number(&h, r, HOURS_MOST)) return false;
    if (skip_char(r, ':')) {
        if (!read_number(&m, r, 59)) return false;
        if (skip_char(r, ':') && !read_number(&s, r, 59)) return false;
    }
    const int64_t total_s = h * 3600 + m * 60 + s;
    *ret_s = minus ? -total_s : total_s;
    return true;
}

static bool read_turn(struct turn *ret, struct rest *r)
{
    struct turn t = { .form = 'D', .after_s = 2 * 3600 };
    if (!skip_char(r, ',')) return false;
    if (skip_char(r, 'M')) {
        t.form = 'M';
        if (!read_number(&t.month, r, 12) || t.month < 1 || !skip_char(r, '.')) return false;
        if (!read_number(&t.week, r, 5) || t.week < 1 || !skip_char(r, '.')) return false;
        if (!read_number(&t.day, r, 6)) return false;
    } else {
        if (skip_char(r, 'J')) t.form = 'J';
        if (!read_number(&t.day, r, 365) || (t.form == 'J' && t.day == 0)) return false;
    }
    if (skip_char(r, '/') && !read_clock(&t.after_s, r)) return false;
    *ret = t;
    return true;
}

/* Local seconds of a turn in a year. */
static bool turn_at(int64_t *ret_s, const struct turn *t, int64_t year)
{
    int64_t day, next;
    if (!calendar_day_number(&day, year, t->form == 'M' ? t->month : 1, 1)) return false;
    if (t->form == 'M') {
        const bool last_month = t->month == 12;
        if (last_month)
            next = day + 31;
        else if (!calendar_day_number(&next, year, t->month + 1, 1))
            return false;
        const int64_t weekday = (day + 4) % 7; /* 1970-01-01 was a Thursday */
        day += (t->day - weekday + 7) % 7 + (t->week - 1) * 7;
        if (day >= next) day -= 7;
    } else {
        int64_t ignored;
        const bool leap = calendar_day_number(&ignored, year, 2, 29);
        day += t->form == 'J' ? t->day - 1 + (leap && t->day >= 60 ? 1 : 0) : t->day;
    }
    *ret_s = day * DAY_S + t->after_s;
    return true;
}

static bool pick_offset(
    int64_t *ret_s, const int64_t offset_s[2], const struct turn turn[2], int64_t at_s)
{
    struct calendar c;
    if (at_s > INT64_MAX / 1000 - DAY_S * 2 || at_s < -DAY_S * 2) return false;
    if (!calendar_from_civil(&c, (struct civil){ (at_s + offset_s[0]) * 1000 })) return false;
    int64_t begin_s, end_s;
    if (!turn_at(&begin_s, &turn[0], c.year) || !turn_at(&end_s, &turn[1], c.year)) return false;
    begin_s -= offset_s[0]; /* it begins by the clock of standard time */
    end_s -= offset_s[1];   /* and ends by that of daylight saving */
    const bool saving =
        begin_s < end_s ? at_s >= begin_s && at_s < end_s : !(at_s >= end_s && at_s < begin_s);
    *ret_s = offset_s[saving ? 1 : 0];
    return true;
}

bool zone_rule_offset(int64_t *ret_s, const char *rule, size_t length, int64_t at_s)
{
    if (length > RULE_MAX) return false;
    struct rest r = { rule, rule + length };
    int64_t offset_s[2]; /* standard time, daylight saving */
    if (!skip_name(&r) || !read_clock(&offset_s[0], &r)) return false;
    offset_s[0] = -offset_s[0]; /* POSIX counts westward */
    if (offset_s[0] < -ZONE_OFFSET_MOST_S || offset_s[0] > ZONE_OFFSET_MOST_S) return false;
    if (r.p == r.end) {
        *ret_s = offset_s[0];
        return true;
    }
    if (!skip_name(&r)) return false;
    offset_s[1] = offset_s[0] + 3600;
    if (r.p < r.end && *r.p != ',') {
        if (!read_clock(&offset_s[1], &r)) return false;
        offset_s[1] = -offset_s[1];
    }
    if (offset_s[1] < -ZONE_OFFSET_MOST_S || offset_s[1] > ZONE_OFFSET_MOST_S) return false;
    struct turn turn[2];
    if (!read_turn(&turn[0], &r) || !read_turn(&turn[1], &r) || r.p != r.end) return false;
    return pick_offset(ret_s, offset_s, turn, at_s);
}
