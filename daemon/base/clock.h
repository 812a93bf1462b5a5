/* The only place that reads a clock. */
#ifndef DOSEWRIGHT_DAEMON_CLOCK_H
#define DOSEWRIGHT_DAEMON_CLOCK_H

#include "lib/base/units.h"

/* CLOCK_BOOTTIME and CLOCK_REALTIME, and whether the kernel says that the latter is disciplined. */
struct now clock_now(void);

/* CLOCK_BOOTTIME in microseconds, for what takes less than a millisecond. */
int64_t clock_boot_us(void);

/* The kernel's boot id, 36 characters and NUL; "unknown" when it can't be read. */
void clock_boot(char ret[40]);

/* Offset of a tz database zone at an instant, by the system's zone files; false when unknown. */
bool clock_zone_offset(int64_t *ret_ms, const char *zone, struct civil at);

/* 'count' random bytes from the kernel, as hex. 'ret' holds 2 * count + 1. */
void clock_random_hex(char *ret, size_t count);

#endif
