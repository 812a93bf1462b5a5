/* Another daemon's journal, and hearing of it: for the tests of one that stands by. */
#ifndef DOSEWRIGHT_TESTS_CORE_FOLLOW_FIXTURE_H
#define DOSEWRIGHT_TESTS_CORE_FOLLOW_FIXTURE_H

#include "lib/core/limits_known.h"
#include "tests/unit/core/core_fixture.h"

enum { KEPT = 2000 };

/* The other's journal: sealed as a daemon does it, with a short sum for a hash. */
static struct {
    struct link_tip tip;
    struct event_entry entry[KEPT + 1]; /* by seq */
    struct record record[KEPT + 1];
    char salt;
} other;

static inline void sum(const void *bytes, size_t count, uint8_t ret[LINK_HASH_BYTES])
{
    uint64_t h = UINT64_C(14695981039346656037) ^ (uint64_t)(unsigned char)other.salt;
    for (size_t i = 0; i < count; i++) {
        h = (h ^ ((const uint8_t *)bytes)[i]) * UINT64_C(1099511628211);
    }
    for (size_t i = 0; i < LINK_HASH_BYTES; i++) {
        ret[i] = (uint8_t)(h >> 8 * (i % 8));
    }
}

static inline struct record *write_down(const char *kind)
{
    struct record *r = &other.record[other.tip.seq + 1];
    record_start(r, kind);
    return r;
}

/* What write_down began is in its journal now. */
static inline int64_t seal(void)
{
    char bytes[RECORD_LINE_MAX];
    struct text line = text_over(bytes, sizeof bytes);
    const struct link_stamp stamp = { .now = b.now, .boot = "other-board" };
    const int64_t seq = other.tip.seq + 1;
    ck_assert_int_le(seq, KEPT);
    other.entry[seq].record = &other.record[seq];
    other.entry[seq].before = other.tip;
    ck_assert_int_eq(link_seal(&other.tip, &other.record[seq], &stamp, sum, &line), ERR_NONE);
    other.entry[seq].place = other.tip;
    return seq;
}

static inline void hear(int64_t seq)
{
    const struct event e = { .kind = EVENT_ENTRY, .entry = other.entry[seq] };
    step(&e);
}

static inline void hear_tip(void)
{
    const struct event e = { .kind = EVENT_TIP, .tip = other.tip };
    step(&e);
}

static inline int64_t write_dose(const char *id, int64_t ul)
{
    struct record *r = write_down("dose");
    record_add_text(r, "id", id);
    record_add_text(r, "tank", "basil");
    record_add_text(r, "stock", "leaf-a");
    record_add_text(r, "chain", "west");
    record_add_int(r, "ul", ul);
    record_add_int(r, "run_ms", ul);
    record_add_int(r, "ends_ms", ul + 8000);
    record_add_real(r, "gain", 1.5, 3);
    return seal();
}

static inline int64_t write_outcome(const char *id, int64_t ul)
{
    struct record *r = write_down("outcome");
    record_add_text(r, "id", id);
    record_add_text(r, "state", "done");
    record_add_int(r, "ul", ul);
    record_add_int(r, "ran_ms", ul);
    record_add_truth(r, "unsure", false);
    return seal();
}

static inline int64_t write_plain(const char *kind)
{
    (void)write_down(kind);
    return seal();
}

static inline int64_t write_claim(const char *chain, const char *before, int64_t reign)
{
    struct record *r = write_down("claim");
    record_add_text(r, "chain", chain);
    record_add_text(r, "by", "other");
    record_add_text(r, "before", before);
    record_add_int(r, "reign", reign);
    return seal();
}

static inline void tell_peer(void)
{
    struct event e = { .kind = EVENT_PEER_BEAT, .peer = { .by = "other", .same_site = true } };
    step(&e);
}

static inline void tell_owner(const char *by, int64_t reign)
{
    for (uint32_t c = 0; c < CHAINS; c++) {
        tell_head(c, true);
        tell_roll(c, c == WEST ? "boot-w" : "boot-e");
        struct event e = { .kind = EVENT_CLAIM, .chain = c };
        text_copy(e.claim.by, sizeof e.claim.by, by);
        text_copy(e.claim.site, sizeof e.claim.site, "tern-hall");
        e.claim.reign = reign;
        step(&e);
    }
}

static inline void run_for(int64_t span_ms)
{
    for (int64_t ms = 0; ms < span_ms; ms += 500) {
        pass(500);
        ticks();
    }
}

static inline struct core_chain *west(void)
{
    return &b.core->chain[WEST];
}

static inline int64_t bottle_ul(void)
{
    return b.core->stock[LEAF_A].remaining_ul;
}

/* Stands by, in the other's journal from its first record on; and knows all that was before. */
static inline void stand_by(void)
{
    bench_init();
    memset(&other, 0, sizeof other);
    other.tip = link_start();
    bench_start();
    tell_link(true);
    tell_owner("other", 40);
    tell_peer();
    hear(write_plain("start"));
    core_know_limits(b.core, WEST, b.now.mono);
    core_know_limits(b.core, EAST, b.now.mono);
    b.record_count = 0; /* nor does the journal say otherwise */
}

/* The other falls silent; up to the moment at which the chains are this one's. */
static inline void take_over(const char *listed)
{
    run_for(CLAIM_SILENCE_MS + 2000);
    ck_assert(b.core->active);
    tell_link(true);
    tell_owner("other", 40);
    for (uint32_t c = 0; c < CHAINS; c++) {
        struct event e = { .kind = EVENT_LEDGER, .chain = c };
        text_copy(e.ledger.boot, sizeof e.ledger.boot, c == WEST ? "boot-w" : "boot-e");
        e.ledger.count = c == WEST && listed ? 1 : 0;
        if (listed) text_copy(e.ledger.entry[0].id, CHAIN_WORD_MAX, listed);
        text_copy(e.ledger.entry[0].boot, CHAIN_WORD_MAX, e.ledger.boot);
        e.ledger.entry[0].state = CHAIN_DONE;
        step(&e);
    }
    run_for(CLAIM_SILENCE_MS + 3000);
    ck_assert_int_eq(west()->asked_reign, 41);
    tell_owner(b.core->identity.by, 41);
    ck_assert(west()->ours);
}

#endif
