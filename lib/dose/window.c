#include "lib/dose/window.h"

#include "lib/base/invariant.h"

/* Entries are kept in the order in which they end: rank 0 ends first. So whatever has left a span
 * is below some rank and whatever counts is above it, in every span at once. */

static struct window_entry *entry_at(const struct dose_window *w, uint32_t rank)
{
    INVARIANT(rank < w->capacity);
    return &w->entry[(uint32_t)(((uint64_t)w->oldest + rank) % w->capacity)];
}

/* The first instant at which an entry no longer counts in 'span_ms'. It counts from its end, not
 * from its grant: until the end it may still be moving. */
static struct mono leaves_at(const struct window_entry *entry, int64_t span_ms)
{
    if (entry->ends.ms > INT64_MAX - span_ms) return (struct mono){ INT64_MAX };
    return mono_after(entry->ends, span_ms);
}

static bool counts_at(const struct window_entry *entry, int64_t span_ms, struct mono now)
{
    return now.ms < leaves_at(entry, span_ms).ms;
}

/* Both >= 0. Hand runs come from outside: no total that they report may wrap round. */
static int64_t sum_capped(int64_t a, int64_t b)
{
    return a > INT64_MAX - b ? INT64_MAX : a + b;
}

static void check(const struct dose_window *w)
{
    INVARIANT(w->capacity > 0 && w->count <= w->capacity && w->oldest < w->capacity);
}

void window_init(
    struct dose_window *w, struct window_entry *entry, uint32_t capacity, int64_t keep_ms)
{
    INVARIANT(entry && capacity > 0 && keep_ms > 0);
    *w = (struct dose_window){ .entry = entry, .capacity = capacity, .keep_ms = keep_ms };
}

int64_t window_used(const struct dose_window *w, int64_t span_ms, struct mono now)
{
    check(w);
    INVARIANT(span_ms > 0 && span_ms <= w->keep_ms);
    int64_t used = 0;
    for (uint32_t rank = w->count; rank > 0; rank--) {
        const struct window_entry *entry = entry_at(w, rank - 1);
        if (!counts_at(entry, span_ms, now)) break;
        used = sum_capped(used, entry->amount);
    }
    return used;
}

int64_t window_free(const struct dose_window *w, int64_t span_ms, int64_t budget, struct mono now)
{
    const int64_t used = window_used(w, span_ms, now);
    return used >= budget ? 0 : budget - used;
}

struct mono window_fits_at(
    const struct dose_window *w, int64_t span_ms, int64_t budget, int64_t amount, struct mono now)
{
    check(w);
    INVARIANT(span_ms > 0 && span_ms <= w->keep_ms && amount >= 0);
    if (amount > budget) return (struct mono){ INT64_MAX };
    /* From the newest back: the first entry that doesn't fit beside those after it and 'amount' has
     * to leave, and when it does, everything older has left too. */
    int64_t used = 0;
    for (uint32_t rank = w->count; rank > 0; rank--) {
        const struct window_entry *entry = entry_at(w, rank - 1);
        if (!counts_at(entry, span_ms, now)) break;
        used = sum_capped(used, entry->amount);
        if (used > budget - amount) return leaves_at(entry, span_ms);
    }
    return now;
}

/* Entries that must still be remembered. One of amount 0 says nothing: it may be dropped. */
static uint32_t needed(const struct dose_window *w, struct mono now)
{
    uint32_t n = 0;
    for (uint32_t rank = w->count; rank > 0; rank--) {
        const struct window_entry *entry = entry_at(w, rank - 1);
        if (!counts_at(entry, w->keep_ms, now)) break;
        if (entry->amount > 0) n++;
    }
    return n;
}

bool window_has_room(const struct dose_window *w, struct mono now)
{
    check(w);
    return needed(w, now) < w->capacity;
}

struct mono window_room_at(const struct dose_window *w, struct mono now)
{
    return window_has_room(w, now) ? now : leaves_at(entry_at(w, 0), w->keep_ms);
}

static void remove_at(struct dose_window *w, uint32_t rank)
{
    if (rank == 0) {
        w->oldest = (uint32_t)(((uint64_t)w->oldest + 1) % w->capacity);
    } else {
        for (uint32_t r = rank; r + 1 < w->count; r++) {
            *entry_at(w, r) = *entry_at(w, r + 1);
        }
    }
    w->count--;
}

/* Needs room for one. */
static void insert(struct dose_window *w, struct window_entry entry)
{
    INVARIANT(w->count < w->capacity);
    uint32_t rank = w->count++;
    while (rank > 0 && entry_at(w, rank - 1)->ends.ms > entry.ends.ms) {
        *entry_at(w, rank) = *entry_at(w, rank - 1);
        rank--;
    }
    *entry_at(w, rank) = entry;
}

static void drop_left(struct dose_window *w, struct mono now)
{
    while (w->count > 0 && !counts_at(entry_at(w, 0), w->keep_ms, now)) {
        remove_at(w, 0);
    }
}

static void drop_empty(struct dose_window *w)
{
    uint32_t kept = 0;
    for (uint32_t rank = 0; rank < w->count; rank++) {
        if (entry_at(w, rank)->amount > 0) *entry_at(w, kept++) = *entry_at(w, rank);
    }
    w->count = kept;
}

/* Milliseconds between two ends, the later one second; unsigned, as they may lie far apart. */
static uint64_t gap(const struct window_entry *a, const struct window_entry *b)
{
    return (uint64_t)b->ends.ms - (uint64_t)a->ends.ms;
}

static struct window_entry merged(struct window_entry a, struct window_entry b)
{
    return (struct window_entry){ .ends = a.ends.ms > b.ends.ms ? a.ends : b.ends,
        .amount = sum_capped(a.amount, b.amount) };
}

/* 'added' and all that is remembered are one too many: joins the two that end nearest each other.
 */
static void merge_nearest(struct dose_window *w, struct window_entry added)
{
    uint32_t rank = 0; /* where 'added' would stand: just before that rank */
    while (rank < w->count && entry_at(w, rank)->ends.ms <= added.ends.ms) {
        rank++;
    }
    uint64_t nearest_gap = UINT64_MAX;
    uint32_t nearest = 0;
    for (uint32_t r = 0; r + 1 < w->count; r++) {
        const uint64_t g = gap(entry_at(w, r), entry_at(w, r + 1));
        if (g < nearest_gap) {
            nearest_gap = g;
            nearest = r;
        }
    }
    const uint64_t before = rank > 0 ? gap(entry_at(w, rank - 1), &added) : UINT64_MAX;
    const uint64_t after = rank < w->count ? gap(&added, entry_at(w, rank)) : UINT64_MAX;
    if (before <= nearest_gap || after <= nearest_gap) {
        const uint32_t with = rank > 0 && before <= after ? rank - 1 : rank;
        added = merged(*entry_at(w, with), added);
        remove_at(w, with);
    } else {
        *entry_at(w, nearest + 1) = merged(*entry_at(w, nearest), *entry_at(w, nearest + 1));
        remove_at(w, nearest);
    }
    insert(w, added);
}

void window_add(struct dose_window *w, struct window_entry entry, struct mono now)
{
    INVARIANT(entry.amount >= 0);
    const int64_t before = window_used(w, w->keep_ms, now);
    drop_left(w, now);
    if (!counts_at(&entry, w->keep_ms, now)) return;
    if (w->count == w->capacity) drop_empty(w);
    if (w->count == w->capacity) {
        merge_nearest(w, entry);
    } else {
        insert(w, entry);
    }
    INVARIANT(window_used(w, w->keep_ms, now) == sum_capped(before, entry.amount));
}

bool window_settle(struct dose_window *w, uint64_t tag, int64_t amount, struct mono ends)
{
    check(w);
    INVARIANT(amount >= 0);
    if (tag == 0) return false;
    for (uint32_t rank = w->count; rank > 0; rank--) {
        if (entry_at(w, rank - 1)->tag != tag) continue;
        remove_at(w, rank - 1);
        insert(w, (struct window_entry){ .ends = ends, .amount = amount, .tag = tag });
        return true;
    }
    return false;
}

void window_postpone(struct dose_window *w, int64_t ms)
{
    check(w);
    INVARIANT(ms >= 0);
    for (uint32_t rank = 0; rank < w->count; rank++) {
        struct window_entry *entry = entry_at(w, rank);
        entry->ends = leaves_at(entry, ms);
    }
}

void window_copy(struct dose_window *to, const struct dose_window *from, struct mono now)
{
    check(from);
    for (uint32_t rank = 0; rank < from->count; rank++) {
        window_add(to, *entry_at(from, rank), now);
    }
}
