/* From one configuration's devices to the next one's. */
#include <stdlib.h>
#include <string.h>

#include "daemon/base/log.h"
#include "daemon/homie/homie_inside.h"

void homie_clear_later(struct homie *h, const char *topic)
{
    const size_t length = strlen(topic) + 1;
    char *more = realloc(h->clear, h->clear_bytes + length);
    if (!more) {
        log_format(LOG_WARNED, "no memory to remove %s from the broker: it stays there", topic);
        return;
    }
    memcpy(more + h->clear_bytes, topic, length);
    h->clear = more;
    h->clear_bytes += length;
}

static void clear_property(
    struct homie *fresh, const struct homie *old, const struct homie_device *device, uint32_t index)
{
    char topic[ROUTE_TOPIC_MAX];
    const struct homie_slot *slot = &old->slot[device->slot + index];
    if (!slot->described) return;
    homie_property_topic(topic, old, device, index);
    homie_clear_later(fresh, topic);
}

/* Homie: an empty $state removes the device, then the rest is cleared. What says whose it is goes
 * last: after a crash in between the next start knows it by that (homie_sweep.c). */
static void clear_device(
    struct homie *fresh, const struct homie *old, const struct homie_device *device)
{
    char topic[ROUTE_TOPIC_MAX];
    homie_topic(topic, old, device, "$state", NULL);
    homie_clear_later(fresh, topic);
    for (uint32_t i = 0; i < device->slots; i++) {
        clear_property(fresh, old, device, i);
    }
    for (uint32_t i = 0; i < old->alert_count; i++) {
        if (old->alert[i].tank != device->tank) continue;
        homie_topic(topic, old, device, "$alert", old->alert[i].id);
        homie_clear_later(fresh, topic);
    }
    homie_topic(topic, old, device, "$description", NULL);
    homie_clear_later(fresh, topic);
}

/* Where the same property stands in the other configuration's device; -1: nowhere. */
static int64_t find_property(const struct homie *to, const struct homie_device *device,
    const struct homie *from, const struct homie_device *other, uint32_t index)
{
    char topic[ROUTE_TOPIC_MAX], candidate[ROUTE_TOPIC_MAX];
    if (other->tank == HOMIE_ROOT || index < homie_tank_count()) return index;
    homie_property_topic(topic, from, other, index);
    for (uint32_t i = homie_tank_count(); i < device->slots; i++) {
        homie_property_topic(candidate, to, device, i);
        if (strcmp(topic, candidate) == 0) return i;
    }
    return -1;
}

static void take_over(struct homie *fresh, struct homie_device *device, const struct homie *old,
    const struct homie_device *former)
{
    device->stage = former->stage;
    device->announce = device->announce || former->announce;
    device->description = former->description;
    device->version = former->version;
    device->recheck = true;
    for (uint32_t i = 0; i < former->slots; i++) {
        const int64_t place = find_property(fresh, device, old, former, i);
        if (place < 0) {
            clear_property(fresh, old, former, i);
            homie_property_gone(fresh, device, old, former, i);
        } else {
            fresh->slot[device->slot + place] = old->slot[former->slot + i];
        }
    }
}

static void take_alerts(struct homie *fresh, const struct homie *old)
{
    for (uint32_t i = 0; i < old->alert_count; i++) {
        struct homie_alert a = old->alert[i];
        if (a.tank >= 0) {
            const struct homie_device *device =
                homie_find_device(fresh, old->device[a.tank + 1].id);
            if (!device) continue;
            a.tank = device->tank;
        }
        fresh->alert[fresh->alert_count++] = a;
    }
}

void homie_reload(struct homie *fresh, const struct homie *old)
{
    fresh->connected = old->connected;
    fresh->has_beat = old->has_beat;
    fresh->beat_at = old->beat_at;
    fresh->tip = old->tip;
    memcpy(fresh->site_config, old->site_config, sizeof fresh->site_config);
    for (size_t at = old->clear_at; at < old->clear_bytes; at += strlen(old->clear + at) + 1) {
        homie_clear_later(fresh, old->clear + at);
    }
    homie_discovery_take(fresh, old);
    for (uint32_t i = 0; i < old->device_count; i++) {
        struct homie_device *device = homie_find_device(fresh, old->device[i].id);
        if (device)
            take_over(fresh, device, old, &old->device[i]);
        else
            clear_device(fresh, old, &old->device[i]);
    }
    take_alerts(fresh, old);
    homie_sweep_take(fresh, old);
}
