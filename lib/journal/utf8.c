#include "lib/journal/utf8.h"

struct lead { /* what may follow a lead byte in the range first..last */
    uint8_t first, last, length, second_least, second_most;
};

static const struct lead leads[] = {
    { 0x00, 0x7f, 1, 0, 0 },
    { 0xc2, 0xdf, 2, 0x80, 0xbf },
    { 0xe0, 0xe0, 3, 0xa0, 0xbf },
    { 0xe1, 0xec, 3, 0x80, 0xbf },
    { 0xed, 0xed, 3, 0x80, 0x9f },
    { 0xee, 0xef, 3, 0x80, 0xbf },
    { 0xf0, 0xf0, 4, 0x90, 0xbf },
    { 0xf1, 0xf3, 4, 0x80, 0xbf },
    { 0xf4, 0xf4, 4, 0x80, 0x8f },
};

static size_t follow(const struct lead *lead, const uint8_t *s, size_t room)
{
    if (lead->length == 1) return 1;
    if (room < lead->length || s[1] < lead->second_least || s[1] > lead->second_most) return 0;
    for (size_t i = 2; i < lead->length; i++) {
        if (s[i] < 0x80 || s[i] > 0xbf) return 0;
    }
    return lead->length;
}

size_t utf8_step(const char *s, size_t room)
{
    const uint8_t *bytes = (const uint8_t *)s;
    for (size_t i = 0; i < sizeof leads / sizeof *leads; i++) {
        if (bytes[0] <= leads[i].last)
            return bytes[0] < leads[i].first ? 0 : follow(&leads[i], bytes, room);
    }
    return 0;
}
