/* Records with an honest header and hash around what nobody has looked at. */
#include "daemon/journal/journal_scan.h"
#include "lib/journal/canon.h"
#include "tests/fuzz/fuzz.h"

static bool has_header(const struct record *r)
{
    static const char *const keys[] = { "seq", "time", "mono_ms", "boot", "clock", "prev", "hash" };
    for (uint32_t f = 0; f < r->count; f++) {
        for (size_t k = 0; k < sizeof keys / sizeof *keys; k++) {
            if (text_same(r->field[f].key, keys[k])) return true;
        }
    }
    return false;
}

bool fuzz_seal(struct link_tip *tip, const char *bytes, size_t length, struct text *line)
{
    static struct record r;
    struct problem problem;
    const int64_t at_ms = 1000 * (tip->seq % 1000000);
    const struct link_stamp stamp = {
        .now = { { at_ms }, { INT64_C(1932854400000) + at_ms }, CLOCK_SYNCED }, .boot = "boot-1"
    };
    if (canon_read(&r, bytes, length, &problem) != ERR_NONE || has_header(&r)) return false;
    return link_seal(tip, &r, &stamp, journal_sha256, line) == ERR_NONE;
}
