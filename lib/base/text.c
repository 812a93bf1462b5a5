#include "lib/base/text.h"

#include <string.h>

#include "lib/base/calendar.h"
#include "lib/base/invariant.h"

struct text text_over(char *buffer, size_t size)
{
    INVARIANT(buffer && size > 0);
    buffer[0] = '\0';
    return (struct text){ .at = buffer, .size = size };
}

void text_add_bytes(struct text *t, const char *s, size_t length)
{
    const size_t room = t->size - 1 - t->length;
    if (length > room) {
        length = room;
        t->cut = true;
    }
    if (length > 0) memcpy(t->at + t->length, s, length);
    t->length += length;
    t->at[t->length] = '\0';
}

void text_add(struct text *t, const char *s)
{
    text_add_bytes(t, s, strlen(s));
}

void text_add_char(struct text *t, char c)
{
    text_add_bytes(t, &c, 1);
}

void text_add_int(struct text *t, int64_t value)
{
    text_add_scaled(t, value, 0);
}

void text_add_scaled(struct text *t, int64_t scaled, unsigned decimals)
{
    INVARIANT(decimals <= 9);
    char digits[32];
    size_t n = 0;
    uint64_t rest = scaled < 0 ? 0 - (uint64_t)scaled : (uint64_t)scaled;
    do {
        digits[n++] = (char)('0' + rest % 10);
        rest /= 10;
        if (n == decimals && decimals > 0) digits[n++] = '.';
    } while (rest > 0 || n <= decimals || digits[n - 1] == '.');
    if (scaled < 0) digits[n++] = '-';
    while (n > 0) {
        text_add_char(t, digits[--n]);
    }
}

void text_add_real(struct text *t, double value, unsigned decimals)
{
    if (!(value > -9e9 && value < 9e9)) {
        text_add(t, "?");
        return;
    }
    double scaled = value;
    for (unsigned i = 0; i < decimals; i++) {
        scaled *= 10.0;
    }
    text_add_scaled(t, nearest(scaled), decimals);
}

static char hex_digit(unsigned value)
{
    return "0123456789abcdef"[value & 15U];
}

void text_add_hex(struct text *t, const uint8_t *bytes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        text_add_char(t, hex_digit(bytes[i] >> 4));
        text_add_char(t, hex_digit(bytes[i]));
    }
}

void text_add_quoted(struct text *t, const char *s, size_t length, size_t most)
{
    text_add_char(t, '"');
    for (size_t i = 0; i < length && i < most; i++) {
        const unsigned c = (unsigned char)s[i];
        if (c < 32 || c > 126 || c == '"' || c == '\\') {
            text_add(t, "\\x");
            text_add_char(t, hex_digit(c >> 4));
            text_add_char(t, hex_digit(c));
        } else {
            text_add_char(t, (char)c);
        }
    }
    if (length > most) text_add(t, "...");
    text_add_char(t, '"');
}

static void add_two(struct text *t, int64_t much, const char *unit, int64_t rest, const char *small)
{
    text_add_int(t, much);
    text_add(t, unit);
    if (rest == 0) return;
    text_add_char(t, ' ');
    text_add_int(t, rest);
    text_add(t, small);
}

void text_add_span(struct text *t, int64_t span_ms)
{
    const int64_t s = span_ms < 0 ? 0 : span_ms / 1000 + (span_ms % 1000 >= 500 ? 1 : 0);
    if (s < 120)
        add_two(t, s, " s", 0, "");
    else if (s < 7200)
        add_two(t, s / 60, " min", 0, "");
    else if (s < 2 * 86400)
        add_two(t, s / 3600, " h", s / 60 % 60, " min");
    else
        add_two(t, s / 86400, " d", s / 3600 % 24, " h");
}

static void add_padded(struct text *t, int64_t value, int64_t power)
{
    for (; power > 0; power /= 10) {
        text_add_char(t, (char)('0' + value / power % 10));
    }
}

void text_add_civil(struct text *t, struct civil at)
{
    struct calendar c;
    if (!calendar_from_civil(&c, at)) {
        text_add(t, "?");
        return;
    }
    add_padded(t, c.year, 1000);
    text_add_char(t, '-');
    add_padded(t, c.month, 10);
    text_add_char(t, '-');
    add_padded(t, c.day, 10);
    text_add_char(t, 'T');
    add_padded(t, c.hour, 10);
    text_add_char(t, ':');
    add_padded(t, c.minute, 10);
    text_add_char(t, ':');
    add_padded(t, c.second, 10);
    text_add_char(t, '.');
    add_padded(t, c.millisecond, 100);
    text_add_char(t, 'Z');
}

bool text_copy(char *to, size_t size, const char *from)
{
    struct text t = text_over(to, size);
    text_add(&t, from);
    return !t.cut;
}

bool text_same(const char *a, const char *b)
{
    return strcmp(a, b) == 0;
}
