/* A site of two tanks, a world of plain values that a test moves by hand, and a broker that only
 * keeps a list. Included once by each test of the Homie devices. */
#ifndef DOSEWRIGHT_TESTS_HOMIE_FIXTURE_H
#define DOSEWRIGHT_TESTS_HOMIE_FIXTURE_H

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/homie/homie_inside.h"
#include "tests/unit/support.h"

enum { SENT_MAX = 4096, FIXTURE_TANKS = 2 };

static struct site_tank fixture_tank[FIXTURE_TANKS];
static struct config fixture_config;

/* What the look function hands out. */
static struct {
    struct site_view site;
    struct tank_view tank[FIXTURE_TANKS];
    struct stock_view stock[3];
    struct alert_view alert[4];
    uint32_t alert_count;
    struct now now;
    int takes; /* messages that are taken before the rest is refused; -1: all */
    struct {
        char topic[160];
        const char *payload;
        bool retained;
        int qos;
    } sent[SENT_MAX];
    uint32_t sent_count;
} world;

/* The payloads, one after the other; the oldest make room. */
static char fixture_bytes[8 * 1024 * 1024];
static size_t fixture_used;

static void fixture_stock(uint32_t index, const char *key)
{
    fixture_config.site.stock[index].key = key;
    fixture_config.site.stock[index].bottle_ul = 5000000;
    world.stock[index] = (struct stock_view){
        .key = key, .bottle_ul = 5000000, .remaining_ul = 4200000, .days_left = (double)NAN
    };
}

static void fixture_tank_is(uint32_t index, const char *key, const char *name, uint32_t pumps)
{
    fixture_tank[index] = (struct site_tank){ .key = key,
        .name = name,
        .pump_count = pumps,
        .envelope = { 400, 2200, 5.2, 6.8, 12, 30 },
        .override_most_ms = 72 * HOUR_MS };
    struct tank_view *v = &world.tank[index];
    *v = (struct tank_view){ .key = key,
        .override_for_ms = 8 * HOUR_MS,
        .name = name,
        .state = TANK_WAITING,
        .why = "no reading of EC yet",
        .stage = "",
        .pump_count = pumps };
    for (uint32_t i = 0; i < pumps; i++) {
        fixture_tank[index].pump[i].stock = i;
        v->pump[i].stock = fixture_config.site.stock[i].key;
        v->pump[i].day_limit_ul = 800000;
    }
    for (int q = PROBE_EC; q <= PROBE_TEMPERATURE; q++) {
        v->probe[q] = (struct probe_view){ .present = true, .quality = PROBE_STALE };
    }
}

static void fixture_setup(void)
{
    memset(&world, 0, sizeof world);
    memset(&fixture_config, 0, sizeof fixture_config);
    fixture_config.homie_domain = "homie";
    fixture_config.site.key = "tern-hall";
    fixture_config.site.name = "Tern Hall school glasshouse";
    fixture_config.site.stock_count = 3;
    fixture_config.site.tank_count = FIXTURE_TANKS;
    fixture_config.site.tank = fixture_tank;
    fixture_stock(0, "leaf-a");
    fixture_stock(1, "leaf-b");
    fixture_stock(2, "acid");
    fixture_tank_is(0, "basil-bench", "Basil bench", 3);
    fixture_tank_is(1, "lettuce-wall", "Lettuce \"wall\"", 1);
    world.takes = -1;
    world.now = (struct now){ { 1000000 }, { INT64_C(1932000000000) }, CLOCK_SYNCED };
}

static void fixture_look(void *context, int32_t tank, struct homie_views *ret)
{
    (void)context;
    memset(ret, 0, sizeof *ret);
    ret->site = world.site;
    if (tank == HOMIE_ROOT) return;
    if (tank >= FIXTURE_TANKS) tank = 0; /* a larger site's tanks are all like the first */
    ret->tank = world.tank[tank];
    for (uint32_t i = 0; i < fixture_tank[tank].pump_count; i++) {
        ret->stock[i] = world.stock[fixture_tank[tank].pump[i].stock];
    }
}

static void fixture_probe(
    void *context, uint32_t tank, enum probe_quantity quantity, struct probe_view *ret)
{
    (void)context;
    *ret = world.tank[tank < FIXTURE_TANKS ? tank : 0].probe[quantity];
}

static bool fixture_alert(void *context, uint32_t index, struct alert_view *ret)
{
    (void)context;
    if (index >= world.alert_count) return false;
    *ret = world.alert[index];
    return true;
}

static enum mqtt_result fixture_send(void *context, const struct mqtt_publish *p)
{
    (void)context;
    if (world.takes == 0) return MQTT_UNSENT;
    if (world.takes > 0) world.takes--;
    ck_assert_uint_lt(world.sent_count, SENT_MAX);
    ck_assert_uint_lt(p->length, sizeof fixture_bytes / 8);
    if (fixture_used + p->length >= sizeof fixture_bytes) fixture_used = 0;
    char *payload = fixture_bytes + fixture_used;
    fixture_used += p->length + 1;
    snprintf(world.sent[world.sent_count].topic, sizeof world.sent[0].topic, "%s", p->topic);
    memcpy(payload, p->payload, p->length);
    payload[p->length] = '\0';
    world.sent[world.sent_count].payload = payload;
    world.sent[world.sent_count].retained = p->retained;
    world.sent[world.sent_count].qos = p->qos;
    world.sent_count++;
    return MQTT_SENT;
}

static struct homie_world fixture_world(void)
{
    return (struct homie_world){ .look = fixture_look,
        .probe = fixture_probe,
        .alert = fixture_alert,
        .send = fixture_send,
        .now = world.now };
}

static bool fixture_show(struct homie *h)
{
    const struct homie_world w = fixture_world();
    return homie_show(h, &w);
}

/* What is said of the readings that were noted; what was sent before is forgotten. */
static inline void fixture_prompt(struct homie *h)
{
    const struct homie_world w = fixture_world();
    world.sent_count = 0;
    homie_show_heard(h, &w);
}

/* Shows until there is nothing left, forgetting what was sent before. */
static void fixture_settle(struct homie *h)
{
    world.sent_count = 0;
    for (int i = 0; i < 1000; i++) {
        if (fixture_show(h)) return;
    }
    ck_abort_msg("it never comes to an end");
}

static struct homie *fixture_open(void)
{
    struct homie *h = NULL;
    struct problem problem;
    ck_assert_int_eq(homie_open(&h, &fixture_config, &problem), ERR_NONE);
    homie_connected(h);
    return h;
}

/* The last payload on a topic below homie/5/, or NULL. */
static inline const char *fixture_sent(const char *topic)
{
    for (uint32_t i = world.sent_count; i > 0; i--) {
        if (strcmp(world.sent[i - 1].topic + strlen("homie/5/"), topic) == 0)
            return world.sent[i - 1].payload;
    }
    return NULL;
}

/* Where it was sent first; -1: never. */
static inline int fixture_place(const char *topic, const char *payload)
{
    for (uint32_t i = 0; i < world.sent_count; i++) {
        if (strcmp(world.sent[i].topic + strlen("homie/5/"), topic) == 0 &&
            (!payload || strcmp(world.sent[i].payload, payload) == 0))
            return (int)i;
    }
    return -1;
}

enum { MANY = 140 };

/* A site of so many tanks, t0 and on, each like the first. */
static inline void fixture_many_tanks(void)
{
    static struct site_tank many[MANY];
    static char keys[MANY][16];
    for (int i = 0; i < MANY; i++) {
        many[i] = fixture_tank[0];
        snprintf(keys[i], sizeof keys[i], "t%d", i);
        many[i].key = many[i].name = keys[i];
    }
    fixture_config.site.tank = many;
    fixture_config.site.tank_count = MANY;
}

#endif
