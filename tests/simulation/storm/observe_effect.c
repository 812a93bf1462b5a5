/* I12: a bottle that does nothing to the water, or the wrong thing, is noticed after a bounded
 * volume. What is poured by command while that is so is summed up, until it works again, or
 * something else has moved the water, so that nobody can tell. */
#include "tests/simulation/storm/observe_inside.h"

void observe_effect(struct observer *o, uint32_t pump, bool works)
{
    struct effect_watch *e = &o->effect[pump];
    if (e->fails == !works) return;
    *e = (struct effect_watch){ .fails = !works };
}

void observe_disturbed(struct observer *o, uint32_t tank)
{
    for (uint32_t s = 0; s < OBSERVE_SLOTS; s++) {
        o->effect[tank * OBSERVE_SLOTS + s].ul = 0.0;
    }
}

void observe_effect_moved(struct observer *o, int32_t pump, double ul, bool by_hand, int64_t at_ms)
{
    struct effect_watch *e = &o->effect[pump];
    const double most_ul = observe_pump_rule(o->site, pump)->proof_ul;
    if (by_hand) observe_disturbed(o, (uint32_t)pump / OBSERVE_SLOTS);
    if (by_hand || !e->fails) return;
    e->ul += ul;
    if (e->ul <= most_ul) return;
    observe_say(o, "I12", at_ms,
        "pump %d has moved %.0f uL without their effect; after %.0f nobody goes on", pump, e->ul,
        most_ul);
}
