/* Reading the members of a request, for request_read.c and door_call.c. Each function gives false
 * when the member is missing or not as it must be, and has said so then. */
#ifndef DOSEWRIGHT_DAEMON_REQUEST_MEMBER_H
#define DOSEWRIGHT_DAEMON_REQUEST_MEMBER_H

#include "daemon/hear/request_read.h"

enum { REQUEST_WORD_MAX = 128 }; /* bytes of a word that is looked up, with its NUL */

/* What is read, and where it goes. */
struct reading {
    struct json_view object;
    const struct site *site;
    struct event_request *request;
    struct request_refusal *no;
};

/* Keys that a word is looked up in: "there is no tank "x"; there are: a, b". */
struct known {
    const char *reason, *what; /* "no-such-tank"; "tank", the member's name, too */
    uint32_t count;
    const char *(*key)(const struct site *site, uint32_t i);
};

/* Bounds of a number, and what to say of one outside: "\"ml\" is below 0 or over 1000 L". */
struct bounds {
    double least, most;
    const char *outside;
};

/* False, with these words. */
bool request_refuse(struct request_refusal *no, const char *reason, const char *text);
/* ... that a member isn't 'form' ("a number"). */
bool request_refuse_member(const struct reading *r, const char *name, const char *form);
/* ... that a word is none of those known. */
bool request_refuse_name(const struct reading *r, const struct known *known, const char *name);

/* Is there a member of that name? 'ret' is it then. */
bool request_has(const struct reading *r, const char *name, struct json_view *ret);

/* A string; one that doesn't fit is cut: it is as unknown as it was whole. */
bool request_word(const struct reading *r, const char *name, char *ret, size_t size);
/* One of the keys that are known, by its index. */
bool request_name(const struct reading *r, const struct known *known, uint32_t *ret);
/* A number within bounds, ends included. */
bool request_number(
    const struct reading *r, const char *name, const struct bounds *bounds, double *ret);
/* A whole number from 0 to 2^53 - 1. */
bool request_count(const struct reading *r, const char *name, int64_t *ret);
/* true or false. */
bool request_truth(const struct reading *r, const char *name, bool *ret);

/* The keys of a site: "no-such-tank", "no-such-chain", "no-such-stock". */
struct known request_tanks(const struct site *site);
struct known request_chains(const struct site *site);
struct known request_stocks(const struct site *site);

#endif
