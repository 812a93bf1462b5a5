/* What is published, and in which order. */
#include <stdlib.h>
#include <string.h>

#include "daemon/homie/homie_inside.h"
#include "lib/base/invariant.h"

/* When it says no, whoever called stops there and goes on next time. */
bool homie_send(struct homie *h, const struct homie_world *w, const char *topic,
    const char *payload, size_t length)
{
    if (h->room <= 0) return false;
    const struct mqtt_publish p = {
        .topic = topic, .payload = payload, .length = length, .qos = 1, .retained = true
    };
    if (w->send(w->context, &p) != MQTT_SENT) return false;
    h->room--;
    return true;
}

static bool send_state(struct homie *h, const struct homie_world *w,
    const struct homie_device *device, const char *state)
{
    char topic[ROUTE_TOPIC_MAX];
    homie_topic(topic, h, device, "$state", NULL);
    return homie_send(h, w, topic, state, strlen(state));
}

/* --- values ----------------------------------------------------------------------------------- */

struct looked { /* a device as it is now */
    const struct homie_views *views;
    struct homie_source source;
};

static bool value_of(struct homie *h, const struct homie_device *device, uint32_t index,
    struct looked *l, const struct homie_row **ret_row)
{
    int32_t pump;
    *ret_row = homie_property(device, index, &pump);
    l->source.stock = pump >= 0 ? &l->views->stock[pump] : NULL;
    return homie_value(&h->value, *ret_row, &l->source);
}

static bool is_news(const struct homie *h, const struct homie_slot *slot,
    const struct homie_row *row, const struct homie_world *w, const struct tank_view *tank)
{
    if (!slot->said || slot->again) return true;
    const struct homie_value *v = &h->value;
    const int64_t move =
        v->scaled > slot->scaled ? v->scaled - slot->scaled : slot->scaled - v->scaled;
    const bool changed = row->type == HOMIE_FLOAT ? move > 0 && move >= row->resolution
                                                  : homie_print(v->text, v->length) != slot->print;
    if (changed) return true;
    /* what isn't trusted now isn't said again as if it were new */
    if (row->measured && tank->probe[row->quantity].quality != PROBE_GOOD) return false;
    return row->refresh && mono_since(w->now.mono, slot->at) >= HOMIE_REFRESH_MS;
}

static bool say_value(
    struct homie *h, const struct homie_world *w, const struct homie_device *device, uint32_t index)
{
    char topic[ROUTE_TOPIC_MAX];
    homie_property_topic(topic, h, device, index);
    if (!homie_send(h, w, topic, h->value.text, h->value.length)) return false;
    struct homie_slot *slot = &h->slot[device->slot + index];
    slot->print = homie_print(h->value.text, h->value.length);
    slot->scaled = h->value.scaled;
    slot->at = w->now.mono;
    slot->said = true;
    slot->again = false;
    return true;
}

/* Says every described value that is news; false when it was broken off. */
static bool say_values(
    struct homie *h, const struct homie_world *w, struct homie_device *device, struct looked *l)
{
    for (uint32_t i = 0; i < device->slots; i++) {
        const struct homie_slot *slot = &h->slot[device->slot + i];
        const struct homie_row *row;
        if (!slot->described || !value_of(h, device, i, l, &row)) continue;
        if (!is_news(h, slot, row, w, l->source.tank)) continue;
        if (!say_value(h, w, device, i)) return false;
    }
    return true;
}

/* Has a property a value that isn't in the description? */
static bool has_newcomer(struct homie *h, const struct homie_device *device, struct looked *l)
{
    for (uint32_t i = 0; i < device->slots; i++) {
        const struct homie_row *row;
        if (!h->slot[device->slot + i].described && value_of(h, device, i, l, &row)) return true;
    }
    return false;
}

/* --- descriptions ----------------------------------------------------------------------------- */

static uint64_t description_print(struct homie *h, const struct homie_device *device)
{
    const struct text t = homie_describe(h, device, 0);
    INVARIANT(!t.cut);
    return homie_print(t.at, t.length);
}

/* A changed description gets a higher version, as Homie asks: the time of day, or one more where
 * that isn't higher (a board without a clock). */
static bool say_description(
    struct homie *h, const struct homie_world *w, struct homie_device *device, struct looked *l)
{
    for (uint32_t i = 0; i < device->slots; i++) {
        struct homie_slot *slot = &h->slot[device->slot + i];
        const struct homie_row *row;
        const bool has = value_of(h, device, i, l, &row);
        if (has || row->momentary) slot->described = true;
    }
    const uint64_t print = description_print(h, device);
    int64_t version = device->version;
    if (print != device->description) {
        const int64_t seconds = w->now.civil.ms / SECOND_MS;
        version = seconds > version ? seconds : version + 1;
    }
    char topic[ROUTE_TOPIC_MAX];
    homie_topic(topic, h, device, "$description", NULL);
    const struct text t = homie_describe(h, device, version);
    if (!homie_send(h, w, topic, t.at, t.length)) return false;
    device->description = print;
    device->version = version;
    device->announce = true;
    return true;
}

static bool children_live(const struct homie *h)
{
    for (uint32_t i = 1; i < h->device_count; i++) {
        if (h->device[i].stage != STAGE_LIVE) return false;
    }
    return true;
}

/* Homie: children are complete before their parent names them, and those that it no longer names
 * are gone before. */
static bool must_wait(const struct homie *h, const struct homie_device *device)
{
    if (device->tank != HOMIE_ROOT || device->stage != STAGE_DESCRIBE) return false;
    return !children_live(h) || h->sweep.departed_count > 0;
}

static bool go_on(
    struct homie *h, const struct homie_world *w, struct homie_device *device, struct looked *l)
{
    if (device->stage == STAGE_INIT) {
        if (!send_state(h, w, device, "init")) return false;
        device->stage = STAGE_DESCRIBE;
    }
    if (device->stage == STAGE_DESCRIBE) {
        if (must_wait(h, device)) return true;
        if (!say_description(h, w, device, l)) return false;
        device->stage = STAGE_VALUES;
    }
    if (device->stage == STAGE_VALUES) {
        if (!say_values(h, w, device, l)) return false;
        device->stage = STAGE_READY;
    }
    if (device->stage == STAGE_READY) {
        if (!send_state(h, w, device, "ready")) return false;
        device->stage = STAGE_LIVE;
    }
    return true;
}

static bool show_device(struct homie *h, const struct homie_world *w, uint32_t index)
{
    struct homie_views views;
    struct homie_device *device = &h->device[index];
    w->look(w->context, device->tank, &views);
    struct looked l = { .views = &views,
        .source = { .site = &views.site,
            .config = h->site_config,
            .tip = &h->tip,
            .tank = device->tank == HOMIE_ROOT ? NULL : &views.tank } };
    if (device->stage == STAGE_LIVE) {
        const bool other = device->recheck && description_print(h, device) != device->description;
        device->recheck = false;
        if (!other && !has_newcomer(h, device, &l)) return say_values(h, w, device, &l);
        device->stage = STAGE_INIT;
    }
    return go_on(h, w, device, &l);
}

/* Does this row show that probe and nothing else? */
static bool is_of_probe(const struct homie_row *row, enum probe_quantity quantity)
{
    if (row->quantity != quantity || row->what == WHAT_VPD) return false;
    return row->measured || row->format == HOMIE_QUALITIES;
}

bool homie_show_probe(
    struct homie *h, const struct homie_world *w, uint32_t tank, enum probe_quantity quantity)
{
    struct homie_device *device = &h->device[tank + 1];
    if (device->stage != STAGE_LIVE || device->recheck) return true; /* the next look says it */
    w->probe(w->context, tank, quantity, &h->glimpse.probe[quantity]);
    const struct homie_source source = { .tank = &h->glimpse };
    for (uint32_t i = 0; i < homie_tank_count(); i++) {
        const struct homie_row *row = homie_tank_row(i);
        const struct homie_slot *slot = &h->slot[device->slot + i];
        if (!is_of_probe(row, quantity) || !slot->described) continue;
        if (!homie_value(&h->value, row, &source)) continue;
        if (is_news(h, slot, row, w, &h->glimpse) && !say_value(h, w, device, i)) return false;
    }
    return true;
}

/* --- alerts ----------------------------------------------------------------------------------- */

static uint32_t device_of(const struct homie *h, int32_t tank)
{
    return tank >= 0 && (uint32_t)tank + 1 < h->device_count ? (uint32_t)tank + 1 : 0;
}

const struct homie_device *homie_alert_device(const struct homie *h, int32_t tank)
{
    return &h->device[device_of(h, tank)];
}

static bool send_alert(
    struct homie *h, const struct homie_world *w, uint32_t device, const char *id, const char *text)
{
    char topic[ROUTE_TOPIC_MAX];
    homie_topic(topic, h, &h->device[device], "$alert", id);
    return homie_send(h, w, topic, text, strlen(text));
}

static struct homie_alert *find_alert(struct homie *h, const struct alert_view *view)
{
    for (uint32_t i = 0; i < h->alert_count; i++) {
        struct homie_alert *a = &h->alert[i];
        if (a->tank == view->tank && strcmp(a->id, view->id) == 0) return a;
    }
    if (h->alert_count == HOMIE_ALERTS_MAX) return NULL;
    struct homie_alert *a = &h->alert[h->alert_count++];
    *a = (struct homie_alert){ .tank = view->tank };
    (void)text_copy(a->id, sizeof a->id, view->id);
    return a;
}

static bool show_alert(struct homie *h, const struct homie_world *w, const struct alert_view *view)
{
    struct homie_alert *a = find_alert(h, view);
    if (!a) return true;
    const uint64_t print = homie_print(view->text, strlen(view->text));
    a->stands = true;
    if (a->said && a->print == print) return true;
    a->print = print;
    a->said = false;
    const bool came = !a->known;
    if (!send_alert(h, w, device_of(h, view->tank), view->id, view->text)) return false;
    a->said = a->known = true;
    if (came) h->device[device_of(h, view->tank)].announce = true;
    return true;
}

static bool is_standing(const struct homie *h, const struct homie_ghost *ghost)
{
    for (uint32_t i = 0; i < h->alert_count; i++) {
        const struct homie_alert *a = &h->alert[i];
        if (device_of(h, a->tank) == ghost->device && strcmp(a->id, ghost->id) == 0) return true;
    }
    return false;
}

/* Those that no longer stand, and those that a former life left on the broker. */
static bool clear_alerts(struct homie *h, const struct homie_world *w)
{
    for (uint32_t i = 0; i < h->alert_count;) {
        const struct homie_alert *a = &h->alert[i];
        if (a->stands) {
            i++;
            continue;
        }
        if (!send_alert(h, w, device_of(h, a->tank), a->id, "")) return false;
        if (a->known) homie_alert_gone(h, a);
        h->alert[i] = h->alert[--h->alert_count];
    }
    while (h->ghost_count > 0) {
        const struct homie_ghost *ghost = &h->ghost[h->ghost_count - 1];
        if (!is_standing(h, ghost) && !send_alert(h, w, ghost->device, ghost->id, "")) return false;
        h->ghost_count--;
    }
    return true;
}

static bool show_alerts(struct homie *h, const struct homie_world *w)
{
    struct alert_view view;
    bool all = true;
    for (uint32_t i = 0; i < h->alert_count; i++) {
        h->alert[i].stands = false;
    }
    for (uint32_t i = 0; i < HOMIE_ALERTS_MAX && w->alert(w->context, i, &view); i++) {
        all = show_alert(h, w, &view) && all;
    }
    return clear_alerts(h, w) && all;
}

/* --- the whole -------------------------------------------------------------------------------- */

static bool clear_topics(struct homie *h, const struct homie_world *w)
{
    while (h->clear_at < h->clear_bytes) {
        const char *topic = h->clear + h->clear_at;
        if (!homie_send(h, w, topic, "", 0)) return false;
        h->clear_at += strlen(topic) + 1;
    }
    free(h->clear);
    h->clear = NULL;
    h->clear_bytes = h->clear_at = 0;
    return true;
}

bool homie_show(struct homie *h, const struct homie_world *world)
{
    h->room = HOMIE_MESSAGES_MOST;
    homie_sweep_turn(h, world->now.mono);
    homie_discovery_turn(h, world->now.mono);
    if (!clear_topics(h, world)) return false;
    if (!show_alerts(h, world)) return false;
    if (h->device[0].stage == STAGE_INIT && !show_device(h, world, 0)) return false;
    bool all = true;
    uint32_t most = h->device_count < HOMIE_DEVICES_MOST ? h->device_count : HOMIE_DEVICES_MOST;
    for (; most > 0; most--) {
        if (!show_device(h, world, h->cursor)) return false;
        if (!homie_announce(h, world, &h->device[h->cursor])) return false;
        all = all && !h->device[h->cursor].announce;
        h->cursor = (h->cursor + 1) % h->device_count;
    }
    return all && h->device_count <= HOMIE_DEVICES_MOST && h->device[0].stage == STAGE_LIVE;
}
