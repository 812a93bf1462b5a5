#include "daemon/tool/call_mqtt.h"

#include <poll.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/hear/request_sign.h"
#include "daemon/hear/route.h"
#include "daemon/mqtt/mqtt.h"
#include "daemon/payload/json_guard.h"
#include "daemon/payload/payload.h"
#include "lib/base/text.h"
#include "lib/journal/canon.h"

enum {
    AGAIN_MS = 3000, /* answers are of QoS 0: one that was lost is asked for again */
    CHANCE_BYTES = 6,
    SLEEP_MOST_MS = 1000,
};

struct call {
    const struct call_options *options;
    struct mqtt *mqtt;
    char topic[ROUTE_TOPIC_MAX], answers[ROUTE_TOPIC_MAX];
    int64_t requests; /* made so far */
    int64_t n;        /* of the last signature */
    /* of the one under way: */
    char id[CHAIN_WORD_MAX];
    char payload[PAYLOAD_MAX];
    size_t length;
    bool sent, met; /* in this connection; the broker answered at all */
    struct mono again;
    char *answer;
};

/* --- the request ------------------------------------------------------------------------------ */

/* "ID", then "ID-2"; or one that nobody else draws. */
static enum err name_request(struct call *c, struct problem *problem)
{
    char chance[2 * CHANCE_BYTES + 1];
    struct text id = text_over(c->id, sizeof c->id);
    clock_random_hex(chance, CHANCE_BYTES);
    text_add(&id, c->options->id ? c->options->id : "call-");
    if (!c->options->id) text_add(&id, chance);
    if (c->options->id && c->requests > 0) {
        text_add_char(&id, '-');
        text_add_int(&id, c->requests + 1);
    }
    if (!id.cut && chain_id_valid(c->id)) return ERR_NONE;
    return problem_set(problem, ERR_RANGE, "--id",
        "an id has 1 to 32 of A to Z, a to z, 0 to 9 and -, with room for -2 where two requests "
        "are made");
}

static enum err sign(struct call *c, struct record *r, struct problem *problem)
{
    char mac[SIGN_MAC_HEX];
    const int64_t now = clock_now().civil.ms;
    const int64_t first = c->options->n > 0 ? c->options->n : now;
    c->n = c->n >= first ? c->n + 1 : first;
    record_add_text(r, "by", c->options->by);
    record_add_int(r, "n", c->n);
    if (!sign_mac(mac, c->options->key, c->topic, r))
        return problem_set(problem, ERR_RANGE, "request", "it can't be signed");
    record_add_text(r, "mac", mac);
    return ERR_NONE;
}

static enum err make_request(struct call *c, const char *line, struct problem *problem)
{
    struct json_view object;
    struct record r;
    struct text t = text_over(c->payload, sizeof c->payload);
    enum err err = json_guard(&object, line, strlen(line), problem);
    if (err == ERR_NONE) err = sign_flatten(&r, object, "call", problem);
    if (err == ERR_NONE) err = name_request(c, problem);
    if (err != ERR_NONE) return err;
    record_add_text(&r, "id", c->id);
    if (c->options->by) err = sign(c, &r, problem);
    if (err != ERR_NONE) return err;
    canon_add(&t, &r, NULL);
    c->length = t.length;
    if (!t.cut && !r.cut) return ERR_NONE;
    return problem_set(problem, ERR_RANGE, "request", "it is longer than a daemon takes");
}

/* --- the answer ------------------------------------------------------------------------------- */

static bool is_ours(const struct call *c, const struct mqtt_message *m)
{
    struct json_view object, id, ok;
    struct problem problem;
    if (m->retained || strcmp(m->topic, c->answers) != 0) return false;
    if (json_guard(&object, m->payload, m->length, &problem) != ERR_NONE) return false;
    return json_member(object, "id", &id) && json_is(id, c->id, strlen(c->id)) &&
           json_member(object, "ok", &ok);
}

static void take_answers(struct call *c)
{
    struct mqtt_message m;
    while (mqtt_take(c->mqtt, &m)) {
        if (c->answer || !is_ours(c, &m)) continue;
        c->answer = strndup(m.payload, m.length);
    }
}

static void say_when_due(struct call *c, struct mono now)
{
    struct mqtt_status status;
    mqtt_status(c->mqtt, &status);
    if (!status.connected) {
        c->sent = false;
        return;
    }
    c->met = true;
    if (c->sent && mono_since(c->again, now) > 0) return;
    const char *reply = c->options->config->broker.version == 5 ? c->options->reply : NULL;
    const struct mqtt_publish p = { .topic = c->topic,
        .payload = c->payload,
        .length = c->length,
        .qos = 1,
        .response_topic = reply,
        .correlation = reply ? c->id : NULL,
        .correlation_length = reply ? strlen(c->id) : 0 };
    if (mqtt_publish(c->mqtt, &p) != MQTT_SENT) return;
    c->sent = true;
    c->again = mono_after(now, AGAIN_MS);
}

static int sleep_ms(struct mono now, struct mono due, struct mono until)
{
    int64_t ms = mono_since(due, now);
    if (mono_since(until, now) < ms) ms = mono_since(until, now);
    if (ms > SLEEP_MOST_MS) ms = SLEEP_MOST_MS;
    return ms > 0 ? (int)ms : 0;
}

static enum err no_answer(const struct call *c, struct problem *problem)
{
    struct mqtt_status status;
    mqtt_status(c->mqtt, &status);
    if (!status.connected || !c->met)
        return problem_set(problem, ERR_IO, status.uri ? status.uri : "broker",
            status.why[0] ? status.why : "the broker can't be reached");
    return problem_set(problem, ERR_BUSY, c->answers,
        "no answer came: no active daemon listens there, it was too busy, or this account may not "
        "write the request or read the answer; the same --id is safe to try again");
}

enum err call_carry(
    void *call, const char *line, int64_t wait_ms, char **ret_answer, struct problem *problem)
{
    struct call *c = call;
    (void)wait_ms; /* it has its own: a broker lies between */
    *ret_answer = NULL;
    const enum err err = make_request(c, line, problem);
    if (err != ERR_NONE) return err;
    c->requests++;
    c->sent = c->met = false;
    c->answer = NULL;
    const struct mono until = mono_after(clock_now().mono, c->options->wait_ms);
    while (!c->answer) {
        const struct mono due = mqtt_turn(c->mqtt, clock_now().mono);
        take_answers(c);
        const struct mono now = clock_now().mono;
        if (c->answer) break;
        if (mono_since(until, now) <= 0) return no_answer(c, problem);
        say_when_due(c, now);
        struct pollfd p = { .fd = mqtt_descriptor(c->mqtt), .events = POLLIN };
        (void)poll(&p, 1, sleep_ms(now, due, until));
    }
    *ret_answer = c->answer;
    return ERR_NONE;
}

/* --- life ------------------------------------------------------------------------------------- */

static enum err connect_as_caller(struct call *c, struct problem *problem)
{
    char id[64], chance[2 * CHANCE_BYTES + 1];
    struct text t = text_over(id, sizeof id);
    clock_random_hex(chance, CHANCE_BYTES);
    text_add(&t, "dosewright-call-");
    text_add(&t, chance);
    const struct mqtt_options options = { .broker = &c->options->config->broker, .client_id = id };
    const enum err err = mqtt_open(&c->mqtt, &options, problem);
    if (err != ERR_NONE) return err;
    const struct mqtt_subscription wanted = { .filter = c->answers, .qos = 1, .urgent = true };
    return mqtt_subscribe(c->mqtt, &wanted, 1, problem);
}

enum err call_open(struct call **ret, const struct call_options *options, struct problem *problem)
{
    *ret = NULL;
    struct call *c = calloc(1, sizeof *c);
    if (!c) return problem_set(problem, ERR_IO, "call", "there is no memory left");
    const struct config *config = options->config;
    c->options = options;
    route_topic(c->topic, config, config->site.key, "request/call/set");
    route_topic(c->answers, config, config->site.key, "request/answer");
    if (options->reply && config->broker.version == 5)
        text_copy(c->answers, sizeof c->answers, options->reply);
    const enum err err = connect_as_caller(c, problem);
    if (err == ERR_NONE)
        *ret = c;
    else
        call_close(c);
    return err;
}

void call_close(struct call *c)
{
    if (!c) return;
    mqtt_close(c->mqtt);
    free(c);
}
