/* I3: no dose leaves before a head has said that the circulation runs. What really flows is
 * observe_line.c's; this is what a side can have known. */
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

int32_t observe_flow_at(const struct rules *rules, const struct fact_command *command)
{
    if (command->sort != SORT_CIRCULATE) return -1;
    for (int t = 0; rules && t < OBSERVE_TANKS; t++) {
        if (rules->tank[t].there && strcmp(rules->tank[t].serial, command->serial) == 0) return t;
    }
    return -1;
}

void observe_heard_born(struct observer *o, uint32_t side)
{
    for (int t = 0; t < OBSERVE_TANKS; t++) {
        struct flow_heard *f = &o->side[side].flow[t];
        const int64_t before_ms = f->sent_ms > f->before_ms ? f->sent_ms : f->before_ms;
        *f = (struct flow_heard){ .before_ms = before_ms };
    }
}

void observe_heard_sent(struct observer *o, const struct known_command *c, int64_t at_ms)
{
    if (c->flow >= 0) o->side[c->side].flow[c->flow].sent_ms = at_ms;
}

void observe_run_heard(
    struct observer *o, uint32_t side, const char *id, enum word word, int64_t at_ms)
{
    const struct known_command *c = observe_command_named(o, id);
    if (!c || !c->left || c->sort != SORT_CIRCULATE || c->flow < 0) return;
    struct flow_heard *f = &o->side[side].flow[c->flow];
    const bool same = strcmp(f->id, id) == 0, runs = word == WORD_RUNS;
    if (word == WORD_OVER && c->left_ms > f->over_ms) f->over_ms = c->left_ms;
    if (runs && c->left_ms <= f->over_ms) return; /* it is over, or was taken over */
    if (!runs && !same) return;
    if (!runs && f->sent_ms > c->left_ms) return; /* the next one may have taken the output over */
    if (!runs) {
        f->till_ms = at_ms;
        return;
    }
    if (same || c->left_ms < f->left_ms) return; /* told again, or late, it doesn't begin anew */
    (void)memcpy(f->id, c->id, sizeof f->id);
    f->left_ms = c->left_ms;
    f->stale = c->left_ms < f->before_ms;
    f->till_ms = at_ms + c->run_ms;
    f->ends_ms = c->left_ms + START_MS + c->run_ms;
}

void observe_head_restarted(struct observer *o, uint32_t side, uint32_t chain, int64_t at_ms)
{
    for (int t = 0; t < OBSERVE_TANKS; t++) {
        struct flow_heard *f = &o->side[side].flow[t];
        const bool its = o->site->tank[t].there && o->site->tank[t].flow_chain == chain;
        if (its && f->till_ms > at_ms) f->till_ms = at_ms;
    }
}

void observe_heard_of_dose(struct observer *o, const struct known_command *c, int64_t at_ms)
{
    const int tank = c->pump / OBSERVE_SLOTS;
    const struct flow_heard *f = &o->side[c->side].flow[tank];
    if (o->site->chain[o->site->tank[tank].flow_chain].plain) return; /* no head says so */
    if (f->id[0] && at_ms - f->till_ms <= START_MS) return;
    observe_say(o, "I3", at_ms, "dose %s leaves daemon %u; no head has told it that tank %d flows",
        c->id, c->side, tank);
}
