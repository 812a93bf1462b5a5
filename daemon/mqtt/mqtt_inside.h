/* The inside of a connection, for mqtt.c and mqtt_turn.c alone. */
#ifndef DOSEWRIGHT_DAEMON_MQTT_INSIDE_H
#define DOSEWRIGHT_DAEMON_MQTT_INSIDE_H

#include "daemon/mqtt/mqtt.h"
#include "daemon/mqtt/mqtt_pace.h"
#include "daemon/mqtt/mqtt_paho.h"
#include "daemon/mqtt/mqtt_wishes.h"

enum phase {
    PHASE_WAITING,     /* until 'due' */
    PHASE_CONNECTING,  /* the library was asked; 'due' is the deadline */
    PHASE_SUBSCRIBING, /* connected, not everything granted */
    PHASE_UP,
    PHASE_LEAVING,  /* a clean disconnect, then 'again_ms' later another connect */
    PHASE_RETIRING, /* the client is given up; the next one is made when it has gone */
};

struct mqtt {
    struct broker_config broker; /* its strings are owned */
    char *client_id;
    char *will_topic, *will_payload; /* NULL: none */
    bool will_retained;
    bool will_stale; /* the connection in use was made with another will */

    struct inbox *inbox;
    struct paho *paho; /* NULL until the first connect, and while one is retired */
    bool paho_tls;
    enum phase phase;
    struct mono now, due, up_since;
    int64_t again_ms;
    bool left; /* the DISCONNECT was handed over */
    uint32_t link, uri_at, uri_in_use;
    struct pace pace;

    struct wishes wishes;
    struct wish_batch batch; /* on its way when 'asked' */
    bool asked;
    int token;
    struct mono answer_due;

    int window; /* publishes at QoS 1 that may be unacknowledged */
    bool refusal_told;
    char why[256];
};

/* Disconnects cleanly and connects again 'again_ms' later. */
void mqtt_leave(struct mqtt *m, int64_t again_ms);

/* Gives the client up, and goes on 'again_ms' after it has gone. */
void mqtt_retire(struct mqtt *m, int64_t again_ms);

/* Keeps why there is no connection, in words; 'more' may be NULL or "". */
void mqtt_say(struct mqtt *m, const char *what, const char *more);

#endif
