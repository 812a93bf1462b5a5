/* When a home hub is told what: a document for each device once it is complete, again when its
 * description or its alerts change and when the hub has come up; an empty one when a device goes.
 * It is kept by the broker, so a hub that comes later finds it. */
#include <stdlib.h>
#include <string.h>

#include "daemon/base/log.h"
#include "daemon/homie/homie_inside.h"
#include "lib/base/text.h"

enum { BIRTH_EVERY_MS = 5000 };

static void topic_at(
    char ret[ROUTE_TOPIC_MAX], const struct homie *h, const char *prefix, const char *device)
{
    struct text t = text_over(ret, ROUTE_TOPIC_MAX);
    text_add(&t, prefix);
    text_add(&t, "/device/");
    if (strcmp(h->config->homie_domain, "homie") != 0) {
        text_add(&t, h->config->homie_domain);
        text_add_char(&t, '_');
    }
    text_add(&t, device);
    text_add(&t, "/config");
}

void homie_withdraw(struct homie *h, const char *prefix, const char *device)
{
    char topic[ROUTE_TOPIC_MAX];
    if (!prefix || !prefix[0]) return;
    topic_at(topic, h, prefix, device);
    homie_clear_later(h, topic);
}

void homie_withdraw_all(struct homie *h, const char *prefix)
{
    h->former_prefix = prefix;
    for (uint32_t i = 0; i < h->device_count; i++) {
        homie_withdraw(h, prefix, h->device[i].id);
    }
}

bool homie_clearing(const struct homie *h)
{
    return !h->connected || !h->sweep.over || h->clear_at < h->clear_bytes;
}

/* --- components that go ----------------------------------------------------------------------- */

/* Without room the hub keeps it until its next start. */
static void add_stub(
    struct homie *h, const struct homie_device *device, const char *key, const char *platform)
{
    if (!h->config->discovery_prefix || h->stub_count == HOMIE_STUBS_MAX) return;
    struct homie_stub *s = &h->stub[h->stub_count];
    s->platform = platform;
    s->device = (uint32_t)(device - h->device);
    if (text_copy(s->key, sizeof s->key, key)) h->stub_count++;
}

void homie_property_gone(struct homie *h, struct homie_device *device, const struct homie *old,
    const struct homie_device *former, uint32_t index)
{
    char key[HOMIE_KEY_MAX];
    const char *platform = homie_component_platform(old, former, index);
    if (!platform || !old->slot[former->slot + index].described) return;
    homie_component_key(key, old, former, index);
    add_stub(h, device, key, platform);
}

/* A stock's key, then '/' and one of a stock's properties: no other name came from this daemon. */
static const struct homie_row *stock_property(const char *rest)
{
    static const char node[] = "stock-";
    static const char allowed[] = "abcdefghijklmnopqrstuvwxyz0123456789-";
    const size_t length = sizeof node - 1 + strspn(rest + sizeof node - 1, allowed);
    if (length == sizeof node - 1 || rest[length] != '/') return NULL;
    for (uint32_t i = 0; i < homie_stock_count(); i++) {
        const struct homie_row *row = homie_stock_row(i);
        if (text_same(row->property, rest + length + 1)) return row;
    }
    return NULL;
}

void homie_kept_gone(struct homie *h, struct homie_device *device, const char *rest)
{
    char key[HOMIE_KEY_MAX];
    if (device->tank == HOMIE_ROOT || strncmp(rest, "stock-", 6) != 0) return;
    const struct homie_row *row = stock_property(rest);
    if (!row) return;
    struct text t = text_over(key, sizeof key);
    for (; *rest; rest++) {
        text_add_char(&t, *rest == '/' ? '_' : *rest);
    }
    if (t.cut) return;
    add_stub(h, device, key, homie_row_platform(row, &h->config->site.tank[device->tank]));
    device->announce = true;
}

void homie_alert_gone(struct homie *h, const struct homie_alert *alert)
{
    char key[HOMIE_KEY_MAX];
    struct homie_device *device = &h->device[homie_alert_device(h, alert->tank) - h->device];
    struct text t = text_over(key, sizeof key);
    homie_alert_key(&t, alert->id);
    add_stub(h, device, key, "binary_sensor");
    text_add(&t, "_acknowledge");
    add_stub(h, device, key, "button");
    device->announce = true;
}

/* Has an alert come again since it went? */
static bool is_back(const struct homie *h, const struct homie_stub *s)
{
    char key[HOMIE_KEY_MAX];
    for (uint32_t i = 0; i < h->alert_count; i++) {
        const struct homie_alert *a = &h->alert[i];
        if (!a->known || homie_alert_device(h, a->tank) != &h->device[s->device]) continue;
        struct text t = text_over(key, sizeof key);
        homie_alert_key(&t, a->id);
        if (strncmp(s->key, key, t.length) == 0 &&
            (s->key[t.length] == '\0' || strcmp(s->key + t.length, "_acknowledge") == 0))
            return true;
    }
    return false;
}

/* Has a stock come back, by a reload? */
static bool is_described(const struct homie *h, const struct homie_stub *s)
{
    char key[HOMIE_KEY_MAX];
    const struct homie_device *device = &h->device[s->device];
    for (uint32_t i = 0; i < device->slots; i++) {
        if (!h->slot[device->slot + i].described) continue;
        homie_component_key(key, h, device, i);
        if (text_same(key, s->key)) return true;
    }
    return false;
}

void homie_add_departed_components(
    struct text *t, const struct homie *h, const struct homie_device *device)
{
    for (uint32_t i = 0; i < h->stub_count; i++) {
        const struct homie_stub *s = &h->stub[i];
        if (&h->device[s->device] != device || is_back(h, s) || is_described(h, s)) continue;
        text_add(t, ",\"");
        text_add(t, s->key);
        text_add(t, "\":{\"platform\":\"");
        text_add(t, s->platform);
        text_add(t, "\"}");
    }
}

static bool forget_stubs(struct homie *h, const struct homie_device *device)
{
    uint32_t kept = 0;
    for (uint32_t i = 0; i < h->stub_count; i++) {
        if (&h->device[h->stub[i].device] != device) h->stub[kept++] = h->stub[i];
    }
    const bool some = kept < h->stub_count;
    h->stub_count = kept;
    return some;
}

/* --- the hub ---------------------------------------------------------------------------------- */

void homie_birth_filter(char ret[ROUTE_TOPIC_MAX], const struct homie *h)
{
    struct text t = text_over(ret, ROUTE_TOPIC_MAX);
    text_add(&t, h->config->discovery_prefix);
    text_add(&t, "/status");
}

bool homie_hear_birth(struct homie *h, const struct mqtt_message *m)
{
    char topic[ROUTE_TOPIC_MAX];
    if (!h->config->discovery_prefix) return false;
    homie_birth_filter(topic, h);
    if (strcmp(m->topic, topic) != 0) return false;
    if (!m->retained && m->length == 6 && memcmp(m->payload, "online", 6) == 0) h->birth = true;
    return true;
}

void homie_announce_all(struct homie *h)
{
    for (uint32_t i = 0; i < h->device_count; i++) {
        h->device[i].announce = true;
    }
}

/* A hub that comes up again and again is answered every few seconds. */
void homie_discovery_turn(struct homie *h, struct mono now)
{
    if (!h->birth || (h->has_birth && mono_since(now, h->birth_at) < BIRTH_EVERY_MS)) return;
    h->birth = false;
    h->has_birth = true;
    h->birth_at = now;
    homie_announce_all(h);
}

bool homie_announce(struct homie *h, const struct homie_world *w, struct homie_device *device)
{
    char topic[ROUTE_TOPIC_MAX];
    if (!h->config->discovery_prefix) device->announce = false;
    if (!device->announce || device->stage != STAGE_LIVE) return true;
    topic_at(topic, h, h->config->discovery_prefix, device->id);
    const struct text t = homie_announcement(h, device);
    if (t.cut) {
        log_format(LOG_WARNED, "%s is too large to be announced to a home hub", device->id);
        device->announce = false;
        return true;
    }
    if (!homie_send(h, w, topic, t.at, t.length)) return false;
    device->announce = forget_stubs(h, device); /* then once more, without what has gone */
    return true;
}

void homie_discovery_take(struct homie *fresh, const struct homie *old)
{
    const char *before = old->config->discovery_prefix, *now = fresh->config->discovery_prefix;
    fresh->birth = old->birth;
    fresh->has_birth = old->has_birth;
    fresh->birth_at = old->birth_at;
    const bool same = before && now && text_same(before, now);
    if (!same) homie_announce_all(fresh);
    for (uint32_t i = 0; before && i < old->device_count; i++) {
        const char *id = old->device[i].id;
        if (!same || !homie_find_device(fresh, id)) homie_withdraw(fresh, before, id);
    }
    for (uint32_t i = 0; same && i < old->stub_count; i++) {
        const struct homie_stub *s = &old->stub[i];
        struct homie_device *device = homie_find_device(fresh, old->device[s->device].id);
        if (device) add_stub(fresh, device, s->key, s->platform);
    }
}
