#include "daemon/payload/json_view.h"

#include <string.h>

enum { INDEX_DIGITS_MAX = 4, COUNT_DIGITS_MAX = 16 };

static const int64_t count_most = (INT64_C(1) << 53) - 1;

enum json_kind json_kind(struct json_view v)
{
    switch (v.at[0]) {
    case '{':
        return JSON_OBJECT;
    case '[':
        return JSON_ARRAY;
    case '"':
        return JSON_STRING;
    case 't':
        return JSON_TRUE;
    case 'f':
        return JSON_FALSE;
    case 'n':
        return JSON_NULL;
    }
    return JSON_NUMBER;
}

/* --- walking ---------------------------------------------------------------------------------- */

static const char *after_string(const char *at)
{
    for (at++; *at != '"'; at++) {
        if (*at == '\\') at++;
    }
    return at + 1;
}

static bool ends_scalar(char c)
{
    return c == ',' || c == ']' || c == '}' || c == ' ' || c == '\t' || c == '\n' || c == '\r';
}

/* The byte after the value that begins at 'at'. */
static const char *after_value(const char *at, const char *end)
{
    unsigned depth = 0;
    do {
        if (*at == '"') {
            at = after_string(at);
        } else if (*at == '{' || *at == '[') {
            depth++;
            at++;
        } else if (*at == '}' || *at == ']') {
            depth--;
            at++;
        } else if (depth > 0) {
            at++;
        } else {
            while (at < end && !ends_scalar(*at)) {
                at++;
            }
        }
    } while (depth > 0);
    return at;
}

static const char *skip(const char *at, const char *end, const char *what)
{
    while (at < end && strchr(what, *at)) {
        at++;
    }
    return at;
}

struct json_walk json_walk(struct json_view v)
{
    return (struct json_walk){ .at = v.at + 1, .end = v.at + v.length, .object = v.at[0] == '{' };
}

bool json_next(struct json_walk *w, struct json_view *ret_name, struct json_view *ret_value)
{
    w->at = skip(w->at, w->end, ", \t\n\r");
    if (w->at >= w->end || *w->at == '}' || *w->at == ']') return false;
    if (w->object) {
        ret_name->at = w->at;
        w->at = after_string(w->at);
        ret_name->length = (size_t)(w->at - ret_name->at);
        w->at = skip(w->at, w->end, ": \t\n\r");
    }
    ret_value->at = w->at;
    w->at = after_value(w->at, w->end);
    ret_value->length = (size_t)(w->at - ret_value->at);
    return true;
}

/* The member whose name is exactly these bytes. */
static bool find_member(
    struct json_view object, const char *bytes, size_t length, struct json_view *ret)
{
    if (json_kind(object) != JSON_OBJECT) return false;
    struct json_walk w = json_walk(object);
    struct json_view name, value;
    while (json_next(&w, &name, &value)) {
        if (!json_is(name, bytes, length)) continue;
        *ret = value;
        return true;
    }
    return false;
}

bool json_member(struct json_view object, const char *name, struct json_view *ret)
{
    return find_member(object, name, strlen(name), ret);
}

/* --- strings ---------------------------------------------------------------------------------- */

struct json_bytes json_bytes(struct json_view string)
{
    return (struct json_bytes){ .at = string.at + 1, .end = string.at + string.length };
}

static uint32_t hex_digit(char c)
{
    if (c <= '9') return (uint32_t)(c - '0');
    return (uint32_t)(c | 0x20) - 'a' + 10;
}

static uint32_t code_unit(const char *at)
{
    return hex_digit(at[0]) << 12 | hex_digit(at[1]) << 8 | hex_digit(at[2]) << 4 |
           hex_digit(at[3]);
}

static void wait_utf8(struct json_bytes *b, uint32_t code)
{
    static const unsigned char lead[] = { 0, 0, 0xC0, 0xE0, 0xF0 };
    b->count = code < 0x80 ? 1 : code < 0x800 ? 2 : code < 0x10000 ? 3 : 4;
    b->used = 0;
    for (unsigned i = b->count; i-- > 1; code >>= 6) {
        b->waiting[i] = (unsigned char)(0x80 | (code & 0x3F));
    }
    b->waiting[0] = (unsigned char)(lead[b->count] | code);
}

/* After a backslash. */
static void read_escape(struct json_bytes *b)
{
    static const char names[] = "\"\\/bfnrt", meant[] = "\"\\/\b\f\n\r\t";
    const char c = *b->at++;
    if (c != 'u') {
        wait_utf8(b, (unsigned char)meant[strchr(names, c) - names]);
        return;
    }
    uint32_t code = code_unit(b->at);
    b->at += 4;
    if (code >= 0xD800 && code <= 0xDBFF) {
        code = 0x10000 + ((code - 0xD800) << 10) + (code_unit(b->at + 2) - 0xDC00);
        b->at += 6;
    }
    wait_utf8(b, code);
}

bool json_byte(struct json_bytes *b, unsigned char *ret)
{
    if (b->used == b->count) {
        if (b->at >= b->end || *b->at == '"') return false;
        b->count = 1;
        b->used = 0;
        b->waiting[0] = (unsigned char)*b->at++;
        if (b->waiting[0] == '\\') read_escape(b);
    }
    *ret = b->waiting[b->used++];
    return true;
}

bool json_string(struct json_view v, char *to, size_t size)
{
    if (json_kind(v) != JSON_STRING) return false;
    struct json_bytes b = json_bytes(v);
    unsigned char c;
    size_t n = 0;
    while (json_byte(&b, &c)) {
        if (n + 1 >= size) {
            to[0] = '\0';
            return false;
        }
        to[n++] = (char)c;
    }
    to[n] = '\0';
    return true;
}

bool json_is(struct json_view v, const char *bytes, size_t length)
{
    if (json_kind(v) != JSON_STRING) return false;
    struct json_bytes b = json_bytes(v);
    unsigned char c;
    size_t n = 0;
    while (json_byte(&b, &c)) {
        if (n == length || (unsigned char)bytes[n] != c) return false;
        n++;
    }
    return n == length;
}

/* --- numbers ---------------------------------------------------------------------------------- */

bool json_count(struct json_view v, int64_t *ret)
{
    if (v.length > COUNT_DIGITS_MAX) return false;
    int64_t value = 0;
    for (size_t i = 0; i < v.length; i++) {
        if (v.at[i] < '0' || v.at[i] > '9') return false;
        value = value * 10 + (v.at[i] - '0');
    }
    if (value > count_most) return false;
    *ret = value;
    return true;
}

/* --- pointers --------------------------------------------------------------------------------- */

/* One reference token, unescaped; false when it isn't one. */
static bool read_token(const char **pointer, char *to, size_t size, size_t *ret_length)
{
    const char *at = *pointer + 1;
    size_t n = 0;
    for (; *at && *at != '/'; at++) {
        char c = *at;
        if (c == '~') {
            at++;
            if (*at != '0' && *at != '1') return false;
            c = *at == '0' ? '~' : '/';
        }
        if (n == size) return false;
        to[n++] = c;
    }
    *pointer = at;
    *ret_length = n;
    return true;
}

static bool find_element(
    struct json_view array, const char *token, size_t length, struct json_view *ret)
{
    if (length == 0 || length > INDEX_DIGITS_MAX || (length > 1 && token[0] == '0')) return false;
    size_t index = 0;
    for (size_t i = 0; i < length; i++) {
        if (token[i] < '0' || token[i] > '9') return false;
        index = index * 10 + (size_t)(token[i] - '0');
    }
    struct json_walk w = json_walk(array);
    struct json_view name, value;
    while (json_next(&w, &name, &value)) {
        if (index-- > 0) continue;
        *ret = value;
        return true;
    }
    return false;
}

bool json_point(struct json_view root, const char *pointer, struct json_view *ret)
{
    char token[256];
    size_t length;
    struct json_view v = root;
    while (*pointer) {
        if (*pointer != '/' || !read_token(&pointer, token, sizeof token, &length)) return false;
        const bool found = json_kind(v) == JSON_ARRAY ? find_element(v, token, length, &v)
                                                      : find_member(v, token, length, &v);
        if (!found) return false;
    }
    *ret = v;
    return true;
}
