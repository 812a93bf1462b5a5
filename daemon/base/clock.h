/* The only place that reads a clock. */
#ifndef DOSEWRIGHT_DAEMON_CLOCK_H
#define DOSEWRIGHT_DAEMON_CLOCK_H

#include <sys/types.h>

#include "lib/base/units.h"

/* CLOCK_BOOTTIME and CLOCK_REALTIME, and whether the kernel says that the latter is disciplined. */
struct now clock_now(void);

/* CLOCK_BOOTTIME in microseconds, for what takes less than a millisecond. */
int64_t clock_boot_us(void);

/* The kernel's boot id, 36 characters and NUL; "unknown" when it can't be read. */
void clock_boot(char ret[40]);

/* The system's file of a tz database zone, for zone_offset: its length, at most 'room'; -1 when
 * there is none, or it is longer. */
ssize_t clock_zone_file(uint8_t *ret, size_t room, const char *zone);

/* Offset of a tz database zone at an instant, by the system's zone files; false when unknown. */
bool clock_zone_offset(int64_t *ret_ms, const char *zone, struct civil at);

/* 'count' random bytes from the kernel, as hex. 'ret' holds 2 * count + 1. */
void clock_random_hex(char *ret, size_t count);

#endif
