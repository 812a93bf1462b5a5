/* Bounded text: a writer over the caller's buffer. It never overflows, always ends in NUL, and
 * remembers (sticky) that something was cut, so that a long chain of calls needs one check at its
 * end. Numbers are written without locale and without the C library's formatter. */
#ifndef DOSEWRIGHT_BASE_TEXT_H
#define DOSEWRIGHT_BASE_TEXT_H

#include "lib/base/units.h"

struct text {
    char *at;
    size_t size;   /* of the buffer, NUL included; at least 1 */
    size_t length; /* written so far, NUL not counted */
    bool cut;      /* something did not fit */
};

/* Starts empty over 'buffer'. */
struct text text_over(char *buffer, size_t size);

/* Each appends what fits, and remembers when something didn't. */
void text_add(struct text *t, const char *s);
/* Some bytes, whatever they are. */
void text_add_bytes(struct text *t, const char *s, size_t length);
/* One character. */
void text_add_char(struct text *t, char c);
/* A whole number. */
void text_add_int(struct text *t, int64_t value);

/* 'scaled' / 10^decimals in plain decimal form; decimals 0 to 9. (580, 2) gives 5.80. */
void text_add_scaled(struct text *t, int64_t scaled, unsigned decimals);

/* 'value' rounded to 'decimals' (0 to 9) places; "?" when it isn't finite or beyond +-9e9. */
void text_add_real(struct text *t, double value, unsigned decimals);

/* Lower-case hex, two digits a byte. */
void text_add_hex(struct text *t, const uint8_t *bytes, size_t count);

/* Foreign text made safe to show: in double quotes, control characters, quotes, backslashes and
 * bytes over 126 as \xNN; at most 'most' bytes of it, then "...". */
void text_add_quoted(struct text *t, const char *s, size_t length, size_t most);

/* A span for people: "4 s", "3 min", "2 h 5 min", "3 d 4 h". */
void text_add_span(struct text *t, int64_t span_ms);

/* RFC 3339 UTC with milliseconds: 2031-04-02T05:06:07.089Z. Years 1970 to 9999, else "?". */
void text_add_civil(struct text *t, struct civil at);

/* Copies a string, cut to fit; returns false when it was cut. */
bool text_copy(char *to, size_t size, const char *from);

/* Same bytes? Both end in NUL. */
bool text_same(const char *a, const char *b);

#endif
