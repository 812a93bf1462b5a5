/* What a board's clocks say. The monotonic one runs from the board's start, whatever the other
 * does. */
#include <stdio.h>

#include "tests/simulation/storm/world.h"

static const int64_t true_civil_ms = INT64_C(1930000000000);

struct now clock_of(const struct board *b)
{
    return (struct now){ { b->world->t_ms - b->booted_ms }, { b->world->t_ms + b->civil_ms },
        b->trust };
}

/* A wrong answer of a time server, a second or fifty years off, either way. */
static int64_t step_ms(uint64_t draw)
{
    static const int64_t sizes[6] = { SECOND_MS, MINUTE_MS, HOUR_MS, DAY_MS, 30 * DAY_MS,
        50 * 365 * DAY_MS };
    const int64_t size = sizes[draw % 6];
    return (draw >> 4) % 2 ? size : -size;
}

void clock_set(struct world *w)
{
    const struct weather *f = &w->weather;
    for (uint32_t i = 0; i < BOARDS; i++) {
        struct board *b = &w->board[i];
        b->civil_ms = true_civil_ms;
        b->trust = CLOCK_SYNCED;
        if (weather_lasts(f, FAULT_CLOCK_UNSYNCED)) b->trust = CLOCK_FREE;
        if (weather_lasts(f, FAULT_CLOCK_STEP)) {
            b->civil_ms += step_ms(f->draw[FAULT_CLOCK_STEP]);
            if (f->draw[FAULT_CLOCK_STEP] >> 8 & 1) b->trust = CLOCK_FREE;
        }
        if (weather_lasts(f, FAULT_CLOCK_1970)) b->civil_ms = -b->booted_ms;
        if (b->world && w->t_ms + b->civil_ms < INT64_C(1767225600000)) b->trust = CLOCK_UNSET;
        observe_clock(w->observer, i, b->trust != CLOCK_UNSET, b->civil_ms, w->t_ms);
    }
}

void clock_boot(struct board *b)
{
    b->booted_ms = b->world->t_ms - 5000;
    (void)snprintf(b->boot, sizeof b->boot, "board-%u-%u", b->index, ++b->boots);
    clock_set(b->world);
}
