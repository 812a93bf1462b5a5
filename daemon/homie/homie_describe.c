/* Device descriptions, as Homie 5 wants them: one JSON document a device. */
#include <string.h>

#include "daemon/homie/homie_inside.h"
#include "daemon/payload/payload.h"

enum { ROOM_FOR_DEVICE = 12 * 1024, ROOM_FOR_PROPERTY = 320, ROOM_FOR_CHILD = HOMIE_ID_MAX + 3 };

uint64_t homie_print(const char *bytes, size_t length)
{
    uint64_t print = UINT64_C(0xcbf29ce484222325);
    for (size_t i = 0; i < length; i++) {
        print = (print ^ (unsigned char)bytes[i]) * UINT64_C(0x100000001b3);
    }
    return print;
}

/* --- topics ----------------------------------------------------------------------------------- */

void homie_topic(char ret[ROUTE_TOPIC_MAX], const struct homie *h,
    const struct homie_device *device, const char *first, const char *second)
{
    char level[ROUTE_TOPIC_MAX];
    struct text t = text_over(level, sizeof level);
    text_add(&t, first);
    if (second) {
        text_add_char(&t, '/');
        text_add(&t, second);
    }
    route_topic(ret, h->config, device->id, level);
}

const struct homie_row *homie_property(
    const struct homie_device *device, uint32_t index, int32_t *ret_pump)
{
    *ret_pump = -1;
    if (device->tank == HOMIE_ROOT) return homie_site_row(index);
    if (index < homie_tank_count()) return homie_tank_row(index);
    const uint32_t rest = index - homie_tank_count();
    *ret_pump = (int32_t)(rest / homie_stock_count());
    return homie_stock_row(rest % homie_stock_count());
}

/* The node of a property: a stock's has the stock's key in it. */
static void add_node(
    struct text *t, const struct homie *h, const struct homie_device *device, uint32_t index)
{
    int32_t pump;
    const struct homie_row *row = homie_property(device, index, &pump);
    text_add(t, row->node);
    if (pump < 0) return;
    const struct site *site = &h->config->site;
    text_add(t, site->stock[site->tank[device->tank].pump[pump].stock].key);
}

void homie_property_topic(char ret[ROUTE_TOPIC_MAX], const struct homie *h,
    const struct homie_device *device, uint32_t index)
{
    char node[HOMIE_ID_MAX];
    struct text t = text_over(node, sizeof node);
    add_node(&t, h, device, index);
    int32_t pump;
    homie_topic(ret, h, device, node, homie_property(device, index, &pump)->property);
}

/* --- the document ----------------------------------------------------------------------------- */

static void add_member(struct text *t, const char *name, const char *value)
{
    text_add(t, ",\"");
    text_add(t, name);
    text_add(t, "\":");
    payload_add_string(t, value);
}

static void add_property(struct text *t, const struct homie_row *row, const struct site_tank *tank)
{
    payload_add_string(t, row->property);
    text_add(t, ":{\"name\":");
    payload_add_string(t, row->name);
    add_member(t, "datatype", homie_type_word(row->type));
    if (row->unit) add_member(t, "unit", row->unit);
    if (row->format != HOMIE_ANY) {
        char format[256];
        struct text f = text_over(format, sizeof format);
        homie_add_format(&f, row, tank);
        add_member(t, "format", format);
    }
    if (row->settable) text_add(t, ",\"settable\":true");
    if (row->momentary) text_add(t, ",\"retained\":false");
    text_add_char(t, '}');
}

/* Are two properties of one node? Rows of a node stand together. */
static bool same_node(const struct homie_device *device, uint32_t a, uint32_t b)
{
    int32_t pump_a, pump_b;
    const struct homie_row *row_a = homie_property(device, a, &pump_a);
    const struct homie_row *row_b = homie_property(device, b, &pump_b);
    return pump_a == pump_b && strcmp(row_a->node, row_b->node) == 0;
}

static void add_nodes(struct text *t, const struct homie *h, const struct homie_device *device)
{
    const struct site_tank *tank =
        device->tank == HOMIE_ROOT ? NULL : &h->config->site.tank[device->tank];
    int64_t last = -1;
    text_add(t, ",\"nodes\":{");
    for (uint32_t i = 0; i < device->slots; i++) {
        if (!h->slot[device->slot + i].described) continue;
        if (last >= 0 && same_node(device, (uint32_t)last, i)) {
            text_add_char(t, ',');
        } else {
            text_add(t, last >= 0 ? "}},\"" : "\"");
            add_node(t, h, device, i);
            text_add(t, "\":{\"properties\":{");
        }
        int32_t pump;
        add_property(t, homie_property(device, i, &pump), tank);
        last = i;
    }
    text_add(t, last >= 0 ? "}}}" : "}");
}

static void add_children(struct text *t, const struct homie *h)
{
    text_add(t, ",\"children\":[");
    for (uint32_t i = 1; i < h->device_count; i++) {
        if (i > 1) text_add_char(t, ',');
        payload_add_string(t, h->device[i].id);
    }
    text_add_char(t, ']');
}

struct text homie_describe(struct homie *h, const struct homie_device *device, int64_t version)
{
    const struct site *site = &h->config->site;
    struct text t = text_over(h->description, h->description_size);
    text_add(&t, "{\"homie\":\"5.0\",\"version\":");
    text_add_int(&t, version);
    add_member(&t, "name", device->tank == HOMIE_ROOT ? site->name : site->tank[device->tank].name);
    if (device->tank == HOMIE_ROOT)
        add_children(&t, h);
    else
        add_member(&t, "root", site->key);
    text_add(&t, ",\"extensions\":[]");
    add_nodes(&t, h, device);
    text_add_char(&t, '}');
    return t;
}

/* Six bytes for each of a name's, as escapes can take. */
size_t homie_description_room(const struct config *config)
{
    const struct site *site = &config->site;
    size_t name = strlen(site->name);
    for (uint32_t i = 0; i < site->tank_count; i++) {
        const size_t length = strlen(site->tank[i].name);
        if (length > name) name = length;
    }
    const size_t properties =
        (homie_tank_count() + (size_t)TANK_PUMPS_MAX * homie_stock_count()) * ROOM_FOR_PROPERTY;
    return ROOM_FOR_DEVICE + 6 * name + properties + (size_t)site->tank_count * ROOM_FOR_CHILD;
}
