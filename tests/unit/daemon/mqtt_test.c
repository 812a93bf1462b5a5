/* The connection against a real broker. */
#include "tests/unit/daemon/mqtt_fixture.h"

#include <dirent.h>
#include <netinet/tcp.h>

/* For the leak checker, which finds this name by itself. When a client is destroyed the library
 * (1.3.12, MQTTAsync_NULLPublishCommands) forgets what it had queued and not written: at most 64
 * messages, and only when a connection broke while more than its window was on the way. It happens
 * in one test here; the other programs that use the library run without this. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:libpaho-mqtt3as\n";
}

START_TEST(a_message_comes_and_goes)
{
    config.version = _i == 0 ? 5 : 4;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, &(struct mqtt_subscription){ .filter = "glass/ec", .qos = 1 }, 1);
    ck_assert_int_eq(publish(m, "house/state", "early", 1, false), MQTT_UNSENT);
    ck_assert(turn_until(m, true, 15000));
    ck_assert_str_eq(status_of(m).why, "");
    ck_assert_str_eq(status_of(m).uri, broker.uri);
    struct listener l;
    listener_open(&l, &broker, "out", "house/#");
    broker_publish(&broker, "-t", "glass/ec", "-m", "1.41", NULL);
    struct mqtt_message got;
    ck_assert(take_within(m, &got, 3000));
    ck_assert_str_eq(got.topic, "glass/ec");
    ck_assert_str_eq(got.payload, "1.41");
    ck_assert_uint_eq(got.length, 4);
    ck_assert(!got.retained);
    ck_assert_int_eq(publish(m, "house/state", "here", 1, true), MQTT_SENT);
    ck_assert_int_eq(publish(m, "house/log", "there", 0, false), MQTT_SENT);
    ck_assert_int_eq(publish(m, "house/+", "no", 1, false), MQTT_UNSENT);
    ck_assert_int_eq(publish(m, "", "no", 1, false), MQTT_UNSENT);
    broker_nap(200);
    ck_assert_str_eq(listener_read(&l), "1 house/state here\n0 house/log there\n");
    listener_close(&l);
    mqtt_close(m);
}
END_TEST

START_TEST(the_retained_flag_means_what_the_header_says)
{
    const struct mqtt_subscription list[] = { { .filter = "glass/ec", .qos = 1 },
        { .filter = "site/ec/set", .qos = 1, .settable = true },
        { .filter = "site/halt/set", .qos = 1, .settable = true, .kept = true } };
    broker_publish(&broker, "-r", "-t", "glass/ec", "-m", "kept", NULL);
    broker_publish(&broker, "-r", "-t", "site/ec/set", "-m", "kept", NULL);
    broker_publish(&broker, "-r", "-t", "site/halt/set", "-m", "kept", NULL);
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, list, 3);
    ck_assert(turn_until(m, true, 15000));
    struct mqtt_message got;
    bool probe = false, halt = false;
    while (take_within(m, &got, 300)) {
        ck_assert_str_eq(got.payload, "kept");
        ck_assert(got.retained);
        ck_assert_str_ne(got.topic, "site/ec/set"); /* never asked for */
        probe = probe || strcmp(got.topic, "glass/ec") == 0;
        halt = halt || strcmp(got.topic, "site/halt/set") == 0;
    }
    ck_assert(probe && halt);
    broker_publish(&broker, "-r", "-t", "glass/ec", "-m", "live", NULL);
    ck_assert(take_within(m, &got, 20000));
    ck_assert(!got.retained);
    broker_publish(&broker, "-r", "-t", "site/ec/set", "-m", "live", NULL);
    ck_assert(take_within(m, &got, 20000));
    ck_assert(got.retained);
    broker_publish(&broker, "-t", "site/ec/set", "-m", "live", NULL);
    ck_assert(take_within(m, &got, 20000));
    ck_assert(!got.retained);
    mqtt_close(m);
}
END_TEST

/* A kept order to halt comes with the first SUBACK; a hundred more are to come. */
START_TEST(what_the_broker_kept_is_handed_out_when_it_can_be_answered)
{
    enum { MANY = 100 };
    static char filters[MANY][32];
    static struct mqtt_subscription list[MANY];
    config.version = _i == 0 ? 5 : 4;
    for (int i = 0; i < MANY; i++) {
        snprintf(filters[i], sizeof filters[i], "site/%02d/set", i);
        list[i] = (struct mqtt_subscription){
            .filter = filters[i], .qos = 1, .settable = true, .kept = true
        };
    }
    broker_publish(&broker, "-r", "-t", "site/00/set", "-m", "true", NULL);
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, list, MANY);
    struct mqtt_message got;
    ck_assert(take_within(m, &got, 15000));
    ck_assert(got.retained);
    ck_assert(status_of(m).connected);
    ck_assert_int_eq(publish(m, "west/dose/command/set", "halt", 1, false), MQTT_SENT);
    mqtt_close(m);
}
END_TEST

START_TEST(properties_of_mqtt_5_go_both_ways)
{
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, &(struct mqtt_subscription){ .filter = "ask", .qos = 1 }, 1);
    ck_assert(turn_until(m, true, 15000));
    broker_publish(&broker, "-V", "5", "-t", "ask", "-m", "{}", "-D", "publish", "response-topic",
        "answers/phone", "-D", "publish", "correlation-data", "n-17", NULL);
    struct mqtt_message got;
    ck_assert(take_within(m, &got, 20000));
    ck_assert_str_eq(got.response_topic, "answers/phone");
    ck_assert_uint_eq(got.correlation_length, 4);
    ck_assert_mem_eq(got.correlation, "n-17", 4);
    /* what is published with them, read back */
    const struct mqtt_publish p = { .topic = "ask",
        .payload = "x",
        .length = 1,
        .qos = 1,
        .expiry_s = 2,
        .response_topic = "to/me",
        .correlation = "\0\1",
        .correlation_length = 2 };
    ck_assert_int_eq(mqtt_publish(m, &p), MQTT_SENT);
    ck_assert(take_within(m, &got, 20000));
    ck_assert_str_eq(got.response_topic, "to/me");
    ck_assert_uint_eq(got.correlation_length, 2);
    mqtt_close(m);
}
END_TEST

START_TEST(it_comes_back_with_its_subscriptions_when_the_broker_does)
{
    config.version = _i == 0 ? 5 : 4;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, &(struct mqtt_subscription){ .filter = "glass/ec", .qos = 1 }, 1);
    ck_assert(turn_until(m, true, 15000));
    broker_stop(&broker, _i == 0 ? SIGTERM : SIGKILL);
    ck_assert(turn_until(m, false, 3000));
    ck_assert_str_ne(status_of(m).why, "");
    ck_assert_int_eq(publish(m, "house/state", "x", 1, false), MQTT_UNSENT);
    turn_for(m, 500);
    broker_start(&broker);
    ck_assert(turn_until(m, true, 20000));
    broker_publish(&broker, "-t", "glass/ec", "-m", "again", NULL);
    struct mqtt_message got;
    ck_assert(take_within(m, &got, 20000));
    ck_assert_str_eq(got.payload, "again");
    mqtt_close(m);
}
END_TEST

START_TEST(the_addresses_are_tried_in_order)
{
    char dead[64];
    snprintf(dead, sizeof dead, "mqtt://127.0.0.1:%d", broker_free_port());
    config.uri_count = 3;
    config.uri[0] = dead;
    config.uri[1] = "mqtt://[::1]:1";
    config.uri[2] = broker.uri;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    ck_assert(turn_until(m, true, 15000));
    ck_assert_str_eq(status_of(m).uri, broker.uri);
    mqtt_close(m);
}
END_TEST

START_TEST(a_broker_that_is_not_there_is_tried_on_the_given_clock)
{
    char dead[64];
    snprintf(dead, sizeof dead, "mqtt://127.0.0.1:%d", broker_free_port());
    config.uri[0] = dead;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    struct mono now = { 5000 };
    for (int i = 0; i < 8; i++) {
        struct mono due = now;
        for (int k = 0; k < 500 && mono_since(due, now) <= 100; k++) { /* until it has failed */
            (void)mqtt_turn(m, now);
            broker_nap(5);
            due = mqtt_turn(m, now);
            if (mono_since(due, now) == 20000) due = now; /* still asking */
        }
        const int64_t base = i < 5 ? 1000 << i : 30000;
        const int64_t wait = mono_since(due, now);
        ck_assert_int_ge(wait, base * 3 / 4);
        ck_assert_int_le(wait, base * 5 / 4);
        ck_assert(!status_of(m).connected);
        ck_assert_ptr_nonnull(strstr(status_of(m).why, "can't be reached"));
        now.ms += wait;
    }
    mqtt_close(m);
}
END_TEST

START_TEST(another_client_with_the_same_id_is_found_out)
{
    config.version = _i == 0 ? 5 : 4;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    for (int i = 0; i < 3; i++) {
        ck_assert(turn_until(m, true, 20000));
        broker_publish(
            &broker, "-V", _i == 0 ? "5" : "311", "-i", "tern-hall-a", "-t", "x", "-m", "x", NULL);
        ck_assert(turn_until(m, false, 3000));
        ck_assert_int_eq(
            strstr(status_of(m).why, "another client may use the id 'tern-hall-a'") != NULL,
            i == 2);
    }
    const struct mono now = clock_now().mono;
    ck_assert_int_ge(mono_since(mqtt_turn(m, now), now), 55000);
    mqtt_close(m);
}
END_TEST

START_TEST(the_will_is_told_when_it_dies_and_not_when_it_leaves)
{
    struct listener l;
    listener_open(&l, &broker, "out", "site/#");
    const pid_t pid = fork();
    if (pid == 0) {
        struct mqtt *dying = open_as("tern-hall-a", "site/$state");
        (void)turn_until(dying, true, 15000);
        raise(SIGKILL);
    }
    waitpid(pid, NULL, 0);
    broker_nap(200);
    ck_assert_str_eq(listener_read(&l), "1 site/$state lost\n");
    struct mqtt *m = open_as("tern-hall-a", "site/$state");
    ck_assert(turn_until(m, true, 15000));
    ck_assert_int_eq(publish(m, "site/last", "word", 1, false), MQTT_SENT);
    const struct mono before = clock_now().mono;
    mqtt_close(m);
    ck_assert_int_le(mono_since(clock_now().mono, before), 1000);
    broker_nap(200);
    ck_assert_str_eq(listener_read(&l), "1 site/$state lost\n0 site/last word\n");
    listener_close(&l);
}
END_TEST

START_TEST(it_closes_within_a_second_when_the_broker_is_frozen)
{
    struct mqtt *m = open_as("tern-hall-a", NULL);
    ck_assert(turn_until(m, true, 15000));
    kill(broker.pid, SIGSTOP);
    ck_assert_int_eq(publish(m, "site/last", "word", 1, false), MQTT_SENT);
    const struct mono before = clock_now().mono;
    mqtt_close(m);
    ck_assert_int_le(
        mono_since(clock_now().mono, before), 5000); /* a second, and what a loaded machine adds */
    kill(broker.pid, SIGCONT);
}
END_TEST

static void rewill(struct mqtt *m, const char *topic, const char *payload)
{
    struct problem problem;
    const struct mono before = clock_now().mono;
    ck_assert_int_eq(mqtt_rewill(m, topic, payload, true, &problem), ERR_NONE);
    ck_assert_int_le(mono_since(clock_now().mono, before), 20);
    ck_assert(!status_of(m).connected);
}

/* _i: before the first connect, while it connects, when it is up. */
START_TEST(another_will_comes_with_another_connection)
{
    struct listener l;
    listener_open(&l, &broker, "out", "site/#");
    const pid_t pid = fork();
    if (pid == 0) {
        struct mqtt *m = open_as("tern-hall-a", "site/standby");
        if (_i == 1) (void)mqtt_turn(m, clock_now().mono);
        if (_i == 2) (void)turn_until(m, true, 15000);
        rewill(m, "site/$state", "gone");
        (void)turn_until(m, true, 20000);
        (void)publish(m, "site/up", "1", 1, false);
        turn_for(m, 1000);
        raise(SIGKILL);
    }
    int status;
    waitpid(pid, &status, 0);
    ck_assert(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
    broker_nap(200);
    ck_assert_str_eq(listener_read(&l), "0 site/up 1\n1 site/$state gone\n");
    listener_close(&l);
}
END_TEST

START_TEST(many_subscriptions_are_made_and_replaced)
{
    enum { MANY = 300 };
    static char filters[MANY][32];
    static struct mqtt_subscription list[MANY];
    config.version = _i == 0 ? 5 : 4;
    for (int i = 0; i < MANY; i++) {
        snprintf(filters[i], sizeof filters[i], "glass/%d/ec", i);
        list[i] = (struct mqtt_subscription){ .filter = filters[i], .qos = 1 };
    }
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, list, MANY);
    ck_assert(turn_until(m, true, 8000));
    broker_publish(&broker, "-t", "glass/0/ec", "-m", "a", NULL);
    broker_publish(&broker, "-t", "glass/299/ec", "-m", "b", NULL);
    struct mqtt_message got;
    ck_assert(take_within(m, &got, 20000) && strcmp(got.payload, "a") == 0);
    ck_assert(take_within(m, &got, 20000) && strcmp(got.payload, "b") == 0);
    /* the second half goes, one comes; the connection stays */
    list[MANY / 2].filter = "new";
    subscribe(m, list, MANY / 2 + 1);
    turn_for(m, 500);
    ck_assert(status_of(m).connected);
    broker_publish(&broker, "-t", "glass/299/ec", "-m", "gone", NULL);
    broker_publish(&broker, "-t", "glass/0/ec", "-m", "c", NULL);
    broker_publish(&broker, "-t", "new", "-m", "d", NULL);
    ck_assert(take_within(m, &got, 20000) && strcmp(got.payload, "c") == 0);
    ck_assert(take_within(m, &got, 20000) && strcmp(got.payload, "d") == 0);
    ck_assert(!take_within(m, &got, 200));
    mqtt_close(m);
}
END_TEST

START_TEST(what_is_no_filter_is_refused_and_the_former_ones_stay)
{
    static const char *const bad[] = { "", "a#", "a/#/b", "a+/b", "\xFF" };
    struct problem problem;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, &(struct mqtt_subscription){ .filter = "glass/ec", .qos = 1 }, 1);
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        const struct mqtt_subscription s = { .filter = bad[i] };
        ck_assert_int_eq(mqtt_subscribe(m, &s, 1, &problem), ERR_RANGE);
    }
    ck_assert(turn_until(m, true, 15000));
    broker_publish(&broker, "-t", "glass/ec", "-m", "1", NULL);
    struct mqtt_message got;
    ck_assert(take_within(m, &got, 20000));
    mqtt_close(m);
}
END_TEST

/* A broker that is frozen takes a window of messages; what was handed over beyond that must not
 * come out later, when another broker runs on the same port. */
START_TEST(what_was_not_sent_is_not_sent_later)
{
    config.version = _i == 0 ? 5 : 4;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    ck_assert(turn_until(m, true, 15000));
    kill(broker.pid, SIGSTOP);
    int sent = 0;
    for (int i = 0; i < 60; i++) {
        sent += publish(m, "west/dose/command/set", "late", 1, false) == MQTT_SENT;
    }
    ck_assert_int_gt(sent, 20);
    broker_nap(100);
    kill(broker.pid, SIGKILL);
    waitpid(broker.pid, NULL, 0);
    broker.pid = 0;
    ck_assert(turn_until(m, false, 5000));
    broker_start(&broker);
    struct listener l;
    listener_open(&l, &broker, "out", "#");
    ck_assert(turn_until(m, true, 20000));
    ck_assert_int_eq(publish(m, "west/now", "1", 1, false), MQTT_SENT);
    turn_for(m, 1500);
    ck_assert_str_eq(listener_read(&l), "0 west/now 1\n");
    listener_close(&l);
    mqtt_close(m);
}
END_TEST

START_TEST(what_shows_the_state_leaves_room_for_commands)
{
    struct mqtt *m = open_as("tern-hall-a", NULL);
    ck_assert(turn_until(m, true, 15000));
    kill(broker.pid, SIGSTOP);
    int shown = 0;
    while (shown < 100 && publish(m, "site/value", "1", 1, true) == MQTT_SENT) {
        shown++;
    }
    ck_assert_int_gt(shown, 4);
    ck_assert_int_le(shown, 10);
    ck_assert_int_eq(publish(m, "west/dose/command/set", "stop", 1, false), MQTT_SENT);
    ck_assert_int_eq(publish(m, "site/value", "", 1, true), MQTT_SENT); /* clears what is kept */
    struct mqtt_message none;
    (void)mqtt_turn(m, clock_now().mono);
    ck_assert(!mqtt_take(m, &none));
    struct pollfd fd = { .fd = mqtt_descriptor(m), .events = POLLIN };
    ck_assert_int_eq(poll(&fd, 1, 100), 0);
    kill(broker.pid, SIGCONT);
    ck_assert_int_eq(poll(&fd, 1, 3000), 1); /* readable when there is room again */
    ck_assert_int_eq(publish(m, "site/value", "2", 1, true), MQTT_SENT);
    mqtt_close(m);
}
END_TEST

static int delayed_sockets(void)
{
    int delayed = 0, seen = 0;
    for (int fd = 3; fd < 64; fd++) {
        struct sockaddr_in address;
        socklen_t length = sizeof address;
        if (getpeername(fd, (struct sockaddr *)&address, &length) != 0) continue;
        if (address.sin_family != AF_INET || ntohs(address.sin_port) != broker.port) continue;
        int on = 0;
        length = sizeof on;
        ck_assert_int_eq(getsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, &length), 0);
        seen++;
        delayed += on == 0;
    }
    ck_assert_int_eq(seen, 1);
    return delayed;
}

START_TEST(nothing_waits_for_nagle_at_either_connection)
{
    struct mqtt *m = open_as("tern-hall-a", NULL);
    ck_assert(turn_until(m, true, 15000));
    ck_assert_int_eq(delayed_sockets(), 0);
    broker_stop(&broker, SIGKILL);
    ck_assert(turn_until(m, false, 3000));
    broker_start(&broker);
    ck_assert(turn_until(m, true, 20000));
    ck_assert_int_eq(delayed_sockets(), 0);
    mqtt_close(m);
}
END_TEST

/* The library's writer is woken by each publish. Where it no longer is, it looks once a second. */
START_TEST(a_second_client_takes_nothing_from_the_first)
{
    enum { TURNS = 10, MOST_MS = 5000 };
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, &(struct mqtt_subscription){ .filter = "glass/echo", .qos = 0 }, 1);
    ck_assert(turn_until(m, true, 15000));
    struct mqtt *other = open_as("tern-hall-b", NULL);
    ck_assert(turn_until(other, true, 15000));
    const int64_t began = clock_now().mono.ms;
    for (int i = 0; i < TURNS; i++) {
        struct mqtt_message got;
        ck_assert_int_eq(publish(m, "glass/echo", "1.41", 0, false), MQTT_SENT);
        ck_assert(take_within(m, &got, 3000));
    }
    ck_assert_int_lt(clock_now().mono.ms - began, MOST_MS);
    mqtt_close(other);
    mqtt_close(m);
}
END_TEST

START_TEST(a_thousand_messages_a_second_are_taken_in_order)
{
    enum { COUNT = 2000 };
    char path[128];
    snprintf(path, sizeof path, "%s/lines", broker.dir);
    FILE *file = fopen(path, "w");
    for (int i = 0; i < COUNT; i++) {
        fprintf(file, "%d\n", i);
    }
    fclose(file);
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, &(struct mqtt_subscription){ .filter = "glass/ec", .qos = 0 }, 1);
    ck_assert(turn_until(m, true, 15000));
    char command[256];
    snprintf(command, sizeof command, "mosquitto_pub -h 127.0.0.1 -p %d -t glass/ec -l < %s",
        broker.port, path);
    const char *argv[] = { "sh", "-c", command, NULL };
    const pid_t pid = broker_spawn("/dev/null", argv);
    struct mqtt_message got;
    for (int i = 0; i < COUNT; i++) {
        ck_assert(take_within(m, &got, 3000));
        ck_assert_int_eq(atoi(got.payload), i);
    }
    waitpid(pid, NULL, 0);
    ck_assert_uint_eq(status_of(m).received, COUNT);
    ck_assert_uint_eq(status_of(m).dropped, 0);
    mqtt_close(m);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("mqtt");
    tcase_add_checked_fixture(t, fixture_setup, fixture_teardown);
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, a_message_comes_and_goes, 0, 2);
    tcase_add_test(t, the_retained_flag_means_what_the_header_says);
    tcase_add_loop_test(t, what_the_broker_kept_is_handed_out_when_it_can_be_answered, 0, 2);
    tcase_add_test(t, properties_of_mqtt_5_go_both_ways);
    tcase_add_loop_test(t, it_comes_back_with_its_subscriptions_when_the_broker_does, 0, 2);
    tcase_add_test(t, the_addresses_are_tried_in_order);
    tcase_add_test(t, a_broker_that_is_not_there_is_tried_on_the_given_clock);
    tcase_add_loop_test(t, another_client_with_the_same_id_is_found_out, 0, 2);
    tcase_add_test(t, the_will_is_told_when_it_dies_and_not_when_it_leaves);
    tcase_add_test(t, it_closes_within_a_second_when_the_broker_is_frozen);
    tcase_add_loop_test(t, another_will_comes_with_another_connection, 0, 3);
    tcase_add_loop_test(t, many_subscriptions_are_made_and_replaced, 0, 2);
    tcase_add_test(t, what_is_no_filter_is_refused_and_the_former_ones_stay);
    tcase_add_loop_test(t, what_was_not_sent_is_not_sent_later, 0, 2);
    tcase_add_test(t, what_shows_the_state_leaves_room_for_commands);
    tcase_add_test(t, nothing_waits_for_nagle_at_either_connection);
    tcase_add_test(t, a_second_client_takes_nothing_from_the_first);
    tcase_add_test(t, a_thousand_messages_a_second_are_taken_in_order);
    return run_case(t, "mqtt");
}
