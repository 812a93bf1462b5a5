/* The journal of the daemon that commands, as it is heard while this one stands by. */
#include <string.h>

#include "daemon/hear/request_sign.h"
#include "daemon/journal/journal_scan.h"
#include "daemon/payload/json_guard.h"
#include "daemon/payload/json_view.h"
#include "daemon/run/daemon.h"
#include "lib/base/text.h"

static bool is_topic(const struct daemon *d, const struct mqtt_message *m, const char *property)
{
    char topic[ROUTE_TOPIC_MAX];
    route_topic(topic, d->config, d->config->site.key, property);
    return text_same(topic, m->topic);
}

/* It must fit its own hash; what place it has is the core's business. Its seq; 0: it doesn't. */
static int64_t hear_line(struct daemon *d, const char *line, size_t length)
{
    struct record record;
    struct problem problem;
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_ENTRY;
    if (!link_before(&e.entry.before, line, length)) return 0;
    e.entry.place = e.entry.before;
    if (link_follow(&e.entry.place, &record, line, length, journal_sha256, &problem) != ERR_NONE)
        return 0;
    e.entry.record = &record;
    daemon_step(d, &e);
    return e.entry.place.seq;
}

/* Each question is a record of the other's, too, and is heard before the answer to it: without
 * being told again after that it would leave a hole each time. */
static bool hear_entry(struct daemon *d, const struct mqtt_message *m)
{
    int64_t seq =
        m->retained || m->length >= RECORD_LINE_MAX ? 0 : hear_line(d, m->payload, m->length);
    if (seq == 0) return false;
    struct line *kept = &d->follow_kept[d->follow_next++ % FOLLOW_KEPT];
    kept->seq = seq;
    memcpy(kept->text, m->payload, m->length);
    kept->text[m->length] = '\0';
    for (uint32_t n = 0; n < FOLLOW_KEPT * FOLLOW_KEPT; n++) {
        const struct line *after = &d->follow_kept[n % FOLLOW_KEPT];
        if (after->seq == seq + 1) seq = hear_line(d, after->text, strlen(after->text));
    }
    return true;
}

/* {"seq":...,"hash":"..."}; "{}" when there is none yet. */
static bool hear_tip(struct daemon *d, const struct mqtt_message *m)
{
    struct json_view tip, seq, hash;
    struct problem problem;
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_TIP;
    if (json_guard(&tip, m->payload, m->length, &problem) != ERR_NONE) return false;
    if (!json_member(tip, "seq", &seq) || !json_member(tip, "hash", &hash)) return false;
    if (!json_count(seq, &e.tip.seq) || !json_string(hash, e.tip.hash, sizeof e.tip.hash))
        return false;
    daemon_step(d, &e);
    return true;
}

bool daemon_follow(struct daemon *d, const struct mqtt_message *message)
{
    if (d->active) return false;
    const bool entry = is_topic(d, message, "journal/entry");
    if (!entry && !is_topic(d, message, "journal/tip")) return false;
    if (!(entry ? hear_entry(d, message) : hear_tip(d, message)) && !message->retained)
        d->ignored++;
    return true;
}

uint32_t daemon_follow_filters(struct daemon *d, struct mqtt_subscription *ret)
{
    static const char *const properties[FOLLOW_FILTERS] = { "journal/entry", "journal/tip" };
    for (uint32_t i = 0; i < FOLLOW_FILTERS; i++) {
        route_topic(d->follow_topic[i], d->config, d->config->site.key, properties[i]);
        ret[i] =
            (struct mqtt_subscription){ .filter = d->follow_topic[i], .qos = 1, .urgent = true };
    }
    return FOLLOW_FILTERS;
}

/* Where requests must be signed, with the site's key of that name: both boards have it. */
static bool sign(const struct daemon *d, const char *topic, const char *payload, struct text *ret)
{
    const struct site *site = &d->config->site;
    struct json_view view;
    struct record request;
    struct problem problem;
    char mac[SIGN_MAC_HEX];
    for (uint32_t k = 0; k < site->signer_count && k < d->keys.count; k++) {
        if (!text_same(site->signer[k], "standby")) continue;
        if (json_guard(&view, payload, ret->length, &problem) != ERR_NONE) return false;
        if (sign_flatten(&request, view, NULL, &problem) != ERR_NONE) return false;
        record_add_text(&request, "by", "standby");
        record_add_int(&request, "n", d->now.civil.ms);
        if (!sign_mac(mac, &d->keys.key[k], topic, &request)) return false;
        ret->length--; /* goes on before the brace */
        text_add(ret, ",\"by\":\"standby\",\"n\":");
        text_add_int(ret, d->now.civil.ms);
        text_add(ret, ",\"mac\":\"");
        text_add(ret, mac);
        text_add(ret, "\"}");
        return !ret->cut;
    }
    return false;
}

void daemon_ask_records(struct daemon *d, int64_t from, int64_t to)
{
    char topic[ROUTE_TOPIC_MAX], payload[384];
    route_topic(topic, d->config, d->config->site.key, "request/call/set");
    struct text t = text_over(payload, sizeof payload);
    text_add(&t, "{\"id\":\"");
    text_add(&t, d->identity.by);
    text_add(&t, "-asks-");
    text_add_int(&t, ++d->follow_asks);
    text_add(&t, "\",\"request\":\"journal\",\"from\":");
    text_add_int(&t, from);
    text_add(&t, ",\"to\":");
    text_add_int(&t, to);
    text_add_char(&t, '}');
    if (d->keys.count > 0 && !sign(d, topic, payload, &t)) return;
    const struct mqtt_publish ask = {
        .topic = topic, .payload = payload, .length = t.length, .qos = 1, .expiry_s = 8
    };
    if (d->link_up) (void)mqtt_publish(d->mqtt, &ask);
}
