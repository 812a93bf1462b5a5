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

/* One zone, and that without any rules: RFC 8536 with nothing but a footer. */
ssize_t clock_zone_file(uint8_t *ret, size_t room, const char *zone)
{
    static const uint8_t head[44] = { 'T', 'Z', 'i', 'f', '2', [39] = 1, [43] = 4 };
    static const char type[10] = { [6] = 'G', 'M', 'T' }, footer[] = "\nGMT0\n";
    const size_t length = 2 * (sizeof head + sizeof type) + sizeof footer - 1;
    if (!text_same(zone, "Europe/Dublin") || length > room) return -1;
    for (int block = 0; block < 2; block++) {
        memcpy(ret, head, sizeof head);
        memcpy(ret + sizeof head, type, sizeof type);
        ret += sizeof head + sizeof type;
    }
    memcpy(ret, footer, sizeof footer - 1);
    return (ssize_t)length;
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
