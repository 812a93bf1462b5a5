/* sd_notify(3) without libsystemd: one datagram to $NOTIFY_SOCKET; does nothing when it isn't set.
 */
#ifndef DOSEWRIGHT_DAEMON_NOTIFY_H
#define DOSEWRIGHT_DAEMON_NOTIFY_H

#include "lib/base/units.h"

void notify_ready(void);
void notify_reloading(
    struct now now); /* RELOADING=1 with MONOTONIC_USEC (systemd 252 has no notify-reload) */
void notify_stopping(void);
void notify_status(const char *text); /* one line; sent only when it changed */
void notify_watchdog(void);

/* Half of WATCHDOG_USEC in ms, or 0 when no watchdog waits for this process. */
int64_t notify_watchdog_every_ms(void);

#endif
