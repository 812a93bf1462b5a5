#include <poll.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/doctor/doctor.h"

enum { CHANCE_BYTES = 6, SLEEP_MOST_MS = 200, ROOM_MS = 2000 };

/* With another client in this process the library takes up to two seconds for a connect: its one
 * receiving thread looks at new sockets once a second. */
enum { CONNECT_LEAST_MS = 5000 };

/* Never the daemon's own: the broker would drop the daemon's connection for it. */
static void make_id(char ret[64])
{
    char chance[2 * CHANCE_BYTES + 1];
    struct text t = text_over(ret, 64);
    clock_random_hex(chance, CHANCE_BYTES);
    text_add(&t, "dosewright-doctor-");
    text_add(&t, chance);
}

static struct broker_config broker_of(const struct doctor *d, const struct doctor_wish *wish)
{
    struct broker_config broker = d->config->broker;
    broker.uri_count = 1;
    broker.uri[0] = wish->uri;
    broker.version = wish->version;
    return broker;
}

struct mqtt *doctor_connect(
    const struct doctor *d, const struct doctor_wish *wish, char why[DOCTOR_WHY_MAX])
{
    char id[64];
    struct problem problem;
    struct mqtt *m = NULL;
    const struct broker_config broker = broker_of(d, wish);
    make_id(id);
    const struct mqtt_options options = { .broker = &broker, .client_id = id };
    enum err err = mqtt_open(&m, &options, &problem);
    if (err == ERR_NONE && wish->filters > 0)
        err = mqtt_subscribe(m, wish->filter, wish->filters, &problem);
    if (err != ERR_NONE) {
        (void)text_copy(why, DOCTOR_WHY_MAX, problem.text);
        mqtt_close(m);
        return NULL;
    }
    struct mqtt_status status;
    mqtt_status(m, &status);
    (void)text_copy(why, DOCTOR_WHY_MAX, status.why); /* "not connected yet" */
    const int64_t wait_ms = d->wait_ms > CONNECT_LEAST_MS ? d->wait_ms : CONNECT_LEAST_MS;
    const struct mono until = mono_after(clock_now().mono, wait_ms);
    while (mono_since(until, clock_now().mono) > 0) {
        doctor_turn(m, until);
        mqtt_status(m, &status);
        if (status.connected) return m;
        if (status.why[0] == '\0' || strcmp(status.why, why) == 0) continue;
        (void)text_copy(why, DOCTOR_WHY_MAX, status.why);
        break; /* trying again is for the daemon */
    }
    mqtt_close(m);
    return NULL;
}

void doctor_turn(struct mqtt *m, struct mono until)
{
    const struct mono due = mqtt_turn(m, clock_now().mono);
    const struct mono now = clock_now().mono;
    int64_t ms = mono_since(due, now);
    if (mono_since(until, now) < ms) ms = mono_since(until, now);
    if (ms > SLEEP_MOST_MS) ms = SLEEP_MOST_MS;
    struct pollfd p = { .fd = mqtt_descriptor(m), .events = POLLIN };
    if (ms > 0) (void)poll(&p, 1, (int)ms);
    (void)mqtt_turn(m, clock_now().mono);
}

bool doctor_publish(struct mqtt *m, const char *topic, const char *payload)
{
    const struct mqtt_publish p = {
        .topic = topic, .payload = payload, .length = strlen(payload), .qos = 1
    };
    const struct mono until = mono_after(clock_now().mono, ROOM_MS);
    while (mqtt_publish(m, &p) != MQTT_SENT) {
        struct mqtt_status status;
        mqtt_status(m, &status);
        if (!status.connected || mono_since(until, clock_now().mono) <= 0) return false;
        doctor_turn(m, mono_after(clock_now().mono, 20));
    }
    return true;
}
