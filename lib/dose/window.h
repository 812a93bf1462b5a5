/* How much of something was given within sliding spans: "200 mL in any hour and 800 in any day".
 *
 * No buckets: a budget renewed on the hour lets two of them through around the hour. An entry
 * counts in full from the moment it is granted until a span after the latest instant at which it
 * can still be running: a dose granted now may run for a minute yet. Amounts are whole
 * (microlitres, or millionths of the unit for EC and pH moves): sums are exact and the same on
 * every machine.
 *
 * Runs by hand, a lowered limit and a restart may put a window over its budget: then nothing is
 * free. That is an answer, not a bug. */
#ifndef DOSEWRIGHT_DOSE_WINDOW_H
#define DOSEWRIGHT_DOSE_WINDOW_H

#include "lib/base/units.h"

struct window_entry {
    struct mono ends; /* latest instant at which this can still be moving */
    int64_t amount;   /* >= 0 */
    uint64_t tag;     /* 0, or names the entry so that it can be settled */
};

/* Storage is the caller's, members are this module's. */
struct dose_window {
    struct window_entry *entry; /* a ring of 'capacity' */
    uint32_t capacity, oldest, count;
    int64_t keep_ms; /* the longest span that will be asked for */
};

/* Starts empty over 'entry' ('capacity' > 0 of them, kept by the caller). */
void window_init(
    struct dose_window *w, struct window_entry *entry, uint32_t capacity, int64_t keep_ms);

/* The sum within 'span_ms' (> 0, at most keep_ms) before 'now', entries still running included. */
int64_t window_used(const struct dose_window *w, int64_t span_ms, struct mono now);

/* What of 'budget' is free in that span: never below 0. */
int64_t window_free(const struct dose_window *w, int64_t span_ms, int64_t budget, struct mono now);

/* When, at the earliest, 'amount' more would fit; 'now' if it does, and INT64_MAX ms if it never
 * will (amount > budget). */
struct mono window_fits_at(
    const struct dose_window *w, int64_t span_ms, int64_t budget, int64_t amount, struct mono now);

/* Can one more entry be remembered? A full window refuses doses. */
bool window_has_room(const struct dose_window *w, struct mono now);

/* When it will have room, if nothing is added: 'now' if it has. */
struct mono window_room_at(const struct dose_window *w, struct mono now);

/* Remembers 'amount' until keep_ms after 'ends'. Entries may be added in any order of 'ends'. When
 * there is no room the two that end nearest each other become one, with the later end and no tag:
 * nothing is ever forgotten, the sum only stays high for longer. */
void window_add(struct dose_window *w, struct window_entry entry, struct mono now);

/* The entry named 'tag' ended at 'ends' and was 'amount' (>= 0) in truth. It should never be more
 * than was added, but a larger one is taken as is. False when there is no such entry any more: what
 * was added then stays as it is until it leaves (or has left). */
bool window_settle(struct dose_window *w, uint64_t tag, int64_t amount, struct mono ends);

/* All entries ended 'ms' (>= 0) later than was thought: they count for so much longer. */
void window_postpone(struct dose_window *w, int64_t ms);

/* Adds all that 'from' still remembers: for a configuration that takes over from another. */
void window_copy(struct dose_window *to, const struct dose_window *from, struct mono now);

#endif
