/* Looking into JSON text that json_guard has let pass: values are spans of the text itself, nothing
 * is copied, numbers keep their digits. None of these looks at unchecked text. */
#ifndef DOSEWRIGHT_DAEMON_JSON_VIEW_H
#define DOSEWRIGHT_DAEMON_JSON_VIEW_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* One value, without blanks around it: "{...}", "[...]", "\"...\"", "6.2", "true", "null". */
struct json_view {
    const char *at;
    size_t length; /* > 0 */
};

enum json_kind {
    JSON_OBJECT,
    JSON_ARRAY,
    JSON_STRING,
    JSON_NUMBER,
    JSON_TRUE,
    JSON_FALSE,
    JSON_NULL,
};

/* By its first byte. */
enum json_kind json_kind(struct json_view v);

/* Walks over the members of an object or the elements of an array. */
struct json_walk {
    const char *at, *end;
    bool object;
};

/* 'v' is an object or an array. */
struct json_walk json_walk(struct json_view v);

/* The next member or element; false after the last. 'name' stays as it is in an array. */
bool json_next(struct json_walk *w, struct json_view *ret_name, struct json_view *ret_value);

/* The member of that name; false when 'object' is none or has none. */
bool json_member(struct json_view object, const char *name, struct json_view *ret);

/* The bytes of a string, unescaped, one after the other. */
struct json_bytes {
    const char *at, *end;
    unsigned char waiting[4];
    unsigned count, used;
};
struct json_bytes json_bytes(struct json_view string);
bool json_byte(struct json_bytes *b, unsigned char *ret);

/* The string unescaped, with a NUL; false when it isn't a string or doesn't fit (then
 * 'to' is "" or as it was). */
bool json_string(struct json_view v, char *to, size_t size);

/* Is it a string of exactly these bytes? */
bool json_is(struct json_view v, const char *bytes, size_t length);

/* A whole number from 0 to 2^53 - 1, written without sign, fraction or exponent. */
bool json_count(struct json_view v, int64_t *ret);

/* RFC 6901: the value that 'pointer' ("", "/a/0", "/m~1n") points to; false when there is none or
 * it isn't a pointer. */
bool json_point(struct json_view root, const char *pointer, struct json_view *ret);

#endif
