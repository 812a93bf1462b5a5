#include "daemon/hear/request_call.h"

#include <string.h>

#include "daemon/hear/request_member.h"
#include "daemon/payload/json_guard.h"
#include "daemon/payload/payload.h"

enum { ESCAPED_MOST = 6 }; /* bytes that one byte of a text may take in JSON */

static const char cut_mark[] = " [cut]";

/* --- in --------------------------------------------------------------------------------------- */

static bool read_id(struct json_view object, char ret[CHAIN_WORD_MAX])
{
    struct json_view v;
    if (json_member(object, "id", &v) && json_string(v, ret, CHAIN_WORD_MAX) && chain_id_valid(ret))
        return true;
    ret[0] = '\0';
    return false;
}

/* False, with the refusal. Stopping needs neither id nor signature. */
static bool read_call(struct event_request *ret, const struct mqtt_message *m,
    const struct request_trust *trust, struct request_refusal *no)
{
    struct json_view object;
    struct request_refusal mistrust;
    struct problem problem;
    if (json_guard(&object, m->payload, m->length, &problem) != ERR_NONE)
        return request_refuse(no, "malformed", problem.text);
    if (json_kind(object) != JSON_OBJECT)
        return request_refuse(no, "malformed", "the request isn't a JSON object");
    const bool named = read_id(object, ret->id);
    const bool trusted = trust->site->signer_count == 0 ||
                         request_verify(&ret->origin, object, m->topic, trust, &mistrust);
    const bool good = request_read(ret, object, trust->site, no);
    if (good && ret->kind == REQUEST_HALT && ret->on) return true;
    if (!trusted) *no = mistrust;
    if (!good || !trusted) return false;
    if (named) return true;
    return request_refuse(
        no, "no-id", "\"id\" is missing, or isn't 1 to 32 of A to Z, a to z, 0 to 9 and -");
}

void request_read_call(struct event_request *ret, const struct mqtt_message *m,
    const struct request_trust *trust, struct request_refusal *no)
{
    memset(ret, 0, sizeof *ret);
    ret->origin =
        (struct event_origin){ .by = "mqtt", .retained = m->retained, .reply = m->response_topic };
    if (read_call(ret, m, trust, no)) return;
    struct event_request unread = { .kind = REQUEST_UNREAD,
        .origin = ret->origin,
        .refusal = { .reason = no->reason, .text = no->text } };
    text_copy(unread.id, sizeof unread.id, ret->id);
    *ret = unread;
}

/* --- who waits -------------------------------------------------------------------------------- */

bool request_may_answer_on(
    const struct config *config, const struct routes *routes, const char *topic)
{
    const size_t domain = strlen(config->homie_domain);
    uint32_t count;
    if (topic[0] == '\0' || topic[0] == '$') return false;
    if (strncmp(topic, config->homie_domain, domain) == 0 &&
        (topic[domain] == '/' || topic[domain] == '\0'))
        return false;
    const char *hub = config->discovery_prefix;
    if (hub && strncmp(topic, hub, strlen(hub)) == 0 && topic[strlen(hub)] == '/') return false;
    return routes_find(routes, topic, &count) == NULL;
}

uint64_t request_caller_add(struct request_callers *c, const char *id, const struct mqtt_message *m,
    const struct config *config, const struct routes *routes)
{
    if (id[0] == '\0') return 0;
    const uint64_t number = ++c->last;
    struct request_caller *caller = &c->item[number % REQUEST_CALLERS_MAX];
    *caller = (struct request_caller){ .ticket = number | REQUEST_CALLER };
    text_copy(caller->id, sizeof caller->id, id);
    if (!request_may_answer_on(config, routes, m->response_topic)) return caller->ticket;
    if (m->correlation_length > sizeof caller->correlation) return caller->ticket;
    text_copy(caller->topic, sizeof caller->topic, m->response_topic);
    if (m->correlation_length > 0)
        memcpy(caller->correlation, m->correlation, m->correlation_length);
    caller->correlation_length = m->correlation_length;
    return caller->ticket;
}

bool request_caller_take(struct request_callers *c, uint64_t ticket, struct request_caller *ret)
{
    struct request_caller *caller = &c->item[(ticket & ~REQUEST_CALLER) % REQUEST_CALLERS_MAX];
    if (!(ticket & REQUEST_CALLER) || caller->ticket != ticket) return false;
    *ret = *caller;
    caller->ticket = 0;
    return true;
}

/* --- out -------------------------------------------------------------------------------------- */

static void add_whole(struct text *t, const char *id, bool ok, const char *reason, const char *text)
{
    text_add(t, "{\"id\":");
    payload_add_string(t, id);
    text_add(t, ok ? ",\"ok\":true" : ",\"ok\":false");
    text_add(t, ",\"reason\":");
    payload_add_string(t, reason);
    text_add(t, ",\"text\":");
    payload_add_string(t, text);
    text_add_char(t, '}');
}

/* Takes bytes off the end of a text, so that no character is split. */
static size_t shorter(const char *text, size_t length, size_t by)
{
    length = by < length ? length - by : 0;
    while (length > 0 && ((unsigned char)text[length] & 0xC0) == 0x80) {
        length--;
    }
    return length;
}

void request_add_answer(
    struct text *t, const char *id, bool ok, const char *reason, const char *text)
{
    char whole[ESCAPED_MOST * (ACTION_ANSWER_MAX + CHAIN_WORD_MAX) + REQUEST_ANSWER_MAX];
    char part[ACTION_ANSWER_MAX + sizeof cut_mark];
    struct text w = text_over(whole, sizeof whole);
    add_whole(&w, id, ok, reason, text);
    for (size_t length = strlen(text); w.length > REQUEST_ANSWER_MAX && length > 0;) {
        /* each byte taken off makes it shorter by six at most: never more than must be */
        const size_t over = w.length - REQUEST_ANSWER_MAX;
        length = shorter(text, length, (over + ESCAPED_MOST - 1) / ESCAPED_MOST);
        struct text p = text_over(part, sizeof part);
        text_add_bytes(&p, text, length);
        text_add(&p, cut_mark);
        w = text_over(whole, sizeof whole);
        add_whole(&w, id, ok, reason, part);
    }
    text_add(t, w.at);
}
