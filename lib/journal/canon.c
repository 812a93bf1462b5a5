#include "lib/journal/canon.h"

#include <string.h>

#include "lib/journal/canon_inside.h"
#include "lib/journal/utf8.h"

/* RFC 8785, 3.2.2.2: these seven have a short escape, the other control characters are \u00 and two
 * lower-case hex digits, and nothing else is escaped. */
static const char escape_letters[] = "btnfr\"\\";
static const char escape_bytes[] = "\b\t\n\f\r\"\\";

/* --- writing ---------------------------------------------------------------------------------- */

static void add_escape(struct text *t, char c)
{
    text_add_char(t, '\\');
    const char *known = memchr(escape_bytes, c, sizeof escape_bytes - 1);
    if (known) {
        text_add_char(t, escape_letters[known - escape_bytes]);
        return;
    }
    const uint8_t byte = (uint8_t)c;
    text_add(t, "u00");
    text_add_hex(t, &byte, 1);
}

static bool is_plain(char c)
{
    return (unsigned char)c >= ' ' && c != '"' && c != '\\';
}

static void add_string(struct text *t, const char *s)
{
    text_add_char(t, '"');
    while (*s) {
        size_t plain = 0;
        while (is_plain(s[plain])) {
            plain++;
        }
        text_add_bytes(t, s, plain);
        s += plain;
        if (*s) add_escape(t, *s++);
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

/* Keys are ASCII, so their bytes sort as RFC 8785, 3.2.3 sorts their UTF-16 units. */
static void sort_keys(const struct record *r, uint32_t order[RECORD_FIELDS_MAX])
{
    for (uint32_t i = 0; i < r->count; i++) {
        uint32_t at = i;
        while (at > 0 && strcmp(r->field[order[at - 1]].key, r->field[i].key) > 0) {
            order[at] = order[at - 1];
            at--;
        }
        order[at] = i;
    }
}

void canon_add(struct text *t, const struct record *r, const char *skip)
{
    uint32_t order[RECORD_FIELDS_MAX];
    sort_keys(r, order);
    text_add_char(t, '{');
    bool first = true;
    for (uint32_t i = 0; i < r->count; i++) {
        const struct record_field *f = &r->field[order[i]];
        if (skip && strcmp(f->key, skip) == 0) continue;
        if (!first) text_add_char(t, ',');
        first = false;
        text_add_char(t, '"');
        text_add(t, f->key);
        text_add(t, "\":");
        add_value(t, r, f);
    }
    text_add_char(t, '}');
}

/* --- reading ----------------------------------------------------------------------------------
 * The line is gone through once, from left to right, straight into the record. Each step gives
 * NULL, or the words for what is wrong at 'at'. */

struct reader {
    const char *line;
    size_t length, at;
    struct record *r;
};

static bool next_is(const struct reader *in, char c)
{
    return in->at < in->length && in->line[in->at] == c;
}

static const char *take(struct reader *in, char c, const char *complaint)
{
    if (!next_is(in, c)) return complaint;
    in->at++;
    return NULL;
}

static bool is_key_byte(char c)
{
    return c > ' ' && c <= '~' && c != '"' && c != '\\';
}

static const char *read_key(struct reader *in, struct record_field *f)
{
    const char *wrong = take(in, '"', "a key in quotes was due");
    if (wrong) return wrong;
    size_t n = 0;
    while (in->at + n < in->length && n < RECORD_KEY_MAX && is_key_byte(in->line[in->at + n])) {
        n++;
    }
    if (n == 0 || n >= RECORD_KEY_MAX) return "a key of 1 to 23 plain characters was due";
    memcpy(f->key, in->line + in->at, n);
    f->key[n] = '\0';
    in->at += n;
    wrong = take(in, '"', "a key has a character that it can't have");
    if (wrong) return wrong;
    return take(in, ':', "a colon was due");
}

static int hex_value(char c)
{
    if (c >= '0' && c <= '9') return c - '0';
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

/* After the backslash. Accepts only the escape that RFC 8785 would have written. */
static const char *read_escape(struct reader *in, char *ret)
{
    static const char complaint[] = "an escape that isn't canonical";
    if (in->at >= in->length) return complaint;
    const char *s = in->line + in->at;
    const char *known = memchr(escape_letters, s[0], sizeof escape_letters - 1);
    if (known) {
        *ret = escape_bytes[known - escape_letters];
        in->at++;
        return NULL;
    }
    if (in->length - in->at < 5 || memcmp(s, "u00", 3) != 0) return complaint;
    const int high = hex_value(s[3]), low = hex_value(s[4]);
    const int byte = high * 16 + low;
    if (high < 0 || low < 0 || byte == 0 || byte >= ' ') return complaint;
    if (memchr(escape_bytes, byte, sizeof escape_bytes - 1)) return complaint;
    *ret = (char)byte;
    in->at += 5;
    return NULL;
}

/* Plain characters of a string: printable ASCII but the quote and the backslash. */
static size_t plain_run(const char *s, size_t room)
{
    size_t n = 0;
    while (n < room && (unsigned char)s[n] >= ' ' && (unsigned char)s[n] < 0x80 && s[n] != '"' &&
           s[n] != '\\') {
        n++;
    }
    return n;
}

/* What ends a run of plain characters, and isn't the closing quote: an escape or a longer character
 * into 'to'; *ret_bytes says how many. */
static const char *read_special(struct reader *in, char to[4], size_t *ret_bytes)
{
    if (in->line[in->at] == '\\') {
        in->at++;
        *ret_bytes = 1;
        return read_escape(in, to);
    }
    const size_t step = utf8_step(in->line + in->at, in->length - in->at);
    if (step < 2) return step == 1 ? "a bare control character" : "bytes that aren't UTF-8";
    memcpy(to, in->line + in->at, step);
    in->at += step;
    *ret_bytes = step;
    return NULL;
}

static const char *read_string(struct reader *in, struct record_field *f)
{
    static const char too_long[] = "more text than a record holds";
    struct record *r = in->r;
    const size_t left = RECORD_POOL_MAX - r->pool_used;
    const size_t room = left < RECORD_TEXT_MOST + 1 ? left : RECORD_TEXT_MOST + 1;
    char *to = r->pool + r->pool_used;
    size_t used = 0;
    in->at++; /* the opening quote */
    while (in->at < in->length) {
        const size_t plain = plain_run(in->line + in->at, in->length - in->at);
        if (used + plain >= room) return too_long;
        memcpy(to + used, in->line + in->at, plain);
        used += plain;
        in->at += plain;
        if (next_is(in, '"')) break;
        if (in->at == in->length) break;
        char special[4];
        size_t bytes = 0;
        const char *wrong = read_special(in, special, &bytes);
        if (wrong) return wrong;
        if (used + bytes >= room) return too_long;
        memcpy(to + used, special, bytes);
        used += bytes;
    }
    if (used >= room) return too_long;
    to[used] = '\0';
    f->kind = FIELD_TEXT;
    f->text_at = r->pool_used;
    r->pool_used += (uint32_t)used + 1;
    return take(in, '"', "the text isn't ended");
}

/* Digits from 'at' on, counted; more than a record holds is as good as endless. */
static size_t count_digits(const struct reader *in, size_t at)
{
    size_t n = 0;
    while (at + n < in->length && n < 17 && in->line[at + n] >= '0' && in->line[at + n] <= '9') {
        n++;
    }
    return n;
}

/* The next 'count' digits, which are there. */
static void take_digits(struct reader *in, size_t count, int64_t *value)
{
    for (; count > 0; count--) {
        *value = *value * 10 + (in->line[in->at++] - '0');
    }
}

static const char *read_number(struct reader *in, struct record_field *f)
{
    const bool minus = next_is(in, '-');
    if (minus) in->at++;
    const size_t whole = count_digits(in, in->at);
    if (whole == 0) return "a value was due: a number, a text, true or false";
    const bool zero = in->line[in->at] == '0';
    if (whole > 1 && zero) return "a number begins with 0";
    if (whole > 16) return "a number beyond 2^53 - 1";
    int64_t value = 0;
    take_digits(in, whole, &value);
    if (value > RECORD_INTEGER_MOST) return "a number beyond 2^53 - 1";
    f->kind = FIELD_INTEGER;
    if (next_is(in, '.')) {
        const size_t places = count_digits(in, in->at + 1);
        if (places == 0 || places > 6) return "1 to 6 decimal places were due";
        if (!zero && whole + places > 15) return "a decimal of more than 15 digits";
        in->at++;
        take_digits(in, places, &value);
        if (in->line[in->at - 1] == '0') return "a decimal ends in 0";
        f->kind = FIELD_DECIMAL;
        f->decimals = (unsigned)places;
    }
    if (minus && value == 0) return "0 has no sign";
    f->number = minus ? -value : value;
    return NULL;
}

static bool read_word(struct reader *in, const char *word, size_t length)
{
    if (in->length - in->at < length || memcmp(in->line + in->at, word, length) != 0) return false;
    in->at += length;
    return true;
}

static const char *read_value(struct reader *in, struct record_field *f)
{
    f->decimals = 0;
    f->text_at = 0;
    if (next_is(in, '"')) {
        f->number = 0;
        return read_string(in, f);
    }
    const bool yes = read_word(in, "true", 4);
    if (yes || read_word(in, "false", 5)) {
        f->kind = FIELD_TRUTH;
        f->number = yes ? 1 : 0;
        return NULL;
    }
    return read_number(in, f);
}

/* Most keys differ in their first character. */
static bool in_order(const char *a, const char *b)
{
    return a[0] != b[0] ? a[0] < b[0] : strcmp(a, b) < 0;
}

static const char *read_member(struct reader *in, struct canon_span *hash)
{
    struct record *r = in->r;
    const size_t from = in->at;
    if (r->count == RECORD_FIELDS_MAX) return "more members than a record holds";
    struct record_field *f = &r->field[r->count];
    const char *wrong = read_key(in, f);
    if (!wrong && r->count > 0 && !in_order(r->field[r->count - 1].key, f->key))
        wrong = "the keys aren't in order";
    if (!wrong) wrong = read_value(in, f);
    if (wrong) return wrong;
    r->count++;
    if (f->key[0] == 'h' && strcmp(f->key, "hash") == 0)
        *hash = (struct canon_span){ from, in->at };
    return NULL;
}

static const char *read_object(struct reader *in, struct canon_span *hash)
{
    const char *wrong = take(in, '{', "an opening brace was due");
    while (!wrong && (in->r->count > 0 || !next_is(in, '}'))) {
        wrong = read_member(in, hash);
        if (wrong || !next_is(in, ',')) break;
        in->at++;
    }
    if (!wrong) wrong = take(in, '}', "a comma or the closing brace was due");
    if (!wrong && in->at != in->length) wrong = "something follows the closing brace";
    return wrong;
}

enum err canon_read_hashed(struct record *ret, struct canon_span *ret_hash, const char *line,
    size_t length, struct problem *problem)
{
    struct reader in = { .line = line, .length = length, .r = ret };
    ret->count = 0;
    ret->pool_used = 0;
    ret->cut = false;
    *ret_hash = (struct canon_span){ 0, 0 };
    const char *wrong = length < RECORD_LINE_MAX ? read_object(&in, ret_hash) : "it is too long";
    if (wrong) {
        char where[32];
        struct text t = text_over(where, sizeof where);
        text_add(&t, "byte ");
        text_add_int(&t, (int64_t)in.at + 1);
        return problem_set(problem, ERR_SYNTAX, where, wrong);
    }
    /* a comma goes with it */
    if (ret_hash->to == 0) return ERR_NONE;
    if (line[ret_hash->from - 1] == ',')
        ret_hash->from--;
    else if (line[ret_hash->to] == ',')
        ret_hash->to++;
    return ERR_NONE;
}

void canon_copy(struct record *to, const struct record *from)
{
    to->count = from->count;
    to->pool_used = from->pool_used;
    to->cut = from->cut;
    memcpy(to->field, from->field, from->count * sizeof *from->field);
    memcpy(to->pool, from->pool, from->pool_used);
}

enum err canon_read(struct record *ret, const char *line, size_t length, struct problem *problem)
{
    struct record read;
    struct canon_span hash;
    const enum err err = canon_read_hashed(&read, &hash, line, length, problem);
    if (err == ERR_NONE) canon_copy(ret, &read);
    return err;
}
