#include "lib/journal/canon.h"

#include <string.h>

/* --- writing ---------------------------------------------------------------------------------- */

/* RFC 8785 section 3.2.2.2: two-character escapes where JSON has them, \u00xx for other controls,
 * everything else as it is. */
static void add_string(struct text *t, const char *s)
{
    text_add_char(t, '"');
    for (; *s; s++) {
        static const char plain[] = "\b\t\n\f\r\"\\";
        static const char after[] = "btnfr\"\\";
        const char *escape = strchr(plain, *s);
        if (escape) {
            text_add_char(t, '\\');
            text_add_char(t, after[escape - plain]);
        } else if ((unsigned char)*s < 0x20) {
            const uint8_t byte = (uint8_t)*s;
            text_add(t, "\\u00");
            text_add_hex(t, &byte, 1);
        } else {
            text_add_char(t, *s);
        }
    }
    text_add_char(t, '"');
}

static void add_value(struct text *t, const struct record *r, const struct record_field *f)
{
    switch (f->kind) {
    case FIELD_INTEGER:
        text_add_int(t, f->number);
        break;
    case FIELD_DECIMAL:
        text_add_scaled(t, f->number, f->decimals);
        break;
    case FIELD_TEXT:
        add_string(t, r->pool + f->text_at);
        break;
    case FIELD_TRUTH:
        text_add(t, f->number ? "true" : "false");
        break;
    }
}

/* Keys are ASCII, so that bytes sort as RFC 8785's UTF-16 units do. */
static uint32_t sorted(const struct record *r, uint8_t order[RECORD_FIELDS_MAX])
{
    for (uint32_t i = 0; i < r->count; i++) {
        uint32_t at = i;
        while (at > 0 && strcmp(r->field[order[at - 1]].key, r->field[i].key) > 0) {
            order[at] = order[at - 1];
            at--;
        }
        order[at] = (uint8_t)i;
    }
    return r->count;
}

void canon_add(struct text *t, const struct record *r, const char *skip)
{
    uint8_t order[RECORD_FIELDS_MAX];
    const uint32_t count = sorted(r, order);
    char before = '{';
    for (uint32_t i = 0; i < count; i++) {
        const struct record_field *f = &r->field[order[i]];
        if (skip && strcmp(f->key, skip) == 0) continue;
        text_add_char(t, before);
        add_string(t, f->key);
        text_add_char(t, ':');
        add_value(t, r, f);
        before = ',';
    }
    if (before == '{') text_add_char(t, '{');
    text_add_char(t, '}');
}

/* --- reading ---------------------------------------------------------------------------------- */

struct reader {
    const char *at, *end, *start;
    struct record *r;
};

static enum err fail(const struct reader *in, struct problem *problem, const char *what)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "not a canonical record: ");
    text_add(&t, what);
    text_add(&t, " at byte ");
    text_add_int(&t, (int64_t)(in->at - in->start) + 1);
    return problem_set(problem, ERR_SYNTAX, "", text);
}

static bool take(struct reader *in, char c)
{
    if (in->at == in->end || *in->at != c) return false;
    in->at++;
    return true;
}

static int hex_value(char c)
{
    if (c >= '0' && c <= '9') return c - '0';
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

/* One escape, after its backslash; -1 when RFC 8785 would not have written it so. */
static int read_escape(struct reader *in)
{
    static const char after[] = "btnfr\"\\";
    static const char plain[] = "\b\t\n\f\r\"\\";
    if (in->at == in->end) return -1;
    const char c = *in->at++;
    const char *known = memchr(after, c, sizeof after - 1);
    if (known) return plain[known - after];
    if (c != 'u' || in->end - in->at < 4 || memcmp(in->at, "00", 2) != 0) return -1;
    const int high = hex_value(in->at[2]), low = hex_value(in->at[3]);
    const int value = high * 16 + low;
    if (high < 0 || low < 0 || value == 0 || value >= 0x20) return -1;
    if (memchr(plain, value, sizeof plain - 1)) return -1;
    in->at += 4;
    return value;
}

/* A string into 'to' (with NUL); false when it isn't one or doesn't fit in 'room'. */
static bool read_string(struct reader *in, char *to, size_t room, size_t *ret_length)
{
    if (!take(in, '"')) return false;
    size_t n = 0;
    while (in->at < in->end && *in->at != '"') {
        int c = (unsigned char)*in->at;
        if (c < 0x20) return false;
        in->at++;
        if (c == '\\') c = read_escape(in);
        if (c < 0 || n + 1 >= room) return false;
        to[n++] = (char)c;
    }
    to[n] = '\0';
    *ret_length = n;
    return take(in, '"');
}

static bool digit(const struct reader *in)
{
    return in->at < in->end && *in->at >= '0' && *in->at <= '9';
}

/* An integer or plain decimal as this journal writes them: no leading or trailing zeros, no "-0".
 */
static bool read_number(struct reader *in, struct record_field *f)
{
    const bool minus = take(in, '-');
    const char *first = in->at;
    uint64_t value = 0;
    unsigned digits = 0, places = 0;
    while (digit(in)) {
        value = value * 10 + (uint64_t)(*in->at++ - '0');
        if (++digits > 16) return false;
    }
    if (digits == 0 || (digits > 1 && *first == '0')) return false;
    if (take(in, '.')) {
        while (digit(in)) {
            value = value * 10 + (uint64_t)(*in->at++ - '0');
            if (++places > 6 || ++digits > 16) return false;
        }
        if (places == 0 || in->at[-1] == '0' || digits > 16) return false;
    }
    if (minus && value == 0) return false;
    if (value > UINT64_C(9007199254740991)) return false;
    f->kind = places > 0 ? FIELD_DECIMAL : FIELD_INTEGER;
    f->decimals = places;
    f->number = minus ? -(int64_t)value : (int64_t)value;
    return true;
}

static bool read_word(struct reader *in, const char *word)
{
    const size_t length = strlen(word);
    if ((size_t)(in->end - in->at) < length || memcmp(in->at, word, length) != 0) return false;
    in->at += length;
    return true;
}

static bool read_value(struct reader *in, struct record_field *f)
{
    struct record *r = in->r;
    size_t length;
    if (in->at == in->end) return false;
    switch (*in->at) {
    case '"':
        f->kind = FIELD_TEXT;
        f->text_at = r->pool_used;
        if (!read_string(in, r->pool + r->pool_used, RECORD_POOL_MAX - r->pool_used, &length))
            return false;
        r->pool_used += (uint32_t)length + 1;
        return true;
    case 't':
        f->kind = FIELD_TRUTH;
        f->number = 1;
        return read_word(in, "true");
    case 'f':
        f->kind = FIELD_TRUTH;
        f->number = 0;
        return read_word(in, "false");
    default:
        return read_number(in, f);
    }
}

static enum err read_member(struct reader *in, struct problem *problem)
{
    struct record *r = in->r;
    size_t length;
    if (r->count == RECORD_FIELDS_MAX) return fail(in, problem, "too many members");
    struct record_field *f = &r->field[r->count];
    f->decimals = 0;
    f->text_at = 0;
    if (!read_string(in, f->key, sizeof f->key, &length)) return fail(in, problem, "no key");
    if (r->count > 0 && strcmp(r->field[r->count - 1].key, f->key) >= 0)
        return fail(in, problem, "keys out of order");
    if (!take(in, ':')) return fail(in, problem, "no colon");
    if (!read_value(in, f)) return fail(in, problem, "no value of a record's kinds");
    r->count++;
    return ERR_NONE;
}

enum err canon_read(struct record *ret, const char *line, size_t length, struct problem *problem)
{
    struct reader in = { .at = line, .end = line + length, .start = line, .r = ret };
    ret->count = ret->pool_used = 0;
    ret->cut = false;
    if (!take(&in, '{')) return fail(&in, problem, "no opening brace");
    do {
        const enum err err = read_member(&in, problem);
        if (err != ERR_NONE) return err;
    } while (take(&in, ','));
    if (!take(&in, '}')) return fail(&in, problem, "no closing brace");
    if (in.at != in.end) return fail(&in, problem, "more after the closing brace");
    return ERR_NONE;
}
