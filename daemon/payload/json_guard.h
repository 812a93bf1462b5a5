/* Is this JSON that may be read at all? RFC 8259 word by word, in one pass and without memory: more
 * strictly than the common parsers, which let pass 007, 5., 1e999 (as infinity), line feeds and NUL
 * inside strings, broken UTF-8 and a member that is there twice. What passes here is read with
 * daemon/payload/json_view.h. */
#ifndef DOSEWRIGHT_DAEMON_JSON_GUARD_H
#define DOSEWRIGHT_DAEMON_JSON_GUARD_H

#include "daemon/payload/json_view.h"
#include "lib/base/problem.h"

enum { JSON_LENGTH_MAX = 4096, JSON_LINE_MAX = 65535, JSON_DEPTH_MAX = 8, JSON_MEMBERS_MAX = 820 };

/* One value with nothing but blanks around it. Refused beside what the grammar refuses: more than
 * JSON_LENGTH_MAX bytes, more than JSON_DEPTH_MAX objects and arrays inside each other, bytes that
 * aren't UTF-8, an escaped NUL, half of a surrogate pair, numbers of 1e308 and more, and two
 * members of one name in one object (names are compared unescaped). The problem tells the byte,
 * counted from 1. */
enum err json_guard(struct json_view *ret, const char *bytes, size_t length,
    struct problem *problem) __attribute__((warn_unused_result));

/* The same for a line of at most JSON_LINE_MAX bytes; an object of more than JSON_MEMBERS_MAX
 * members is refused, too. */
enum err json_guard_line(struct json_view *ret, const char *bytes, size_t length,
    struct problem *problem) __attribute__((warn_unused_result));

/* Bytes of the UTF-8 sequence at 's' (1 to 4), 0 if there is none that RFC 3629 allows. */
size_t json_utf8(const char *s, size_t left);

#endif
