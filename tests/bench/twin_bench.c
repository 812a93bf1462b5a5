/* What a tank-day costs with the real core, and how much of that is the water alone. */
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "lib/base/invariant.h"
#include "tests/unit/forecast/sites.h"

_Noreturn void invariant_broken(const char *file, int line, const char *what)
{
    fprintf(stderr, "%s:%d: %s\n", file, line, what);
    abort();
}

enum { DAYS = 28 };

static double cpu_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec * 1e3 + (double)t.tv_nsec / 1e6;
}

static struct watched w;

/* The same water, looked at as often, with nobody who doses. */
static double water_alone(uint64_t seed)
{
    static struct reservoir r;
    watched_make(&w, seed);
    const double start = cpu_ms();
    for (uint32_t i = 0; i < w.s.site.tank_count; i++) {
        reservoir_init(&r, &w.truth[i], seed);
        for (int minute = 0; minute < DAYS * 24 * 60; minute++) {
            reservoir_advance(&r, 60.0, false);
            (void)reservoir_read(&r);
        }
    }
    return cpu_ms() - start;
}

static double whole(uint64_t seed, uint32_t *ret_doses)
{
    watched_make(&w, seed);
    w.setup.refills = true;
    watched_start(&w);
    const double start = cpu_ms();
    twin_run(w.twin, DAYS * DAY_MS);
    const double spent = cpu_ms() - start;
    *ret_doses += w.doses;
    watched_end(&w);
    return spent;
}

int main(int argc, char **argv)
{
    const int seeds = argc > 1 ? (int)strtol(argv[1], NULL, 10) : 4;
    double with_core = 0, alone = 0;
    uint32_t doses = 0;
    for (int i = 0; i < seeds; i++) {
        with_core += whole((uint64_t)i + 1, &doses);
        alone += water_alone((uint64_t)i + 1);
    }
    const double tank_days = (double)seeds * SITE_TANKS * DAYS;
    printf("%d sites of %d tanks, %d days each, %u doses\n", seeds, SITE_TANKS, DAYS, doses);
    printf("with the core  %.3f ms a tank-day\n", with_core / tank_days);
    printf("water alone    %.3f ms a tank-day\n", alone / tank_days);
    return 0;
}
