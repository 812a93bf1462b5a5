/* Messages for settable properties, turned into requests. */
#include <string.h>

#include "daemon/hear/request_read.h"
#include "daemon/homie/homie_inside.h"
#include "lib/base/decimal.h"

enum { VALUE_MOST = 64 };

struct target { /* what a topic points to */
    struct homie_device *device;
    uint32_t index; /* of the property */
    const struct homie_row *row;
};

const char *homie_id_of(
    const struct homie *h, const char *topic, size_t *ret_length, const char **ret_rest)
{
    const size_t domain = strlen(h->config->homie_domain);
    if (strncmp(topic, h->config->homie_domain, domain) != 0) return NULL;
    if (strncmp(topic + domain, "/5/", 3) != 0) return NULL;
    const char *id = topic + domain + 3;
    const char *slash = strchr(id, '/');
    if (!slash) return NULL;
    *ret_length = (size_t)(slash - id);
    *ret_rest = slash + 1;
    return id;
}

struct homie_device *homie_find_device_of(struct homie *h, const char *id, size_t length)
{
    for (uint32_t i = 0; i < h->device_count; i++) {
        const char *known = h->device[i].id;
        if (strncmp(known, id, length) == 0 && known[length] == '\0') return &h->device[i];
    }
    return NULL;
}

struct homie_device *homie_find_device(struct homie *h, const char *id)
{
    return homie_find_device_of(h, id, strlen(id));
}

static bool find_target(struct target *ret, struct homie *h, const char *topic)
{
    const char *rest;
    size_t length = 0;
    const char *id = homie_id_of(h, topic, &length, &rest);
    struct homie_device *device = id ? homie_find_device_of(h, id, length) : NULL;
    for (uint32_t k = 0; device && k < device->slots; k++) {
        int32_t pump;
        char property[ROUTE_TOPIC_MAX];
        const struct homie_row *row = homie_property(device, k, &pump);
        if (!row->settable) continue;
        homie_property_topic(property, h, device, k);
        length = strlen(property);
        if (strncmp(topic, property, length) != 0 || strcmp(topic + length, "/set") != 0) continue;
        *ret = (struct target){ .device = device, .index = k, .row = row };
        return true;
    }
    return false;
}

static bool read_truth(bool *ret, const char *text)
{
    *ret = strcmp(text, "true") == 0;
    return *ret || strcmp(text, "false") == 0;
}

/* EC comes in mS/cm. The core compares with an envelope in uS/cm: 2.2 must become 2200 exactly. */
static bool read_ec(double *ret_us_cm, const char *text)
{
    double ms_cm;
    if (!decimal_read_json(&ms_cm, text, strlen(text))) return false;
    *ret_us_cm = (double)nearest(ms_cm * 1e6) / 1000;
    return true;
}

static const char *read_value(
    struct event_request *ret, const struct homie_row *row, const char *text)
{
    switch (row->what) {
    case WHAT_HALT:
        ret->kind = REQUEST_HALT;
        return read_truth(&ret->on, text) ? NULL : "true or false";
    case WHAT_PAUSED:
        ret->kind = REQUEST_PAUSE;
        return read_truth(&ret->on, text) ? NULL : "true or false";
    case WHAT_SET_EC:
        ret->kind = REQUEST_SET_EC;
        return read_ec(&ret->value, text) ? NULL : "a number in mS/cm such as 1.4";
    case WHAT_SET_PH:
        ret->kind = REQUEST_SET_PH;
        return decimal_read_json(&ret->value, text, strlen(text)) ? NULL : "a number such as 5.8";
    case WHAT_OVERRIDE_FOR:
        ret->kind = REQUEST_OVERRIDE_FOR;
        return request_read_duration(&ret->span_ms, text) ? NULL
                                                          : "a duration such as PT8H or PT0S";
    case WHAT_BEAT:
    case WHAT_CONFIG:
    case WHAT_ENTRY:
    case WHAT_TIP:
    case WHAT_CALL:
    case WHAT_ANSWER:
    case WHAT_EC:
    case WHAT_PH:
    case WHAT_TEMPERATURE:
    case WHAT_VOLUME:
    case WHAT_EC_QUALITY:
    case WHAT_PH_QUALITY:
    case WHAT_TEMPERATURE_QUALITY:
    case WHAT_AIR_TEMPERATURE:
    case WHAT_HUMIDITY:
    case WHAT_VPD:
    case WHAT_LIGHT:
    case WHAT_SOURCE:
    case WHAT_STAGE:
    case WHAT_DAY:
    case WHAT_STATE:
    case WHAT_WHY:
    case WHAT_LAST:
    case WHAT_DAY_ML:
    case WHAT_REMAINING:
    case WHAT_DAYS_LEFT:
        break;
    }
    return "nothing: it can't be set";
}

static void refuse(struct problem *problem, const struct mqtt_message *m, const char *allowed)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, m->topic);
    if (allowed) {
        text_add(&t, ": found ");
        text_add_quoted(&t, m->payload, m->length, 24);
        text_add(&t, "; allowed: ");
        text_add(&t, allowed);
        (void)problem_set(problem, ERR_SYNTAX, m->topic, text);
    } else {
        text_add(&t, ": the message was retained, so it may be old: nothing was done");
        (void)problem_set(problem, ERR_RANGE, m->topic, text);
    }
}

void homie_note_ghost(struct homie *h, uint32_t device, const char *id)
{
    if (h->ghost_count == HOMIE_GHOSTS_MAX || strchr(id, '/')) return;
    struct homie_ghost *ghost = &h->ghost[h->ghost_count];
    ghost->device = device;
    if (text_copy(ghost->id, sizeof ghost->id, id)) h->ghost_count++;
}

enum homie_set homie_read_set(struct homie *h, const struct mqtt_message *message,
    struct event_request *ret, struct problem *problem)
{
    struct target target;
    if (homie_hear_birth(h, message)) return HOMIE_NOT_MINE;
    if (!find_target(&target, h, message->topic)) {
        homie_sweep_hear(h, message);
        return HOMIE_NOT_MINE;
    }
    /* Nothing is how a kept message is cleared, and that comes back to whoever listens: answering
     * it with another clearing would never end. */
    if (message->length == 0) return HOMIE_NOT_MINE;
    memset(ret, 0, sizeof *ret);
    if (target.row->what == WHAT_CALL) return HOMIE_CALL;
    h->slot[target.device->slot + target.index].again = true;
    if (target.device->tank != HOMIE_ROOT) ret->tank = (uint32_t)target.device->tank;
    ret->origin = (struct event_origin){
        .by = "mqtt", .retained = message->retained, .reply = message->response_topic
    };

    char text[VALUE_MOST + 1];
    const bool plain =
        message->length <= VALUE_MOST && memchr(message->payload, '\0', message->length) == NULL;
    memcpy(text, message->payload, plain ? message->length : 0);
    text[plain ? message->length : 0] = '\0';
    const char *allowed = read_value(ret, target.row, text);
    const bool stops = !allowed && ret->kind == REQUEST_HALT && ret->on;
    if (!allowed && (stops || !message->retained)) return HOMIE_REQUEST;
    ret->kind = REQUEST_UNREAD;
    ret->refusal.reason = message->retained ? "retained" : "malformed";
    refuse(problem, message, message->retained ? NULL : allowed);
    ret->refusal.text = problem->text;
    return HOMIE_REFUSED;
}
