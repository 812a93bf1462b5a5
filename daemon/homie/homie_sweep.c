/* What a former life of this daemon left on the broker, found and removed.
 *
 * For some seconds after each connect everything that is kept below the site's own devices is
 * listened to: a window of devices at a time. What isn't described by then is cleared. The site's
 * own former description names the children it had; one that isn't configured any more has
 * departed. It is cleared when its description says that its root is this site: another site's
 * device may have the same name by now.
 *
 * Documents of which only the beginning matters are read by how this daemon writes them
 * (homie_describe.c): one that begins otherwise isn't this daemon's, and is left alone. */
#include <stdlib.h>
#include <string.h>

#include "daemon/base/log.h"
#include "daemon/homie/homie_inside.h"

enum {
    SWEEP_MS = 5000,              /* brokers send what they keep right after a subscription */
    SWEEP_TOPICS_MAX = 64 * 1024, /* bytes at once; the rest is for the next connect */
    FILTERS_OF_DEVICE = 2,
};

static const int64_t version_most = INT64_C(1000000000000);

/* --- documents -------------------------------------------------------------------------------- */

struct reader {
    const char *at;
    size_t left;
};

static bool read_exactly(struct reader *r, const char *text)
{
    const size_t length = strlen(text);
    if (r->left < length || memcmp(r->at, text, length) != 0) return false;
    r->at += length;
    r->left -= length;
    return true;
}

static bool read_version(struct reader *r, int64_t *ret)
{
    int64_t value = 0;
    size_t digits = 0;
    for (; digits < r->left && r->at[digits] >= '0' && r->at[digits] <= '9'; digits++) {
        value = value * 10 + (r->at[digits] - '0');
        if (value > version_most) return false;
    }
    r->at += digits;
    r->left -= digits;
    *ret = value;
    return digits > 0;
}

/* Past a string's closing quote. */
static bool skip_string(struct reader *r)
{
    if (!read_exactly(r, "\"")) return false;
    for (size_t i = 0; i < r->left; i++) {
        if (r->at[i] == '\\') {
            i++;
        } else if (r->at[i] == '"') {
            r->at += i + 1;
            r->left -= i + 1;
            return true;
        }
    }
    return false;
}

/* A device's id with its quotes. */
static bool read_id(struct reader *r, char ret[HOMIE_ID_MAX])
{
    static const char allowed[] = "abcdefghijklmnopqrstuvwxyz0123456789-";
    if (!read_exactly(r, "\"")) return false;
    size_t n = 0;
    while (n < r->left && n < HOMIE_ID_MAX - 1 && r->at[n] != '\0' && strchr(allowed, r->at[n])) {
        ret[n] = r->at[n];
        n++;
    }
    ret[n] = '\0';
    r->at += n;
    r->left -= n;
    return n > 0 && read_exactly(r, "\"");
}

/* What every description of this daemon begins with. */
static bool read_beginning(struct reader *r, int64_t *ret_version)
{
    return read_exactly(r, "{\"homie\":\"5.0\",\"version\":") && read_version(r, ret_version) &&
           read_exactly(r, ",\"name\":") && skip_string(r);
}

static struct reader reader_of(const struct mqtt_message *m)
{
    return (struct reader){ .at = m->payload, .left = m->length };
}

/* --- departed devices ------------------------------------------------------------------------- */

static struct homie_departed *find_departed(struct homie *h, const char *id, size_t length)
{
    for (uint32_t i = 0; i < h->sweep.departed_count; i++) {
        struct homie_departed *d = &h->sweep.departed[i];
        if (strncmp(d->id, id, length) == 0 && d->id[length] == '\0') return d;
    }
    return NULL;
}

/* A child's id is the site's key, '-', and more: no other name is believed. */
static bool may_be_child(const struct homie *h, const char *id)
{
    const size_t length = strlen(h->device[0].id);
    return strncmp(id, h->device[0].id, length) == 0 && id[length] == '-';
}

static void note_departed(struct homie *h, const char *id)
{
    if (homie_find_device(h, id) || !may_be_child(h, id)) return;
    if (find_departed(h, id, strlen(id)) || h->sweep.departed_count == HOMIE_DEPARTED_MAX) return;
    struct homie_departed *d = &h->sweep.departed[h->sweep.departed_count++];
    *d = (struct homie_departed){ .ours = false };
    (void)text_copy(d->id, sizeof d->id, id);
    h->sweep.refilter = true;
    h->sweep.waits = false;
}

/* The children that the site's former description names, as far as it was read. */
static void read_children(struct homie *h, struct reader r)
{
    char id[HOMIE_ID_MAX];
    if (!read_exactly(&r, ",\"children\":[")) return;
    while (read_id(&r, id)) {
        note_departed(h, id);
        if (!read_exactly(&r, ",")) return;
    }
}

static void keep_topic(struct homie_sweep *s, const char *topic)
{
    const size_t length = strlen(topic) + 1;
    if (s->topic_bytes + length > SWEEP_TOPICS_MAX) return;
    char *more = realloc(s->topics, s->topic_bytes + length);
    if (!more) return;
    memcpy(more + s->topic_bytes, topic, length);
    s->topics = more;
    s->topic_bytes += length;
}

static void hear_departed(
    struct homie *h, struct homie_departed *d, const struct mqtt_message *m, const char *rest)
{
    char root[HOMIE_ID_MAX];
    int64_t version;
    if (strcmp(rest, "$description") == 0) {
        struct reader r = reader_of(m);
        d->ours = read_beginning(&r, &version) && read_exactly(&r, ",\"root\":") &&
                  read_id(&r, root) && strcmp(root, h->device[0].id) == 0;
    } else if (strcmp(rest, "$state") != 0) {
        keep_topic(&h->sweep, m->topic);
    }
}

/* Its $state first, as Homie wants; what says whose it is last, so that a start after a crash can
 * go on. */
static void clear_departed(struct homie *h, const struct homie_departed *d)
{
    const struct homie_sweep *s = &h->sweep;
    char topic[ROUTE_TOPIC_MAX], start[ROUTE_TOPIC_MAX];
    route_topic(topic, h->config, d->id, "$state");
    homie_clear_later(h, topic);
    homie_withdraw(h, h->config->discovery_prefix, d->id);
    homie_withdraw(h, h->former_prefix, d->id);
    route_topic(start, h->config, d->id, "");
    for (size_t at = 0; at < s->topic_bytes; at += strlen(s->topics + at) + 1) {
        if (strncmp(s->topics + at, start, strlen(start)) == 0)
            homie_clear_later(h, s->topics + at);
    }
    route_topic(topic, h->config, d->id, "$description");
    homie_clear_later(h, topic);
    log_format(LOG_NOTED, "%s is no longer configured: it is removed from the broker", d->id);
}

static void settle_departed(struct homie *h)
{
    for (uint32_t i = 0; i < h->sweep.departed_count; i++) {
        if (h->sweep.departed[i].ours) clear_departed(h, &h->sweep.departed[i]);
    }
    homie_sweep_free(&h->sweep);
    h->sweep.departed_count = 0;
}

/* --- own devices ------------------------------------------------------------------------------ */

static void hear_property(
    struct homie *h, struct homie_device *device, const char *topic, const char *rest)
{
    char known[ROUTE_TOPIC_MAX];
    for (uint32_t i = 0; i < device->slots; i++) {
        int32_t pump;
        homie_property_topic(known, h, device, i);
        if (strcmp(known, topic) != 0) continue;
        if (homie_property(device, i, &pump)->momentary) break; /* never ours to keep */
        h->slot[device->slot + i].kept = true;
        return;
    }
    if (h->clear_bytes >= SWEEP_TOPICS_MAX) return;
    homie_clear_later(h, topic);
    homie_kept_gone(h, device, rest);
}

static void hear_own(
    struct homie *h, struct homie_device *device, const struct mqtt_message *m, const char *rest)
{
    static const char alert[] = "$alert/";
    int64_t version;
    if (strcmp(rest, "$description") == 0) {
        struct reader r = reader_of(m);
        if (!read_beginning(&r, &version)) return;
        if (version > device->version) device->version = version;
        if (device->tank == HOMIE_ROOT) read_children(h, r);
    } else if (strncmp(rest, alert, sizeof alert - 1) == 0) {
        homie_note_ghost(h, (uint32_t)(device - h->device), rest + sizeof alert - 1);
    } else if (rest[0] != '$' || strchr(rest, '/')) {
        hear_property(h, device, m->topic, rest);
    }
}

void homie_sweep_hear(struct homie *h, const struct mqtt_message *m)
{
    const char *rest;
    size_t length;
    if (!m->retained || m->length == 0) return;
    const char *id = homie_id_of(h, m->topic, &length, &rest);
    if (!id) return;
    struct homie_device *device = homie_find_device_of(h, id, length);
    struct homie_departed *departed = device ? NULL : find_departed(h, id, length);
    if (device)
        hear_own(h, device, m, rest);
    else if (departed)
        hear_departed(h, departed, m, rest);
}

static uint32_t window_end(const struct homie *h)
{
    const uint32_t end = h->sweep.first + HOMIE_SWEEP_DEVICES;
    return end < h->device_count ? end : h->device_count;
}

static void clear_undescribed(struct homie *h, const struct homie_device *device)
{
    char topic[ROUTE_TOPIC_MAX];
    for (uint32_t i = 0; i < device->slots; i++) {
        const struct homie_slot *slot = &h->slot[device->slot + i];
        if (!slot->kept || slot->described) continue;
        homie_property_topic(topic, h, device, i);
        homie_clear_later(h, topic);
    }
}

/* --- the sweep -------------------------------------------------------------------------------- */

void homie_sweep_begin(struct homie *h)
{
    homie_sweep_free(&h->sweep);
    h->sweep = (struct homie_sweep){ .refilter = true };
}

void homie_sweep_turn(struct homie *h, struct mono now)
{
    struct homie_sweep *s = &h->sweep;
    if (s->over) return;
    if (!s->waits) {
        s->waits = true;
        s->until = mono_after(now, SWEEP_MS);
        return;
    }
    if (mono_since(now, s->until) < 0) return;
    for (uint32_t i = s->first; i < window_end(h); i++) {
        clear_undescribed(h, &h->device[i]);
    }
    settle_departed(h);
    s->first = window_end(h);
    s->over = s->first == h->device_count;
    s->waits = false;
    s->refilter = true;
}

void homie_sweep_take(struct homie *fresh, const struct homie *old)
{
    const struct homie_sweep *s = &old->sweep;
    fresh->sweep.over = s->over;
    fresh->sweep.waits = s->waits;
    fresh->sweep.until = s->until;
    fresh->sweep.first = s->first < fresh->device_count ? s->first : fresh->device_count - 1;
    for (uint32_t i = 0; i < s->departed_count; i++) {
        if (homie_find_device(fresh, s->departed[i].id)) continue; /* it has come back */
        fresh->sweep.departed[fresh->sweep.departed_count++] = s->departed[i];
    }
    for (size_t at = 0; at < s->topic_bytes; at += strlen(s->topics + at) + 1) {
        keep_topic(&fresh->sweep, s->topics + at);
    }
}

void homie_sweep_free(struct homie_sweep *s)
{
    free(s->topics);
    s->topics = NULL;
    s->topic_bytes = 0;
}

/* --- filters ---------------------------------------------------------------------------------- */

uint32_t homie_sweep_filters_most(uint32_t device_count)
{
    const uint32_t devices =
        device_count < HOMIE_SWEEP_DEVICES ? device_count : HOMIE_SWEEP_DEVICES;
    return FILTERS_OF_DEVICE * devices + HOMIE_DEPARTED_MAX;
}

uint32_t homie_sweep_filters(
    const struct homie *h, struct mqtt_subscription *ret, char (*texts)[ROUTE_TOPIC_MAX])
{
    uint32_t count = 0;
    if (h->sweep.over) return 0;
    for (uint32_t i = h->sweep.first; i < window_end(h); i++) {
        homie_topic(texts[count++], h, &h->device[i], "$description", NULL);
        homie_topic(texts[count++], h, &h->device[i], "+", "+");
    }
    for (uint32_t i = 0; i < h->sweep.departed_count; i++) {
        route_topic(texts[count++], h->config, h->sweep.departed[i].id, "#");
    }
    for (uint32_t i = 0; i < count; i++) {
        ret[i] = (struct mqtt_subscription){ .filter = texts[i], .qos = 1 };
    }
    return count;
}
