#include "daemon/mqtt/mqtt.h"

#include <poll.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/mqtt/mqtt_inside.h"
#include "lib/base/text.h"

enum {
    UNASKED_MOST = 32, /* QoS 0 publishes that aren't written yet */
    CLOSE_STEP_MS = 5,
    CLOSE_DRAIN_STEPS = 100, /* half a second for what is in flight */
    CLOSE_GONE_STEPS = 100,  /* and half a second for the client to end */
};

/* --- what the loop asks ----------------------------------------------------------------------- */

int mqtt_descriptor(const struct mqtt *m)
{
    return inbox_descriptor(m->inbox);
}

bool mqtt_take(struct mqtt *m, struct mqtt_message *ret)
{
    return inbox_take(m->inbox, ret);
}

void mqtt_status(const struct mqtt *m, struct mqtt_status *ret)
{
    const struct inbox_counts counts = inbox_counts(m->inbox);
    *ret = (struct mqtt_status){ .connected = m->phase == PHASE_UP,
        .uri = m->broker.uri[m->uri_in_use],
        .received = counts.received,
        .dropped = counts.dropped,
        .oversized = counts.oversized,
        .malformed = counts.malformed };
    text_copy(ret->why, sizeof ret->why, m->why);
}

/* How many publishes of this kind may be in flight before it: what shows the state leaves half of
 * the window to commands; clearing what is kept may go further. */
static int room_for(const struct mqtt *m, const struct mqtt_publish *p)
{
    if (!p->retained) return INT32_MAX;
    const int share = p->length > 0 ? m->window / 2 : m->window * 3 / 4;
    return share > 0 ? share : 1;
}

static bool is_full(const struct mqtt *m, const struct mqtt_publish *p)
{
    return p->qos == 0 ? paho_flying_unasked(m->paho) >= UNASKED_MOST
                       : paho_flying(m->paho) >= room_for(m, p);
}

enum mqtt_result mqtt_publish(struct mqtt *m, const struct mqtt_publish *p)
{
    if (m->phase != PHASE_UP || p->topic[0] == '\0' || strpbrk(p->topic, "+#")) return MQTT_UNSENT;
    if (is_full(m, p)) {
        /* asked for first, looked at again after: no acknowledgement is missed in between */
        paho_want_room(m->paho);
        if (is_full(m, p)) return MQTT_UNSENT;
    }
    return paho_publish(m->paho, p) == 0 ? MQTT_SENT : MQTT_UNSENT;
}

bool mqtt_has_room(const struct mqtt *m)
{
    return m->phase == PHASE_UP && paho_flying(m->paho) <= m->window / 4;
}

static uint32_t list_urgent(const struct mqtt *m, const char **ret)
{
    uint32_t count = 0;
    for (uint32_t i = 0; i < m->wishes.count; i++) {
        if (m->wishes.item[i].urgent) ret[count++] = m->wishes.item[i].filter;
    }
    return count;
}

enum err mqtt_subscribe(
    struct mqtt *m, const struct mqtt_subscription *wanted, uint32_t count, struct problem *problem)
{
    const enum err err = wishes_replace(&m->wishes, wanted, count, problem);
    if (err != ERR_NONE) return err;
    m->asked = false; /* an answer that is on its way belongs to the former table */
    const char **urgent = calloc((size_t)m->wishes.count + 1, sizeof *urgent);
    const bool marked =
        urgent && inbox_mark_urgent(m->inbox, urgent, list_urgent(m, urgent)) == ERR_NONE;
    free(urgent);
    inbox_poke(m->inbox);
    if (marked) return ERR_NONE;
    return problem_set(problem, ERR_IO, "subscriptions", "there is no memory left");
}

/* --- life ------------------------------------------------------------------------------------- */

static enum err no_memory(struct problem *problem)
{
    return problem_set(problem, ERR_IO, "mqtt", "there is no memory left");
}

/* Copies 'from' (NULL stays NULL); false without memory. */
static bool keep(char **ret, const char *from)
{
    *ret = from ? strdup(from) : NULL;
    return !from || *ret;
}

static enum err set_will(struct mqtt *m, const char *topic, const char *payload, bool retained)
{
    char *new_topic, *new_payload;
    const bool kept = keep(&new_topic, topic);
    if (!keep(&new_payload, topic ? payload : NULL) || !kept) {
        free(new_topic);
        free(new_payload);
        return ERR_IO;
    }
    free(m->will_topic);
    free(m->will_payload);
    m->will_topic = new_topic;
    m->will_payload = new_payload;
    m->will_retained = retained;
    return ERR_NONE;
}

enum err mqtt_rewill(
    struct mqtt *m, const char *topic, const char *payload, bool retained, struct problem *problem)
{
    if (set_will(m, topic, payload, retained) != ERR_NONE) return no_memory(problem);
    if (m->phase == PHASE_CONNECTING) m->will_stale = true;
    if (m->phase == PHASE_SUBSCRIBING || m->phase == PHASE_UP) mqtt_leave(m, 0);
    if (m->phase == PHASE_LEAVING) m->again_ms = 0;
    inbox_poke(m->inbox);
    return ERR_NONE;
}

static bool keep_broker(struct broker_config *ret, const struct broker_config *from)
{
    char *text[BROKER_URIS_MAX + 5] = { NULL };
    bool kept = true;
    *ret = *from;
    for (uint32_t i = 0; i < from->uri_count; i++) {
        kept &= keep(&text[i], from->uri[i]);
        ret->uri[i] = text[i];
    }
    const char **const field[] = { &ret->username, &ret->password_file, &ret->ca_file,
        &ret->cert_file, &ret->key_file };
    for (size_t i = 0; i < sizeof field / sizeof *field; i++) {
        kept &= keep(&text[BROKER_URIS_MAX + i], *field[i]);
        *field[i] = text[BROKER_URIS_MAX + i];
    }
    return kept;
}

static void forget(const char *text)
{
    char *owned;
    memcpy(&owned, &text, sizeof owned);
    free(owned);
}

static void free_all(struct mqtt *m)
{
    for (uint32_t i = 0; i < m->broker.uri_count; i++) {
        forget(m->broker.uri[i]);
    }
    forget(m->broker.username);
    forget(m->broker.password_file);
    forget(m->broker.ca_file);
    forget(m->broker.cert_file);
    forget(m->broker.key_file);
    free(m->client_id);
    free(m->will_topic);
    free(m->will_payload);
    wishes_free(&m->wishes);
    inbox_close(m->inbox);
    free(m);
}

static uint64_t draw_seed(void)
{
    char hex[17];
    uint64_t seed = 0;
    clock_random_hex(hex, 8);
    for (size_t i = 0; hex[i]; i++) {
        const char c = hex[i];
        seed = seed * 16 + (uint64_t)(c <= '9' ? c - '0' : c - 'a' + 10);
    }
    return seed;
}

enum err mqtt_open(struct mqtt **ret, const struct mqtt_options *options, struct problem *problem)
{
    struct mqtt *m = calloc(1, sizeof *m);
    if (!m) return no_memory(problem);
    const bool kept = keep_broker(&m->broker, options->broker);
    if (!keep(&m->client_id, options->client_id) || !kept ||
        set_will(m, options->will_topic, options->will_payload, options->will_retained) !=
            ERR_NONE) {
        free_all(m);
        return no_memory(problem);
    }
    const enum err err = inbox_open(&m->inbox, problem);
    if (err != ERR_NONE) {
        free_all(m);
        return err;
    }
    m->pace = pace_start(draw_seed());
    m->window = PAHO_INFLIGHT;
    m->phase = PHASE_WAITING;
    m->due = (struct mono){ INT64_MIN / 2 }; /* at the first turn */
    mqtt_say(m, MQTT_NOT_YET, NULL);
    inbox_poke(m->inbox);
    *ret = m;
    return ERR_NONE;
}

static void pause_a_little(void)
{
    (void)poll(NULL, 0, CLOSE_STEP_MS);
}

/* Destroying the client sends the DISCONNECT. */
void mqtt_close(struct mqtt *m)
{
    if (!m) return;
    const bool up = m->paho && m->phase != PHASE_CONNECTING && m->phase != PHASE_WAITING;
    for (int i = 0; up && i < CLOSE_DRAIN_STEPS; i++) {
        if (paho_flying(m->paho) <= 0 && paho_flying_unasked(m->paho) <= 0) break;
        pause_a_little();
    }
    if (m->paho) mqtt_retire(m, 0);
    bool gone = m->phase != PHASE_RETIRING;
    for (int i = 0; !gone && i < CLOSE_GONE_STEPS; i++) {
        struct notice n;
        while (inbox_hear(m->inbox, &n)) {
            gone = gone || n.kind == NOTICE_RETIRED;
        }
        if (!gone) pause_a_little();
    }
    free_all(m);
}
