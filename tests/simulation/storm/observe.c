/* Commands, halts and lives: I2, I8, and what the other files of the judge share. */
#include "tests/simulation/storm/observe.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

struct observer *observe_begin(void)
{
    struct observer *o = calloc(1, sizeof *o);
    if (!o) abort();
    o->index_room = 1024;
    o->index = calloc(o->index_room, sizeof *o->index);
    if (!o->index) abort();
    for (int t = 0; t < OBSERVE_TANKS; t++) {
        o->line[t].stock = -1;
        for (int s = 0; s < OBSERVE_SLOTS; s++) {
            o->line[t].ended_ms[s] = INT64_MIN / 2;
        }
    }
    for (int s = 0; s < OBSERVE_SIDES; s++) {
        o->disk[s].round = 1;
        o->side[s].disk_ms = INT64_MAX;
        for (int t = 0; t < OBSERVE_TANKS; t++) {
            for (int q = 0; q < OBSERVE_PROBES; q++) {
                o->good_ms[s][t][q] = INT64_MIN / 2;
            }
        }
    }
    return o;
}

void observe_free(struct observer *o)
{
    if (!o) return;
    observe_volume_free(o);
    observe_board_free(o);
    for (int s = 0; s < OBSERVE_SIDES; s++) {
        free(o->side[s].name_of);
    }
    free(o->command);
    free(o->index);
    free(o);
}

uint32_t observe_breaches(const struct observer *o)
{
    return o->breaches;
}

const struct breach *observe_first(const struct observer *o)
{
    return &o->first;
}

void observe_breach(struct observer *o, const char *law, int64_t at_ms, const char *what)
{
    if (o->breaches++ > 0) return;
    o->first.at_ms = at_ms;
    (void)snprintf(o->first.law, sizeof o->first.law, "%s", law);
    (void)snprintf(o->first.what, sizeof o->first.what, "%s", what);
}

void observe_say(struct observer *o, const char *law, int64_t at_ms, const char *format, ...)
{
    char text[sizeof o->first.what];
    va_list list;
    va_start(list, format);
    (void)vsnprintf(text, sizeof text, format, list);
    va_end(list);
    observe_breach(o, law, at_ms, text);
}

/* It begins to watch for probes that are stuck. */
static void watch_anew(struct observer *o, uint32_t side, int tank, int64_t at_ms)
{
    for (int q = 0; q < OBSERVE_PROBES; q++) {
        o->shown[side][tank][q].since_ms = at_ms;
    }
}

/* They may have hung in a bath until now; if they have for certain, what they showed before says
 * nothing any more. */
void observe_probes_anew(
    struct observer *o, uint32_t side, uint32_t tank, bool certain, int64_t at_ms)
{
    watch_anew(o, side, (int)tank, at_ms);
    for (int q = 0; q < OBSERVE_PROBES && certain; q++) {
        o->good_ms[side][tank][q] = INT64_MIN / 2;
    }
}

/* A tank that the configuration had dropped, and has again, is as one that it never had; what
 * people hold there stays held. */
void observe_rules(struct observer *o, uint32_t side, const struct rules *rules, int64_t at_ms)
{
    for (int t = 0; t < OBSERVE_TANKS; t++) {
        if (!o->rules[side] || !o->rules[side]->tank[t].there) watch_anew(o, side, t, at_ms);
        if (!rules->tank[t].there) observe_rate_leaves(o, side, t);
        observe_looked(o, (uint32_t)t); /* the watch over its boards begins anew */
    }
    o->rules[side] = rules;
}

void observe_life(struct observer *o, uint32_t side, const char *name, bool alive, int64_t at_ms)
{
    o->alive[side] = alive;
    if (alive) observe_reign_born(o, side, name);
    if (alive) observe_need_born(o, side, at_ms);
    if (alive) observe_heard_born(o, side);
    if (alive) observe_floor_born(o, side);
    if (alive) o->born_ms[side] = at_ms;
    if (alive && o->first_ms[side] == 0) o->first_ms[side] = at_ms;
    for (int t = 0; alive && t < OBSERVE_TANKS; t++) {
        watch_anew(o, side, t, at_ms);
    }
    if (!alive) observe_asked_dies(o, side);
    if (!alive) observe_rate_dies(o, side);
    if (alive || !o->halted || o->halt_side != side || o->halt_kept) return;
    o->halted = false; /* it died with the only one who knew */
}

int32_t observe_pump_at(const struct rules *rules, const char *serial, uint32_t channel)
{
    for (int t = 0; rules && t < OBSERVE_TANKS; t++) {
        for (int s = 0; rules->tank[t].there && s < OBSERVE_SLOTS; s++) {
            const struct rule_pump *p = &rules->tank[t].pump[s];
            if (p->there && p->channel == channel && strcmp(p->serial, serial) == 0)
                return t * OBSERVE_SLOTS + s;
        }
    }
    return -1;
}

const struct rule_pump *observe_pump_rule(const struct rules *rules, int32_t pump)
{
    return &rules->tank[pump / OBSERVE_SLOTS].pump[pump % OBSERVE_SLOTS];
}

/* --- commands by their ids -------------------------------------------------------------------- */

static size_t slot_of(const struct observer *o, const char *id)
{
    uint64_t h = UINT64_C(14695981039346656037);
    for (const char *c = id; *c; c++) {
        h = (h ^ (unsigned char)*c) * UINT64_C(1099511628211);
    }
    size_t at = (size_t)(h % o->index_room);
    while (o->index[at] && strcmp(o->command[o->index[at] - 1].id, id) != 0) {
        at = (at + 1) % o->index_room;
    }
    return at;
}

struct known_command *observe_command_named(struct observer *o, const char *id)
{
    const uint32_t place = o->index[slot_of(o, id)];
    return place ? &o->command[place - 1] : NULL;
}

static void grow_index(struct observer *o)
{
    free(o->index);
    o->index_room *= 2;
    o->index = calloc(o->index_room, sizeof *o->index);
    if (!o->index) abort();
    for (size_t i = 0; i < o->commands; i++) {
        o->index[slot_of(o, o->command[i].id)] = (uint32_t)i + 1;
    }
}

static struct known_command *add_command(struct observer *o, const char *id)
{
    if (o->commands == o->command_room) {
        o->command_room = o->command_room ? 2 * o->command_room : 256;
        o->command = realloc(o->command, o->command_room * sizeof *o->command);
        if (!o->command) abort();
    }
    struct known_command *c = &o->command[o->commands++];
    memset(c, 0, sizeof *c);
    (void)snprintf(c->id, sizeof c->id, "%s", id);
    if (2 * o->commands > o->index_room)
        grow_index(o);
    else
        o->index[slot_of(o, id)] = (uint32_t)o->commands;
    return c;
}

struct known_command *observe_command_of(struct observer *o, const char *id)
{
    struct known_command *c = observe_command_named(o, id);
    return c ? c : add_command(o, id);
}

/* The id that this side's disk should know. */
static void need_record(struct observer *o, struct known_command *c, int64_t at_ms)
{
    if (c->sort == SORT_OTHER || c->disk_round == o->disk[c->side].round) return;
    observe_say(o, "I7", at_ms, "command %s left daemon %u before its disk had a record of it",
        c->id, c->side);
}

/* What somebody asked for may do without some of it: a line is filled before there are readings. */
static void need_of_dose(struct observer *o, struct known_command *c, int64_t at_ms)
{
    observe_asked_of_dose(o, c, at_ms);
    if (c->where == ASKED_NOT || c->where == ASKED_DOSE) observe_need_of_dose(o, c, at_ms);
    if (c->where != ASKED_CUP) observe_heard_of_dose(o, c, at_ms);
    observe_floor_of_dose(o, c, at_ms);
}

void observe_command(
    struct observer *o, uint32_t side, const struct fact_command *command, int64_t at_ms)
{
    struct known_command *c = observe_command_of(o, command->id);
    c->left = true;
    c->side = side;
    c->chain = command->chain;
    c->reign = command->reign;
    (void)snprintf(c->by, sizeof c->by, "%s", command->by);
    c->sort = command->sort;
    c->left_ms = at_ms;
    c->run_ms = command->run_ms;
    if (command->stops) observe_supply_stops(o, command);
    need_record(o, c, at_ms);
    if (c->sort != SORT_OTHER) {
        observe_reign_commands(o, c, at_ms);
        observe_need(o, c, at_ms);
    }
    const struct rules *rules = o->rules[side];
    c->flow = observe_flow_at(rules, command);
    observe_heard_sent(o, c, at_ms);
    c->pump = command->channel > 0 ? observe_pump_at(rules, command->serial, command->channel) : -1;
    if (c->sort == SORT_DOSE && c->pump < 0)
        observe_say(o, "I4", at_ms, "dose %s names an output that no stock hangs on", c->id);
    if (c->sort != SORT_OTHER) observe_asked_of_move(o, c, at_ms);
    if (c->pump < 0) return;
    const struct rule_pump *p = observe_pump_rule(rules, c->pump);
    const struct rule_tank *t = &rules->tank[c->pump / OBSERVE_SLOTS];
    c->dose_ul = p->dose_ul;
    c->hour_ul = p->hour_ul;
    c->day_ul = p->day_ul;
    c->spacing_ms = t->spacing_ms;
    c->flush_ms = t->flush_ms;
    c->ul_per_ms = observe_rate_least(o, side, c->pump);
    if (c->sort == SORT_DOSE) need_of_dose(o, c, at_ms);
    const double ul = (double)c->run_ms * c->ul_per_ms;
    if (c->sort == SORT_DOSE && ul > (double)p->dose_ul + 2.0)
        observe_say(o, "I6", at_ms, "dose %s of %.0f uL is larger than a dose may be (%lld)", c->id,
            ul, (long long)p->dose_ul);
    if (c->sort != SORT_OTHER && o->halted && o->halt_side == side)
        observe_say(o, "I8", at_ms, "command %s left daemon %u while it was halted", c->id, side);
}

/* --- runs ------------------------------------------------------------------------------------- */

static int32_t pump_of(const struct observer *o, const struct fact_run *run)
{
    return observe_pump_at(o->site, run->serial, run->channel);
}

/* One stock of a tank at a time. */
static void need_rest(struct observer *o, int32_t pump, const char *id, int64_t at_ms)
{
    for (int32_t s = 0; s < OBSERVE_SLOTS; s++) {
        const int32_t other = pump - pump % OBSERVE_SLOTS + s;
        const struct pump_watch *w = &o->pump[other];
        if (other == pump || !w->runs || w->by_hand || w->late) continue;
        observe_say(
            o, "I5", at_ms, "dose %s begins while stock %d of that tank runs (%s)", id, s, w->id);
    }
}

void observe_run_begins(struct observer *o, const struct fact_run *run, int64_t at_ms)
{
    struct known_command *c = run->by_hand ? NULL : observe_command_named(o, run->id);
    if (c && c->starts++ > 0) observe_say(o, "I2", at_ms, "command %s ran a second time", run->id);
    if (!run->by_hand && !c)
        observe_say(o, "I2", at_ms, "an output runs by command %s, which no daemon sent", run->id);
    if (!run->by_hand && !run->late && o->halted && o->halt_kept && at_ms > o->halted_ms + START_MS)
        observe_say(o, "I8", at_ms, "command %s runs while everything is halted", run->id);
    if (c) observe_reign_runs(o, run->chain, c, at_ms);
    if (!run->by_hand) observe_supply_runs(o, run, true, at_ms);
    if (run->channel == 0) {
        if (!run->by_hand && !run->as_bound)
            observe_say(
                o, "I4", at_ms, "command %s runs while the modules are in another order", run->id);
        observe_line_circulates(o, run, at_ms);
        return;
    }
    const int32_t pump = pump_of(o, run);
    if (c && pump >= 0 && !run->late) need_rest(o, pump, run->id, at_ms);
    if (!run->by_hand && !run->as_bound)
        observe_say(
            o, "I4", at_ms, "command %s runs while the modules are in another order", run->id);
    if (!run->by_hand && c && pump != c->pump)
        observe_say(o, "I4", at_ms, "command %s was meant for another bottle", run->id);
    if (pump < 0) return;
    observe_volume_begins(o, pump, run, at_ms);
    if (c && !run->late) observe_line_begins(o, pump, c, at_ms);
}

void observe_flow(struct observer *o, const char *serial, bool flows, int64_t at_ms)
{
    observe_line_flows(o, serial, flows, !flows, at_ms);
}

void observe_run_ends(struct observer *o, const struct fact_run *run, int64_t at_ms)
{
    if (!run->by_hand) observe_supply_runs(o, run, false, at_ms);
    if (run->channel == 0) {
        observe_line_flows(o, run->serial, false, o->site->chain[run->chain].plain, at_ms);
        return;
    }
    const int32_t pump = pump_of(o, run);
    if (pump < 0) return;
    observe_volume_ends(o, pump, run, at_ms);
    const struct known_command *c = run->by_hand ? NULL : observe_command_named(o, run->id);
    if (!c || c->where != ASKED_CUP) observe_line_ends(o, pump, run->by_hand, at_ms);
}

/* --- halts ------------------------------------------------------------------------------------ */

enum { ON_ITS_WAY_MS = 60000 };

void observe_halt(struct observer *o, uint32_t side, bool on, int64_t at_ms)
{
    if (!on) {
        o->halted = false;
        o->released_ms = at_ms;
        return;
    }
    if (!o->halted) o->halt_kept = false;
    o->halted = true;
    o->halt_side = side;
    o->halted_ms = at_ms;
}

void observe_halt_kept(struct observer *o, uint32_t side)
{
    observe_asked_kept(o, side);
    observe_rate_kept(o, side);
    if (o->halted && o->halt_side == side) o->halt_kept = true;
}

/* A resume that was on its way when the next halt was asked for ends the latch for as long as the
 * halt behind it takes. */
void observe_latch(struct observer *o, bool latched, int64_t at_ms)
{
    if (latched && o->halted) o->halt_kept = true;
    if (!latched && o->halted && o->released_ms > 0 && at_ms - o->released_ms < ON_ITS_WAY_MS)
        o->halt_kept = false;
    if (!latched && o->halted && o->halt_kept)
        observe_say(o, "I8", at_ms, "a head's halt ended although nobody asked for it");
}

void observe_reading(struct observer *o, uint32_t side, const struct fact_reading *r, int64_t at_ms)
{
    if (r->probe >= OBSERVE_PROBES) return;
    observe_need_reading(o, side, r, at_ms);
    if (!r->usable) return;
    const int64_t silent_ms = at_ms - o->good_ms[side][r->tank][r->probe];
    o->good_ms[side][r->tank][r->probe] = at_ms;
    if (silent_ms > o->site->tank[r->tank].max_age_ms[r->probe] ||
        o->shown[side][r->tank][r->probe].number < r->number ||
        o->shown[side][r->tank][r->probe].number > r->number) {
        o->shown[side][r->tank][r->probe].number = r->number;
        o->shown[side][r->tank][r->probe].since_ms = at_ms;
    }
}

void observe_site(struct observer *o, const struct rules *rules)
{
    o->site = rules;
}

void observe_head_replaced(struct observer *o, const char *serial, int64_t at_ms)
{
    o->halt_kept = false;
    observe_volume_head_replaced(o, serial, at_ms);
}
