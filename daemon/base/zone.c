#include "daemon/base/zone.h"

#include <string.h>

enum { HEADER_BYTES = 44, TRANSITIONS_MAX = 4096, TYPES_MAX = 256, CHARS_MAX = 512 };

bool zone_name_valid(const char *zone)
{
    static const char allowed[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
                                  "0123456789_+-/";
    const size_t length = strlen(zone);
    if (length == 0 || length >= ZONE_NAME_MAX || strspn(zone, allowed) != length) return false;
    if (zone[0] == '/' || zone[length - 1] == '/') return false;
    return strstr(zone, "//") == NULL;
}

bool zone_is_utc(const char *zone)
{
    return strcmp(zone, "UTC") == 0 || strcmp(zone, "Etc/UTC") == 0;
}

/* One block of a zone file: its counts, and where its parts are. */
struct block {
    int64_t is_ut, is_std, leaps, transitions, types, chars;
    const uint8_t *at, *index, *type; /* the transitions' instants and types, and the types */
    size_t length;                    /* of the whole block with its header */
};

static int64_t big_endian(const uint8_t *p, unsigned bytes)
{
    uint64_t value = 0;
    for (unsigned i = 0; i < bytes; i++) {
        value = value << 8 | p[i];
    }
    if (bytes < 8) return (int64_t)value;
    return value > INT64_MAX ? -(int64_t)(UINT64_MAX - value) - 1 : (int64_t)value;
}

static int64_t signed_32(const uint8_t *p)
{
    const int64_t value = big_endian(p, 4);
    return value > INT32_MAX ? value - (INT64_C(1) << 32) : value;
}

/* 'time_bytes' is 4 in the first block and 8 in the second. */
static bool read_block(struct block *ret, const uint8_t *p, size_t length, unsigned time_bytes)
{
    if (length < HEADER_BYTES || memcmp(p, "TZif", 4) != 0) return false;
    if (p[4] < '2' || p[4] > '9') return false;
    struct block b = { .is_ut = big_endian(p + 20, 4),
        .is_std = big_endian(p + 24, 4),
        .leaps = big_endian(p + 28, 4),
        .transitions = big_endian(p + 32, 4),
        .types = big_endian(p + 36, 4),
        .chars = big_endian(p + 40, 4) };
    if (b.transitions > TRANSITIONS_MAX || b.types < 1 || b.types > TYPES_MAX) return false;
    if (b.chars > CHARS_MAX || b.leaps > TRANSITIONS_MAX) return false;
    if (b.is_ut > b.types || b.is_std > b.types) return false;
    const int64_t bytes = HEADER_BYTES + b.transitions * (time_bytes + 1) + b.types * 6 + b.chars +
                          b.leaps * (time_bytes + 4) + b.is_std + b.is_ut;
    if (bytes > (int64_t)length) return false;
    b.at = p + HEADER_BYTES;
    b.index = b.at + b.transitions * time_bytes;
    b.type = b.index + b.transitions;
    b.length = (size_t)bytes;
    *ret = b;
    return true;
}

static bool type_offset(int64_t *ret_s, const struct block *b, int64_t type)
{
    if (type >= b->types) return false;
    const int64_t offset_s = signed_32(b->type + type * 6);
    if (offset_s < -ZONE_OFFSET_MOST_S || offset_s > ZONE_OFFSET_MOST_S) return false;
    *ret_s = offset_s;
    return true;
}

/* How many transitions are not after 'at_s'. */
static int64_t transitions_until(const struct block *b, int64_t at_s)
{
    int64_t low = 0, high = b->transitions;
    while (low < high) {
        const int64_t middle = (low + high) / 2;
        if (big_endian(b->at + middle * 8, 8) <= at_s)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

/* The rule between the two line feeds at the end; "" when the table has to do. */
static bool find_footer(const char **ret, size_t *ret_length, const uint8_t *p, size_t length)
{
    if (length < 2 || p[0] != '\n') return false;
    const uint8_t *end = memchr(p + 1, '\n', length - 1);
    if (!end) return false;
    *ret = (const char *)p + 1;
    *ret_length = (size_t)(end - p - 1);
    return true;
}

bool zone_offset(int64_t *ret_s, const uint8_t *file, size_t length, int64_t at_s)
{
    struct block old, b;
    const char *rule;
    size_t rule_length;
    if (length > ZONE_FILE_MAX || !read_block(&old, file, length, 4)) return false;
    if (!read_block(&b, file + old.length, length - old.length, 8) || b.leaps > 0) return false;
    const size_t used = old.length + b.length;
    if (!find_footer(&rule, &rule_length, file + used, length - used)) return false;

    const int64_t passed = transitions_until(&b, at_s);
    if (passed == b.transitions && rule_length > 0) {
        return zone_rule_offset(ret_s, rule, rule_length, at_s);
    }
    return type_offset(ret_s, &b, passed == 0 ? 0 : b.index[passed - 1]);
}

bool zone_offset_ms(int64_t *ret_ms, const uint8_t *file, size_t length, struct civil at)
{
    int64_t offset_s = 0;
    const int64_t at_s = at.ms / 1000 - (at.ms % 1000 < 0 ? 1 : 0);
    if (!zone_offset(&offset_s, file, length, at_s)) return false;
    *ret_ms = offset_s * 1000;
    return true;
}
