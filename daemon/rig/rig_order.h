/* What a relay board makes of a message on a command topic: the payload that the configuration has
 * for one of its outputs, with a time or a volume filled in. Pure. */
#ifndef DOSEWRIGHT_DAEMON_RIG_ORDER_H
#define DOSEWRIGHT_DAEMON_RIG_ORDER_H

#include "lib/chain/plain.h"

enum rig_order {
    RIG_ORDER_NONE, /* for another output, or nothing that it understands */
    RIG_ORDER_OFF,
    RIG_ORDER_ON,
};

/* 'ret_ms' is how long the board runs it: never beyond its own limit, where it has one. A volume
 * runs at 'ml_per_s', which is > 0. */
enum rig_order rig_order_read(const struct plain_output *output, double ml_per_s,
    const char *payload, size_t length, int64_t *ret_ms);

#endif
