/* A broken invariant of the daemon's own ends the world that broke it, not the program. */
#ifndef DOSEWRIGHT_TESTS_STORM_GUARD_H
#define DOSEWRIGHT_TESTS_STORM_GUARD_H

#include <stdbool.h>
#include <stddef.h>

/* Calls 'life'; false when an invariant was broken within, and which. */
bool guard_run(void (*life)(void *context), void *context, char *ret, size_t size);

#endif
