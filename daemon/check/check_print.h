/* The two forms in which 'dosewright check' shows what it found. */
#ifndef DOSEWRIGHT_DAEMON_CHECK_PRINT_H
#define DOSEWRIGHT_DAEMON_CHECK_PRINT_H

#include <stdio.h>

#include "daemon/check/check_derive.h"
#include "daemon/check/check_found.h"

/* 'config' is NULL when the configuration was refused. Both give false when memory is short. */
bool check_print_text(FILE *out, const struct config *config, struct now now);
struct check_shown {
    const char *path;
    const struct config *config; /* NULL: refused */
    const struct problem_list *errors;
    const struct check_found *found;
    struct now now;
};
bool check_print_json(FILE *out, const struct check_shown *shown);

/* What is newer than the files, with both. */
void check_print_found(FILE *out, const struct config *config, const struct check_found *found);

enum { CHECK_WHY_MAX = 160 };

/* Do two stocks share a tank and are kept apart there? Says why. */
bool check_kept_apart(const struct site *site, uint32_t a, uint32_t b, char ret_why[CHECK_WHY_MAX]);

/* The plain outputs of a tank, and what can't be promised for them. */
void check_print_plain(FILE *out, const struct site *site, uint32_t chain);

/* The pairs of stocks that are kept apart in a line, and why; nothing when there is none. */
void check_print_stocks(FILE *out, const struct site *site);

#endif
