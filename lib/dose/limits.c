#include "lib/dose/limits.h"

#include "lib/base/invariant.h"

static int64_t smaller(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

/* One budget: what it leaves, and when it would leave enough. */
struct budget {
    enum dose_verdict verdict;
    int64_t free_ul;
    struct mono retry;
};

enum { BUDGETS = 4 };

/* Keeps the strictest. Of two that leave the same it is the one that holds for longer. */
static void narrow(struct dose_allowance *a, const struct budget *budget)
{
    const bool later = budget->retry.ms > a->retry.ms;
    if (budget->free_ul < a->most_ul ||
        (budget->free_ul == a->most_ul && a->because != DOSE_GRANTED && later)) {
        a->most_ul = budget->free_ul;
        a->because = budget->verdict;
    }
    if (later) a->retry = budget->retry;
}

/* Of a window that must leave 'full_ul' for each dose: that, or nothing. */
static int64_t whole(int64_t free_ul, int64_t full_ul)
{
    if (full_ul == 0) return free_ul;
    return free_ul >= full_ul ? full_ul : 0;
}

struct dose_allowance limits_of_stock(const struct dose_question *question)
{
    const struct stock_limits *l = question->limits;
    const struct dose_window *w = question->window;
    const int64_t wanted_ul = question->wanted_ul;
    const struct mono now = question->now;

    const int64_t full_ul = question->full_ul;
    const int64_t hour_ul = whole(window_free(w, HOUR_MS, l->hour_ul, now), full_ul);
    const int64_t day_ul = whole(window_free(w, DAY_MS, l->day_ul, now), full_ul);
    const int64_t room_ul = window_has_room(w, now) ? wanted_ul : 0;
    const int64_t most_ul =
        smaller(smaller(wanted_ul, l->dose_ul), smaller(room_ul, smaller(hour_ul, day_ul)));

    /* Part of it can go now: ask again for the whole. Nothing can: ask again for the smallest. */
    const bool part = most_ul >= l->smallest_ul;
    const int64_t goal_ul = part ? smaller(wanted_ul, l->dose_ul) : l->smallest_ul;
    const int64_t fits_ul = full_ul > goal_ul ? full_ul : goal_ul;
    const struct mono never = { INT64_MAX };
    const struct budget budget[BUDGETS] = {
        { DOSE_OVER_DOSE, l->dose_ul, goal_ul > l->dose_ul ? never : now },
        { DOSE_OVER_HOUR, hour_ul, window_fits_at(w, HOUR_MS, l->hour_ul, fits_ul, now) },
        { DOSE_OVER_DAY, day_ul, window_fits_at(w, DAY_MS, l->day_ul, fits_ul, now) },
        { DOSE_TOO_MANY, room_ul, window_room_at(w, now) },
    };
    struct dose_allowance a = { .most_ul = wanted_ul, .because = DOSE_GRANTED, .retry = now };
    for (uint32_t i = 0; i < BUDGETS; i++) {
        narrow(&a, &budget[i]);
    }
    if (wanted_ul < l->smallest_ul) a.because = DOSE_TOO_SMALL;
    if (!part) a.most_ul = 0;
    INVARIANT(a.most_ul == 0 || (a.most_ul <= wanted_ul && a.most_ul <= l->dose_ul));
    INVARIANT(a.most_ul <= hour_ul && a.most_ul <= day_ul);
    return a;
}

const char *dose_verdict_phrase(enum dose_verdict verdict)
{
    switch (verdict) {
    case DOSE_GRANTED:
        return "no limit";
    case DOSE_OVER_DOSE:
        return "its limit for one dose";
    case DOSE_OVER_HOUR:
        return "its hourly limit";
    case DOSE_OVER_DAY:
        return "its daily limit";
    case DOSE_OVER_EC_RISE:
        return "the tank's limit on how far EC may rise in an hour";
    case DOSE_OVER_PH_MOVE:
        return "the tank's limit on how far pH may move in an hour";
    case DOSE_OVER_RUN:
        return "the longest run that its chain head allows";
    case DOSE_TOO_SMALL:
        return "its smallest dose";
    case DOSE_TOO_MANY:
        return "the number of doses that can be remembered";
    case DOSE_VERDICT_COUNT:
        break;
    }
    return "?";
}
