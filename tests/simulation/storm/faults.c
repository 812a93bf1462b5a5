#include "tests/simulation/storm/faults.h"

#include <string.h>

/* clang-format off */
const struct fault_kind fault_kinds[FAULT_COUNT] = {
    [FAULT_PROBE_SILENT] = { "probe-silent", "A1", MANNER_SPELL, 12 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_PROBE_LATE] = { "probe-late", "A1", MANNER_SPELL, 12 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_PROBE_FROZEN] = { "probe-frozen", "A1", MANNER_SPELL, 24 * HOUR_MS, 0, 36000 * SECOND_MS },
    [FAULT_PROBE_SPIKE] = { "probe-spike", "A2", MANNER_CHANCE, 0, 100, 0 },
    [FAULT_PROBE_DRIFT] = { "probe-drift", "A2", MANNER_SPELL, 30 * HOUR_MS, 0, 54000 * SECOND_MS },
    [FAULT_PROBE_RAIL] = { "probe-rail", "A2", MANNER_SPELL, 24 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_PROBE_NAN] = { "probe-nan", "A2", MANNER_SPELL, 24 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_PROBE_UNIT_SLIP] = { "probe-unit-slip", "A2", MANNER_SPELL, 24 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_PROBE_NEGATIVE] = { "probe-negative", "A2", MANNER_SPELL, 24 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_PROBE_SWAPPED] = { "probe-swapped", "A2", MANNER_SPELL, 24 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_PROBE_DRY] = { "probe-dry", "A3", MANNER_SPELL, 24 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_PROBE_BUFFER] = { "probe-in-buffer", "A3", MANNER_SPELL, 24 * HOUR_MS, 0, 3600 * SECOND_MS },
    [FAULT_MIX_SLOW] = { "mixing-slow", "A4", MANNER_SPELL, 24 * HOUR_MS, 0, 36000 * SECOND_MS },
    [FAULT_READING_RETAINED] = { "reading-retained", "A5", MANNER_CHANCE, 0, 40, 0 },
    [FAULT_WRONG_BOTTLE] = { "wrong-bottle", "A6", MANNER_SPELL, 40 * HOUR_MS, 0, 54000 * SECOND_MS },
    [FAULT_WATER_CHANGE] = { "water-change", "A6", MANNER_AT_TIMES, 30 * HOUR_MS, 0, 0 },
    [FAULT_MODULE_ORDER] = { "module-order", "B1", MANNER_SPELL, 20 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_MODULE_REMOVED] = { "module-removed", "B1", MANNER_SPELL, 20 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_MODULE_INSERTED] = { "module-inserted", "B1", MANNER_SPELL, 20 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_MODULE_TWIN] = { "module-twin", "B2", MANNER_SPELL, 30 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_MODULE_UNKNOWN] = { "module-unknown", "B2", MANNER_SPELL, 30 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_HEAD_REBOOT] = { "head-reboot", "B3", MANNER_AT_TIMES, 8 * HOUR_MS, 0, 0 },
    [FAULT_HEAD_AMNESIA] = { "head-amnesia", "B3", MANNER_AT_TIMES, 20 * HOUR_MS, 0, 0 },
    [FAULT_HEAD_REPLACED] = { "head-replaced", "B3", MANNER_AT_TIMES, 60 * HOUR_MS, 0, 0 },
    [FAULT_STOP_IGNORED] = { "stop-ignored", "B3", MANNER_CHANCE, 0, 3, 0 },
    [FAULT_PUMP_SLOW] = { "pump-slow", "B4", MANNER_SPELL, 24 * HOUR_MS, 0, 72000 * SECOND_MS },
    [FAULT_PUMP_FAST] = { "pump-fast", "B4", MANNER_SPELL, 24 * HOUR_MS, 0, 72000 * SECOND_MS },
    [FAULT_BOTTLE_EMPTY] = { "bottle-empty", "B4", MANNER_SPELL, 30 * HOUR_MS, 0, 72000 * SECOND_MS },
    [FAULT_TUBE_SLIPPED] = { "tube-slipped", "B4", MANNER_SPELL, 30 * HOUR_MS, 0, 72000 * SECOND_MS },
    [FAULT_RELAY_STUCK] = { "relay-stuck", "B4", MANNER_CHANCE, 0, 40, 0 },
    [FAULT_CIRCULATION_DEAD] = { "circulation-dead", "B4", MANNER_SPELL, 20 * HOUR_MS, 0, 18000 * SECOND_MS },
    [FAULT_REPORT_LOST] = { "report-lost", "B5", MANNER_CHANCE, 0, 8, 0 },
    [FAULT_REPORT_DOUBLED] = { "report-doubled", "B5", MANNER_CHANCE, 0, 8, 0 },
    [FAULT_REPORT_LATE] = { "report-late", "B5", MANNER_CHANCE, 0, 10, 0 },
    [FAULT_COMMAND_LATE] = { "command-late", "B6", MANNER_CHANCE, 0, 15, 0 },
    [FAULT_BROKER_DOWN] = { "broker-down", "C1", MANNER_SPELL, 10 * HOUR_MS, 0, 3600 * SECOND_MS },
    [FAULT_BROKER_AMNESIA] = { "broker-amnesia", "C1", MANNER_SPELL, 16 * HOUR_MS, 0, 600 * SECOND_MS },
    [FAULT_BROKER_FROZEN] = { "broker-frozen", "C1", MANNER_SPELL, 10 * HOUR_MS, 0, 180 * SECOND_MS },
    [FAULT_BROKER_SLOW] = { "broker-slow", "C1", MANNER_SPELL, 16 * HOUR_MS, 0, 3600 * SECOND_MS },
    [FAULT_MESSAGE_LOST] = { "message-lost", "C2", MANNER_CHANCE, 0, 30, 0 },
    [FAULT_MESSAGE_DOUBLED] = { "message-doubled", "C2", MANNER_CHANCE, 0, 12, 0 },
    [FAULT_MESSAGE_REORDERED] = { "message-reordered", "C2", MANNER_CHANCE, 0, 20, 0 },
    [FAULT_LINK_REFUSED] = { "link-refused", "C3", MANNER_SPELL, 12 * HOUR_MS, 0, 1800 * SECOND_MS },
    [FAULT_HEAD_OFFLINE] = { "head-offline", "C3", MANNER_SPELL, 12 * HOUR_MS, 0, 3600 * SECOND_MS },
    [FAULT_COMMAND_SWALLOWED] = { "command-swallowed", "C4", MANNER_CHANCE, 0, 12, 0 },
    [FAULT_READING_STORM] = { "reading-storm", "C4", MANNER_AT_TIMES, 20 * HOUR_MS, 0, 0 },
    [FAULT_CLOCK_STEP] = { "clock-step", "D1", MANNER_SPELL, 16 * HOUR_MS, 0, 36000 * SECOND_MS },
    [FAULT_CLOCK_1970] = { "clock-1970", "D1", MANNER_SPELL, 24 * HOUR_MS, 0, 3600 * SECOND_MS },
    [FAULT_CLOCK_UNSYNCED] = { "clock-unsynced", "D1", MANNER_SPELL, 30 * HOUR_MS, 0, 72000 * SECOND_MS },
    [FAULT_ZONE_CHANGE] = { "zone-change", "D1", MANNER_AT_TIMES, 30 * HOUR_MS, 0, 0 },
    [FAULT_SUSPEND] = { "suspend", "D2", MANNER_AT_TIMES, 20 * HOUR_MS, 0, 0 },
    [FAULT_STALL] = { "stall", "D2", MANNER_AT_TIMES, 10 * HOUR_MS, 0, 0 },
    [FAULT_MIDNIGHT_REBOOT] = { "midnight-reboot", "D3", MANNER_AT_TIMES, 20 * HOUR_MS, 0, 0 },
    [FAULT_POWER_CUT] = { "power-cut", "E1", MANNER_AT_TIMES, 10 * HOUR_MS, 0, 0 },
    [FAULT_DISK_EIO] = { "disk-eio", "E2", MANNER_SPELL, 30 * HOUR_MS, 0, 3600 * SECOND_MS },
    [FAULT_DISK_FULL] = { "disk-full", "E2", MANNER_SPELL, 20 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_DISK_READ_ONLY] = { "disk-read-only", "E2", MANNER_SPELL, 30 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_DISK_SLOW] = { "disk-slow", "E2", MANNER_SPELL, 10 * HOUR_MS, 0, 3600 * SECOND_MS },
    [FAULT_BIT_ROT] = { "bit-rot", "E3", MANNER_AT_TIMES, 60 * HOUR_MS, 0, 0 },
    [FAULT_KILL] = { "kill", "F1", MANNER_AT_TIMES, 6 * HOUR_MS, 0, 0 },
    [FAULT_CRASH_LOOP] = { "crash-loop", "F2", MANNER_SPELL, 20 * HOUR_MS, 0, 600 * SECOND_MS },
    [FAULT_SECOND_DAEMON] = { "second-daemon", "G1", MANNER_SPELL, 20 * HOUR_MS, 0, 36000 * SECOND_MS },
    [FAULT_RELOAD] = { "reload", "G2", MANNER_AT_TIMES, 12 * HOUR_MS, 0, 0 },
    [FAULT_HALT] = { "halt", "G3", MANNER_SPELL, 20 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_PAUSE] = { "pause", "G3", MANNER_SPELL, 20 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_SERVICE] = { "service", "G3", MANNER_SPELL, 20 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_SET_POINT] = { "set-point", "G3", MANNER_AT_TIMES, 10 * HOUR_MS, 0, 0 },
    [FAULT_HAND_RUN] = { "hand-run", "G3", MANNER_SPELL, 8 * HOUR_MS, 0, 18 * SECOND_MS },
    [FAULT_STOP_SWITCH] = { "stop-switch", "G3", MANNER_SPELL, 30 * HOUR_MS, 0, 1800 * SECOND_MS },
    [FAULT_ACKNOWLEDGE] = { "acknowledge", "G3", MANNER_AT_TIMES, 10 * HOUR_MS, 0, 0 },
    [FAULT_IDENTIFY] = { "identify", "G3", MANNER_AT_TIMES, 6 * HOUR_MS, 0, 0 },
    [FAULT_TWICE] = { "request-twice", "G3", MANNER_CHANCE, 0, 3, 0 },
    [FAULT_FORGED_COMMAND] = { "forged-command", "H1", MANNER_AT_TIMES, 6 * HOUR_MS, 0, 0 },
    [FAULT_REPLAYED_COMMAND] = { "replayed-command", "H1", MANNER_AT_TIMES, 4 * HOUR_MS, 0, 0 },
    [FAULT_FORGED_CLAIM] = { "forged-claim", "H1", MANNER_AT_TIMES, 40 * HOUR_MS, 0, 0 },
    [FAULT_FORGED_READINGS] = { "forged-readings", "H2", MANNER_SPELL, 20 * HOUR_MS, 0, 36000 * SECOND_MS },
    [FAULT_FLOOD] = { "flood", "H3", MANNER_AT_TIMES, 20 * HOUR_MS, 0, 0 },
    [FAULT_PLAIN_OUTPUTS] = { "plain-outputs", "S1", MANNER_SITE, 0, 5, 0 },
    [FAULT_RELAY_DEAF] = { "relay-deaf", "B7", MANNER_CHANCE, 0, 12, 0 },
    [FAULT_RELAY_REBOOT] = { "relay-reboot", "B7", MANNER_AT_TIMES, 8 * HOUR_MS, 0, 0 },
    [FAULT_RELAY_OFFLINE] = { "relay-offline", "B7", MANNER_SPELL, 10 * HOUR_MS, 0, 1800 * SECOND_MS },
    [FAULT_RELAY_LATE] = { "relay-late", "B7", MANNER_SPELL, 12 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_RELAY_MUTE] = { "relay-mute", "B7", MANNER_CHANCE, 0, 40, 0 },
    [FAULT_RELAY_WELDED] = { "relay-welded", "B7", MANNER_CHANCE, 0, 40, 0 },
    [FAULT_RELAY_BY_HAND] = { "relay-by-hand", "G3", MANNER_SPELL, 8 * HOUR_MS, 0, 30 * SECOND_MS },
    [FAULT_HEAD_MUTE] = { "head-mute", "B5", MANNER_SPELL, 8 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_PUMP_REVERSED] = { "pump-reversed", "B4", MANNER_SPELL, 30 * HOUR_MS, 0, 72000 * SECOND_MS },
    [FAULT_PUMP_UNPLUGGED] = { "pump-unplugged", "B4", MANNER_SPELL, 30 * HOUR_MS, 0, 72000 * SECOND_MS },
    [FAULT_LEVEL_AND_LEAK] = { "level-and-leak", "S2", MANNER_SITE, 0, 4, 0 },
    [FAULT_LEVEL_LIES] = { "level-lies", "A7", MANNER_SPELL, 12 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_LEAK_LIES] = { "leak-lies", "A7", MANNER_SPELL, 12 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_ERRAND] = { "errand", "G4", MANNER_AT_TIMES, 1 * HOUR_MS, 0, 0 },
    [FAULT_ERRAND_AGAIN] = { "errand-again", "G4", MANNER_AT_TIMES, 4 * HOUR_MS, 0, 0 },
    [FAULT_BENCH] = { "bench", "G4", MANNER_SPELL, 8 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_DISK_NO_FILES] = { "disk-no-files", "E2", MANNER_SPELL, 16 * HOUR_MS, 0, 14400 * SECOND_MS },
    [FAULT_SEGMENT_LOST] = { "segment-lost", "E3", MANNER_AT_TIMES, 60 * HOUR_MS, 0, 0 },
    [FAULT_SIGNED_SITE] = { "signed-site", "S3", MANNER_SITE, 0, 4, 0 },
    [FAULT_UNSIGNED_REQUEST] = { "unsigned-request", "H4", MANNER_AT_TIMES, 2 * HOUR_MS, 0, 0 },
    [FAULT_UNSIGNED_HALT] = { "unsigned-halt", "H4", MANNER_SPELL, 24 * HOUR_MS, 0, 3600 * SECOND_MS },
    [FAULT_CALIBRATION] = { "calibration", "G5", MANNER_SPELL, 12 * HOUR_MS, 0, 7200 * SECOND_MS },
    [FAULT_MISREAD] = { "cylinder-misread", "G5", MANNER_CHANCE, 0, 2, 0 },
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
    struct prng swarm = prng_seed(seed ^ UINT64_C(0x5a43));
    const int64_t one_in = 2 + prng_below(&swarm, 10); /* of the kinds is there */
    memset(w, 0, sizeof *w);
    w->pounces = prng_seed(seed ^ UINT64_C(0x90c));
    w->late_pounces = prng_seed(seed ^ UINT64_C(0x90d));
    w->last_pounces = prng_seed(seed ^ UINT64_C(0x90e));
    /* The last ones are drawn only when asked for: what they break isn't all looked into. */
    w->kinds = wish->kinds > 0 ? (int)wish->kinds : FAULT_LATER_COUNT;
    for (int f = 0; f < FAULT_COUNT; f++) {
        w->chance[f] =
            prng_seed(seed * UINT64_C(0x9e3779b97f4a7c15) ^ hash_of(fault_kinds[f].name));
        const bool site = fault_kinds[f].manner == MANNER_SITE;
        const bool drawn = prng_below(&w->chance[f], site ? fault_kinds[f].one_in : one_in) == 0;
        w->on[f] = wish->forced[f] || (drawn && !wish->only && f < w->kinds);
        w->fires[f] = site && w->on[f];
        const bool strikes = w->on[f] && !site && fault_kinds[f].manner != MANNER_CHANCE;
        w->due_ms[f] = strikes ? gap_ms(w, (enum fault)f) : INT64_MAX;
        w->until_ms[f] = INT64_MAX;
    }
}

bool weather_strikes(struct weather *w, enum fault fault)
{
    if (!w->on[fault] || w->over) return false;
    if (prng_below(&w->chance[fault], fault_kinds[fault].one_in) != 0) return false;
    w->fires[fault]++;
    return true;
}

bool weather_site(const struct weather *w, enum fault fault)
{
    return w->on[fault];
}

bool weather_lasts(const struct weather *w, enum fault fault)
{
    return w->until_ms[fault] != INT64_MAX;
}

uint32_t weather_hits(const struct weather *w, enum fault fault, uint32_t count)
{
    return (uint32_t)(w->draw[fault] % count);
}

int64_t weather_due(const struct weather *w)
{
    int64_t due_ms = INT64_MAX;
    for (int f = 0; f < FAULT_COUNT; f++) {
        if (w->due_ms[f] < due_ms) due_ms = w->due_ms[f];
        if (w->until_ms[f] < due_ms) due_ms = w->until_ms[f];
    }
    return due_ms;
}

static int64_t spell_ms(struct weather *w, int f)
{
    struct prng *p = &w->chance[f];
    const int64_t most = fault_kinds[f].span_ms;
    return 1 + prng_below(p, prng_below(p, 3) == 0 ? most / 10 + 1 : most);
}

enum fault weather_take(struct weather *w, int64_t now_ms, bool *ret_ends)
{
    for (int f = 0; f < FAULT_COUNT; f++) {
        *ret_ends = w->until_ms[f] <= now_ms;
        if (*ret_ends) {
            w->until_ms[f] = INT64_MAX;
            return (enum fault)f;
        }
        if (w->due_ms[f] > now_ms) continue;
        w->due_ms[f] = now_ms + gap_ms(w, (enum fault)f);
        if (weather_lasts(w, (enum fault)f)) continue;
        w->draw[f] = prng_next(&w->chance[f]) >> 8;
        w->fires[f]++;
        if (fault_kinds[f].manner == MANNER_SPELL) w->until_ms[f] = now_ms + spell_ms(w, f);
        return (enum fault)f;
    }
    return FAULT_COUNT;
}

/* One of 'count' kinds from 'first' on. */
static void pounce(struct weather *w, struct prng *p, int first, int count, int64_t now_ms)
{
    if (prng_below(p, 24) != 0) return;
    const int from = (int)prng_below(p, count);
    const int64_t soon_ms = 1 + prng_below(p, prng_below(p, 2) ? 30 : 20000);
    for (int n = 0; n < count; n++) {
        const int f = first + (from + n) % count;
        if (w->due_ms[f] == INT64_MAX || weather_lasts(w, (enum fault)f)) continue;
        w->due_ms[f] = now_ms + soon_ms;
        return;
    }
}

void weather_pounce(struct weather *w, int64_t now_ms)
{
    if (w->over) return;
    pounce(w, &w->pounces, 0, FAULT_FIRST_COUNT, now_ms);
    const int later = w->kinds < FAULT_LATER_COUNT ? w->kinds : FAULT_LATER_COUNT;
    const int late = later - FAULT_FIRST_COUNT, last = w->kinds - FAULT_LATER_COUNT;
    if (late > 0) pounce(w, &w->late_pounces, FAULT_FIRST_COUNT, late, now_ms);
    if (last > 0) pounce(w, &w->last_pounces, FAULT_LATER_COUNT, last, now_ms);
}

void weather_end(struct weather *w, int64_t now_ms)
{
    w->over = true;
    for (int f = 0; f < FAULT_COUNT; f++) {
        w->due_ms[f] = INT64_MAX;
        if (w->until_ms[f] != INT64_MAX) w->until_ms[f] = now_ms;
    }
}
