/* Was a request signed with one of the site's keys? (request_sign.h has the form and the code.) */
#ifndef DOSEWRIGHT_DAEMON_HEAR_REQUEST_VERIFY_H
#define DOSEWRIGHT_DAEMON_HEAR_REQUEST_VERIFY_H

#include "daemon/hear/request_keys.h"
#include "daemon/hear/request_read.h"

/* What a signature is held against. */
struct request_trust {
    const struct site *site;         /* the names of the keys */
    const struct request_keys *keys; /* NULL: of a replay, which has none: 'by' and 'n' are believed
                                        and 'mac' isn't looked at */
};

/* Does the site want signatures, and is this one of its? 'object' was let pass by json_guard and
 * came on 'topic'. Fills signer and n of 'ret'. False with the reason: "unsigned", "unknown-key",
 * "bad-signature", "malformed". That 'n' is new is the core's to say. */
bool request_verify(struct event_origin *ret, struct json_view object, const char *topic,
    const struct request_trust *trust, struct request_refusal *no);

#endif
