#include "daemon/hear/route.h"

#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"

static const struct {
    enum route_kind kind;
    const char *property;
} head_topics[] = {
    { ROUTE_HEAD_STATE, "$state" },
    { ROUTE_ROLL, "chain/roll" },
    { ROUTE_CLAIM, "chain/claim" },
    { ROUTE_BEAT, "chain/beat" },
    { ROUTE_REPORT, "dose/report" },
    { ROUTE_LEDGER, "dose/ledger" },
    { ROUTE_MANUAL, "dose/manual" },
};
enum { HEAD_TOPICS = sizeof head_topics / sizeof *head_topics };

void route_topic(char ret[ROUTE_TOPIC_MAX], const struct config *config, const char *device,
    const char *property)
{
    struct text t = text_over(ret, ROUTE_TOPIC_MAX);
    text_add(&t, config->homie_domain);
    text_add(&t, "/5/");
    text_add(&t, device);
    text_add_char(&t, '/');
    text_add(&t, property);
}

static int by_topic(const void *a, const void *b)
{
    const struct route *x = a, *y = b;
    return strcmp(x->topic, y->topic);
}

static void add_probes(struct routes *r, const struct site *site)
{
    for (uint32_t i = 0; i < site->tank_count; i++) {
        for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
            const struct probe_config *probe = &site->tank[i].probe[q];
            if (!probe->present) continue;
            r->route[r->count++] = (struct route){ .topic = probe->topic,
                .kind = ROUTE_PROBE,
                .tank = i,
                .quantity = (enum probe_quantity)q };
        }
    }
}

static void add_boards(struct routes *r, const struct site *site, uint32_t c)
{
    for (uint32_t m = 0; m < site->chain[c].count; m++) {
        const struct plain_output *o = site->chain[c].module[m].plain;
        if (!o || !o->state_topic) continue;
        r->route[r->count++] = (struct route){
            .topic = o->state_topic, .kind = ROUTE_BOARD, .chain = c, .position = m + 1
        };
    }
}

enum err routes_make(struct routes *ret, const struct config *config)
{
    const struct site *site = &config->site;
    const size_t named = (size_t)site->chain_count * HEAD_TOPICS + 1;
    const size_t most = named + (size_t)site->chain_count * CHAIN_MODULES_MAX +
                        (size_t)site->tank_count * PROBE_QUANTITY_COUNT;
    *ret = (struct routes){ .route = calloc(most, sizeof *ret->route),
        .topics = calloc(named, ROUTE_TOPIC_MAX) };
    if (!ret->route || !ret->topics) {
        routes_free(ret);
        return ERR_IO;
    }
    char *topic = ret->topics;
    route_topic(topic, config, site->key, "site/beat");
    ret->route[ret->count++] = (struct route){ .topic = topic, .kind = ROUTE_PEER };
    for (uint32_t c = 0; c < site->chain_count; c++) {
        if (site->chain[c].plain) { /* nobody answers for it */
            add_boards(ret, site, c);
            continue;
        }
        for (size_t i = 0; i < HEAD_TOPICS; i++) {
            topic += ROUTE_TOPIC_MAX;
            route_topic(topic, config, site->chain[c].device, head_topics[i].property);
            ret->route[ret->count++] =
                (struct route){ .topic = topic, .kind = head_topics[i].kind, .chain = c };
        }
    }
    add_probes(ret, site);
    qsort(ret->route, ret->count, sizeof *ret->route, by_topic);
    return ERR_NONE;
}

void routes_free(struct routes *r)
{
    free(r->route);
    free(r->topics);
    *r = (struct routes){ 0 };
}

const struct route *routes_find(const struct routes *r, const char *topic, uint32_t *ret_count)
{
    uint32_t low = 0, high = r->count;
    while (low < high) {
        const uint32_t middle = low + (high - low) / 2;
        if (strcmp(r->route[middle].topic, topic) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    uint32_t n = 0;
    while (low + n < r->count && strcmp(r->route[low + n].topic, topic) == 0) {
        n++;
    }
    *ret_count = n;
    return n > 0 ? &r->route[low] : NULL;
}

void route_beats(char ret[ROUTE_TOPIC_MAX], const struct config *config)
{
    route_topic(ret, config, "+", "site/beat");
}

bool route_is_beat(const struct config *config, const char *topic)
{
    static const char end[] = "/site/beat";
    char start[ROUTE_TOPIC_MAX];
    struct text t = text_over(start, sizeof start);
    text_add(&t, config->homie_domain);
    text_add(&t, "/5/");
    if (strncmp(topic, start, t.length) != 0) return false;
    const char *device = topic + t.length, *rest = strchr(device, '/');
    return rest && rest > device && text_same(rest, end);
}
