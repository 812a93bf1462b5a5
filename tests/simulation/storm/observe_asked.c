/* What people asked for by hand, and what they hold back. I2: what was asked for once, under one
 * id, is dosed at most once; while a tank is on the bench or paused nothing else is dosed there,
 * and under a service lock nothing moves. I3: a tube that hangs in a cup needs standing water. */
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

enum { LATELY_MS = 1800000 + START_MS };

static struct asked *find(struct asked_by_side *a, const char *id)
{
    for (uint32_t i = 0; i < a->count; i++) {
        if (strcmp(a->asked[i].id, id) == 0) return &a->asked[i];
    }
    return NULL;
}

void observe_asked(struct observer *o, uint32_t side, const struct fact_asked *fact, int64_t at_ms)
{
    struct asked_by_side *a = &o->asked[side];
    struct asked *same = fact->id[0] ? find(a, fact->id) : NULL;
    if (same && !same->taken) same->at_ms = at_ms; /* refused, and perhaps forgotten since */
    if (same) return;
    if (a->count == ASKED_MOST) {
        memmove(a->asked, a->asked + ASKED_MOST / 2, sizeof a->asked / 2);
        a->count = ASKED_MOST / 2;
    }
    struct asked *n = &a->asked[a->count++];
    *n = (struct asked){ .pump = (int32_t)(fact->tank * OBSERVE_SLOTS + fact->slot),
        .ul = fact->ul,
        .where = fact->where,
        .measures = fact->measures,
        .at_ms = at_ms };
    (void)strncpy(n->id, fact->id, sizeof n->id - 1);
}

void observe_hold(
    struct observer *o, uint32_t side, uint32_t tank, enum hold hold, bool on, int64_t at_ms)
{
    struct held *h = &o->held[side][tank][hold];
    if (hold == HOLD_BENCH) observe_disturbed(o, tank);
    if (hold == HOLD_BENCH && !on) observe_probes_anew(o, side, tank, h->on, at_ms);
    if (on && h->on) return;
    const bool ended = !on && (h->on || h->unsure || (h->ended && !h->kept)); /* said twice */
    *h = (struct held){ .on = on, .ended = ended, .since_ms = at_ms };
}

void observe_asked_kept(struct observer *o, uint32_t side)
{
    for (int t = 0; t < OBSERVE_TANKS; t++) {
        for (int h = 0; h < HOLDS; h++) {
            o->held[side][t][h].kept = true;
        }
    }
}

/* What no disk had yet is forgotten with the life; on one that somebody damaged anything may be. */
void observe_asked_dies(struct observer *o, uint32_t side)
{
    for (int t = 0; t < OBSERVE_TANKS; t++) {
        for (int h = 0; h < HOLDS; h++) {
            struct held *held = &o->held[side][t][h];
            if (held->kept && !o->disk[side].hurt) continue;
            held->unsure |= held->on || held->ended;
            held->on = false;
        }
    }
}

static bool holds(const struct observer *o, const struct known_command *c, int tank, enum hold hold,
    int64_t at_ms)
{
    const struct held *h = &o->held[c->side][tank][hold];
    return h->on && at_ms - h->since_ms > START_MS;
}

/* Whatever wasn't taken on lately was refused; into a cup it is only while the tank is on the
 * bench.
 */
static bool may_come(const struct asked *n, const struct held *bench, int64_t at_ms)
{
    if (n->taken || at_ms - n->at_ms > LATELY_MS) return false;
    return n->where != ASKED_CUP || bench->on || bench->unsure;
}

/* The newest that asked for just this and had nothing yet. */
static struct asked *match(struct observer *o, const struct known_command *c, int64_t at_ms)
{
    const struct held *bench = &o->held[c->side][c->pump / OBSERVE_SLOTS][HOLD_BENCH];
    struct asked_by_side *a = &o->asked[c->side];
    for (uint32_t i = a->count; i-- > 0;) {
        struct asked *n = &a->asked[i];
        if (may_come(n, bench, at_ms) && n->pump == c->pump &&
            observe_rate_gives(o, c->side, c->pump, c->run_ms, n->ul))
            return n;
    }
    return NULL;
}

static void need_still_water(
    struct observer *o, const struct known_command *c, int tank, int64_t at_ms)
{
    const struct flow_heard *f = &o->side[c->side].flow[tank];
    if (!f->id[0] || f->stale || f->till_ms - at_ms <= START_MS || at_ms >= f->ends_ms) return;
    observe_say(o, "I3", at_ms,
        "dose %s leaves for a cup although the circulation of tank %d runs (%s, for %lld ms more)",
        c->id, tank, f->id, (long long)(f->till_ms - at_ms));
}

void observe_asked_of_dose(struct observer *o, struct known_command *c, int64_t at_ms)
{
    const int tank = c->pump / OBSERVE_SLOTS;
    struct asked *a = match(o, c, at_ms);
    if (a) {
        a->taken = true;
        c->where = a->where;
        c->measures = a->measures;
        if (a->measures) observe_rate_runs(o, c->side, c->pump, 0);
        if (a->where == ASKED_CUP) need_still_water(o, c, tank, at_ms);
        return;
    }
    if (holds(o, c, tank, HOLD_BENCH, at_ms))
        observe_say(o, "I2", at_ms,
            "dose %s (pump %d, %lld ms at %.4f uL/ms) leaves for tank %d, which is on the bench, "
            "and "
            "nobody asked for it (again)",
            c->id, c->pump, (long long)c->run_ms, observe_rate_least(o, c->side, c->pump), tank);
    if (holds(o, c, tank, HOLD_PAUSE, at_ms))
        observe_say(o, "I2", at_ms,
            "dose %s leaves for tank %d, which is paused, and nobody asked for it (again)", c->id,
            tank);
}

void observe_asked_of_move(struct observer *o, const struct known_command *c, int64_t at_ms)
{
    const int tank = c->flow >= 0 ? c->flow : c->pump / OBSERVE_SLOTS;
    if ((c->flow < 0 && c->pump < 0) || !holds(o, c, tank, HOLD_SERVICE, at_ms)) return;
    observe_say(
        o, "I3", at_ms, "command %s moves tank %d, which is locked for service", c->id, tank);
}
