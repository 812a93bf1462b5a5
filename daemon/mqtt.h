/* One connection to the broker, kept up. Wraps the Paho client: its threads only copy what comes
 * into a bounded inbox and write to an eventfd; every decision (connect, reconnect, subscribe,
 * publish) is made on the loop's thread by mqtt_turn, on the monotonic clock, so that a stepped wall
 * clock can't keep a connection down.
 *
 * Clean start, session expiry 0, no offline buffer: what isn't sent now is not sent later. */
#ifndef DOSEWRIGHT_DAEMON_MQTT_H
#define DOSEWRIGHT_DAEMON_MQTT_H

#include "daemon/config.h"
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

/* 'keep' of a subscription says how much the retained flag matters (MQTT 5 only). */
struct mqtt_subscription {
    const char *filter;
    int qos;
    bool settable; /* a .../set topic: retain as published, retain handling 2 */
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
    MQTT_SENT,    /* handed over; it may still be lost */
    MQTT_UNSENT,  /* certainly never left */
};

struct mqtt_publish {
    const char *topic;
    const char *payload;
    size_t length;
    int qos;
    bool retained;
    int64_t expiry_s; /* MQTT 5; 0: none */
    const char *response_topic; /* MQTT 5; NULL: none */
    const char *correlation;
    size_t correlation_length;
};

struct mqtt_status {
    bool connected;  /* and every subscription granted */
    const char *uri; /* in use, or tried last */
    char why[256];   /* the last failure in words; "" when connected */
    uint64_t received, dropped, oversized, malformed;
};

/* Starts nothing yet; the first mqtt_turn connects. ERR_IO when the library or a file says no. */
enum err mqtt_open(struct mqtt **ret, const struct mqtt_options *options, struct problem *problem)
    __attribute__((warn_unused_result));
void mqtt_close(struct mqtt *m); /* a clean DISCONNECT within a second; NULL is fine */

/* The descriptor that becomes readable when mqtt_turn has something to do. */
int mqtt_descriptor(const struct mqtt *m);

/* Replaces the wanted subscriptions (copied); new ones are made, gone ones undone. */
enum err mqtt_subscribe(struct mqtt *m, const struct mqtt_subscription *wanted, uint32_t count,
    struct problem *problem) __attribute__((warn_unused_result));

/* Drops the connection cleanly and connects anew with another will (NULL: none). */
enum err mqtt_rewill(struct mqtt *m, const char *topic, const char *payload, bool retained,
    struct problem *problem) __attribute__((warn_unused_result));

/* Looks after the connection: tries, times out, subscribes. Returns when it wants to be called again
 * at the latest. */
struct mono mqtt_turn(struct mqtt *m, struct mono now);

/* Takes the oldest message; false when there is none. The strings are valid until the next call. */
bool mqtt_take(struct mqtt *m, struct mqtt_message *ret);

/* Never blocks. */
enum mqtt_result mqtt_publish(struct mqtt *m, const struct mqtt_publish *p);

void mqtt_status(const struct mqtt *m, struct mqtt_status *ret);

#endif
