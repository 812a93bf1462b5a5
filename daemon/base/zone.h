/* Time-zone files as RFC 8536 describes them (TZif, version 2 and later), and the POSIX TZ rule
 * that stands in their footer for the years after the last transition listed. Read here instead of
 * with tzset(3), which works through the process environment and one zone at a time.
 *
 * Instants are seconds since 1970-01-01T00:00:00Z; an offset is what is added to get local time. */
#ifndef DOSEWRIGHT_DAEMON_ZONE_H
#define DOSEWRIGHT_DAEMON_ZONE_H

#include "lib/base/units.h"

enum {
    ZONE_FILE_MAX = 64 * 1024,
    ZONE_NAME_MAX = 64,
    ZONE_OFFSET_MOST_S = 26 * 3600, /* either way; RFC 8536 expects -25 h to 26 h, ends excluded */
};

/* Letters, digits and _ + / - in parts that aren't empty: nothing that leads out of the directory.
 */
bool zone_name_valid(const char *zone);

/* "UTC" and "Etc/UTC" need no file. */
bool zone_is_utc(const char *zone);

/* The offset by the bytes of a zone file; false when they aren't one, or count leap seconds. */
bool zone_offset(int64_t *ret_s, const uint8_t *file, size_t length, int64_t at_s);

/* The same in milliseconds, for an instant in milliseconds. */
bool zone_offset_ms(int64_t *ret_ms, const uint8_t *file, size_t length, struct civil at);

/* The offset by a rule such as "GMT0IST,M3.5.0/1,M10.5.0"; false when it can't be read. */
bool zone_rule_offset(int64_t *ret_s, const char *rule, size_t length, int64_t at_s);

#endif
