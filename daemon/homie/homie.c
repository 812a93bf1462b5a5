/* The thin part: between the core, the broker, and what homie_show decides. */
#include "daemon/homie/homie.h"

#include <poll.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/homie/homie_inside.h"
#include "daemon/payload/payload.h"

enum {
    BEAT_EVERY_MS = 4500, /* a loop that looks every quarter of a second still keeps 5 s */
    FILTERS_OF_TANK = 4,
    FILTERS_OF_SITE = 2,
    GOODBYE_STEPS = 400, /* milliseconds at most for all devices' last word */
};

/* --- the core as a world of plain values ------------------------------------------------------ */

struct thin {
    const struct core *core;
    const struct site *site;
    struct mqtt *mqtt;
    struct now now;
    bool full;
};

static void look(void *context, int32_t tank, struct homie_views *ret)
{
    const struct thin *thin = context;
    core_view_site(thin->core, thin->now, &ret->site);
    if (tank == HOMIE_ROOT) return;
    core_view_tank(thin->core, (uint32_t)tank, thin->now, &ret->tank);
    const struct site_tank *config = &thin->site->tank[tank];
    for (uint32_t i = 0; i < config->pump_count; i++) {
        core_view_stock(thin->core, config->pump[i].stock, thin->now, &ret->stock[i]);
    }
}

static void probe(
    void *context, uint32_t tank, enum probe_quantity quantity, struct probe_view *ret)
{
    const struct thin *thin = context;
    core_view_probe(thin->core, tank, quantity, thin->now, ret);
}

static bool alert(void *context, uint32_t index, struct alert_view *ret)
{
    const struct thin *thin = context;
    return core_alert(thin->core, index, ret);
}

static enum mqtt_result send(void *context, const struct mqtt_publish *p)
{
    struct thin *thin = context;
    const enum mqtt_result result = mqtt_publish(thin->mqtt, p);
    if (result != MQTT_SENT) thin->full = true;
    return result;
}

static struct homie_world world_of(struct thin *thin)
{
    return (struct homie_world){ .look = look,
        .probe = probe,
        .alert = alert,
        .send = send,
        .context = thin,
        .now = thin->now };
}

bool homie_publish(struct homie *h, struct mqtt *m, const struct core *core, struct now now)
{
    if (!h->connected) return false;
    struct thin thin = { .core = core, .site = &h->config->site, .mqtt = m, .now = now };
    const struct homie_world world = world_of(&thin);
    const bool all = homie_show(h, &world);
    h->full = thin.full;
    return !all;
}

bool homie_waits(const struct homie *h)
{
    return h->full;
}

void homie_prompt(struct homie *h, struct mqtt *m, const struct core *core, struct now now)
{
    if (!h->connected || h->heard_count == 0) return;
    struct thin thin = { .core = core, .site = &h->config->site, .mqtt = m, .now = now };
    const struct homie_world world = world_of(&thin);
    homie_show_heard(h, &world);
}

/* --- what has no value that stands ------------------------------------------------------------ */

static bool send_now(struct homie *h, struct mqtt *m, const char *first, const char *second,
    const char *payload, size_t length)
{
    char topic[ROUTE_TOPIC_MAX];
    homie_topic(topic, h, &h->device[0], first, second);
    const struct mqtt_publish p = { .topic = topic, .payload = payload, .length = length };
    return mqtt_publish(m, &p) == MQTT_SENT;
}

void homie_entry(struct homie *h, struct mqtt *m, const char *line, const struct link_tip *tip)
{
    size_t length = strlen(line);
    if (length > 0 && line[length - 1] == '\n') length--;
    h->tip = *tip;
    (void)send_now(h, m, "journal", "entry", line, length);
}

bool homie_again(struct homie *h, struct mqtt *m, const char *line)
{
    return send_now(h, m, "journal", "entry", line, strlen(line));
}

void homie_answer(struct homie *h, struct mqtt *m, const char *answer)
{
    (void)send_now(h, m, "request", "answer", answer, strlen(answer));
}

void homie_beat(struct homie *h, struct mqtt *m, const char *by, struct mono now)
{
    if (h->has_beat && mono_since(now, h->beat_at) < BEAT_EVERY_MS) return;
    char payload[128];
    struct text t = text_over(payload, sizeof payload);
    text_add(&t, "{\"by\":");
    payload_add_string(&t, by);
    text_add(&t, ",\"up_ms\":");
    text_add_int(&t, now.ms);
    text_add_char(&t, '}');
    if (!send_now(h, m, "site", "beat", payload, t.length)) return;
    h->has_beat = true;
    h->beat_at = now;
}

void homie_warn(struct homie *h, struct mqtt *m, const char *text)
{
    (void)send_now(h, m, "$log", "warn", text, strlen(text));
}

void homie_inform(struct homie *h, struct mqtt *m, const char *text)
{
    (void)send_now(h, m, "$log", "info", text, strlen(text));
}

void homie_goodbye(struct homie *h, struct mqtt *m)
{
    static const char word[] = "disconnected";
    int steps = GOODBYE_STEPS;
    for (uint32_t i = 0; i < h->device_count && steps > 0; i++) {
        char topic[ROUTE_TOPIC_MAX];
        homie_topic(topic, h, &h->device[i], "$state", NULL);
        const struct mqtt_publish p = {
            .topic = topic, .payload = word, .length = sizeof word - 1, .qos = 1, .retained = true
        };
        while (mqtt_publish(m, &p) != MQTT_SENT && steps-- > 0) {
            (void)poll(NULL, 0, 1);
        }
    }
    h->connected = false;
}

void homie_config(struct homie *h, const char *digest, struct civil loaded, const char *error)
{
    struct text t = text_over(h->site_config, sizeof h->site_config);
    text_add(&t, "{\"digest\":");
    payload_add_string(&t, digest ? digest : "");
    text_add(&t, ",\"loaded\":\"");
    text_add_civil(&t, loaded);
    text_add(&t, "\",\"error\":");
    payload_add_string(&t, error);
    text_add_char(&t, '}');
    if (t.cut) (void)text_copy(h->site_config, sizeof h->site_config, "{}");
}

void homie_connected(struct homie *h)
{
    h->connected = true;
    h->full = false;
    h->cursor = 0;
    for (uint32_t i = 0; i < h->alert_count; i++) {
        if (h->alert[i].known) homie_alert_gone(h, &h->alert[i]);
    }
    h->alert_count = 0;
    h->has_beat = false;
    for (uint32_t i = 0; i < h->device_count; i++) {
        h->device[i].stage = STAGE_INIT;
        h->device[i].recheck = false;
        for (uint32_t k = 0; k < h->device[i].slots; k++) {
            h->slot[h->device[i].slot + k] = (struct homie_slot){ 0 };
        }
    }
}

/* --- filters ---------------------------------------------------------------------------------- */

uint32_t homie_filters_most(const struct homie *h)
{
    return h->filter_count + homie_sweep_filters_most(h->device_count) + 1;
}

uint32_t homie_filters(const struct homie *h, struct mqtt_subscription *ret)
{
    for (uint32_t i = 0; i < h->filter_count; i++) {
        ret[i] = (struct mqtt_subscription){ .filter = h->filter[i],
            .qos = 1,
            .settable = true,
            .kept = strstr(h->filter[i], "/site/halt/set") != NULL,
            .urgent = true };
    }
    uint32_t count = h->filter_count;
    count += homie_sweep_filters(h, ret + count, h->sweep_texts);
    if (h->birth_text[0])
        ret[count++] = (struct mqtt_subscription){ .filter = h->birth_text, .qos = 1 };
    return count;
}

bool homie_refilter(struct homie *h)
{
    const bool other = h->sweep.refilter;
    h->sweep.refilter = false;
    return other;
}

void homie_lost(struct homie *h)
{
    h->connected = false;
    homie_sweep_begin(h);
}

static void add_filter(struct homie *h, char **to, const char *topic, const char *end)
{
    struct text t = text_over(*to, ROUTE_TOPIC_MAX);
    text_add(&t, topic);
    text_add(&t, end);
    h->filter[h->filter_count++] = *to;
    *to += t.length + 1;
}

static void make_filters(struct homie *h)
{
    char *to = h->filter_texts;
    char topic[ROUTE_TOPIC_MAX];
    for (uint32_t i = 0; i < h->device_count; i++) {
        for (uint32_t k = 0; k < h->device[i].slots; k++) {
            int32_t pump;
            if (!homie_property(&h->device[i], k, &pump)->settable) continue;
            homie_property_topic(topic, h, &h->device[i], k);
            add_filter(h, &to, topic, "/set");
        }
    }
}

/* --- life ------------------------------------------------------------------------------------- */

static void make_device(struct homie *h, int32_t tank, uint32_t *slots)
{
    const struct site *site = &h->config->site;
    struct homie_device *d = &h->device[h->device_count++];
    struct text id = text_over(d->id, sizeof d->id);
    d->tank = tank;
    d->slot = *slots;
    text_add(&id, site->key);
    if (tank == HOMIE_ROOT) {
        d->slots = homie_site_count();
    } else {
        const struct site_tank *config = &site->tank[tank];
        text_add_char(&id, '-');
        text_add(&id, config->key);
        d->slots = homie_tank_count() + config->pump_count * homie_stock_count();
    }
    *slots += d->slots;
}

static uint32_t count_slots(const struct site *site)
{
    uint32_t count = homie_site_count();
    for (uint32_t i = 0; i < site->tank_count; i++) {
        count += homie_tank_count() + site->tank[i].pump_count * homie_stock_count();
    }
    return count;
}

enum err homie_open(struct homie **ret, const struct config *config, struct problem *problem)
{
    const struct site *site = &config->site;
    const size_t filters = FILTERS_OF_SITE + (size_t)FILTERS_OF_TANK * site->tank_count;
    struct homie *h = calloc(1, sizeof *h);
    if (h) {
        h->config = config;
        h->device = calloc((size_t)site->tank_count + 1, sizeof *h->device);
        h->slot = calloc(count_slots(site), sizeof *h->slot);
        h->heard = calloc((size_t)site->tank_count + 1, sizeof *h->heard);
        h->heard_tank = calloc((size_t)site->tank_count + 1, sizeof *h->heard_tank);
        h->filter = calloc(filters, sizeof *h->filter);
        h->filter_texts = malloc(filters * ROUTE_TOPIC_MAX);
        h->sweep_texts =
            calloc(homie_sweep_filters_most(site->tank_count + 1), sizeof *h->sweep_texts);
        h->description_size = homie_description_room(config);
        h->description = malloc(h->description_size);
        h->announcement_size = config->discovery_prefix ? homie_announcement_room() : 1;
        h->announcement = malloc(h->announcement_size);
    }
    if (!h || !h->device || !h->slot || !h->heard || !h->heard_tank || !h->filter ||
        !h->filter_texts || !h->sweep_texts || !h->description || !h->announcement) {
        homie_close(h);
        return problem_set(problem, ERR_IO, "homie", "there is no memory for a site this large");
    }
    if (config->discovery_prefix) homie_birth_filter(h->birth_text, h);
    uint32_t slots = 0;
    make_device(h, HOMIE_ROOT, &slots);
    for (uint32_t i = 0; i < site->tank_count; i++) {
        make_device(h, (int32_t)i, &slots);
    }
    make_filters(h);
    h->tip = link_start();
    (void)text_copy(h->site_config, sizeof h->site_config, "{}");
    *ret = h;
    return ERR_NONE;
}

void homie_close(struct homie *h)
{
    if (!h) return;
    free(h->device);
    free(h->slot);
    free(h->heard);
    free(h->heard_tank);
    free(h->filter);
    free(h->filter_texts);
    free(h->sweep_texts);
    homie_sweep_free(&h->sweep);
    free(h->description);
    free(h->announcement);
    free(h->clear);
    free(h);
}
