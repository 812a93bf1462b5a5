/* I3 and I5: what a dose needs before it starts, and what the line still holds. */
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

/* What is on and stands still counts as long as nobody can have noticed. */
static int64_t flowed_ms(const struct line_watch *l, int64_t at_ms)
{
    const int64_t span_ms = at_ms - l->flow_since_ms;
    if (l->flows) return l->flowed_ms + span_ms;
    if (!l->dying) return l->flowed_ms;
    return l->flowed_ms + (span_ms < l->blind_ms ? span_ms : l->blind_ms);
}

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

/* A board that ends a circulation by itself may say so, and may not. */
static int64_t believed_ms(const struct observer *o, uint32_t tank, int64_t at_ms)
{
    return observe_board_believed_ms(o, tank, at_ms) + START_MS;
}

static void need_readings(
    struct observer *o, int32_t pump, const struct known_command *c, int64_t at_ms)
{
    static const char *const words[OBSERVE_PROBES] = { "EC", "pH", "temperature" };
    const int tank = pump / OBSERVE_SLOTS;
    const struct rules *rules = o->rules[c->side];
    for (int q = 0; q < OBSERVE_PROBES; q++) {
        const int64_t stuck_ms = rules->tank[tank].stuck_ms[q];
        const int64_t same_ms = c->left_ms - o->shown[c->side][tank][q].since_ms;
        if (stuck_ms > 0 && same_ms > stuck_ms + rules->tank[tank].max_age_ms[q] + START_MS)
            observe_say(o, "I3", at_ms,
                "dose %s began; the %s of tank %d has been one number for %lld s", c->id, words[q],
                tank, (long long)(same_ms / 1000));
        const int64_t age_ms = c->left_ms - o->good_ms[c->side][tank][q];
        if (age_ms <= rules->tank[tank].max_age_ms[q] + START_MS) continue;
        observe_say(o, "I3", at_ms, "dose %s began; the daemon's last %s of tank %d was %lld s old",
            c->id, words[q], tank, (long long)(age_ms / 1000));
    }
}

static void need_flush(
    struct observer *o, int32_t pump, const struct known_command *c, int64_t at_ms)
{
    const struct line_watch *l = &o->line[pump / OBSERVE_SLOTS];
    const struct rule_pump *p = observe_pump_rule(o->rules[c->side], pump);
    if (l->stock < 0 || !(p->apart & (1U << l->stock))) return;
    if (l->stock_by_hand) return; /* it may not have been heard of yet */
    if (observe_unknowable(o, pump, l->stock_ms, c->side)) return;
    const int64_t water_ms = flowed_ms(l, at_ms);
    if (water_ms >= c->flush_ms) return;
    observe_say(o, "I5", at_ms,
        "stock %d of tank %d met stock %d in the line: %lld ms of water between, %lld are a flush",
        pump % OBSERVE_SLOTS, pump / OBSERVE_SLOTS, l->stock, (long long)water_ms,
        (long long)c->flush_ms);
}

static void need_spacing(
    struct observer *o, int32_t pump, const struct known_command *c, int64_t at_ms)
{
    const struct line_watch *l = &o->line[pump / OBSERVE_SLOTS];
    const struct rules *rules = o->rules[c->side];
    const enum rule_purpose purpose = observe_pump_rule(rules, pump)->purpose;
    if (purpose == RULE_FEED) return;
    for (int s = 0; s < OBSERVE_SLOTS; s++) {
        const struct rule_pump *other = &rules->tank[pump / OBSERVE_SLOTS].pump[s];
        if (!other->there || other->purpose == RULE_FEED || other->purpose == purpose) continue;
        const int64_t gap_ms = at_ms - l->ended_ms[s];
        if (gap_ms >= c->spacing_ms) continue;
        if (observe_unknowable(o, pump, l->ended_ms[s], c->side)) continue;
        observe_say(o, "I5", at_ms, "acid and base %lld s apart in tank %d; %lld are configured",
            (long long)(gap_ms / 1000), pump / OBSERVE_SLOTS, (long long)(c->spacing_ms / 1000));
    }
}

/* A fitting may be open while a tube hangs in a cup. Hands on the switch may not be heard of yet.
 */
static void need_still_water(
    struct observer *o, int32_t pump, const struct known_command *c, int64_t at_ms)
{
    const struct line_watch *l = &o->line[pump / OBSERVE_SLOTS];
    if (!l->flows || l->flow_by_hand || at_ms - l->began_ms <= START_MS) return;
    observe_say(o, "I3", at_ms,
        "dose %s begins into a cup; the water of tank %d has moved for %lld s", c->id,
        pump / OBSERVE_SLOTS, (long long)((at_ms - l->began_ms) / 1000));
}

void observe_line_begins(
    struct observer *o, int32_t pump, const struct known_command *c, int64_t at_ms)
{
    if (c->sort != SORT_DOSE) return;
    if (c->where == ASKED_CUP) {
        need_still_water(o, pump, c, at_ms);
        return;
    }
    const struct line_watch *l = &o->line[pump / OBSERVE_SLOTS];
    if (c->where != ASKED_LINE) need_readings(o, pump, c, at_ms);
    need_flush(o, pump, c, at_ms);
    need_spacing(o, pump, c, at_ms);
    const int64_t blind_ms = l->dying ? l->blind_ms : o->site->tank[pump / OBSERVE_SLOTS].off_ms;
    if (!l->flows && at_ms - l->flow_since_ms > blind_ms)
        observe_say(o, "I3", at_ms, "dose %s began in standing water", c->id);
}

void observe_line_ends(struct observer *o, int32_t pump, bool by_hand, int64_t at_ms)
{
    struct line_watch *l = &o->line[pump / OBSERVE_SLOTS];
    l->stock = pump % OBSERVE_SLOTS;
    l->stock_by_hand = by_hand;
    l->stock_ms = at_ms;
    l->flowed_ms = 0;
    if (l->flows || l->dying) l->flow_since_ms = at_ms;
    if (!by_hand) l->ended_ms[pump % OBSERVE_SLOTS] = at_ms;
}

void observe_line_flows(
    struct observer *o, const char *serial, bool flows, bool dies, int64_t at_ms)
{
    for (int t = 0; t < OBSERVE_TANKS; t++) {
        const struct rules *rules = o->site;
        if (!rules->tank[t].there || strcmp(rules->tank[t].serial, serial) != 0) continue;
        struct line_watch *l = &o->line[t];
        l->flowed_ms = flowed_ms(l, at_ms);
        l->dying = dies && l->flows;
        l->blind_ms = rules->tank[t].blind_ms;
        if (l->dying && !flows && rules->chain[rules->tank[t].flow_chain].plain)
            l->blind_ms = least(l->blind_ms, believed_ms(o, (uint32_t)t, at_ms));
        if (flows || l->flows) l->flow_since_ms = at_ms;
        if (flows && !l->flows) l->began_ms = at_ms;
        l->flows = flows;
    }
}

void observe_line_circulates(struct observer *o, const struct fact_run *run, int64_t at_ms)
{
    observe_line_flows(o, run->serial, run->flows, false, at_ms);
    for (int t = 0; t < OBSERVE_TANKS; t++) {
        if (strcmp(o->site->tank[t].serial, run->serial) == 0)
            o->line[t].flow_by_hand = run->by_hand;
    }
}
