/* Heads and other daemons, as those tests tell of them that ask who commands a chain. */
#ifndef DOSEWRIGHT_TESTS_CORE_CLAIM_FIXTURE_H
#define DOSEWRIGHT_TESTS_CORE_CLAIM_FIXTURE_H

#include "tests/unit/core/core_fixture.h"

static struct core_chain *west(void)
{
    return &b.core->chain[WEST];
}

/* Up to the claims: each chain is this one's. */
static void listen_to(const char *by, int64_t reign)
{
    tell_link(true);
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_head(c, true);
        tell_roll(c, c == WEST ? "boot-w" : "boot-e");
        tell_claim(c, by, reign);
    }
}

static void run_for(int64_t span_ms)
{
    for (int64_t ms = 0; ms < span_ms; ms += 500) {
        pass(500);
        ticks();
    }
}

static void tell_peer(const char *by, bool same_site)
{
    struct event e = { .kind = EVENT_PEER_BEAT, .peer = { .same_site = same_site } };
    text_copy(e.peer.by, sizeof e.peer.by, by);
    step(&e);
}

static void prepare(void)
{
    bench_init();
    bench_start();
}

#endif
