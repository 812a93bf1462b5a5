#include "daemon/run/relays.h"

#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/chain/plain_head.h"

enum { ON_EXPIRY_S = 5, OFF_EXPIRY_S = 60, STARTS_NOTHING = CHAIN_MODULES_MAX };

struct board { /* the outputs of one tank */
    uint32_t chain;
    bool up;   /* the broker answers, and the site is ours */
    bool told; /* the core knows of it as it is */
    struct mono beat_at;
    struct plain_head head;
};

struct relays {
    const struct site *site;
    struct mono zero; /* where the heads' clocks began */
    uint32_t count;
    struct board board[];
};

/* --- life ------------------------------------------------------------------------------------- */

static int64_t up_ms(const struct relays *r, struct mono now)
{
    return mono_since(now, r->zero);
}

static void recall(struct board *b, const struct core *core)
{
    core_former_claim(core, b->chain, &b->head.claim);
    for (uint32_t i = 0; i < b->head.count; i++) {
        struct plain_line *line = &b->head.line[i];
        line->hand_ms = core_hand_ms(core, b->chain, b->head.config->module[i].serial,
            line->output->circulation ? CHAIN_CIRCULATION_CHANNEL : 1);
    }
}

void relays_recall(struct relays *r, const struct core *core)
{
    for (uint32_t i = 0; r && i < r->count; i++) {
        recall(&r->board[i], core);
    }
}

enum err relays_open(struct relays **ret, const struct relays_start *start, struct problem *problem)
{
    const struct site *site = start->site;
    uint32_t count = 0;
    for (uint32_t c = 0; c < site->chain_count; c++) {
        count += site->chain[c].plain;
    }
    *ret = NULL;
    if (count == 0) return ERR_NONE;
    struct relays *r = calloc(1, sizeof *r + count * sizeof r->board[0]);
    if (!r) return problem_set(problem, ERR_IO, site->key, "there is no memory for plain outputs");
    r->site = site;
    r->zero = start->now;
    for (uint32_t c = 0; c < site->chain_count; c++) {
        if (!site->chain[c].plain) continue;
        struct board *b = &r->board[r->count++];
        b->chain = c;
        plain_head_init(&b->head, &site->chain[c], start->boot);
    }
    *ret = r;
    return ERR_NONE;
}

void relays_close(struct relays *r)
{
    free(r);
}

static struct board *board_of(struct relays *r, uint32_t chain)
{
    for (uint32_t i = 0; r && i < r->count; i++) {
        if (r->board[i].chain == chain) return &r->board[i];
    }
    return NULL;
}

bool relays_serve(const struct relays *r, uint32_t chain)
{
    return r && r->site->chain[chain].plain;
}

/* --- to the boards ---------------------------------------------------------------------------- */

static bool say_off(const struct plain_output *o, struct mqtt *mqtt)
{
    const struct mqtt_publish p = { .topic = o->topic,
        .payload = o->off_payload,
        .length = strlen(o->off_payload),
        .qos = 1,
        .expiry_s = OFF_EXPIRY_S };
    return mqtt_publish(mqtt, &p) == MQTT_SENT;
}

static bool say_on(const struct plain_output *o, const struct chain_command *c, struct mqtt *mqtt)
{
    char payload[PLAIN_PAYLOAD_MAX];
    struct text t = text_over(payload, sizeof payload);
    if (!plain_fill(&t, o, c->run_ms, c->ul)) return false;
    const struct mqtt_publish p = {
        .topic = o->topic, .payload = payload, .length = t.length, .qos = 0, .expiry_s = ON_EXPIRY_S
    };
    return mqtt_publish(mqtt, &p) == MQTT_SENT;
}

static void say_offs(struct board *b, struct mqtt *mqtt)
{
    for (uint32_t i = 0; i < b->head.count; i++) {
        struct plain_line *line = &b->head.line[i];
        if (!plain_watch_off_due(&line->watch, b->head.up_ms)) continue;
        plain_watch_told_off(&line->watch, say_off(line->output, mqtt), b->head.up_ms);
    }
}

void relays_off(struct relays *r, struct mqtt *mqtt)
{
    for (uint32_t i = 0; r && i < r->count; i++) {
        for (uint32_t o = 0; o < r->board[i].head.count; o++) {
            (void)say_off(r->board[i].head.line[o].output, mqtt);
        }
    }
}

enum mqtt_result relays_command(struct relays *r, struct mqtt *mqtt, uint32_t chain,
    const struct chain_command *command, struct mono now)
{
    struct board *b = board_of(r, chain);
    uint32_t starts = STARTS_NOTHING;
    if (!b) return MQTT_UNSENT;
    /* A halt latches here whether or not it can be passed on: "off" is the first thing said then */
    const bool ends = command->action == CHAIN_STOP || command->action == CHAIN_HALT;
    if (!b->up && !ends) return MQTT_UNSENT;
    plain_head_advance(&b->head, up_ms(r, now));
    if (b->up) say_offs(b, mqtt); /* what has just ended goes off before it is on anew */
    plain_head_command(&b->head, command, &starts);
    if (!b->up) return MQTT_UNSENT;
    enum mqtt_result result = MQTT_SENT;
    if (starts != STARTS_NOTHING && !say_on(b->head.line[starts].output, command, mqtt)) {
        plain_head_unsent(&b->head, starts);
        result = MQTT_UNSENT;
    }
    say_offs(b, mqtt);
    return result;
}

void relays_claim(
    struct relays *r, uint32_t chain, const struct chain_claim *claim, struct mono now)
{
    struct board *b = board_of(r, chain);
    if (!b || !b->up) return;
    plain_head_advance(&b->head, up_ms(r, now));
    plain_head_claim(&b->head, claim);
    b->told = false; /* it is told anew, with the claim */
}

void relays_hear(struct relays *r, uint32_t chain, uint32_t position, bool on, struct mono now)
{
    struct board *b = board_of(r, chain);
    if (!b || position < 1 || position > b->head.count) return;
    plain_head_advance(&b->head, up_ms(r, now));
    plain_head_hear(&b->head, position - 1, on);
}

/* --- to the core ------------------------------------------------------------------------------ */

static struct event event_of(enum event_kind kind, uint32_t chain)
{
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = kind;
    e.chain = chain;
    return e;
}

static void tell_beat(struct board *b, const struct relays_core *core, struct mono now)
{
    struct event e = event_of(EVENT_BEAT, b->chain);
    (void)text_copy(e.beat.boot, sizeof e.beat.boot, b->head.boot);
    e.beat.up_ms = b->head.up_ms;
    e.beat.halted = b->head.halted;
    b->beat_at = now;
    core->event(core->context, &e);
}

static void tell_manual(struct board *b, const struct relays_core *core)
{
    struct event e = event_of(EVENT_MANUAL, b->chain);
    plain_head_manual(&b->head, &e.manual);
    b->head.manual_changed = false;
    core->event(core->context, &e);
}

/* All that a head publishes when it starts. Its ledger is empty: what ran before this start, or
 * while the broker was away, is unsure and counts in full. */
static void tell_all(struct board *b, const struct relays_core *core, struct mono now)
{
    struct event e = event_of(EVENT_HEAD, b->chain);
    e.head_ready = true;
    core->event(core->context, &e);
    e = event_of(EVENT_ROLL, b->chain);
    plain_head_roll(&b->head, &e.roll);
    core->event(core->context, &e);
    e = event_of(EVENT_CLAIM, b->chain);
    e.claim = b->head.claim;
    core->event(core->context, &e);
    tell_manual(b, core);
    tell_beat(b, core, now);
}

static void tell_reports(struct board *b, const struct relays_core *core)
{
    struct chain_report report;
    while (plain_head_take(&b->head, &report)) {
        struct event e = event_of(EVENT_REPORT, b->chain);
        e.report = report;
        core->event(core->context, &e);
    }
}

static void tell_ledger(struct board *b, const struct relays_core *core)
{
    struct event e = event_of(EVENT_LEDGER, b->chain);
    (void)text_copy(e.ledger.boot, sizeof e.ledger.boot, b->head.boot);
    core->event(core->context, &e);
}

static void tell_findings(struct board *b, const struct relays_core *core)
{
    for (uint32_t i = 0; i < b->head.count; i++) {
        struct plain_watch *watch = &b->head.line[i].watch;
        enum plain_finding finding;
        while ((finding = plain_watch_find(watch, b->head.up_ms)) != PLAIN_NOTHING_NEW) {
            struct event e = event_of(EVENT_BOARD, b->chain);
            e.board.position = i + 1;
            e.board.finding = finding;
            core->event(core->context, &e);
        }
    }
}

/* --- time ------------------------------------------------------------------------------------- */

static void turn(
    struct board *b, struct mqtt *mqtt, const struct relays_core *core, struct mono now)
{
    say_offs(b, mqtt);
    const bool begins = !b->told;
    b->told = true;
    if (begins) tell_all(b, core, now);
    tell_reports(b, core);
    if (begins) tell_ledger(b, core);
    if (b->head.manual_changed) tell_manual(b, core);
    tell_findings(b, core);
    if (mono_since(now, b->beat_at) >= PLAIN_BEAT_MS) tell_beat(b, core, now);
}

void relays_turn(
    struct relays *r, struct mqtt *mqtt, bool up, const struct relays_core *core, struct mono now)
{
    for (uint32_t i = 0; r && i < r->count; i++) {
        struct board *b = &r->board[i];
        plain_head_advance(&b->head, up_ms(r, now));
        if (b->up && !up) plain_head_lost(&b->head);
        if (!up) b->told = false;
        b->up = up;
        if (up) turn(b, mqtt, core, now);
    }
}

struct mono relays_due(const struct relays *r)
{
    struct mono due = { INT64_MAX };
    for (uint32_t i = 0; r && i < r->count; i++) {
        const struct board *b = &r->board[i];
        if (!b->up) continue;
        const int64_t head_ms = plain_head_due_ms(&b->head);
        const struct mono beat = mono_after(b->beat_at, PLAIN_BEAT_MS);
        if (beat.ms < due.ms) due = beat;
        if (head_ms != PLAIN_NEVER_MS && r->zero.ms + head_ms < due.ms)
            due = mono_after(r->zero, head_ms);
    }
    return due;
}
