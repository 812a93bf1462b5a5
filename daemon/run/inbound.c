#include <inttypes.h>
#include <string.h>

#include "daemon/base/log.h"
#include "daemon/config/broker_uri.h"
#include "daemon/hear/hear.h"
#include "daemon/run/daemon.h"
#include "lib/base/text.h"

enum { COMPLAIN_EVERY_MS = 60000 };

/* Strangers may send a thousand bad messages a second: one line a minute tells it. */
static void complain(void *context, const struct mqtt_message *m, const struct problem *problem)
{
    struct daemon *d = context;
    static struct mono last;
    static uint64_t silent;
    d->ignored++;
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

/* A retained order to halt is acted on, and its copy on the broker is cleared. */
static void clear_retained(struct daemon *d, const char *topic)
{
    const struct mqtt_publish empty = {
        .topic = topic, .payload = "", .length = 0, .qos = 1, .retained = true
    };
    (void)mqtt_publish(d->mqtt, &empty);
}

/* One at a time is read again. */
static void refuse_second_replay(const struct daemon *d, struct event_request *q)
{
    if (q->kind != REQUEST_JOURNAL || (!d->replay && d->active && d->link_up)) return;
    q->refusal.reason = d->replay ? "busy" : "not-ready";
    q->refusal.text = d->replay ? "other records are just being shown again: try again when they "
                                  "have come"
                                : "there is no broker to show them on";
}

static void on_call(struct daemon *d, const struct mqtt_message *m)
{
    struct event e;
    struct request_refusal no;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_REQUEST;
    const struct request_trust trust = { &d->config->site, &d->keys };
    request_read_call(&e.request, m, &trust, &no);
    refuse_second_replay(d, &e.request);
    e.request.ticket = request_caller_add(&d->callers, e.request.id, m, d->config, &d->routes);
    if (e.request.ticket == 0 && e.request.refusal.reason) {
        struct problem problem;
        (void)problem_set(&problem, ERR_SYNTAX, m->topic, e.request.refusal.text);
        complain(d, m, &problem);
    }
    daemon_step(d, &e);
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
        daemon_step(d, &e);
        break;
    case HOMIE_CALL:
        on_call(d, m);
        break;
    case HOMIE_REQUEST:
        daemon_step(d, &e);
        break;
    }
    if (retained) clear_retained(d, topic);
    d->view_dirty = true;
}

static void step(void *context, const struct event *event)
{
    struct daemon *d = context;
    daemon_step(d, event);
    if (event->kind == EVENT_READING && d->active)
        homie_hear(d->homie, event->reading.tank, event->reading.quantity);
}

static void board(void *context, const struct route *route, bool on)
{
    const struct daemon *d = context;
    relays_hear(d->relays, route->chain, route->position, on, d->now.mono);
}

void daemon_message(struct daemon *d, const struct mqtt_message *message)
{
    if (daemon_follow(d, message)) return;
    const struct hearer hearer = {
        .context = d, .event = step, .board = board, .refused = complain
    };
    if (!hear_message(&hearer, d->config, &d->routes, message) && d->active) on_set(d, message);
}

/* Does anybody on the way to the broker read along? NULL: there is no connection. */
static bool is_open(const char *uri)
{
    struct broker_uri broker;
    return uri && broker_uri_read(&broker, uri) && broker_uri_is_open(&broker);
}

struct door_shell daemon_shell(
    const struct daemon *d, const struct mqtt_status *status, const struct link_tip *tip)
{
    return (struct door_shell){ .broker_uri = status->uri,
        .broker_why = status->why,
        .broker_plain_remote = is_open(status->uri),
        .broker_unread = status->oversized + status->malformed + status->dropped,
        .broker_ignored = d->ignored,
        .config_path = d->config->path,
        .config_error = d->config_error,
        .config_loaded = d->config_loaded,
        .journal_seq = tip->seq,
        .journal_hash = tip->hash };
}

static void answer_status(struct daemon *d, uint64_t ticket)
{
    struct mqtt_status status;
    mqtt_status(d->mqtt, &status);
    const struct link_tip tip = journal_tip(d->journal);
    const struct door_shell shell = daemon_shell(d, &status, &tip);
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
        refuse_second_replay(d, &e.request);
        daemon_step(d, &e);
        return;
    }
}
