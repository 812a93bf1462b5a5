/* What runs on a head's outputs, and for how long. */
#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/plant/head_inside.h"

bool head_is_halted(const struct head *h)
{
    return h->halted || h->switch_halted;
}

bool head_runs(const struct head *h, uint32_t module, uint32_t channel)
{
    INVARIANT(module < CHAIN_MODULES_MAX && channel <= CHAIN_CHANNELS_MAX);
    return module < h->count && h->module[module].output[channel].running;
}

/* --- commanded runs --------------------------------------------------------------------------- */

void head_begin(struct head_run *run, const struct head *h, const struct chain_command *c)
{
    INVARIANT(!run->running && !head_is_halted(h) && c->run_ms > 0);
    run->running = true;
    run->by_hand = false;
    run->since_ms = h->up_ms;
    run->run_ms = c->run_ms;
    text_copy(run->id, sizeof run->id, c->id);
    run->needs = c->action == CHAIN_DOSE && c->needs.position > 0;
    run->needs_module = 0;
    for (uint32_t m = 0; run->needs && m < h->count; m++) {
        if (h->module[m].info.position == c->needs.position) run->needs_module = m;
    }
}

void head_end(struct head *h, struct head_run *run, enum chain_state state, bool unsure)
{
    INVARIANT(run->running && !run->by_hand);
    struct chain_report r = {
        .state = state, .ran_ms = h->up_ms - run->since_ms, .unsure = unsure
    };
    INVARIANT(r.ran_ms >= 0 && r.ran_ms <= run->run_ms);
    text_copy(r.id, sizeof r.id, run->id);
    run->running = false;
    head_outcome(h, &r);
}

/* Calls 'visit' for each output, doses before the circulation that they may need. */
static void each_output(
    struct head *h, void (*visit)(struct head *h, uint32_t module, uint32_t channel))
{
    for (uint32_t m = 0; m < h->count; m++) {
        for (uint32_t c = 1; c <= h->module[m].info.channels; c++) {
            visit(h, m, c);
        }
    }
    for (uint32_t m = 0; m < h->count; m++) {
        visit(h, m, CHAIN_CIRCULATION_CHANNEL);
    }
}

static void drop_if_needy(struct head *h, uint32_t module, uint32_t channel)
{
    struct head_run *run = &h->module[module].output[channel];
    if (!run->running || run->by_hand || !run->needs) return;
    if (!head_runs(h, run->needs_module, CHAIN_CIRCULATION_CHANNEL))
        head_end(h, run, CHAIN_STOPPED, false);
}

void head_drop_needy(struct head *h)
{
    each_output(h, drop_if_needy);
}

static void stop_commanded(struct head *h, uint32_t module, uint32_t channel)
{
    struct head_run *run = &h->module[module].output[channel];
    if (run->running && !run->by_hand) head_end(h, run, CHAIN_STOPPED, false);
}

void head_stop_commanded(struct head *h)
{
    each_output(h, stop_commanded);
}

void head_stop_all(struct head *h)
{
    each_output(h, head_still);
}

static void finish_if_due(struct head *h, uint32_t module, uint32_t channel)
{
    struct head_run *run = &h->module[module].output[channel];
    if (run->running && !run->by_hand && run->since_ms + run->run_ms <= h->up_ms)
        head_end(h, run, CHAIN_DONE, false);
}

/* --- runs by hand ----------------------------------------------------------------------------- */

static bool hand_runs(const struct head *h, uint32_t module, uint32_t channel)
{
    return head_runs(h, module, channel) && h->module[module].output[channel].by_hand;
}

/* The total of an output; made when there is none yet and there is room, else NULL. */
static int64_t *hand_total(struct head *h, uint32_t module, uint32_t channel)
{
    struct chain_manual *manual = &h->manual;
    const char *serial = h->module[module].info.serial;
    for (uint32_t i = 0; i < manual->count; i++) {
        if (manual->total[i].channel == channel && text_same(manual->total[i].serial, serial))
            return &manual->total[i].ms;
    }
    if (manual->count == HEAD_TOTALS_MAX) return NULL;
    const uint32_t i = manual->count++;
    text_copy(manual->total[i].serial, sizeof manual->total[i].serial, serial);
    manual->total[i].channel = channel;
    manual->total[i].ms = 0;
    return &manual->total[i].ms;
}

/* The hand-run output that was switched on last; false when there is none. */
static bool latest_hand(const struct head *h, uint32_t *ret_module, uint32_t *ret_channel)
{
    int64_t latest_ms = -1;
    for (uint32_t m = 0; m < h->count; m++) {
        for (uint32_t c = 0; c <= h->module[m].info.channels; c++) {
            const struct head_run *run = &h->module[m].output[c];
            if (!hand_runs(h, m, c) || run->since_ms <= latest_ms) continue;
            latest_ms = run->since_ms;
            *ret_module = m;
            *ret_channel = c;
        }
    }
    return latest_ms >= 0;
}

void head_tell_hand(struct head *h)
{
    struct chain_manual *manual = &h->manual;
    manual->running = latest_hand(h, &h->hand_module, &h->hand_channel);
    const struct head_module *m = &h->module[h->hand_module];
    text_copy(manual->boot, sizeof manual->boot, h->boot);
    text_copy(manual->serial, sizeof manual->serial, m->info.serial);
    manual->channel = h->hand_channel;
    manual->ran_ms = h->up_ms - m->output[h->hand_channel].since_ms;
    manual->n++;
    h->hand_told_ms = h->up_ms;
    h->manual_changed = true;
}

static void end_hand(struct head *h, uint32_t module, uint32_t channel)
{
    h->module[module].output[channel].running = false;
    h->hand_module = module;
    h->hand_channel = channel;
    head_tell_hand(h);
}

void head_still(struct head *h, uint32_t module, uint32_t channel)
{
    if (hand_runs(h, module, channel))
        end_hand(h, module, channel);
    else
        stop_commanded(h, module, channel);
}

static bool has_output(const struct head *h, uint32_t module, uint32_t channel)
{
    if (module >= h->count) return false;
    const struct chain_module *info = &h->module[module].info;
    return channel == CHAIN_CIRCULATION_CHANNEL ? info->circulation : channel <= info->channels;
}

void head_hand(struct head *h, uint32_t module, uint32_t channel, bool on)
{
    if (!has_output(h, module, channel)) return;
    struct head_run *run = &h->module[module].output[channel];
    if (!on) {
        if (!hand_runs(h, module, channel)) return;
        end_hand(h, module, channel);
        head_drop_needy(h);
        return;
    }
    if (head_is_halted(h) || h->module[module].fault || hand_runs(h, module, channel)) return;
    if (!hand_total(h, module, channel)) return;
    stop_commanded(h, module, channel);
    run->running = run->by_hand = true;
    run->since_ms = h->up_ms;
    run->run_ms = 0;
    run->needs = false;
    run->id[0] = '\0';
    head_tell_hand(h);
}

/* --- time ------------------------------------------------------------------------------------- */

int64_t head_next_end(const struct head *h)
{
    int64_t next_ms = INT64_MAX;
    for (uint32_t m = 0; m < h->count; m++) {
        for (uint32_t c = 0; c <= h->module[m].info.channels; c++) {
            const struct head_run *run = &h->module[m].output[c];
            if (!run->running) continue;
            const int64_t at_ms =
                run->by_hand ? h->hand_told_ms + HEAD_HAND_TELL_MS : run->since_ms + run->run_ms;
            if (at_ms < next_ms) next_ms = at_ms;
        }
    }
    return next_ms;
}

/* What runs has run for that much longer. */
static void pass(struct head *h, int64_t up_ms)
{
    const int64_t span_ms = up_ms - h->up_ms;
    INVARIANT(span_ms >= 0);
    h->up_ms = up_ms;
    for (uint32_t m = 0; m < h->count; m++) {
        for (uint32_t c = 0; c <= h->module[m].info.channels; c++) {
            struct head_run *run = &h->module[m].output[c];
            if (!run->running) continue;
            if (!run->by_hand) {
                run->total_ms += span_ms;
                continue;
            }
            run->hand_ms += span_ms;
            int64_t *total_ms = hand_total(h, m, c);
            INVARIANT(total_ms);
            *total_ms += span_ms;
        }
    }
}

void head_advance(struct head *h, int64_t up_ms)
{
    INVARIANT(up_ms >= h->up_ms);
    /* each round ends a run or tells of one by hand: bounded by outputs and by time passed */
    for (int64_t next_ms = head_next_end(h); next_ms <= up_ms; next_ms = head_next_end(h)) {
        uint32_t m, c;
        pass(h, next_ms);
        each_output(h, finish_if_due);
        head_drop_needy(h);
        if (h->up_ms - h->hand_told_ms >= HEAD_HAND_TELL_MS && latest_hand(h, &m, &c))
            head_tell_hand(h);
    }
    pass(h, up_ms);
}
