/* Doses as marks, with their sums by stock and day; alerts as episodes. */
#include <stdlib.h>
#include <string.h>

#include "daemon/report/report_inside.h"

enum { FIRST_SHIFT = 15, SHIFT_MOST = 44 }; /* 2^15 ms: half a minute */

int report_stock_of(struct report_tank *tank, const char *key)
{
    char clean[REPORT_KEY_LONGEST];
    report_clean(clean, sizeof clean, key[0] ? key : "?");
    for (uint32_t i = 0; i < tank->stocks; i++) {
        if (text_same(tank->stock[i].key, clean)) return (int)i;
    }
    if (tank->stocks >= REPORT_STOCKS_MAX) return -1;
    struct report_stock *s = &tank->stock[tank->stocks];
    *s = (struct report_stock){ 0 };
    text_copy(s->key, sizeof s->key, clean);
    return (int)tank->stocks++;
}

/* --- marks ------------------------------------------------------------------------------------ */

static bool same_place(const struct report_mark *a, const struct report_mark *b, unsigned shift)
{
    return a->stock == b->stock && a->by_hand == b->by_hand &&
           a->from_ms >> shift == b->from_ms >> shift;
}

static void join_marks(struct report_mark *to, const struct report_mark *from)
{
    if (from->from_ms < to->from_ms) to->from_ms = from->from_ms;
    if (from->to_ms >= to->to_ms) {
        to->to_ms = from->to_ms;
        to->has_ec = from->has_ec;
        to->has_ph = from->has_ph;
        to->ec_us_cm = from->ec_us_cm;
        to->ph = from->ph;
    }
    to->ul += from->ul;
    to->asked_ul += from->asked_ul;
    to->doses += from->doses;
    to->failed += from->failed;
    to->unsure += from->unsure;
}

static int64_t sign(int64_t difference)
{
    return (difference > 0) - (difference < 0);
}

/* By stock, then time: those that may become one stand together. */
static int by_stock(const void *a, const void *b)
{
    const struct report_mark *x = a, *y = b;
    if (x->stock != y->stock) return (int)sign((int64_t)x->stock - y->stock);
    if (x->by_hand != y->by_hand) return x->by_hand ? 1 : -1;
    return (int)sign(x->from_ms - y->from_ms);
}

static int by_time(const void *a, const void *b)
{
    const struct report_mark *x = a, *y = b;
    if (x->from_ms != y->from_ms) return (int)sign(x->from_ms - y->from_ms);
    return by_stock(a, b);
}

static void thin_marks(struct report_tank *t)
{
    static const uint32_t enough = REPORT_MARKS_MAX * 3 / 4;
    qsort(t->mark, t->marks, sizeof *t->mark, by_stock);
    while (t->marks > enough && t->mark_shift < SHIFT_MOST) {
        t->mark_shift = t->mark_shift ? t->mark_shift + 1 : FIRST_SHIFT;
        uint32_t kept = 0;
        for (uint32_t i = 1; i < t->marks; i++) {
            if (same_place(&t->mark[kept], &t->mark[i], t->mark_shift))
                join_marks(&t->mark[kept], &t->mark[i]);
            else
                t->mark[++kept] = t->mark[i];
        }
        t->marks = kept + 1;
    }
    qsort(t->mark, t->marks, sizeof *t->mark, by_time);
}

/* Once marks are joined, a new one goes to its like among the newest. */
static struct report_mark *mark_like(struct report_tank *t, const struct report_mark *one)
{
    static const uint32_t look_back = 2 * REPORT_STOCKS_MAX;
    if (t->mark_shift == 0) return NULL;
    for (uint32_t i = 0; i < t->marks && i < look_back; i++) {
        struct report_mark *m = &t->mark[t->marks - 1 - i];
        if (same_place(m, one, t->mark_shift)) return m;
    }
    return NULL;
}

static bool add_mark(struct report_tank *t, const struct report_mark *one)
{
    if (t->marks >= REPORT_MARKS_MAX) thin_marks(t);
    struct report_mark *like = mark_like(t, one);
    if (like) {
        join_marks(like, one);
        return true;
    }
    struct report_mark *grown =
        report_grow(t->mark, t->marks, &t->marks_room, sizeof *t->mark, REPORT_MARKS_MAX);
    if (!grown) return false;
    t->mark = grown;
    t->mark[t->marks++] = *one;
    return true;
}

/* --- days ------------------------------------------------------------------------------------- */

/* The sums of a stock on a day; when all places are taken, those of the undated ones. */
static struct report_day *day_of(struct report_tank *t, int64_t at_ms, uint8_t stock)
{
    const int64_t day = report_is_dated(at_ms) ? at_ms / DAY_MS : REPORT_UNDATED;
    for (uint32_t i = t->days; i > 0; i--) {
        struct report_day *d = &t->day[i - 1];
        if (d->day == day && d->stock == stock) return d;
    }
    struct report_day *grown =
        report_grow(t->day, t->days, &t->days_room, sizeof *t->day, REPORT_DAYS_MAX);
    if (!grown) return NULL;
    t->day = grown;
    struct report_day *d = &t->day[t->days++];
    *d = (struct report_day){ .day = day, .stock = stock };
    return d;
}

bool report_dose_add(struct report_tank *tank, const struct report_dose *dose)
{
    struct report_stock *s = &tank->stock[dose->stock];
    struct report_day *d = day_of(tank, dose->at_ms, dose->stock);
    if (!d) return false;
    d->ul += dose->ul;
    s->ul += dose->ul;
    if (dose->by_hand) {
        s->hand_ul += dose->ul;
    } else {
        d->doses++;
        s->doses++;
    }
    if (!report_is_dated(dose->at_ms)) return true;
    const struct report_mark one = { .from_ms = dose->at_ms,
        .to_ms = dose->at_ms,
        .ul = dose->ul,
        .asked_ul = dose->ul,
        .doses = 1,
        .stock = dose->stock,
        .by_hand = dose->by_hand,
        .has_ec = dose->has_ec,
        .has_ph = dose->has_ph,
        .ec_us_cm = dose->ec_us_cm,
        .ph = dose->ph };
    return add_mark(tank, &one);
}

void report_dose_end(struct report_tank *tank, const struct report_end *end)
{
    struct report_stock *s = &tank->stock[end->stock];
    struct report_day *d = day_of(tank, end->at_ms, end->stock); /* it is there */
    if (d) d->ul += end->ul - end->asked_ul;
    s->ul += end->ul - end->asked_ul;
    if (end->ul == 0) s->failed++;
    for (uint32_t i = tank->marks; i > 0; i--) {
        struct report_mark *m = &tank->mark[i - 1];
        if (m->by_hand || m->stock != end->stock) continue;
        if (end->at_ms < m->from_ms || end->at_ms > m->to_ms) continue;
        if (m->ul + end->ul < end->asked_ul) continue; /* another one at the same time */
        m->ul += end->ul - end->asked_ul;
        if (end->ul == 0) m->failed++;
        if (end->unsure) m->unsure++;
        return;
    }
}

/* --- alerts ----------------------------------------------------------------------------------- */

static struct report_alert *newest_of(struct report_alerts *alerts, const char *id)
{
    for (uint32_t i = alerts->count; i > 0; i--) {
        if (text_same(alerts->item[i - 1].id, id)) return &alerts->item[i - 1];
    }
    return NULL;
}

bool report_alert_on(struct report_alerts *alerts, const char *id, const char *text, int64_t at_ms)
{
    char clean[REPORT_ID_LONGEST];
    report_clean(clean, sizeof clean, id);
    struct report_alert *a = newest_of(alerts, clean);
    if (a && a->stands) return true;
    if (alerts->count < REPORT_ALERTS_MAX) {
        struct report_alert *grown = report_grow(
            alerts->item, alerts->count, &alerts->room, sizeof *alerts->item, REPORT_ALERTS_MAX);
        if (!grown) return false;
        alerts->item = grown;
        a = &alerts->item[alerts->count++];
        *a = (struct report_alert){ .from_ms = at_ms };
        text_copy(a->id, sizeof a->id, clean);
    }
    if (!a) {
        alerts->more++;
        return true;
    }
    report_clean(a->text, sizeof a->text, text);
    a->to_ms = at_ms;
    a->stands = true;
    a->times++;
    return true;
}

static void end_alert(struct report_alert *a, int64_t at_ms)
{
    a->stands = false;
    if (at_ms > a->to_ms) a->to_ms = at_ms;
}

void report_alert_off(struct report_alerts *alerts, const char *id, int64_t at_ms)
{
    char clean[REPORT_ID_LONGEST];
    report_clean(clean, sizeof clean, id);
    struct report_alert *a = newest_of(alerts, clean);
    if (a && a->stands) end_alert(a, at_ms);
}

void report_alert_restart(struct report_alerts *alerts, int64_t at_ms)
{
    for (uint32_t i = 0; i < alerts->count; i++) {
        if (alerts->item[i].stands) end_alert(&alerts->item[i], at_ms);
    }
}

void report_alert_forget(struct report_alerts *alerts, int64_t before_ms)
{
    uint32_t kept = 0;
    for (uint32_t i = 0; i < alerts->count; i++) {
        const struct report_alert *a = &alerts->item[i];
        if (a->stands || a->to_ms >= before_ms) alerts->item[kept++] = *a;
    }
    alerts->count = kept;
}
