/* Turning a connection in a test as the daemon's loop does. Included once by each test of it. */
#ifndef DOSEWRIGHT_TESTS_MQTT_FIXTURE_H
#define DOSEWRIGHT_TESTS_MQTT_FIXTURE_H

#include <poll.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/mqtt/mqtt.h"
#include "tests/unit/daemon/broker.h"

static struct broker broker;
static struct broker_config config;

/* The library's threads must not take signals: as in the daemon. */
static void fixture_block_signals(void)
{
    sigset_t all;
    sigfillset(&all);
    pthread_sigmask(SIG_BLOCK, &all, NULL);
}

static void fixture_setup_with(const char *more)
{
    fixture_block_signals();
    broker_open(&broker, more);
    config = (struct broker_config){
        .uri_count = 1, .uri = { broker.uri }, .version = 5, .keepalive_s = 5
    };
}

static void fixture_setup(void)
{
    fixture_setup_with("");
}

static void fixture_teardown(void)
{
    broker_close(&broker);
}

static struct mqtt *open_as(const char *client_id, const char *will_topic)
{
    struct mqtt *m = NULL;
    struct problem problem;
    const struct mqtt_options options = { .broker = &config,
        .client_id = client_id,
        .will_topic = will_topic,
        .will_payload = "lost",
        .will_retained = true };
    ck_assert_int_eq(mqtt_open(&m, &options, &problem), ERR_NONE);
    return m;
}

static struct mqtt_status status_of(const struct mqtt *m)
{
    struct mqtt_status status;
    mqtt_status(m, &status);
    return status;
}

static void wait_for(struct mqtt *m, int64_t most_ms)
{
    struct pollfd fd = { .fd = mqtt_descriptor(m), .events = POLLIN };
    poll(&fd, 1, (int)(most_ms < 0 ? 0 : most_ms));
}

/* Turns it until it's connected (or isn't), for at most so long. */
static bool turn_until(struct mqtt *m, bool connected, int64_t most_ms)
{
    const struct mono start = clock_now().mono;
    for (;;) {
        const struct mono now = clock_now().mono;
        const struct mono due = mqtt_turn(m, now);
        if (status_of(m).connected == connected) return true;
        const int64_t left = most_ms - mono_since(now, start);
        if (left <= 0) return false;
        wait_for(m, mono_since(due, now) < left ? mono_since(due, now) : left);
    }
}

/* Turns it for so long, whatever happens. */
static inline void turn_for(struct mqtt *m, int64_t ms)
{
    const struct mono start = clock_now().mono;
    for (;;) {
        const struct mono now = clock_now().mono;
        (void)mqtt_turn(m, now);
        const int64_t left = ms - mono_since(now, start);
        if (left <= 0) return;
        wait_for(m, left < 20 ? left : 20);
        broker_nap(1); /* what isn't taken keeps the descriptor readable */
    }
}

/* Waits for a message, turning. */
static inline bool take_within(struct mqtt *m, struct mqtt_message *ret, int64_t most_ms)
{
    const struct mono start = clock_now().mono;
    for (;;) {
        const struct mono now = clock_now().mono;
        (void)mqtt_turn(m, now);
        if (mqtt_take(m, ret)) return true;
        const int64_t left = most_ms - mono_since(now, start);
        if (left <= 0) return false;
        wait_for(m, left < 50 ? left : 50);
    }
}

static inline void subscribe(struct mqtt *m, const struct mqtt_subscription *list, uint32_t count)
{
    struct problem problem;
    ck_assert_int_eq(mqtt_subscribe(m, list, count, &problem), ERR_NONE);
}

static inline enum mqtt_result publish(
    struct mqtt *m, const char *topic, const char *payload, int qos, bool retained)
{
    const struct mqtt_publish p = { .topic = topic,
        .payload = payload,
        .length = strlen(payload),
        .qos = qos,
        .retained = retained };
    return mqtt_publish(m, &p);
}

#endif
