/* I10, I11 and, for probes, I12: what must be there when a command leaves. */
#include <math.h>
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

enum {
    GONE_MS = 15000, /* what is gone for so long is missed */
    READINGS = 3,    /* that agree in being wrong, or that don't agree at all */
    BEATS = 3,       /* without one a head is gone */
};

static const int64_t long_ago = INT64_MIN / 2;

void observe_need_born(struct observer *o, uint32_t side, int64_t at_ms)
{
    struct side_watch *s = &o->side[side];
    s->disk_ms = INT64_MAX;
    s->linked_ms = at_ms;
    for (int c = 0; c < OBSERVE_CHAINS; c++) {
        s->chain[c].beat_ms = s->chain[c].ready_ms = s->chain[c].claim_ms = long_ago;
    }
    memset(o->last[side], 0, sizeof o->last[side]);
}

/* With the connection goes all that was heard over it. */
void observe_link(struct observer *o, uint32_t side, int64_t at_ms)
{
    struct side_watch *s = &o->side[side];
    s->linked_ms = at_ms;
    observe_board_link(o, side);
    for (int c = 0; c < OBSERVE_CHAINS; c++) {
        struct chain_heard *h = &s->chain[c];
        h->has_claim = h->ready = false;
        h->beat_ms = long_ago;
        h->claim_ms = h->ready_ms = at_ms;
    }
}

void observe_beat_heard(struct observer *o, uint32_t side, uint32_t chain, int64_t at_ms)
{
    o->side[side].chain[chain].beat_ms = at_ms;
}

void observe_head_heard(
    struct observer *o, uint32_t side, uint32_t chain, bool ready, int64_t at_ms)
{
    struct chain_heard *h = &o->side[side].chain[chain];
    if (h->ready != ready) h->ready_ms = at_ms;
    h->ready = ready;
}

void observe_disk_fails(struct observer *o, uint32_t side, bool fails, int64_t at_ms)
{
    int64_t *since_ms = &o->side[side].disk_ms;
    if (!fails)
        *since_ms = INT64_MAX;
    else if (*since_ms == INT64_MAX)
        *since_ms = at_ms;
}

void observe_clock(struct observer *o, uint32_t side, bool set, int64_t ahead_ms, int64_t at_ms)
{
    struct side_watch *s = &o->side[side];
    if (set != s->clock_set || ahead_ms != s->ahead_ms) s->clock_ms = at_ms;
    s->clock_set = set;
    s->ahead_ms = ahead_ms;
}

/* --- probes ----------------------------------------------------------------------------------- */

void observe_need_reading(
    struct observer *o, uint32_t side, const struct fact_reading *r, int64_t at_ms)
{
    struct shown *s = &o->last[side][r->tank][r->probe];
    if (!r->usable) return;
    memmove(s->number + 1, s->number, (LAST_SHOWN - 1) * sizeof s->number[0]);
    memmove(s->at_ms + 1, s->at_ms, (LAST_SHOWN - 1) * sizeof s->at_ms[0]);
    s->number[0] = r->number;
    s->at_ms[0] = at_ms;
    if (s->count < LAST_SHOWN) s->count++;
}

/* The newest READINGS of those that had come in time; false when there aren't so many. What came
 * before a silence that is longer than a reading lives says nothing of what comes after it. */
static bool heard_in_time(
    const struct shown *s, int64_t before_ms, int64_t max_age_ms, double ret[READINGS])
{
    uint32_t n = 0;
    for (uint32_t i = 0; i < s->count && n < READINGS; i++) {
        if (i > 0 && s->at_ms[i - 1] - s->at_ms[i] > max_age_ms) return false;
        if (s->at_ms[i] <= before_ms) ret[n++] = s->number[i];
    }
    return n == READINGS;
}

static bool all_apart(const double v[READINGS], double most)
{
    return fabs(v[0] - v[1]) > most && fabs(v[1] - v[2]) > most && fabs(v[0] - v[2]) > most;
}

static bool all_below(const double v[READINGS], double least)
{
    return v[0] < least && v[1] < least && v[2] < least;
}

/* A probe that jumps about, or hangs dry, is no ground for a dose. */
static void need_sound_probes(struct observer *o, const struct known_command *c, int64_t at_ms)
{
    const int tank = c->pump / OBSERVE_SLOTS;
    const struct rule_tank *t = &o->rules[c->side]->tank[tank];
    double v[READINGS];
    for (int q = 0; q < OBSERVE_PROBES; q++) {
        if (!heard_in_time(&o->last[c->side][tank][q], at_ms - START_MS, t->max_age_ms[q], v))
            continue;
        if (t->jump_most[q] > 0.0 && all_apart(v, t->jump_most[q]))
            observe_say(o, "I12", at_ms,
                "dose %s leaves although probe %d of tank %d jumps: %.2f, %.2f, %.2f", c->id, q,
                tank, v[2], v[1], v[0]);
        if (q == 0 && all_below(v, t->least_ec_us_cm))
            observe_say(o, "I12", at_ms,
                "dose %s leaves although the EC probe of tank %d is dry: %.0f uS/cm", c->id, tank,
                v[0]);
    }
}

/* --- what leaves ------------------------------------------------------------------------------ */

void observe_need(struct observer *o, const struct known_command *c, int64_t at_ms)
{
    const struct side_watch *s = &o->side[c->side];
    const struct chain_heard *h = &s->chain[c->chain];
    const int64_t beat_ms = o->site->chain[c->chain].beat_ms;
    const bool head = !o->site->chain[c->chain].plain; /* a board has none */
    if (head && at_ms - s->linked_ms > START_MS && at_ms - h->beat_ms > BEATS * beat_ms + START_MS)
        observe_say(o, "I11", at_ms,
            "command %s leaves although daemon %u hears no heartbeat of chain %u", c->id, c->side,
            c->chain);
    if (head && !h->ready && at_ms - h->ready_ms > GONE_MS)
        observe_say(o, "I11", at_ms, "command %s leaves although the head of chain %u isn't there",
            c->id, c->chain);
    if (s->disk_ms != INT64_MAX && at_ms - s->disk_ms > GONE_MS)
        observe_say(
            o, "I11", at_ms, "command %s leaves although daemon %u's disk refuses", c->id, c->side);
}

void observe_need_of_dose(struct observer *o, const struct known_command *c, int64_t at_ms)
{
    const struct side_watch *s = &o->side[c->side];
    const struct rule_tank *t = &o->rules[c->side]->tank[c->pump / OBSERVE_SLOTS];
    need_sound_probes(o, c, at_ms);
    if (at_ms - s->clock_ms <= START_MS) return;
    if (!s->clock_set)
        observe_say(o, "I10", at_ms, "dose %s leaves daemon %u, whose clock nobody has set", c->id,
            c->side);
    else if (at_ms + s->ahead_ms < t->planted_ms)
        observe_say(o, "I10", at_ms,
            "dose %s leaves although by daemon %u's clock nothing is planted yet", c->id, c->side);
}

/* What runs by command ends, whatever else is gone. */
void observe_need_run_ends(
    struct observer *o, const struct fact_run *run, int64_t began_ms, int64_t at_ms)
{
    const int64_t longest_ms = o->site->chain[run->chain].longest_ms[run->channel > 0];
    if (at_ms - began_ms <= longest_ms) return;
    observe_say(o, "I11", at_ms, "command %s ran for %lld s; no run is longer than %lld", run->id,
        (long long)((at_ms - began_ms) / 1000), (long long)(longest_ms / 1000));
}
