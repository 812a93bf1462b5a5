/* Heads and modules: what they do, and what the judge is told of it. */
#include <stdio.h>
#include <string.h>

#include "lib/base/text.h"
#include "tests/simulation/storm/world.h"

enum { MAX_RUN_MS = 120000, MAX_CIRCULATE_MS = 900000 };

static int64_t up_ms(const struct world *w, uint32_t chain)
{
    return w->t_ms - w->chain[chain].zero_ms;
}

static void boot_word(struct world *w, uint32_t chain, char ret[CHAIN_WORD_MAX])
{
    (void)snprintf(ret, CHAIN_WORD_MAX, "h%u-%llx-%u", chain,
        (unsigned long long)(w->options.seed & 0xffff), ++w->chain[chain].boots);
}

static void init_head(struct world *w, uint32_t chain)
{
    struct chain_side *c = &w->chain[chain];
    char boot[CHAIN_WORD_MAX];
    boot_word(w, chain, boot);
    struct head_config config = { .boot = boot,
        .beat_ms = w->premises.beat_ms,
        .max_run_ms = MAX_RUN_MS,
        .max_circulate_ms = MAX_CIRCULATE_MS,
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

/* Where a module's outlets lead: by its serial number. -1: nowhere. */
static int32_t tank_at(const struct world *w, const char *serial)
{
    const struct site *site = world_site(w);
    for (uint32_t i = 0; i < site->tank_count; i++) {
        if (text_same(site->tank[i].circulation.serial, serial)) return (int32_t)i;
    }
    return -1;
}

static void tell_run(struct world *w, const struct output_watch *o, uint32_t channel, bool begins)
{
    const struct fact_run run = {
        .id = o->id, .serial = o->serial, .channel = channel, .by_hand = o->by_hand, .flows = true
    };
    if (begins)
        observe_run_begins(w->observer, &run, w->t_ms);
    else
        observe_run_ends(w->observer, &run, w->t_ms);
    world_mark_text(w, o->id);
    world_mark(w, (uint64_t)w->t_ms * 2 + begins);
    if (begins && channel > 0 && !o->by_hand) w->doses++;
    if (channel > 0)
        world_say(w, "%s.%u %s %s%s", o->serial, channel, begins ? "runs" : "stops", o->id,
            o->by_hand ? "by hand" : "");
    const int32_t tank = tank_at(w, o->serial);
    if (tank >= 0 && channel == 0) water_flow(w, (uint32_t)tank, begins);
}

static void pour(
    struct world *w, struct output_watch *o, const struct head_run *run, uint32_t channel)
{
    const int64_t ran_ms = run->total_ms - o->total_ms + run->hand_ms - o->hand_ms;
    o->total_ms = run->total_ms;
    o->hand_ms = run->hand_ms;
    const int32_t tank = tank_at(w, o->serial);
    if (ran_ms > 0 && channel > 0 && tank >= 0) water_pour(w, (uint32_t)tank, channel - 1, ran_ms);
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
    if (same) return;
    if (o->runs) tell_run(w, o, channel, false);
    o->runs = runs;
    if (!runs) return;
    o->by_hand = run->by_hand;
    (void)text_copy(o->id, sizeof o->id, run->by_hand ? "" : run->id);
    (void)text_copy(o->serial, sizeof o->serial, c->head.module[m].info.serial);
    tell_run(w, o, channel, true);
}

/* Circulation first where it begins, last where it ends, so that no dose seems to stand in still
 * water. */
static void look(struct world *w, uint32_t chain)
{
    struct chain_side *c = &w->chain[chain];
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

/* The ledger before the reports. */
static void publish(struct world *w, uint32_t chain)
{
    struct head *h = &w->chain[chain].head;
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
    if (h->ledger_changed) {
        struct event *e = event_of(EVENT_LEDGER, chain);
        e->ledger = h->ledger;
        net_publish(w, chain, e);
    }
    if (h->manual_changed) publish_manual(w, chain);
    h->roll_changed = h->claim_changed = h->ledger_changed = h->manual_changed = false;
    h->command_changed = false;
    struct event *e = event_of(EVENT_REPORT, chain);
    while (head_take_report(h, &e->report)) {
        net_publish(w, chain, e);
    }
}

static double amps_of(const struct world *w, uint32_t chain)
{
    const struct head *h = &w->chain[chain].head;
    double amps = 0.0;
    for (uint32_t m = 0; m < h->count; m++) {
        amps += 0.05;
        if (head_runs(h, m, CHAIN_CIRCULATION_CHANNEL)) amps += 0.8;
        for (uint32_t c = 1; c <= CHANNELS; c++) {
            if (head_runs(h, m, c)) amps += 0.3;
        }
    }
    return amps;
}

static void beat(struct world *w, uint32_t chain)
{
    const struct head *h = &w->chain[chain].head;
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
    head_command(&w->chain[chain].head, command, false);
    settle(w, chain);
}

void chain_claim(struct world *w, uint32_t chain, const struct chain_claim *claim)
{
    advance(w, chain);
    look(w, chain);
    head_claim(&w->chain[chain].head, claim);
    settle(w, chain);
}

void chain_reboot(struct world *w, uint32_t chain)
{
    struct chain_side *c = &w->chain[chain];
    char boot[CHAIN_WORD_MAX];
    advance(w, chain);
    boot_word(w, chain, boot);
    head_reboot(&c->head, boot);
    c->zero_ms = w->t_ms;
    c->beat_due_ms = w->t_ms + 500;
    look(w, chain);
    publish_state(w, chain, false);
    publish(w, chain);
    publish_state(w, chain, true);
    world_say(w, "head %u reboots", chain);
}

void chains_init(struct world *w)
{
    for (uint32_t c = 0; c < w->premises.chains; c++) {
        init_head(w, c);
        publish(w, c);
        publish_state(w, c, true);
    }
}

static int64_t chain_due(const struct world *w, uint32_t chain)
{
    const struct chain_side *c = &w->chain[chain];
    const int64_t end_ms = head_next_end(&c->head);
    const int64_t due_ms = end_ms == INT64_MAX ? INT64_MAX : c->zero_ms + end_ms;
    return due_ms < c->beat_due_ms ? due_ms : c->beat_due_ms;
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
        if (w->chain[c].beat_due_ms > w->t_ms) continue;
        w->chain[c].beat_due_ms = w->t_ms + w->premises.beat_ms;
        beat(w, c);
    }
}
