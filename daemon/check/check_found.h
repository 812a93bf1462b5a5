/* What people found here since the file was written, as the site's journal has it: calibrations
 * that are newer than the file's, and orders of modules that were adopted. 'check' shows both, and
 * works out what follows from what 'run' would use. */
#ifndef DOSEWRIGHT_DAEMON_CHECK_FOUND_H
#define DOSEWRIGHT_DAEMON_CHECK_FOUND_H

#include "daemon/config/config.h"

enum { CHECK_FOUND_WHAT_MAX = 80, CHECK_FOUND_TEXT_MAX = 96 };

struct check_found_item {
    const char *key;                  /* of the tank, or of the chain */
    char what[CHECK_FOUND_WHAT_MAX];  /* "pump leaf-a", "probe ph", "modules" */
    char filed[CHECK_FOUND_TEXT_MAX]; /* "1.020 mL/s of 2031-03-01" */
    char here[CHECK_FOUND_TEXT_MAX];  /* ... which is in force */
};

struct check_found {
    bool read;     /* there is a journal, and it could be read */
    char why[256]; /* why not; "" when there just is none */
    uint32_t count;
    struct check_found_item *item; /* the caller's to free */
};

/* Looks into the journal that 'config' names, without a lock, and amends 'config' by what it has
 * that is newer. A journal that isn't there, or can't be read, leaves everything as the file has
 * it. False without memory. */
bool check_find(struct check_found *ret, struct config *config, struct now now);

#endif
