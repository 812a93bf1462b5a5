/* The time zones that the crops' days follow, with their rules as the system's files have them when
 * the configuration is read: the loop asks for offsets every minute and must not wait for a disk.
 * New rules on the disk count from the next reload or start. */
#ifndef DOSEWRIGHT_DAEMON_CONFIG_ZONE_H
#define DOSEWRIGHT_DAEMON_CONFIG_ZONE_H

#include "daemon/base/arena.h"
#include "daemon/config/config.h"

/* Keeps the rules of a zone of the tz database; false when the system doesn't know it, or its rules
 * say nothing for 'at'. */
bool config_keep_zone(
    struct config *config, struct arena *arena, const char *zone, struct civil at);

/* What is added to 'at' for local time in a zone that was kept, or UTC; false when unknown. */
bool config_zone_offset(
    int64_t *ret_ms, const struct config *config, const char *zone, struct civil at);

#endif
