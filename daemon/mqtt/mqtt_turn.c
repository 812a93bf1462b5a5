/* The supervisor of one connection: a small state machine on the loop's thread. */
#include <string.h>

#include "daemon/base/log.h"
#include "daemon/mqtt/mqtt_inside.h"
#include "daemon/mqtt/mqtt_nodelay.h"
#include "daemon/mqtt/mqtt_secret.h"
#include "lib/base/text.h"

enum {
    CONNECT_LATE_MS = 20000, /* the library reports within 8 s unless its timer is fooled */
    ANSWER_LATE_MS = 10000,  /* to a SUBSCRIBE */
    LEAVE_WAIT_MS = 1000,    /* for what is in flight, before a DISCONNECT */
    LEAVE_LATE_MS = 3000,
    BUSY_MS = 100,
    QUIET_MS = 3600 * 1000,
    VERSION_5 = 5,
};

/* --- words ------------------------------------------------------------------------------------ */

void mqtt_say(struct mqtt *m, const char *what, const char *more)
{
    struct text t = text_over(m->why, sizeof m->why);
    text_add(&t, what);
    if (more && more[0]) {
        text_add(&t, ": ");
        text_add(&t, more);
    }
}

static void say_refused(struct mqtt *m, const struct notice *n)
{
    const char *reason = paho_reason(m->broker.version, n->code);
    if (reason)
        mqtt_say(m, "the broker refused the connection", reason);
    else
        mqtt_say(
            m, "the broker can't be reached", n->text[0] ? n->text : "no such host, or no answer");
}

static void say_lost(struct mqtt *m, int code)
{
    const char *reason = paho_reason(m->broker.version, code);
    if (!pace_quarrel(&m->pace)) {
        mqtt_say(m, "the connection was lost", reason);
        return;
    }
    struct text t = text_over(m->why, sizeof m->why);
    text_add(&t, "the connection broke three times within 10 s: another client may use the id '");
    text_add(&t, m->client_id);
    text_add(&t, "'");
}

/* --- connect ---------------------------------------------------------------------------------- */

static void wait_again(struct mqtt *m, int64_t ms)
{
    m->phase = PHASE_WAITING;
    m->due = mono_after(m->now, ms);
}

void mqtt_retire(struct mqtt *m, int64_t again_ms)
{
    m->phase = PHASE_RETIRING;
    m->again_ms = again_ms;
    paho_retire(m->paho);
    m->paho = NULL;
}

/* The next address at once, or after the last one the first again, later. */
static void try_next(struct mqtt *m)
{
    m->uri_at++;
    if (m->uri_at < m->broker.uri_count) {
        wait_again(m, 0);
        return;
    }
    m->uri_at = 0;
    wait_again(m, pace_wait_ms(&m->pace));
}

static bool make_client(struct mqtt *m, const char *uri)
{
    char spelled[PAHO_URI_MAX];
    const bool tls = paho_uri_is_tls(uri);
    if (m->paho && m->paho_tls == tls) return true;
    if (m->paho) {
        mqtt_retire(m, 0);
        return false;
    }
    if (paho_uri(spelled, uri))
        m->paho = paho_open(spelled, m->client_id, m->broker.version, m->inbox);
    m->paho_tls = tls;
    if (m->paho) return true;
    mqtt_say(m, "the MQTT library refuses this address or client id", uri);
    try_next(m);
    return false;
}

static int connect_with(struct mqtt *m, const char *spelled, const struct secret *secret)
{
    const struct broker_config *b = &m->broker;
    const struct paho_connect c = { .uri = spelled,
        .link = ++m->link,
        .username = b->username,
        .password = b->password_file ? secret->bytes : NULL,
        .password_length = secret->length,
        .ca_file = b->ca_file,
        .cert_file = b->cert_file,
        .key_file = b->key_file,
        .keepalive_s = b->keepalive_s > 0 ? (int)b->keepalive_s : 5,
        .will_topic = m->will_topic,
        .will_payload = m->will_payload,
        .will_retained = m->will_retained };
    return paho_connect(m->paho, &c);
}

static void start_connect(struct mqtt *m)
{
    const char *uri = m->broker.uri[m->uri_at];
    m->uri_in_use = m->uri_at;
    if (!make_client(m, uri)) return;
    struct secret secret = { .length = 0 };
    struct problem problem;
    if (m->broker.password_file &&
        secret_read(&secret, m->broker.password_file, &problem) != ERR_NONE) {
        mqtt_say(m, problem.where, problem.text);
        wait_again(m, pace_wait_ms(&m->pace));
        return;
    }
    char spelled[PAHO_URI_MAX];
    (void)paho_uri(spelled, uri);
    m->will_stale = false;
    m->phase = PHASE_CONNECTING;
    m->due = mono_after(m->now, CONNECT_LATE_MS);
    if (connect_with(m, spelled, &secret) != 0) {
        mqtt_say(m, "the MQTT library refuses to connect", uri);
        try_next(m);
    }
    secret_forget(&secret);
}

/* --- leave and lose --------------------------------------------------------------------------- */

void mqtt_leave(struct mqtt *m, int64_t again_ms)
{
    m->phase = PHASE_LEAVING;
    m->again_ms = again_ms;
    m->left = false;
    m->due = mono_after(m->now, LEAVE_WAIT_MS);
}

/* The connection is gone. What the library still holds would go out with the next one, late: then a
 * new client is made. */
static void settle_gone(struct mqtt *m, int64_t again_ms)
{
    m->asked = false;
    m->uri_at = 0;
    if (paho_flying(m->paho) > 0 || paho_flying_unasked(m->paho) > 0)
        mqtt_retire(m, again_ms);
    else
        wait_again(m, again_ms);
}

static void on_lost(struct mqtt *m, int code)
{
    if (m->phase != PHASE_SUBSCRIBING && m->phase != PHASE_UP && m->phase != PHASE_LEAVING) return;
    if (paho_connected(m->paho)) return; /* told of a former connection */
    if (m->phase == PHASE_LEAVING) {
        settle_gone(m, m->again_ms);
        return;
    }
    pace_lost(&m->pace, mono_since(m->now, m->up_since));
    say_lost(m, code);
    settle_gone(m, pace_wait_ms(&m->pace));
}

static void go_on_leaving(struct mqtt *m)
{
    const bool late = mono_since(m->due, m->now) <= 0;
    if (m->left && late) {
        mqtt_retire(m, m->again_ms);
        return;
    }
    if (m->left || (paho_flying(m->paho) > 0 && !late)) return;
    m->left = true;
    m->due = mono_after(m->now, LEAVE_LATE_MS);
    if (paho_disconnect(m->paho) != 0) settle_gone(m, m->again_ms);
}

/* --- subscribe -------------------------------------------------------------------------------- */

static void drop_for(struct mqtt *m, const char *what, const char *more)
{
    mqtt_say(m, what, more);
    mqtt_leave(m, pace_wait_ms(&m->pace));
}

static void ask_next(struct mqtt *m)
{
    if (m->asked && mono_since(m->answer_due, m->now) <= 0) {
        drop_for(m, "the broker doesn't answer a subscription", NULL);
        return;
    }
    if (m->asked) return;
    const uint32_t most = m->broker.version >= VERSION_5 ? INBOX_CODES_MAX : 1;
    if (!wishes_next(&m->wishes, most, &m->batch)) {
        if (m->phase == PHASE_SUBSCRIBING) {
            m->phase = PHASE_UP;
            m->why[0] = '\0';
        }
        return;
    }
    const int rc = m->batch.leaving ? paho_unsubscribe(m->paho, &m->wishes, &m->batch, &m->token)
                                    : paho_subscribe(m->paho, &m->wishes, &m->batch, &m->token);
    m->asked = true;
    m->answer_due = mono_after(m->now, ANSWER_LATE_MS);
    if (rc != 0) drop_for(m, "a subscription can't be sent", NULL);
}

static void on_answer(struct mqtt *m, const struct notice *n)
{
    if (!m->asked || n->token != m->token) return;
    if (m->phase != PHASE_SUBSCRIBING && m->phase != PHASE_UP) return;
    m->asked = false;
    struct notice failed = { .count = 1, .codes = { 0xFF } };
    if (n->kind == NOTICE_FAILED) n = &failed;
    const int64_t refused = wishes_settle(&m->wishes, &m->batch, n->codes, n->count);
    if (refused < 0) return;
    char quoted[INBOX_TOPIC_MAX];
    struct text t = text_over(quoted, sizeof quoted);
    const char *filter = m->wishes.item[refused].filter;
    text_add_quoted(&t, filter, strlen(filter), 120);
    drop_for(
        m, "the broker's access list refuses the subscription, or grants less than asked", quoted);
}

/* --- notices ---------------------------------------------------------------------------------- */

static void on_connected(struct mqtt *m, int most)
{
    if (mqtt_set_nodelay() < 0)
        log_line(
            LOG_WARNED, "/proc/self/fd can't be read: commands may wait 40 ms for the network");
    m->window = most > 0 && most < PAHO_INFLIGHT ? most : PAHO_INFLIGHT;
    m->up_since = m->now;
    m->asked = false;
    m->refusal_told = false;
    inbox_drop_readings(m->inbox); /* what waits is of the former connection */
    wishes_reset(&m->wishes);
    m->phase = PHASE_SUBSCRIBING;
    if (m->will_stale) mqtt_leave(m, 0);
}

static void on_notice(struct mqtt *m, const struct notice *n)
{
    if (n->kind == NOTICE_RETIRED) {
        if (m->phase == PHASE_RETIRING) wait_again(m, m->again_ms);
        return;
    }
    if (!m->paho || n->link != m->link) return;
    switch (n->kind) {
    case NOTICE_CONNECTED:
        if (m->phase == PHASE_CONNECTING) on_connected(m, n->code);
        return;
    case NOTICE_REFUSED:
        if (m->phase != PHASE_CONNECTING) return;
        say_refused(m, n);
        try_next(m);
        return;
    case NOTICE_LOST:
        on_lost(m, n->code);
        return;
    case NOTICE_LEFT:
        if (m->phase == PHASE_LEAVING && m->left) settle_gone(m, m->again_ms);
        return;
    case NOTICE_SUBSCRIBED:
    case NOTICE_UNSUBSCRIBED:
    case NOTICE_FAILED:
        on_answer(m, n);
        return;
    case NOTICE_RETIRED:
        return;
    }
}

static void hear_notices(struct mqtt *m)
{
    struct notice n;
    while (inbox_hear(m->inbox, &n)) {
        on_notice(m, &n);
    }
    if (inbox_overrun(m->inbox) && m->paho && m->phase != PHASE_WAITING) {
        mqtt_say(m, "the MQTT library says more than can be heard", NULL);
        mqtt_retire(m, pace_wait_ms(&m->pace));
    }
}

/* A broker that refuses what is published says so in MQTT 5 alone. */
static void tell_refusals(struct mqtt *m)
{
    int code;
    if (m->refusal_told || paho_refused(m->paho, &code) == 0) return;
    const char *reason = paho_reason(m->broker.version, code);
    m->refusal_told = true;
    log_format(LOG_WARNED,
        "the broker refuses a message of this daemon (%s): check its access list",
        reason ? reason : "no reason given");
}

/* --- the turn --------------------------------------------------------------------------------- */

static struct mono wanted_back(const struct mqtt *m)
{
    switch (m->phase) {
    case PHASE_WAITING:
        return mono_since(m->due, m->now) > 0 ? m->due : mono_after(m->now, BUSY_MS);
    case PHASE_CONNECTING:
    case PHASE_LEAVING:
        return m->due;
    case PHASE_SUBSCRIBING:
    case PHASE_UP:
        return m->asked ? m->answer_due : mono_after(m->now, QUIET_MS);
    case PHASE_RETIRING:
        break;
    }
    return mono_after(m->now, QUIET_MS);
}

/* What comes in while the connection is being made waits until its answer can be sent: an order to
 * halt that the broker kept arrives before every subscription stands. */
static bool must_wait(const struct mqtt *m)
{
    return m->phase == PHASE_CONNECTING || m->phase == PHASE_SUBSCRIBING ||
           m->phase == PHASE_LEAVING;
}

struct mono mqtt_turn(struct mqtt *m, struct mono now)
{
    m->now = now;
    hear_notices(m);
    switch (m->phase) {
    case PHASE_WAITING:
        if (mono_since(m->due, now) <= 0 && !paho_is_busy()) start_connect(m);
        break;
    case PHASE_CONNECTING:
        if (mono_since(m->due, now) > 0) break;
        mqtt_say(m, "the broker doesn't answer", NULL);
        m->uri_at = (m->uri_at + 1) % m->broker.uri_count;
        mqtt_retire(m, m->uri_at == 0 ? pace_wait_ms(&m->pace) : 0);
        break;
    case PHASE_SUBSCRIBING:
    case PHASE_UP:
        ask_next(m);
        if (m->phase == PHASE_UP) tell_refusals(m);
        break;
    case PHASE_LEAVING:
        go_on_leaving(m);
        break;
    case PHASE_RETIRING:
        break;
    }
    inbox_shut(m->inbox, must_wait(m));
    return wanted_back(m);
}
