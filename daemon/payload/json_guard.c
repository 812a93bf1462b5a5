#include "daemon/payload/json_guard.h"

#include <string.h>

#include "lib/base/text.h"

enum {
    MAGNITUDE_MOST = 308, /* 10^308 is the first power too large to be safe */
    EXPONENT_CLAMP = 100000,
};

enum want { WANT_VALUE, WANT_ELEMENT_OR_END, WANT_NAME, WANT_NAME_OR_END, WANT_COMMA_OR_END };

struct scan {
    const char *bytes;
    size_t length, at;
    unsigned depth;
    bool object[JSON_DEPTH_MAX]; /* what is open: an object, or an array */
    const char *wrong;           /* the first thing that is wrong */
};

static bool fail(struct scan *s, const char *wrong)
{
    s->wrong = wrong;
    return false;
}

static bool is_at(const struct scan *s, char c)
{
    return s->at < s->length && s->bytes[s->at] == c;
}

static void skip_blanks(struct scan *s)
{
    while (is_at(s, ' ') || is_at(s, '\t') || is_at(s, '\n') || is_at(s, '\r')) {
        s->at++;
    }
}

/* --- strings ---------------------------------------------------------------------------------- */

static bool follows(unsigned char c, unsigned least, unsigned most)
{
    return c >= least && c <= most;
}

/* RFC 3629, section 4: no overlong forms, no surrogates, nothing beyond U+10FFFF. */
size_t json_utf8(const char *s, size_t left)
{
    const unsigned char *u = (const unsigned char *)s;
    if (left == 0) return 0;
    if (u[0] < 0x80) return 1;
    if (left < 2 || u[0] < 0xC2 || u[0] > 0xF4) return 0;
    if (u[0] < 0xE0) return follows(u[1], 0x80, 0xBF) ? 2 : 0;
    if (left < 3 || !follows(u[2], 0x80, 0xBF)) return 0;
    if (u[0] < 0xF0) {
        const unsigned least = u[0] == 0xE0 ? 0xA0 : 0x80, most = u[0] == 0xED ? 0x9F : 0xBF;
        return follows(u[1], least, most) ? 3 : 0;
    }
    if (left < 4 || !follows(u[3], 0x80, 0xBF)) return 0;
    const unsigned least = u[0] == 0xF0 ? 0x90 : 0x80, most = u[0] == 0xF4 ? 0x8F : 0xBF;
    return follows(u[1], least, most) ? 4 : 0;
}

static int hex(char c)
{
    if (c >= '0' && c <= '9') return c - '0';
    if (c >= 'a' && c <= 'f') return c - 'a' + 10;
    if (c >= 'A' && c <= 'F') return c - 'A' + 10;
    return -1;
}

/* The four digits after \u; -1 when they aren't there. */
static int32_t code_unit(const struct scan *s, size_t at)
{
    int32_t value = 0;
    for (size_t i = 0; i < 4; i++) {
        const int digit = at + i < s->length ? hex(s->bytes[at + i]) : -1;
        if (digit < 0) return -1;
        value = value * 16 + digit;
    }
    return value;
}

static bool pass_unicode(struct scan *s)
{
    const int32_t first = code_unit(s, s->at + 2);
    if (first < 0) return fail(s, "\\u without four hexadecimal digits");
    if (first == 0) return fail(s, "an escaped NUL");
    if (first >= 0xDC00 && first <= 0xDFFF) return fail(s, "half of a surrogate pair");
    s->at += 6;
    if (first < 0xD800 || first > 0xDBFF) return true;
    const bool escaped = s->at + 1 < s->length && memcmp(s->bytes + s->at, "\\u", 2) == 0;
    const int32_t second = escaped ? code_unit(s, s->at + 2) : -1;
    if (second < 0xDC00 || second > 0xDFFF) return fail(s, "half of a surrogate pair");
    s->at += 6;
    return true;
}

static bool pass_escape(struct scan *s)
{
    const char c = s->at + 1 < s->length ? s->bytes[s->at + 1] : '\0';
    if (c == 'u') return pass_unicode(s);
    if (c == '\0' || !strchr("\"\\/bfnrt", c)) return fail(s, "an escape that JSON doesn't know");
    s->at += 2;
    return true;
}

static bool pass_string(struct scan *s)
{
    s->at++;
    while (!is_at(s, '"')) {
        if (s->at >= s->length) return fail(s, "a string without its end");
        if (is_at(s, '\\')) {
            if (!pass_escape(s)) return false;
            continue;
        }
        if ((unsigned char)s->bytes[s->at] < 0x20) return fail(s, "a control character");
        const size_t n = json_utf8(s->bytes + s->at, s->length - s->at);
        if (n == 0) return fail(s, "bytes that aren't UTF-8");
        s->at += n;
    }
    s->at++;
    return true;
}

/* --- numbers and words ------------------------------------------------------------------------ */

static bool digit_at(const struct scan *s)
{
    return s->at < s->length && s->bytes[s->at] >= '0' && s->bytes[s->at] <= '9';
}

static size_t pass_digits(struct scan *s)
{
    const size_t from = s->at;
    while (digit_at(s)) {
        s->at++;
    }
    return s->at - from;
}

static bool pass_exponent(struct scan *s, int *ret)
{
    *ret = 0;
    if (!is_at(s, 'e') && !is_at(s, 'E')) return true;
    s->at++;
    const bool minus = is_at(s, '-');
    if (minus || is_at(s, '+')) s->at++;
    if (!digit_at(s)) return false;
    for (; digit_at(s); s->at++) {
        if (*ret < EXPONENT_CLAMP) *ret = *ret * 10 + (s->bytes[s->at] - '0');
    }
    if (minus) *ret = -*ret;
    return true;
}

/* The power of ten of the first digit that isn't 0, as written before the exponent; false when
 * all are 0. */
static bool magnitude(const char *from, size_t whole, size_t places, int *ret)
{
    for (size_t i = 0; i < whole; i++) {
        *ret = (int)(whole - 1 - i);
        if (from[i] != '0') return true;
    }
    for (size_t i = 0; i < places; i++) {
        *ret = -(int)i - 1;
        if (from[whole + 1 + i] != '0') return true;
    }
    return false;
}

static bool pass_number(struct scan *s)
{
    if (is_at(s, '-')) s->at++;
    const char *digits = s->bytes + s->at;
    const size_t whole = pass_digits(s);
    size_t places = 0;
    if (whole == 0 || (whole > 1 && digits[0] == '0'))
        return fail(s, "a number that JSON doesn't know");
    if (is_at(s, '.')) {
        s->at++;
        places = pass_digits(s);
        if (places == 0) return fail(s, "a decimal point without a digit after it");
    }
    int exponent, first;
    if (!pass_exponent(s, &exponent)) return fail(s, "an exponent without a digit");
    if (magnitude(digits, whole, places, &first) && first + exponent >= MAGNITUDE_MOST)
        return fail(s, "a number that isn't finite");
    return true;
}

static bool pass_word(struct scan *s)
{
    static const char *const words[] = { "true", "false", "null" };
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        const size_t n = strlen(words[i]);
        if (s->length - s->at < n || memcmp(s->bytes + s->at, words[i], n) != 0) continue;
        s->at += n;
        return true;
    }
    return fail(s, "no value where one should be");
}

/* --- structure -------------------------------------------------------------------------------- */

static bool open_value(struct scan *s, bool object, enum want *want)
{
    if (s->depth == JSON_DEPTH_MAX) return fail(s, "more than 8 levels of nesting");
    s->object[s->depth++] = object;
    s->at++;
    *want = object ? WANT_NAME_OR_END : WANT_ELEMENT_OR_END;
    return true;
}

static bool pass_value(struct scan *s, enum want *want)
{
    const char c = s->bytes[s->at];
    if (c == '{' || c == '[') return open_value(s, c == '{', want);
    *want = WANT_COMMA_OR_END;
    if (c == '"') return pass_string(s);
    if (c == '-' || digit_at(s)) return pass_number(s);
    return pass_word(s);
}

static bool pass_name(struct scan *s, enum want *want)
{
    if (!is_at(s, '"')) return fail(s, "no member name where one should be");
    if (!pass_string(s)) return false;
    skip_blanks(s);
    if (!is_at(s, ':')) return fail(s, "no colon after a member name");
    s->at++;
    *want = WANT_VALUE;
    return true;
}

static bool pass_comma_or_end(struct scan *s, enum want *want)
{
    const bool object = s->object[s->depth - 1];
    if (is_at(s, object ? '}' : ']')) {
        s->depth--;
        *want = WANT_COMMA_OR_END;
    } else if (is_at(s, ',')) {
        *want = object ? WANT_NAME : WANT_VALUE;
    } else {
        return fail(s, "neither a comma nor the end of what is open");
    }
    s->at++;
    return true;
}

/* The byte at s->at is there and isn't blank; every branch passes at least one or fails. */
static bool pass_one(struct scan *s, enum want *want)
{
    switch (*want) {
    case WANT_VALUE:
        return pass_value(s, want);
    case WANT_ELEMENT_OR_END:
        return is_at(s, ']') ? pass_comma_or_end(s, want) : pass_value(s, want);
    case WANT_NAME:
        return pass_name(s, want);
    case WANT_NAME_OR_END:
        return is_at(s, '}') ? pass_comma_or_end(s, want) : pass_name(s, want);
    case WANT_COMMA_OR_END:
        break;
    }
    return pass_comma_or_end(s, want);
}

static bool pass_all(struct scan *s)
{
    enum want want = WANT_VALUE;
    do {
        skip_blanks(s);
        if (s->at >= s->length) return fail(s, "it ends too early");
        if (!pass_one(s, &want)) return false;
    } while (s->depth > 0 || want != WANT_COMMA_OR_END);
    skip_blanks(s);
    return s->at == s->length || fail(s, "something after the end");
}

/* --- names that are there twice --------------------------------------------------------------- */

static uint32_t name_hash(struct json_view name)
{
    struct json_bytes b = json_bytes(name);
    unsigned char c;
    uint32_t h = 2166136261U; /* FNV-1a, 32 bits (constants from memory): only a first sieve */
    while (json_byte(&b, &c)) {
        h = (h ^ c) * 16777619U;
    }
    return h;
}

static bool same_name(struct json_view a, struct json_view b)
{
    struct json_bytes left = json_bytes(a), right = json_bytes(b);
    unsigned char c, d;
    bool more = json_byte(&left, &c), more_right = json_byte(&right, &d);
    while (more && more_right && c == d) {
        more = json_byte(&left, &c);
        more_right = json_byte(&right, &d);
    }
    return !more && !more_right;
}

/* The object's members only; those inside it have their own turn. */
static bool names_differ(struct scan *s, struct json_view object)
{
    uint32_t hash[JSON_MEMBERS_MAX], count = 0;
    uint16_t at[JSON_MEMBERS_MAX];
    struct json_walk w = json_walk(object);
    struct json_view name, value;
    while (json_next(&w, &name, &value)) {
        const uint32_t h = name_hash(name);
        if (count == JSON_MEMBERS_MAX) {
            s->at = (size_t)(name.at - s->bytes);
            return fail(s, "one member too many for one object");
        }
        for (uint32_t i = 0; i < count; i++) {
            if (hash[i] != h) continue;
            const size_t left = s->length - at[i];
            if (!same_name((struct json_view){ s->bytes + at[i], left }, name)) continue;
            s->at = (size_t)(name.at - s->bytes);
            return fail(s, "a member that is there twice");
        }
        hash[count] = h;
        at[count++] = (uint16_t)(name.at - s->bytes);
    }
    return true;
}

/* 's' has passed all: every brace outside a string opens or closes an object. */
static bool all_names_differ(struct scan *s)
{
    bool inside = false;
    for (size_t i = 0; i < s->length; i++) {
        const char c = s->bytes[i];
        if (inside && c == '\\')
            i++;
        else if (c == '"')
            inside = !inside;
        else if (!inside && c == '{' &&
                 !names_differ(s, (struct json_view){ s->bytes + i, s->length - i }))
            return false;
    }
    return true;
}

static enum err refuse(const struct scan *s, struct problem *problem)
{
    char line[PROBLEM_TEXT_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, "byte ");
    text_add_int(&t, (int64_t)s->at + 1);
    text_add(&t, " of the JSON: ");
    text_add(&t, s->wrong);
    return problem_set(problem, ERR_SYNTAX, "payload", line);
}

enum err json_guard(
    struct json_view *ret, const char *bytes, size_t length, struct problem *problem)
{
    if (length > JSON_LENGTH_MAX)
        return problem_set(problem, ERR_FULL, "payload", "longer than 4096 bytes");
    return json_guard_line(ret, bytes, length, problem);
}

enum err json_guard_line(
    struct json_view *ret, const char *bytes, size_t length, struct problem *problem)
{
    if (length > JSON_LINE_MAX)
        return problem_set(problem, ERR_FULL, "line", "longer than 65535 bytes");
    struct scan s = { .bytes = bytes, .length = length };
    if (!pass_all(&s) || !all_names_differ(&s)) return refuse(&s, problem);
    size_t from = 0;
    while (strchr(" \t\n\r", bytes[from])) {
        from++;
    }
    while (strchr(" \t\n\r", bytes[length - 1])) {
        length--;
    }
    *ret = (struct json_view){ bytes + from, length - from };
    return ERR_NONE;
}
