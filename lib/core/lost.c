/* A journal that lost its newest records: cut between two lines, or rolled back with its whole
 * disk. Its chain of hashes is whole, so it doesn't show; but a head lists the last commands that
 * it took, each of which was on disk before it left. A number that is higher than the last one that
 * was recorded, by the former self whose claim the journal holds, tells it. */
#include <string.h>

#include "lib/base/decimal.h"
#include "lib/base/text.h"
#include "lib/core/limits_known.h"
#include "lib/core/state.h"

/* "d1-12": whose it is, and its number. */
static bool split_id(char by[CHAIN_WORD_MAX], int64_t *n, const char *id)
{
    struct decimal d;
    const char *dash = NULL;
    for (const char *c = id; *c != '\0'; c++) {
        if (*c == '-') dash = c;
    }
    if (!dash || !decimal_read_plain(&d, dash + 1, strlen(dash + 1)) || d.decimals > 0)
        return false;
    *n = d.scaled;
    if (!text_copy(by, CHAIN_WORD_MAX, id)) return false;
    by[dash - id] = '\0';
    return true;
}

static void recall(struct core_known *k, const char *by, int64_t n)
{
    if (text_same(by, k->by) && n <= k->n) return;
    text_copy(k->by, sizeof k->by, by);
    k->n = n;
}

void core_recall_command(struct core *core, uint32_t chain, const char *id)
{
    char by[CHAIN_WORD_MAX];
    int64_t n;
    core_know_command(core, chain, id);
    if (split_id(by, &n, id)) recall(&core->chain[chain].known, by, n);
}

void core_recall_reign(struct core *core, uint32_t chain, const struct record *r)
{
    int64_t n = 0;
    (void)record_int(r, "n", &n);
    recall(&core->chain[chain].known, record_text_or_empty(r, "by"), n);
}

void core_record_last(const struct core *core, struct record *r)
{
    if (core->next_id == 0) return;
    char last[CHAIN_WORD_MAX];
    struct text id = text_over(last, sizeof last);
    text_add(&id, core->identity.by);
    text_add_char(&id, '-');
    text_add_int(&id, (int64_t)core->next_id);
    record_add_text(r, "last", last);
}

void core_recall_last(struct core *core, const struct record *r)
{
    char by[CHAIN_WORD_MAX];
    int64_t n;
    if (!split_id(by, &n, record_text_or_empty(r, "last"))) return;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        struct core_known *k = &core->chain[c].known;
        if (text_same(by, k->by)) recall(k, by, n);
    }
}

int64_t core_last_number(const struct core *core, uint32_t chain)
{
    const struct core_chain *c = &core->chain[chain];
    if (text_same(c->former.by, core->identity.by)) return (int64_t)core->next_id;
    return text_same(c->former.by, c->known.by) ? c->known.n : 0;
}

/* Stops and halts leave before they are recorded, and move nothing. */
static bool moves(const struct chain_report *e)
{
    return e->ran_ms > 0 || e->state == CHAIN_ACCEPTED || e->state == CHAIN_RUNNING;
}

/* Numbers run on over all chains, and so do records: what is missing comes after all of them. */
static bool recorded(const struct core *core, const char *by, int64_t n)
{
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        const struct core_known *k = &core->chain[c].known;
        if (text_same(by, k->by) && n <= k->n) return true;
    }
    return false;
}

/* It may be a halt. That goes to all heads, also to one whose claim wasn't in force: so it's held
 * against who commanded any chain. */
static void miss_halt(struct core *core, const char *by)
{
    if (core->halt_told.settled) return;
    for (uint32_t c = 0; c < core->site->chain_count && by[0]; c++) {
        if (text_same(by, core->chain[c].known.by)) core->halt_told.missed = true;
    }
}

void core_miss_records(struct core *core, uint32_t chain, const struct chain_ledger *ledger,
    struct now now, struct actions *ret)
{
    struct core_known *k = &core->chain[chain].known;
    char by[CHAIN_WORD_MAX];
    int64_t n;
    const bool knows = !k->missed && k->by[0] && text_same(k->by, core->chain[chain].former.by);
    for (uint32_t i = 0; i < ledger->count; i++) {
        const struct chain_report *e = &ledger->entry[i];
        if (!split_id(by, &n, e->id) || recorded(core, by, n)) continue;
        if (!moves(e)) miss_halt(core, by);
        if (!moves(e) || !knows || !text_same(by, k->by)) continue;
        k->missed = true;
        emit_log(ret, LOG_FAILED,
            "the journal has lost its newest records: the chain's head lists a command of before "
            "this start that isn't in it. Limits count as used up");
        core_lose_limits(core, chain, now, ret);
        return;
    }
}
