#include "tests/simulation/storm/faults.h"

#include <string.h>

/* clang-format off */
const struct fault_kind fault_kinds[FAULT_COUNT] = {
    [FAULT_REPORT_LOST]       = { "report-lost", "B5", MANNER_CHANCE, 0, 8 },
    [FAULT_REPORT_DOUBLED]    = { "report-doubled", "B5", MANNER_CHANCE, 0, 8 },
    [FAULT_COMMAND_SWALLOWED] = { "command-swallowed", "C4", MANNER_CHANCE, 0, 12 },
    [FAULT_MESSAGE_DOUBLED]   = { "message-doubled", "C2", MANNER_CHANCE, 0, 12 },
    [FAULT_HEAD_REBOOT]       = { "head-reboot", "B3", MANNER_AT_TIMES, 8 * HOUR_MS, 0 },
    [FAULT_KILL]              = { "kill", "F1", MANNER_AT_TIMES, 6 * HOUR_MS, 0 },
    [FAULT_POWER_CUT]         = { "power-cut", "E1", MANNER_AT_TIMES, 10 * HOUR_MS, 0 },
    [FAULT_HALT]              = { "halt", "G3", MANNER_AT_TIMES, 20 * HOUR_MS, 0 },
};
/* clang-format on */

enum fault fault_named(const char *name)
{
    for (int f = 0; f < FAULT_COUNT; f++) {
        if (strcmp(fault_kinds[f].name, name) == 0) return (enum fault)f;
    }
    return FAULT_COUNT;
}

/* FNV-1a of a name: a kind keeps its draws when others come and go. */
static uint64_t hash_of(const char *name)
{
    uint64_t h = UINT64_C(14695981039346656037);
    for (; *name; name++) {
        h = (h ^ (unsigned char)*name) * UINT64_C(1099511628211);
    }
    return h;
}

/* The time to the next strike: now and then many at once, mostly far apart. */
static int64_t gap_ms(struct weather *w, enum fault f)
{
    struct prng *p = &w->chance[f];
    const int64_t mean = fault_kinds[f].every_ms;
    if (prng_below(p, 6) == 0) return 1 + prng_below(p, 2 * MINUTE_MS);
    return 1 + prng_below(p, 2 * mean);
}

void weather_draw(struct weather *w, uint64_t seed, const struct fault_wish *wish)
{
    memset(w, 0, sizeof *w);
    for (int f = 0; f < FAULT_COUNT; f++) {
        w->chance[f] =
            prng_seed(seed * UINT64_C(0x9e3779b97f4a7c15) ^ hash_of(fault_kinds[f].name));
        const bool drawn = prng_below(&w->chance[f], 3) == 0;
        w->on[f] = wish->forced[f] || (drawn && !wish->only);
        w->due_ms[f] = fault_kinds[f].every_ms > 0 ? gap_ms(w, (enum fault)f) : INT64_MAX;
    }
}

bool weather_strikes(struct weather *w, enum fault fault)
{
    if (!w->on[fault] || w->over) return false;
    if (prng_below(&w->chance[fault], fault_kinds[fault].one_in) != 0) return false;
    w->fires[fault]++;
    return true;
}

static bool at_times(const struct weather *w, int f)
{
    return w->on[f] && fault_kinds[f].manner == MANNER_AT_TIMES;
}

int64_t weather_due(const struct weather *w)
{
    int64_t due_ms = INT64_MAX;
    for (int f = 0; f < FAULT_COUNT && !w->over; f++) {
        if (at_times(w, f) && w->due_ms[f] < due_ms) due_ms = w->due_ms[f];
    }
    return due_ms;
}

enum fault weather_take(struct weather *w, int64_t now_ms)
{
    for (int f = 0; f < FAULT_COUNT && !w->over; f++) {
        if (!at_times(w, f) || w->due_ms[f] > now_ms) continue;
        w->due_ms[f] = now_ms + gap_ms(w, (enum fault)f);
        w->fires[f]++;
        return (enum fault)f;
    }
    return FAULT_COUNT;
}
