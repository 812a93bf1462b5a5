/* What is wrong with something that came from outside: where, what was found, what is allowed.
 * All of lib says no with an enum err and a struct problem; the shell turns errno into one at the
 * call. Several problems gather in a bounded list, so that all errors of a file are shown at once.
 */
#ifndef DOSEWRIGHT_BASE_PROBLEM_H
#define DOSEWRIGHT_BASE_PROBLEM_H

#include "lib/base/units.h"

enum err {
    ERR_NONE,
    ERR_SYNTAX,    /* can't be read as what it should be */
    ERR_RANGE,     /* read, but outside what is allowed */
    ERR_UNKNOWN,   /* a key, word or name that isn't known */
    ERR_DUPLICATE, /* said twice */
    ERR_MISSING,   /* required and not there */
    ERR_FULL,      /* a bound of this program was met */
    ERR_DAMAGED,   /* it was whole once */
    ERR_IO,        /* the operating system said no */
    ERR_BUSY,      /* someone else holds it */
};

enum { PROBLEM_WHERE_MAX = 160, PROBLEM_TEXT_MAX = 320, PROBLEM_LIST_MAX = 64 };

struct problem {
    enum err err;
    char where[PROBLEM_WHERE_MAX]; /* "site.yaml:12:7", a topic, or a path */
    char text[PROBLEM_TEXT_MAX];   /* one line: what is wrong, what was found, what is allowed */
};

struct problem_list {
    uint32_t count; /* kept; at most PROBLEM_LIST_MAX */
    uint32_t more;  /* found beyond that */
    struct problem item[PROBLEM_LIST_MAX];
};

/* Fills 'p' (cut to fit) and returns 'err', so that "return problem_set(...)" reads well. 'p' may
 * be NULL when the caller doesn't care. */
enum err problem_set(struct problem *p, enum err err, const char *where, const char *text);

/* Appends a copy; beyond the bound it only counts. */
void problem_list_add(struct problem_list *list, const struct problem *p);

#endif
