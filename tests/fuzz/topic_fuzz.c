/* A message of the broker on its whole way in: the inbox, the topic's route, the payload, and what
 * may be set or asked for. The input: a line with the topic, then the payload; the first byte's
 * lowest bit is the retained flag; with the next one there is a line with MQTT 5's response topic
 * between them; with 4 the site has keys, and with 8, too, the payload's code is put right where it
 * has one that could be.
 *
 * Held: every event names a tank, chain or address that the site has; nothing that was retained
 * asks for anything but a halt; a set is only read from the topics that end so; a request that
 * can't be read has a refusal; where the site has keys nothing but a halt is read whose code isn't
 * right, by a second reckoning; nothing that is kept makes the devices listen to what isn't theirs;
 * a request's answer is JSON of at most 512 bytes with its id, and goes to no
 * topic that means something here. */
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "daemon/hear/hear.h"
#include "daemon/hear/request_call.h"
#include "daemon/hear/request_sign.h"
#include "daemon/homie/homie.h"
#include "daemon/mqtt/inbox.h"
#include "daemon/payload/json_guard.h"
#include "daemon/payload/payload.h"
#include "lib/core/signer.h"
#include "lib/journal/canon.h"
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

/* --- keys ------------------------------------------------------------------------------------- */

static struct site keyed;
static struct request_keys keys;

static void make_keys(void)
{
    static const char *const key[] = { "an old greenhouse is full of light",
        "the second bench is always a bit drier" };
    keyed = fuzz_site()->site;
    keyed.signer_count = keys.count = 2;
    keyed.signer[0] = "phone";
    keyed.signer[1] = "hub";
    for (int i = 0; i < 2; i++) {
        keys.key[i].length = (int)strlen(key[i]);
        memcpy(keys.key[i].bytes, key[i], strlen(key[i]));
    }
}

/* The code that a payload would need, by the key that it names; false when it can't be signed. */
static bool code_of(char ret[SIGN_MAC_HEX], struct record *flat, const struct mqtt_message *m)
{
    struct json_view object, by;
    struct problem problem;
    if (json_guard(&object, m->payload, m->length, &problem) != ERR_NONE ||
        json_kind(object) != JSON_OBJECT ||
        sign_flatten(flat, object, "mac", &problem) != ERR_NONE || !json_member(object, "by", &by))
        return false;
    for (uint32_t i = 0; i < keys.count; i++) {
        if (json_is(by, keyed.signer[i], strlen(keyed.signer[i])))
            return sign_mac(ret, &keys.key[i], m->topic, flat);
    }
    return false;
}

/* The same payload, rightly signed; as it is where that can't be. */
static struct mqtt_message put_right(const struct mqtt_message *m)
{
    static char line[PAYLOAD_MAX + 1];
    struct mqtt_message signed_one = *m;
    struct text t = text_over(line, sizeof line);
    char code[SIGN_MAC_HEX];
    struct record flat;
    if (!code_of(code, &flat, m)) return signed_one;
    record_add_text(&flat, "mac", code);
    canon_add(&t, &flat, NULL);
    if (t.cut || flat.cut) return signed_one;
    signed_one.payload = line;
    signed_one.length = t.length;
    return signed_one;
}

static void check_signature(const struct event_request *r, const struct mqtt_message *m)
{
    char wanted[SIGN_MAC_HEX], found[SIGN_MAC_HEX];
    struct json_view object, mac, n;
    struct problem problem;
    struct record flat;
    int64_t count;
    const bool halts = r->kind == REQUEST_HALT && r->on;
    HOLDS(r->refusal.reason || halts || r->origin.signer);
    if (!r->origin.signer) return;
    HOLDS(code_of(wanted, &flat, m));
    HOLDS(json_guard(&object, m->payload, m->length, &problem) == ERR_NONE);
    HOLDS(json_member(object, "mac", &mac) && json_string(mac, found, sizeof found));
    HOLDS(strcasecmp(wanted, found) == 0);
    HOLDS(json_member(object, "n", &n) && json_count(n, &count) && count == r->origin.n);
    HOLDS(count >= 1 && count <= SIGNER_N_MOST);
}

static void check_call(const struct mqtt_message *heard_message, uint8_t flags)
{
    const struct site *site = &fuzz_site()->site;
    const bool has_keys = flags & 4;
    const struct request_trust trust = { has_keys ? &keyed : site, &keys };
    const struct mqtt_message right = put_right(heard_message);
    const struct mqtt_message *m = has_keys && (flags & 8) ? &right : heard_message;
    struct event_request r;
    struct request_refusal no = { 0 };
    request_read_call(&r, m, &trust, &no);
    HOLDS(r.kind < REQUEST_COUNT && r.origin.retained == m->retained && r.ticket == 0);
    HOLDS(r.id[0] == '\0' || chain_id_valid(r.id));
    HOLDS((r.kind == REQUEST_UNREAD) == (r.refusal.reason != NULL));
    HOLDS(!r.refusal.reason || (r.refusal.reason[0] != '\0' && r.refusal.text[0] != '\0'));
    HOLDS(r.id[0] != '\0' || r.refusal.reason || (r.kind == REQUEST_HALT && r.on));
    if (has_keys)
        check_signature(&r, m);
    else
        HOLDS(!r.origin.signer);
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
    make_keys();
}

/* What was kept by the broker may add departed tanks. */
static void check_filters(void)
{
    static struct mqtt_subscription filter[256];
    const char *key = fuzz_site()->site.key;
    const size_t domain = strlen("homie/5/"), length = strlen(key);
    HOLDS(homie_filters_most(homie) <= sizeof filter / sizeof *filter);
    const uint32_t count = homie_filters(homie, filter);
    HOLDS(count <= homie_filters_most(homie));
    for (uint32_t i = 0; i < count; i++) {
        const char *device = filter[i].filter + domain;
        HOLDS(strncmp(filter[i].filter, "homie/5/", domain) == 0);
        HOLDS(strncmp(device, key, length) == 0);
        HOLDS(device[length] == '/' || device[length] == '-');
    }
}

/* Only where a plain output's board reports. */
static void board(void *context, const struct route *route, bool on)
{
    const struct mqtt_message *m = context;
    (void)on;
    heard++;
    HOLDS(route->kind == ROUTE_BOARD && strcmp(m->topic, route->topic) == 0);
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
        const struct hearer hearer = {
            .context = &m, .event = event, .board = board, .refused = refused
        };
        HOLDS(strlen(m.topic) == letter.topic_length && m.length <= PAYLOAD_MAX);
        HOLDS(m.length == letter.payload_length || strstr(m.topic, "/$description"));
        if (hear_message(&hearer, fuzz_site(), &routes, &m)) continue;
        HOLDS(heard == 0);
        const enum homie_set set = homie_read_set(homie, &m, &request, &problem);
        if (set == HOMIE_REQUEST) check_request(&request, &m);
        if (set == HOMIE_CALL) check_call(&m, flags);
        check_filters();
    }
    return 0;
}
