/* One connection to the broker, kept up. Wraps the Paho client: its threads only copy what comes
 * into a bounded inbox and write to an eventfd; every decision (connect, reconnect, subscribe,
 * publish) is made on the loop's thread by mqtt_turn, on the monotonic clock, so that a stepped
 * wall clock can't keep a connection down.
 *
 * Clean start, session expiry 0, no offline buffer: what isn't sent now is not sent later. */
#ifndef DOSEWRIGHT_DAEMON_MQTT_H
#define DOSEWRIGHT_DAEMON_MQTT_H

#include "daemon/config/config.h"
#include "lib/base/problem.h"
#include "lib/base/units.h"

struct mqtt;

struct mqtt_message {
    const char *topic; /* ends in NUL; valid UTF-8, no wildcard */
    const char *payload;
    size_t length; /* at most PAYLOAD_MAX; longer ones were dropped and counted */
    bool retained;
    const char *response_topic; /* MQTT 5, or "" */
    const char *correlation;    /* MQTT 5 */
    size_t correlation_length;
};

/* What is wanted from the broker. The retained flag of a message means, in MQTT 5: on a plain
 * filter, that the broker kept it (whatever is live comes without); on a settable one, that it was
 * published as retained. In MQTT 3.1.1 it always means that the broker kept it. Filters must not
 * overlap: a message would arrive once for each. */
struct mqtt_subscription {
    const char *filter;
    int qos;
    bool settable; /* a .../set topic: retain as published, retain handling 2 */
    bool kept;     /* a settable one where what the broker kept counts, too: retain handling 0 */
    bool urgent;   /* reserved room in the inbox: reports, requests; readings are dropped first */
};

struct mqtt_options {
    const struct broker_config *broker;
    const char *client_id;
    const char *will_topic; /* NULL: none */
    const char *will_payload;
    bool will_retained;
};

enum mqtt_result {
    MQTT_SENT,   /* handed over; it may still be lost */
    MQTT_UNSENT, /* certainly never left */
};

struct mqtt_publish {
    const char *topic;
    const char *payload;
    size_t length;
    int qos;
    bool retained;
    int64_t expiry_s;           /* MQTT 5; 0: none */
    const char *response_topic; /* MQTT 5; NULL: none */
    const char *correlation;
    size_t correlation_length;
};

#define MQTT_NOT_YET "not connected yet" /* 'why' before the first try has ended */

struct mqtt_status {
    bool connected;  /* and every subscription granted; ones that are added later count when refused
                      */
    const char *uri; /* in use, or tried last, as configured; valid as long as the connection is */
    char why[256];   /* the last failure in words; "" when connected */
    uint64_t received, dropped, oversized, malformed;
};

/* Starts nothing yet; the first mqtt_turn connects. Everything in 'options' is copied. ERR_IO when
 * the system says no; a password file that can't be used is told by mqtt_status, as it's read anew
 * at each connect. Block the process's signals before the first mqtt_turn: the library's threads
 * take over the mask, and a signal that lands on one of them is lost to a signalfd. */
enum err mqtt_open(struct mqtt **ret, const struct mqtt_options *options, struct problem *problem)
    __attribute__((warn_unused_result));
void mqtt_close(struct mqtt *m); /* a clean DISCONNECT within a second; NULL is fine */

/* The descriptor that is readable while mqtt_turn or mqtt_take has something to do. */
int mqtt_descriptor(const struct mqtt *m);

/* Replaces the wanted subscriptions (copied); new ones are made, gone ones undone. ERR_RANGE for
 * what is no MQTT filter; then the former ones stay. */
enum err mqtt_subscribe(struct mqtt *m, const struct mqtt_subscription *wanted, uint32_t count,
    struct problem *problem) __attribute__((warn_unused_result));

/* Drops the connection cleanly and connects anew with another will (NULL: none). Returns at once;
 * 'connected' is false from then on until the new connection stands. */
enum err mqtt_rewill(struct mqtt *m, const char *topic, const char *payload, bool retained,
    struct problem *problem) __attribute__((warn_unused_result));

/* Looks after the connection: tries, times out, subscribes. Returns when it wants to be called
 * again at the latest. */
struct mono mqtt_turn(struct mqtt *m, struct mono now);

/* Takes the oldest message; false when there is none. The strings are valid until the next call.
 * What arrives while a connection is being made is handed out once it stands, so that whatever it
 * leads to can be sent; readings of a former connection are left out then, and counted. */
bool mqtt_take(struct mqtt *m, struct mqtt_message *ret);

/* Never blocks. Unsent: there is no connection, the topic is none, or too much is on its way. What
 * shows a state (retained, or QoS 0) may use half of what the broker takes unacknowledged; the rest
 * is for commands. When there is room again the descriptor becomes readable. */
enum mqtt_result mqtt_publish(struct mqtt *m, const struct mqtt_publish *p);

/* After MQTT_UNSENT: is it worth trying again, with several messages that show a state? */
bool mqtt_has_room(const struct mqtt *m);

/* How the connection stands. */
void mqtt_status(const struct mqtt *m, struct mqtt_status *ret);

#endif
