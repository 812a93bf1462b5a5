#include "daemon/mqtt/mqtt_paho.h"

#include <pthread.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/mqtt/mqtt_paho_inside.h"
#include "lib/base/text.h"

enum { CONNECT_TIMEOUT_S = 5 };

/* --- addresses and words ---------------------------------------------------------------------- */

static const char plain_scheme[] = "mqtt://", tls_scheme[] = "mqtts://";

bool paho_uri_is_tls(const char *uri)
{
    return strncmp(uri, tls_scheme, sizeof tls_scheme - 1) == 0;
}

bool paho_uri(char ret[PAHO_URI_MAX], const char *uri)
{
    const bool tls = paho_uri_is_tls(uri);
    if (!tls && strncmp(uri, plain_scheme, sizeof plain_scheme - 1) != 0) return false;
    const char *rest = uri + (tls ? sizeof tls_scheme : sizeof plain_scheme) - 1;
    const char *bracket = rest[0] == '[' ? strchr(rest, ']') : NULL;
    if (rest[0] == '\0' || rest[0] == ':' || (rest[0] == '[' && !bracket)) return false;
    struct text t = text_over(ret, PAHO_URI_MAX);
    text_add(&t, tls ? "ssl://" : "tcp://");
    text_add(&t, rest);
    if (!strchr(bracket ? bracket : rest, ':')) text_add(&t, tls ? ":8883" : ":1883");
    return !t.cut;
}

const char *paho_reason(int version, int code)
{
    static const char *const refusals[] = { "", "this MQTT version isn't spoken there",
        "the client id is refused", "the broker isn't available", "user name or password is wrong",
        "not authorized" };
    if (version < PAHO_VERSION_5)
        return code > 0 && code < (int)(sizeof refusals / sizeof *refusals) ? refusals[code] : NULL;
    return code >= PAHO_FAILURE ? MQTTReasonCode_toString((enum MQTTReasonCodes)code) : NULL;
}

/* --- life ------------------------------------------------------------------------------------- */

/* OpenSSL begins by itself when it is first needed. Paho's way of beginning loads all its
 * algorithms and error texts, 1.4 MB of memory that a plain connection never uses. Only once, and
 * before there is a client: it makes the library's locks anew, under a thread that waits on one no
 * signal would ever wake it again. */
static void begin_library(void)
{
    MQTTAsync_init_options options = MQTTAsync_init_options_initializer;
    options.do_openssl_init = 0;
    MQTTAsync_global_init(&options);
}

struct paho *paho_open(const char *uri, const char *client_id, int version, struct inbox *inbox)
{
    struct paho *p = calloc(1, sizeof *p);
    if (!p) return NULL;
    static pthread_once_t begun = PTHREAD_ONCE_INIT;
    (void)pthread_once(&begun, begin_library);
    MQTTAsync_createOptions options = MQTTAsync_createOptions_initializer;
    options.sendWhileDisconnected = 0;
    options.maxBufferedMessages = PAHO_BUFFERED;
    options.MQTTVersion = version;
    if (MQTTAsync_createWithOptions(
            &p->handle, uri, client_id, MQTTCLIENT_PERSISTENCE_NONE, NULL, &options) != 0) {
        free(p);
        return NULL;
    }
    p->version = version;
    p->inbox = inbox_hold(inbox);
    for (int i = 0; i < PAHO_LINKS; i++) {
        p->flight[i][UNASKED].paho = p->flight[i][ANSWERED].paho = p;
    }
    paho_listen(p);
    return p;
}

static void *retire(void *context)
{
    struct paho *p = context;
    MQTTAsync_destroy(&p->handle);
    (void)paho_report_due(p);
    const struct notice gone = { .kind = NOTICE_RETIRED };
    (void)inbox_tell(p->inbox, &gone);
    inbox_close(p->inbox);
    free(p);
    return NULL;
}

void paho_retire(struct paho *p)
{
    pthread_t thread;
    pthread_attr_t attributes;
    bool started = false;
    if (pthread_attr_init(&attributes) == 0) {
        started = pthread_attr_setdetachstate(&attributes, PTHREAD_CREATE_DETACHED) == 0 &&
                  pthread_create(&thread, &attributes, retire, p) == 0;
        pthread_attr_destroy(&attributes);
    }
    if (!started) (void)retire(p); /* then the loop has to wait */
}

/* --- connect ---------------------------------------------------------------------------------- */

static struct flight *flight_of(struct paho *p, int kind)
{
    return &p->flight[p->link % PAHO_LINKS][kind];
}

static MQTTAsync_SSLOptions tls_options(struct paho *p, const struct paho_connect *c)
{
    MQTTAsync_SSLOptions tls = MQTTAsync_SSLOptions_initializer;
    tls.trustStore = c->ca_file;
    tls.disableDefaultTrustStore = c->ca_file != NULL;
    tls.keyStore = c->cert_file;
    tls.privateKey = c->key_file;
    tls.privateKeyPassword = ""; /* else the library asks the terminal, and waits */
    tls.enableServerCertAuth = 1;
    tls.verify = 1; /* the name, too */
    tls.sslVersion = MQTT_SSL_VERSION_TLS_1_2;
    tls.ssl_error_cb = paho_hear_tls;
    tls.ssl_error_context = p;
    return tls;
}

static MQTTAsync_connectOptions connect_options(struct paho *p, const struct paho_connect *c)
{
    MQTTAsync_connectOptions o = MQTTAsync_connectOptions_initializer;
    const bool five = p->version >= PAHO_VERSION_5;
    o.MQTTVersion = p->version; /* left 0, a second connect falls back to MQTT 3.1 */
    o.cleansession = five ? 0 : 1;
    o.cleanstart = five ? 1 : 0;
    o.automaticReconnect = 0;
    o.connectTimeout = CONNECT_TIMEOUT_S;
    o.keepAliveInterval = c->keepalive_s;
    o.maxInflight = PAHO_INFLIGHT;
    o.username = c->username;
    o.binarypwd.data = c->password;
    o.binarypwd.len = c->password ? c->password_length : 0;
    paho_hear_connect(p, &o, flight_of(p, ANSWERED));
    return o;
}

static void start_link(struct paho *p, uint32_t link)
{
    p->link = link;
    for (int kind = 0; kind < 2; kind++) {
        flight_of(p, kind)->link = link;
        atomic_store(&flight_of(p, kind)->count, 0);
    }
    p->tls_text[0] = '\0';
    paho_report_awaited(p);
}

static void add_number(MQTTProperties *list, enum MQTTPropertyCodes code, uint32_t value)
{
    MQTTProperty property = { .identifier = code };
    property.value.integer4 = value;
    (void)MQTTProperties_add(list, &property);
}

int paho_connect(struct paho *p, const struct paho_connect *c)
{
    start_link(p, c->link);
    MQTTAsync_connectOptions o = connect_options(p, c);
    MQTTAsync_SSLOptions tls = tls_options(p, c);
    char *uri;
    memcpy(&uri, &c->uri, sizeof uri); /* only read */
    o.serverURIs = &uri;
    o.serverURIcount = 1;
    o.ssl = &tls; /* a plain address doesn't use it */
    MQTTAsync_willOptions will = MQTTAsync_willOptions_initializer;
    if (c->will_topic) {
        will.topicName = c->will_topic;
        will.payload.data = c->will_payload;
        will.payload.len = (int)strlen(c->will_payload);
        will.retained = c->will_retained;
        will.qos = 1;
        o.will = &will;
    }
    MQTTProperties properties = MQTTProperties_initializer;
    if (p->version >= PAHO_VERSION_5) {
        add_number(&properties, MQTTPROPERTY_CODE_SESSION_EXPIRY_INTERVAL, 0);
        add_number(&properties, MQTTPROPERTY_CODE_MAXIMUM_PACKET_SIZE, PAHO_PACKET_MAX);
        o.connectProperties = &properties;
    }
    const int rc = MQTTAsync_connect(p->handle, &o);
    MQTTProperties_free(&properties);
    if (rc != 0) (void)paho_report_due(p);
    return rc;
}

int paho_disconnect(struct paho *p)
{
    MQTTAsync_disconnectOptions o = MQTTAsync_disconnectOptions_initializer;
    const MQTTAsync_disconnectOptions five = MQTTAsync_disconnectOptions_initializer5;
    if (p->version >= PAHO_VERSION_5) o = five;
    paho_hear_disconnect(p, &o, flight_of(p, ANSWERED));
    o.timeout = 0; /* the library looks again after three seconds only: whoever calls has waited */
    return MQTTAsync_disconnect(p->handle, &o);
}

/* --- subscribe -------------------------------------------------------------------------------- */

static void gather_filters(
    char *ret[INBOX_CODES_MAX], const struct wishes *w, const struct wish_batch *b)
{
    for (uint32_t i = 0; i < b->count; i++) {
        /* the library only reads them, but says 'char *const *' */
        memcpy(&ret[i], &w->item[b->index[i]].filter, sizeof ret[i]);
    }
}

/* A settable topic tells whether a message was published as retained, and what is kept there isn't
 * sent; on others what is kept arrives with the flag, what is live without. */
static MQTTSubscribe_options subscribe_options(const struct wish *wish)
{
    MQTTSubscribe_options o = MQTTSubscribe_options_initializer;
    o.retainAsPublished = wish->settable;
    o.retainHandling = wish->settable && !wish->kept ? 2 : 0;
    return o;
}

int paho_subscribe(struct paho *p, const struct wishes *w, const struct wish_batch *b, int *token)
{
    char *filters[INBOX_CODES_MAX];
    int qos[INBOX_CODES_MAX];
    MQTTSubscribe_options options[INBOX_CODES_MAX];
    MQTTAsync_responseOptions o = MQTTAsync_responseOptions_initializer;
    paho_hear_ask(p, &o, flight_of(p, ANSWERED), false);
    gather_filters(filters, w, b);
    for (uint32_t i = 0; i < b->count; i++) {
        qos[i] = w->item[b->index[i]].qos;
        options[i] = subscribe_options(&w->item[b->index[i]]);
    }
    if (b->count == 1) {
        o.subscribeOptions = options[0];
    } else {
        o.subscribeOptionsList = options;
        o.subscribeOptionsCount = (int)b->count;
    }
    atomic_fetch_add(&flight_of(p, ANSWERED)->count, 1);
    const int rc = MQTTAsync_subscribeMany(p->handle, (int)b->count, filters, qos, &o);
    if (rc != 0) atomic_fetch_sub(&flight_of(p, ANSWERED)->count, 1);
    *token = o.token;
    return rc;
}

int paho_unsubscribe(struct paho *p, const struct wishes *w, const struct wish_batch *b, int *token)
{
    char *filters[INBOX_CODES_MAX];
    MQTTAsync_responseOptions o = MQTTAsync_responseOptions_initializer;
    paho_hear_ask(p, &o, flight_of(p, ANSWERED), true);
    gather_filters(filters, w, b);
    atomic_fetch_add(&flight_of(p, ANSWERED)->count, 1);
    const int rc = MQTTAsync_unsubscribeMany(p->handle, (int)b->count, filters, &o);
    if (rc != 0) atomic_fetch_sub(&flight_of(p, ANSWERED)->count, 1);
    *token = o.token;
    return rc;
}

/* --- publish ---------------------------------------------------------------------------------- */

static void add_bytes(
    MQTTProperties *list, enum MQTTPropertyCodes code, const char *bytes, size_t length)
{
    MQTTProperty property = { .identifier = code };
    char *data;
    memcpy(&data, &bytes, sizeof data); /* copied by the library, which says 'char *' */
    property.value.data.data = data;
    property.value.data.len = (int)length;
    (void)MQTTProperties_add(list, &property);
}

static void add_properties(MQTTProperties *list, const struct mqtt_publish *m)
{
    if (m->expiry_s > 0)
        add_number(list, MQTTPROPERTY_CODE_MESSAGE_EXPIRY_INTERVAL,
            m->expiry_s < UINT32_MAX ? (uint32_t)m->expiry_s : UINT32_MAX);
    if (m->response_topic)
        add_bytes(
            list, MQTTPROPERTY_CODE_RESPONSE_TOPIC, m->response_topic, strlen(m->response_topic));
    if (m->correlation)
        add_bytes(list, MQTTPROPERTY_CODE_CORRELATION_DATA, m->correlation, m->correlation_length);
}

int paho_publish(struct paho *p, const struct mqtt_publish *m)
{
    struct flight *f = flight_of(p, m->qos > 0 ? ANSWERED : UNASKED);
    const bool five = p->version >= PAHO_VERSION_5;
    MQTTAsync_responseOptions o = MQTTAsync_responseOptions_initializer;
    paho_hear_publish(p, &o, f);
    MQTTAsync_message message = MQTTAsync_message_initializer;
    const char *payload = m->payload ? m->payload : "";
    memcpy(&message.payload, &payload, sizeof message.payload); /* copied by the library */
    message.payloadlen = (int)m->length;
    message.qos = m->qos;
    message.retained = m->retained;
    if (five) add_properties(&message.properties, m);
    atomic_fetch_add(&f->count, 1);
    const int rc = MQTTAsync_sendMessage(p->handle, m->topic, &message, &o);
    if (rc != 0) atomic_fetch_sub(&f->count, 1);
    MQTTProperties_free(&message.properties);
    return rc;
}

/* --- questions -------------------------------------------------------------------------------- */

bool paho_connected(struct paho *p)
{
    return MQTTAsync_isConnected(p->handle) != 0;
}

int paho_flying(const struct paho *p)
{
    return atomic_load(&p->flight[p->link % PAHO_LINKS][ANSWERED].count);
}

int paho_flying_unasked(const struct paho *p)
{
    return atomic_load(&p->flight[p->link % PAHO_LINKS][UNASKED].count);
}

uint64_t paho_refused(const struct paho *p, int *ret_reason)
{
    *ret_reason = atomic_load(&p->refused_reason);
    return atomic_load(&p->refused);
}

void paho_want_room(struct paho *p)
{
    atomic_store(&p->want_room, true);
}
