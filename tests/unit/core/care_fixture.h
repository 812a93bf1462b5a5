/* What the tests of the bench share: asking, and letting time pass. */
#ifndef DOSEWRIGHT_TESTS_CORE_CARE_FIXTURE_H
#define DOSEWRIGHT_TESTS_CORE_CARE_FIXTURE_H

#include "tests/unit/core/core_fixture.h"

static inline const char *told(void)
{
    return wanted(ACTION_ANSWER)->answer.text;
}

static inline void expect(const char *words)
{
    ck_assert_msg(strstr(told(), words) != NULL, "'%s' isn't in: %s", words, told());
}

static inline struct core_tank *basil(void)
{
    return &b.core->tank[BASIL];
}

static inline bool bench_tank(bool on)
{
    return ask_for((struct event_request){ .kind = REQUEST_BENCH, .tank = BASIL, .on = on });
}

static inline bool run_into_cup(enum request_kind kind, uint32_t stock, int64_t ul)
{
    return ask_for((struct event_request){
        .kind = kind, .tank = BASIL, .stock = stock, .ul = ul, .cup = true });
}

static inline bool into_tank(enum request_kind kind, uint32_t stock, int64_t ul)
{
    return ask_for((struct event_request){ .kind = kind, .tank = BASIL, .stock = stock, .ul = ul });
}

static inline bool measured(uint32_t stock, int64_t ul)
{
    return ask_for((struct event_request){
        .kind = REQUEST_MEASURED, .tank = BASIL, .stock = stock, .ul = ul });
}

/* A command of that kind in the last step, or NULL. */
static inline const struct chain_command *sent(enum chain_action what)
{
    for (uint32_t i = 0; i < b.actions.count; i++) {
        const struct action *a = &b.actions.item[i];
        if (a->kind == ACTION_SEND && a->command.action == what) return &a->command;
    }
    return NULL;
}

/* Lets the tank look around for so long; keeps heads and probes alive. True with the first dose. */
static inline bool dose_within(int64_t span_ms, struct chain_command *ret)
{
    for (int64_t ms = 0; ms < span_ms; ms += 500) {
        pass(500);
        for (uint32_t c = 0; c < CHAINS; c++) {
            tell_beat(c);
        }
        for (int n = 0; n < 64 && mono_since(core_wakes_at(b.core), b.now.mono) <= 0; n++) {
            tick();
            const struct chain_command *dose = sent(CHAIN_DOSE);
            if (!dose) continue;
            *ret = *dose;
            return true;
        }
    }
    return false;
}

static inline struct chain_command dose_now(void)
{
    struct chain_command dose;
    ck_assert_msg(dose_within(5000, &dose), "no dose: %s", basil()->why);
    return dose;
}

/* One whole run into the cup. */
static inline struct chain_command run_whole(enum request_kind kind, uint32_t stock, int64_t ul)
{
    ck_assert_msg(run_into_cup(kind, stock, ul), "%s", told());
    const struct chain_command c = dose_now();
    tell_report(c.id, CHAIN_RUNNING, 0);
    pass(c.run_ms);
    tell_beat(WEST);
    tell_report(c.id, CHAIN_DONE, c.run_ms);
    return c;
}

static inline void circulate_basil(void)
{
    struct core_tank *t = basil();
    t->circulation.command = (struct core_command){ .used = true,
        .id = "c-1",
        .run_ms = HOUR_MS,
        .asked = b.now.mono,
        .ends = mono_after(b.now.mono, HOUR_MS) };
    tell_report("c-1", CHAIN_RUNNING, 0);
    ck_assert(t->circulation.on);
}

#endif
