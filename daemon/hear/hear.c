#include "daemon/hear/hear.h"

#include <string.h>

#include "daemon/payload/json_guard.h"
#include "daemon/payload/json_view.h"
#include "daemon/payload/payload.h"

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
    case ROUTE_BOARD:
        break;
    }
    return false;
}

/* A retained json property starts as {}: nothing to say yet. */
static bool says_nothing(struct payload p)
{
    return p.length == 0 || (p.length == 2 && memcmp(p.bytes, "{}", 2) == 0);
}

static void hear_chain(
    const struct hearer *h, const struct route *route, const struct mqtt_message *m)
{
    struct event e;
    memset(&e, 0, sizeof e);
    e.chain = route->chain;
    const struct payload p = { m->payload, m->length };
    /* A beat that was kept by the broker says nothing of the head's life now. */
    if (route->kind == ROUTE_BEAT && m->retained) return;
    if (route->kind != ROUTE_HEAD_STATE && says_nothing(p)) return;
    struct problem problem;
    if (read_chain(&e, route->kind, p, &problem))
        h->event(h->context, &e);
    else
        h->refused(h->context, m, &problem);
}

/* Another daemon's beat, of this site or another: {"by":"...","up_ms":...}. */
static void hear_peer(const struct hearer *h, const struct mqtt_message *m, bool same_site)
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
    if (chain_id_valid(e.peer.by)) h->event(h->context, &e);
}

static void hear_probe(const struct hearer *h, const struct config *config,
    const struct route *route, const struct mqtt_message *m)
{
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_READING;
    e.reading.tank = route->tank;
    e.reading.quantity = route->quantity;
    e.reading.retained = m->retained;
    const struct probe_config *probe = &config->site.tank[route->tank].probe[route->quantity];
    e.reading.verdict =
        payload_read_probe(&e.reading.number, probe, (struct payload){ m->payload, m->length });
    h->event(h->context, &e);
}

/* true, on, 1 or false, off, 0, in any case. One that the broker kept counts: it is the board's
 * last word. */
static void hear_board(const struct hearer *h, const struct config *config,
    const struct route *route, const struct mqtt_message *m)
{
    const struct plain_output *o =
        config->site.chain[route->chain].module[route->position - 1].plain;
    const struct probe_config words = { .unit = UNIT_BOOL, .pointer = o->state_pointer };
    double number;
    if (!h->board) return;
    if (payload_read_probe(&number, &words, (struct payload){ m->payload, m->length }) ==
        PROBE_OK) {
        h->board(h->context, route, number > 0.5);
        return;
    }
    struct problem problem;
    (void)problem_set(&problem, ERR_SYNTAX, m->topic, "the board reports neither on nor off");
    h->refused(h->context, m, &problem);
}

bool hear_message(const struct hearer *h, const struct config *config, const struct routes *routes,
    const struct mqtt_message *message)
{
    uint32_t count;
    const struct route *route = routes_find(routes, message->topic, &count);
    if (!route) {
        if (!route_is_beat(config, message->topic)) return false;
        hear_peer(h, message, false);
        return true;
    }
    for (uint32_t i = 0; i < count; i++) {
        if (route[i].kind == ROUTE_PROBE)
            hear_probe(h, config, &route[i], message);
        else if (route[i].kind == ROUTE_BOARD)
            hear_board(h, config, &route[i], message);
        else if (route[i].kind == ROUTE_PEER)
            hear_peer(h, message, true);
        else
            hear_chain(h, &route[i], message);
    }
    return true;
}
