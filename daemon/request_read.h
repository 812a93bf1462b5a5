/* A request in JSON, as it comes through the local socket and over MQTT, turned into an event or
 * into the reason why not:
 *
 *     {"request":"halt","on":true}
 *     {"request":"pause","tank":"basil-bench","on":true}                        and "service"
 *     {"request":"set","tank":"basil-bench","property":"setpoint/ec","value":1.4}
 *     {"request":"override-for","tank":"basil-bench","minutes":480}   or "for":"PT8H"
 *     {"request":"acknowledge","alert":"west-roll-call"}
 *     {"request":"claim","chain":"west"}
 *     {"request":"refilled","stock":"leaf-a","ml":5000}   without "ml": full
 *     {"request":"identify","address":"west/2.3"}
 *     {"request":"adopt","chain":"west","on":true}        without "on": only says what would be
 *
 * EC is in mS/cm. Unknown members are ignored; a missing or mistyped required one refuses the
 * request. One row in request_read.c for each word, one function for each member. */
#ifndef DOSEWRIGHT_DAEMON_REQUEST_READ_H
#define DOSEWRIGHT_DAEMON_REQUEST_READ_H

#include "daemon/json_view.h"
#include "lib/core/core.h"

struct request_refusal {
    char reason[CHAIN_WORD_MAX]; /* one word: "no-such-tank" */
    char text[ACTION_TEXT_MAX];  /* what was found, what there is */
};

/* 'object' is JSON that json_guard let pass; names are looked up in 'site'. Fills 'ret' but for its
 * origin and ticket, which stay as they are; on false it is as it was. */
bool request_read(struct event_request *ret, struct json_view object, const struct site *site,
    struct request_refusal *no);

/* A Homie duration, PTxHxMxS with whole numbers; false when it isn't one, or over a year. */
bool request_read_duration(int64_t *ret_ms, const char *text);

#endif
