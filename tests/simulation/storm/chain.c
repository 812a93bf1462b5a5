/* Heads and modules: what they do, and what the judge is told of it. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/plant/head_inside.h"
#include "tests/simulation/storm/world.h"

static int64_t up_ms(const struct world *w, uint32_t chain)
{
    return w->t_ms - w->chain[chain].zero_ms;
}

static bool hits(const struct world *w, enum fault fault, uint32_t chain)
{
    return weather_lasts(&w->weather, fault) &&
           weather_hits(&w->weather, fault, w->premises.chains) == chain;
}

static void boot_word(struct world *w, uint32_t chain, char ret[CHAIN_WORD_MAX])
{
    (void)snprintf(ret, CHAIN_WORD_MAX, "h%u-%llx-%u", chain,
        (unsigned long long)(w->options.seed & 0xffff), ++w->chain[chain].boots);
}

bool chain_is_boot_of_now(const struct world *w, uint32_t chain, const char *boot)
{
    const char *number = strrchr(boot, '-');
    return number && strtoul(number + 1, NULL, 10) >= w->chain[chain].first_boot;
}

static void init_head(struct world *w, uint32_t chain)
{
    struct chain_side *c = &w->chain[chain];
    char boot[CHAIN_WORD_MAX];
    boot_word(w, chain, boot);
    struct head_config config = { .boot = boot,
        .beat_ms = w->premises.beat_ms,
        .max_run_ms = HEAD_RUNS_MS,
        .max_circulate_ms = HEAD_CIRCULATES_MS,
        .count = w->premises.modules[chain] };
    for (uint32_t m = 0; m < config.count; m++) {
        struct chain_module *to = &config.module[m];
        *to = (struct chain_module){ .position = m + 1, .channels = CHANNELS, .circulation = true };
        (void)text_copy(to->serial, sizeof to->serial, w->premises.serial[chain][m]);
        (void)text_copy(to->firmware, sizeof to->firmware, "1.0.0");
    }
    head_init(&c->head, &config);
    c->zero_ms = w->t_ms;
    c->beat_due_ms = w->t_ms + 1000;
}

/* --- runs, as the world sees them ------------------------------------------------------------- */

/* Where an outlet of a module leads: by its serial number. -1: nowhere. */
static int32_t tank_at(const struct world *w, const char *serial, uint32_t channel)
{
    const struct site *site = world_site(w);
    for (uint32_t i = 0; i < site->tank_count; i++) {
        const struct site_tank *t = &site->tank[i];
        const bool pump = channel > 0 && channel <= t->pump_count;
        const char *hangs_on = pump ? t->pump[channel - 1].serial : t->circulation.serial;
        if ((pump || channel == 0) && text_same(hangs_on, serial)) return (int32_t)i;
    }
    return -1;
}

/* Are the modules in the order that was written down? */
static bool as_bound(const struct world *w, uint32_t chain)
{
    const struct head *h = &w->chain[chain].head;
    bool same = h->count == w->premises.modules[chain];
    for (uint32_t m = 0; same && m < h->count; m++) {
        const uint32_t at = h->module[m].info.position;
        same = at >= 1 && at <= h->count &&
               text_same(h->module[m].info.serial, w->premises.serial[chain][at - 1]);
    }
    return same;
}

/* Its output is on, and draws nothing: the pump is stuck. */
static bool circulation_dead(const struct world *w, const char *serial)
{
    const int32_t tank = tank_at(w, serial, CHAIN_CIRCULATION_CHANNEL);
    return tank >= 0 && weather_lasts(&w->weather, FAULT_CIRCULATION_DEAD) &&
           weather_hits(&w->weather, FAULT_CIRCULATION_DEAD, w->premises.tanks) == (uint32_t)tank;
}

static void tell_run(struct world *w, const struct output_watch *o, uint32_t channel, bool begins)
{
    const struct fact_run run = { .id = o->id,
        .chain = o->chain,
        .serial = o->serial,
        .channel = channel,
        .by_hand = o->by_hand,
        .as_bound = as_bound(w, o->chain),
        .flows = !circulation_dead(w, o->serial) };
    if (begins)
        observe_run_begins(w->observer, &run, w->t_ms);
    else
        observe_run_ends(w->observer, &run, w->t_ms);
    world_mark_text(w, o->id);
    world_mark(w, (uint64_t)w->t_ms * 2 + begins);
    const int32_t tank = tank_at(w, o->serial, channel);
    if (begins && channel > 0 && !o->by_hand) w->doses++;
    if (begins && channel > 0 && !o->by_hand && tank >= 0) w->doses_of[tank]++;
    if (channel > 0)
        world_say(w, "%s.%u %s %s%s", o->serial, channel, begins ? "runs" : "stops", o->id,
            o->by_hand ? "by hand" : "");
    if (tank >= 0 && channel == 0) water_flow(w, (uint32_t)tank, begins && run.flows);
    if (begins) weather_pounce(&w->weather, w->t_ms);
}

static void pour(
    struct world *w, struct output_watch *o, const struct head_run *run, uint32_t channel)
{
    const int64_t ran_ms = run->total_ms - o->total_ms + run->hand_ms - o->hand_ms;
    o->total_ms = run->total_ms;
    o->hand_ms = run->hand_ms;
    const int32_t tank = tank_at(w, o->serial, channel);
    if (ran_ms > 0 && channel > 0 && tank >= 0) water_pour(w, (uint32_t)tank, channel - 1, ran_ms);
}

/* The contacts of its relay may stick when the head lets go of it, for as long as a run may be. */
static void let_go(struct world *w, struct output_watch *o, uint32_t channel)
{
    if (channel == CHAIN_CIRCULATION_CHANNEL || !weather_strikes(&w->weather, FAULT_RELAY_STUCK))
        return;
    struct prng *c = &w->weather.chance[FAULT_RELAY_STUCK];
    o->stuck_from_ms = w->t_ms;
    o->stuck_till_ms = w->t_ms + 1 + prng_below(c, HEAD_RUNS_MS);
    world_say(w, "%s.%u runs on for %lld ms", o->serial, channel,
        (long long)(o->stuck_till_ms - w->t_ms));
}

static bool is_stuck(const struct world *w, const struct output_watch *o)
{
    return w->t_ms < o->stuck_till_ms;
}

static void pour_stuck(struct world *w, struct output_watch *o, uint32_t channel)
{
    const int64_t till_ms = is_stuck(w, o) ? w->t_ms : o->stuck_till_ms;
    const int32_t tank = tank_at(w, o->serial, channel);
    if (till_ms <= o->stuck_from_ms) return;
    if (tank >= 0) water_pour(w, (uint32_t)tank, channel - 1, till_ms - o->stuck_from_ms);
    o->stuck_from_ms = till_ms;
}

static void look_at_output(struct world *w, uint32_t chain, uint32_t m, uint32_t channel)
{
    struct chain_side *c = &w->chain[chain];
    struct output_watch *o = &c->seen[m][channel];
    const struct head_run *run = &c->head.module[m].output[channel];
    const bool runs = m < c->head.count && run->running;
    const bool same =
        runs == o->runs && (!runs || (run->by_hand == o->by_hand && text_same(run->id, o->id)));
    pour(w, o, run, channel);
    pour_stuck(w, o, channel);
    if (same) return;
    if (o->runs) tell_run(w, o, channel, false);
    if (o->runs && !runs) let_go(w, o, channel);
    o->runs = runs;
    if (!runs) return;
    o->chain = chain;
    o->by_hand = run->by_hand;
    (void)text_copy(o->id, sizeof o->id, run->by_hand ? "" : run->id);
    (void)text_copy(o->serial, sizeof o->serial, c->head.module[m].info.serial);
    tell_run(w, o, channel, true);
}

static void tell_claim(struct world *w, uint32_t chain)
{
    struct chain_side *c = &w->chain[chain];
    const struct chain_claim *now = &c->head.claim;
    if (now->reign == c->claim.reign && text_same(now->by, c->claim.by)) return;
    c->claim = *now;
    const struct fact_claim fact = { chain, now->by, now->reign };
    observe_claim(w->observer, &fact, w->t_ms);
}

/* Circulation first where it begins, last where it ends, so that no dose seems to stand in still
 * water. */
static void look(struct world *w, uint32_t chain)
{
    struct chain_side *c = &w->chain[chain];
    tell_claim(w, chain);
    for (uint32_t m = 0; m < MODULES_MOST; m++) {
        if (m < c->head.count && c->head.module[m].output[0].running)
            look_at_output(w, chain, m, CHAIN_CIRCULATION_CHANNEL);
    }
    for (uint32_t m = 0; m < MODULES_MOST; m++) {
        for (uint32_t channel = CHANNELS + 1; channel-- > 0;) {
            look_at_output(w, chain, m, channel);
        }
    }
    const bool latched = c->head.halted;
    if (latched != c->latched) observe_latch(w->observer, latched, w->t_ms);
    c->latched = latched;
}

/* --- what it publishes ------------------------------------------------------------------------ */

static struct event *event_of(enum event_kind kind, uint32_t chain)
{
    static struct event e;
    e.kind = kind;
    e.chain = chain;
    return &e;
}

static void publish_manual(struct world *w, uint32_t chain)
{
    const struct chain_manual *m = &w->chain[chain].head.manual;
    for (uint32_t i = 0; i < m->count; i++) {
        observe_hand_published(
            w->observer, m->total[i].serial, m->total[i].channel, m->total[i].ms, w->t_ms);
    }
    struct event *e = event_of(EVENT_MANUAL, chain);
    e->manual = *m;
    net_publish(w, chain, e);
}

static void publish_state(struct world *w, uint32_t chain, bool ready)
{
    struct event *e = event_of(EVENT_HEAD, chain);
    e->head_ready = ready;
    net_publish(w, chain, e);
}

/* How a head that is mute keeps quiet: it stays on the broker and beats, and says nothing of runs.
 */
enum quiet { QUIET_NO, QUIET_LOSES, QUIET_HOLDS, QUIET_DEAF, QUIETS };

static enum quiet quiet_of(const struct world *w, uint32_t chain)
{
    if (!hits(w, FAULT_HEAD_MUTE, chain)) return QUIET_NO;
    return (enum quiet)(1 + w->weather.draw[FAULT_HEAD_MUTE] / 8 % (QUIETS - 1));
}

static void publish_ledger(struct world *w, uint32_t chain)
{
    struct head *h = &w->chain[chain].head;
    if (!h->ledger_changed || quiet_of(w, chain) != QUIET_NO) return;
    struct event *e = event_of(EVENT_LEDGER, chain);
    e->ledger = h->ledger;
    net_publish(w, chain, e);
    h->ledger_changed = false;
}

static void publish_reports(struct world *w, uint32_t chain)
{
    const enum quiet quiet = quiet_of(w, chain);
    struct event *e = event_of(EVENT_REPORT, chain);
    while (quiet != QUIET_HOLDS && head_take_report(&w->chain[chain].head, &e->report)) {
        if (quiet == QUIET_NO) net_publish(w, chain, e);
    }
}

/* The ledger before the reports. */
static void publish(struct world *w, uint32_t chain)
{
    struct head *h = &w->chain[chain].head;
    if (!w->chain[chain].online) return;
    if (h->roll_changed) {
        struct event *e = event_of(EVENT_ROLL, chain);
        head_roll(h, &e->roll);
        net_publish(w, chain, e);
    }
    if (h->claim_changed) {
        struct event *e = event_of(EVENT_CLAIM, chain);
        e->claim = h->claim;
        net_publish(w, chain, e);
    }
    publish_ledger(w, chain);
    if (h->manual_changed) publish_manual(w, chain);
    h->roll_changed = h->claim_changed = h->manual_changed = h->command_changed = false;
    publish_reports(w, chain);
}

/* Its output is on, and nothing hangs on it. */
static bool unplugged(const struct world *w, const char *serial, uint32_t channel)
{
    const int32_t tank = tank_at(w, serial, channel);
    return tank >= 0 && water_pump_is(w, FAULT_PUMP_UNPLUGGED, (uint32_t)tank, channel - 1);
}

static double amps_of(const struct world *w, uint32_t chain)
{
    const struct head *h = &w->chain[chain].head;
    double amps = 0.0;
    for (uint32_t m = 0; m < h->count; m++) {
        amps += 0.05;
        const bool dead = circulation_dead(w, h->module[m].info.serial);
        if (head_runs(h, m, CHAIN_CIRCULATION_CHANNEL) && !dead) amps += 0.8;
        for (uint32_t c = 1; c <= CHANNELS; c++) {
            const bool runs = head_runs(h, m, c) || is_stuck(w, &w->chain[chain].seen[m][c]);
            if (runs && !unplugged(w, h->module[m].info.serial, c)) amps += 0.3;
        }
    }
    return amps;
}

static void beat(struct world *w, uint32_t chain)
{
    const struct head *h = &w->chain[chain].head;
    if (!w->chain[chain].online) return;
    struct event *e = event_of(EVENT_BEAT, chain);
    e->beat = (struct chain_beat){ .up_ms = h->up_ms,
        .halted = h->halted || h->switch_halted,
        .dropped = h->dropped,
        .has_amps = true,
        .amps = amps_of(w, chain) };
    (void)text_copy(e->beat.boot, sizeof e->beat.boot, h->boot);
    net_publish(w, chain, e);
}

/* --- time and messages ------------------------------------------------------------------------ */

static void advance(struct world *w, uint32_t chain)
{
    head_advance(&w->chain[chain].head, up_ms(w, chain));
}

static void settle(struct world *w, uint32_t chain)
{
    look(w, chain);
    publish(w, chain);
}

void chain_command(struct world *w, uint32_t chain, const struct chain_command *command)
{
    advance(w, chain);
    look(w, chain);
    if (quiet_of(w, chain) == QUIET_DEAF) return;
    if (command->action == CHAIN_STOP && weather_strikes(&w->weather, FAULT_STOP_IGNORED)) return;
    head_command(&w->chain[chain].head, command, false);
    settle(w, chain);
}

void chain_claim(struct world *w, uint32_t chain, const struct chain_claim *claim)
{
    advance(w, chain);
    look(w, chain);
    if (quiet_of(w, chain) == QUIET_DEAF) return;
    head_claim(&w->chain[chain].head, claim);
    settle(w, chain);
}

void chain_speaks(struct world *w, uint32_t chain)
{
    advance(w, chain);
    settle(w, chain);
}

/* It has (re)connected: all that it keeps published is published anew. */
static void connect(struct world *w, uint32_t chain)
{
    struct chain_side *c = &w->chain[chain];
    c->online = true;
    c->online_ms = INT64_MAX;
    c->head.roll_changed = c->head.claim_changed = c->head.ledger_changed = true;
    c->head.manual_changed = true;
    publish_state(w, chain, false);
    publish(w, chain);
    publish_state(w, chain, true);
    c->beat_due_ms = w->t_ms + 200;
}

void chain_reboot(struct world *w, uint32_t chain, bool forgets)
{
    struct chain_side *c = &w->chain[chain];
    char boot[CHAIN_WORD_MAX];
    advance(w, chain);
    boot_word(w, chain, boot);
    head_reboot(&c->head, boot);
    if (forgets) c->head.ledger.count = 0;
    c->zero_ms = w->t_ms;
    look(w, chain);
    publish_state(w, chain, false);
    c->online = false;
    c->online_ms = w->t_ms + 500 + (int64_t)(w->weather.draw[FAULT_HEAD_REBOOT] % 3000);
}

/* Another head, out of the box, with the same modules. */
void chain_replace(struct world *w, uint32_t chain)
{
    struct chain_side *c = &w->chain[chain];
    advance(w, chain);
    head_stop_all(&c->head);
    look(w, chain);
    init_head(w, chain);
    c->first_boot = c->boots;
    for (uint32_t m = 0; m < MODULES_MOST; m++) {
        for (uint32_t n = 0; n <= CHANNELS; n++) {
            c->seen[m][n].total_ms = c->seen[m][n].hand_ms = 0;
        }
    }
    c->latched = false;
    for (uint32_t m = 0; m < w->premises.modules[chain]; m++) {
        observe_head_replaced(w->observer, w->premises.serial[chain][m], w->t_ms);
    }
    chain_replug(w, chain);
    publish_state(w, chain, false);
    c->online = false;
    c->online_ms = w->t_ms + 3000;
}

void chain_go_offline(struct world *w, uint32_t chain, int64_t span_ms)
{
    struct chain_side *c = &w->chain[chain];
    publish_state(w, chain, false); /* its last will */
    c->online = false;
    c->online_ms = w->t_ms + span_ms;
}

void chains_reconnect(struct world *w)
{
    for (uint32_t c = 0; c < w->premises.chains; c++) {
        if (!w->chain[c].online) w->chain[c].online_ms = w->t_ms + 100 + 700 * c;
    }
}

/* --- what is plugged in, and hands ------------------------------------------------------------ */

static void name_module(struct chain_module *m, const char *serial)
{
    m->channels = CHANNELS;
    m->circulation = true;
    (void)text_copy(m->serial, sizeof m->serial, serial);
    (void)text_copy(m->firmware, sizeof m->firmware, "1.0.0");
}

void chain_replug(struct world *w, uint32_t chain)
{
    struct chain_module m[MODULES_MOST + 1];
    uint32_t count = w->premises.modules[chain];
    memset(m, 0, sizeof m);
    for (uint32_t i = 0; i < count; i++) {
        name_module(&m[i], w->premises.serial[chain][i]);
    }
    if (hits(w, FAULT_MODULE_ORDER, chain) && count > 1) {
        name_module(&m[0], w->premises.serial[chain][1]);
        name_module(&m[1], w->premises.serial[chain][0]);
    }
    if (hits(w, FAULT_MODULE_TWIN, chain) && count > 1) name_module(&m[1], m[0].serial);
    if (hits(w, FAULT_MODULE_UNKNOWN, chain)) name_module(&m[0], "zz-unknown");
    if (hits(w, FAULT_MODULE_REMOVED, chain)) count--;
    if (hits(w, FAULT_MODULE_INSERTED, chain) && count < MODULES_MOST) {
        memmove(&m[1], &m[0], count * sizeof m[0]);
        name_module(&m[0], "zz-inserted");
        count++;
    }
    for (uint32_t i = 0; i < count; i++) {
        m[i].position = i + 1;
    }
    advance(w, chain);
    look(w, chain);
    head_set_modules(&w->chain[chain].head, m, count);
    settle(w, chain);
}

void chain_hand(struct world *w, uint64_t draw, bool on)
{
    const uint32_t chain = (uint32_t)(draw % w->premises.chains);
    const uint32_t module = (uint32_t)(draw / 4 % w->premises.modules[chain]);
    advance(w, chain);
    look(w, chain);
    head_hand(&w->chain[chain].head, module, (uint32_t)(draw / 64 % (CHANNELS + 1)), on);
    settle(w, chain);
}

void chain_stop_switch(struct world *w, uint32_t chain, bool pressed)
{
    advance(w, chain);
    look(w, chain);
    head_stop_switch(&w->chain[chain].head, pressed);
    settle(w, chain);
}

void chains_init(struct world *w)
{
    for (uint32_t c = 0; c < w->premises.chains; c++) {
        init_head(w, c);
        connect(w, c);
    }
}

static int64_t chain_due(const struct world *w, uint32_t chain)
{
    const struct chain_side *c = &w->chain[chain];
    const int64_t end_ms = head_next_end(&c->head);
    const int64_t due_ms = end_ms == INT64_MAX ? INT64_MAX : c->zero_ms + end_ms;
    const int64_t soon_ms = c->online_ms < c->beat_due_ms ? c->online_ms : c->beat_due_ms;
    return due_ms < soon_ms ? due_ms : soon_ms;
}

int64_t chains_due(const struct world *w)
{
    int64_t due_ms = INT64_MAX;
    for (uint32_t c = 0; c < w->premises.chains; c++) {
        if (chain_due(w, c) < due_ms) due_ms = chain_due(w, c);
    }
    return due_ms;
}

void chains_turn(struct world *w)
{
    for (uint32_t c = 0; c < w->premises.chains; c++) {
        if (chain_due(w, c) > w->t_ms) continue;
        advance(w, c);
        settle(w, c);
        if (w->chain[c].online_ms <= w->t_ms) {
            if (net_broker_up(w))
                connect(w, c);
            else
                w->chain[c].online_ms = w->t_ms + 1000;
        }
        if (w->chain[c].beat_due_ms > w->t_ms) continue;
        w->chain[c].beat_due_ms = w->t_ms + w->premises.beat_ms;
        beat(w, c);
    }
}

/* A circulation pump gets stuck, or free again, while its output may be on. */
void chain_flow_changed(struct world *w, uint32_t tank)
{
    const struct chain_address *a = &world_site(w)->tank[tank].circulation.address;
    if (a->chain >= w->premises.chains) return; /* a board's */
    const struct output_watch *o = &w->chain[a->chain].seen[a->position - 1][0];
    if (!o->runs || tank_at(w, o->serial, CHAIN_CIRCULATION_CHANNEL) != (int32_t)tank) return;
    const bool flows = !circulation_dead(w, o->serial);
    observe_flow(w->observer, o->serial, flows, w->t_ms);
    water_flow(w, tank, flows);
}
