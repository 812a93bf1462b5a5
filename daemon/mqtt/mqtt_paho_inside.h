/* The inside of a client, for mqtt_paho.c and mqtt_heard.c alone. */
#ifndef DOSEWRIGHT_DAEMON_MQTT_PAHO_INSIDE_H
#define DOSEWRIGHT_DAEMON_MQTT_PAHO_INSIDE_H

#include <MQTTAsync.h>
#include <stdatomic.h>

#include "daemon/mqtt/mqtt_paho.h"

enum {
    PAHO_LINKS = 8, /* connections whose late callbacks are told apart */
    PAHO_VERSION_5 = 5,
    PAHO_FAILURE = 0x80, /* the first reason code that says no */
    PAHO_TLS_TEXT_MAX = 96,
};

/* What a callback is given: whose it is, and a count that it settles. A connection has two. */
struct flight {
    struct paho *paho;
    uint32_t link;
    atomic_int count;
};

enum { UNASKED, ANSWERED }; /* QoS 0; what gets an acknowledgement */

struct paho {
    MQTTAsync handle;
    struct inbox *inbox;
    int version;
    uint32_t link;
    struct flight flight[PAHO_LINKS][2];
    atomic_bool connecting, want_room;
    atomic_ullong refused;
    atomic_int refused_reason;
    char tls_text[PAHO_TLS_TEXT_MAX]; /* only used with the library's lock held */
};

/* --- mqtt_heard.c: what the library calls on its threads -------------------------------------- */

/* Sets the callbacks of a client that was just made. */
void paho_listen(struct paho *p);

/* A connect was asked for, and isn't any more: true the first time. */
bool paho_report_due(struct paho *p);
void paho_report_awaited(struct paho *p);

/* Fills in the callbacks of one call. 'leaving': an unsubscribe. */
void paho_hear_connect(struct paho *p, MQTTAsync_connectOptions *o, struct flight *f);
void paho_hear_disconnect(struct paho *p, MQTTAsync_disconnectOptions *o, struct flight *f);
void paho_hear_publish(struct paho *p, MQTTAsync_responseOptions *o, struct flight *f);
void paho_hear_ask(struct paho *p, MQTTAsync_responseOptions *o, struct flight *f, bool leaving);

/* What the TLS library has to say. */
int paho_hear_tls(const char *line, size_t length, void *context);

#endif
