/* A time of day that jumps while the daemon runs is put on record. The newest record is what the
 * time between two boots is told by (lib/journal/recover.h): one from before the jump would make
 * hours of it, after which limits were free. */
#ifndef DOSEWRIGHT_CORE_CLOCK_WATCH_H
#define DOSEWRIGHT_CORE_CLOCK_WATCH_H

#include "lib/core/action.h"

struct core;

struct core_clock {
    bool seen, told;
    int64_t ahead_ms;  /* the time of day, of the clock since boot, at the last look */
    int64_t before_ms; /* ... and before the jump that was told last */
    struct mono told_at;
};

/* True when there was a jump, of more than two seconds and not within a minute of the last one
 * told. Then there is one record more, and a line for the log. One that comes while the journal
 * can't be written is told once it can. */
bool core_watch_clock(struct core *core, struct now now, struct actions *ret);

/* The journal can't be written any more: what was told last may not be in it, and is told again. */
void core_doubt_clock(struct core *core, struct mono now);

#endif
