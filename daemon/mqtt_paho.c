#include "daemon/mqtt_paho.h"

#include <MQTTAsync.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"

enum {
    LINKS = 8, /* connections whose late callbacks are told apart */
    ROOM_LEFT = PAHO_INFLIGHT / 4,
    CONNECT_TIMEOUT_S = 5,
    VERSION_5 = 5,
    FAILURE_CODE = 0x80,
    TLS_TEXT_MAX = 96,
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
    struct flight flight[LINKS][2];
    atomic_bool connecting, want_room;
    atomic_ullong refused;
    atomic_int refused_reason;
    char tls_text[TLS_TEXT_MAX]; /* only used with the library's lock held */
};

/* Connects of all clients of this process that haven't reported. */
static atomic_int connects;

/* --- callbacks: they run on the library's threads --------------------------------------------- */

static void tell(const struct flight *f, enum notice_kind kind, int token, int code)
{
    const struct notice n = { .kind = kind, .link = f->link, .token = token, .code = code };
    (void)inbox_tell(f->paho->inbox, &n);
}

/* A connect reports once. */
static bool report_due(struct paho *p)
{
    if (!atomic_exchange(&p->connecting, false)) return false;
    atomic_fetch_sub(&connects, 1);
    return true;
}

static void connect_failed(const struct flight *f, int code, const char *message)
{
    struct paho *p = f->paho;
    if (!report_due(p)) return;
    struct notice n = { .kind = NOTICE_REFUSED, .link = f->link, .code = code };
    struct text t = text_over(n.text, sizeof n.text);
    text_add(&t, message ? message : "");
    if (p->tls_text[0]) {
        text_add(&t, message ? ": " : "");
        text_add(&t, p->tls_text);
    }
    (void)inbox_tell(p->inbox, &n);
}

static void on_connect(void *context, MQTTAsync_successData *data)
{
    (void)data;
    struct flight *f = context;
    if (report_due(f->paho)) tell(f, NOTICE_CONNECTED, 0, 0);
}

static void on_connect_failure(void *context, MQTTAsync_failureData *data)
{
    connect_failed(context, data ? data->code : 0, data ? data->message : NULL);
}

static void on_connect5(void *context, MQTTAsync_successData5 *data)
{
    struct flight *f = context;
    MQTTProperty *most =
        MQTTProperties_getProperty(&data->properties, MQTTPROPERTY_CODE_RECEIVE_MAXIMUM);
    if (report_due(f->paho)) tell(f, NOTICE_CONNECTED, 0, most ? most->value.integer2 : 0);
}

static void on_connect_failure5(void *context, MQTTAsync_failureData5 *data)
{
    connect_failed(context, data ? data->code : 0, data ? data->message : NULL);
}

static void on_lost(void *context, char *cause)
{
    (void)cause;
    struct paho *p = context;
    tell(&p->flight[p->link % LINKS][ANSWERED], NOTICE_LOST, 0, 0);
}

static void on_ended(void *context, MQTTProperties *properties, enum MQTTReasonCodes reason)
{
    (void)properties;
    struct paho *p = context;
    tell(&p->flight[p->link % LINKS][ANSWERED], NOTICE_LOST, 0, (int)reason);
}

static void on_left(void *context, MQTTAsync_successData *data)
{
    (void)data;
    tell(context, NOTICE_LEFT, 0, 0);
}

static void on_left5(void *context, MQTTAsync_successData5 *data)
{
    (void)data;
    tell(context, NOTICE_LEFT, 0, 0);
}

static void landed(struct flight *f)
{
    const int left = atomic_fetch_sub(&f->count, 1) - 1;
    if (left <= ROOM_LEFT && atomic_exchange(&f->paho->want_room, false))
        inbox_poke(f->paho->inbox);
}

static void on_sent(void *context, MQTTAsync_successData *data)
{
    (void)data;
    landed(context);
}

static void on_unsent(void *context, MQTTAsync_failureData *data)
{
    (void)data;
    landed(context);
}

static void on_sent5(void *context, MQTTAsync_successData5 *data)
{
    (void)data;
    landed(context);
}

static void on_unsent5(void *context, MQTTAsync_failureData5 *data)
{
    struct flight *f = context;
    if (data && (int)data->reasonCode >= FAILURE_CODE) {
        atomic_store(&f->paho->refused_reason, (int)data->reasonCode);
        atomic_fetch_add(&f->paho->refused, 1);
    }
    landed(f);
}

static void subscribed(struct flight *f, int token, const int *codes, int count)
{
    struct notice n = { .kind = NOTICE_SUBSCRIBED, .link = f->link, .token = token };
    for (int i = 0; i < count && i < INBOX_CODES_MAX; i++) {
        n.codes[n.count++] = (uint8_t)codes[i];
    }
    atomic_fetch_sub(&f->count, 1);
    (void)inbox_tell(f->paho->inbox, &n);
}

/* One filter: the code stands alone. (A broker that answers with a list of others puts part of a
 * pointer there, which is no QoS and so counts as refused.) */
static void on_subscribe(void *context, MQTTAsync_successData *data)
{
    const int code =
        data->alt.qos >= 0 && data->alt.qos < FAILURE_CODE ? data->alt.qos : FAILURE_CODE;
    subscribed(context, data->token, &code, 1);
}

/* With a single code the list isn't set. */
static void on_subscribe5(void *context, MQTTAsync_successData5 *data)
{
    int codes[INBOX_CODES_MAX] = { (int)data->reasonCode };
    int count = data->alt.sub.reasonCodeCount;
    if (count > INBOX_CODES_MAX) count = INBOX_CODES_MAX;
    for (int i = 0; count > 1 && i < count; i++) {
        codes[i] = (int)data->alt.sub.reasonCodes[i];
    }
    subscribed(context, data->token, codes, count);
}

static void unsubscribed(struct flight *f, int token)
{
    atomic_fetch_sub(&f->count, 1);
    tell(f, NOTICE_UNSUBSCRIBED, token, 0);
}

static void on_unsubscribe(void *context, MQTTAsync_successData *data)
{
    unsubscribed(context, data->token);
}

static void on_unsubscribe5(void *context, MQTTAsync_successData5 *data)
{
    unsubscribed(context, data->token);
}

static void on_ask_failure(void *context, MQTTAsync_failureData *data)
{
    struct flight *f = context;
    atomic_fetch_sub(&f->count, 1);
    tell(f, NOTICE_FAILED, data->token, data->code);
}

static void on_ask_failure5(void *context, MQTTAsync_failureData5 *data)
{
    struct flight *f = context;
    atomic_fetch_sub(&f->count, 1);
    const int reason = (int)data->reasonCode;
    tell(f, NOTICE_FAILED, data->token, reason >= FAILURE_CODE ? reason : data->code);
}

static size_t topic_bytes(const char *topic, int length)
{
    return length > 0 ? (size_t)length : strlen(topic);
}

static int on_message(void *context, char *topic, int topic_length, MQTTAsync_message *message)
{
    const struct paho *p = context;
    struct inbox_letter l = { .topic = topic,
        .topic_length = topic_bytes(topic, topic_length),
        .payload = message->payload,
        .payload_length = message->payloadlen > 0 ? (size_t)message->payloadlen : 0,
        .retained = message->retained != 0 };
    const MQTTProperty *response =
        MQTTProperties_getProperty(&message->properties, MQTTPROPERTY_CODE_RESPONSE_TOPIC);
    const MQTTProperty *correlation =
        MQTTProperties_getProperty(&message->properties, MQTTPROPERTY_CODE_CORRELATION_DATA);
    if (response) {
        l.response = response->value.data.data;
        l.response_length = (size_t)response->value.data.len;
    }
    if (response && correlation) {
        l.correlation = correlation->value.data.data;
        l.correlation_length = (size_t)correlation->value.data.len;
    }
    inbox_put(p->inbox, &l);
    MQTTAsync_freeMessage(&message);
    MQTTAsync_free(topic);
    return 1;
}

/* One line of what the TLS library has to say; the last one is kept. */
static int on_tls_error(const char *line, size_t length, void *context)
{
    struct paho *p = context;
    size_t kept = 0;
    for (size_t i = 0; i < length && kept < sizeof p->tls_text - 1; i++) {
        if (line[i] >= ' ' && line[i] <= '~') p->tls_text[kept++] = line[i];
    }
    p->tls_text[kept] = '\0';
    return 1;
}

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
    if (version < VERSION_5)
        return code > 0 && code < (int)(sizeof refusals / sizeof *refusals) ? refusals[code] : NULL;
    return code >= FAILURE_CODE ? MQTTReasonCode_toString((enum MQTTReasonCodes)code) : NULL;
}

/* --- life ------------------------------------------------------------------------------------- */

struct paho *paho_open(const char *uri, const char *client_id, int version, struct inbox *inbox)
{
    struct paho *p = calloc(1, sizeof *p);
    if (!p) return NULL;
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
    for (int i = 0; i < LINKS; i++) {
        p->flight[i][UNASKED].paho = p->flight[i][ANSWERED].paho = p;
    }
    (void)MQTTAsync_setCallbacks(p->handle, p, on_lost, on_message, NULL);
    if (version >= VERSION_5) (void)MQTTAsync_setDisconnected(p->handle, p, on_ended);
    return p;
}

static void *retire(void *context)
{
    struct paho *p = context;
    MQTTAsync_destroy(&p->handle);
    (void)report_due(p);
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

bool paho_is_busy(void)
{
    return atomic_load(&connects) > 0;
}

/* --- connect ---------------------------------------------------------------------------------- */

static struct flight *flight_of(struct paho *p, int kind)
{
    return &p->flight[p->link % LINKS][kind];
}

static MQTTAsync_SSLOptions tls_options(struct paho *p, const struct paho_connect *c)
{
    MQTTAsync_SSLOptions tls = MQTTAsync_SSLOptions_initializer;
    tls.trustStore = c->ca_file;
    tls.disableDefaultTrustStore = c->ca_file != NULL;
    tls.keyStore = c->cert_file;
    tls.privateKey = c->key_file;
    tls.enableServerCertAuth = 1;
    tls.verify = 1; /* the name, too */
    tls.sslVersion = MQTT_SSL_VERSION_TLS_1_2;
    tls.ssl_error_cb = on_tls_error;
    tls.ssl_error_context = p;
    return tls;
}

static MQTTAsync_connectOptions connect_options(struct paho *p, const struct paho_connect *c)
{
    MQTTAsync_connectOptions o = MQTTAsync_connectOptions_initializer;
    const bool five = p->version >= VERSION_5;
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
    o.context = flight_of(p, ANSWERED);
    if (five) {
        o.onSuccess5 = on_connect5;
        o.onFailure5 = on_connect_failure5;
    } else {
        o.onSuccess = on_connect;
        o.onFailure = on_connect_failure;
    }
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
    atomic_store(&p->connecting, true);
    atomic_fetch_add(&connects, 1);
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
    if (p->version >= VERSION_5) {
        add_number(&properties, MQTTPROPERTY_CODE_SESSION_EXPIRY_INTERVAL, 0);
        add_number(&properties, MQTTPROPERTY_CODE_MAXIMUM_PACKET_SIZE, PAHO_PACKET_MAX);
        o.connectProperties = &properties;
    }
    const int rc = MQTTAsync_connect(p->handle, &o);
    MQTTProperties_free(&properties);
    if (rc != 0) (void)report_due(p);
    return rc;
}

int paho_disconnect(struct paho *p)
{
    MQTTAsync_disconnectOptions o = MQTTAsync_disconnectOptions_initializer;
    if (p->version >= VERSION_5) {
        MQTTAsync_disconnectOptions five = MQTTAsync_disconnectOptions_initializer5;
        o = five;
        o.onSuccess5 = on_left5;
    } else {
        o.onSuccess = on_left;
    }
    o.context = flight_of(p, ANSWERED);
    o.timeout = 0; /* the library looks again after three seconds only: whoever calls has waited */
    return MQTTAsync_disconnect(p->handle, &o);
}

/* --- subscribe -------------------------------------------------------------------------------- */

static MQTTAsync_responseOptions ask_options(struct paho *p, bool leaving)
{
    MQTTAsync_responseOptions o = MQTTAsync_responseOptions_initializer;
    o.context = flight_of(p, ANSWERED);
    if (p->version >= VERSION_5) {
        o.onSuccess5 = leaving ? on_unsubscribe5 : on_subscribe5;
        o.onFailure5 = on_ask_failure5;
    } else {
        o.onSuccess = leaving ? on_unsubscribe : on_subscribe;
        o.onFailure = on_ask_failure;
    }
    return o;
}

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
    o.retainHandling = wish->settable ? 2 : 0;
    return o;
}

int paho_subscribe(struct paho *p, const struct wishes *w, const struct wish_batch *b, int *token)
{
    char *filters[INBOX_CODES_MAX];
    int qos[INBOX_CODES_MAX];
    MQTTSubscribe_options options[INBOX_CODES_MAX];
    MQTTAsync_responseOptions o = ask_options(p, false);
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
    MQTTAsync_responseOptions o = ask_options(p, true);
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
    const bool five = p->version >= VERSION_5;
    MQTTAsync_responseOptions o = MQTTAsync_responseOptions_initializer;
    o.context = f;
    o.onSuccess = five ? NULL : on_sent;
    o.onFailure = five ? NULL : on_unsent;
    o.onSuccess5 = five ? on_sent5 : NULL;
    o.onFailure5 = five ? on_unsent5 : NULL;
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
    return atomic_load(&p->flight[p->link % LINKS][ANSWERED].count);
}

int paho_flying_unasked(const struct paho *p)
{
    return atomic_load(&p->flight[p->link % LINKS][UNASKED].count);
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
