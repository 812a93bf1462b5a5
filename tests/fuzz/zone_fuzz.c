/* Zone files and their rules, from wherever the system keeps them. The first byte: R for a rule,
 * anything else for a file; then eight bytes of an instant (seconds, big-endian).
 *
 * Held: an offset is within its bounds, and the same when asked for again. */
#include <stdlib.h>
#include <string.h>

#include "daemon/base/zone.h"
#include "tests/fuzz/fuzz.h"

static int64_t take_instant(struct bites *b)
{
    uint64_t bits = 0;
    for (int i = 0; i < 8; i++) {
        bits = bits << 8 | bites_byte(b);
    }
    int64_t at_s;
    memcpy(&at_s, &bits, sizeof at_s);
    return at_s;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bites b = { data, data + size };
    const bool rule = bites_byte(&b) == 'R';
    const int64_t at_s = take_instant(&b);
    const size_t length = (size_t)(b.end - b.at);
    char *bytes = fuzz_exact(b.at, length);
    int64_t offset_s[2] = { -1, -1 };
    bool known[2];
    for (int i = 0; i < 2; i++) {
        known[i] = rule ? zone_rule_offset(&offset_s[i], bytes, length, at_s)
                        : zone_offset(&offset_s[i], (const uint8_t *)bytes, length, at_s);
    }
    HOLDS(known[0] == known[1] && offset_s[0] == offset_s[1]);
    if (known[0]) HOLDS(offset_s[0] >= -ZONE_OFFSET_MOST_S && offset_s[0] <= ZONE_OFFSET_MOST_S);
    char *name = fuzz_string(bytes, length);
    if (zone_name_valid(name)) HOLDS(strstr(name, "..") == NULL && name[0] != '/');
    free(name);
    free(bytes);
    return 0;
}
