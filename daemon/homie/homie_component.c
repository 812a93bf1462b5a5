/* What a device is to a home hub: one document of the hub's MQTT device discovery, with a component
 * for each property that Homie's description has, from the same table.
 *
 * The form is published: home-assistant.io, integrations/mqtt, "Device discovery payload", and the
 * pages of its MQTT sensor, binary sensor, number, switch, button and event. A component is known
 * by its key; one that goes is named once more with its platform alone, which removes it there.
 *
 * Everything is on the topics that Homie has. Whether a device is there, the states say: the
 * site's, since the last will is there, and its own. */
#include <string.h>

#include "daemon/homie/homie_inside.h"
#include "daemon/payload/payload.h"

enum { ROOM_FOR_HEAD = 4096, ROOM_FOR_COMPONENT = 1536 };

static const char is_ready[] = "{{ 'online' if value == 'ready' else 'offline' }}";
static const char no_zero_byte[] = "{{ value | replace('\\x00', '') }}";

/* --- members ---------------------------------------------------------------------------------- */

static void add(struct text *t, const char *name, const char *value)
{
    const char last = t->length > 0 ? t->at[t->length - 1] : '{';
    if (last != '{') text_add_char(t, ',');
    payload_add_string(t, name);
    text_add_char(t, ':');
    payload_add_string(t, value);
}

static void add_plain(struct text *t, const char *name, const char *value)
{
    text_add(t, ",\"");
    text_add(t, name);
    text_add(t, "\":");
    text_add(t, value);
}

/* The device's name for the hub; another domain's site may have the same key. */
static void add_id(struct text *t, const struct homie *h, const char *device)
{
    if (strcmp(h->config->homie_domain, "homie") != 0) {
        text_add(t, h->config->homie_domain);
        text_add_char(t, '_');
    }
    text_add(t, device);
}

/* Opens a component: its key, platform and the name by which the hub knows it for ever. */
static void open_component(struct text *t, const struct homie *h, const struct homie_device *device,
    const char *key, const char *platform)
{
    char unique[2 * HOMIE_KEY_MAX];
    struct text u = text_over(unique, sizeof unique);
    add_id(&u, h, device->id);
    text_add_char(&u, '_');
    text_add(&u, key);
    if (t->at[t->length - 1] != '{') text_add_char(t, ',');
    payload_add_string(t, key);
    text_add(t, ":{");
    add(t, "platform", platform);
    add(t, "unique_id", unique);
}

/* --- properties ------------------------------------------------------------------------------- */

static bool is_number(enum homie_type type)
{
    return type == HOMIE_FLOAT || type == HOMIE_INTEGER || type == HOMIE_DURATION;
}

/* NULL: the hub doesn't see it. A JSON value is a number where it has a unit there, else yes or no.
 */
static const char *platform_of(const struct homie_row *row, const struct site_tank *tank)
{
    if (row->momentary || (row->type == HOMIE_JSON && !row->hub_value)) return NULL;
    if (row->what == WHAT_OVERRIDE_FOR && (!tank || tank->override_most_ms < MINUTE_MS))
        return NULL;
    if (row->type == HOMIE_BOOLEAN) return row->settable ? "switch" : "binary_sensor";
    if (row->type == HOMIE_JSON) return row->hub_unit ? "sensor" : "binary_sensor";
    return row->settable && is_number(row->type) ? "number" : "sensor";
}

static void add_limits(struct text *t, const struct homie_row *row, const struct site_tank *tank)
{
    char format[64];
    struct text f = text_over(format, sizeof format);
    if (row->what == WHAT_OVERRIDE_FOR) {
        text_add(t, ",\"min\":0,\"max\":");
        text_add_int(t, tank->override_most_ms / MINUTE_MS);
        text_add(t, ",\"step\":1");
    } else {
        homie_add_format(&f, row, tank);
        char *colon = strchr(format, ':');
        if (!colon) return;
        *colon = '\0';
        add_plain(t, "min", format);
        add_plain(t, "max", colon + 1);
        text_add(t, ",\"step\":");
        text_add_scaled(t, 1, row->decimals < 2 ? row->decimals : 2);
    }
    add(t, "mode", "box");
}

static void add_options(struct text *t, const struct homie_row *row)
{
    char format[256];
    struct text f = text_over(format, sizeof format);
    homie_add_format(&f, row, NULL);
    add(t, "device_class", "enum");
    text_add(t, ",\"options\":[\"");
    for (const char *c = format; *c; c++) {
        if (*c == ',')
            text_add(t, "\",\"");
        else
            text_add_char(t, *c);
    }
    text_add(t, "\"]");
}

static void add_truth(struct text *t, const struct homie_row *row)
{
    if (row->type != HOMIE_BOOLEAN) return; /* the hub's own ON and OFF */
    add(t, "payload_on", "true");
    add(t, "payload_off", "false");
}

static void add_kind(struct text *t, const struct homie_row *row, const struct site_tank *tank)
{
    const char *unit = row->hub_unit ? row->hub_unit : row->unit;
    if (row->type == HOMIE_ENUM) add_options(t, row);
    if (row->hub_class) add(t, "device_class", row->hub_class);
    if (unit) add(t, "unit_of_measurement", unit);
    if (row->type == HOMIE_STRING) add(t, "value_template", no_zero_byte);
    if (row->hub_value) add(t, "value_template", row->hub_value);
    const bool number = is_number(row->type) || row->hub_unit;
    if (number && !row->settable) add(t, "state_class", "measurement");
    if (number && row->settable) add_limits(t, row, tank);
    if (!number) add_truth(t, row);
    if (row->hub_aside) add(t, "entity_category", "diagnostic");
}

static void add_property(
    struct text *t, const struct homie *h, const struct homie_device *device, uint32_t index)
{
    const struct site *site = &h->config->site;
    const struct site_tank *tank = device->tank == HOMIE_ROOT ? NULL : &site->tank[device->tank];
    char key[HOMIE_KEY_MAX], topic[ROUTE_TOPIC_MAX], set[ROUTE_TOPIC_MAX + 4], name[128];
    int32_t pump;
    const struct homie_row *row = homie_property(device, index, &pump);
    if (!platform_of(row, tank)) return;
    homie_component_key(key, h, device, index);
    homie_property_topic(topic, h, device, index);
    open_component(t, h, device, key, platform_of(row, tank));
    struct text n = text_over(name, sizeof name);
    if (pump >= 0) {
        text_add(&n, site->stock[tank->pump[pump].stock].key);
        text_add(&n, ": ");
    }
    text_add(&n, row->name);
    add(t, "name", name);
    add(t, "state_topic", topic);
    if (row->type == HOMIE_JSON && row->hub_unit) add(t, "json_attributes_topic", topic);
    if (row->settable) {
        struct text s = text_over(set, sizeof set);
        text_add(&s, topic);
        text_add(&s, "/set");
        add(t, "command_topic", set);
        if (row->hub_command) add(t, "command_template", row->hub_command);
    }
    add_kind(t, row, tank);
    text_add_char(t, '}');
}

/* --- what has no property of its own ---------------------------------------------------------- */

/* dosing/state as yes or no: does something keep the tank from being dosed until a person looks? */
static void add_held(struct text *t, const struct homie *h, const struct homie_device *device)
{
    char topic[ROUTE_TOPIC_MAX];
    if (device->tank == HOMIE_ROOT) return;
    homie_topic(topic, h, device, "dosing", "state");
    open_component(t, h, device, "dosing_held", "binary_sensor");
    add(t, "name", "Kept from dosing");
    add(t, "device_class", "problem");
    add(t, "state_topic", topic);
    add(t, "value_template",
        "{{ 'ON' if value in ['interlocked', 'locked', 'halted'] else 'OFF' }}");
    text_add_char(t, '}');
}

/* For automations: something happens whenever an alert of the device comes or goes. */
static void add_event(struct text *t, const struct homie *h, const struct homie_device *device)
{
    char topic[ROUTE_TOPIC_MAX];
    homie_topic(topic, h, device, "$alert", "+");
    open_component(t, h, device, "alerts", "event");
    add(t, "name", "Alerts");
    add(t, "state_topic", topic);
    text_add(t, ",\"event_types\":[\"raised\",\"over\"]");
    add(t, "value_template",
        "{{ {'event_type': 'raised' if value else 'over', 'text': value} | tojson }}");
    text_add_char(t, '}');
}

/* A request wants an id of its own each time. */
static void add_acknowledge(
    struct text *t, const struct homie *h, const struct homie_device *device, const char *id)
{
    char key[HOMIE_KEY_MAX], text[256];
    struct text k = text_over(key, sizeof key);
    homie_alert_key(&k, id);
    text_add(&k, "_acknowledge");
    open_component(t, h, device, key, "button");
    struct text x = text_over(text, sizeof text);
    text_add(&x, "Acknowledge ");
    text_add(&x, id);
    add(t, "name", text);
    homie_topic(text, h, &h->device[0], "request", "call/set");
    add(t, "command_topic", text);
    x = text_over(text, sizeof text);
    text_add(&x, "{\"id\":\"hub-{{ (now().timestamp() * 1000) | int }}\",\"request\":"
                 "\"acknowledge\",\"alert\":\"");
    text_add(&x, id);
    text_add(&x, "\"}");
    add(t, "command_template", text);
    text_add_char(t, '}');
}

/* An alert is there as long as it stands. */
static void add_alert(
    struct text *t, const struct homie *h, const struct homie_device *device, const char *id)
{
    char key[HOMIE_KEY_MAX], text[ROUTE_TOPIC_MAX];
    struct text k = text_over(key, sizeof key);
    homie_alert_key(&k, id);
    open_component(t, h, device, key, "binary_sensor");
    struct text x = text_over(text, sizeof text);
    text_add(&x, "Alert ");
    text_add(&x, id);
    add(t, "name", text);
    add(t, "device_class", "problem");
    homie_topic(text, h, device, "$alert", id);
    add(t, "state_topic", text);
    add(t, "value_template", "{{ 'ON' if value else 'OFF' }}");
    add(t, "json_attributes_topic", text);
    add(t, "json_attributes_template", "{{ {'text': value} | tojson }}");
    text_add_char(t, '}');
    add_acknowledge(t, h, device, id);
}

static void add_alerts(struct text *t, const struct homie *h, const struct homie_device *device)
{
    for (uint32_t i = 0; i < h->alert_count; i++) {
        const struct homie_alert *a = &h->alert[i];
        if (homie_alert_device(h, a->tank) == device && a->known) add_alert(t, h, device, a->id);
    }
}

/* --- the document ----------------------------------------------------------------------------- */

static void add_state(struct text *t, const struct homie *h, const struct homie_device *device)
{
    char topic[ROUTE_TOPIC_MAX];
    homie_topic(topic, h, device, "$state", NULL);
    text_add_char(t, '{');
    add(t, "topic", topic);
    add(t, "value_template", is_ready);
    text_add_char(t, '}');
}

static void add_device(struct text *t, const struct homie *h, const struct homie_device *device)
{
    const struct site *site = &h->config->site;
    const bool root = device->tank == HOMIE_ROOT;
    char id[2 * HOMIE_ID_MAX];
    struct text x = text_over(id, sizeof id);
    add_id(&x, h, device->id);
    text_add(t, "{\"device\":{\"identifiers\":[");
    payload_add_string(t, id);
    text_add_char(t, ']');
    add(t, "name", root ? site->name : site->tank[device->tank].name);
    add(t, "model", root ? "Site" : "Tank");
    x = text_over(id, sizeof id);
    add_id(&x, h, h->device[0].id);
    if (!root) add(t, "via_device", id);
    text_add(t, "},\"origin\":{");
    add(t, "name", "dosewright");
    text_add(t, "},\"availability\":[");
    add_state(t, h, &h->device[0]);
    if (!root) {
        text_add_char(t, ',');
        add_state(t, h, device);
    }
    text_add_char(t, ']');
    add(t, "availability_mode", "all");
    text_add(t, ",\"qos\":1,\"components\":{");
}

void homie_component_key(char ret[HOMIE_KEY_MAX], const struct homie *h,
    const struct homie_device *device, uint32_t index)
{
    char topic[ROUTE_TOPIC_MAX];
    size_t length;
    const char *rest;
    homie_property_topic(topic, h, device, index);
    (void)homie_id_of(h, topic, &length, &rest);
    struct text t = text_over(ret, HOMIE_KEY_MAX);
    for (; *rest; rest++) {
        text_add_char(&t, *rest == '/' ? '_' : *rest);
    }
}

void homie_alert_key(struct text *t, const char *id)
{
    text_add(t, "alert_");
    text_add(t, id);
}

const char *homie_row_platform(const struct homie_row *row, const struct site_tank *tank)
{
    return platform_of(row, tank);
}

const char *homie_component_platform(
    const struct homie *h, const struct homie_device *device, uint32_t index)
{
    int32_t pump;
    const struct homie_row *row = homie_property(device, index, &pump);
    return platform_of(
        row, device->tank == HOMIE_ROOT ? NULL : &h->config->site.tank[device->tank]);
}

struct text homie_announcement(struct homie *h, const struct homie_device *device)
{
    struct text t = text_over(h->announcement, h->announcement_size);
    add_device(&t, h, device);
    for (uint32_t i = 0; i < device->slots; i++) {
        if (h->slot[device->slot + i].described) add_property(&t, h, device, i);
    }
    add_held(&t, h, device);
    add_event(&t, h, device);
    add_alerts(&t, h, device);
    homie_add_departed_components(&t, h, device);
    text_add(&t, "}}");
    return t;
}

size_t homie_announcement_room(void)
{
    const size_t properties = homie_tank_count() + (size_t)TANK_PUMPS_MAX * homie_stock_count();
    const size_t others = 2 + 2 * HOMIE_ALERTS_MAX + HOMIE_STUBS_MAX;
    return ROOM_FOR_HEAD + (properties + others) * ROOM_FOR_COMPONENT;
}
