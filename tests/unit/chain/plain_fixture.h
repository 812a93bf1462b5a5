/* A head of plain outputs for tests: a tank's four outputs, and how it is commanded and asked. */
#ifndef DOSEWRIGHT_TESTS_PLAIN_FIXTURE_H
#define DOSEWRIGHT_TESTS_PLAIN_FIXTURE_H

#include <string.h>

#include "lib/chain/address.h"
#include "lib/chain/plain_head.h"
#include "tests/unit/support.h"

/* The outputs of a tank: circulation switched and reporting, one timed without reports, one
 * switched with, one switched without. */
enum { FLOW, TIMED, SEEN, BLIND, LINES };

static const struct plain_output outputs[LINES] = {
    { "f/set", "on", "off", "f", "", PLAIN_SWITCHED, true, 120000, 1 },
    { "a/set", "${ms}", "0", NULL, "", PLAIN_MS, false, 0, 1 },
    { "b/set", "on", "off", "b", "", PLAIN_SWITCHED, false, 20000, 1 },
    { "c/set", "on", "off", NULL, "", PLAIN_SWITCHED, false, 10000, 1 },
};

static struct chain_config config;
static struct plain_head h;
static int next_id;

static inline void start(void)
{
    config = (struct chain_config){ .key = "basil", .plain = true, .count = LINES };
    for (uint32_t i = 0; i < LINES; i++) {
        struct chain_module_config *m = &config.module[i];
        m->position = i + 1;
        m->plain = &outputs[i];
        plain_serial(m->serial, &outputs[i]);
    }
    plain_head_init(&h, &config, "boot-1");
    plain_head_claim(&h, &(struct chain_claim){ .by = "d1", .reign = 3, .site = "tern-hall" });
    for (uint32_t i = 0; i < LINES; i++) {
        plain_watch_told_off(&h.line[i].watch, true, 0);
        if (outputs[i].state_topic) plain_head_hear(&h, i, false);
    }
}

static inline struct chain_command command(enum chain_action action, uint32_t line, int64_t run_ms)
{
    struct chain_command c = { .action = action,
        .reign = 3,
        .epoch = 1,
        .until_ms = h.up_ms + 8000,
        .position = line + 1,
        .channel = line == FLOW ? 0 : 1,
        .run_ms = run_ms };
    struct text id = text_over(c.id, sizeof c.id);
    text_add(&id, "d1-");
    text_add_int(&id, ++next_id);
    (void)text_copy(c.by, sizeof c.by, "d1");
    (void)text_copy(c.boot, sizeof c.boot, "boot-1");
    (void)text_copy(c.serial, sizeof c.serial, config.module[line].serial);
    return c;
}

static inline uint32_t give(const struct chain_command *c)
{
    uint32_t starts = 99;
    plain_head_command(&h, c, &starts);
    return starts;
}

static inline void circulate(void)
{
    const struct chain_command c = command(CHAIN_CIRCULATE, FLOW, 100000);
    ck_assert_uint_eq(give(&c), FLOW);
    plain_head_hear(&h, FLOW, true);
    struct chain_report r;
    ck_assert(plain_head_take(&h, &r) && r.state == CHAIN_RUNNING);
}

static inline struct chain_command dose(uint32_t line, int64_t run_ms)
{
    struct chain_command c = command(CHAIN_DOSE, line, run_ms);
    c.needs.position = FLOW + 1;
    return c;
}

static inline struct chain_report expect(enum chain_state state)
{
    struct chain_report r;
    ck_assert_msg(plain_head_take(&h, &r), "no report; %s expected", chain_state_word(state));
    ck_assert_str_eq(chain_state_word(r.state), chain_state_word(state));
    ck_assert_str_eq(r.boot, "boot-1");
    return r;
}

static inline void expect_nothing(void)
{
    struct chain_report r;
    ck_assert_msg(!plain_head_take(&h, &r), "%s", chain_state_word(r.state));
}

static inline bool off_due(uint32_t line)
{
    return plain_watch_off_due(&h.line[line].watch, h.up_ms);
}

#endif
