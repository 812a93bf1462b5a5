#include <inttypes.h>
#include <string.h>

#include "daemon/daemon.h"
#include "daemon/json_guard.h"
#include "daemon/json_view.h"
#include "daemon/log.h"
#include "daemon/payload.h"
#include "lib/base/text.h"

enum { COMPLAIN_EVERY_MS = 60000 };

/* Strangers may send a thousand bad messages a second: one line a minute tells it. */
static void complain(struct daemon *d, const struct mqtt_message *m, const struct problem *problem)
{
    static struct mono last;
    static uint64_t silent;
    if (last.ms > 0 && mono_since(d->now.mono, last) < COMPLAIN_EVERY_MS) {
        silent++;
        return;
    }
    last = d->now.mono;
    char topic[600];
    struct text t = text_over(topic, sizeof topic);
    text_add_quoted(&t, m->topic, strlen(m->topic), 128);
    log_format(LOG_WARNED,
        "ignored a message on %s: %s (%" PRIu64 " more since the last such line)", topic,
        problem->text, silent);
    silent = 0;
}

/* The body of a message of a chain head; false when it isn't what it should be. */
static bool read_chain(
    struct event *e, enum route_kind kind, struct payload p, struct problem *problem)
{
    switch (kind) {
    case ROUTE_HEAD_STATE:
        e->kind = EVENT_HEAD;
        e->head_ready = p.length == 5 && memcmp(p.bytes, "ready", 5) == 0;
        return true;
    case ROUTE_ROLL:
        e->kind = EVENT_ROLL;
        return payload_read_roll(&e->roll, p, problem) == ERR_NONE;
    case ROUTE_CLAIM:
        e->kind = EVENT_CLAIM;
        return payload_read_claim(&e->claim, p, problem) == ERR_NONE;
    case ROUTE_BEAT:
        e->kind = EVENT_BEAT;
        return payload_read_beat(&e->beat, p, problem) == ERR_NONE;
    case ROUTE_REPORT:
        e->kind = EVENT_REPORT;
        return payload_read_report(&e->report, p, problem) == ERR_NONE;
    case ROUTE_LEDGER:
        e->kind = EVENT_LEDGER;
        return payload_read_ledger(&e->ledger, p, problem) == ERR_NONE;
    case ROUTE_MANUAL:
        e->kind = EVENT_MANUAL;
        return payload_read_manual(&e->manual, p, problem) == ERR_NONE;
    case ROUTE_PEER:
    case ROUTE_PROBE:
        break;
    }
    return false;
}

/* A retained json property starts as {}: nothing to say yet. */
static bool says_nothing(struct payload p)
{
    return p.length == 0 || (p.length == 2 && memcmp(p.bytes, "{}", 2) == 0);
}

static void on_chain(struct daemon *d, const struct route *route, const struct mqtt_message *m)
{
    struct event e;
    memset(&e, 0, sizeof e);
    e.chain = route->chain;
    const struct payload p = { m->payload, m->length };
    /* A beat that was kept by the broker says nothing of the head's life now. */
    if (route->kind == ROUTE_BEAT && m->retained) return;
    if (route->kind != ROUTE_HEAD_STATE && says_nothing(p)) return;
    struct problem problem;
    if (!read_chain(&e, route->kind, p, &problem)) {
        complain(d, m, &problem);
        return;
    }
    daemon_step(d, &e);
}

/* Another daemon's beat, of this site or another: {"by":"...","up_ms":...}. */
static void on_peer(struct daemon *d, const struct mqtt_message *m, bool same_site)
{
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_PEER_BEAT;
    e.peer.same_site = same_site;
    struct json_view beat, by;
    struct problem problem;
    if (m->retained) return;
    if (json_guard(&beat, m->payload, m->length, &problem) != ERR_NONE ||
        !json_member(beat, "by", &by) || !json_string(by, e.peer.by, sizeof e.peer.by)) {
        return;
    }
    if (chain_id_valid(e.peer.by)) daemon_step(d, &e);
}

static void on_probe(struct daemon *d, const struct route *route, const struct mqtt_message *m)
{
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_READING;
    e.reading.tank = route->tank;
    e.reading.quantity = route->quantity;
    e.reading.retained = m->retained;
    const struct probe_config *config = &d->config->site.tank[route->tank].probe[route->quantity];
    e.reading.verdict =
        payload_read_probe(&e.reading.number, config, (struct payload){ m->payload, m->length });
    daemon_step(d, &e);
}

/* A retained order to halt is acted on, and its copy on the broker is cleared. */
static void clear_retained(struct daemon *d, const char *topic)
{
    const struct mqtt_publish empty = {
        .topic = topic, .payload = "", .length = 0, .qos = 1, .retained = true
    };
    (void)mqtt_publish(d->mqtt, &empty);
}

static void on_set(struct daemon *d, const struct mqtt_message *m)
{
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_REQUEST;
    struct problem problem;
    char topic[ROUTE_TOPIC_MAX];
    text_copy(topic, sizeof topic, m->topic);
    const bool retained = m->retained;
    switch (homie_read_set(d->homie, m, &e.request, &problem)) {
    case HOMIE_NOT_MINE:
        return;
    case HOMIE_REFUSED:
        complain(d, m, &problem);
        homie_warn(d->homie, d->mqtt, problem.text);
        break;
    case HOMIE_REQUEST:
        e.request.origin.by = "mqtt";
        daemon_step(d, &e);
        break;
    }
    if (retained) clear_retained(d, topic);
    d->view_dirty = true;
}

void daemon_message(struct daemon *d, const struct mqtt_message *message)
{
    uint32_t count;
    const struct route *route = routes_find(&d->routes, message->topic, &count);
    if (!route) {
        if (route_is_beat(d->config, message->topic))
            on_peer(d, message, false);
        else if (d->active)
            on_set(d, message);
        return;
    }
    for (uint32_t i = 0; i < count; i++) {
        if (route[i].kind == ROUTE_PROBE)
            on_probe(d, &route[i], message);
        else if (route[i].kind == ROUTE_PEER)
            on_peer(d, message, true);
        else
            on_chain(d, &route[i], message);
    }
}

static void answer_status(struct daemon *d, uint64_t ticket)
{
    struct mqtt_status status;
    mqtt_status(d->mqtt, &status);
    const struct link_tip tip = journal_tip(d->journal);
    const struct door_shell shell = { .broker_uri = status.uri,
        .broker_why = status.why,
        .broker_plain_remote =
            d->config->broker.plain_allowed && status.uri && strncmp(status.uri, "mqtt://", 7) == 0,
        .config_path = d->config->path,
        .config_error = d->config_error,
        .config_loaded = d->config_loaded,
        .journal_seq = tip.seq,
        .journal_hash = tip.hash };
    door_answer_status(d->door, ticket, d->core, &d->config->site, &shell, daemon_core_now(d));
}

void daemon_call(struct daemon *d, const struct door_call *call)
{
    struct event e;
    switch (call->kind) {
    case DOOR_STATUS:
        answer_status(d, call->ticket);
        return;
    case DOOR_RELOAD:
        daemon_reload(d, call->ticket);
        return;
    case DOOR_REQUEST:
        memset(&e, 0, sizeof e);
        e.kind = EVENT_REQUEST;
        e.request = call->request;
        daemon_step(d, &e);
        return;
    }
}
