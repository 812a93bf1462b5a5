/* A message of the broker on its whole way in: the inbox, the topic's route, the payload, and what
 * may be set or asked for. The input: a line with the topic, then the payload; the first byte's
 * lowest bit is the retained flag; with the next one there is a line with MQTT 5's response topic
 * between them.
 *
 * Held: every event names a tank, chain or address that the site has; nothing that was retained
 * asks for anything but a halt; a set is only read from the topics that end so; a request that
 * can't be read has a refusal; its answer is JSON of at most 512 bytes with its id, and goes to no
 * topic that means something here. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/hear.h"
#include "daemon/homie.h"
#include "daemon/inbox.h"
#include "daemon/json_guard.h"
#include "daemon/request_call.h"
#include "tests/fuzz/fuzz.h"

static struct routes routes;
static struct inbox *inbox;
static struct homie *homie;
static uint32_t heard;

static void check_request(const struct event_request *r, const struct mqtt_message *m)
{
    const struct site *site = &fuzz_site()->site;
    const size_t length = strlen(m->topic);
    HOLDS(length > 4 && strcmp(m->topic + length - 4, "/set") == 0);
    HOLDS(r->kind < REQUEST_COUNT && r->tank < site->tank_count);
    HOLDS(!m->retained || (r->kind == REQUEST_HALT && r->on));
    HOLDS(isfinite(r->value) && r->span_ms >= 0);
}

static void check_answer(const struct event_request *r, const struct mqtt_message *m)
{
    static struct request_callers callers;
    char line[REQUEST_ANSWER_MAX + 1], id[CHAIN_WORD_MAX];
    struct text t = text_over(line, sizeof line);
    struct request_caller caller;
    struct json_view object, value;
    struct problem problem;
    const uint64_t ticket = request_caller_add(&callers, r->id, m, fuzz_site(), &routes);
    HOLDS((ticket != 0) == (r->id[0] != '\0'));
    if (ticket == 0) return;
    HOLDS(request_caller_take(&callers, ticket, &caller));
    HOLDS(strncmp(caller.topic, "homie/", 6) != 0 && caller.topic[0] != '$');
    request_add_answer(&t, caller.id, false, r->refusal.reason ? r->refusal.reason : "done",
        r->refusal.text ? r->refusal.text : "");
    HOLDS(!t.cut && json_guard(&object, line, t.length, &problem) == ERR_NONE);
    HOLDS(json_member(object, "id", &value) && json_string(value, id, sizeof id));
    HOLDS(strcmp(id, r->id) == 0);
}

static void check_call(const struct mqtt_message *m)
{
    const struct site *site = &fuzz_site()->site;
    struct event_request r;
    struct request_refusal no = { 0 };
    request_read_call(&r, m, site, &no);
    HOLDS(r.kind < REQUEST_COUNT && r.origin.retained == m->retained && r.ticket == 0);
    HOLDS(r.id[0] == '\0' || chain_id_valid(r.id));
    HOLDS((r.kind == REQUEST_UNREAD) == (r.refusal.reason != NULL));
    HOLDS(!r.refusal.reason || (r.refusal.reason[0] != '\0' && r.refusal.text[0] != '\0'));
    HOLDS(r.id[0] != '\0' || r.refusal.reason || (r.kind == REQUEST_HALT && r.on));
    HOLDS(r.tank < site->tank_count && r.chain < site->chain_count && r.stock < site->stock_count);
    HOLDS(isfinite(r.value) && r.span_ms >= 0 && r.ul >= 0 && r.from >= 0 && r.to >= 0);
    check_answer(&r, m);
}

static void event(void *context, const struct event *e)
{
    const struct site *site = &fuzz_site()->site;
    const struct mqtt_message *m = context;
    heard++;
    HOLDS(e->chain < site->chain_count);
    HOLDS(e->kind != EVENT_REQUEST && e->kind != EVENT_TICK && e->kind != EVENT_JOURNAL);
    if (e->kind == EVENT_BEAT || e->kind == EVENT_PEER_BEAT) HOLDS(!m->retained);
    if (e->kind != EVENT_READING) return;
    const struct event_reading *r = &e->reading;
    HOLDS(r->tank < site->tank_count && r->quantity < PROBE_QUANTITY_COUNT);
    HOLDS(site->tank[r->tank].probe[r->quantity].present && r->retained == m->retained);
    HOLDS(r->verdict != PROBE_OK || isfinite(r->number));
}

static void refused(void *context, const struct mqtt_message *m, const struct problem *problem)
{
    HOLDS(context == m && problem->text[0] != '\0');
}

static void close_all(void)
{
    homie_close(homie);
    inbox_close(inbox);
    routes_free(&routes);
}

static void open_all(void)
{
    struct problem problem;
    static const char *const urgent[] = { "homie/5/+/+/+/set", "homie/5/west/#" };
    if (inbox) return;
    if (routes_make(&routes, fuzz_site()) != ERR_NONE || inbox_open(&inbox, &problem) != ERR_NONE ||
        inbox_mark_urgent(inbox, urgent, 2) != ERR_NONE ||
        homie_open(&homie, fuzz_site(), &problem) != ERR_NONE)
        exit(2);
    if (atexit(close_all) != 0) exit(2);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bites b = { data, data + size };
    const uint8_t flags = bites_byte(&b);
    struct inbox_letter letter = { .retained = flags & 1 };
    char *topic = bites_until(&b, '\n', &letter.topic_length);
    char *response = flags & 2 ? bites_until(&b, '\n', &letter.response_length) : NULL;
    letter.response = response;
    char *payload = fuzz_exact(b.at, (size_t)(b.end - b.at));
    letter.topic = topic;
    letter.payload = payload;
    letter.payload_length = (size_t)(b.end - b.at);
    struct mqtt_message m;
    struct event_request request;
    struct problem problem = { 0 };
    open_all();
    inbox_put(inbox, &letter);
    free(topic);
    free(response);
    free(payload);
    heard = 0;
    while (inbox_take(inbox, &m)) {
        const struct hearer hearer = { &m, event, refused };
        HOLDS(strlen(m.topic) == letter.topic_length && m.length == letter.payload_length);
        if (hear_message(&hearer, fuzz_site(), &routes, &m)) continue;
        HOLDS(heard == 0);
        const enum homie_set set = homie_read_set(homie, &m, &request, &problem);
        if (set == HOMIE_REQUEST) check_request(&request, &m);
        if (set == HOMIE_CALL) check_call(&m);
    }
    return 0;
}
