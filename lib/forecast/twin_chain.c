/* The chain heads, and what passes between them and the core. */
#include <string.h>

#include "lib/base/text.h"
#include "lib/forecast/twin_inside.h"

enum { MAX_RUN_MS = 120000, MAX_CIRCULATE_MS = 900000, CHANNELS_LEAST = 4 };

static void init_head(struct head *head, const struct chain_config *chain, int64_t beat_ms)
{
    struct head_config config = { .boot = "twin-head",
        .beat_ms = beat_ms,
        .max_run_ms = MAX_RUN_MS,
        .max_circulate_ms = MAX_CIRCULATE_MS,
        .count = chain->count };
    for (uint32_t m = 0; m < chain->count; m++) {
        const struct chain_module_config *from = &chain->module[m];
        struct chain_module *to = &config.module[m];
        to->position = from->position;
        to->channels = from->channels < CHANNELS_LEAST ? CHANNELS_LEAST : from->channels;
        to->circulation = from->circulation;
        (void)text_copy(to->serial, sizeof to->serial, from->serial);
        (void)text_copy(to->firmware, sizeof to->firmware, "1.0.0");
    }
    for (uint32_t m = 0; m < chain->count && chain->plain; m++) {
        const struct plain_output *o = chain->module[m].plain;
        int64_t *most_ms = o->circulation ? &config.max_circulate_ms : &config.max_run_ms;
        if (plain_longest_ms(o) < *most_ms) *most_ms = plain_longest_ms(o);
    }
    head_init(head, &config);
}

void twin_chains_init(struct twin *t)
{
    for (uint32_t c = 0; c < t->site->chain_count; c++) {
        init_head(&t->head[c], &t->site->chain[c], t->beat_ms);
    }
}

static struct event event_of(enum event_kind kind, uint32_t chain)
{
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = kind;
    e.chain = chain;
    return e;
}

static void tell_roll(struct twin *t, uint32_t chain)
{
    struct event e = event_of(EVENT_ROLL, chain);
    head_roll(&t->head[chain], &e.roll);
    twin_tell(t, &e);
}

static void tell_claim(struct twin *t, uint32_t chain)
{
    struct event e = event_of(EVENT_CLAIM, chain);
    e.claim = t->head[chain].claim;
    twin_tell(t, &e);
}

static void tell_ledger(struct twin *t, uint32_t chain)
{
    struct event e = event_of(EVENT_LEDGER, chain);
    e.ledger = t->head[chain].ledger;
    twin_tell(t, &e);
}

static void tell_manual(struct twin *t, uint32_t chain)
{
    struct event e = event_of(EVENT_MANUAL, chain);
    e.manual = t->head[chain].manual;
    twin_tell(t, &e);
}

/* --- time ------------------------------------------------------------------------------------- */

static int64_t up_ms(const struct twin *t)
{
    return mono_since(t->now.mono, t->head_zero);
}

static void advance(struct twin *t, uint32_t chain)
{
    head_advance(&t->head[chain], up_ms(t));
}

void twin_command(struct twin *t, uint32_t chain, const struct chain_command *command)
{
    advance(t, chain);
    head_command(&t->head[chain], command, false);
    twin_runs_changed(t, chain);
}

void twin_claim(struct twin *t, uint32_t chain, const struct chain_claim *claim)
{
    advance(t, chain);
    head_claim(&t->head[chain], claim);
    twin_runs_changed(t, chain);
}

static bool has_news(const struct head *h)
{
    return h->report_count > 0 || h->roll_changed || h->claim_changed || h->ledger_changed ||
           h->manual_changed;
}

/* The ledger first: it outlives what a listener may miss of the reports. */
static void publish(struct twin *t, uint32_t chain)
{
    struct head *h = &t->head[chain];
    const bool roll = h->roll_changed, claim = h->claim_changed;
    const bool ledger = h->ledger_changed, manual = h->manual_changed;
    h->roll_changed = h->claim_changed = h->ledger_changed = h->manual_changed = false;
    h->command_changed = false;
    if (roll) tell_roll(t, chain);
    if (claim) tell_claim(t, chain);
    if (ledger) tell_ledger(t, chain);
    if (manual) tell_manual(t, chain);
    struct event e = event_of(EVENT_REPORT, chain);
    while (head_take_report(h, &e.report)) {
        twin_tell(t, &e);
    }
}

void twin_chains_turn(struct twin *t)
{
    for (uint32_t c = 0; c < t->site->chain_count; c++) {
        struct head *h = &t->head[c];
        if (head_next_end(h) <= up_ms(t)) {
            advance(t, c);
            twin_runs_changed(t, c);
        }
        if (has_news(h)) publish(t, c);
    }
}

struct mono twin_chains_due(const struct twin *t)
{
    struct mono due = { INT64_MAX };
    for (uint32_t c = 0; c < t->site->chain_count; c++) {
        if (has_news(&t->head[c])) return t->now.mono;
        const int64_t end_ms = head_next_end(&t->head[c]);
        if (end_ms == INT64_MAX) continue;
        const struct mono at = mono_after(t->head_zero, end_ms);
        if (mono_since(at, due) < 0) due = at;
    }
    return due;
}

/* --- beats and the link ----------------------------------------------------------------------- */

void twin_beat(struct twin *t)
{
    for (uint32_t c = 0; c < t->site->chain_count; c++) {
        struct event e = event_of(EVENT_BEAT, c);
        advance(t, c);
        const struct head *h = &t->head[c];
        (void)text_copy(e.beat.boot, sizeof e.beat.boot, h->boot);
        e.beat.up_ms = h->up_ms;
        e.beat.halted = h->halted || h->switch_halted;
        e.beat.dropped = h->dropped;
        twin_tell(t, &e);
    }
}

void twin_connect(struct twin *t)
{
    struct event link = event_of(EVENT_LINK, 0);
    twin_tell(t, &link);
    link.link_up = true;
    twin_tell(t, &link);
    for (uint32_t c = 0; c < t->site->chain_count; c++) {
        struct event ready = event_of(EVENT_HEAD, c);
        ready.head_ready = true;
        twin_tell(t, &ready);
        tell_roll(t, c);
        tell_claim(t, c);
        tell_ledger(t, c);
        tell_manual(t, c);
    }
    twin_beat(t);
}
