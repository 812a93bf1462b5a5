#include "tests/simulation/storm/guard.h"

#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>

#include "lib/base/invariant.h"

static jmp_buf way_out;
static bool inside;
static char what_broke[200];

_Noreturn void invariant_broken(const char *file, int line, const char *what)
{
    (void)snprintf(
        what_broke, sizeof what_broke, "invariant broken at %s:%d: %s", file, line, what);
    if (inside) longjmp(way_out, 1);
    (void)fprintf(stderr, "%s\n", what_broke);
    abort();
}

bool guard_run(void (*life)(void *context), void *context, char *ret, size_t size)
{
    inside = true;
    const bool whole = setjmp(way_out) == 0;
    if (whole) life(context);
    inside = false;
    if (!whole) (void)snprintf(ret, size, "%s", what_broke);
    return whole;
}
