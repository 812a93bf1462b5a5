/* What the library says, on its own threads and with its lock held: each function copies what it
 * is given and returns. */
#include <string.h>

#include "daemon/mqtt/mqtt_paho_inside.h"
#include "lib/base/text.h"

enum { ROOM_LEFT = PAHO_INFLIGHT / 4 };

/* Connects of all clients of this process that haven't reported. */
static atomic_int connects;

static void tell(const struct flight *f, enum notice_kind kind, int token, int code)
{
    const struct notice n = { .kind = kind, .link = f->link, .token = token, .code = code };
    (void)inbox_tell(f->paho->inbox, &n);
}

/* A connect reports once. */
bool paho_report_due(struct paho *p)
{
    if (!atomic_exchange(&p->connecting, false)) return false;
    atomic_fetch_sub(&connects, 1);
    return true;
}

static void connect_failed(const struct flight *f, int code, const char *message)
{
    struct paho *p = f->paho;
    if (!paho_report_due(p)) return;
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
    if (paho_report_due(f->paho)) tell(f, NOTICE_CONNECTED, 0, 0);
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
    if (paho_report_due(f->paho)) tell(f, NOTICE_CONNECTED, 0, most ? most->value.integer2 : 0);
}

static void on_connect_failure5(void *context, MQTTAsync_failureData5 *data)
{
    connect_failed(context, data ? data->code : 0, data ? data->message : NULL);
}

static void on_lost(void *context, char *cause)
{
    (void)cause;
    struct paho *p = context;
    tell(&p->flight[p->link % PAHO_LINKS][ANSWERED], NOTICE_LOST, 0, 0);
}

static void on_ended(void *context, MQTTProperties *properties, enum MQTTReasonCodes reason)
{
    (void)properties;
    struct paho *p = context;
    tell(&p->flight[p->link % PAHO_LINKS][ANSWERED], NOTICE_LOST, 0, (int)reason);
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
    if (data && (int)data->reasonCode >= PAHO_FAILURE) {
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
        data->alt.qos >= 0 && data->alt.qos < PAHO_FAILURE ? data->alt.qos : PAHO_FAILURE;
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
    tell(f, NOTICE_FAILED, data->token, reason >= PAHO_FAILURE ? reason : data->code);
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

/* One line of what the TLS library has to say, such as "<thread>:error:0A000086:SSL routines:
 * <function>:certificate verify failed:<file>:<line>:": the sixth part is for people. The last line
 * is kept. */
int paho_hear_tls(const char *line, size_t length, void *context)
{
    enum { FOR_PEOPLE = 5 };
    struct paho *p = context;
    size_t kept = 0;
    int part = 0;
    for (size_t i = 0; i < length && kept < sizeof p->tls_text - 1; i++) {
        if (line[i] == ':')
            part++;
        else if (part == FOR_PEOPLE && line[i] >= ' ' && line[i] <= '~')
            p->tls_text[kept++] = line[i];
    }
    p->tls_text[kept] = '\0';
    return 1;
}

/* --- who calls what --------------------------------------------------------------------------- */

void paho_report_awaited(struct paho *p)
{
    atomic_store(&p->connecting, true);
    atomic_fetch_add(&connects, 1);
}

bool paho_is_busy(void)
{
    return atomic_load(&connects) > 0;
}

void paho_listen(struct paho *p)
{
    (void)MQTTAsync_setCallbacks(p->handle, p, on_lost, on_message, NULL);
    if (p->version >= PAHO_VERSION_5) (void)MQTTAsync_setDisconnected(p->handle, p, on_ended);
}

void paho_hear_connect(struct paho *p, MQTTAsync_connectOptions *o, struct flight *f)
{
    const bool five = p->version >= PAHO_VERSION_5;
    o->context = f;
    o->onSuccess = five ? NULL : on_connect;
    o->onFailure = five ? NULL : on_connect_failure;
    o->onSuccess5 = five ? on_connect5 : NULL;
    o->onFailure5 = five ? on_connect_failure5 : NULL;
}

void paho_hear_disconnect(struct paho *p, MQTTAsync_disconnectOptions *o, struct flight *f)
{
    const bool five = p->version >= PAHO_VERSION_5;
    o->context = f;
    o->onSuccess = five ? NULL : on_left;
    o->onSuccess5 = five ? on_left5 : NULL;
}

void paho_hear_publish(struct paho *p, MQTTAsync_responseOptions *o, struct flight *f)
{
    const bool five = p->version >= PAHO_VERSION_5;
    o->context = f;
    o->onSuccess = five ? NULL : on_sent;
    o->onFailure = five ? NULL : on_unsent;
    o->onSuccess5 = five ? on_sent5 : NULL;
    o->onFailure5 = five ? on_unsent5 : NULL;
}

void paho_hear_ask(struct paho *p, MQTTAsync_responseOptions *o, struct flight *f, bool leaving)
{
    const bool five = p->version >= PAHO_VERSION_5;
    o->context = f;
    o->onFailure = five ? NULL : on_ask_failure;
    o->onFailure5 = five ? on_ask_failure5 : NULL;
    o->onSuccess = five ? NULL : leaving ? on_unsubscribe : on_subscribe;
    o->onSuccess5 = !five ? NULL : leaving ? on_unsubscribe5 : on_subscribe5;
}
