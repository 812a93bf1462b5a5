/* Numbers, words and records that the bytes of an input choose: what a journal may hold after
 * somebody else wrote it, and what strangers say. */
#include <string.h>

#include "tests/fuzz/core_world.h"
#include "tests/fuzz/fuzz.h"

static const int64_t numbers[] = { 0, 1, -1, 7, 100, 1000, 5000, 10000, 25000, 60000, 3600000,
    86400000, 100000000, INT32_MAX, RECORD_INTEGER_MOST, -RECORD_INTEGER_MOST };
static const double reals[] = { 0, -1, 0.5, 5.8, 6.5, 7, 20, 600, 1200, 1400, 2200, 1e6, 1e15,
    -1e15, 1e-300, 4.2 };
static const char *const words[] = { "bench", "wall", "porch", "leaf-a", "leaf-b", "acid", "base",
    "west", "east", "a1f3", "b77c", "c3", "x-1", "x-2", "d1", "d1-1", "halt", "pause", "service",
    "set-ec", "set-ph", "override-for", "acknowledge", "refilled", "identify", "claim",
    "no-effect-bench-feed", "no-effect-bench-acid", "limits-unknown-west", "", "nobody", "feed",
    "x-1 done", "d1-1 done" };
static const char *const kinds[] = { "dose", "outcome", "identify", "hand", "hand-base", "claim",
    "reign", "alert", "request", "carry", "limits-unknown", "damage", "learned", "flushed", "start",
    "circulate", "asked" };
static const char *const keys[] = { "tank", "stock", "chain", "serial", "channel", "id", "ul",
    "run_ms", "ends_ms", "ec_milli", "ph_micro", "unsure", "total_ms", "by", "reign", "alert", "on",
    "ok", "request", "span_ms", "value", "halted", "paused", "service", "line_dirty",
    "remaining_ul", "override_for_ms", "override_left_ms", "override_ec_us_cm", "override_ph",
    "feed", "acid", "base", "i1", "i2", "model" };

enum { NUMBERS = sizeof numbers / sizeof *numbers, REALS = sizeof reals / sizeof *reals };
enum { WORDS = sizeof words / sizeof *words, KINDS = sizeof kinds / sizeof *kinds };
enum { KEYS = sizeof keys / sizeof *keys, FIELDS_MOST = 15 };

int64_t cw_number(struct bites *b)
{
    return numbers[bites_byte(b) % NUMBERS];
}

double cw_real(struct bites *b)
{
    return reals[bites_byte(b) % REALS];
}

const char *cw_word(struct bites *b)
{
    return words[bites_byte(b) % WORDS];
}

/* --- records from nowhere --------------------------------------------------------------------- */

static void add_field(struct record *r, struct bites *b, uint64_t *given, const struct site *site)
{
    const uint8_t how = bites_byte(b), which = bites_byte(b) % (KEYS + 8);
    if (*given & UINT64_C(1) << which) return;
    *given |= UINT64_C(1) << which;
    if (which >= KEYS) {
        record_add_real(r, law_number_name(how % LAW_NUMBERS), cw_real(b), 4);
        *given |= ~UINT64_C(0) << KEYS; /* one of them is enough: keys are given once */
    } else if (which == KEYS - 1) {
        record_add_int(r, keys[which], site_law_tag(site, &site->tank[how % CW_TANKS]));
    } else if (how % 4 == 0) {
        record_add_int(r, keys[which], cw_number(b));
    } else if (how % 4 == 1) {
        record_add_real(r, keys[which], cw_real(b), how / 4 % 7);
    } else if (how % 4 == 2) {
        record_add_truth(r, keys[which], how & 8);
    } else {
        record_add_text(r, keys[which], cw_word(b));
    }
}

void cw_invent(struct core_world *w, struct bites *b)
{
    for (unsigned count = bites_byte(b) % 64; count > 0 && b->at < b->end; count--) {
        static struct record r;
        uint64_t given = 0;
        record_start(&r, kinds[bites_byte(b) % KINDS]);
        const uint8_t how = bites_byte(b);
        for (int n = how % (FIELDS_MOST + 1); n > 0; n--) {
            add_field(&r, b, &given, w->site);
        }
        HOLDS(!r.cut);
        const int64_t later_ms = how & 0x80 ? HOUR_MS : how & 0x40 ? MINUTE_MS : 0;
        w->now.mono.ms += later_ms;
        w->now.civil.ms += later_ms;
        cw_remember(w, &r);
    }
}
