/* I3 where a tank has a level or a leak probe: what a side has heard of them when a dose leaves. A
 * leak counts from its first word, a low level once three readings agree on it. */
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

enum { LOW_READINGS = 3 };

static const int64_t long_ago = INT64_MIN / 2;

void observe_floor_born(struct observer *o, uint32_t side)
{
    for (int t = 0; t < OBSERVE_TANKS; t++) {
        o->floor[side][t] =
            (struct floor_heard){ .level_ms = long_ago, .low_ms = long_ago, .leak_ms = long_ago };
    }
}

/* A silence that is longer than a reading lives begins anew. */
void observe_level(struct observer *o, uint32_t side, uint32_t tank, double percent, int64_t at_ms)
{
    const struct rule_tank *rule = &o->site->tank[tank];
    struct floor_heard *f = &o->floor[side][tank];
    if (at_ms - f->level_ms > rule->level_age_ms) f->lows = 0;
    f->level_ms = at_ms;
    if (percent >= rule->least_level) {
        f->lows = 0;
    } else if (++f->lows == LOW_READINGS) {
        f->low_ms = at_ms;
    }
}

void observe_leak(struct observer *o, uint32_t side, uint32_t tank, bool wet, int64_t at_ms)
{
    struct floor_heard *f = &o->floor[side][tank];
    f->leak_ms = at_ms;
    if (wet && !f->wet) f->wet_ms = at_ms;
    f->wet = wet;
}

static void need_level(struct observer *o, const struct known_command *c, int tank, int64_t at_ms)
{
    const struct rule_tank *rule = &o->rules[c->side]->tank[tank];
    const struct floor_heard *f = &o->floor[c->side][tank];
    if (at_ms - f->level_ms > rule->level_age_ms + START_MS)
        observe_say(o, "I3", at_ms, "dose %s leaves; nothing was heard of the level of tank %d",
            c->id, tank);
    else if (f->lows >= LOW_READINGS && at_ms - f->low_ms > START_MS)
        observe_say(
            o, "I3", at_ms, "dose %s leaves although the level of tank %d is too low", c->id, tank);
}

static void need_dry_floor(
    struct observer *o, const struct known_command *c, int tank, int64_t at_ms)
{
    const struct rule_tank *rule = &o->rules[c->side]->tank[tank];
    const struct floor_heard *f = &o->floor[c->side][tank];
    if (at_ms - f->leak_ms > rule->leak_age_ms + START_MS)
        observe_say(o, "I3", at_ms,
            "dose %s leaves; nothing was heard of the leak probe of tank %d", c->id, tank);
    else if (f->wet && at_ms - f->wet_ms > START_MS)
        observe_say(
            o, "I3", at_ms, "dose %s leaves although water was seen under tank %d", c->id, tank);
}

void observe_floor_of_dose(struct observer *o, const struct known_command *c, int64_t at_ms)
{
    const int tank = c->pump / OBSERVE_SLOTS;
    const struct rule_tank *rule = &o->rules[c->side]->tank[tank];
    if (rule->level_age_ms > 0 && c->where != ASKED_CUP) need_level(o, c, tank, at_ms);
    if (rule->leak_age_ms > 0) need_dry_floor(o, c, tank, at_ms);
}
