/* A message of the broker on its whole way in: the inbox, the topic's route, the payload, and what
 * may be set. The input: a line with the topic, then the payload; the first byte's lowest bit is
 * the retained flag.
 *
 * Held: every event names a tank, chain or address that the site has; nothing that was retained
 * asks for anything but a halt; a set is only read from the topics that end so. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/hear.h"
#include "daemon/homie.h"
#include "daemon/inbox.h"
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
    struct inbox_letter letter = { .retained = bites_byte(&b) & 1 };
    char *topic = bites_until(&b, '\n', &letter.topic_length);
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
    free(payload);
    heard = 0;
    while (inbox_take(inbox, &m)) {
        const struct hearer hearer = { &m, event, refused };
        HOLDS(strlen(m.topic) == letter.topic_length && m.length == letter.payload_length);
        if (hear_message(&hearer, fuzz_site(), &routes, &m)) continue;
        HOLDS(heard == 0);
        if (homie_read_set(homie, &m, &request, &problem) == HOMIE_REQUEST)
            check_request(&request, &m);
    }
    return 0;
}
