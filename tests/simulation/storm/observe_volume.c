/* I1: what the pumps really moved within any hour and any day. Volume is time run by calibration,
 * spread evenly over the run. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

/* A pump is taken to be so near its calibration. */
#define NEAR_MOST 1.15

static const int64_t hour_ms = 3600000, day_ms = 24 * 3600000;

void observe_volume_free(struct observer *o)
{
    for (int p = 0; p < OBSERVE_PUMPS; p++) {
        free(o->pump[p].moved);
    }
}

static struct moved *add_moved(struct pump_watch *w)
{
    if (w->count == w->room) {
        w->room = w->room ? 2 * w->room : 64;
        w->moved = realloc(w->moved, w->room * sizeof *w->moved);
        if (!w->moved) abort();
    }
    struct moved *m = &w->moved[w->count++];
    memset(m, 0, sizeof *m);
    for (int s = 0; s < OBSERVE_SIDES; s++) {
        m->heard_ms[s] = INT64_MAX;
    }
    return m;
}

/* The part of it within (from, to]. */
static double part_within(const struct moved *m, double ul, int64_t from_ms, int64_t to_ms)
{
    if (m->to_ms <= from_ms || m->from_ms >= to_ms) return 0.0;
    if (m->from_ms >= from_ms && m->to_ms <= to_ms) return ul;
    const int64_t a = m->from_ms > from_ms ? m->from_ms : from_ms;
    const int64_t b = m->to_ms < to_ms ? m->to_ms : to_ms;
    return ul * (double)(b - a) / (double)(m->to_ms - m->from_ms);
}

/* A daemon that began for the first time after the head was exchanged can't know what another one
 * did through the old one. */
bool observe_unknowable(const struct observer *o, int32_t pump, int64_t ended_ms, uint32_t side)
{
    return ended_ms <= o->pump[pump].replaced_ms && ended_ms < o->first_ms[side];
}

/* Hands count once the commanding side has heard of them, long enough before it sent. */
static bool counts(const struct moved *m, const struct known_command *c)
{
    return !m->by_hand || m->heard_ms[c->side] <= c->left_ms - TELL_MS;
}

struct window {
    int64_t span_ms, limit_ul;
    const char *name;
};

static void judge_at(struct observer *o, const struct pump_watch *w, const struct known_command *c,
    const struct window *window, int64_t at_ms)
{
    double sum_ul = 0.0, true_ul = 0.0;
    size_t entries = 0;
    for (size_t i = w->count; i-- > w->oldest;) {
        const struct moved *m = &w->moved[i];
        if (m->to_ms <= at_ms - window->span_ms) break;
        if (!counts(m, c)) continue;
        if (observe_unknowable(o, (int32_t)(w - o->pump), m->to_ms, c->side)) continue;
        const double ul = m->by_hand ? m->hand_ul[c->side] : m->ul;
        sum_ul += part_within(m, ul, at_ms - window->span_ms, at_ms);
        true_ul += part_within(m, m->true_ul, at_ms - window->span_ms, at_ms);
        entries++;
    }
    const double limit_ul = (double)window->limit_ul, slack_ul = 2.0 * (double)entries;
    if (true_ul > NEAR_MOST * limit_ul + slack_ul)
        observe_say(o, "I1", at_ms, "%.0f uL came out of pump %td in %s; %.0f are allowed (%s)",
            true_ul, w - o->pump, window->name, limit_ul, c->id);
    if (sum_ul <= limit_ul + slack_ul) return;
    observe_say(o, "I1", at_ms, "pump %td moved %.0f uL in %s; %lld are allowed (command %s)",
        w - o->pump, sum_ul, window->name, (long long)window->limit_ul, c->id);
}

/* The sum is greatest at the end of a run, or where a window begins with an older run. */
static void judge_window(struct observer *o, const struct pump_watch *w,
    const struct known_command *c, const struct window *window)
{
    const struct moved *last = &w->moved[w->count - 1];
    judge_at(o, w, c, window, last->to_ms);
    for (size_t i = w->count - 1; i-- > w->oldest;) {
        const int64_t at_ms = w->moved[i].from_ms + window->span_ms;
        if (at_ms <= last->from_ms) break;
        if (at_ms < last->to_ms) judge_at(o, w, c, window, at_ms);
    }
}

static void judge(struct observer *o, struct pump_watch *w, const struct known_command *c)
{
    const int64_t now_ms = w->moved[w->count - 1].to_ms;
    while (w->moved[w->oldest].to_ms < now_ms - 2 * day_ms) {
        w->oldest++;
    }
    judge_window(o, w, c, &(struct window){ hour_ms, c->hour_ul, "an hour" });
    judge_window(o, w, c, &(struct window){ day_ms, c->day_ul, "a day" });
}

/* A command's run counts as its daemon had the pump calibrated, one by hand as each side has. */
static void weigh(struct observer *o, int32_t pump, struct moved *m, const struct known_command *c)
{
    const double ms = (double)(m->to_ms - m->from_ms);
    m->ul = ms * (c ? c->ul_per_ms : observe_pump_rule(o->site, pump)->ul_per_ms);
    for (uint32_t s = 0; s < OBSERVE_SIDES; s++) {
        m->hand_ul[s] = ms * observe_rate_least(o, s, pump);
    }
    const double poured_ul = o->pump[pump].poured_ul;
    const bool near = fabs(poured_ul - m->ul) <= (NEAR_MOST - 1.0) * m->ul;
    m->true_ul = near || poured_ul < m->ul ? poured_ul : m->ul;
    o->pump[pump].poured_ul = 0.0;
}

void observe_poured(struct observer *o, uint32_t pump, double ul)
{
    o->pump[pump].poured_ul += ul;
}

/* What ran since the last note becomes an entry. */
static void note(struct observer *o, int32_t pump, int64_t at_ms)
{
    struct pump_watch *w = &o->pump[pump];
    if (at_ms == w->since_ms) return;
    struct moved *m = add_moved(w);
    m->from_ms = w->since_ms - w->late_ms; /* it counts when it was asked for */
    m->to_ms = at_ms - w->late_ms;
    m->by_hand = w->by_hand;
    if (w->by_hand) w->hand_ms += at_ms - w->since_ms;
    m->hand_total_ms = w->hand_ms;
    m->heads = w->heads;
    const struct known_command *c = w->by_hand ? NULL : observe_command_named(o, w->id);
    weigh(o, pump, m, c && c->pump == pump ? c : NULL);
    const bool to_plants = !c || c->where == ASKED_NOT || c->where == ASKED_DOSE;
    if (to_plants) observe_effect_moved(o, pump, m->ul, w->by_hand, at_ms);
    w->since_ms = at_ms;
}

void observe_volume_begins(
    struct observer *o, int32_t pump, const struct fact_run *run, int64_t at_ms)
{
    struct pump_watch *w = &o->pump[pump];
    w->runs = true;
    w->by_hand = run->by_hand;
    w->late = run->late;
    w->since_ms = at_ms;
    w->poured_ul = 0.0;
    const struct known_command *c = run->late ? observe_command_named(o, run->id) : NULL;
    w->late_ms = c ? at_ms - c->left_ms : 0;
    (void)snprintf(w->id, sizeof w->id, "%s", run->id);
}

void observe_volume_ends(
    struct observer *o, int32_t pump, const struct fact_run *run, int64_t at_ms)
{
    struct pump_watch *w = &o->pump[pump];
    const size_t before = w->count;
    note(o, pump, at_ms);
    w->runs = false;
    const struct known_command *c = run->by_hand ? NULL : observe_command_named(o, run->id);
    if (c && observe_pump_rule(o->site, pump)->board.there)
        observe_board_ends(o, pump, run->id, w->count > before ? w->moved[w->count - 1].ul : 0.0);
    if (c && c->measures && w->count > before)
        observe_rate_runs(
            o, c->side, pump, w->moved[w->count - 1].to_ms - w->moved[w->count - 1].from_ms);
    if (c && w->count > before) judge(o, w, c);
}

void observe_hand_published(
    struct observer *o, const char *serial, uint32_t channel, int64_t total_ms, int64_t at_ms)
{
    (void)total_ms;
    const int32_t pump = observe_pump_at(o->site, serial, channel);
    if (pump >= 0 && o->pump[pump].runs && o->pump[pump].by_hand) note(o, pump, at_ms);
}

/* What nobody heard of until now is told by nobody any more: the new one counts from 0. */
void observe_volume_head_replaced(struct observer *o, const char *serial, int64_t at_ms)
{
    for (uint32_t channel = 1; channel <= OBSERVE_SLOTS; channel++) {
        const int32_t pump = observe_pump_at(o->site, serial, channel);
        if (pump < 0) continue;
        o->pump[pump].heads++;
        o->pump[pump].replaced_ms = at_ms;
        o->pump[pump].hand_ms = 0;
    }
}

void observe_hand_heard(struct observer *o, uint32_t side, const char *serial, uint32_t channel,
    int64_t total_ms, int64_t at_ms)
{
    const int32_t pump = observe_pump_at(o->site, serial, channel);
    if (pump < 0) return;
    struct pump_watch *w = &o->pump[pump];
    for (size_t i = w->count; i-- > w->oldest;) {
        struct moved *m = &w->moved[i];
        if (m->heads != w->heads) return;
        if (!m->by_hand || m->hand_total_ms > total_ms) continue;
        if (m->heard_ms[side] != INT64_MAX) return;
        m->heard_ms[side] = at_ms;
        const double ul = (double)(m->to_ms - m->from_ms) * observe_rate_least(o, side, pump);
        if (ul < m->hand_ul[side]) m->hand_ul[side] = ul;
    }
}
