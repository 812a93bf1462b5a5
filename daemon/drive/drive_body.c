#include <math.h>
#include <string.h>

#include "daemon/drive/drive.h"
#include "daemon/hear/request_read.h"
#include "lib/base/decimal.h"

enum { ALLOWED_MAX = 240 };

static const int64_t ZONE_MOST_MS = 26 * HOUR_MS;

/* --- members ---------------------------------------------------------------------------------- */

static bool read_word(
    struct json_view object, const char *name, char *ret, size_t size, struct problem *problem)
{
    struct json_view value = { 0 };
    const bool is_object = json_kind(object) == JSON_OBJECT;
    if (is_object && json_member(object, name, &value) && json_string(value, ret, size))
        return true;
    char allowed[ALLOWED_MAX];
    struct text t = text_over(allowed, sizeof allowed);
    text_add(&t, "a string of at most ");
    text_add_int(&t, (int64_t)size - 1);
    text_add(&t, " bytes");
    return drive_refuse(problem, name, is_object ? value : object, allowed);
}

static bool read_flag(struct json_view value, const char *name, bool *ret, struct problem *problem)
{
    *ret = json_kind(value) == JSON_TRUE;
    return *ret || json_kind(value) == JSON_FALSE ||
           drive_refuse(problem, name, value, "true or false");
}

/* A name among 'count', as key_of gives them. */
struct names {
    const char *what;
    uint32_t count;
    const char *(*key_of)(const struct site *site, uint32_t i);
};

static const char *tank_key(const struct site *site, uint32_t i)
{
    return site->tank[i].key;
}

static const char *chain_key(const struct site *site, uint32_t i)
{
    return site->chain[i].key;
}

static bool find_name(const struct site *site, const struct names *names, struct json_view value,
    uint32_t *ret, struct problem *problem)
{
    char allowed[ALLOWED_MAX];
    struct text known = text_over(allowed, sizeof allowed);
    for (uint32_t i = 0; i < names->count; i++) {
        const char *key = names->key_of(site, i);
        *ret = i;
        if (value.at && json_is(value, key, strlen(key))) return true;
        if (i > 0) text_add(&known, ", ");
        text_add(&known, key);
    }
    if (known.cut) (void)text_copy(allowed, sizeof allowed, "a key of the configuration");
    return drive_refuse(problem, names->what, value, allowed);
}

static bool find_tank(
    const struct drive *d, struct json_view value, uint32_t *ret, struct problem *problem)
{
    const struct site *site = &d->config->site;
    const struct names tanks = { "tank", site->tank_count, tank_key };
    return find_name(site, &tanks, value, ret, problem);
}

static bool member(const struct drive_line *l, const char *name, struct json_view *ret)
{
    *ret = (struct json_view){ 0 };
    return json_kind(l->value) == JSON_OBJECT && json_member(l->value, name, ret);
}

/* --- one kind each ---------------------------------------------------------------------------- */

static bool is_word(const char *s)
{
    static const char allowed[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-";
    return s[0] && s[strspn(s, allowed)] == '\0';
}

static bool read_begin(struct drive_line *l, struct problem *problem)
{
    struct json_view value;
    if (json_kind(l->value) == JSON_TRUE) return true;
    if (json_kind(l->value) != JSON_OBJECT)
        return drive_refuse(problem, "begin", l->value, "true, or an object with by and boot");
    if (member(l, "by", &value) &&
        (!read_word(l->value, "by", l->by, sizeof l->by, problem) || !is_word(l->by)))
        return drive_refuse(problem, "by", value, "1 to 32 of A-Z, a-z, 0-9 and -");
    if (member(l, "boot", &value) &&
        (!read_word(l->value, "boot", l->boot, sizeof l->boot, problem) || !is_word(l->boot)))
        return drive_refuse(problem, "boot", value, "1 to 39 of A-Z, a-z, 0-9 and -");
    return true;
}

/* The record as it is, or as a string that holds its line. */
static bool read_journal(struct drive_line *l, struct problem *problem)
{
    if (json_kind(l->value) == JSON_STRING && json_string(l->value, l->record, sizeof l->record))
        return true;
    if (json_kind(l->value) != JSON_OBJECT || l->value.length >= sizeof l->record)
        return drive_refuse(problem, "journal", l->value, "a record of at most 3071 bytes");
    memcpy(l->record, l->value.at, l->value.length);
    l->record[l->value.length] = '\0';
    return true;
}

static bool read_link(struct drive_line *l, struct problem *problem)
{
    l->event.kind = EVENT_LINK;
    return read_flag(l->value, "link", &l->event.link_up, problem);
}

static int hex_digit(unsigned char c)
{
    if (c >= '0' && c <= '9') return c - '0';
    if (c >= 'a' && c <= 'f') return c - 'a' + 10;
    if (c >= 'A' && c <= 'F') return c - 'A' + 10;
    return -1;
}

static bool read_hex(struct drive_line *l, struct json_view value, struct problem *problem)
{
    size_t length = 0;
    unsigned char c, low;
    bool good = json_kind(value) == JSON_STRING;
    struct json_bytes bytes = { 0 };
    if (good) bytes = json_bytes(value);
    while (good && json_byte(&bytes, &c)) {
        good = json_byte(&bytes, &low) && hex_digit(c) >= 0 && hex_digit(low) >= 0 &&
               length < PAYLOAD_MAX;
        if (good) l->bytes[length++] = (char)(hex_digit(c) << 4 | hex_digit(low));
    }
    l->message.length = length;
    return good || drive_refuse(problem, "payload_hex", value,
                       "two hex digits for each of at most "
                       "4096 bytes");
}

/* A string is the payload's text; anything else is its own. */
static bool read_payload(struct drive_line *l, struct problem *problem)
{
    struct json_view value = { 0 };
    if (json_member(l->root, "payload_hex", &value)) return read_hex(l, value, problem);
    if (!json_member(l->root, "payload", &value))
        return drive_refuse(problem, "payload", value, "a payload beside each topic");
    if (json_kind(value) == JSON_STRING) {
        if (!json_string(value, l->bytes, sizeof l->bytes))
            return drive_refuse(problem, "payload", value, "at most 4096 bytes");
        l->message.length = strlen(l->bytes);
        return true;
    }
    if (value.length > PAYLOAD_MAX)
        return drive_refuse(problem, "payload", value, "at most 4096 bytes");
    memcpy(l->bytes, value.at, value.length);
    l->message.length = value.length;
    return true;
}

static bool read_topic(struct drive_line *l, struct problem *problem)
{
    struct json_view retained;
    if (!json_string(l->value, l->topic, sizeof l->topic) || l->topic[0] == '\0' ||
        strpbrk(l->topic, "+#"))
        return drive_refuse(
            problem, "topic", l->value, "a string of 1 to 256 bytes without + and #");
    if (json_member(l->root, "retained", &retained) &&
        !read_flag(retained, "retained", &l->message.retained, problem))
        return false;
    if (!read_payload(l, problem)) return false;
    l->message.topic = l->topic;
    l->message.payload = l->bytes;
    l->message.response_topic = l->message.correlation = "";
    return true;
}

/* The object is a request as at the local door. */
static bool read_request(struct drive_line *l, const struct drive *d, struct problem *problem)
{
    struct request_refusal no = { 0 };
    if (json_kind(l->value) != JSON_OBJECT)
        return drive_refuse(problem, "request", l->value,
            "an object such as "
            "{\"request\":\"halt\",\"on\":true}");
    l->event.kind = EVENT_REQUEST;
    l->event.request.origin.by = "socket";
    if (request_read(&l->event.request, l->value, &d->config->site, &no)) return true;
    (void)problem_set(problem, ERR_RANGE, no.reason, no.text);
    return false;
}

static bool read_unsent(struct drive_line *l, const struct drive *d, struct problem *problem)
{
    const struct names chains = { "chain", d->config->site.chain_count, chain_key };
    struct json_view chain;
    l->event.kind = EVENT_UNSENT;
    if (!read_word(l->value, "id", l->event.unsent, sizeof l->event.unsent, problem)) return false;
    (void)member(l, "chain", &chain);
    return find_name(&d->config->site, &chains, chain, &l->event.chain, problem);
}

static bool read_disk(struct drive_line *l, struct problem *problem)
{
    struct json_view ok, why;
    l->event.kind = EVENT_JOURNAL;
    if (!member(l, "ok", &ok))
        return drive_refuse(problem, "disk", l->value, "an object with ok, true or false");
    if (!read_flag(ok, "ok", &l->event.journal.ok, problem)) return false;
    return !member(l, "why", &why) ||
           read_word(l->value, "why", l->event.journal.why, sizeof l->event.journal.why, problem);
}

static bool read_zone(struct drive_line *l, const struct drive *d, struct problem *problem)
{
    struct json_view tank, offset;
    double ms = 0;
    l->event.kind = EVENT_ZONES;
    (void)member(l, "tank", &tank);
    if (!find_tank(d, tank, &l->event.zone.tank, problem)) return false;
    if (!member(l, "offset_ms", &offset) || !decimal_read_json(&ms, offset.at, offset.length) ||
        !(fabs(ms) <= (double)ZONE_MOST_MS) || fabs(ms - floor(ms)) > 0)
        return drive_refuse(
            problem, "offset_ms", offset, "whole milliseconds, at most 26 hours either way");
    l->event.zone.offset_ms = (int64_t)ms;
    return true;
}

static bool read_view(struct drive_line *l, const struct drive *d, struct problem *problem)
{
    uint32_t tank = 0;
    l->tank = -1;
    if (json_kind(l->value) == JSON_TRUE) return true;
    if (!find_tank(d, l->value, &tank, problem)) return false;
    l->tank = (int32_t)tank;
    return true;
}

bool drive_read_body(struct drive_line *l, const struct drive *d, struct problem *problem)
{
    switch (l->kind) {
    case DRIVE_BEGIN:
        return read_begin(l, problem);
    case DRIVE_JOURNAL:
        return read_journal(l, problem);
    case DRIVE_LINK:
        return read_link(l, problem);
    case DRIVE_TOPIC:
        return read_topic(l, problem);
    case DRIVE_REQUEST:
        return read_request(l, d, problem);
    case DRIVE_SENT:
    case DRIVE_UNSENT:
        return read_unsent(l, d, problem);
    case DRIVE_DISK:
        return read_disk(l, problem);
    case DRIVE_ZONE:
        return read_zone(l, d, problem);
    case DRIVE_VIEW:
        return read_view(l, d, problem);
    case DRIVE_START:
    case DRIVE_TICK:
    case DRIVE_KIND_COUNT:
        break;
    }
    return true;
}
