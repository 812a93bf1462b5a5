/* The bench of core_fixture.h with something to look after. */
#ifndef DOSEWRIGHT_TESTS_UPKEEP_FIXTURE_H
#define DOSEWRIGHT_TESTS_UPKEEP_FIXTURE_H

#include "tests/unit/core/core_fixture.h"

static inline struct upkeep_tank *upkeep(void)
{
    return &b.core->tank[BASIL].upkeep;
}

static inline bool stands(const char *id)
{
    return alert_stands(b.core, id);
}

/* The text of an alert that stands; "" else. */
static inline const char *said(const char *id)
{
    for (int i = 0; i < CORE_ALERTS_MAX; i++) {
        if (b.core->alert[i].used && text_same(b.core->alert[i].id, id))
            return b.core->alert[i].text;
    }
    return "";
}

/* Time passes, the links hold, and every tank is looked after. */
static inline void look_after(int64_t span_ms)
{
    pass(span_ms);
    for (uint32_t i = 0; i < TANKS; i++) {
        b.actions.count = 0;
        b.core->seen = b.now.mono;
        b.core->tank[i].upkeep.due = b.now.mono;
        core_turn_upkeep(b.core, i, b.now, &b.actions);
        keep_records();
    }
}

/* A dose of so much that was given in full, in as many milliseconds. */
static inline void give(uint32_t tank, uint32_t pump, int64_t ul)
{
    char id[CHAIN_WORD_MAX];
    b.core->seen = b.now.mono;
    text_copy(id, sizeof id, send_dose(tank, pump, ul)->id);
    pass(ul);
    tell_report(id, CHAIN_DONE, ul);
}

static inline bool ask_kind(enum request_kind kind, uint32_t tank, uint32_t stock, int64_t ul)
{
    const struct event_request q = { .kind = kind, .tank = tank, .stock = stock, .ul = ul };
    return ask_for(q);
}

static inline bool acknowledge(const char *id)
{
    struct event_request q = { .kind = REQUEST_ACKNOWLEDGE };
    text_copy(q.word, sizeof q.word, id);
    return ask_for(q);
}

/* The journal as it is after all before a new segment has been pruned. */
static inline void prune(void)
{
    static struct actions carried;
    uint32_t cursor = 0;
    b.record_count = 0;
    while (core_carry(b.core, &cursor, b.now, &carried)) {
        b.actions = carried;
        keep_records();
    }
}

/* The configuration changes: 'change' works on the bench's site in place. */
static inline void reload(void)
{
    struct core *old = b.core;
    void *block = malloc(core_size(&b.site));
    ck_assert_ptr_nonnull(block);
    struct core *fresh = core_init(block, &b.site, &old->identity, b.now);
    core_reload(fresh, old, b.now, &b.actions);
    keep_records();
    free(b.block);
    b.block = block;
    b.core = fresh;
}

#endif
