/* One line of JSON that a client sent, turned into a call or into the reason why not:
 *
 *     {"call":"status"}                              "from": 800 shows tanks from that index on
 *     {"call":"reload"}
 *     {"call":"request","request":"halt","on":true}   and the other requests of request_read.h
 *
 * Unknown members are ignored; a missing or mistyped required one refuses the call.
 */
#ifndef DOSEWRIGHT_DAEMON_DOOR_CALL_H
#define DOSEWRIGHT_DAEMON_DOOR_CALL_H

#include "daemon/door/door.h"
#include "daemon/hear/request_read.h"

/* Fills 'ret' but for its ticket, and 'ret_from' (0 unless a status call says otherwise). */
bool door_read_call(struct door_call *ret, uint32_t *ret_from, const char *line, size_t length,
    const struct site *site, struct request_refusal *no);

#endif
