/* One line of JSON that a client sent, turned into a call or into the reason why not:
 *
 *     {"call":"status"}                              "from": 800 shows tanks from that index on
 *     {"call":"reload"}
 *     {"call":"request","request":"halt","on":true}
 *     {"call":"request","request":"pause","tank":"basil-bench","on":true}       and "service"
 *     {"call":"request","request":"set","tank":"basil-bench","property":"setpoint/ec","value":1.4}
 *     {"call":"request","request":"override-for","tank":"basil-bench","minutes":480}  or
 * "for":"PT8H"
 *     {"call":"request","request":"acknowledge","alert":"west-roll-call"}
 *     {"call":"request","request":"claim","chain":"west"}
 *     {"call":"request","request":"refilled","stock":"leaf-a","ml":5000}   without "ml": full
 *     {"call":"request","request":"identify","address":"west/2.3"}
 *
 * EC is in mS/cm. Unknown members are ignored; a missing or mistyped required one refuses the call.
 */
#ifndef DOSEWRIGHT_DAEMON_DOOR_CALL_H
#define DOSEWRIGHT_DAEMON_DOOR_CALL_H

#include "daemon/door.h"

enum { DOOR_DEPTH_MAX = 8 };

struct door_refusal {
    char reason[CHAIN_WORD_MAX]; /* one word: "no-such-tank" */
    char text[ACTION_TEXT_MAX];  /* what was found, what there is */
};

/* Fills 'ret' but for its ticket, and 'ret_from' (0 unless a status call says otherwise). */
bool door_read_call(struct door_call *ret, uint32_t *ret_from, const char *line, size_t length,
    const struct site *site, struct door_refusal *no);

/* Reads a Homie duration, PTxHxMxS with whole numbers; false when it isn't one, or over a year. */
bool door_read_duration(int64_t *ret_ms, const char *text);

#endif
