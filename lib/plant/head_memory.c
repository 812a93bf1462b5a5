/* Which commands a head has seen, and what became of them. */
#include <string.h>

#include "lib/base/text.h"
#include "lib/plant/head_inside.h"

void head_report(struct head *h, struct chain_report report)
{
    if (h->report_count == HEAD_REPORTS_MAX) {
        h->report_count--;
        memmove(&h->report[0], &h->report[1], h->report_count * sizeof h->report[0]);
    }
    text_copy(report.boot, sizeof report.boot, h->boot);
    report.up_ms = h->up_ms;
    h->report[h->report_count++] = report;
}

bool head_take_report(struct head *h, struct chain_report *ret)
{
    if (h->report_count == 0) return false;
    *ret = h->report[0];
    h->report_count--;
    memmove(&h->report[0], &h->report[1], h->report_count * sizeof h->report[0]);
    return true;
}

/* A running command's time as it is now. */
static void bring_up_to_date(const struct head *h, struct chain_report *outcome)
{
    if (outcome->state != CHAIN_RUNNING) return;
    for (uint32_t m = 0; m < h->count; m++) {
        for (uint32_t c = 0; c <= h->module[m].info.channels; c++) {
            const struct head_run *run = &h->module[m].output[c];
            if (run->running && !run->by_hand && text_same(run->id, outcome->id))
                outcome->ran_ms = h->up_ms - run->since_ms;
        }
    }
}

static struct chain_report *seen_outcome(struct head *h, const char *id)
{
    for (uint32_t i = 0; i < h->seen_count; i++) {
        if (text_same(h->seen[i].id, id)) return &h->seen[i].outcome;
    }
    return NULL;
}

static struct chain_report *ledger_entry(struct head *h, const char *id)
{
    for (uint32_t i = 0; i < h->ledger.count; i++) {
        if (text_same(h->ledger.entry[i].id, id)) return &h->ledger.entry[i];
    }
    return NULL;
}

const struct chain_report *head_recall(struct head *h, const char *id)
{
    struct chain_report *outcome = seen_outcome(h, id);
    if (!outcome) outcome = ledger_entry(h, id);
    if (outcome) bring_up_to_date(h, outcome);
    return outcome;
}

/* The place to use next, or HEAD_IDS_MAX. Among those that are free again, the one whose time
 * passed first: an id is known for as long as there is room. */
static uint32_t free_place(const struct head *h)
{
    if (h->seen_count < HEAD_IDS_MAX) return h->seen_count;
    uint32_t best = HEAD_IDS_MAX;
    for (uint32_t i = 0; i < HEAD_IDS_MAX; i++) {
        if (h->seen[i].until_ms >= h->up_ms || h->seen[i].outcome.state == CHAIN_RUNNING) continue;
        if (best == HEAD_IDS_MAX || h->seen[i].until_ms < h->seen[best].until_ms) best = i;
    }
    return best;
}

bool head_can_remember(const struct head *h)
{
    return free_place(h) < HEAD_IDS_MAX;
}

void head_remember(
    struct head *h, const struct chain_command *command, const struct chain_report *outcome)
{
    const uint32_t i = free_place(h);
    if (i == HEAD_IDS_MAX) { /* a copy of it may come later, when there is a place: it stays out */
        if (command->until_ms > h->shut_until_ms) h->shut_until_ms = command->until_ms;
        return;
    }
    if (i == h->seen_count) h->seen_count++;
    text_copy(h->seen[i].id, sizeof h->seen[i].id, command->id);
    h->seen[i].until_ms = command->until_ms;
    h->seen[i].outcome = *outcome;
}

void head_enter(struct head *h, const struct chain_report *outcome)
{
    struct chain_ledger *l = &h->ledger;
    if (l->count < CHAIN_LEDGER_MAX) l->count++;
    memmove(&l->entry[1], &l->entry[0], (l->count - 1) * sizeof l->entry[0]);
    l->entry[0] = *outcome;
    text_copy(l->entry[0].boot, sizeof l->entry[0].boot, h->boot);
    h->ledger_changed = true;
}

void head_outcome(struct head *h, const struct chain_report *outcome)
{
    struct chain_report *places[2] = { ledger_entry(h, outcome->id), seen_outcome(h, outcome->id) };
    for (size_t i = 0; i < 2; i++) {
        if (!places[i]) continue;
        places[i]->state = outcome->state;
        places[i]->ran_ms = outcome->ran_ms;
        places[i]->unsure = outcome->unsure;
    }
    h->ledger_changed = h->ledger_changed || places[0];
    head_report(h, *outcome);
}
