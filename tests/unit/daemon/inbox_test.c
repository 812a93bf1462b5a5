/* Where the MQTT client's threads leave what came in. */
#include <poll.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/mqtt/inbox.h"
#include "daemon/payload/payload.h"
#include "lib/base/prng.h"
#include "tests/unit/support.h"

static struct inbox *box;

static void setup(void)
{
    struct problem problem;
    ck_assert_int_eq(inbox_open(&box, &problem), ERR_NONE);
}

static void teardown(void)
{
    inbox_close(box);
}

static void put(const char *topic, const char *payload)
{
    const struct inbox_letter l = { .topic = topic,
        .topic_length = strlen(topic),
        .payload = payload,
        .payload_length = strlen(payload) };
    inbox_put(box, &l);
}

static void mark(const char *filter)
{
    ck_assert_int_eq(inbox_mark_urgent(box, &filter, 1), ERR_NONE);
}

static bool readable(void)
{
    struct pollfd fd = { .fd = inbox_descriptor(box), .events = POLLIN };
    return poll(&fd, 1, 0) == 1;
}

START_TEST(messages_come_out_in_the_order_they_came)
{
    struct mqtt_message m;
    mark("west/report");
    ck_assert(!inbox_take(box, &m));
    put("glass/ec", "1");
    put("west/report", "2");
    put("glass/ph", "3");
    put("west/report", "4");
    const char *const order[] = { "1", "2", "3", "4" };
    for (int i = 0; i < 4; i++) {
        ck_assert(readable());
        ck_assert(inbox_take(box, &m));
        ck_assert_str_eq(m.payload, order[i]);
        ck_assert_str_eq(m.response_topic, "");
        ck_assert_uint_eq(m.correlation_length, 0);
    }
    ck_assert(!readable());
    ck_assert(!inbox_take(box, &m));
    ck_assert_uint_eq(inbox_counts(box).received, 4);
}
END_TEST

START_TEST(everything_of_a_message_survives)
{
    struct mqtt_message m;
    char payload[PAYLOAD_MAX];
    for (size_t i = 0; i < sizeof payload; i++) {
        payload[i] = (char)(i * 7);
    }
    const struct inbox_letter l = { .topic = "gl\xC3\xA4s/ec",
        .topic_length = 8,
        .payload = payload,
        .payload_length = sizeof payload,
        .retained = true,
        .response = "answers/here",
        .response_length = 12,
        .correlation = "\0\1\2",
        .correlation_length = 3 };
    inbox_put(box, &l);
    ck_assert(inbox_take(box, &m));
    ck_assert_str_eq(m.topic, "gl\xC3\xA4s/ec");
    ck_assert_uint_eq(m.length, sizeof payload);
    ck_assert_mem_eq(m.payload, payload, sizeof payload);
    ck_assert(m.retained);
    ck_assert_str_eq(m.response_topic, "answers/here");
    ck_assert_uint_eq(m.correlation_length, 3);
    ck_assert_mem_eq(m.correlation, "\0\1\2", 3);
}
END_TEST

START_TEST(what_is_too_long_is_counted_and_left_out)
{
    static char long_payload[PAYLOAD_MAX + 1], long_topic[INBOX_TOPIC_MAX + 2];
    struct mqtt_message m;
    memset(long_topic, 'a', INBOX_TOPIC_MAX + 1);
    struct inbox_letter l = {
        .topic = "a", .topic_length = 1, .payload = long_payload, .payload_length = PAYLOAD_MAX + 1
    };
    inbox_put(box, &l);
    l = (struct inbox_letter){ .topic = long_topic, .topic_length = INBOX_TOPIC_MAX + 1 };
    inbox_put(box, &l);
    ck_assert(!inbox_take(box, &m));
    ck_assert_uint_eq(inbox_counts(box).oversized, 2);
    l.topic_length = INBOX_TOPIC_MAX;
    l.payload = long_payload;
    l.payload_length = PAYLOAD_MAX;
    inbox_put(box, &l);
    ck_assert(inbox_take(box, &m));
    ck_assert_uint_eq(strlen(m.topic), INBOX_TOPIC_MAX);
    ck_assert_uint_eq(m.length, PAYLOAD_MAX);
}
END_TEST

/* MQTT 5, 1.5.4 and 4.7: no NUL, valid UTF-8, and no wildcard in a topic name. */
/* Of a description only the beginning is looked at. */
START_TEST(a_description_that_is_too_long_is_cut)
{
    static char bytes[PAYLOAD_MAX + 100];
    struct mqtt_message m;
    memset(bytes, 'x', sizeof bytes - 1);
    put("homie/5/west/$description", bytes);
    put("homie/5/west/x$description", bytes);
    put("/$description", bytes);
    ck_assert(inbox_take(box, &m));
    ck_assert_str_eq(m.topic, "homie/5/west/$description");
    ck_assert_uint_eq(m.length, PAYLOAD_MAX);
    ck_assert(!inbox_take(box, &m));
    ck_assert_uint_eq(inbox_counts(box).oversized, 2);
}
END_TEST

START_TEST(bad_topics_are_counted_and_left_out)
{
    const struct {
        const char *topic;
        size_t length;
    } bad[] = { { "", 0 }, { "a\0b", 3 }, { "a/+", 3 }, { "#", 1 }, { "a#b", 3 }, { "\xFF", 1 },
        { "\xC0\x80", 2 }, { "\xED\xA0\x80", 3 }, { "a\xC3", 2 }, { "\xF5\x80\x80\x80", 4 } };
    struct mqtt_message m;
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        const struct inbox_letter l = { .topic = bad[i].topic, .topic_length = bad[i].length };
        inbox_put(box, &l);
        ck_assert_uint_eq(inbox_counts(box).malformed, i + 1);
    }
    ck_assert(!inbox_take(box, &m));
    ck_assert(!readable());
}
END_TEST

START_TEST(a_response_topic_that_cannot_be_used_is_left_out)
{
    static char long_bytes[INBOX_TOPIC_MAX + 1];
    struct mqtt_message m;
    memset(long_bytes, 'x', sizeof long_bytes);
    const struct inbox_letter letters[] = {
        { .topic = "a", .topic_length = 1, .response = "b/#", .response_length = 3 },
        { .topic = "a", .topic_length = 1, .response = "", .response_length = 0 },
        { .topic = "a",
            .topic_length = 1,
            .response = long_bytes,
            .response_length = INBOX_TOPIC_MAX + 1 },
        { .topic = "a",
            .topic_length = 1,
            .response = "b",
            .response_length = 1,
            .correlation = long_bytes,
            .correlation_length = INBOX_CORRELATION_MAX + 1 },
    };
    for (size_t i = 0; i < sizeof letters / sizeof *letters; i++) {
        inbox_put(box, &letters[i]);
        ck_assert(inbox_take(box, &m));
        ck_assert_str_eq(m.response_topic, "");
        ck_assert_uint_eq(m.correlation_length, 0);
    }
}
END_TEST

START_TEST(the_oldest_readings_make_room_and_are_counted)
{
    enum { COUNT = 4000, PAYLOAD = 300 };
    char payload[PAYLOAD + 1];
    struct mqtt_message m;
    for (int i = 0; i < COUNT; i++) {
        snprintf(payload, sizeof payload, "%-*d", PAYLOAD, i);
        put("glass/ec", payload);
    }
    const uint64_t dropped = inbox_counts(box).dropped;
    ck_assert_uint_gt(dropped, 0);
    for (uint64_t i = dropped; i < COUNT; i++) {
        ck_assert(inbox_take(box, &m));
        ck_assert_int_eq(atoi(m.payload), (int)i);
    }
    ck_assert(!inbox_take(box, &m));
    /* most of the ring was used */
    ck_assert_uint_gt((COUNT - dropped) * PAYLOAD, INBOX_READING_BYTES * 8 / 10);
}
END_TEST

START_TEST(a_flood_of_readings_takes_no_room_from_what_is_urgent)
{
    struct mqtt_message m;
    mark("west/+/report");
    for (int i = 0; i < 50000; i++) {
        put("glass/ec", "1.234567");
    }
    put("west/dose/report", "done");
    for (int i = 0; i < 50000; i++) {
        put("glass/ec", "1.234567");
    }
    bool found = false;
    while (inbox_take(box, &m)) {
        found = found || strcmp(m.payload, "done") == 0;
    }
    ck_assert(found);
}
END_TEST

START_TEST(what_is_urgent_is_refused_when_its_room_is_full_and_never_pushed_out)
{
    enum { COUNT = 6000, PAYLOAD = 300 };
    char payload[PAYLOAD + 1];
    struct mqtt_message m;
    mark("west/report");
    for (int i = 0; i < COUNT; i++) {
        snprintf(payload, sizeof payload, "%-*d", PAYLOAD, i);
        put("west/report", payload);
    }
    put("glass/ec", "1");
    const uint64_t dropped = inbox_counts(box).dropped;
    ck_assert_uint_gt(dropped, 0);
    for (uint64_t i = 0; i < COUNT - dropped; i++) {
        ck_assert(inbox_take(box, &m));
        ck_assert_int_eq(atoi(m.payload), (int)i);
    }
    ck_assert(inbox_take(box, &m));
    ck_assert_str_eq(m.topic, "glass/ec");
    ck_assert(!inbox_take(box, &m));
}
END_TEST

/* Against a list that is too simple to be wrong; sizes by chance, so that every way to wrap is met.
 * _i is the seed. */
START_TEST(the_rings_keep_what_a_plain_list_keeps)
{
    enum { LIST = 200000 };
    static uint32_t list[LIST];
    struct prng chance = prng_seed((uint64_t)_i);
    uint32_t first = 0, count = 0, next = 0;
    struct mqtt_message m;
    static char payload[PAYLOAD_MAX];
    memset(payload, 'x', sizeof payload);
    mark("u");
    for (int step = 0; step < 20000; step++) {
        if (prng_below(&chance, 100) < 55) {
            const uint64_t before = inbox_counts(box).dropped;
            memcpy(payload, &next, sizeof next);
            const struct inbox_letter l = { .topic = "u",
                .topic_length = 1,
                .payload = payload,
                .payload_length = 4 + (size_t)prng_below(&chance, PAYLOAD_MAX - 4) };
            inbox_put(box, &l);
            if (inbox_counts(box).dropped == before) list[first + count++] = next;
            next++;
        } else if (inbox_take(box, &m)) {
            uint32_t got;
            ck_assert_uint_gt(count, 0);
            memcpy(&got, m.payload, sizeof got);
            ck_assert_uint_eq(got, list[first]);
            first++;
            count--;
        } else {
            ck_assert_uint_eq(count, 0);
        }
    }
    while (inbox_take(box, &m)) {
        count--;
    }
    ck_assert_uint_eq(count, 0);
}
END_TEST

START_TEST(the_descriptor_is_readable_exactly_while_there_is_something)
{
    struct mqtt_message m;
    struct notice n = { .kind = NOTICE_LOST, .code = 7 };
    ck_assert(!readable());
    ck_assert(inbox_tell(box, &n));
    put("a", "1");
    ck_assert(inbox_take(box, &m));
    ck_assert(readable()); /* the notice */
    ck_assert(inbox_hear(box, &n));
    ck_assert_int_eq(n.code, 7);
    ck_assert(!readable());
    inbox_poke(box);
    ck_assert(readable());
    ck_assert(!inbox_take(box, &m));
    ck_assert(readable()); /* a poke is for who asks for notices */
    ck_assert(!inbox_hear(box, &n));
    ck_assert(!readable());
}
END_TEST

START_TEST(what_comes_while_it_is_shut_waits)
{
    struct mqtt_message m;
    struct notice n = { .kind = NOTICE_LOST };
    mark("west/report");
    put("glass/ec", "1");
    inbox_shut(box, true);
    ck_assert(!readable());
    put("west/report", "2");
    put("glass/ec", "3");
    ck_assert(!readable());
    ck_assert(!inbox_take(box, &m));
    ck_assert(inbox_tell(box, &n));
    ck_assert(readable()); /* notices aren't kept back */
    ck_assert(inbox_hear(box, &n));
    ck_assert(!inbox_hear(box, &n));
    ck_assert(!readable());
    inbox_shut(box, false);
    ck_assert(readable());
    ck_assert(inbox_take(box, &m));
    ck_assert_str_eq(m.payload, "1");
    inbox_shut(box, true);
    inbox_drop_readings(box);
    ck_assert_uint_eq(inbox_counts(box).dropped, 1);
    inbox_shut(box, false);
    ck_assert(inbox_take(box, &m));
    ck_assert_str_eq(m.payload, "2");
    ck_assert(!inbox_take(box, &m));
    ck_assert(!readable());
}
END_TEST

START_TEST(too_many_notices_are_told)
{
    struct notice n = { .kind = NOTICE_LOST };
    for (int i = 0; i < INBOX_NOTICES_MAX; i++) {
        n.code = i;
        ck_assert(inbox_tell(box, &n));
    }
    ck_assert(!inbox_overrun(box));
    ck_assert(!inbox_tell(box, &n));
    ck_assert(inbox_overrun(box));
    ck_assert(!inbox_overrun(box));
    for (int i = 0; i < INBOX_NOTICES_MAX; i++) {
        ck_assert(inbox_hear(box, &n));
        ck_assert_int_eq(n.code, i);
    }
    ck_assert(!inbox_hear(box, &n));
}
END_TEST

static void *flood(void *context)
{
    for (int i = 0; i < 20000; i++) {
        put(context, "12345678");
    }
    return NULL;
}

START_TEST(threads_can_put_while_the_loop_takes)
{
    static char readings[] = "glass/ec", reports[] = "west/report";
    pthread_t threads[2];
    struct mqtt_message m;
    uint64_t taken = 0;
    mark(reports);
    pthread_create(&threads[0], NULL, flood, readings);
    pthread_create(&threads[1], NULL, flood, reports);
    while (taken + inbox_counts(box).dropped < 40000) {
        struct pollfd fd = { .fd = inbox_descriptor(box), .events = POLLIN };
        ck_assert_int_eq(poll(&fd, 1, 5000), 1); /* no wake-up is lost */
        while (inbox_take(box, &m)) {
            taken++;
        }
    }
    pthread_join(threads[0], NULL);
    pthread_join(threads[1], NULL);
    ck_assert(!inbox_take(box, &m));
    ck_assert_uint_eq(inbox_counts(box).received, 40000);
}
END_TEST

/* The examples of MQTT 5, sections 4.7.1 and 4.7.2. */
START_TEST(filters_match_as_the_standard_says)
{
    const struct {
        const char *filter, *topic;
        bool matches;
    } cases[] = { { "sport/tennis/player1/#", "sport/tennis/player1", true },
        { "sport/tennis/player1/#", "sport/tennis/player1/ranking", true },
        { "sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true },
        { "sport/#", "sport", true }, { "#", "sport/tennis", true }, { "+", "sport", true },
        { "sport/tennis/+", "sport/tennis/player1", true },
        { "sport/tennis/+", "sport/tennis/player1/ranking", false }, { "sport/+", "sport", false },
        { "sport/+", "sport/", true }, { "+/+", "/finance", true }, { "/+", "/finance", true },
        { "+", "/finance", false }, { "#", "$SYS/x", false },
        { "+/monitor/Clients", "$SYS/x", false }, { "$SYS/#", "$SYS/x", true },
        { "a/b", "a/b", true }, { "a/b", "a/bc", false }, { "a/bc", "a/b", false },
        { "a/+/c", "a/b/c", true }, { "a/+/c", "a/b/d", false }, { "a/+/c", "a/b/c/d", false },
        { "sport/#", "sports", false } };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        ck_assert_msg(inbox_filter_matches(cases[i].filter, cases[i].topic) == cases[i].matches,
            "%s %s", cases[i].filter, cases[i].topic);
    }
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("inbox");
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_set_timeout(t, 60);
    tcase_add_test(t, messages_come_out_in_the_order_they_came);
    tcase_add_test(t, everything_of_a_message_survives);
    tcase_add_test(t, what_is_too_long_is_counted_and_left_out);
    tcase_add_test(t, a_description_that_is_too_long_is_cut);
    tcase_add_test(t, bad_topics_are_counted_and_left_out);
    tcase_add_test(t, a_response_topic_that_cannot_be_used_is_left_out);
    tcase_add_test(t, the_oldest_readings_make_room_and_are_counted);
    tcase_add_test(t, a_flood_of_readings_takes_no_room_from_what_is_urgent);
    tcase_add_test(t, what_is_urgent_is_refused_when_its_room_is_full_and_never_pushed_out);
    tcase_add_loop_test(t, the_rings_keep_what_a_plain_list_keeps, 0, 20);
    tcase_add_test(t, the_descriptor_is_readable_exactly_while_there_is_something);
    tcase_add_test(t, what_comes_while_it_is_shut_waits);
    tcase_add_test(t, too_many_notices_are_told);
    tcase_add_test(t, threads_can_put_while_the_loop_takes);
    tcase_add_test(t, filters_match_as_the_standard_says);
    return run_case(t, "inbox");
}
