/* What the tests of the virtual chain head share: a chain of three modules, commands, reports. */
#ifndef DOSEWRIGHT_TESTS_HEADS_H
#define DOSEWRIGHT_TESTS_HEADS_H

#include <stdio.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/chain/address.h"
#include "lib/plant/head.h"
#include "tests/unit/support.h"

enum { MAX_RUN_MS = 120000, MAX_CIRCULATE_MS = 600000 };

static inline void put(char to[CHAIN_WORD_MAX], const char *word)
{
    text_copy(to, CHAIN_WORD_MAX, word);
}

static const char BY[] = "9f2c41d0";

/* Position 1: a1f3 with circulation; 2: b77c without; 3: c91d with circulation. Claimed by BY. */
static inline struct head_config chain_of_three(void)
{
    return (struct head_config){ .boot = "boot-1",
        .beat_ms = 2000,
        .max_run_ms = MAX_RUN_MS,
        .max_circulate_ms = MAX_CIRCULATE_MS,
        .count = 3,
        .module = { { .position = 1, .serial = "a1f3", .channels = 4, .circulation = true },
            { .position = 2, .serial = "b77c", .channels = 4 },
            { .position = 3, .serial = "c91d", .channels = 2, .circulation = true } } };
}

static inline struct head claimed_head(void)
{
    static struct head h;
    const struct head_config config = chain_of_three();
    head_init(&h, &config);
    struct chain_claim claim = { .reign = 7, .site = "tern-hall" };
    put(claim.by, BY);
    head_claim(&h, &claim);
    head_advance(&h, 10000);
    h.claim_changed = h.ledger_changed = h.command_changed = h.manual_changed = h.roll_changed =
        false;
    return h;
}

static inline struct chain_command blank_command(
    const struct head *h, const char *id, enum chain_action action)
{
    struct chain_command c = { .reign = h->claim.reign, .epoch = h->epoch, .action = action };
    put(c.id, id);
    put(c.by, h->claim.by);
    put(c.boot, h->boot);
    c.until_ms = h->up_ms + 8000;
    return c;
}

static inline struct chain_command dose(
    const struct head *h, const char *id, uint32_t module, uint32_t channel, int64_t run_ms)
{
    struct chain_command c = blank_command(h, id, CHAIN_DOSE);
    c.position = h->module[module].info.position;
    put(c.serial, h->module[module].info.serial);
    c.channel = channel;
    c.run_ms = run_ms;
    return c;
}

static inline struct chain_command circulate(
    const struct head *h, const char *id, uint32_t module, int64_t run_ms)
{
    struct chain_command c = dose(h, id, module, 0, run_ms);
    c.action = CHAIN_CIRCULATE;
    return c;
}

static inline struct chain_command needing(struct chain_command c, const struct head_module *m)
{
    c.needs.position = m->info.position;
    put(c.needs.serial, m->info.serial);
    return c;
}

static inline void give(struct head *h, struct chain_command c)
{
    head_command(h, &c, false);
}

/* The next report, as "id state ran_ms [reason] [unsure]"; "" when there is none. */
static inline const char *said(struct head *h)
{
    static char line[160];
    struct chain_report r;
    if (!head_take_report(h, &r)) return "";
    ck_assert_str_eq(r.boot, h->boot);
    snprintf(line, sizeof line, "%s %s %lld%s%s%s", r.id, chain_state_word(r.state),
        (long long)r.ran_ms, r.reason ? " " : "", chain_reason_word(r.reason),
        r.unsure ? " unsure" : "");
    return line;
}

/* The ledger's line 'i' (0 is the newest) in the same form. */
static inline const char *entry(const struct head *h, uint32_t i)
{
    static char line[160];
    if (i >= h->ledger.count) return "";
    const struct chain_report *r = &h->ledger.entry[i];
    snprintf(line, sizeof line, "%s@%s %s %lld%s", r->id, r->boot, chain_state_word(r->state),
        (long long)r->ran_ms, r->unsure ? " unsure" : "");
    return line;
}

static inline void expect(struct head *h, const char *const reports[])
{
    for (; *reports; reports++) {
        ck_assert_str_eq(said(h), *reports);
    }
    ck_assert_str_eq(said(h), "");
}
#define EXPECT(h, ...) expect(h, (const char *const[]){ __VA_ARGS__, NULL })

/* How many outputs are on, by hand or by command. */
static inline int outputs_on(const struct head *h)
{
    int on = 0;
    for (uint32_t m = 0; m < h->count; m++) {
        for (uint32_t c = 0; c <= CHAIN_CHANNELS_MAX; c++) {
            on += head_runs(h, m, c);
        }
    }
    return on;
}

#endif
