/* Instants, spans and the suffixes that name units.
 *
 * What is added up or compared for safety is int64_t: volumes in microlitres (_ul), spans in
 * milliseconds (_ms). Chemistry and control use double (_ml, _l, _degc, _mv, _us_cm). Instants are
 * wrapped, so that a reading of the monotonic clock and one of the civil clock don't mix. */
#ifndef DOSEWRIGHT_BASE_UNITS_H
#define DOSEWRIGHT_BASE_UNITS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SECOND_MS INT64_C(1000)
#define MINUTE_MS (60 * SECOND_MS)
#define HOUR_MS (60 * MINUTE_MS)
#define DAY_MS (24 * HOUR_MS)

/* Time that passes: CLOCK_BOOTTIME, milliseconds since the board started. It decides. After a
 * restart, instants of before it are placed on the same line and may be negative. */
struct mono {
    int64_t ms;
};

/* Time of day: milliseconds since 1970-01-01T00:00:00Z. It is for people and schedules. */
struct civil {
    int64_t ms;
};

/* How far the civil clock can be believed. */
enum clock_trust {
    CLOCK_UNSET,  /* earlier than this program was written: the board has no clock battery */
    CLOCK_FREE,   /* plausible, but nothing keeps it in step */
    CLOCK_SYNCED, /* the kernel says that it is disciplined */
};

/* Both clocks, sampled once at the start of each pass of the loop. */
struct now {
    struct mono mono;
    struct civil civil;
    enum clock_trust clock;
};

/* Milliseconds from 'earlier' to 'later'; negative when they are the other way round. */
static inline int64_t mono_since(struct mono later, struct mono earlier)
{
    return later.ms - earlier.ms;
}

/* The instant 'span_ms' after 'at'. */
static inline struct mono mono_after(struct mono at, int64_t span_ms)
{
    return (struct mono){ at.ms + span_ms };
}

/* The later of the two. */
static inline struct mono mono_later(struct mono a, struct mono b)
{
    return mono_since(a, b) > 0 ? a : b;
}

/* The sooner; INT64_MAX is "never". */
static inline struct mono mono_sooner(struct mono a, struct mono b)
{
    return a.ms < b.ms ? a : b;
}

/* Millilitres to microlitres, to the nearest, and down. The second is for doses: never more than
 * was wanted. Values outside +-1e12 mL saturate; not-a-number gives 0. */
int64_t ul_from_ml(double ml);
int64_t ul_from_ml_down(double ml);

/* Rounds to the nearest integer, halves away from zero; saturates at +-9e18, not-a-number gives 0.
 */
int64_t nearest(double value);

#endif
