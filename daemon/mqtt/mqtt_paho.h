/* The Paho client, wrapped: one client for one address, MQTT 5 and 3.1.1 behind one set of calls.
 * What its threads report goes into an inbox as notices and messages; only the loop's thread calls
 * these functions. Read in the source of Paho 1.3.12 (tag v1.3.12), and why this file is as it is:
 *
 * - Callbacks run with the library's global lock held. They copy and return.
 * - The send thread holds that lock while it looks a host name up. So nothing here may be called
 *   between a connect and its report, or the loop would wait for a name server.
 * - What was queued but not yet written when a connection broke stays queued, and would be sent
 *   after the next connect. paho_flying tells; such a client is retired and a new one made.
 * - A DISCONNECT from the broker (MQTT 5) is told by 'disconnected' alone: 'connectionLost' isn't
 *   called after it.
 * - Once a client has used TLS it uses TLS for plain addresses too: a new one is made for those.
 * - Destroying a client can wait for the same lock and for two threads to end: it's done by a
 *   thread of its own. */
#ifndef DOSEWRIGHT_DAEMON_MQTT_PAHO_H
#define DOSEWRIGHT_DAEMON_MQTT_PAHO_H

#include "daemon/mqtt/inbox.h"
#include "daemon/mqtt/mqtt_wishes.h"

struct paho;

enum {
    PAHO_INFLIGHT = 20, /* unacknowledged at most; MQTT 5 brokers may want fewer */
    PAHO_BUFFERED = 64, /* handed over and not yet written */
    PAHO_URI_MAX = 320,
    PAHO_PACKET_MAX = 16384, /* MQTT 5: the broker sends nothing longer */
};

/* Everything that a connect needs; copied by the library. */
struct paho_connect {
    const char *uri; /* as paho_uri spells it */
    uint32_t link;   /* names this connection in notices; counts up */
    const char *username;
    const char *password; /* not a string: 'password_length' bytes; NULL: none */
    int password_length;
    const char *ca_file, *cert_file, *key_file;
    int keepalive_s;
    const char *will_topic, *will_payload; /* NULL: none */
    bool will_retained;
};

/* "mqtt://host:1883" or "mqtts://[::1]" in the library's spelling, with its port; false when it is
 * neither or too long. */
bool paho_uri(char ret[PAHO_URI_MAX], const char *uri);
bool paho_uri_is_tls(const char *uri);

/* A client for one address, or NULL. 'version' is 5 or 4. The inbox is held by it. */
struct paho *paho_open(const char *uri, const char *client_id, int version, struct inbox *inbox);

/* Ends it from a thread of its own; NOTICE_RETIRED when it's gone. */
void paho_retire(struct paho *p);

/* Is a connect of any client of this process waiting for its report? Then the library's lock may be
 * held for as long as a name server takes. */
bool paho_is_busy(void);

/* Each returns 0 or the library's error. What comes of it is told by a notice. */
int paho_connect(struct paho *p, const struct paho_connect *c);
int paho_disconnect(struct paho *p);
int paho_subscribe(struct paho *p, const struct wishes *w, const struct wish_batch *b, int *token);
int paho_unsubscribe(
    struct paho *p, const struct wishes *w, const struct wish_batch *b, int *token);
int paho_publish(struct paho *p, const struct mqtt_publish *m);

/* Does the library say that the connection stands? */
bool paho_connected(struct paho *p);

/* Publishes and subscribes of this connection that have no answer yet, QoS 0 apart. */
int paho_flying(const struct paho *p);
int paho_flying_unasked(const struct paho *p);

/* Publishes that the broker refused (MQTT 5), over this client's life, and the newest reason. */
uint64_t paho_refused(const struct paho *p, int *ret_reason);

/* From now on the descriptor is raised once few publishes are left in flight. */
void paho_want_room(struct paho *p);

/* What a reason code means, in words. */
const char *paho_reason(int version, int code);

#endif
