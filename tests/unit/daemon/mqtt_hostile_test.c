/* The connection against a broker that refuses, lies or falls silent: one written by hand here, as
 * a real one won't. Packets are those of MQTT 3.1.1 and MQTT 5 (OASIS), chapter 3. */
#include "tests/unit/daemon/mqtt_fixture.h"

enum { PACKET_MAX = 8192 };

struct script { /* what the broker answers; lengths 0: nothing */
    const char *connack, *suback, *then;
    size_t connack_length, suback_length, then_length;
    bool ends;   /* closes after that */
    bool copies; /* the packet id of the SUBSCRIBE goes into bytes 2 and 3 of the SUBACK */
};

static const struct script *script;
static char uri[64];
static pid_t pid;

#define BYTES(member, literal) .member = (literal), .member##_length = sizeof(literal) - 1

/* Reads one packet; its first byte, or -1. 'body' gets what follows the length. */
static int read_packet(int fd, unsigned char *body, size_t *ret_length)
{
    unsigned char type, digit;
    size_t length = 0;
    int shift = 0;
    if (read(fd, &type, 1) != 1) return -1;
    do {
        if (read(fd, &digit, 1) != 1) return -1;
        length |= (size_t)(digit & 127) << shift;
        shift += 7;
    } while (digit & 128);
    ck_assert_uint_le(length, PACKET_MAX);
    for (size_t n = 0; n < length;) {
        const ssize_t got = read(fd, body + n, length - n);
        if (got <= 0) return -1;
        n += (size_t)got;
    }
    *ret_length = length;
    return type;
}

static void serve(int fd)
{
    static unsigned char body[PACKET_MAX], answer[PACKET_MAX];
    size_t length;
    for (int type = read_packet(fd, body, &length); type >= 0;
         type = read_packet(fd, body, &length)) {
        if (type >> 4 == 1) (void)!write(fd, script->connack, script->connack_length);
        if (type >> 4 == 12) (void)!write(fd, "\xD0\x00", 2);
        if (type >> 4 != 8) continue;
        if (script->suback_length > 0) memcpy(answer, script->suback, script->suback_length);
        if (script->suback_length >= 4) memcpy(answer + 2, body, 2);
        (void)!write(fd, answer, script->suback_length);
        (void)!write(fd, script->then, script->then_length);
        if (script->ends) break;
    }
    close(fd);
}

static void start(const struct script *s)
{
    struct sockaddr_in address = { .sin_family = AF_INET,
        .sin_addr.s_addr = htonl(INADDR_LOOPBACK) };
    socklen_t length = sizeof address;
    fixture_block_signals();
    script = s;
    const int listening = socket(AF_INET, SOCK_STREAM, 0);
    ck_assert_int_eq(bind(listening, (struct sockaddr *)&address, sizeof address), 0);
    ck_assert_int_eq(listen(listening, 8), 0);
    ck_assert_int_eq(getsockname(listening, (struct sockaddr *)&address, &length), 0);
    snprintf(uri, sizeof uri, "mqtt://127.0.0.1:%d", ntohs(address.sin_port));
    pid = fork();
    if (pid == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        for (;;) {
            serve(accept(listening, NULL, NULL));
        }
    }
    close(listening);
    config =
        (struct broker_config){ .uri_count = 1, .uri = { uri }, .version = 5, .keepalive_s = 5 };
}

static void stop(void)
{
    kill(pid, SIGKILL);
    waitpid(pid, NULL, 0);
}

static struct mqtt *open_with_two_filters(void)
{
    static const struct mqtt_subscription list[] = { { .filter = "a/b", .qos = 1 },
        { .filter = "c/d", .qos = 1 } };
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, list, 2);
    return m;
}

/* Turns until it says this. */
static void says(struct mqtt *m, const char *words, int64_t most_ms)
{
    for (int64_t t = 0; t < most_ms && !strstr(status_of(m).why, words); t += 20) {
        turn_for(m, 20);
    }
    ck_assert_msg(strstr(status_of(m).why, words) != NULL, "says: %s", status_of(m).why);
    ck_assert(!status_of(m).connected);
}

START_TEST(a_refused_subscription_is_named_and_nothing_counts_as_connected)
{
    static const struct script refuses = { BYTES(connack, "\x20\x03\x00\x00\x00"),
        BYTES(suback, "\x90\x05__\x00\x01\x87") };
    start(&refuses);
    struct mqtt *m = open_with_two_filters();
    says(m, "\"c/d\"", 3000);
    ck_assert(strstr(status_of(m).why, "a/b") == NULL);
    ck_assert_int_eq(publish(m, "x", "y", 1, false), MQTT_UNSENT);
    turn_for(m, 300);
    ck_assert(!status_of(m).connected);
    mqtt_close(m);
    stop();
}
END_TEST

/* MQTT 3.1.1 asks for one at a time: the answer "0x80" is for the first. */
START_TEST(a_refusal_of_mqtt_3_is_one_too)
{
    static const struct script refuses = { BYTES(connack, "\x20\x02\x00\x00"),
        BYTES(suback, "\x90\x03__\x80") };
    start(&refuses);
    config.version = 4;
    struct mqtt *m = open_with_two_filters();
    says(m, "\"a/b\"", 3000);
    mqtt_close(m);
    stop();
}
END_TEST

START_TEST(answers_of_the_wrong_length_are_refusals)
{
    static const struct script five[] = { { BYTES(connack, "\x20\x03\x00\x00\x00"),
                                              BYTES(suback, "\x90\x04__\x00\x01") },
        { BYTES(connack, "\x20\x03\x00\x00\x00"), BYTES(suback, "\x90\x06__\x00\x01\x01\x01") } };
    static const struct script three = { BYTES(connack, "\x20\x02\x00\x00"),
        BYTES(suback, "\x90\x06__\x01\x01\x01\x01") };
    start(_i < 2 ? &five[_i] : &three);
    config.version = _i < 2 ? 5 : 4;
    struct mqtt *m = open_with_two_filters();
    says(m, "\"a/b\"", 3000);
    mqtt_close(m);
    stop();
}
END_TEST

START_TEST(a_refused_connect_says_why)
{
    static const struct script five = { BYTES(connack, "\x20\x03\x00\x87\x00") },
                               three = { BYTES(connack, "\x20\x02\x00\x04") };
    start(_i == 0 ? &five : &three);
    config.version = _i == 0 ? 5 : 4;
    struct mqtt *m = open_with_two_filters();
    says(m, _i == 0 ? "Not authorized" : "user name or password", 3000);
    mqtt_close(m);
    stop();
}
END_TEST

/* The library gives up by itself here; the next address answers. */
START_TEST(a_broker_that_never_answers_does_not_keep_the_next_from_its_turn)
{
    static const struct script silent = { .connack = "", .connack_length = 0 };
    struct mono before = clock_now().mono;
    fixture_setup();
    static char good[64];
    snprintf(good, sizeof good, "%s", broker.uri);
    start(&silent);
    config.uri_count = 2;
    config.uri[1] = good;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    ck_assert(turn_until(m, true, 20000));
    ck_assert_str_eq(status_of(m).uri, good);
    ck_assert_int_ge(mono_since(clock_now().mono, before), 5000);
    mqtt_close(m);
    stop();
    fixture_teardown();
}
END_TEST

/* ... and if it doesn't (its timer runs on the wall clock), the supervisor does. */
START_TEST(a_connect_without_report_is_given_up_on_the_given_clock)
{
    static const struct script silent = { .connack = "", .connack_length = 0 };
    start(&silent);
    struct mqtt *m = open_as("tern-hall-a", NULL);
    struct mono now = clock_now().mono;
    (void)mqtt_turn(m, now);
    broker_nap(300);
    now.ms += 20001;
    (void)mqtt_turn(m, now);
    ck_assert_ptr_nonnull(strstr(status_of(m).why, "doesn't answer"));
    broker_nap(500);
    const struct mono due = mqtt_turn(m, now); /* the client has gone */
    ck_assert_int_le(mono_since(due, now), 1250);
    mqtt_close(m);
    stop();
}
END_TEST

START_TEST(a_subscription_without_answer_is_given_up)
{
    static const struct script silent = { BYTES(connack, "\x20\x03\x00\x00\x00") };
    start(&silent);
    struct mqtt *m = open_with_two_filters();
    struct mono now = clock_now().mono;
    for (int i = 0; i < 100; i++) {
        now.ms += 10;
        (void)mqtt_turn(m, now);
        broker_nap(10);
    }
    ck_assert(!status_of(m).connected);
    now.ms += 10000;
    (void)mqtt_turn(m, now);
    ck_assert_ptr_nonnull(strstr(status_of(m).why, "doesn't answer a subscription"));
    mqtt_close(m);
    stop();
}
END_TEST

/* MQTT 5, 3.14.2.1: 0x8B, server shutting down. The library tells this without telling that the
 * connection is lost. */
START_TEST(a_disconnect_from_the_broker_is_heard)
{
    static const struct script leaves = { BYTES(connack, "\x20\x03\x00\x00\x00"),
        BYTES(suback, "\x90\x05__\x00\x01\x01"), BYTES(then, "\xE0\x02\x8B\x00"), .ends = true };
    start(&leaves);
    struct mqtt *m = open_with_two_filters();
    says(m, "shutting down", 3000);
    mqtt_close(m);
    stop();
}
END_TEST

START_TEST(bad_messages_are_counted_and_the_good_one_arrives)
{
    static const char messages[] = "\x30\x06\x00\x03"
                                   "a\0b"
                                   "x"
                                   "\x30\x05\x00\x03"
                                   "a/#"
                                   "\x30\x04\x00\x02\xC0\x80"
                                   "\x30\x08\x00\x03"
                                   "a/b"
                                   "1.5";
    static char all[PACKET_MAX];
    size_t length = 0;
    /* 5002 bytes: topic "a/b", 4997 of payload */
    memcpy(all,
        "\x30\x8A\x27\x00\x03"
        "a/b",
        8);
    memset(all + 8, 'x', 4997);
    length = 8 + 4997 + 0;
    all[1] = (char)(0x80 | ((2 + 3 + 4997) & 127));
    all[2] = (char)((2 + 3 + 4997) >> 7);
    memcpy(all + length, messages, sizeof messages - 1);
    length += sizeof messages - 1;
    const struct script s = { BYTES(connack, "\x20\x02\x00\x00"), BYTES(suback, "\x90\x03__\x01"),
        .then = all, .then_length = length };
    start(&s);
    config.version = 4;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, &(struct mqtt_subscription){ .filter = "a/b", .qos = 1 }, 1);
    struct mqtt_message got;
    ck_assert(take_within(m, &got, 3000));
    ck_assert_str_eq(got.topic, "a/b");
    ck_assert_str_eq(got.payload, "1.5");
    ck_assert_uint_eq(status_of(m).received, 5);
    ck_assert_uint_eq(status_of(m).oversized, 1);
    ck_assert_uint_eq(status_of(m).malformed, 3);
    mqtt_close(m);
    stop();
}
END_TEST

START_TEST(garbage_ends_the_connection_and_no_more)
{
    static const struct script garbage[] = { { BYTES(connack, "\x20\x02\x00\x00"),
                                                 BYTES(suback, "\x90\x03__\x01"),
                                                 BYTES(then, "\x30\xFF\xFF\xFF\xFF\xFF\x01") },
        { BYTES(connack, "\x20\x02\x00\x00"), BYTES(suback, "\x90\x03__\x01"),
            BYTES(then, "\x00\x00") },
        { BYTES(connack, "\x20\x02\x00\x00"), BYTES(suback, "\x90\x03__\x01"),
            BYTES(then, "\x30\x02\xFF\xFF"), .ends = true },
        { BYTES(connack, "\xFF\xFF") }, { BYTES(connack, "HTTP/1.1 400 Bad Request\r\n\r\n") } };
    start(&garbage[_i]);
    config.version = 4;
    struct mqtt *m = open_as("tern-hall-a", NULL);
    subscribe(m, &(struct mqtt_subscription){ .filter = "a/b", .qos = 1 }, 1);
    struct mqtt_message got;
    turn_for(m, 600);
    ck_assert(!mqtt_take(m, &got));
    mqtt_close(m);
    stop();
}
END_TEST

/* MQTT 5, 3.2.2.3.3: Receive Maximum (0x21) of 4. No PUBACK ever comes. */
START_TEST(a_small_receive_maximum_is_kept)
{
    static const struct script small = { BYTES(connack, "\x20\x06\x00\x00\x03\x21\x00\x04"),
        BYTES(suback, "\x90\x05__\x00\x01\x01") };
    start(&small);
    struct mqtt *m = open_with_two_filters();
    ck_assert(turn_until(m, true, 3000));
    ck_assert_int_eq(publish(m, "s", "1", 1, true), MQTT_SENT);
    ck_assert_int_eq(publish(m, "s", "2", 1, true), MQTT_SENT);
    ck_assert_int_eq(publish(m, "s", "3", 1, true), MQTT_UNSENT);
    ck_assert_int_eq(publish(m, "s", "", 1, true), MQTT_SENT);
    ck_assert_int_eq(publish(m, "s", "", 1, true), MQTT_UNSENT);
    ck_assert_int_eq(publish(m, "c", "stop", 1, false), MQTT_SENT);
    mqtt_close(m);
    stop();
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("mqtt hostile");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_refused_subscription_is_named_and_nothing_counts_as_connected);
    tcase_add_test(t, a_refusal_of_mqtt_3_is_one_too);
    tcase_add_loop_test(t, answers_of_the_wrong_length_are_refusals, 0, 3);
    tcase_add_loop_test(t, a_refused_connect_says_why, 0, 2);
    tcase_add_test(t, a_broker_that_never_answers_does_not_keep_the_next_from_its_turn);
    tcase_add_test(t, a_connect_without_report_is_given_up_on_the_given_clock);
    tcase_add_test(t, a_subscription_without_answer_is_given_up);
    tcase_add_test(t, a_disconnect_from_the_broker_is_heard);
    tcase_add_test(t, bad_messages_are_counted_and_the_good_one_arrives);
    tcase_add_loop_test(t, garbage_ends_the_connection_and_no_more, 0, 5);
    tcase_add_test(t, a_small_receive_maximum_is_kept);
    return run_case(t, "mqtt hostile");
}
