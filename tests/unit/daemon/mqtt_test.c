/* The connection against a real broker. */
#include <poll.h>
#include <string.h>

#include "daemon/clock.h"
#include "daemon/mqtt.h"
#include "tests/unit/daemon/broker.h"

static struct broker broker;
static struct broker_config config;

static void setup(void)
{
    sigset_t all;
    sigfillset(&all);
    pthread_sigmask(SIG_BLOCK, &all, NULL);
    broker_open(&broker, "");
    config = (struct broker_config){
        .uri_count = 1, .uri = { broker.uri }, .version = 5, .keepalive_s = 5
    };
}

static void teardown(void)
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

/* Turns it as the loop would, for at most so long; true once it's connected (or not). */
static bool turn_until(struct mqtt *m, bool connected, int64_t most_ms)
{
    const struct mono start = clock_now().mono;
    for (;;) {
        const struct mono now = clock_now().mono;
        const struct mono due = mqtt_turn(m, now);
        struct mqtt_status status;
        mqtt_status(m, &status);
        if (status.connected == connected) return true;
        const int64_t left = most_ms - mono_since(now, start);
        if (left <= 0) return false;
        int64_t wait = mono_since(due, now);
        if (wait > left) wait = left;
        struct pollfd fd = { .fd = mqtt_descriptor(m), .events = POLLIN };
        poll(&fd, 1, (int)(wait < 0 ? 0 : wait));
    }
}

/* Waits for a message, turning. */
static bool take_within(struct mqtt *m, struct mqtt_message *ret, int64_t most_ms)
{
    const struct mono start = clock_now().mono;
    for (;;) {
        const struct mono now = clock_now().mono;
        (void)mqtt_turn(m, now);
        if (mqtt_take(m, ret)) return true;
        const int64_t left = most_ms - mono_since(now, start);
        if (left <= 0) return false;
        struct pollfd fd = { .fd = mqtt_descriptor(m), .events = POLLIN };
        poll(&fd, 1, (int)(left < 50 ? left : 50));
    }
}

static void subscribe(struct mqtt *m, const struct mqtt_subscription *list, uint32_t count)
{
    struct problem problem;
    ck_assert_int_eq(mqtt_subscribe(m, list, count, &problem), ERR_NONE);
}

START_TEST(a_message_comes_and_goes)
{
    config.version = _i == 0 ? 5 : 4;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, &(struct mqtt_subscription){ .filter = "glass/ec", .qos = 1 }, 1);
    ck_assert(turn_until(m, true, 5000));
    struct listener l;
    listener_open(&l, &broker, "out", "house/#");
    broker_publish(&broker, "-t", "glass/ec", "-m", "1.41", NULL);
    struct mqtt_message got;
    ck_assert(take_within(m, &got, 3000));
    ck_assert_str_eq(got.topic, "glass/ec");
    ck_assert_str_eq(got.payload, "1.41");
    ck_assert_uint_eq(got.length, 4);
    ck_assert(!got.retained);
    const struct mqtt_publish p = {
        .topic = "house/state", .payload = "here", .length = 4, .qos = 1, .retained = true
    };
    ck_assert_int_eq(mqtt_publish(m, &p), MQTT_SENT);
    broker_nap(200);
    ck_assert_str_eq(listener_read(&l), "1 house/state here\n");
    listener_close(&l);
    mqtt_close(m);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("mqtt");
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, a_message_comes_and_goes, 0, 2);
    return run_case(t, "mqtt");
}
