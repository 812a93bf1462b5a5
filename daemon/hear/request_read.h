/* A request in JSON, as it comes through the local socket and over MQTT, turned into an event or
 * into the reason why not:
 *
 *     {"request":"halt","on":true}
 *     {"request":"pause","tank":"basil-bench","on":true}                        and "service"
 *     {"request":"set","tank":"basil-bench","property":"setpoint/ec","value":1.4}
 *         also "setpoint/ph", "setpoint/override-for" ("PT8H"), "dosing/paused" (true) and,
 *         without a tank, "site/halt"
 *     {"request":"override-for","tank":"basil-bench","minutes":480}   or "for":"PT8H"
 *     {"request":"acknowledge","alert":"roll-call-west"}
 *     {"request":"claim","chain":"west"}
 *     {"request":"refilled","stock":"leaf-a","ml":5000}   without "ml": full
 *     {"request":"identify","address":"west/2.3"}
 *     {"request":"adopt","chain":"west","on":true}        without "on": only says what would be
 *     {"request":"bench","tank":"basil-bench","on":true}
 *     {"request":"dose","stock":"acid","tank":"basil-bench","ml":5}    the tank may be left out
 *     {"request":"prime","stock":"acid","ml":12,"into":"cup"}          where the stock serves one;
 *     {"request":"circulate","tank":"basil-bench","for_s":60}          "into" is "cup" or "tank"
 *     {"request":"calibrate-pump","stock":"acid","ml":20,"into":"cup"} runs it, then
 *     {"request":"calibrate-pump","stock":"acid","measured_ml":20.4}
 *     {"request":"calibrate-flow","tank":"basil-bench","for_s":30}     runs it, then
 *     {"request":"calibrate-flow","tank":"basil-bench","measured_l":7.5}   with "seconds": in these
 *     {"request":"calibrate-probe","tank":"basil-bench","probe":"ph","point":"7.00","degc":21.5}
 *     {"request":"tube-changed","tank":"basil-bench","stock":"leaf-a"}
 *     {"request":"strainer-cleaned","tank":"basil-bench"}
 *     {"request":"water-changed","tank":"basil-bench","litres":40}    without "litres": all of it
 *     {"request":"journal","from":1200,"to":1207}
 *
 * EC is in mS/cm. Unknown members are ignored; a missing or mistyped required one refuses the
 * request. One row in request_read.c for each word, one function for each member. */
#ifndef DOSEWRIGHT_DAEMON_REQUEST_READ_H
#define DOSEWRIGHT_DAEMON_REQUEST_READ_H

#include "daemon/payload/json_view.h"
#include "lib/core/core.h"

struct request_refusal {
    char reason[CHAIN_WORD_MAX]; /* one word: "no-such-tank" */
    char text[ACTION_TEXT_MAX];  /* what was found, what there is */
};

/* 'object' is JSON that json_guard let pass; names are looked up in 'site'. Fills 'ret' but for its
 * origin, id and ticket, which stay as they are; on false it is as it was. */
bool request_read(struct event_request *ret, struct json_view object, const struct site *site,
    struct request_refusal *no);

/* A Homie duration, PTxHxMxS with whole numbers; false when it isn't one, or over a year. */
bool request_read_duration(int64_t *ret_ms, const char *text);

#endif
