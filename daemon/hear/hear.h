/* From a message of the broker to events of the core: topic, route, payload. It reads and checks;
 * what becomes of the events is the caller's business, so that a daemon and a replay hear alike. */
#ifndef DOSEWRIGHT_DAEMON_HEAR_H
#define DOSEWRIGHT_DAEMON_HEAR_H

#include "daemon/hear/route.h"
#include "daemon/mqtt/mqtt.h"

struct hearer {
    void *context;
    /* A message that several probes share makes several events. */
    void (*event)(void *context, const struct event *event);
    /* A board reports on the plain output at this place; NULL: nobody wants to know. */
    void (*board)(void *context, const struct route *route, bool on);
    /* It isn't what its topic asks for; nothing comes of it. */
    void (*refused)(
        void *context, const struct mqtt_message *message, const struct problem *problem);
};

/* False when the topic is neither a chain head's, a board's, a probe's nor a beat: perhaps somebody
 * wants a property of ours set (homie_read_set). A message that says nothing yet (an empty or "{}"
 * one, a kept beat) is heard and makes no event. */
bool hear_message(const struct hearer *h, const struct config *config, const struct routes *routes,
    const struct mqtt_message *message);

#endif
