/* Who may ask over the broker. Private to the core (state.h includes it). */
#ifndef DOSEWRIGHT_CORE_TRUST_H
#define DOSEWRIGHT_CORE_TRUST_H

#include "lib/base/text.h"
#include "lib/core/event.h"

struct core;
struct actions;

enum core_trust {
    TRUST_OPEN,     /* the local socket, or a site without keys */
    TRUST_SIGNED,   /* with one of the site's keys, and for the first time */
    TRUST_AGAIN,    /* ... but not for the first time, or after a later one */
    TRUST_UNSIGNED, /* where it would have to be */
};

enum { MUTE_NAME_SHOWN = 60 }; /* bytes of a sender's topic in an alert */

/* Which it is; a signature counts as seen from then on. Call it once for each request. */
enum core_trust core_trust(struct core *core, const struct event_request *q);

/* Isn't its sender listened to now? */
bool core_is_muted(
    struct core *core, const struct event_request *q, enum core_trust trust, struct now now);

/* It failed, or came in a flood: its sender may be muted by that. */
void core_note_failure(struct core *core, const struct event_request *q, enum core_trust trust,
    struct now now, struct actions *ret);

/* Listens again to the sender that this alert is about; nothing when it is none of those. */
void core_unmute(struct core *core, const char *alert, struct actions *ret);

/* What is due in time: mutes end, and the journal learns of signatures that it hasn't yet. */
void core_turn_trust(struct core *core, struct now now, struct actions *ret);

/* Strangers can send as much as they like there. */
static inline bool request_from_broker(const struct event_request *q)
{
    return text_same(q->origin.by, "mqtt");
}

static inline bool request_stops(const struct event_request *q)
{
    return q->kind == REQUEST_HALT && q->on;
}

#endif
