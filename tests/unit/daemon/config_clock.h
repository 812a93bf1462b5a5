/* The program's clock and zones, in place of the system's: each test sets its own time. Included
 * once by a test program; it then needs no daemon/base/clock.c. */
#ifndef DOSEWRIGHT_TESTS_CONFIG_CLOCK_H
#define DOSEWRIGHT_TESTS_CONFIG_CLOCK_H

#include "daemon/base/clock.h"
#include "lib/base/calendar.h"
#include "tests/unit/daemon/config_fixture.h"

/* The files of the fixture by name. */
enum { SITE, A, B, ACID, CROP };

static struct now fake_now;

struct now clock_now(void)
{
    return fake_now;
}

bool clock_zone_offset(int64_t *ret_ms, const char *zone, struct civil at)
{
    (void)at;
    *ret_ms = 0;
    return text_same(zone, "UTC") || text_same(zone, "Europe/Dublin");
}

/* A fixture of a valid configuration, in the spring of 2031. */
static inline void begin(void)
{
    fixture_make();
    fake_now = (struct now){ .clock = CLOCK_SYNCED };
    ck_assert(calendar_read_civil(&fake_now.civil, "2031-04-02T05:06:07.089Z"));
}

/* Loads it; it must be valid. */
static inline const struct site *load(void)
{
    const bool good = fixture_load(false);
    if (!good) fixture_show(&fixture_errors);
    ck_assert(good);
    return &fixture_config->site;
}

#endif
