#include "lib/chain/plain_watch.h"

#include <string.h>

static int64_t later(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

void plain_watch_init(struct plain_watch *w, bool reports, int64_t now_ms)
{
    memset(w, 0, sizeof *w);
    w->reports = reports;
    w->since_ms = w->turned_ms = w->off_due_ms = now_ms;
    w->offs_left = PLAIN_OFF_TIMES;
}

void plain_watch_begin(struct plain_watch *w, int64_t now_ms)
{
    /* On, it says, and was told to be off since, or its run has ended: it is to say so anew. */
    const bool stale = w->off_told || (!w->commanded && w->turned_ms <= w->since_ms);
    w->commanded = true;
    w->since_ms = now_ms;
    w->off_told = false;
    w->off_due_ms = PLAIN_NEVER_MS;
    if (!w->reports || (w->on && !stale) || w->awaited) return;
    w->awaited = true;
    w->awaited_ms = now_ms;
}

void plain_watch_end(struct plain_watch *w, bool soon, int64_t now_ms)
{
    if (w->commanded) w->since_ms = now_ms;
    w->commanded = false;
    w->offs_left = PLAIN_OFF_TIMES;
    w->off_due_ms = soon ? now_ms + PLAIN_TIMED_SLACK_MS : now_ms;
}

void plain_watch_lost(struct plain_watch *w, int64_t now_ms)
{
    plain_watch_end(w, false, now_ms);
    w->heard = w->on = w->awaited = w->off_told = w->stays_on = false;
}

void plain_watch_hear(struct plain_watch *w, bool on, int64_t now_ms)
{
    const bool first = !w->heard;
    w->heard = true;
    if (on) w->awaited = false;
    if (on == w->on) return;
    w->on = on;
    w->turned_ms = now_ms;
    if (!on) {
        w->off_told = w->stays_on = false;
        return;
    }
    w->off_told = false;
    /* On when it is first heard: it may not have heard us, either. */
    if (first && !w->commanded) w->off_due_ms = now_ms;
}

/* --- off -------------------------------------------------------------------------------------- */

bool plain_watch_off_due(const struct plain_watch *w, int64_t now_ms)
{
    return w->off_due_ms <= now_ms;
}

void plain_watch_told_off(struct plain_watch *w, bool sent, int64_t now_ms)
{
    if (!sent) {
        w->off_due_ms = now_ms + PLAIN_OFF_AGAIN_MS;
        return;
    }
    if (!w->off_told) w->off_told_ms = now_ms;
    w->off_told = w->off_told || w->on;
    if (w->offs_left > 0) w->offs_left--;
    if (w->offs_left > 0)
        w->off_due_ms = now_ms + PLAIN_OFF_AGAIN_MS;
    else
        w->off_due_ms = w->on ? now_ms + PLAIN_OFF_STUCK_MS : PLAIN_NEVER_MS;
}

/* --- what it reports -------------------------------------------------------------------------- */

/* PLAIN_NEVER_MS: not by time alone. */
static int64_t ignores_ms(const struct plain_watch *w)
{
    return w->awaited && !w->ignored ? w->awaited_ms + PLAIN_ANSWER_MS : PLAIN_NEVER_MS;
}

static int64_t stays_ms(const struct plain_watch *w)
{
    if (w->commanded || !w->on || !w->off_told || w->stays_on) return PLAIN_NEVER_MS;
    return later(w->off_told_ms, w->since_ms) + PLAIN_STAYS_MS;
}

static int64_t lacks_ms(const struct plain_watch *w)
{
    if (!w->reports || !w->commanded || (w->on && !w->awaited)) return PLAIN_NEVER_MS;
    if (w->awaited) return later(w->awaited_ms, w->since_ms) + PLAIN_ANSWER_MS;
    return later(w->turned_ms, w->since_ms) + PLAIN_LOST_MS;
}

static int64_t by_hand_ms(const struct plain_watch *w)
{
    if (w->commanded || !w->on) return PLAIN_NEVER_MS;
    return later(w->turned_ms, w->since_ms) + PLAIN_LATE_MS;
}

enum plain_finding plain_watch_find(struct plain_watch *w, int64_t now_ms)
{
    if (stays_ms(w) <= now_ms) {
        w->stays_on = true;
        return PLAIN_STAYS_ON;
    }
    if (ignores_ms(w) <= now_ms) {
        w->ignored = true;
        return PLAIN_IGNORES;
    }
    if (w->ignored && !w->awaited) {
        w->ignored = false;
        return PLAIN_WORKS;
    }
    return PLAIN_NOTHING_NEW;
}

bool plain_watch_lacks(const struct plain_watch *w, int64_t now_ms)
{
    return lacks_ms(w) <= now_ms;
}

bool plain_watch_by_hand(const struct plain_watch *w, int64_t now_ms, int64_t *ret_since_ms)
{
    if (by_hand_ms(w) > now_ms) return false;
    *ret_since_ms = later(w->turned_ms, w->since_ms);
    return true;
}

static int64_t still_to_come(int64_t at_ms, int64_t now_ms)
{
    return at_ms > now_ms ? at_ms : PLAIN_NEVER_MS;
}

int64_t plain_watch_due_ms(const struct plain_watch *w, int64_t now_ms)
{
    const int64_t found_ms = sooner(ignores_ms(w), stays_ms(w));
    const int64_t ran_ms =
        sooner(still_to_come(lacks_ms(w), now_ms), still_to_come(by_hand_ms(w), now_ms));
    return sooner(w->off_due_ms, sooner(found_ms, ran_ms));
}
