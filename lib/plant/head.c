/* A head's life: birth, restart, claim, roll-call and stop switch. */
#include "lib/plant/head.h"

#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/plant/head_inside.h"

enum { REIGN_STEP_MOST = 1000 };

static void publish_all(struct head *h)
{
    h->roll_changed = h->claim_changed = h->ledger_changed = true;
    h->manual_changed = h->command_changed = true;
}

void head_init(struct head *h, const struct head_config *config)
{
    INVARIANT(config->count <= CHAIN_MODULES_MAX && chain_id_valid(config->boot));
    memset(h, 0, sizeof *h);
    text_copy(h->boot, sizeof h->boot, config->boot);
    text_copy(h->ledger.boot, sizeof h->ledger.boot, config->boot);
    text_copy(h->manual.boot, sizeof h->manual.boot, config->boot);
    h->epoch = 1;
    h->shut_until_ms = -1;
    h->beat_ms = config->beat_ms;
    h->max_run_ms = config->max_run_ms;
    h->max_circulate_ms = config->max_circulate_ms;
    h->count = config->count;
    for (uint32_t m = 0; m < config->count; m++) {
        INVARIANT(config->module[m].channels <= CHAIN_CHANNELS_MAX);
        h->module[m].info = config->module[m];
    }
    publish_all(h);
}

/* --- restart ---------------------------------------------------------------------------------- */

/* Keeps what the boot that ends accepted; what it was running has an unsure end. */
static void age_ledger(struct head *h)
{
    uint32_t kept = 0;
    for (uint32_t i = 0; i < h->ledger.count; i++) {
        struct chain_report e = h->ledger.entry[i];
        if (!text_same(e.boot, h->boot)) continue;
        if (e.state == CHAIN_RUNNING) {
            const struct chain_report *now = head_recall(h, e.id);
            e.ran_ms = now->ran_ms;
            e.state = CHAIN_STOPPED;
            e.unsure = true;
        }
        h->ledger.entry[kept++] = e;
    }
    h->ledger.count = kept;
}

void head_reboot(struct head *h, const char *boot)
{
    INVARIANT(chain_id_valid(boot));
    age_ledger(h);
    h->seen_count = 0;
    h->shut_until_ms = -1;
    for (uint32_t m = 0; m < h->count; m++) {
        for (uint32_t c = 0; c <= CHAIN_CHANNELS_MAX; c++) {
            struct head_run *run = &h->module[m].output[c];
            if (run->running && run->by_hand) head_still(h, m, c);
            run->running = run->by_hand = run->needs = false;
            run->since_ms = 0;
        }
    }
    text_copy(h->boot, sizeof h->boot, boot);
    text_copy(h->ledger.boot, sizeof h->ledger.boot, boot);
    text_copy(h->manual.boot, sizeof h->manual.boot, boot);
    h->up_ms = h->hand_told_ms = 0;
    h->epoch = 1;
    h->dropped = 0;
    h->report_count = 0;
    memset(&h->accepted, 0, sizeof h->accepted);
    publish_all(h);
}

/* --- who commands ----------------------------------------------------------------------------- */

void head_claim(struct head *h, const struct chain_claim *claim)
{
    h->claim_changed = true; /* every claim is answered, taken or not */
    if (!chain_id_valid(claim->by)) return;
    if (claim->reign <= h->highest_reign || claim->reign - h->highest_reign > REIGN_STEP_MOST)
        return;
    head_stop_commanded(h);
    h->highest_reign = claim->reign;
    h->claim = *claim;
}

/* --- what is plugged in ----------------------------------------------------------------------- */

static const struct chain_module *at_position(
    const struct chain_module *module, uint32_t count, uint32_t position)
{
    for (uint32_t m = 0; m < count; m++) {
        if (module[m].position == position) return &module[m];
    }
    return NULL;
}

static bool same_outputs(const struct chain_module *a, const struct chain_module *b)
{
    return text_same(a->serial, b->serial) && a->channels == b->channels &&
           a->circulation == b->circulation;
}

/* Nothing that the epoch counts has changed. */
static bool same_chain(const struct head *h, const struct chain_module *module, uint32_t count)
{
    if (count != h->count) return false;
    for (uint32_t m = 0; m < h->count; m++) {
        const struct chain_module *now = at_position(module, count, h->module[m].info.position);
        if (!now || !same_outputs(&h->module[m].info, now)) return false;
    }
    return true;
}

/* Everything commanded stops; what has gone from its place stops with an unsure end. */
static void let_go(struct head *h, const struct chain_module *module, uint32_t count)
{
    for (uint32_t m = 0; m < h->count; m++) {
        const struct chain_module *now = at_position(module, count, h->module[m].info.position);
        if (now && same_outputs(now, &h->module[m].info)) continue;
        for (uint32_t c = 0; c <= h->module[m].info.channels; c++) {
            struct head_run *run = &h->module[m].output[c];
            if (run->running && !run->by_hand)
                head_end(h, run, CHAIN_STOPPED, true);
            else
                head_still(h, m, c);
        }
    }
    head_stop_commanded(h);
}

static uint32_t index_of(const struct head *h, uint32_t position)
{
    uint32_t m = 0;
    while (m < h->count && h->module[m].info.position != position) {
        m++;
    }
    return m;
}

/* While modules move in the array, a dose remembers the circulation that it needs by position. */
static void turn_needs(struct head *h, bool to_position)
{
    for (uint32_t m = 0; m < h->count; m++) {
        for (uint32_t c = 1; c <= CHAIN_CHANNELS_MAX; c++) {
            struct head_run *run = &h->module[m].output[c];
            if (!run->running || !run->needs) continue;
            run->needs_module = to_position ? h->module[run->needs_module].info.position
                                            : index_of(h, run->needs_module);
        }
    }
}

/* Modules that stay at their position keep their outputs; the array takes the order of the list. */
static void replug(struct head *h, const struct chain_module *module, uint32_t count)
{
    uint32_t kept = 0;
    for (uint32_t m = 0; m < h->count; m++) {
        if (!at_position(module, count, h->module[m].info.position)) continue;
        if (kept != m) h->module[kept] = h->module[m];
        kept++;
    }
    for (uint32_t m = 0; m < count; m++) {
        uint32_t from = m;
        while (from < kept && h->module[from].info.position != module[m].position) {
            from++;
        }
        if (from >=
            kept) { /* new: what stood here moves behind those that are still to be placed */
            if (m < kept) h->module[kept] = h->module[m];
            kept++;
            memset(&h->module[m], 0, sizeof h->module[m]);
        } else if (from != m) {
            const struct head_module other = h->module[m];
            h->module[m] = h->module[from];
            h->module[from] = other;
        }
        if (!text_same(h->module[m].info.serial, module[m].serial)) h->module[m].fault = false;
        h->module[m].info = module[m];
    }
    h->count = count;
}

void head_set_modules(struct head *h, const struct chain_module *module, uint32_t count)
{
    INVARIANT(count <= CHAIN_MODULES_MAX);
    for (uint32_t m = 0; m < count; m++) {
        INVARIANT(module[m].channels <= CHAIN_CHANNELS_MAX);
        INVARIANT(at_position(module, count, module[m].position) == &module[m]);
    }
    const bool same = same_chain(h, module, count);
    if (!same) let_go(h, module, count);
    turn_needs(h, true);
    replug(h, module, count);
    turn_needs(h, false);
    if (!same) h->epoch++;
    h->roll_changed = true;
}

void head_roll(const struct head *h, struct chain_roll *ret)
{
    memset(ret, 0, sizeof *ret);
    text_copy(ret->boot, sizeof ret->boot, h->boot);
    ret->epoch = h->epoch;
    ret->beat_ms = h->beat_ms;
    ret->max_run_ms = h->max_run_ms;
    ret->max_circulate_ms = h->max_circulate_ms;
    ret->count = h->count;
    for (uint32_t m = 0; m < h->count; m++) {
        ret->module[m] = h->module[m].info;
    }
}

void head_stop_switch(struct head *h, bool pressed)
{
    h->switch_halted = pressed;
    if (pressed) head_stop_all(h);
}
